// Package rehearsal is the whole house in virtual time: the nodes of a scenario in their simulated air (radio/ether), and the
// gateway's core on the other side, the very code that runs at home, stepped by hand. Nothing waits for a clock, so a year
// passes in a minute; a seed decides everything.
//
//	report, err := rehearsal.Run(ctx, rehearsal.Options{Scenario: s, Seed: 1, For: 24 * time.Hour})
//
// The site is made up for the rehearsal, with keys of its own; the cards that a scenario names are not read. The store is
// memory, since what a disk does is not rehearsed, and so are the sinks: an alert counts as given when its event is stored.
// Between the modem and the core lies a fixed time for the line (Line).
package rehearsal

import (
	"context"
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"sync/atomic"
	"time"

	"longlane/gateway"
	"longlane/gateway/airtime"
	"longlane/gateway/memory"
	"longlane/gateway/roster"
	"longlane/proto"
	"longlane/radio"
	"longlane/radio/ether"
	"longlane/radio/lora"
	"longlane/radio/node"
	"longlane/radio/use"
)

// Line is how long a frame takes between the modem and the core, either way: a line of 115,200 bits a second and the host.
const Line = 5 * time.Millisecond

// tickWhile is how often the core is given a tick while frames come in, and tickElse when there are none: what it finds of
// itself, such as a node that is overdue, it finds that much later.
const (
	tickWhile = time.Second
	tickElse  = time.Minute
)

// Options are what is to be rehearsed.
type Options struct {
	Scenario ether.Scenario
	Seed     uint64
	For      time.Duration
	// Progress, if not nil, is told now and then how much time has passed in the rehearsal.
	Progress func(time.Duration)
	// Record, if not nil, is told all that happens on the air.
	Record func(ether.Record)
	// Stored, if not nil, is told of all that the gateway's core has stored and taken in, and Noticed of the faults that it has found.
	Stored  func(at time.Duration, d gateway.Durable)
	Noticed func(at time.Duration, n gateway.Notice)
	// Log is the core's. Nil: none.
	Log *slog.Logger
}

// CheckIn is the period of check-ins that the house sets its nodes to.
func CheckIn(s *ether.Scenario) time.Duration {
	if s.CheckIn == 0 {
		return defaultCheckIn
	}
	return time.Duration(s.CheckIn)
}

const defaultCheckIn = 15 * time.Minute

// Run rehearses. What cannot work is refused before anything runs, by *ether.FieldErrors, joined. If ctx ends early, the report
// is of the time until then.
func Run(ctx context.Context, o Options) (*Report, error) {
	var band lora.Band
	var err error
	if o.Scenario, band, err = judge(o.Scenario); err != nil {
		return nil, err
	}
	h, err := newHouse(o, band)
	if err != nil {
		return nil, err
	}
	began := time.Now()
	h.run(ctx)
	r := h.report()
	r.Took = time.Since(began)
	return r, h.mast.keeper.Close() // it may be writing still
}

// Check refuses what Run would refuse.
func Check(s ether.Scenario) error {
	s, _, err := judge(s)
	if err != nil {
		return err
	}
	_, _, err = people(&s)
	return err
}

// judge fills a scenario in, and gives the row of the rules under which it is played.
func judge(s ether.Scenario) (ether.Scenario, lora.Band, error) {
	s = s.Filled()
	s.Nodes = slices.Clone(s.Nodes)
	for i := range s.Nodes {
		s.Nodes[i].Card = s.Nodes[i].Name // as in people
	}
	if err := s.Validate(); err != nil {
		return s, lora.Band{}, err
	}
	band, err := Band(s)
	return s, band, err
}

// house is a rehearsal under way.
type house struct {
	o     Options
	band  lora.Band
	ether *ether.Ether
	steps *gateway.Steps
	now   time.Duration
	shown atomic.Int64 // now, for those beside: the keeper of airtime writes while the house goes on
	tally *tally

	ticked time.Duration
	frames int // since the last tick
	mast   *mast
	again  time.Duration // when to try again to send what waits
}

