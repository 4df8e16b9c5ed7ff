package ether

import (
	"fmt"
	"math"
	"time"

	"longlane/proto"
	"longlane/radio/node"
)

// The spaces of a node's counters.
const (
	events = iota
	checkIns
)

// station is a node in the air.
type station struct {
	e    *Ether
	spec *Node
	card node.Card
	keys *proto.Keys
	freq float64 // of its crystal, Hz

	index   int           // in the air
	until   time.Duration // when its last frame is over
	dead    bool
	died    string // why
	battery battery
	lawful  *budget // nil: no region, no rules

	checkIns uint64              // sent
	highest  [2]uint32           // counters of its events and of its check-ins, sent so far
	answered [proto.TagSize]byte // MAC of the last receipt that it heard

	thief    *thief // nil: it has not been stolen
	node     *node.Node
	boot     int           // starts so far: what was planned for an earlier one is void
	bootAt   time.Duration // the node's zero
	listens  interval      // a node on a battery hears what begins within it, in the ether's time
	planned  time.Duration // its next wake
	saved    []byte
	contacts [16]bool // in their tripped position
}

func (e *Ether) newStation(spec *Node, field string) (*station, error) {
	card, err := e.o.Card(spec.Card)
	if err != nil {
		return nil, &FieldError{field, fmt.Sprintf("%q (%v)", spec.Card, err), "a card that enrolment made"}
	}
	keys, err := proto.NewKeys(card.Key[:])
	if err != nil {
		return nil, err
	}
	if len(e.stations) > 0 && card.Site != e.site {
		return nil, &FieldError{field, fmt.Sprintf("a card of site %d", card.Site), fmt.Sprintf("one of site %d, as the first node's", e.site)}
	}
	e.site = card.Site
	if e.group, err = proto.NewKeys(card.GroupKey[:]); err != nil {
		return nil, err
	}
	for _, st := range e.stations {
		if st.card.Node == card.Node {
			return nil, &FieldError{field, fmt.Sprintf("a card of node %d, as %s has", card.Node, st.spec.Name), "each node once"}
		}
	}
	st := &station{e: e, spec: spec, index: len(e.stations), battery: newBattery(spec), card: card, keys: keys, freq: math.Round(e.rand.NormFloat64() * 400), saved: node.FirstSaved()}
	if st.lawful, err = e.newBudget(st.index); err != nil {
		return nil, err
	}
	if saved, ok := e.o.Saved[spec.Name]; ok {
		st.saved = saved
	}
	if _, err := node.New(st.config(), st.saved, 0); err != nil {
		return nil, &FieldError{field, err.Error(), "a node that can run"}
	}
	return st, nil
}

func (st *station) config() node.Config {
	c := st.card.Config()
	c.Mains, c.Relay, c.CheckIn = st.spec.Mains, st.spec.Relay, time.Duration(st.spec.CheckIn)
	for _, in := range st.spec.Contacts() {
		c.Inputs = append(c.Inputs, node.InputConfig{Number: in.Number, NormallyClosed: in.NormallyClosed,
			Debounce: time.Duration(in.Debounce), MinDwell: time.Duration(in.MinDwell)})
	}
	c.Modem = st.e.s.Air.settings()
	c.Seed = st.e.rand.Uint64()
	return c
}

// start is the power coming (back). The configuration was tried in newStation.
func (st *station) start(first bool) {
	e := st.e
	if st.dead {
		return
	}
	if !first {
		e.record(Record{What: RecordRestart, Node: st.spec.Name})
	}
	st.boot++
	st.bootAt, st.listens, st.planned = e.now, interval{}, never
	n, err := node.New(st.config(), st.saved, 0)
	if err != nil {
		panic("ether: " + err.Error())
	}
	st.node = n
	if st.lawful != nil {
		if err := st.lawful.open(st.moment()); err != nil {
			panic("ether: " + err.Error()) // what it has written itself
		}
	}
	st.measure()
	for _, in := range st.spec.Contacts() {
		st.step(node.Edge{Input: in.Number, Closed: st.contacts[in.Number] != in.NormallyClosed})
	}
}

func (st *station) pace() float64 { return 1 + st.spec.DriftPPM*1e-6 }

// local is the node's own time at t.
func (st *station) local(t time.Duration) time.Duration {
	return time.Duration(float64(t-st.bootAt) * st.pace())
}

// global is the first moment at which the node's clock shows local or later.
func (st *station) global(local time.Duration) time.Duration {
	if local > 100*365*24*time.Hour {
		return never
	}
	t := st.bootAt + time.Duration(float64(local)/st.pace())
	for st.local(t) < local {
		t += max(time.Nanosecond, local-st.local(t))
	}
	return t
}

func (st *station) step(in node.Input) {
	if st.dead {
		return
	}
	out, wake := st.node.Step(st.local(st.e.now), in)
	st.plan(st.global(wake))
	for _, o := range out {
		st.carryOut(o)
	}
}

// plan sees to it that the node is called at t. A plan is void once another has been made.
func (st *station) plan(t time.Duration) {
	st.planned = t
	if t == never {
		return
	}
	st.e.at(t, func() {
		if st.planned == t {
			st.planned = never
			st.step(nil)
		}
	})
}

func (st *station) carryOut(o node.Output) {
	switch o := o.(type) {
	case node.Persist:
		st.saved = o.Saved
		if st.e.o.Saves != nil {
			st.e.o.Saves(st.spec.Name, o.Saved)
		}
		st.step(node.Stored{})
	case node.Listen:
		st.listen(st.global(o.Until))
	case node.Transmit:
		st.e.transmit(st, o)
	case node.Observed:
		st.observed(o)
	}
}

func (st *station) observed(o node.Observed) {
	if st.e.o.Observed != nil {
		st.e.o.Observed(st.e.now, st.spec.Name, o)
	}
	if st.e.o.Record == nil {
		return
	}
	what, ok := map[node.What]What{node.Made: RecordMade, node.Released: RecordReleased, node.Dropped: RecordDropped}[o.What]
	if !ok {
		return
	}
	r := Record{What: what, Node: st.spec.Name, ID: fmt.Sprintf("%d.%d.%d", st.card.Node, st.card.Gen, o.Counter),
		Counter: new(o.Counter), Kind: o.Kind.String(), Input: new(o.Input), Age: secondsOf(o.Age), Why: o.Why}
	if o.Kind == node.FaultEvent {
		r.Fault, r.Ended, r.Input = o.Fault.String(), o.Ended, nil
	}
	if o.Kind == node.Closing && o.What == node.Made {
		r.Dwell = secondsOf(o.Dwell)
	}
	st.e.record(r)
}
