package health

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"longlane/proto"
)

// StateVersion is that of State's form.
// StateVersion is the form of a State that this program reads.
const StateVersion = 1

// State is what outlives a restart of the gateway: what was measured for weeks, and what stands. Who was alive is not in it.
type State struct {
	Version int          `json:"version"`
	Day     int          `json:"day"` // the newest known
	Nodes   []NodeState  `json:"nodes"`
	Hops    []HopState   `json:"hops"`
	Faults  []FaultState `json:"faults"`
}

// FaultState is what is kept of a fault that stands.
type FaultState struct {
	Verdict
	Calm time.Duration `json:"calm_ns"` // for how long all has been well; it ends by that
}

// NodeState is what is kept of a node.
type NodeState struct {
	Name     string  `json:"name"`
	ID       uint8   `json:"id"`
	Restarts *uint8  `json:"restarts,omitempty"`
	Mains    bool    `json:"mains,omitempty"`
	Battery  Series  `json:"battery"`
	Came     float64 `json:"came"`
	Lost     float64 `json:"lost"`
	Told     []Told  `json:"told,omitempty"`
}

// Told is a fault that a node has told, or its end.
type Told struct {
	Kind     uint8  `json:"kind"`
	Input    uint8  `json:"input"`
	Ended    bool   `json:"ended"`
	Unsaid   bool   `json:"unsaid,omitempty"` // its node will not say so
	Gen      uint8  `json:"generation"`
	Counter  uint32 `json:"counter"`
	Argument uint16 `json:"argument"`
}

// HopState is what is kept of a hop.
type HopState struct {
	From   string  `json:"from"`
	To     string  `json:"to"`
	Margin Series  `json:"margin"`
	Came   float64 `json:"came"`
	Lost   float64 `json:"lost"`
}

// State gives what is to be kept. It shares nothing with the Watcher.
func (w *Watcher) State() State {
	s := State{Version: StateVersion, Day: w.days.last}
	for _, k := range w.sortedFaults() {
		if f := w.faults[k]; f.standing {
			calm := time.Duration(0)
			if f.good.on {
				calm = w.now - f.good.since
			}
			s.Faults = append(s.Faults, FaultState{f.verdict, calm})
		}
	}
	for _, name := range slices.Sorted(maps.Keys(w.nodes)) {
		n := w.nodes[name]
		ns := NodeState{Name: n.Name, ID: n.ID, Mains: n.mains, Battery: n.battery.clone(), Came: n.all.Came, Lost: n.all.Lost}
		if n.restarts != nil {
			r := *n.restarts
			ns.Restarts = &r
		}
		for _, k := range sortedTold(n.told) {
			t := n.told[k]
			ns.Told = append(ns.Told, Told{Kind: uint8(k.kind), Input: k.input, Ended: t.ended, Unsaid: t.unsaid, Gen: t.gen, Counter: t.counter, Argument: t.arg})
		}
		s.Nodes = append(s.Nodes, ns)
	}
	for _, k := range slices.SortedFunc(maps.Keys(w.hops), Subject.compare) {
		h := w.hops[k]
		s.Hops = append(s.Hops, HopState{k.Name, k.To, h.margin.clone(), h.losses.Came, h.losses.Lost})
	}
	return s
}

// Restore takes up what was kept, right after New. Of what is no longer there nothing is taken up but its faults, which end. What
// stands goes on standing, and ends by what is seen from now on.
func (w *Watcher) Restore(s State, at Time) error {
	if s.Version != StateVersion {
		return fmt.Errorf("take up what was known of the site's health: its form is %d, expected %d; it is known anew within weeks", s.Version, StateVersion)
	}
	w.days.last = s.Day
	same := map[string]bool{w.site.Gateway: true}
	for _, ns := range s.Nodes {
		n := w.nodes[ns.Name]
		if n == nil || n.ID != ns.ID {
			continue
		}
		same[n.Name] = true
		n.restarts, n.mains, n.battery, n.all = ns.Restarts, ns.Mains, ns.Battery.sound(), soundLosses(ns.Came, ns.Lost)
		for _, t := range ns.Told {
			kind := proto.FaultKind(t.Kind)
			n.told[toldKey{kind, t.Input}] = told{counter: t.Counter, gen: t.Gen, ended: t.Ended, unsaid: t.Unsaid, arg: t.Argument, at: at.Mono - 1} // before now: it is no news
			n.nodeLow = n.nodeLow || kind == proto.FaultBattery && !t.Ended
		}
	}
	for _, hs := range s.Hops {
		if k := (Subject{KindHop, hs.From, hs.To}); same[hs.From] && same[hs.To] && len(w.hops) < mostHops {
			w.hops[k] = &hop{hs.Margin.sound(), soundLosses(hs.Came, hs.Lost), at.Mono}
		}
	}
	for _, f := range s.Faults {
		if slices.Contains(Codes, f.Code) {
			w.faults[key{f.Code, f.Subject}] = &fault{verdict: f.Verdict, standing: true, good: streak{f.Calm > 0, at.Mono - f.Calm}}
		}
	}
	w.drop(func(s Subject) bool {
		switch s.Kind {
		case KindNode, KindHop:
			return !same[s.Name] || s.Kind == KindHop && !same[s.To]
		case KindZone:
			return !w.zoneKnown(s.Name)
		case KindBearer:
			return w.bearers[s.Name] == nil
		case KindSink:
			return !slices.Contains(w.site.Sinks, s.Name)
		}
		return false
	})
	return nil
}

// sound gives a copy of s, or an empty one if it cannot have been exported: what comes from a disk may be anything, and must not bring
// down what watches the gate.
func (s *Series) sound() Series {
	ok := len(s.Days) <= trendDays && len(s.Bins) <= mostBins
	for i, d := range s.Days {
		ok = ok && (i == 0 || d.Day > s.Days[i-1].Day) && d.Day < s.Today && math.Abs(d.Value) < 1e6
	}
	for _, n := range s.Bins {
		ok = ok && n > 0
	}
	if !ok {
		return Series{}
	}
	return s.clone()
}

func soundLosses(came, lost float64) losses {
	if !(came >= 0 && lost >= 0 && came+lost <= 2*lossMemory) {
		return losses{}
	}
	return losses{came, lost}
}
