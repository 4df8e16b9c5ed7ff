// Package unit is what stands between the node's state machine (radio/node) and a real board: it brings in what contacts,
// radio and clock say, and carries out what the state machine asks for. All of these are handed in.
//
// One goroutine, that of Run, owns the state machine. A relay is driven in the same way: its frames come and go by the same Link.
//
// # What is done
//
//	Persist   Save has returned before the state machine is told, and before anything is sent that it asked for after it.
//	          A Save that takes longer than 2 s counts as failed: an arrival is announced all the same.
//	Transmit  by Link.Send. A frame that may not go yet, or finds no modem, counts as not sent; the state machine tries again.
//	Listen    nothing: a modem on a serial line hears always.
//	Observed  a line in the log, and whoever Options.Observed is; of a relay one line more an hour, of what it has passed on.
//
// A contact whose wire is cut counts as open and one whose wire is shorted as closed, whatever else is said about it: where it
// looks like an arrival it is announced as one, and the fault follows. A contact that nobody can read is a fault too, of its
// input's wire, with the argument "not known". A fault is told once it has stood for 250 ms.
//
// Now and then, and whenever Test is called, a test trip of each input goes the whole way to whoever would sound: silence is worth
// no more than the last one.
package unit

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"sync"
	"time"

	"longlane/proto"
	"longlane/radio"
	"longlane/radio/contact"
	"longlane/radio/node"
)

// Input is where one of the node's inputs is read.
type Input struct {
	Number uint8
	Source contact.Source
}

// Tamper is the switch that tells whether the case is open.
type Tamper struct {
	Source         contact.Source
	NormallyClosed bool // closed while all is well
}

// Options are the parts of a unit. All must be given but Tamper, Measure, Observed and Sent.
type Options struct {
	Node    node.Config // its Inputs in the same order as Inputs below
	Saved   []byte      // as node.New wants it
	Save    func(saved []byte) error
	Link    radio.Link
	Inputs  []Input
	Tamper  *Tamper
	Measure func() node.Measured // called once a minute; must not block
	Now     func() time.Duration // of contact.Now's kind: the readings' times are by the same clock
	Log     *slog.Logger
	// TestEvery is how often test trips are made, a tenth more or less; 0: only when Test is called. The first comes 5 to 15 minutes
	// after the start, or sooner if that is longer than TestEvery.
	TestEvery time.Duration

	// Observed is told what the state machine observes, Sent what became of each frame: err is that of Link.Send. Both are called
	// from the goroutine of Run, in order, and must not block.
	Observed func(o node.Observed)
	Sent     func(t node.Transmit, err error)
}

const (
	saveTimeout = 2 * time.Second
	sendTimeout = 25 * time.Second // below the 30 s after which the state machine takes a frame for lost
	settleFor   = 250 * time.Millisecond
	measureEach = time.Minute
	tellEach    = time.Hour
	tamperInput = -1
	firstTest   = 10 * time.Minute
)

// Unit is a node on a board. Run must be called, once.
type Unit struct {
	o     Options
	node  *node.Node
	start time.Duration // Now, at the state machine's zero
	wake  time.Duration // the state machine's, since start
	todo  []node.Output

	wires  []settler // of each input
	tamper settler
	seen   map[int]contact.Position // by index; the last position, for the log

	readings chan reading
	packets  chan radio.Packet
	full     bool       // the last packet found no room; the link's goroutine owns it
	sent     chan error // capacity 1: one frame is on its way at a time
	sending  node.Transmit
	probes   chan struct{} // capacity 1
	tests    chan struct{} // capacity 1
	running  sync.WaitGroup

	told    node.Stats    // of a relay, as last logged
	tellAt  time.Duration // when to log them again
	testAt  time.Duration // when to make the next test trips
	rand    *rand.Rand
	saving  chan error // of a Save that takes too long; nil if none does
	trouble string     // of sending, as last logged
}

type reading struct {
	index int // into Inputs, or tamperInput
	contact.Reading
}

// New makes a unit; the error is that of node.New.
func New(o Options) (*Unit, error) {
	u := &Unit{o: o, start: o.Now(), tellAt: tellEach, wires: make([]settler, len(o.Inputs)), seen: map[int]contact.Position{},
		readings: make(chan reading, 64), packets: make(chan radio.Packet, 16), sent: make(chan error, 1), probes: make(chan struct{}, 1), tests: make(chan struct{}, 1), testAt: math.MaxInt64,
		rand: rand.New(rand.NewPCG(o.Node.Seed, 1))}
	if o.TestEvery > 0 {
		u.testAt = u.about(min(firstTest, o.TestEvery), 2)
	}
	n, err := node.New(o.Node, o.Saved, 0)
	u.node = n
	return u, err
}

