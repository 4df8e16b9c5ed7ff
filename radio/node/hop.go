package node

import (
	"cmp"
	"math"
	"time"

	"longlane/proto"
	"longlane/radio/lora"
)

// HopConfig is how a frame makes its next hop. Zero fields take the default that stands beside them.
//
// No frame names who is to send it on: whoever hears it decides for itself, and waits some Slots, the fewer the nearer to the
// gateway it is. Who hears meanwhile that another has taken the frame leaves it to him. So a hop fails only if nobody on the
// way hears it, and a dead relay costs nothing where there is another.
type HopConfig struct {
	// Slot is 20 ms and 6 symbols; 1 ms to 2 s: a modem knows after two symbols that another one sends, and needs some ms
	// to begin by itself.
	Slot time.Duration
	// Tries are 5, 1 to 10: how often a node's own frame is sent before its next attempt, which tells relays that no
	// receipt came, so that all who hear it send it on. A signal that has faded is back within these two seconds but once in a thousand.
	Tries int
	// CarryTries are 6, 1 to 20: how often a relay sends another's frame. With one in ten lost for a second at a time, all
	// six are once in a million.
	CarryTries int
	// Spread is two frames' airtime; 1 ms to 1 min: the random part of the pause before a frame is sent again. It doubles once.
	// A hop that failed because the signal faded will most likely fail again at once, and one second later not.
	Spread time.Duration
	// Keep is 10 min; 1 s to 24 h: for how long a relay remembers a frame, and keeps its receipt for a node that missed it.
	Keep time.Duration
	// Loads are 64; 4 to 1000: the frames that a relay remembers.
	Loads int

	// Limits of what a relay carries for one origin: so many at once, and then one in each time. A node that empties its store after an
	// outage stays below; somebody who plays back what he has recorded soon does not. For all origins together sixteen times as much.
	TripBurst    int           // 30; 1 to 10,000
	TripEvery    time.Duration // 1 s; 1 ms to 1 h
	CheckInBurst int           // 6; 1 to 10,000
	CheckInEvery time.Duration // 10 s; 1 ms to 24 h
}

// What a relay carries of one origin's check-ins, unless told otherwise.
const (
	DefaultCheckInBurst = 6
	DefaultCheckInEvery = 10 * time.Second
)

func (c HopConfig) withDefaults(s lora.Settings) HopConfig {
	orDefault(&c.Slot, min(20*time.Millisecond+6*s.Symbol(), 2*time.Second))
	orDefault(&c.Tries, 5)
	orDefault(&c.CarryTries, 6)
	orDefault(&c.Spread, min(2*s.Airtime(proto.TypeTripOpened.Size()+proto.HopSize), time.Minute))
	orDefault(&c.Keep, 10*time.Minute)
	orDefault(&c.Loads, 64)
	orDefault(&c.TripBurst, 30)
	orDefault(&c.TripEvery, time.Second)
	orDefault(&c.CheckInBurst, DefaultCheckInBurst)
	orDefault(&c.CheckInEvery, DefaultCheckInEvery)
	return c
}

func (c HopConfig) check() error {
	return firstError(
		between("Hop.Slot", c.Slot, time.Millisecond, 2*time.Second),
		between("Hop.Tries", c.Tries, 1, 10),
		between("Hop.CarryTries", c.CarryTries, 1, 20),
		between("Hop.Spread", c.Spread, time.Millisecond, time.Minute),
		between("Hop.Keep", c.Keep, time.Second, 24*time.Hour),
		between("Hop.Loads", c.Loads, 4, 1000),
		between("Hop.TripBurst", c.TripBurst, 1, 10000),
		between("Hop.TripEvery", c.TripEvery, time.Millisecond, time.Hour),
		between("Hop.CheckInBurst", c.CheckInBurst, 1, 10000),
		between("Hop.CheckInEvery", c.CheckInEvery, time.Millisecond, 24*time.Hour),
	)
}

// receiptWait is how long a receipt may take over as many hops as there may be.
func receiptWait(s lora.Settings) time.Duration {
	there := s.Airtime(proto.TypeTripOpened.Size() + proto.MaxHops/2*proto.HopSize) // on the average
	return min(time.Second+(proto.MaxHops+1)*(there+s.Airtime(proto.TypeReceipt.Size())), 30*time.Second)
}

// lastSlot is the last in which somebody begins to send a frame on.
const lastSlot = 5

// proofWait is how long after a frame of that size it must have shown that somebody has it, if who has it begins in this slot
// at the latest.
func (n *Node) proofWait(size, slot int) time.Duration {
	return time.Duration(slot+1)*n.Hop.Slot + n.Modem.Airtime(size+proto.HopSize) + proofSlack
}

// proofSlack is what lines and drivers take.
const proofSlack = 30 * time.Millisecond

// spread is the random part of the pause before the try after so many.
func (n *Node) spread(tries int) time.Duration {
	return n.upTo(n.Hop.Spread << min(max(tries-1, 0), 1))
}