func newHouse(o Options, band lora.Band) (*house, error) {
	h := &house{o: o, band: band, again: math.MaxInt64}
	current, cards, err := people(&o.Scenario)
	if err != nil {
		return nil, err
	}
	h.tally = newTally(cards)
	if h.ether, err = ether.New(o.Scenario, o.Seed, ether.Options{Record: o.Record, Observed: h.tally.observed,
		Card: func(name string) (node.Card, error) { return cards[name], nil }}); err != nil {
		return nil, err
	}
	h.tally.airtime = h.ether.Airtime
	log := o.Log
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	store := memory.New()
	settings := o.Scenario.Transmitter(o.Scenario.Air.Power, 0).Settings
	h.mast = &mast{h: h, rand: rand.New(rand.NewPCG(o.Seed, mastDraws))}
	h.mast.keeper, err = airtime.Open(airtime.Options{Bearer: mastName, Device: mastName, Band: band, Store: store, Use: use.Of,
		Settings: settings, Log: log,
		Moment: func() lora.Moment { return lora.Moment{Mono: h.clock().Mono()} }, Mono: h.clock().Mono})
	if err != nil {
		return nil, err
	}
	g, err := gateway.New(gateway.Options{Site: current.Get().SiteName, Name: "house", Roster: current, Queue: store,
		Links: []radio.Link{h.mast}, Air: map[string]gateway.Air{mastName: {Settings: settings, Sends: true}}, Seed: o.Seed,
		Clock: h.clock(), OldAfter: 10 * time.Second, FreshWithin: proto.FreshWithin, CheckIn: CheckIn(&o.Scenario),
		Meter: h.tally, Log: log})
	if err != nil {
		return nil, err
	}
	h.steps = g.Steps()
	h.steps.Stored, h.steps.Noticed = h.stored, h.noticed
	return h, nil
}

func (h *house) stored(d gateway.Durable) {
	h.tally.stored(h.now, d)
	if h.o.Stored != nil {
		h.o.Stored(h.now+Line, d)
	}
}

func (h *house) noticed(n gateway.Notice) {
	h.tally.fault(h.now, n.Code, h.tally.names[n.Node], n.Ended)
	if h.o.Noticed != nil {
		h.o.Noticed(h.now, n)
	}
}

// people are a site made for this rehearsal, and its nodes' cards by what the scenario calls them.
func people(s *ether.Scenario) (*roster.Current, map[string]node.Card, error) {
	dir, err := os.MkdirTemp("", "longlane-rehearsal-") // a roster begins in a directory, and this one is never saved
	if err != nil {
		return nil, nil, err
	}
	defer os.RemoveAll(dir)
	r, err := roster.Create(dir, "rehearsal")
	if err != nil {
		return nil, nil, err
	}
	r.Site = siteNumber
	cards := map[string]node.Card{}
	for i := range s.Nodes {
		spec := &s.Nodes[i]
		n := roster.Node{Name: spec.Name, Relay: spec.Relay}
		for _, in := range spec.Contacts() {
			n.Inputs = append(n.Inputs, roster.Input{Number: in.Number, Zone: fmt.Sprintf("%s-%d", spec.Name, in.Number)})
		}
		added, err := r.Add(n)
		if err != nil {
			return nil, nil, &ether.FieldError{Path: fmt.Sprintf("node[%d].name", i), Found: err.Error(), Expected: "a node that could be enrolled"}
		}
		card, err := r.Card(added)
		if err != nil {
			return nil, nil, err
		}
		cards[spec.Name] = card
	}
	return roster.Fixed(r), cards, nil
}

// siteNumber is always the same: nodes draw their pauses by it. The keys, which nothing is drawn by, are new ones each time.
const siteNumber = 1

// clock is set and right: what a clock that is not does to ages is the gateway's tests' matter.
func (h *house) clock() gateway.Clock {
	start := time.Date(2027, 1, 1, 0, 0, 0, 0, time.UTC)
	return gateway.Clock{Wall: func() time.Time { return start.Add(time.Duration(h.shown.Load())) }, Mono: func() time.Duration { return time.Hour + time.Duration(h.shown.Load()) },
		Boot: [16]byte{1}, Set: func() bool { return true }}
}

// mast is the house's one bearer: a modem of the simulated air behind the keeper of its airtime.
type mast struct {
	h      *house
	keeper *airtime.Keeper
	rand   *rand.Rand
	free   time.Duration // when its last frame is over
	going  *going
	out    bool // its plug is
}

// going is the frame that the modem is given.
type going struct {
	at     time.Duration // when it is to go on the air
	until  time.Duration // when to give up
	frame  []byte
	settle func(radio.Fate, time.Duration)
}

const (
	mastName  = "mast"
	mastDraws = 0x6d617374 // sets its draws apart from others of the same seed
)

func (*mast) Name() string { return mastName }
func (m *mast) Up() bool   { return !m.out }
func (*mast) Run(ctx context.Context, _ func(radio.Packet)) error {
	<-ctx.Done()
	return nil
}

