package health

import (
	"fmt"
	"math"
)

// Each check-in has the next number, so numbers that never come are frames that were lost. That a frame was lost is seen only at the
// gateway. But what a relay's own check-ins lose beyond it is known as well, and the rest was lost on the hop before.

const (
	lossMemory = 100  // check-ins after which what was seen counts only a third (1/e)
	lossLeast  = 20   // check-ins, before anything is said
	lossMany   = 0.10 // of them lost, and more than chance makes it, is a fault
	lossFew    = 0.05 // is none
	lossSigma  = 3.0  // standard deviations that count as more than chance
	lossMost   = 50   // a longer gap is an absence, not losses: the node was overdue by then
)

// losses are check-ins that came and did not, the newest counting most.
type losses struct{ Came, Lost float64 }

func (l *losses) add(lost int) {
	for range lost {
		l.fade()
		l.Lost++
	}
	l.fade()
	l.Came++
}

func (l *losses) fade() {
	const keep = 1 - 1.0/lossMemory
	l.Came, l.Lost = l.Came*keep, l.Lost*keep
}

func (l losses) seen() float64 { return l.Came + l.Lost }

func (l losses) delivered() float64 {
	if l.seen() < 1 {
		return 1
	}
	return l.Came / l.seen()
}

// counted takes in a check-in's number. A gap is of no meaning after the gateway could not hear, and after the node has started
// anew: then it may skip numbers.
func (w *Watcher) counted(at Time, n *node, gen uint8, counter uint32, anew bool) {
	switch {
	case !n.counting || gen != n.gen || anew || n.skipGap:
		n.counting, n.gen, n.counter, n.skipGap = true, gen, counter, false
		return
	case counter <= n.counter:
		if back := n.counter - counter; back > 0 && back <= lossMost { // it came after all, by a longer way
			n.all.late()
			if n.parent != "" {
				w.hop(at, n.firstHop()).losses.late()
			}
		}
		return
	}
	lost := int(min(counter-n.counter-1, lossMost))
	n.counter = counter
	n.all.add(lost)
	if n.parent == "" {
		return
	}
	s := n.firstHop()
	h := w.hop(at, s)
	h.losses.add(lost)
	beyond := 1.0
	if relay := w.nodes[n.parent]; relay != nil {
		beyond = relay.all.delivered()
	}
	seen := h.losses.seen()
	lostHere := 1 - min(h.losses.delivered()/max(beyond, 0.05), 1)
	// The variance of a share among so many; those that fade by weights count twice as many as their weights add up to.
	chance := lossSigma * math.Sqrt(lostHere*(1-lostHere)/min(2*seen, 2*lossMemory))
	w.judge(at, Losses, s, stateOf(seen >= lossLeast && lostHere-chance > lossMany, seen >= lossLeast && lostHere < lossFew), func(v *Verdict) {
		v.Evidence = []Figure{{"check-ins lost on this hop", round(100*lostHere, 0), "%"}, {"give or take", round(100*chance, 0), "%"},
			{"check-ins counted", math.Round(seen), ""}}
		v.Reason = fmt.Sprintf("Of the check-ins that %s sends, about %.0f in 100 do not reach %s. Trips are sent again until they arrive, but they may come late.",
			s.Name, 100*lostHere, s.To)
		v.Remedy = fmt.Sprintf("Look at the margin of this hop. If it is small, see to the antennas of %s and %s; if it is not, something disturbs the channel, or %s is often busy.", s.Name, s.To, s.To)
	})
}

// late takes back a loss.
func (l *losses) late() {
	if l.Lost >= 1 {
		l.Lost, l.Came = l.Lost-1, l.Came+1
	}
}

func (n *node) firstHop() Subject { return Subject{Kind: KindHop, Name: n.Name, To: n.parent} }
