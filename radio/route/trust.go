package route

import "time"

// Receipts are the only proof of a way, since only the gateway can make them. A neighbour that has taken Suspect frames in a
// row without a receipt is suspect: frames go another way first. If that way, not suspect itself, brings a receipt, the
// suspect is demoted: it is no parent for Demotion, twice as long each time, and comes back on probation: one
// frame more without a receipt makes it suspect again. If no way brings receipts, the gateway is out of reach or silent, and that is
// nobody's fault: the neighbours are tried in turn, Suspect frames each, and the first receipt clears all.
//
// A node can judge only receipts for its own frames: those for others it passes on unread, and a liar could invent them. So a relay
// without trips of its own learns by its check-ins.

// trust is what receipts tell of a neighbour.
type trust struct {
	unanswered int           // frames in a row that it took and that got no receipt
	demotions  uint          // how often it was demoted, less its receipts since
	until      time.Duration // end of the demotion
	provenAt   time.Duration
	ever       bool // it has brought a receipt, at provenAt
}

func (r *trust) demoted(now time.Duration) bool { return now < r.until }

func (r *trust) proven(now, window time.Duration) bool { return r.ever && now-r.provenAt < window }

// demotedDoubt is how many turns the others get before a demoted neighbour gets one: should all others fail, it is not left out
// for ever.
const demotedDoubt = 4

// doubt is the turn in which id is tried: 0 is who has done nothing wrong.
func (t *Table) doubt(now time.Duration, id uint8) int {
	r := &t.trust[id]
	if r.demoted(now) {
		return r.unanswered/t.Suspect + demotedDoubt
	}
	return r.unanswered / t.Suspect
}

// Trusted reports whether nothing speaks against id: it has not taken Suspect frames of this node's in a row without a
// receipt, and is not demoted.
func (t *Table) Trusted(now time.Duration, id uint8) bool { return t.doubt(now, id) == 0 }

// NoReceipt tells that id took a frame of this node, and that the time for its receipt is over.
func (t *Table) NoReceipt(now time.Duration, id uint8) {
	r := &t.trust[id]
	r.unanswered = min(r.unanswered+1, 1<<30)
	t.choose(now)
}

// Receipt tells that a genuine receipt has come for a frame of this node that id took, however late.
func (t *Table) Receipt(now time.Duration, id uint8) {
	r := &t.trust[id]
	proof := r.unanswered < t.Suspect // else the gateway was away, and now it is back
	r.unanswered, r.until, r.provenAt, r.ever = 0, 0, now, true
	r.demotions -= min(r.demotions, 1)
	for i := range t.trust {
		other := &t.trust[i]
		switch {
		case other == r || other.unanswered < t.Suspect:
		case proof:
			t.demote(now, other)
		default:
			other.unanswered = 0
		}
	}
	t.choose(now)
}

func (t *Table) demote(now time.Duration, r *trust) {
	long := t.Demotion
	for range r.demotions {
		long = min(2*long, t.LongestDemotion)
	}
	r.until, r.demotions, r.unanswered = now+long, min(r.demotions+1, 30), t.Suspect-1
}
