package health

import (
	"fmt"
	"slices"
	"time"
)

// Patience is how long a node may be silent: two check-ins have been missed by then, with the node's repeats of the second. It is a
// second short of two periods and ten seconds, so that a look once a second keeps that promise.
//
// It is a trade. A shorter one blames nodes for what bursts of noise do: see TestFalseReports and README.md. A longer one leaves a gate
// unwatched for longer without a word.
func Patience(checkIn time.Duration) time.Duration { return 2*checkIn + 9*time.Second }

// lateBy is how long after its period's end a check-in counts as missed, with its first two repeats; the later ones are not waited for where all nodes
// of a bearer are silent together.
const lateBy = 30 * time.Second

// Frame is a frame whose origin is proven.
type Frame struct {
	Node   string
	Bearer string
	Sealed time.Duration // when the node sealed it, on the gateway's clock
	Now    bool          // it is proven that it was sent just now: one that was kept from earlier, or may have been, is no sign of life
	Hops   []Hop         // in the order travelled; the last is to the gateway
}

// Hop is how a frame was heard.
type Hop struct {
	From, To string
	Proven   bool    // who sent there and who heard it
	RSSI     float64 // dBm; not a number: not measured
	SNR      float64 // dB; likewise
}

// Heard takes in a frame that was received now.
func (w *Watcher) Heard(at Time, f Frame) {
	n := w.nodes[f.Node]
	if n == nil {
		return
	}
	if f.Now {
		n.alive(f.Sealed)
		n.bearer = f.Bearer
		for _, h := range f.Hops { // a relay that wrote a record of it was there, too
			if relay := w.nodes[h.From]; h.Proven && relay != nil && relay != n {
				relay.alive(f.Sealed)
				relay.bearer = f.Bearer
			}
		}
	}
	if len(f.Hops) > 0 && f.Hops[0].Proven {
		n.parent = f.Hops[0].To
	}
	if b := w.bearers[f.Bearer]; b != nil {
		b.heard = max(b.heard, at.Mono)
		w.margins(at, b, f.Hops)
	}
}

func (n *node) alive(at time.Duration) { n.heard, n.seen = max(n.heard, at), true }

// silence is for how long nothing has been heard of a node that could have been: while its bearer was down nobody could.
func (w *Watcher) silence(n *node, now time.Duration) time.Duration {
	return now - max(n.heard, n.hears)
}

func (w *Watcher) liveness(at Time) {
	if slices.ContainsFunc(w.ways, func(b *bearer) bool { return !b.up }) {
		for _, n := range w.ordered {
			if w.deaf(n.bearer) {
				n.hears = at.Mono
			}
		}
	}
	for _, n := range w.ordered {
		silent := w.silence(n, at.Mono)
		w.judge(at, Overdue, n.subject(), stateOf(silent > Patience(n.CheckIn), n.seen && at.Mono-n.heard <= Patience(n.CheckIn)), func(v *Verdict) {
			v.Evidence = []Figure{{"silent for", silent.Seconds(), "s"}, {"check-in period", n.CheckIn.Seconds(), "s"}}
			v.Reason = fmt.Sprintf("Nothing has been heard of %s for %s; it should be heard at least every %s. What happens there now is not seen.",
				n.Name, spell(silent), spell(n.CheckIn))
			switch {
			case w.bearers[n.bearer] != nil && w.allSilent(at, w.bearers[n.bearer]):
				v.Remedy = fmt.Sprintf("No node is heard by %s any more: look at the gateway's antenna and modem first, and only then at %s.", n.bearer, n.Name)
			case n.parent != "" && n.parent != w.site.Gateway:
				v.Remedy = fmt.Sprintf("Look at its battery and antenna, and at the relay %s, by which it was heard last.", n.parent)
			default:
				v.Remedy = "Look at its battery, its antenna and what stands in the way."
			}
		})
	}
}

// deaf reports whether a node that comes by that bearer cannot be heard. One that has not been heard yet may come by any.
func (w *Watcher) deaf(name string) bool {
	for _, b := range w.ways {
		if !b.up && (name == "" || name == b.Name) {
			return true
		}
	}
	return false
}

// allSilent reports whether all nodes of a bearer, two at least, have fallen silent together: each has missed a check-in and all
// of them three. That is hardly the nodes' fault.
func (w *Watcher) allSilent(at Time, b *bearer) bool { return w.together(at, b) == bad }

// together tells whether all nodes of a bearer have fallen silent together; it is good only if one of them is heard, or all are known to
// come by other bearers: after a restart of the gateway, and while the bearer is down, nobody knows. A node that had been dead for long when
// the others fell silent has not done so together with them, and bears nothing out.
func (w *Watcher) together(at Time, b *bearer) state {
	if !b.up {
		return between
	}
	least, elsewhere := time.Duration(-1), true
	for _, n := range w.ordered {
		switch {
		case !n.seen:
			elsewhere = false
		case n.bearer == b.Name:
			elsewhere = false
			silent := w.silence(n, at.Mono)
			if (silent-lateBy)/n.CheckIn < 1 {
				return good
			}
			if least < 0 || silent < least {
				least = silent
			}
		}
	}
	if elsewhere {
		return good
	}
	nodes, missed := 0, time.Duration(0)
	for _, n := range w.ordered {
		if silent := w.silence(n, at.Mono); n.seen && n.bearer == b.Name && silent <= least+n.CheckIn+lateBy {
			nodes++
			missed += (silent - lateBy) / n.CheckIn
		}
	}
	return stateOf(nodes >= 2 && missed >= 3, false)
}

// spell gives a time as people say it.
func spell(d time.Duration) string {
	switch {
	case d >= 2*day:
		return fmt.Sprintf("%d days", d/day)
	case d >= 2*time.Hour:
		return fmt.Sprintf("%d hours", d/time.Hour)
	case d >= 2*time.Minute:
		return fmt.Sprintf("%d minutes", d/time.Minute)
	}
	return fmt.Sprintf("%d seconds", d/time.Second)
}
