// Package gateway is the core: what comes in from the bearers is verified, stored and receipted, and what is stored is
// delivered to the sinks.
//
//	bearers -> ingest: parse, authenticate, replay, freshness ─┬─> sinks, at once (the live lane)
//	                                                          └─> queue: event and replay mark, one transaction
//	                                                                 └─ committed -> receipt; sinks learn where it lies
//
// A receipt goes out only after the commit has returned; the alert does not wait for it. Hence an event has three
// states. New: not seen. In flight: offered to the sinks and handed to the queue; a repeat is dropped silently.
// Durable: a repeat is receipted again. A commit that fails takes it back to new, so that the node's retry is stored.
//
// For relays the gateway is the end of their way: it sends beacons and answers what they ask (beacon.go).
//
// Goroutines: ingest owns windows, flights, all numbers, the timers of beacons and the retained picture; each sink has one goroutine
// that owns its lane, its window and its sessions; each bearer has one that receives and one that sends. They meet in
// bounded channels, and every drop is counted.
package gateway

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"longlane/gateway/roster"
	"longlane/proto"
	"longlane/queue"
	"longlane/radio"
)

// Meter is told what happens, for the metrics. Its methods must be quick and safe for concurrent use.
type Meter interface {
	Frame(bearer, verdict string)                             // one for each packet; verdict is of the closed list Verdicts
	Hop(from, to string, rssi, snr, margin float64, ok bool)  // one for each hop of an accepted frame; ok: it is proven who sent and who heard; not a number: not known
	Receipt(bearer, result string)                            // sent, failed, late
	Hint(bearer, kind, result string)                         // likewise; kind is of the closed list Hints
	Committed(took time.Duration, failed bool)                // hand-over to answer, seen by ingest
	Published(sink, lane string, took time.Duration, ok bool) // lane: live, backlog, state
	Session(sink, end string)                                 // a session with a sink's receiver ended
	Dropped(what string)                                      // of the closed list Drops
	Heard(annunciator, what string, took time.Duration)       // a trip was confirmed, since its reception; what is of the closed list Whats
	Unheard()                                                 // a trip was confirmed by nobody
	Tested(node string, passed bool, took time.Duration)      // a test trip was judged; since the node made it, up to the last who has it
}

// Verdicts is the closed list of what becomes of a packet.
var Verdicts = []string{"accepted", "repeat", "in-flight", "old", "length", "version", "type", "reserved", "mac",
	"site", "direction", "hint", "unknown-node", "revoked", "generation"}

// Drops is the closed list of things dropped because something was full.
var Drops = []string{"packet", "receipt", "hint", "live", "confirmation", "heard"}

// UnknownRelay stands for a relay that is not enrolled. Names of nodes begin with a letter or a digit, so it is none.
const UnknownRelay = "-"

// Hints is the closed list of what is sent under the group key.
var Hints = []string{proto.TypeBeacon.String(), proto.TypeHopAck.String()}

// Options are what a Gateway works with.
type Options struct {
	Site, Name  string
	Number      uint8 // of this gateway among the site's, 0 to 15
	Roster      *roster.Current
	Queue       Store
	Copy        string // path of the second copy of replay marks and epoch; "": none is kept
	Links       []radio.Link
	Air         map[string]Air    // of the bearers that are LoRa modems: for margins and beacons
	Titles      map[string]string // by zone
	Clock       Clock
	OldAfter    time.Duration // an event older than this at publication is delayed
	FreshWithin time.Duration // tolerance of send times
	CheckIn     time.Duration // period of check-ins that nodes are set to: 20 s to 85 min in steps of 20 s
	Sinks       []SinkOptions
	Forget      []string          // sinks that the queue may remember and need no more
	Silent      map[string]string // bearers that may not send, and why
	Faults      []Notice          // found before the start, of which the house is to hear
	// Annunciators are the names of those that are to be there; others are listened to as well.
	Annunciators []string
	LowBattery   map[string]float64 // by node: V, below which it cannot be relied on
	TestEvery    time.Duration      // a test trip of each input is to come so often; 0: none is missed
	Seed         uint64             // of the times of beacons
	Meter        Meter
	Log          *slog.Logger
	// Observe, if not nil, is told what shows whether zones are watched and trips would sound. It is called from one goroutine, which also
	// takes in trips: it must return at once, and may call nothing of the gateway.
	Observe func(Observation)
}

