package node

import (
	"time"

	"longlane/proto"
	"longlane/radio/route"
)

// answersWithin is how old a frame may be for its receipt to be believed about the time.
const answersWithin = 10 * time.Second

// answeredWithin is for how long a receipt tells that the way to the gateway works: as long as a slow channel may take over as many hops as
// there may be, for the last copy of a frame.
func (n *Node) answeredWithin() time.Duration {
	copies := n.proofWait(proto.TypeCheckIn.Size(), lastSlot) + 2*n.Hop.Spread
	return max(answersWithin, n.ReceiptWait+time.Duration(n.Hop.Tries)*copies)
}

// mostRecent bounds the frames remembered for that: no node sends more in the time.
const mostRecent = 64

// recentFrame is a frame sent since the node started, that a receipt may answer.
type recentFrame struct {
	space   int
	counter uint32
	attempt uint16
	at      time.Duration
	event   time.Duration // when the event was
}

func (n *Node) note(r recentFrame) {
	if r.space == eventSpace {
		for i := range n.held {
			if n.held[i].counter == r.counter {
				r.event = n.held[i].at
			}
		}
	}
	for len(n.recent) > 0 && (len(n.recent) >= mostRecent || n.now-n.recent[0].at > n.answeredWithin()) {
		n.recent = n.recent[1:]
	}
	n.recent = append(n.recent, r)
}

// lastReceipt is the newest receipt of one gateway whose time was taken.
type lastReceipt struct {
	known  bool
	epoch  uint16
	number uint32
}

func (l lastReceipt) before(h proto.Header) bool {
	return !l.known || l.epoch != h.Epoch || h.Number > l.number
}

func (n *Node) received(f Received) {
	raw, err := proto.Parse(f.Frame)
	n.crowd.heard(n.now, 1)
	if err == nil && !raw.Type.Receipt() && !raw.Type.Group() && raw.Node != n.Node {
		n.radio.clear = n.now + n.answerGap() + n.upTo(n.crowd.window(n.now))
	}
	switch {
	case err != nil:
		n.stats.Malformed++
	case raw.Site != n.Site:
		n.stats.NotMine++
	case raw.Type.Group():
		n.hint(raw, f)
	case raw.Node == n.Node && !raw.Type.Receipt():
		n.echo(raw, f)
	case raw.Node == n.Node && raw.Gen == n.Gen:
		n.receipt(raw, f)
	case n.relay == nil || raw.Node == n.Node:
		n.stats.NotMine++
	case raw.Type.Receipt():
		n.relay.bring(raw, f)
	default:
		n.relay.pass(raw, f)
	}
}

// echo takes a frame of this node's own that a relay has sent on.
func (n *Node) echo(raw proto.Raw, f Received) {
	if raw.HopCount() > 0 && string(raw.Tag()) == n.own.tag {
		n.heardFrom(sender(raw), f)
		first := raw.Hop(0)
		n.heardBy(first.Relay, first.RSSI, first.SNR)
		n.tookOwn(first.Relay, proto.NoRSSI, proto.NoSNR) // anybody may have written a strength
	}
}

// receipt believes a receipt only with a good MAC. What it says of events is then true, however old it is, and one that is held is
// confirmed if it asks for that; all else in it counts only if it answers a frame just sent.
func (n *Node) receipt(raw proto.Raw, f Received) {
	space, numbers := eventSpace, &n.events
	if raw.Type == proto.TypeCheckInReceipt {
		space, numbers = checkInSpace, &n.checkIns
	}
	counter, ok := proto.ResolveBehind(uint16(raw.Counter), numbers.next-1)
	if !ok {
		n.forged("it answers a counter that this node has not used")
		return
	}
	body, err := raw.Open(n.keys, counter)
	if err != nil {
		n.forged(err.Error())
		return
	}
	n.stats.Receipts++
	if raw.HopsLeft == proto.MaxHops { // nobody has sent it on
		n.heardFrom(proto.GatewayBase+raw.Gateway, f)
	}
	r := body.(*proto.Receipt)
	if answered, ok := n.answers(space, counter, r.Attempt); ok && n.last[raw.Gateway].before(raw.Header) {
		fresh, knew := n.now-answered.at <= answersWithin, n.sendTime().Known() && n.clock.Epoch == raw.Epoch
		if fresh {
			n.takeTime(raw.Header, r, answered, f)
		}
		n.proved(raw.Header, answered)
		if fresh {
			n.obey(r, answered, knew)
		}
	}
	if space == eventSpace {
		if i := n.heldAt(counter); r.Confirm && i >= 0 { // however old it is: a relay may have kept it, and no other will come
			n.toConfirm(confirm{counter, n.held[i].at})
		}
		n.releaseAll(counter, r.Also)
	}
}

