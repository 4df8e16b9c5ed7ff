package node

import (
	"math"
	"slices"
	"time"

	"longlane/proto"
)

// Who sends a frame on. A relay that hears one takes it upon itself if it is nearer to the gateway than whoever sent it, by what
// both have told in beacons. It then waits: one that is two hops nearer goes first, an ordinary next hop after it. Whoever
// hears meanwhile that another one has the frame leaves it to him; but only an event's first attempt, since the second is the
// origin's word that the first brought no receipt: somebody took it and kept it, or a liar has said so. What is sent on
// must be heard to go further, by the next relay or as a receipt, else it is sent again. A frame is known by all its bytes that no relay
// may change, and each relay takes it upon itself once: that, and the ids in the records, end every loop, whatever distances say.

// load is a frame of another node's that this relay has heard.
type load struct {
	key      string // all of the frame that its origin made
	tag      string // its MAC
	origin   uint8
	gen      uint8
	checkIn  bool
	counter  uint16 // its low 16 bits
	attempt  uint16
	frame    []byte // as heard
	records  int
	from     uint8 // who sent it when it was heard: the last relay in its records, or its origin
	heardAt  time.Duration
	rssi     proto.RSSI
	snr      proto.SNR
	insists  bool // no receipt came for the one before
	once     bool // it is sent once: this relay is not nearer than whoever sent it, or another one has it
	state    loadState
	due      time.Duration
	tries    int
	leftTo   uint8         // by whom it was heard to be sent on; 0: nobody
	repeats  int           // copies from from and leftTo, since the load was left
	tellAt   time.Duration // when to acknowledge it; never: not at all
	tells    int
	wanted   bool // its origin has asked for that, and will not again
	receipt  passing
	receipts int // that came for it
}

type loadState uint8

const (
	waiting loadState = iota // for its slot
	carried                  // sent on; nothing shows yet that anybody has it
	settled                  // nothing is to be done for it any more
	left                     // to another relay
)

// near is by how many trips' airtime a relay must be nearer to send a first attempt on: one that is hardly nearer would make the
// way longer. Later attempts are sent on by all who are nearer at all, and from floodFrom on (or by the second check-in in a row) by all who hear them, since what
// they were told of distances has not served: a stolen relay may have told it.
const (
	near      = 0.5
	floodFrom = 2
)

// Who has left a frame and hears it sent again from helpAfter times on takes it up if it is nearer at all, as if no receipt had come; and
// from floodAfter times on anyhow. Those who should have heard it have not, or what its sender tells of its way is not so: it
// may believe a liar, and know no other way.
const (
	helpAfter  = 2
	floodAfter = 3
)

// nextSlot is the last in which an ordinary next hop begins.
const nextSlot = 3

// slot is when to send on what y has sent; ok is false if it is not this relay's to send.
func (r *relay) slot(l *load, y uint8) (slot int, once, ok bool) {
	flood := l.insists && (l.attempt >= floodFrom || l.checkIn) || l.repeats >= floodAfter
	insists := l.insists || l.repeats >= helpAfter
	reach := r.reach()
	if reach == proto.NoDistance {
		return lastSlot, true, insists
	}
	own, trip := float64(reach), float64(r.table.Trip())
	first := 0
	if r.parent >= proto.GatewayBase {
		first = 1 // the gateway's receipt goes before
	}
	told, _ := r.table.Told(y)
	if told == proto.NoDistance { // of a node that is no relay
		return min(first+int(math.Round(own/trip/2)), lastSlot-1), false, true
	}
	switch hops := (float64(told) - own) / trip; {
	case hops >= 1.75:
		return first, false, true
	case hops >= 0.75:
		return first + 1, false, true
	case hops >= near:
		return first + 2, false, true
	case hops > 0:
		return first + 3, false, insists
	}
	return lastSlot, true, flood
}

// reach is how far it is to the gateway for a single frame, which may take any way: none can go round.
func (r *relay) reach() uint16 {
	if d := r.table.Distance(); d != proto.NoDistance {
		return d
	}
	return r.table.Reach(r.n.now)
}

func (r *relay) at(slot int) time.Duration {
	s := r.n.Hop.Slot
	return r.n.now + time.Duration(slot)*s + r.n.upTo(s*3/4)
}

// keyOf is what no relay changes in a frame: hops left and records aside.
func keyOf(raw proto.Raw, frame []byte) string {
	b := append([]byte(nil), frame[:len(frame)-raw.HopCount()*proto.HopSize]...)
	b[1] &= 0xf0
	return string(b)
}