// Probe has the state machine probe who hears it (node.Probe). It never blocks; a second Probe before Run has taken the first
// makes no difference. It is safe for concurrent use.
func (u *Unit) Probe() {
	select {
	case u.probes <- struct{}{}:
	default:
	}
}

// about is d, by a part of it more or less: nodes that were started together do not go on together.
func (u *Unit) about(d, part time.Duration) time.Duration {
	return d - d/part + time.Duration(u.rand.Int64N(int64(2*d/part)))
}

// Test has a test trip made of each input. It never blocks, and is safe for concurrent use.
func (u *Unit) Test() {
	select {
	case u.tests <- struct{}{}:
	default:
	}
}

func (u *Unit) test(ctx context.Context) {
	for _, in := range u.o.Inputs {
		u.step(ctx, u.now(), node.TestTrip{Input: in.Number})
	}
}

// Run works until ctx ends, and then waits for all that it has started. It returns an error only if the link can never work.
func (u *Unit) Run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer u.running.Wait()
	defer cancel()
	failed := make(chan error, 1)
	u.running.Go(func() { failed <- u.o.Link.Run(ctx, u.deliver) })
	for i, in := range u.o.Inputs {
		u.read(ctx, i, in.Source)
	}
	if u.o.Tamper != nil {
		u.read(ctx, tamperInput, u.o.Tamper.Source)
	}
	u.measure(ctx)
	err := u.loop(ctx, failed)
	if held := u.node.Held(); held > 0 {
		u.o.Log.Warn("stopping with events that have no receipt: they are lost, and will be reported as lost", "events", held)
	}
	return err
}

func (u *Unit) read(ctx context.Context, index int, s contact.Source) {
	u.running.Go(func() {
		s.Run(ctx, func(r contact.Reading) {
			select {
			case u.readings <- reading{index, r}:
			case <-ctx.Done():
			}
		})
	})
}

// deliver drops what finds no room: the gateway repeats a receipt for each repeated frame.
func (u *Unit) deliver(p radio.Packet) {
	select {
	case u.packets <- p:
		u.full = false
	default:
		if !u.full { // a flood makes one line
			u.o.Log.Warn("frames from the air come faster than this machine takes them: some are dropped")
		}
		u.full = true
	}
}

func (u *Unit) loop(ctx context.Context, failed <-chan error) error {
	each := time.NewTicker(measureEach)
	defer each.Stop()
	for {
		// First what has happened: a reading is dated, and must not find that its time has been passed over.
		select {
		case r := <-u.readings:
			u.take(ctx, r)
			continue
		case <-ctx.Done():
			return nil
		default:
		}
		u.settle(ctx)
		timer := time.NewTimer(u.next() - u.now())
		select {
		case <-ctx.Done():
		case err := <-failed:
			if err != nil || ctx.Err() == nil {
				timer.Stop()
				return err
			}
		case r := <-u.readings:
			u.take(ctx, r)
		case p := <-u.packets:
			u.step(ctx, u.now(), received(p))
		case err := <-u.sent:
			u.noteSent(err)
			if u.o.Sent != nil {
				u.o.Sent(u.sending, err)
			}
			u.step(ctx, u.now(), node.TxDone{Failed: err != nil, Busy: errors.Is(err, radio.ErrBusy)})
		case err := <-u.saving:
			u.saving = nil
			u.o.Log.Warn("a write to lasting memory that took too long has ended", "err", err)
		case <-u.probes:
			u.step(ctx, u.now(), node.Probe{})
		case <-u.tests:
			u.test(ctx)
		case <-each.C:
			u.measure(ctx)
			u.tell()
		case <-timer.C:
			if u.now() >= u.testAt {
				u.testAt = u.now() + u.about(u.o.TestEvery, 10)
				u.test(ctx)
			}
			if u.now() >= u.wake {
				u.step(ctx, u.now(), nil)
			}
		}
		timer.Stop()
	}
}

func (u *Unit) now() time.Duration { return u.o.Now() - u.start }

// next is when something is due.
func (u *Unit) next() time.Duration {
	at := min(u.wake, u.tamper.due(), u.testAt)
	for i := range u.wires {
		at = min(at, u.wires[i].due())
	}
	return at
}

