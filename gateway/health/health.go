// Package health finds out what is wrong with a site before silence has to be believed: with each node, hop, zone, bearer, sink
// and with the gateway itself. It is pure: observations and times go in, verdicts come out. It has no clock, no goroutine, no
// log and no I/O, and the same observations give the same verdicts.
//
// A Watcher is told what the gateway sees (Heard, CheckIn, Fault, Refused, Bearer, Noise, Busy, Sink, Disk) and is asked once a
// second what has changed (Tick). A Verdict says in plain words what is wrong, on which numbers that rests, and what to do. Each
// file judges one concern; fault.go has the one rule by which all of them begin and end.
//
// What it keeps is bounded: of readings there are summaries of four weeks of days, not the readings. State and Restore carry these,
// and what stands, through a restart of the gateway. Nobody is taken to be alive across one.
package health

import (
	"maps"
	"slices"
	"time"

	"longlane/radio/lora"
)

// Time is a moment: on the gateway's clock since it booted, and on the wall if that clock is set.
type Time struct {
	Mono time.Duration `json:"monotonic_ns"`
	Wall time.Time     `json:"time,omitzero"` // zero: not set
}

// Node is a node to be watched.
type Node struct {
	Name       string
	ID         uint8         // tells a spare from the node whose name it has taken over
	CheckIn    time.Duration // its check-ins are never further apart than this; 1 s at least
	LowBattery float64       // V, below which it cannot be relied on; 0: not known
	Zones      map[uint8]string
}

// Bearer is a bearer to be watched.
type Bearer struct {
	Name     string
	Radio    bool // by LoRa; else there are neither margins nor noise
	Settings lora.Settings
}

// Site is all that is to be watched.
type Site struct {
	Gateway string
	Nodes   []Node
	Bearers []Bearer
	Sinks   []string
	// Optional are those of the sinks without which whoever comes still sounds: a mirror, a webhook, the history.
	Optional []string
}

// Watcher judges one site. Use New. It is not safe for concurrent use.
type Watcher struct {
	site    Site
	start   time.Duration
	now     time.Duration // at the last Tick
	nodes   map[string]*node
	bearers map[string]*bearer
	ordered []*node   // by name
	ways    []*bearer // likewise
	hops    map[Subject]*hop
	faults  map[key]*fault
	changes []Change
	forged  recent
	stale   recent
	disk    latest
	days    days
	learned bool
}

// New begins to watch a site at that moment.
func New(site Site, at Time) *Watcher {
	w := &Watcher{start: at.Mono, now: at.Mono, nodes: map[string]*node{}, bearers: map[string]*bearer{}, hops: map[Subject]*hop{}, faults: map[key]*fault{},
		days: days{at: at.Mono}}
	w.SetSite(site, at)
	return w
}

// SetSite goes on with the site as it is from now. What stands against what is no longer there ends.
func (w *Watcher) SetSite(site Site, at Time) {
	w.site = site
	known := map[string]bool{}
	for _, n := range site.Nodes {
		n.CheckIn = max(n.CheckIn, time.Second)
		known[n.Name] = true
		old := w.nodes[n.Name]
		if old == nil || old.ID != n.ID {
			if old != nil { // a spare in its place: nothing that was measured is of it
				w.drop(func(s Subject) bool { return ofNode(s, old) })
				maps.DeleteFunc(w.hops, func(s Subject, _ *hop) bool { return ofNode(s, old) })
			}
			w.nodes[n.Name] = newNode(n, at)
			continue
		}
		old.Node = n
	}
	for _, name := range slices.Sorted(maps.Keys(w.nodes)) {
		if n := w.nodes[name]; !known[name] {
			w.drop(func(s Subject) bool { return ofNode(s, n) })
			maps.DeleteFunc(w.hops, func(s Subject, _ *hop) bool { return ofNode(s, n) })
			delete(w.nodes, name)
		}
	}
	there := map[string]bool{}
	for _, b := range site.Bearers {
		there[b.Name] = true
		if w.bearers[b.Name] == nil {
			w.bearers[b.Name] = &bearer{up: true, upSince: at.Mono}
		}
		w.bearers[b.Name].Bearer = b
	}
	maps.DeleteFunc(w.bearers, func(name string, _ *bearer) bool { return !there[name] })
	w.ordered, w.ways = w.ordered[:0], w.ways[:0]
	for _, name := range slices.Sorted(maps.Keys(w.nodes)) {
		w.ordered = append(w.ordered, w.nodes[name])
	}
	for _, name := range slices.Sorted(maps.Keys(w.bearers)) {
		w.ways = append(w.ways, w.bearers[name])
	}
	w.drop(func(s Subject) bool {
		return s.Kind == KindBearer && !there[s.Name] || s.Kind == KindSink && !slices.Contains(site.Sinks, s.Name) ||
			s.Kind == KindZone && !w.zoneKnown(s.Name)
	})
}

func ofNode(s Subject, n *node) bool {
	switch s.Kind {
	case KindNode:
		return s.Name == n.Name
	case KindHop:
		return s.Name == n.Name || s.To == n.Name
	case KindZone:
		for _, zone := range n.Zones {
			if zone == s.Name {
				return true
			}
		}
	}
	return false
}

func (w *Watcher) zoneKnown(zone string) bool {
	for _, n := range w.nodes {
		if ofNode(Subject{Kind: KindZone, Name: zone}, n) {
			return true
		}
	}
	return false
}

// Tick looks at what time alone brings about, and returns what has begun or ended since the last Tick, in that order. It is to be
// called once a second.
func (w *Watcher) Tick(at Time) []Change {
	w.now = at.Mono
	w.clock(at)
	w.liveness(at)
	for _, n := range w.ordered {
		w.nodeTick(at, n)
	}
	for _, b := range w.ways {
		w.bearerTick(at, b)
	}
	w.refusals(at)
	w.forgetHops(at)
	out := w.changes
	w.changes = nil
	return out
}

// Learned reports, once, that State should be kept now, though nothing need have begun or ended: what was seen will not be seen again.
func (w *Watcher) Learned() bool {
	l := w.learned
	w.learned = false
	return l
}

// Standing are the verdicts that stand, ordered by subject and code, with the numbers last measured.
func (w *Watcher) Standing() []Verdict {
	var out []Verdict
	for _, k := range w.sortedFaults() {
		if f := w.faults[k]; f.standing {
			out = append(out, f.verdict)
		}
	}
	return out
}

// Severity is the worst that stands against a subject.
func (w *Watcher) Severity(s Subject) Severity {
	worst := Well
	for k, f := range w.faults {
		if f.standing && k.subject == s {
			worst = max(worst, f.verdict.Severity)
		}
	}
	return worst
}

func (w *Watcher) sortedFaults() []key {
	return slices.SortedFunc(maps.Keys(w.faults), func(a, b key) int {
		return (Verdict{Subject: a.subject, Code: a.code}).compare(Verdict{Subject: b.subject, Code: b.code})
	})
}

func (w *Watcher) gateway() Subject { return Subject{Kind: KindGateway, Name: w.site.Gateway} }