// Gateway is the core of one site.
type Gateway struct {
	o       Options
	packets chan radio.Packet
	results chan commitResult
	notices chan Notice // faults that the sinks found, or New
	words   chan word   // of annunciators
	talk    talk        // bounds words
	broken  chan error  // why the gateway must end
	sinks   []*sink
	unused  map[string]int // sinks that the queue remembers and nobody serves: how many events it keeps for each
	senders map[string]*sender
	in      *ingest
	ready   atomic.Bool

	listening    atomic.Bool             // words can be heard
	annunciators map[string]*atomic.Bool // those named: whether each is there

	started time.Duration // on the clock since boot
}

const (
	maxPackets = 1024 // received and not yet looked at
	maxFlights = 1024 // handed to the queue and not yet answered
)

// New makes a gateway ready to run. It reads the replay marks and moves the epoch on if it must, so it writes to the
// queue.
func New(o Options) (*Gateway, error) {
	g := &Gateway{o: o, packets: make(chan radio.Packet, maxPackets), results: make(chan commitResult, 2*maxFlights),
		notices: make(chan Notice, 64), words: make(chan word, maxWords), annunciators: map[string]*atomic.Bool{}, broken: make(chan error, 1), started: o.Clock.Mono(),
		senders: map[string]*sender{}}
	for _, name := range o.Annunciators {
		g.annunciators[name] = new(atomic.Bool)
	}
	for _, l := range o.Links {
		if g.senders[l.Name()] != nil {
			return nil, fmt.Errorf("start gateway: two bearers are called %q", l.Name())
		}
		g.senders[l.Name()] = newSender(l, &o)
	}
	if err := g.checkAir(); err != nil {
		return nil, fmt.Errorf("start gateway: %w", err)
	}
	for _, so := range o.Sinks {
		s, err := newSink(g, so)
		if err != nil {
			return nil, fmt.Errorf("start gateway: %w", err)
		}
		g.sinks = append(g.sinks, s)
	}
	if err := g.otherSinks(); err != nil {
		return nil, fmt.Errorf("start gateway: %w", err)
	}
	var err error
	if g.in, err = newIngest(g); err != nil {
		return nil, fmt.Errorf("start gateway: %w", err)
	}
	return g, nil
}

// otherSinks removes from the queue the sinks that are to be forgotten, and notes those that nobody serves.
func (g *Gateway) otherSinks() error {
	g.unused = map[string]int{}
	for _, info := range g.o.Queue.Sinks() {
		switch {
		case g.sink(info.Name) != nil:
		case slices.Contains(g.o.Forget, info.Name):
			if err := g.o.Queue.RemoveSink(info.Name); err != nil {
				return err
			}
			g.o.Log.Info("sink forgotten", "sink", info.Name, "events_not_delivered", info.Waiting)
		default:
			g.unused[info.Name] = info.Waiting
		}
	}
	return nil
}

// ErrBroken is returned by Run when the queue's file can no longer be trusted: the process must start anew.
var ErrBroken = errors.New("the queue's file failed; starting anew is safer than going on")

// Run works until ctx ends, and then stops in order: bearers first, so that nothing new is taken in; then ingest, once
// what is in flight has been answered; then the sinks. It returns nil after a stop that was asked for.
func (g *Gateway) Run(ctx context.Context) error {
	radioCtx, stopRadio := context.WithCancel(ctx)
	defer stopRadio()
	sinkCtx, stopSinks := context.WithCancel(context.WithoutCancel(ctx))
	defer stopSinks()

	var bearers, sinks sync.WaitGroup
	failed := make(chan error, len(g.o.Links))
	for _, l := range g.o.Links {
		bearers.Go(func() {
			if err := l.Run(radioCtx, g.deliver); err != nil && radioCtx.Err() == nil {
				failed <- fmt.Errorf("bearer %s: %w", l.Name(), err)
			}
		})
		bearers.Go(func() { g.senders[l.Name()].run(radioCtx) })
	}
	for _, s := range g.sinks {
		sinks.Go(func() { s.run(sinkCtx) })
	}
	ingestDone := make(chan struct{})
	ingestCtx, stopIngest := context.WithCancel(context.WithoutCancel(ctx))
	defer stopIngest()
	go func() {
		defer close(ingestDone)
		g.in.run(ingestCtx)
	}()
	g.ready.Store(true)

	var err error
	select {
	case <-ctx.Done():
	case err = <-failed:
	case err = <-g.broken:
	case <-g.o.Queue.Broken():
		err = ErrBroken
	}
	g.ready.Store(false)
	stopRadio()
	bearers.Wait()
	stopIngest()
	<-ingestDone
	stopSinks()
	sinks.Wait()
	return err
}