func (u *Unit) measure(ctx context.Context) {
	m := node.Measured{Battery: math.NaN(), Temperature: math.NaN(), Noise: math.NaN()}
	if u.o.Measure != nil {
		m = u.o.Measure()
	}
	u.step(ctx, u.now(), m)
}

func received(p radio.Packet) node.Received {
	r := node.Received{Frame: p.Frame, RSSI: math.NaN(), SNR: math.NaN()}
	if p.Measured {
		r.RSSI, r.SNR = p.RSSI, p.SNR
	}
	return r
}

// take brings a reading to the state machine.
func (u *Unit) take(ctx context.Context, r reading) {
	at := r.At - u.start
	u.noteReading(r)
	away, closed := r.Position == contact.Away, r.Position == contact.Closed || r.Position == contact.Short
	bad := away || r.Position == contact.Cut || r.Position == contact.Short
	if r.index == tamperInput {
		u.tamper.turn(at, bad || closed != u.o.Tamper.NormallyClosed)
		return
	}
	w := &u.wires[r.index]
	w.turn(at, bad)
	w.argument = math.MaxUint16 // not known, or without end
	if r.Position == contact.Short {
		w.argument = 0
	}
	if !away {
		u.step(ctx, at, node.Edge{Input: u.o.Inputs[r.index].Number, Closed: closed})
	}
}

// settle tells of the faults that have stood, or been gone, for long enough.
func (u *Unit) settle(ctx context.Context) {
	now := u.now()
	for i := range u.wires {
		if w := &u.wires[i]; w.settled(now) {
			u.step(ctx, now, node.Trouble{Kind: proto.FaultInput, Input: u.o.Inputs[i].Number, Ended: !w.stable, Argument: w.argument})
		}
	}
	if u.tamper.settled(now) {
		u.step(ctx, now, node.Trouble{Kind: proto.FaultTamper, Ended: !u.tamper.stable})
	}
}

// settler is a fault that counts once it has stood for settleFor.
type settler struct {
	raw, stable bool
	since       time.Duration
	argument    uint16
}

func (s *settler) turn(now time.Duration, bad bool) {
	if bad != s.raw {
		s.raw, s.since = bad, now
	}
}

func (s *settler) due() time.Duration {
	if s.raw == s.stable {
		return math.MaxInt64
	}
	return s.since + settleFor
}

// settled reports, once, that the fault began or ended.
func (s *settler) settled(now time.Duration) bool {
	if now < s.due() {
		return false
	}
	s.stable = s.raw
	return true
}

// step steps the state machine and carries out what it asks for, in order.
func (u *Unit) step(ctx context.Context, now time.Duration, in node.Input) {
	u.advance(now, in)
	for len(u.todo) > 0 {
		o := u.todo[0]
		u.todo = u.todo[1:]
		switch o := o.(type) {
		case node.Persist:
			u.advance(now, node.Stored{Failed: !u.save(o.Saved)})
		case node.Transmit:
			u.transmit(ctx, o)
		case node.Observed:
			u.observed(o)
			if u.o.Observed != nil {
				u.o.Observed(o)
			}
		}
	}
}

func (u *Unit) advance(now time.Duration, in node.Input) {
	out, wake := u.node.Step(now, in)
	u.todo, u.wake = append(u.todo, out...), wake
}

// save reports whether the bytes are safe. While one that took too long still goes on, no other begins.
func (u *Unit) save(saved []byte) bool {
	if u.saving != nil {
		return false
	}
	done := make(chan error, 1)
	u.running.Go(func() { done <- u.o.Save(saved) })
	t := time.NewTimer(saveTimeout)
	defer t.Stop()
	select {
	case err := <-done:
		if err != nil {
			u.o.Log.Error("lasting memory cannot be written: after the next restart the gateway may refuse this node", "err", err)
		}
		return err == nil
	case <-t.C:
		u.o.Log.Error("lasting memory takes too long to be written: going on without it", "waited", saveTimeout.String())
		u.saving = done
		return false
	}
}

func (u *Unit) transmit(ctx context.Context, t node.Transmit) {
	u.o.Log.Debug("sending", "type", t.Type.String(), "counter", t.Counter, "attempt", t.Attempt)
	u.sending = t
	u.running.Go(func() {
		ctx, cancel := context.WithTimeout(ctx, sendTimeout)
		defer cancel()
		u.sent <- u.o.Link.Send(ctx, "", t.Frame)
	})
}