// plug is pulled, or put in. What is in the air then stays there, and of what had not come so far nobody knows.
func (m *mast) plug(in bool) {
	m.out = !in
	if m.out && m.going != nil {
		m.going.settle(radio.Unknown, 0)
		m.going = nil
	}
}

// Send takes one frame at a time, as a modem does.
func (m *mast) Send(_ context.Context, _ string, frame []byte) error {
	if m.out {
		return radio.ErrDown
	}
	if now := m.h.now; m.going != nil || m.free > now {
		return &radio.WaitError{For: max(m.free-now, time.Millisecond)}
	}
	settle, err := m.keeper.Permit(frame)
	if err != nil {
		return err
	}
	m.going = &going{at: m.h.now + 2*Line + m.h.ether.Sensing(), frame: frame, settle: settle}
	m.going.until = m.going.at + channelPatience
	m.free = m.going.at + m.h.ether.Airtime(len(frame))
	return nil
}

// While the channel is in use a modem tries again after a few ms, which differ each time, so that two that wait for the end of one
// frame do not begin together. After channelPatience it gives up. Common practice, no source.
const (
	channelPause    = 5 * time.Millisecond
	channelJitter   = 20 * time.Millisecond
	channelPatience = 2 * time.Second
)

// step sends what has come down the line, and closes the account of what has been sent.
func (m *mast) step(now time.Duration) {
	g := m.going
	switch {
	case g == nil:
	case g.frame != nil && g.at <= now:
		m.transmit(now, g)
	case g.frame == nil && m.free <= now:
		g.settle(radio.Sent, 0) // the keeper reckons it by its length; a modem may only tell of more
		m.going = nil
	}
}

func (m *mast) transmit(now time.Duration, g *going) {
	airtime, err := m.h.ether.Transmit(now, g.frame)
	switch {
	case err == nil:
		g.frame, m.free = nil, now+airtime
	case now >= g.until:
		g.settle(radio.NotSent, 0)
		m.going, m.free = nil, now
	default:
		g.at = now + channelPause + time.Duration(m.rand.Int64N(int64(channelJitter))) + m.h.ether.Sensing()
		m.free = g.at + m.h.ether.Airtime(len(g.frame))
	}
}

// due is when step has something to do.
func (m *mast) due() time.Duration {
	switch {
	case m.going == nil:
		return math.MaxInt64
	case m.going.frame != nil:
		return m.going.at
	}
	return m.free
}

func (h *house) run(ctx context.Context) {
	const look = 1 << 12 // rounds between two looks at the clock on the wall
	told := time.Now()
	for n := 0; h.now < h.o.For; n++ {
		if n%look == 0 {
			if ctx.Err() != nil {
				return
			}
			if h.o.Progress != nil && time.Since(told) > 100*time.Millisecond {
				told = time.Now()
				h.o.Progress(h.now)
			}
		}
		events, wake := h.ether.Step(h.now)
		for _, e := range events {
			if e.Plug == ether.PlugStays {
				h.take(e)
			} else {
				h.mast.plug(e.Plug == ether.PlugIn)
			}
		}
		h.mast.step(h.now)
		h.tick()
		if h.again <= h.now {
			h.later(h.steps.Send())
		}
		h.now = max(h.now, min(wake, h.next()))
		h.shown.Store(int64(h.now))
	}
	h.now = h.o.For
}

// take hands a frame to the core.
func (h *house) take(e ether.Event) {
	h.frames++
	h.tally.frame, _ = proto.Parse(e.Frame) // what is none is never stored
	h.later(h.steps.Packet(radio.Packet{Frame: e.Frame, Measured: true, RSSI: e.RSSI, SNR: e.SNR, FreqErr: e.Freq, Bearer: mastName}))
}

func (h *house) tick() {
	since := h.now - h.ticked
	if since < tickWhile || since < tickElse && h.frames == 0 {
		return
	}
	h.ticked, h.frames = h.now, 0
	h.later(h.steps.Tick())
}

// later notes when what a link has refused for now may go.
func (h *house) later(wait time.Duration) {
	h.again = math.MaxInt64
	if wait > 0 {
		h.again = h.now + wait
	}
}

// next is when something of the house's own is due.
func (h *house) next() time.Duration {
	next := h.ticked + tickElse
	if h.frames > 0 {
		next = h.ticked + tickWhile
	}
	return max(min(next, h.again, h.mast.due()), h.now)
}
