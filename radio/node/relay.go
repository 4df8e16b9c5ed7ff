package node

import (
	"time"

	"longlane/proto"
	"longlane/radio/route"
)

// relay is the part of a node that sends others' frames on. It belongs to its node's goroutine.
type relay struct {
	n       *Node
	table   *route.Table
	beacons *route.Trickle
	beacon  bool          // one is to go
	wakeAt  time.Duration // of table and beacons
	parent  uint8         // as last observed; 0: none
	seekAt  time.Duration // when to ask for a way; never: there is one
	seekFor time.Duration // the pause after it
	loads   []*load       // oldest first, at most Hop.Loads
	limits  limits
}

// firstSeek is when a way is asked for after a start or a loss, give or take; then the pause doubles, up to longestSeek, since whoever
// has no way carries first attempts for nobody. Beacons answer within their shortest interval.
func (n *Node) firstSeek() time.Duration   { return n.Route.Beacons.Imin / 4 }
func (n *Node) longestSeek() time.Duration { return n.Route.Beacons.Imin * 16 }

func newRelay(n *Node) (*relay, error) {
	table, err := route.New(*n.Route, n.now)
	if err != nil {
		return nil, err
	}
	beacons, err := route.NewTrickle(n.Route.Beacons, n.rand.Uint64(), n.now)
	if err != nil {
		return nil, err
	}
	return &relay{n: n, table: table, beacons: beacons, seekAt: n.now + n.jitter(n.firstSeek()), seekFor: n.firstSeek()}, nil
}

// Neighbours are those that a relay hears, for people and tests; a node that is none has none.
func (n *Node) Neighbours() []route.Neighbour {
	if n.relay == nil {
		return nil
	}
	return n.relay.table.List(n.now)
}

// Way is the neighbour that a relay's own way to the gateway begins with, and its length in ms of expected airtime; ok is false
// if there is none, or if the node is no relay.
func (n *Node) Way() (id uint8, distance uint16, ok bool) {
	if n.relay == nil {
		return 0, proto.NoDistance, false
	}
	id, ok = n.relay.table.Parent()
	return id, n.relay.table.Distance(), ok
}

// run does what time alone brings.
func (r *relay) run() {
	n := r.n
	wake := r.table.Step(n.now)
	fire, again := r.beacons.Step(n.now)
	r.beacon = r.beacon || fire
	if r.table.News() {
		r.beacons.Inconsistent(n.now)
		_, again = r.beacons.Step(n.now)
	}
	r.wakeAt = min(wake, again)
	r.seek()
}

// seek asks for a way while there is none or the parent is silent, and tells when one was found or lost.
func (r *relay) seek() {
	n := r.n
	id, ok := r.table.Parent()
	if id != r.parent {
		if !ok && r.table.Demoted(n.now, r.parent) {
			n.checkIn.again(n.now) // were its receipts lost by chance, the next clears it
		}
		r.parent = id
		n.observe(Observed{What: Way, Neighbour: id})
	}
	switch seeks := !ok || r.table.Doubtful(n.now); {
	case !seeks:
		r.seekAt = never
	case r.seekAt == never:
		r.seekAt, r.seekFor = n.now+n.jitter(n.firstSeek()), n.firstSeek()
	}
}

func (r *relay) sought() Transmit {
	n := r.n
	r.seekFor = min(2*r.seekFor, n.longestSeek())
	r.seekAt = n.now + n.jitter(r.seekFor)
	return n.solicit(&proto.Solicit{Distance: n.distance(), Noise: n.noise})
}

func (r *relay) sealBeacon() Transmit {
	n := r.n
	r.beacon = false
	b := &proto.Beacon{Distance: n.distance(), Noise: n.noise}
	if n.clock.known {
		b.Epoch, b.Time = n.clock.Epoch, proto.EncodeGatewayTime(n.clock.Since+n.now-n.clock.at)
	}
	return n.sealGroup(proto.TypeBeacon, b)
}

// distance is what is told of the own way now.
func (n *Node) distance() uint16 {
	if n.relay == nil {
		return proto.NoDistance
	}
	return n.relay.table.Tell(n.now)
}

func (n *Node) solicit(b *proto.Solicit) Transmit { return n.sealGroup(proto.TypeSolicit, b) }

// sealGroup makes a frame under the group key.
func (n *Node) sealGroup(t proto.Type, body proto.Body) Transmit {
	h := proto.Header{Type: t, Site: n.Site, Node: n.Node, Gen: n.GroupGen, Counter: n.groups.take()}
	frame, err := proto.Seal(nil, n.group, h, body)
	if err != nil {
		panic("node: seal: " + err.Error())
	}
	return Transmit{Frame: frame, Type: t, Counter: h.Counter}
}

// hint takes a frame that anybody at the site may have made. It may steer where frames go and when, and nothing else.
func (n *Node) hint(raw proto.Raw, f Received) {
	n.stats.Hints++
	if n.group == nil || raw.Gen != n.GroupGen || raw.Node == n.Node {
		return
	}
	body, err := raw.Open(n.group, raw.Counter)
	if err != nil {
		n.forged(err.Error())
		return
	}
	if n.relay != nil && !n.relay.hear(raw, body, f) {
		return
	}
	n.heardFrom(raw.Node, f)
	if a, ok := body.(*proto.HopAck); ok && n.own.tag != "" && string(a.Tag[:]) == n.own.tag[:len(a.Tag)] {
		n.heardBy(raw.Node, a.RSSI, a.SNR)
		n.tookOwn(raw.Node, a.RSSI, a.SNR)
	}
}

// tookOwn follows a sign that a neighbour has this node's own frame, heard at that strength if that can be believed.
func (n *Node) tookOwn(id uint8, rssi proto.RSSI, snr proto.SNR) {
	if n.own.over || n.own.event && n.doubt.doubts(n.now) {
		return // only a receipt will do
	}
	if n.relay != nil && n.own.taker == 0 {
		n.relay.table.HopAck(n.now, id, rssi, snr, n.own.tries)
		if !n.relay.table.Trusted(n.now, id) {
			n.own.maybe = id
			return // let another one hear it
		}
	}
	n.taken(id)
}

// hear reports whether the frame is new.
func (r *relay) hear(raw proto.Raw, body proto.Body, f Received) bool {
	h := route.Heard{From: raw.Node, RSSI: proto.EncodeRSSI(f.RSSI), SNR: proto.EncodeSNR(f.SNR)}
	var distance uint16
	switch b := body.(type) {
	case *proto.Beacon:
		distance = b.Distance
	case *proto.HopAck:
		distance = b.Distance
	case *proto.Solicit:
		distance = b.Distance
	}
	effect := r.table.Hear(r.n.now, h, raw.Type, raw.Counter, distance)
	if effect == route.Replayed {
		return false
	}
	switch b := body.(type) {
	case *proto.HopAck:
		r.acknowledged(b, raw.Node)
	case *proto.Solicit:
		if b.Receipt {
			r.asked(b)
			effect = route.None
		}
	}
	switch {
	case effect == route.Inconsistent:
		r.beacons.Inconsistent(r.n.now)
	case effect == route.Consistent && !r.table.News():
		r.beacons.Consistent()
	}
	r.run()
	return true
}
