package health

import (
	"fmt"
	"slices"
	"time"

	"longlane/proto"
)

// node is what is known of one.
type node struct {
	Node
	heard  time.Duration // when it was there; before that, when we began to listen for it
	hears  time.Duration // since when the bearer that it comes by has worked
	seen   bool          // it has been heard in this run
	bearer string        // by which it came last
	parent string        // who heard it first, the last time

	counting bool // counter is known
	skipGap  bool
	gen      uint8
	counter  uint32 // of its newest check-in
	all      losses

	restarts  *uint8 // as it last said
	restarted recent
	startedAt time.Duration
	checkedIn int // check-ins since then
	mains     bool
	offsets   []time.Duration
	battery   Series
	voltage   float64 // last told; 0: never
	lowFor    int     // check-ins in a row with less than LowBattery
	nodeLow   bool    // it says itself that it is low
	told      map[toldKey]told
}

// toldKey is what a node reports on its own.
type toldKey struct {
	kind  proto.FaultKind
	input uint8
}

type told struct {
	counter uint32
	gen     uint8
	ended   bool
	unsaid  bool // it has ended, but the node will not say so
	arg     uint16
	at      time.Duration
}

func newNode(n Node, at Time) *node {
	return &node{Node: n, heard: at.Mono, told: map[toldKey]told{}, startedAt: at.Mono - 2}
}

func (n *node) subject() Subject { return Subject{Kind: KindNode, Name: n.Name} }

const (
	manyRestarts   = 5 // within a day are a fault; a new battery or a repair makes one or two
	restartsWithin = day
	restartsCalm   = 7 * day

	offsetsKept = 8 // that all of so many check-ins in a row say the same is no chance
)

// CheckIn is a check-in that is proven to be new. What it says of the node counts even if it came late; that it is alive, Heard says.
type CheckIn struct {
	Node    string
	Gen     uint8
	Counter uint32
	Body    *proto.CheckIn
}

// CheckIn takes in a check-in. Its frame goes to Heard, before.
func (w *Watcher) CheckIn(at Time, c CheckIn) {
	n := w.nodes[c.Node]
	if n == nil {
		return
	}
	older := n.counting && c.Gen == n.gen && c.Counter < n.counter
	anew := false
	if !older {
		anew = w.restarts(at, n, c.Body)
	}
	w.counted(at, n, c.Gen, c.Counter, anew)
	if older {
		return // the newer one has said how it is now
	}
	n.checkedIn++
	w.supply(at, n, c.Body)
	w.contacts(n, c.Body)
}

// restarts reports whether the node has started anew since its last check-in.
func (w *Watcher) restarts(at Time, n *node, b *proto.CheckIn) bool {
	before := n.restarts
	now := b.Restarts
	n.restarts = &now
	if before == nil || *before == now {
		return false
	}
	if more := int(now - *before); more < 128 { // else its memory was put back: no count
		for range min(more, manyRestarts) {
			n.restarted.add(at.Mono, manyRestarts)
		}
	}
	n.startedAt, n.checkedIn = at.Mono, 0
	return true
}

// contacts ends a blocked contact of which a check-in says that it has returned, should the word of its end have been lost. Only the
// first four inputs' positions are in a check-in.
func (w *Watcher) contacts(n *node, b *proto.CheckIn) {
	for k, t := range n.told {
		if k.kind == proto.FaultBlocked && k.input < 4 && !t.ended && b.Active>>k.input&1 == 0 && n.checkedIn > 1 {
			t.ended = true
			n.told[k] = t
		}
	}
}

// FaultTold is a fault that a node has found by itself, or its end.
type FaultTold struct {
	Node    string
	Gen     uint8
	Counter uint32
	Body    *proto.Fault
}

// Fault takes in what a node says is wrong with it. An older word does not overrule a newer.
func (w *Watcher) Fault(at Time, f FaultTold) {
	n := w.nodes[f.Node]
	if n == nil {
		return
	}
	k := toldKey{f.Body.Kind, f.Body.Input.Number}
	if old, there := n.told[k]; there && old.gen == f.Gen && f.Counter < old.counter {
		return
	}
	n.told[k] = told{counter: f.Counter, gen: f.Gen, ended: f.Body.Ended, arg: f.Body.Argument, at: at.Mono}
	if v, ok := f.Body.Battery.Volts(); ok {
		n.voltage = v
	}
	w.toldTick(at, n, k)
}

// kinds tells what the faults that nodes find are called here.
var kinds = map[proto.FaultKind]Code{proto.FaultTamper: Tamper, proto.FaultInput: InputWire, proto.FaultBlocked: Blocked, proto.FaultChatter: Chatter,
	proto.FaultLost: EventsLost, proto.FaultNumbers: NumberStore}

// toldTick judges what a node has told. What it found before it started anew it finds again, if it is still so: by the second check-in
// after the start it would have said so.
func (w *Watcher) toldTick(at Time, n *node, k toldKey) {
	t := n.told[k]
	if !t.ended && n.startedAt > t.at && n.checkedIn >= 2 && k.kind != proto.FaultLost {
		t.ended, t.unsaid, w.learned = true, true, true
		n.told[k] = t
	}
	defer func(before int) {
		for i := range w.changes[before:] {
			c := &w.changes[before+i]
			c.Unsaid = c.Ended && c.Told && t.unsaid
		}
	}(len(w.changes))
	if k.kind == proto.FaultBattery {
		n.nodeLow = !t.ended
		w.low(at, n)
		return
	}
	code, known := kinds[k.kind]
	if !known {
		return
	}
	s := n.subject()
	if zone, there := n.Zones[k.input]; there && (code == InputWire || code == Blocked || code == Chatter) {
		s = Subject{Kind: KindZone, Name: zone}
	}
	st := stateOf(!t.ended, t.ended)
	if code == EventsLost { // it happened; it does not last
		st = stateOf(at.Mono == t.at && !t.ended, true)
	}
	w.judge(at, code, s, st, func(v *Verdict) {
		v.Told = true
		n.explain(v, t.arg)
	})
}