// insists reports whether no receipt came for the attempt before, as far as it can be seen from the frame. Of what is hours old, and so
// in no hurry, each fourth attempt does: after a long outage all stores are full of it, and if every relay sent all of it on, the
// airtime that is lawful within an hour would be used up.
func insists(raw proto.Raw) bool {
	switch raw.Type {
	case proto.TypeCheckIn:
		return raw.Long
	case proto.TypeTripHeld:
		return raw.Attempt%heldInsists == heldInsists-1
	}
	return raw.Attempt > 0
}

const heldInsists = 4

// sender is who sent this copy of a frame.
func sender(raw proto.Raw) uint8 {
	if n := raw.HopCount(); n > 0 {
		return raw.Hop(n - 1).Relay
	}
	return raw.Node
}

// pass takes a frame of another node's.
func (r *relay) pass(raw proto.Raw, f Received) {
	key := keyOf(raw, f.Frame)
	i := slices.IndexFunc(r.loads, func(l *load) bool { return l.key == key })
	for own := range raw.HopCount() {
		if raw.Hop(own).Relay != r.n.Node {
			continue
		}
		if i >= 0 && own+1 < raw.HopCount() { // it has been here, and goes on
			r.proven(r.loads[i], raw.Hop(own+1).Relay, proto.NoRSSI, proto.NoSNR) // anybody may have written a strength
		}
		return
	}
	if i >= 0 {
		r.repeated(r.loads[i], sender(raw))
		return
	}
	r.take(raw, f, key)
}

// take remembers a frame, and takes it upon itself if that is this relay's to do.
func (r *relay) take(raw proto.Raw, f Received, key string) {
	n := r.n
	if raw.HopsLeft == 0 || raw.HopCount() == proto.MaxHops {
		return
	}
	checkIn := raw.Type == proto.TypeCheckIn
	if !r.limits.allow(n.now, raw.Node, checkIn, n.Hop) {
		n.stats.Limited++
		return
	}
	l := &load{key: key, tag: string(raw.Tag()), origin: raw.Node, gen: raw.Gen, checkIn: checkIn, counter: uint16(raw.Counter), attempt: raw.Attempt,
		frame: append([]byte(nil), f.Frame...), records: raw.HopCount(), from: sender(raw), heardAt: n.now,
		rssi: proto.EncodeRSSI(f.RSSI), snr: proto.EncodeSNR(f.SNR),
		insists: insists(raw), due: never, tellAt: never, receipt: passing{due: never}}
	attempts := r.attempts(l.origin, l.gen, l.checkIn, l.counter)
	before := answering(attempts)
	r.keep(l)
	if before != nil && before.receipt.frame != nil && !slices.ContainsFunc(attempts, func(l *load) bool { return l.receipt.offered }) {
		// The origin has missed it. Should this not be the genuine one, all other attempts are sent on.
		l.state = settled
		l.receipt = passing{frame: before.receipt.frame, id: before.receipt.id, offered: true, direct: l.records == 0, due: r.at(0)}
		return
	}
	slot, once, ok := r.slot(l, l.from)
	if !ok {
		l.state = left
		return
	}
	l.once, l.due = once, r.at(slot)
}

// keep bounds the loads: the oldest goes, one that still is to be sent last of all.
func (r *relay) keep(l *load) {
	r.loads = slices.DeleteFunc(r.loads, func(l *load) bool { return l.old(r.n.now, r.n.Hop) })
	if len(r.loads) >= r.n.Hop.Loads {
		i := max(slices.IndexFunc(r.loads, func(l *load) bool { return l.state >= settled && l.receipt.due == never }), 0)
		r.loads = slices.Delete(r.loads, i, i+1)
	}
	r.loads = append(r.loads, l)
}

func (l *load) old(now time.Duration, c HopConfig) bool { return now-l.heardAt >= c.Keep }

// attempts are those of what has this identity, the newest first. Anybody may have invented some of them.
func (r *relay) attempts(origin, gen uint8, checkIn bool, counter uint16) (of []*load) {
	for _, l := range slices.Backward(r.loads) {
		if l.origin == origin && l.gen == gen && l.checkIn == checkIn && l.counter == counter {
			of = append(of, l)
		}
	}
	return of
}

// answering is of these attempts the one whose receipt this relay gives: the newest that it has sent on. nil: it has sent none.
func answering(attempts []*load) *load {
	if i := slices.IndexFunc(attempts, func(l *load) bool { return l.tries > 0 || l.receipt.offered }); i >= 0 {
		return attempts[i]
	}
	return nil
}

