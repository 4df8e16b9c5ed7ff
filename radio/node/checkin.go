package node

import (
	"slices"
	"time"

	"longlane/proto"
)

// A check-in that gets no receipt is not sent again: a new one is, a few times, and then the node waits for the end of its period, which
// began with the first. One that confirms an event hurries: after 10 s without it the gateway raises a fault.
const firstCheckIn = 2 * time.Second // after a start, give or take

var (
	// Two and a half minutes of trying outlast most bursts of noise: how seldom a node that lives is then taken for dead is measured by
	// TestFalseReports of gateway/health.
	checkInPauses = []time.Duration{5 * time.Second, 20 * time.Second, time.Minute, time.Minute}
	confirmPauses = []time.Duration{2 * time.Second, 3 * time.Second, 20 * time.Second}
)

// Once overdueAfter periods have gone by without an answer the gateway has taken the node for dead, and the longer pauses save nobody from that:
// from then on only the first overduePauses are tried, so that a day without the gateway costs no airtime for them.
const (
	overdueAfter  = 2
	overduePauses = 2
)

// confirm is an event whose receipt asked the node to vouch for it.
type confirm struct {
	counter uint32
	at      time.Duration // when the event was
}

// mostConfirms bounds what waits to be confirmed; each check-in confirms one.
const mostConfirms = 8

type checkInState struct {
	due       time.Duration
	tries     int           // in this period, since the last that got a receipt
	began     time.Duration // the first of them: however long they take, the next period is not late for that
	missed    int           // periods without an answer in a row
	restarted bool
	confirms  []confirm
	vouches   uint32 // counter of the check-in that carried the first of confirms; 0: none has
}

func (c *checkInState) again(now time.Duration) { c.due, c.tries = now, 0 }

// period is 1 to 15 % short, so that nodes that started together drift apart and none is ever late.
func (n *Node) period() time.Duration {
	return n.CheckIn*99/100 - time.Duration(n.rand.Int64N(int64(n.CheckIn)*14/100+1))
}

// MeanPeriod is what period comes to on the average, for whoever reckons with a node's airtime.
func MeanPeriod(checkIn time.Duration) time.Duration { return checkIn * 92 / 100 }

func (n *Node) sealCheckIn() Transmit {
	c := &n.checkIn
	counter := n.checkIns.take()
	body := &proto.CheckIn{Sent: n.sendTime(), Active: n.activeInputs(), Restarted: c.restarted, Mains: n.Mains,
		Battery: n.battery, Temperature: n.temperature, Next: uint16(n.events.next), Oldest: n.oldest(n.events.next),
		Restarts: uint8(n.saved.Starts - 1), HeardRSSI: n.heard.rssi, HeardSNR: n.heard.snr,
		Settings: n.saved.Settings.Version, Noise: n.noise}
	n.confirmIn(body, counter)
	h := proto.Header{Type: proto.TypeCheckIn, HopsLeft: n.HopsLeft, Site: n.Site, Node: n.Node, Gen: n.Gen,
		Counter: counter, Long: n.long[checkInSpace] || c.tries > 0}
	c.next(n)
	return n.seal(h, body)
}

// next sets the time of the check-in after this one, should it get no receipt.
func (c *checkInState) next(n *Node) {
	pauses := checkInPauses
	switch {
	case len(c.confirms) > 0:
		pauses = confirmPauses
	case c.missed >= overdueAfter:
		pauses = pauses[:overduePauses]
	}
	if c.tries == 0 {
		c.began = n.now
	}
	ends := c.began + n.period()
	if c.tries < len(pauses) {
		c.due = n.now + min(n.jitter(pauses[c.tries]), n.period()/5) // four are over before the next period begins
		c.tries++
		return
	}
	c.due = max(ends, n.now+pauses[0])
	c.tries = 0 // what is to be confirmed goes with the next check-in: late, it still ends the fault
	c.missed++
}

// confirmIn fills in the oldest confirmation that is waiting. One whose event lies too far back to be named is given up.
func (n *Node) confirmIn(b *proto.CheckIn, counter uint32) {
	c := &n.checkIn
	for c.vouches = 0; len(c.confirms) > 0; c.confirms = c.confirms[1:] {
		first := c.confirms[0]
		if back := n.events.next - first.counter; back >= 1 && back <= 255 {
			c.vouches = counter
			b.Confirms, b.Confirm, b.ConfirmAge = true, uint8(back), proto.EncodeDur8(n.now-first.at)
			return
		}
	}
}

// checkInAnswered follows a receipt for a check-in.
func (n *Node) checkInAnswered(counter uint32) {
	c := &n.checkIn
	n.observe(Observed{What: Answered, Counter: counter})
	c.restarted, c.missed = false, 0
	if len(c.confirms) > 0 && counter < c.vouches {
		return // a later one, which vouches, is under way: yet another would overtake that, and so on
	}
	c.tries, c.due = 0, n.now+n.period()
	if len(c.confirms) > 0 && counter == c.vouches {
		c.confirms = c.confirms[1:]
	}
	if len(c.confirms) > 0 {
		c.due = n.now
	}
}

func (n *Node) toConfirm(f confirm) {
	c := &n.checkIn
	if slices.Contains(c.confirms, f) { // the receipt came again
		return
	}
	if len(c.confirms) < mostConfirms {
		c.confirms = append(c.confirms, f)
	}
	c.again(n.now)
}

// activeInputs tells where a trip has been announced and not ended: what a check-in says of an input agrees with the
// events made up to it.
func (n *Node) activeInputs() (bits uint8) {
	for i := range n.contacts {
		if c := &n.contacts[i]; c.Number < 4 && c.tripped {
			bits |= 1 << c.Number
		}
	}
	return bits
}