// noteSent logs when sending begins to fail for another reason, and when it works again.
func (u *Unit) noteSent(err error) {
	if errors.Is(err, radio.ErrBusy) {
		return // that is how a channel is shared
	}
	text := ""
	var wait *radio.WaitError
	switch {
	case errors.As(err, &wait):
		text = "the airtime that is lawful is used up"
	case err != nil:
		text = err.Error()
	}
	if text == u.trouble {
		return
	}
	u.trouble = text
	if err != nil {
		u.o.Log.Warn("a frame could not be sent; it is tried again", "reason", text)
		return
	}
	u.o.Log.Info("frames are sent again")
}

func (u *Unit) noteReading(r reading) {
	last, known := u.seen[r.index]
	if known && last == r.Position {
		return
	}
	u.seen[r.index] = r.Position
	what, level := "tamper", slog.LevelInfo
	if r.index != tamperInput {
		what = fmt.Sprintf("input %d", u.o.Inputs[r.index].Number)
	}
	if r.Position >= contact.Cut {
		level = slog.LevelWarn
	}
	args := []any{"contact", what, "position", r.Position.String()}
	if r.Why != "" {
		args = append(args, "why", r.Why)
	}
	u.o.Log.Log(context.Background(), level, "contact", args...)
}

// tell logs now and then what a relay has done since it was told last.
func (u *Unit) tell() {
	if !u.o.Node.Relay || u.now() < u.tellAt {
		return
	}
	u.tellAt = u.now() + tellEach
	id, distance, ok := u.node.Way()
	way := "none"
	if ok {
		way = fmt.Sprintf("%s, %d ms", neighbour(id), distance)
	}
	s := u.node.Stats()
	u.o.Log.Info("passed on", "frames", s.Carried-u.told.Carried, "receipts", s.Passed-u.told.Passed, "given_up", s.GivenUp-u.told.GivenUp,
		"refused_as_too_many", s.Limited-u.told.Limited, "way", way, "neighbours", len(u.node.Neighbours()))
	u.told = s
}

// neighbour names one in the log.
func neighbour(id uint8) string {
	if id >= proto.GatewayBase {
		return fmt.Sprintf("gateway %d", id-proto.GatewayBase)
	}
	return fmt.Sprintf("node %d", id)
}

func (u *Unit) observed(o node.Observed) {
	args := []any{}
	if o.What == node.Made || o.What == node.Released || o.What == node.Dropped {
		args = append(args, "counter", o.Counter, "event", o.Kind.String(), "age", o.Age.Round(time.Millisecond).String())
		if o.Kind == node.FaultEvent {
			args = append(args, "fault", o.Fault.String(), "ended", o.Ended)
		} else {
			args = append(args, "input", o.Input)
		}
		if o.Test {
			args = append(args, "test", true)
		}
		if o.Kind == node.Closing && o.What == node.Made {
			args = append(args, "dwell", o.Dwell.Round(time.Millisecond).String())
		}
	}
	if o.Why != "" {
		args = append(args, "why", o.Why)
	}
	level, msg := slog.LevelInfo, string(o.What)
	switch o.What {
	case node.Made:
		msg = "event made"
	case node.Released:
		msg = "the gateway has the event on its disk"
	case node.Dropped:
		level, msg = slog.LevelError, "an event is lost"
	case node.MemoryLost:
		level, msg = slog.LevelError, "lasting memory was missing or damaged: going on with new counters"
	case node.Answered, node.Refused, node.TimeTaken, node.Probed, node.Heard, node.HeardBy:
		level = slog.LevelDebug
	case node.Way:
		msg = "the way to the gateway is by another neighbour"
		if o.Neighbour == 0 {
			level, msg = slog.LevelWarn, "there is no way to the gateway; whoever is heard is asked for one"
		}
	}
	switch o.What {
	case node.Way, node.Heard, node.HeardBy:
		if o.Neighbour != 0 {
			args = append(args, "neighbour", neighbour(o.Neighbour))
		}
	}
	switch o.What {
	case node.Heard, node.HeardBy:
		if o.RSSI != proto.NoRSSI {
			args = append(args, "rssi_dbm", o.RSSI.DBm())
		}
		if o.SNR != proto.NoSNR { // not a number is none in JSON
			args = append(args, "snr_db", o.SNR.DB())
		}
	}
	u.o.Log.Log(context.Background(), level, msg, args...)
}
