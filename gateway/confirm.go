package gateway

import (
	"fmt"
	"sync/atomic"
	"time"

	"longlane/proto"
)

// confirm is an unproven trip that its node has yet to vouch for: a frame that somebody caught, kept from us and let go
// later looks just like one from a node without time.
type confirm struct {
	happened time.Duration // on our clock, as the frame and its relays tell it
	asked    *atomic.Int64 // when a receipt that asks for it was sent, on our clock; 0: none was yet
	deadline time.Duration // for giving up on one that is doubted
	zone     string
	doubted  bool // the fault has been raised
}

const (
	confirmWithin = 10 * time.Second
	doubtFor      = 24 * time.Hour // how long a late confirmation still ends the fault
	maxConfirms   = 256
)

// confirmWanted says whether the receipt for an event must ask for a confirmation, and what is to be called when it has
// been sent: only then does the wait begin. A gateway that may not transmit accuses nobody.
func (in *ingest) confirmWanted(e *Event) (wanted bool, sent func()) {
	c, waiting := in.confirms[e.ID]
	if !waiting {
		if e.Fresh != proto.Unproven || e.Rx.Boot != in.g.o.Clock.Boot {
			return false, nil
		}
		if len(in.confirms) >= maxConfirms && !in.forgetDoubt() {
			in.g.o.Meter.Dropped("confirmation")
			return true, nil
		}
		held, _ := transit(e.Hops)
		c = confirm{happened: e.Rx.Mono - e.age() - held, asked: new(atomic.Int64)}
		if i, ok := e.input(); ok {
			c.zone = in.g.zone(e.ID.Node, i.Number)
		}
		in.confirms[e.ID] = c
	}
	return true, func() { c.asked.CompareAndSwap(0, int64(in.g.o.Clock.Mono())) }
}

// forgetDoubt makes room by giving up on an event whose fault has been raised already, the oldest first, or on one that
// nobody could be asked about.
func (in *ingest) forgetDoubt() bool {
	var oldest ID
	found := false
	for id, c := range in.confirms {
		if (c.doubted || c.asked.Load() == 0) && (!found || c.deadline < in.confirms[oldest].deadline) {
			oldest, found = id, true
		}
	}
	delete(in.confirms, oldest)
	return found
}

// confirmed compares what the node says of an event's age with what the frame said. The word of a check-in that may
// itself have been held back counts for nothing.
func (in *ingest) confirmed(e *Event, b *proto.CheckIn) {
	if !b.Confirms || e.Fresh == proto.Unproven {
		return
	}
	id := ID{e.ID.Node, e.ID.Gen, 0}
	for other := range in.confirms {
		if other.Node == id.Node && other.Gen == id.Gen && uint16(other.Counter) == b.Next-uint16(b.Confirm) {
			id = other
		}
	}
	c, ok := in.confirms[id]
	if !ok {
		return
	}
	delete(in.confirms, id)
	sealed := e.Rx.Mono - e.before()
	age := b.ConfirmAge.Duration()
	off := sealed - age - c.happened // by so much later than the node says did the frame say it happened; negative
	if b.ConfirmAge == proto.Dur8Max && off > 0 {
		off = 0 // the node says: so long ago, or longer
	}
	if off = off.Abs(); off <= in.g.o.FreshWithin+age/16 { // the age code's error and a slow frame
		if c.doubted {
			in.notice(Notice{Code: NoticeHeldBack, Ended: true, Node: id.Node, Zone: c.zone,
				Detail: fmt.Sprintf("event %s was not held back: its node has confirmed it after all", id)})
		}
		return
	}
	in.notice(Notice{Code: NoticeHeldBack, Node: id.Node, Zone: c.zone, Detail: fmt.Sprintf(
		"event %s was kept from the gateway for about %s before it was let through: somebody may be replaying or jamming",
		id, off.Round(time.Second))})
}

// unconfirmed raises a fault for each confirmation that did not come in time.
func (in *ingest) unconfirmed() {
	now := in.g.o.Clock.Mono()
	for id, c := range in.confirms {
		asked := time.Duration(c.asked.Load())
		switch {
		case c.doubted && now >= c.deadline:
			delete(in.confirms, id)
			continue
		case c.doubted, asked == 0, now < asked+confirmWithin:
			continue
		}
		c.doubted, c.deadline = true, now+doubtFor
		in.confirms[id] = c
		in.notice(Notice{Code: NoticeHeldBack, Node: id.Node, Zone: c.zone, Detail: fmt.Sprintf(
			"event %s is possibly held back: its node did not confirm it within %s", id, confirmWithin)})
	}
}