// giveUp has Run end with err, the first that is given.
func (g *Gateway) giveUp(err error) {
	select {
	case g.broken <- err:
	default:
	}
}

// Ready reports whether the gateway is serving.
func (g *Gateway) Ready() bool { return g.ready.Load() }

// Sessions tells for each sink why it has no session; nil if it has one.
func (g *Gateway) Sessions() map[string]error {
	m := map[string]error{}
	for _, s := range g.sinks {
		m[s.o.Name] = s.trouble.get()
	}
	return m
}

// SetAside is how many events a sink has set aside, since its receiver refuses them or they cannot be read.
func (g *Gateway) SetAside(sink string) int {
	for _, s := range g.sinks {
		if s.o.Name == sink {
			return int(s.aside.Load())
		}
	}
	return 0
}

func (g *Gateway) sink(name string) *sink {
	i := slices.IndexFunc(g.sinks, func(s *sink) bool { return s.o.Name == name })
	if i < 0 {
		return nil
	}
	return g.sinks[i]
}

// Cursors are the sinks' places in the queue.
func (g *Gateway) Cursors() map[string]Cursor {
	m := map[string]Cursor{}
	for _, s := range g.sinks {
		m[s.o.Name] = s.cursor
	}
	return m
}

// deliver takes a packet from a bearer. It never blocks: if ingest is behind, the packet is dropped and counted, and
// the node tries again.
func (g *Gateway) deliver(p radio.Packet) {
	select {
	case g.packets <- p:
	default:
		g.o.Meter.Dropped("packet")
	}
}

// retain hands a retained publication to every sink. A nil payload clears the topic.
func (g *Gateway) retain(topic string, payload []byte) {
	for _, s := range g.sinks {
		s.retain(topic, payload)
	}
}

// wallAt is a moment of this boot as RFC 3339, or nothing while the clock is unset.
func (g *Gateway) wallAt(mono time.Duration) string {
	c := g.o.Clock
	if !c.Set() {
		return ""
	}
	return c.Wall().Add(mono - c.Mono()).UTC().Format(time.RFC3339Nano)
}

// reception is what is known of p as it is looked at.
func (g *Gateway) reception(p radio.Packet) Reception {
	waited := time.Duration(0)
	if !p.At.IsZero() {
		waited = time.Since(p.At)
	}
	c := g.o.Clock
	return Reception{Boot: c.Boot, Mono: c.Mono() - waited, Wall: c.Wall().Add(-waited), Set: c.Set(), Bearer: p.Bearer,
		Measured: p.Measured, RSSI: p.RSSI, SNR: p.SNR}
}

// space tells the two counter spaces of a node apart.
type space uint8

const (
	eventSpace   space = 1
	checkInSpace space = 2
)

func spaceOf(t proto.Type) space {
	if t == proto.TypeCheckIn {
		return checkInSpace
	}
	return eventSpace
}

// OldestAge is the age of the oldest event that a sink has not acknowledged: since its reception, in the same boot; 0
// if none waits or the age cannot be known.
func (g *Gateway) OldestAge(sink string) time.Duration {
	for _, s := range g.sinks {
		if s.o.Name != sink {
			continue
		}
		oldest := time.Duration(0)
		for p := range queue.Routine + 1 {
			items, err := s.cursor.Next(p, 0, 1)
			if err != nil || len(items) == 0 {
				continue
			}
			if e, err := parseEvent(items[0].Value); err == nil {
				if w := g.o.Clock.when(e.Rx, 0); w.AgeKnown {
					oldest = max(oldest, w.Age)
				}
			}
		}
		return oldest
	}
	return 0
}
