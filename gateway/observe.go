package gateway

import (
	"strings"
	"time"

	"longlane/gateway/health"
	"longlane/proto"
)

// Observation is something that whoever keeps the ledger of watched time, or shows the site, must know. It is one of the types below; times are on the
// gateway's clock since boot. Only what proves that a node is there now is a proof: frames that came late, or may have, or that relays kept
// for too long, are none.
type Observation interface{ observation() }

// Watching tells which zones there are, by name, and which node watches each: at the start, and when enrolment has changed it.
type Watching map[string]Watcher

// Watcher is who watches a zone.
type Watcher struct {
	Node  string
	ID    uint8
	Input uint8
}

// CheckInSeen is a check-in that proves that its node was there when it was sealed.
type CheckInSeen struct {
	Node string
	ID   uint8
	At   time.Duration // when it was sealed
	// Life changes whenever the node's does: with its generation, and with each restart.
	Life uint64
	// Complete says that all events which the node still holds are on the gateway's disk, so that nobody came of whom is not known.
	Complete bool
	Active   uint8   // bit i: input i (0 to 3) is in a trip
	Battery  float64 // V; 0: not told
	Hops     []HopMargin
}

// HopMargin is how well one radio heard another, dB; not a number: not measured, or not proven.
type HopMargin struct {
	From, To string
	Margin   float64
}

// EventSeen is a trip or fault of a node, as it comes in.
type EventSeen struct {
	Node  string
	ID    ID
	At    time.Duration // when it was sealed
	Proof bool          // it proves that the node was there then
	Entry *Entry
}

// Unwatched tells why a zone is not watched now, in words.
type Unwatched struct{ Zone, Why string }

// EarSeen is an annunciator's own word of how it is. Since is since when it has heard the gateway's ticks without a break; what it has
// trouble with makes a trip go unheard.
type EarSeen struct {
	Annunciator string
	At, Since   time.Duration
	Trouble     string
}

// ZoneIs is a zone's state, whenever it is told to the house.
type ZoneIs struct {
	Zone, Node string
	State, Why string // state: clear, tripped, blocked, unwatched
	Since      time.Duration
	Gone       bool // it is no more; nothing else is set then but Zone
}

// NodeIs is what is known of a node, whenever it is told to the house.
type NodeIs struct {
	Node        string
	Relay       bool
	Reason      string
	Severity    health.Severity
	Heard       time.Duration // when it was last there
	EverHeard   bool          // in this run
	Bearer      string
	Mains       bool
	Battery     *float64 // V
	Temperature *int     // °C
	Hops        []HopIs  // as it was heard last, in the order travelled
	Gone        bool     // it is no more; nothing else is set then but Node
}

// HopIs is how a frame was heard; a figure that is nil was not measured.
type HopIs struct {
	From, To          string
	RSSI, SNR, Margin *float64
	Proven            bool
}

// FaultIs is a fault that has begun to stand, or no longer does.
type FaultIs struct {
	Fault
	Ended bool
}

func (ZoneIs) observation()      {}
func (NodeIs) observation()      {}
func (FaultIs) observation()     {}
func (Watching) observation()    {}
func (CheckInSeen) observation() {}
func (EventSeen) observation()   {}
func (Unwatched) observation()   {}
func (EarSeen) observation()     {}

// Patience is how long a node may be silent that checks in once in every period.
// The verdicts of health are looked at once a second, so they are a second earlier.
func Patience(period time.Duration) time.Duration { return health.Patience(period) + time.Second }

// observe tells the options' observer.
func (g *Gateway) observe(o Observation) {
	if g.o.Observe != nil {
		g.o.Observe(o)
	}
}

// observeZones tells which zones there are.
func (g *Gateway) observeZones() {
	if g.o.Observe == nil {
		return
	}
	w := Watching{}
	for _, n := range g.o.Roster.Get().Nodes {
		for _, in := range n.Inputs {
			if !n.Revoked {
				w[in.Zone] = Watcher{Node: n.Name, ID: n.ID, Input: in.Number}
			}
		}
	}
	g.observe(w)
}

// proves reports whether e shows that its node was there when it was sealed, and that this was not long ago.
func (g *Gateway) proves(e *Event) bool {
	n := g.o.Roster.Get().Node(e.ID.Node)
	return n != nil && !n.Revoked && e.Fresh == proto.Fresh && e.Rx.Mono-e.sealed() <= Patience(g.o.CheckIn)
}

func (in *ingest) observeCheckIn(e *Event, b *proto.CheckIn, highest uint32) {
	g := in.g
	if g.o.Observe == nil || !g.proves(e) {
		return
	}
	o := CheckInSeen{Node: g.nodeName(e.ID.Node), ID: e.ID.Node, At: e.sealed(), Active: b.Active,
		Life:     uint64(e.ID.Node)<<16 | uint64(e.ID.Gen)<<8 | uint64(b.Restarts),
		Complete: in.holdsNothingBack(e.ID, proto.Resolve(b.Next, highest), uint32(b.Oldest))}
	if v, ok := b.Battery.Volts(); ok {
		o.Battery = v
	}
	proven := true
	for _, h := range g.hopData(e) {
		m := HopMargin{From: h.From, To: h.To, Margin: orNaN(nil)}
		if h.Verified && proven {
			m.Margin = orNaN(h.Margin)
			o.Hops = append(o.Hops, m)
		}
		proven = h.Verified
	}
	g.observe(o)
}

// holdsNothingBack reports whether the oldest events before next that a node holds are all on the disk: it has them still, for want of
// receipts, but they have been told.
func (in *ingest) holdsNothingBack(id ID, next, oldest uint32) bool {
	if oldest == 0 {
		return true
	}
	w := in.windows[windowKey{eventSpace, id.Node, id.Gen}]
	if w == nil || oldest > next {
		return false
	}
	for c := next - oldest; c < next; c++ {
		if w.Check(c) != proto.Seen {
			return false
		}
	}
	return true
}

func (in *ingest) observeEvent(e *Event) {
	if in.g.o.Observe == nil {
		return
	}
	in.g.observe(EventSeen{Node: in.g.nodeName(e.ID.Node), ID: e.ID, At: e.sealed(), Proof: in.g.proves(e), Entry: in.g.entry(e)})
}

// ticks is what an annunciator says of the gateway's ticks: for how long they have come without a break, up to the last, and how long ago
// that was.
type ticks struct{ during, ago time.Duration }

// ticksOf is nil for what nobody can mean.
func ticksOf(during, ago *float64) *ticks {
	const most = 100 * 365 * 24 * 3600 // a hundred years fit into a duration
	if during == nil || ago == nil || !(*during >= 0 && *during < most) || !(*ago >= 0 && *ago < 60) {
		return nil
	}
	return &ticks{time.Duration(*during * float64(time.Second)), time.Duration(*ago * float64(time.Second))}
}

// observe hands on what an annunciator says of itself. What the broker has kept tells nothing of now.
func (x *ears) observe(w word) {
	if w.kept || w.ticks == nil || w.state != annunciatorServing {
		return
	}
	at := x.g.o.Clock.Mono() - w.ticks.ago
	x.g.observe(EarSeen{Annunciator: w.name, At: at, Since: at - w.ticks.during, Trouble: strings.Join(w.ails, "; ")})
}