func (n *Node) forged(why string) {
	n.stats.Forged++
	n.observe(Observed{What: Refused, Why: why})
}

func (n *Node) releaseAll(counter uint32, also uint16) {
	n.release(counter)
	for i := range uint32(16) {
		if also>>i&1 == 1 && counter > i {
			n.release(counter - 1 - i)
		}
	}
}

// answers finds the frame just sent that a receipt answers. A receipt carries only 8 bits of the attempt, so from
// attempt 256 on none is certain to answer the very attempt: somebody may have kept the receipt for the attempt 256
// earlier, to turn the node's time back.
func (n *Node) answers(space int, counter uint32, attempt uint8) (recentFrame, bool) {
	for _, r := range n.recent {
		if r.space == space && r.counter == counter && r.attempt == uint16(attempt) && n.now-r.at <= n.answeredWithin() {
			return r, true
		}
	}
	return recentFrame{}, false
}

// takeTime takes what only a fresh receipt may give.
func (n *Node) takeTime(h proto.Header, r *proto.Receipt, answered recentFrame, f Received) {
	n.last[h.Gateway] = lastReceipt{true, h.Epoch, h.Number}
	n.clock.set(n.now, proto.Instant{Epoch: h.Epoch, Since: r.Time.Since()}, n.now-answered.at)
	n.observe(Observed{What: TimeTaken, Counter: answered.counter})
	n.heard.rssi, n.heard.snr = proto.EncodeRSSI(f.RSSI), proto.EncodeSNR(f.SNR)
	if n.relay != nil && h.HopsLeft == proto.MaxHops { // nobody has sent it on, nor kept it, since it is fresh
		n.relay.table.Frame(n.now, route.Heard{From: proto.GatewayBase + h.Gateway, RSSI: n.heard.rssi, SNR: n.heard.snr})
	}
}

// proved follows a receipt for a frame of late: there is a way, and the gateway has the frame.
func (n *Node) proved(h proto.Header, answered recentFrame) {
	n.long[answered.space] = false
	newest := n.recent[len(n.recent)-1]
	latest := newest.space == answered.space && newest.counter == answered.counter
	if latest && newest.attempt == answered.attempt {
		n.hopAnswered(h)
	}
	if i := n.heldAt(answered.counter); answered.space == eventSpace && i >= 0 && n.held[i].taken && n.now-n.held[i].at < doubtWithin {
		n.doubt.answered(n.now, answered.attempt == 0)
	}
	n.answered(answered.at, latest)
	if answered.space == checkInSpace {
		n.checkInAnswered(answered.counter)
	}
}

// obey does what a fresh receipt asks for.
func (n *Node) obey(r *proto.Receipt, answered recentFrame, knew bool) {
	switch {
	case !r.Confirm:
	case answered.space == eventSpace:
		n.toConfirm(confirm{answered.counter, answered.event})
	case !knew: // now it can show that it is there
		n.checkIn.due = n.now
	}
	if s := r.Settings; s.Version != 0 && s != n.saved.Settings {
		n.saved.Settings, n.dirty = s, true
		n.apply(s)
		n.observe(Observed{What: SettingsTaken, Counter: answered.counter})
	}
}

// apply puts settings in force. Zero leaves a value as it is.
func (n *Node) apply(s proto.Settings) {
	if s.MinDwell != 0 {
		for i := range n.contacts {
			n.contacts[i].MinDwell = time.Duration(s.MinDwell) * proto.MinDwellUnit
		}
	}
	if s.Period != 0 {
		n.CheckIn = time.Duration(s.Period) * proto.PeriodUnit
		n.checkIn.due = min(n.checkIn.due, n.now+n.period())
	}
}