// upTo draws a duration from 0 to d.
func (n *Node) upTo(d time.Duration) time.Duration { return time.Duration(n.rand.Int64N(int64(d) + 1)) }

// busyPause is how long to leave a channel that was in use: about a frame, and longer if many want it.
func (n *Node) busyPause() time.Duration {
	frame := n.Modem.Airtime(proto.TypeReceipt.Size())
	return frame/4 + n.upTo(max(frame, n.crowd.window(n.now)))
}

// answerGap is left free after another's frame, for the gateway's receipt or for whoever sends it on.
func (n *Node) answerGap() time.Duration {
	return (nextSlot-1)*n.Hop.Slot + n.Modem.Airtime(proto.TypeReceipt.Size())
}

// mostClear is how long others' frames may keep a node from sending what it has to: as many frames as a crowd sends in the
// time in which it spreads. Somebody who fills the channel without a key can delay a trip, and no more than by that.
func (n *Node) mostClear() time.Duration { return 32 * n.Modem.Airtime(proto.TypeReceipt.Size()) }

// crowd estimates how many want the channel, by what was heard of late.
type crowd struct {
	level  float64
	at     time.Duration
	forget time.Duration // how fast level falls, by e
	slot   time.Duration
}

// newCrowd forgets in the time of 64 frames, 5 s at SF7.
func newCrowd(c Config) crowd {
	return crowd{forget: 64 * c.Modem.Airtime(proto.TypeReceipt.Size()), slot: c.Hop.Slot}
}

// unproven is for how many heard a frame counts that nobody has shown to have, since it may have met another's, or that found the
// channel in use.
const unproven = 5

// heard counts so many frames.
func (c *crowd) heard(now time.Duration, frames float64) {
	c.fall(now)
	c.level += frames
}

func (c *crowd) fall(now time.Duration) {
	c.level *= math.Exp(-float64(now-c.at) / float64(c.forget))
	c.at = now
}

// window is over which time to spread: a slot and a half for each frame heard. Of those who wait only the first goes, after a small part of it, and
// all others hear it.
func (c *crowd) window(now time.Duration) time.Duration {
	c.fall(now)
	return time.Duration(c.level * 1.5 * float64(c.slot))
}

// ownHop is the frame of this node that was sent last, until a receipt comes for it or the time for one is over. It is sent
// again as it is while nothing shows that anybody has it: a relay that has sends it on, and is heard doing so, or
// acknowledges it, and the gateway answers with the receipt.
type ownHop struct {
	Transmit
	tag    string // its MAC
	event  bool
	alone  bool // whoever takes it is left with it; not a later attempt, which all relays send on
	tries  int
	busy   int           // how often the channel was in use
	sentAt time.Duration // the end of the first sending
	lastAt time.Duration // and of the last
	due    time.Duration // when to send it again; never: it need not be
	opens  time.Duration // when to listen for the receipt; never: one listens already, or need not
	taker  uint8         // who has shown to have it; 0: nobody has
	maybe  uint8         // who has said so, and is not trusted
	askAt  time.Duration // when to ask for a receipt that its taker may have kept, by now
	asked  bool
	over   bool // a receipt came, or the time for one is past
}

// roundTrip times the way to the gateway and back, as RFC 6298 does (sections 2.2 and 2.3: gains of 1/8 and 1/4, four deviations).
type roundTrip struct {
	mean, deviation time.Duration
	known           bool
}

func (r *roundTrip) add(d time.Duration) {
	if !r.known {
		*r = roundTrip{d, d / 2, true}
		return
	}
	r.deviation += ((r.mean - d).Abs() - r.deviation) / 4
	r.mean += (d - r.mean) / 8
}

// missed: a receipt did not come in its time. The way may have become longer: the time doubles (section 5.5).
func (r *roundTrip) missed(longest time.Duration) {
	r.deviation = min(max(2*r.deviation, leastSpread/4), longest)
}

// leastSpread is how much receipts come earlier or later at the least.
const leastSpread = 100 * time.Millisecond

// window is when a receipt, which lasts so long, can be expected, after the end of the frame. Until the way is known it is all of
// longest.
func (r *roundTrip) window(receipt, longest time.Duration) (opens, closes time.Duration) {
	if !r.known {
		return 0, longest
	}
	spread := max(4*r.deviation, leastSpread)
	return min(max(r.mean-receipt-spread, 0), longest/2), min(r.mean+spread, longest)
}

// receiptWindow is that for the frame sent last, from the end of its last copy.
func (n *Node) receiptWindow() (opens, closes time.Duration) {
	opens, closes = n.trip.window(n.Modem.Airtime(proto.TypeReceipt.Size()), n.ReceiptWait)
	return n.own.lastAt + opens, n.own.lastAt + closes
}

