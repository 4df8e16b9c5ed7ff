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

// probed follows the making of a check-in.
func (n *Node) probed(counter uint32) {
	if n.probing.wanted {
		n.probing = probing{sent: true, counter: counter}
	}
}

// curious reports whether all who have heard the Probe's check-in are to be asked how: once its time is over, since by then the
// relays that carry it have told by what they added to it.
func (n *Node) curious() bool {
	p := &n.probing
	return p.sent && !p.asked && n.group != nil && n.own.due == never
}

// heardBy tells of a neighbour that has heard this node's own frame.
func (n *Node) heardBy(id uint8, rssi proto.RSSI, snr proto.SNR) {
	if n.probing.sent {
		n.observe(Observed{What: HeardBy, Counter: n.probing.counter, Neighbour: id, RSSI: rssi, SNR: snr})
	}
}

// heardFrom tells of a neighbour that was heard.
func (n *Node) heardFrom(id uint8, f Received) {
	if n.probing.sent {
		n.observe(Observed{What: Heard, Neighbour: id, RSSI: proto.EncodeRSSI(f.RSSI), SNR: proto.EncodeSNR(f.SNR)})
	}
}
