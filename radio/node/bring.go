package node

import (
	"time"

	"longlane/proto"
)

// Receipts go back by the relays that sent the frame on: each remembers what it carried and from whom. The one nearest to the
// origin goes first, and whoever hears it leaves the rest of the way to it. The last hop to a sleeping node has no
// acknowledgement: its relay keeps the receipt, for a solicit or the next attempt. Nobody but the node can tell a genuine
// receipt, so a relay lets none keep it from sending a later attempt on, but once.

// receiptID tells receipts apart.
type receiptID struct {
	gateway uint8
	epoch   uint16
	number  uint32
}

// passing is a receipt on its way through this relay.
type passing struct {
	frame   []byte // as it is sent on; nil: none has come
	id      receiptID
	due     time.Duration // never: nothing is to be done
	tries   int
	direct  bool // the next to hear it is the node itself: nothing will show that it did
	past    bool // it was heard further along
	offered bool // in place of an attempt
}

// mostReceipts bounds those passed on for one frame; the gateway answers it four times at the most.
const mostReceipts = 6

// receiptTries is how often a relay sends one: later ones would come when the node no longer waits.
const receiptTries = 4

// bring takes a receipt for another node.
func (r *relay) bring(raw proto.Raw, f Received) {
	attempts := r.attempts(raw.Node, raw.Gen, raw.Type == proto.TypeCheckInReceipt, uint16(raw.Counter))
	if len(attempts) == 0 {
		r.n.stats.NotMine++
	}
	for _, l := range attempts {
		r.answeredLoad(l, raw)
	}
	l := answering(attempts)
	if l == nil {
		return
	}
	id := receiptID{raw.Gateway, raw.Epoch, raw.Number}
	if l.receipt.frame != nil && id == l.receipt.id {
		if raw.HopsLeft <= l.receipt.frame[1]&0x0f {
			l.receipt.due, l.receipt.past = never, true
		}
		return
	}
	if l.receipts++; l.receipts > mostReceipts {
		return
	}
	l.receipt = passing{frame: append([]byte(nil), f.Frame...), id: id, direct: l.records == 0, offered: l.receipt.offered, due: never}
	if raw.HopsLeft > 0 {
		l.receipt.frame[1]-- // the low nibble, which is not 0
		l.receipt.due = r.at(min(l.records, lastSlot))
	}
}

// answeredLoad: the gateway has it, as it seems.
func (r *relay) answeredLoad(l *load, raw proto.Raw) {
	switch {
	case l.state == carried:
		if gateway := proto.GatewayBase + raw.Gateway; raw.HopsLeft == proto.MaxHops && gateway == r.parent { // straight from it
			r.table.HopAck(r.n.now, gateway, proto.NoRSSI, proto.NoSNR, l.tries)
		}
		l.state, l.due = settled, never
	case l.mayBeLeft():
		l.state, l.due = left, never
	}
}

// again sends one that was sent before, to a node that asks for it.
func (p *passing) again(r *relay) {
	if p.due == never && p.tries < 2*receiptTries {
		p.due, p.direct = r.at(0), true
	}
}

// passOn gives the receipt, or nothing if it has been tried often enough.
func (r *relay) passOn(l *load) *Transmit {
	p := &l.receipt
	p.due = never
	if !p.direct && p.tries >= receiptTries || l.old(r.n.now, r.n.Hop) {
		return nil
	}
	p.tries++
	r.n.stats.Passed++
	raw, _ := proto.Parse(p.frame)
	return &Transmit{Frame: append([]byte(nil), p.frame...), Type: raw.Type, Counter: raw.Counter}
}

// passedOn follows the end of that sending.
func (r *relay) passedOn(l *load, done TxDone) {
	n, p := r.n, &l.receipt
	switch {
	case done.Busy:
		p.tries = max(p.tries-1, 0) // 0: another one has come meanwhile
		p.due = n.now + n.busyPause()
	case !p.direct && !p.past:
		p.due = n.now + n.proofWait(len(p.frame), nextSlot) + n.spread(p.tries)
	}
}

// asked takes a solicit for a receipt that may be here.
func (r *relay) asked(s *proto.Solicit) {
	for _, l := range r.loads {
		if l.records > 0 || l.tag[:len(s.Tag)] != string(s.Tag[:]) {
			continue // who asks is the origin, and others are nearer to it
		}
		if l.receipt.frame != nil {
			l.receipt.again(r)
		} else { // the origin learns how it was heard
			l.acknowledge(r.at(1))
			l.wanted = true
		}
	}
}