// explain puts into words what a node has told.
func (n *node) explain(v *Verdict, arg uint16) {
	switch v.Code {
	case Tamper:
		v.Reason = fmt.Sprintf("The case of %s is open.", n.Name)
		v.Evidence = []Figure{{"case open", 1, ""}}
		v.Remedy = "If it is none of you, see who is at it. A node that may have been read out must be replaced or given new keys."
	case InputWire:
		v.Reason = fmt.Sprintf("The wire of %s at %s is cut or shorted: nobody who comes through there is seen.", v.Subject.Name, n.Name)
		v.Evidence = []Figure{{"loop resistance (65535: not known)", float64(arg), "ohm"}}
		v.Remedy = "Follow the wire from the node to the sensor; look for bites, water in a box, a loose screw."
	case Blocked:
		v.Reason = fmt.Sprintf("The contact of %s has been in its tripped position for too long: nobody else who comes through there is seen.", v.Subject.Name)
		v.Evidence = []Figure{{"blocked for, when it was told", float64(arg), "s"}}
		v.Remedy = "See what stands in the beam: a vehicle, a branch, snow, a web or dirt on a lens; or whether the beam's two ends still look at each other."
	case Chatter:
		v.Reason = fmt.Sprintf("The contact of %s opens and closes all the time: trips may be false, and true ones may be lost among them.", v.Subject.Name)
		v.Evidence = []Figure{{"changes in a minute", float64(arg), ""}}
		v.Remedy = "Look for something that moves in the beam, a loose wire or a worn contact. If the beam is hardly in line, straighten it."
	case EventsLost:
		v.Reason = fmt.Sprintf("%s could not keep all that it had seen: up to %d trips or faults were never told.", n.Name, arg)
		v.Evidence = []Figure{{"events lost, at the most", float64(arg), ""}}
		v.Remedy = "Find out why it could not reach the gateway or lost its power, and do not read that time's silence as nobody."
	case NumberStore:
		v.Reason = fmt.Sprintf("%s cannot write down its counters: after its next start the gateway may refuse what it says.", n.Name)
		v.Evidence = []Figure{{"store failed", 1, ""}}
		v.Remedy = "Do not switch it off. Replace its memory card or the node soon, and enrol it anew if it is refused."
	}
}

// Offset takes in by how much a node's send time lay behind the gateway's when its frame came, after what relays held it; negative: it
// was ahead. since is how long before the node had its clock set.
func (w *Watcher) Offset(at Time, name string, offset, since time.Duration) {
	n := w.nodes[name]
	if n == nil {
		return
	}
	// Send times are whole seconds, rounded down, and a frame is under way for a moment: what lies within that and the drift that is
	// allowed for says nothing.
	allowed := time.Duration(proto.MaxDrift*float64(since)) + time.Second
	beyond := time.Duration(0)
	switch {
	case offset < -allowed:
		beyond = offset + allowed
	case offset > allowed+time.Second:
		beyond = offset - allowed - time.Second
	}
	if len(n.offsets) == offsetsKept {
		n.offsets = slices.Delete(n.offsets, 0, 1)
	}
	n.offsets = append(n.offsets, beyond)
	least, most := slices.Min(n.offsets), slices.Max(n.offsets)
	st := stateOf(len(n.offsets) == offsetsKept && (least > 0 || most < 0), !slices.ContainsFunc(n.offsets, func(d time.Duration) bool { return d != 0 }))
	w.judge(at, ClockDrift, n.subject(), st, func(v *Verdict) {
		way := "behind"
		if most < 0 {
			way = "ahead"
		}
		v.Evidence = []Figure{{"beyond what is allowed for", round(beyond.Seconds(), 2), "s"}, {"since its clock was set", since.Seconds(), "s"},
			{"drift allowed for", proto.MaxDrift * 1e6, "ppm"}}
		v.Reason = fmt.Sprintf("The clock of %s runs wrong: it was %s by %.1f seconds more than it may be, %d times in a row. Its trips may be taken for old ones and not sound.",
			n.Name, way, beyond.Abs().Seconds(), len(n.offsets))
		v.Remedy = "Heat or frost can do that to a cheap crystal. If it stays so, replace the node; if its receipts get lost, see to its hop first."
	})
}

func (w *Watcher) nodeTick(at Time, n *node) {
	w.judge(at, Restarts, n.subject(), n.restarted.state(at.Mono, w.start, manyRestarts, restartsWithin, restartsCalm), func(v *Verdict) {
		v.Evidence = []Figure{{"starts within a day", float64(len(n.restarted.times)), ""}}
		v.Reason = fmt.Sprintf("%s starts over and over again. Whoever comes through while it starts is not seen.", n.Name)
		v.Remedy = "Look at its supply first: a weak battery, a bad plug, a panel without sun. Then for water in the case."
	})
	for _, k := range sortedTold(n.told) {
		w.toldTick(at, n, k)
	}
}

func sortedTold(m map[toldKey]told) []toldKey {
	if len(m) == 0 {
		return nil // as nearly always
	}
	keys := make([]toldKey, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b toldKey) int { return int(a.kind)*256 + int(a.input) - int(b.kind)*256 - int(b.input) })
	return keys
}