// launch begins the first hop of a frame of this node's.
func (n *Node) launch(tx Transmit, event bool) {
	raw, _ := proto.Parse(tx.Frame)
	n.endHop()
	n.own = ownHop{Transmit: tx, tag: string(raw.Tag()), event: event, alone: !insists(raw), tries: 1, due: never, opens: never}
}

// launched follows the end of a sending: for so long one must hear somebody take it.
func (n *Node) launched() {
	o := &n.own
	if o.over { // it was answered while it was sent again
		return
	}
	if o.lastAt = n.now; o.tries == 1 {
		o.sentAt = n.now
	}
	until := n.now + n.proofWait(len(o.Frame), lastSlot) + n.spread(o.tries) + n.upTo(n.crowd.window(n.now))
	o.due = until
	if o.tries >= n.mostTries() {
		_, closes := n.receiptWindow()
		o.due, until = never, max(until, closes)
	}
	n.radio.quiet = max(n.radio.quiet, until)
	n.listen(until)
}

// mostTries is how often a frame is sent. In an outage once is enough: all the others are for nothing. So they are in doubt, since
// relays send a frame on but once.
func (n *Node) mostTries() int {
	if n.radio.silent > outage || n.ofProbe() || n.own.event && n.doubt.doubts(n.now) {
		return 1
	}
	return n.Hop.Tries
}

// listen keeps the receiver on. A relay and a mains node listen all the time.
func (n *Node) listen(until time.Duration) { n.out = append(n.out, Listen{until}) }

// relaunch sends it again. One that has never been on the air is sealed anew under the same number, so that its age is right.
func (n *Node) relaunch() Transmit {
	o := &n.own
	o.due = never
	o.tries++
	n.crowd.heard(n.now, unproven)
	if i := n.heldAt(o.Counter); o.tries == 1 && o.event && i >= 0 {
		e := &n.held[i]
		e.attempt--
		e.tries--
		o.Transmit = n.sealEvent(e)
		raw, _ := proto.Parse(o.Frame)
		o.tag = string(raw.Tag())
	}
	tx := o.Transmit
	tx.Frame = append([]byte(nil), tx.Frame...)
	return tx
}

// taken follows a sign that id has the frame sent last.
func (n *Node) taken(id uint8) {
	o := &n.own
	if o.over || o.taker != 0 {
		return
	}
	o.taker, o.due = id, never
	opens, closes := n.receiptWindow()
	n.radio.quiet = max(closes, n.now)
	if o.opens = opens; o.opens <= n.now {
		o.opens = never
		n.listen(n.radio.quiet)
	}
	o.askAt = o.sentAt + n.ReceiptWait
	if i := n.heldAt(n.radio.event); o.event && i >= 0 {
		n.held[i].taken = n.held[i].taken || o.alone && n.relay == nil // a relay judges its neighbours instead
		// The next attempt would go the whole way anew. The frame is on its way, and relays try it for as long as this.
		e := &n.held[i]
		e.due = max(e.due, o.sentAt+n.jitter(n.ReceiptWait*3/2))
	}
}

// runHop does what is due about the frame sent last.
func (n *Node) runHop() {
	o := &n.own
	if n.now >= o.opens {
		o.opens = never
		n.listen(n.radio.quiet)
	}
}

// missed reports whether the receipt for the frame sent last should have been here by now: then its taker is asked.
func (n *Node) missed() bool {
	o := &n.own
	return o.taker != 0 && o.taker < proto.GatewayBase && !o.over && !o.asked && n.group != nil
}

// ask makes the frame that asks for a receipt which somebody may have kept.
func (n *Node) ask() Transmit {
	o := &n.own
	o.asked, n.probing.asked = true, true
	return n.solicit(&proto.Solicit{Receipt: true, Tag: [4]byte([]byte(o.tag)), Distance: n.distance(), Noise: n.noise})
}

// hopAnswered follows a receipt for the frame sent last.
func (n *Node) hopAnswered(h proto.Header) {
	o := &n.own
	if o.over {
		return
	}
	if h.HopsLeft == proto.MaxHops { // it came from the gateway, and nobody else need have had the frame
		o.taker, o.maybe = proto.GatewayBase+h.Gateway, 0
	}
	if o.tries == 1 && !o.asked { // else it may answer any of several sendings (RFC 6298, section 3)
		n.trip.add(n.now - o.sentAt)
	}
	if id := cmp.Or(o.taker, o.maybe); n.relay != nil && id != 0 {
		n.relay.table.Receipt(n.now, id, !o.alone)
	}
	o.rest()
}

// rest: nothing more is to be done about it.
func (o *ownHop) rest() { o.over, o.due, o.opens = true, never, never }

// endHop is for a frame whose time is over.
func (n *Node) endHop() {
	o := &n.own
	if id := cmp.Or(o.taker, o.maybe); !o.over && id != 0 && n.now >= n.radio.quiet {
		n.trip.missed(n.ReceiptWait)
		if n.relay != nil {
			n.relay.table.NoReceipt(n.now, id, !o.alone)
		}
	}
	o.rest()
}