// repeated takes another copy of l, sent by y.
func (r *relay) repeated(l *load, y uint8) {
	switch { // whoever sends it again has not heard that anybody has it
	case l.state == left && (y == l.from || y == l.leftTo):
		l.repeats++
		if slot, once, ok := r.slot(l, y); ok && l.repeats >= helpAfter {
			l.state, l.once, l.due = waiting, once, r.at(slot)
		}
	case y != l.from:
		r.elsewhere(l, y)
	case l.tries == 0 && !l.receipt.offered:
	case l.receipt.frame != nil:
		l.receipt.again(r)
	default:
		l.acknowledge(r.at(0))
	}
}

// elsewhere takes the news that y has l as well.
func (r *relay) elsewhere(l *load, y uint8) {
	told, known := r.table.Told(y)
	ahead := known && told <= r.reach()
	switch {
	case !ahead || !r.table.Trusted(r.n.now, y):
	case l.mayBeLeft():
		l.state, l.due, l.leftTo = left, never, y
	case l.state == waiting:
		l.once = true
	case l.state == carried:
		l.state, l.due = settled, never
	}
}

// mayBeLeft reports whether l need not be sent if another one has it, or if a receipt came.
func (l *load) mayBeLeft() bool {
	return l.state == waiting && !l.insists && l.repeats < floodAfter
}

// proven takes the news that id has got l from here.
func (r *relay) proven(l *load, id uint8, rssi proto.RSSI, snr proto.SNR) {
	if l.state != carried {
		return
	}
	r.table.HopAck(r.n.now, id, rssi, snr, l.tries)
	if r.table.Trusted(r.n.now, id) {
		l.state, l.due = settled, never
	}
}

// acknowledged takes a hop acknowledgement of y's.
func (r *relay) acknowledged(a *proto.HopAck, y uint8) {
	for _, l := range r.loads {
		switch {
		case l.tag[:len(a.Tag)] != string(a.Tag[:]):
		case l.state == carried && a.Distance < r.reach(): // else it is for somebody behind
			r.proven(l, y, a.RSSI, a.SNR)
		default:
			r.elsewhere(l, y)
		}
	}
}

// sendOn gives the frame with this relay's record, or nothing if it has been tried often enough.
func (r *relay) sendOn(l *load) *Transmit {
	n := r.n
	if id, ok := r.table.Parent(); ok && l.state == carried && !l.once { // else the parent may have it already
		r.table.NoHopAck(n.now, id, l.tries)
		r.run()
	}
	if l.tries >= n.Hop.CarryTries || l.once && l.tries > 0 || n.now-l.heardAt >= n.carryFor() {
		l.state, l.due = settled, never
		n.stats.GivenUp++
		return nil
	}
	frame, err := proto.AppendHop(l.frame, n.keys, proto.Hop{Relay: n.Node, Gen: n.Gen, RSSI: l.rssi, SNR: l.snr,
		Held: proto.EncodeDur8(n.now - l.heardAt)})
	if err != nil { // take has seen to it that there is none
		panic("node: add a hop record: " + err.Error())
	}
	l.state, l.tries = carried, l.tries+1
	n.stats.Carried++
	raw, _ := proto.Parse(frame)
	return &Transmit{Frame: frame, Type: raw.Type, Counter: raw.Counter, Attempt: raw.Attempt}
}

// carryFor is for how long a relay tries: many times as long as all tries take on a free channel, a minute at SF7. A frame that waits for
// longer is of no use, since its origin makes new ones, and others, who may have forgotten it, would take it upon themselves again.
func (n *Node) carryFor() time.Duration {
	each := n.proofWait(proto.TypeCheckIn.Size()+proto.MaxHops*proto.HopSize, nextSlot) + 2*n.Hop.Spread
	return min(16*time.Duration(n.Hop.CarryTries)*each, n.Hop.Keep)
}

// sentOn follows the end of that sending.
func (r *relay) sentOn(l *load, done TxDone) {
	n := r.n
	switch {
	case done.Busy && l.tries > 0:
		l.tries--
		l.due = n.now + n.busyPause()
		if l.tries == 0 {
			l.state = waiting // it may still be left to another
		}
	case l.state == carried: // else it has been taken before the driver told the end
		l.due = n.now + n.proofWait(len(l.frame)+proto.HopSize, nextSlot) + n.spread(l.tries)
	}
}

// mostTells bounds the acknowledgements of one frame, which anybody may play again: as often as a relay sends one, and a bit.
const mostTells = 8

func (l *load) acknowledge(at time.Duration) {
	if l.tells < mostTells {
		l.tellAt = at
	}
}

// tell acknowledges l to whoever gave it.
func (r *relay) tell(l *load) Transmit {
	l.tellAt = never
	l.tells++
	return r.n.sealGroup(proto.TypeHopAck, &proto.HopAck{Tag: [4]byte([]byte(l.tag)), Distance: r.n.distance(), RSSI: l.rssi, SNR: l.snr})
}
