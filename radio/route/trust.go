package route

import "time"

// Receipts are the only proof of a way, since only the gateway can make them. A neighbour that has taken Suspect frames in a
// row without a receipt is suspect: that it has a frame is no reason any more to leave the frame to it. If another one, not
// suspect itself, brings a receipt, the suspect is demoted for Demotion, or until it brings one: it is not trusted, it is not taken as
// parent, and if it is the parent it is left as if the way were lost, as soon as anybody else serves, who may be behind this node.
// All that this node has told by that way is void: those who are nearer in truth send nothing on that comes from a node which
// tells a liar's distance. But a lane may have no other way, and receipts are lost by chance, too: then nobody else serves, or
// the next frame that nobody else takes brings a receipt. After Demotion one frame more without a receipt makes it suspect again.
//
// If nobody brings receipts, the gateway is out of reach or silent, and that is nobody's fault: one after the other becomes
// suspect, and the first receipt clears all.
//
// A node can judge only receipts for its own frames: those for others it passes on unread, and a liar could invent them. So a
// relay without trips of its own learns by its check-ins.

// trust is what receipts tell of a neighbour.
type trust struct {
	unanswered int           // frames in a row that it alone took and that got no receipt
	until      time.Duration // end of the demotion
	provenAt   time.Duration
	ever       bool // it has brought a receipt, at provenAt
}

func (r *trust) demoted(now time.Duration) bool { return now < r.until }

func (r *trust) proven(now, window time.Duration) bool { return r.ever && now-r.provenAt < window }

// Trusted reports whether nothing speaks against id: it has not taken Suspect frames of this node's in a row without a
// receipt, and is not demoted.
func (t *Table) Trusted(now time.Duration, id uint8) bool {
	r := &t.trust[id]
	return !r.demoted(now) && r.unanswered < t.Suspect
}

// Demoted reports whether id is: it is not taken as parent.
func (t *Table) Demoted(now time.Duration, id uint8) bool { return t.trust[id].demoted(now) }

// NoReceipt tells that id took a frame of this node, and that the time for its receipt is over. A frame that insisted, as later
// attempts do, was left to nobody: all who heard it have sent it on, and it says nothing of id.
func (t *Table) NoReceipt(now time.Duration, id uint8, insisted bool) {
	if insisted {
		return
	}
	r := &t.trust[id]
	r.unanswered = min(r.unanswered+1, 1<<30)
	t.choose(now)
}

// Receipt tells that a genuine receipt has come for a frame of this node that id took, however late. If the frame insisted, others
// may have brought it as well: else whoever says first that he has each frame, and keeps it, would be cleared by the
// next attempt. It still shows that the gateway is there, and so who is to blame.
func (t *Table) Receipt(now time.Duration, id uint8, insisted bool) {
	r := &t.trust[id]
	proof := r.unanswered < t.Suspect // else the gateway was away, and now it is back
	switch {
	case !insisted:
		r.unanswered, r.until, r.provenAt, r.ever = 0, 0, now, true
	case !proof:
		r.unanswered = 0
	}
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
	r.until, r.unanswered = now+t.Demotion, t.Suspect-1
}
