package node

import "longlane/proto"

// probing is a Probe under way.
type probing struct {
	wanted  bool   // a check-in is to be sent for it
	sent    bool   // it has been
	counter uint32 // of that check-in
	asked   bool   // who has heard it how
}

// probe has a check-in go now.
func (n *Node) probe() {
	n.probing = probing{wanted: true}
	n.checkIn.again(n.now)
	n.radio.quiet = n.now
}

// probed follows the making of a check-in. That of a Probe is not followed by another if it gets no receipt: whoever probes
// decides when to do so again, and counts.
func (n *Node) probed(counter uint32) {
	if !n.probing.wanted {
		return
	}
	n.probing = probing{sent: true, counter: counter}
	n.observe(Observed{What: Probed, Counter: counter})
	if c := &n.checkIn; len(c.confirms) == 0 {
		c.due, c.tries = n.now+n.period(), 0
	}
}

// ofProbe reports whether the frame sent last is a Probe's check-in. It is sent once, so that it shows how many are lost.
func (n *Node) ofProbe() bool {
	return n.probing.sent && !n.own.event && n.own.Counter == n.probing.counter
}

// curious reports whether all who have heard the Probe's check-in are to be asked how: once its time is over, since by then the
// relays that carry it have told by what they added to it.
func (n *Node) curious() bool {
	p := &n.probing
	return p.sent && !p.asked && n.group != nil && n.own.due == never
}

// heardBy tells of a neighbour that has heard a Probe's check-in.
func (n *Node) heardBy(id uint8, rssi proto.RSSI, snr proto.SNR) {
	if n.ofProbe() {
		n.observe(Observed{What: HeardBy, Counter: n.probing.counter, Neighbour: id, RSSI: rssi, SNR: snr})
	}
}

// heardFrom tells of a neighbour that was heard.
func (n *Node) heardFrom(id uint8, f Received) {
	if n.probing.sent {
		n.observe(Observed{What: Heard, Neighbour: id, RSSI: proto.EncodeRSSI(f.RSSI), SNR: proto.EncodeSNR(f.SNR)})
	}
}
