package gateway

import (
	"math"
	"time"

	"longlane/proto"
)

// Entry is an event as a logbook wants it: what was, where and when, and nothing of how old it is as it is handed over. It does not
// change with the delivery, so the same event that comes again is the same entry.
type Entry struct {
	ID       string // as the house knows the event; a correction has the id of what it corrects
	Corrects bool   // it only tells the time again
	Node     string // empty: of none
	Zone     string // empty: of none
	// When it happened: on the clock of the boot in which it was received, and by the wall clock; zero if that is not known.
	Boot     [16]byte
	Mono     time.Duration // negative: before that boot
	Wall     time.Time
	PutRight bool // the clock was set only afterwards

	Fault *FaultEntry // nil: it is of a trip
	Trip  *TripEntry
}

// TripEntry is the beginning or the end of a trip.
type TripEntry struct {
	Opening    ID            // of the frame that opened it
	Closed     bool          // this is its end
	Dwell      time.Duration // of a closed one; negative: not known
	Margin     float64       // of the weakest hop that is proven, dB; not a number: none was measured
	Test       bool
	Supervised bool // the wire to the contact was
	Uncertain  bool // its time is
	Late       bool // it was too old to sound as it came in
	Unproven   bool // nothing proved that it was not held back
}

// FaultEntry is a fault that began or ended.
type FaultEntry struct {
	Code, Detail string
	Ended        bool
	Of           ID   // the event; of a fault that the gateway found, node 0
	Lost         bool // it says that its node has lost events
}

// Taker is a Session whose receiver takes events as entries, and nothing else: neither states nor ticks.
type Taker interface {
	// Take is Publish for an entry.
	Take(e *Entry, done func(error))
}

// entry makes the entry of e, as far as its time is known now.
func (g *Gateway) entry(e *Event) *Entry {
	w := g.o.Clock.when(e.Rx, e.before())
	x := &Entry{ID: e.original(), Corrects: e.corrects(), Boot: e.Rx.Boot, Mono: e.Rx.Mono - e.before(), Wall: w.Time, PutRight: w.Corrected}
	if e.notice() {
		if x.Zone = e.Notice.Zone; e.Notice.Node != 0 {
			x.Node = g.nodeName(e.Notice.Node)
		}
		x.Fault = &FaultEntry{Code: e.Notice.Code, Detail: e.Notice.Detail, Ended: e.Notice.Ended, Of: e.ID}
		return x
	}
	x.Node = g.nodeName(e.ID.Node)
	if b, ok := e.Body.(*proto.Fault); ok {
		d := g.faultData(e, b, w)
		x.Zone = d.Zone
		x.Fault = &FaultEntry{Code: d.Code, Detail: d.Detail, Ended: b.Ended, Of: e.ID, Lost: b.Kind == proto.FaultLost}
		return x
	}
	d := g.tripData(e, w)
	x.Zone = d.Zone
	x.Trip = &TripEntry{Opening: e.opening(), Closed: e.closed(), Dwell: -1, Margin: weakest(d.Hops), Test: d.Test, Supervised: d.Supervised,
		Uncertain: d.Uncertain, Late: e.before() > g.o.OldAfter, Unproven: e.Fresh == proto.Unproven}
	if d.Dwell != nil {
		x.Trip.Dwell = time.Duration(math.Round(*d.Dwell*1e3)) * time.Millisecond
	}
	return x
}

// opening is the id of the frame that opened the trip that e is of: its own if that cannot be told.
func (e *Event) opening() ID {
	back := uint32(0)
	switch b := e.Body.(type) {
	case *proto.TripClosed:
		back = uint32(b.Opened)
	case *proto.TripHeld:
		if b.Closed {
			back = uint32(b.Opened)
		}
	}
	if back > e.ID.Counter {
		back = 0
	}
	return ID{e.ID.Node, e.ID.Gen, e.ID.Counter - back}
}

// weakest is the least margin of the hops that are proven, dB; not a number if none was measured.
func weakest(hops []hopData) float64 {
	least := math.NaN()
	for _, h := range hops {
		if h.Margin != nil && h.Verified && !(least <= *h.Margin) {
			least = *h.Margin
		}
	}
	return least
}

// letter is what a session is given for an event.
func (s *sink) letter(c *conn, e *Event) (Message, error) {
	if _, ok := c.Session.(Taker); ok {
		return Message{QoS: 1, entry: s.g.entry(e)}, nil
	}
	return s.g.message(e)
}

// give hands m over. Whoever takes entries takes nothing else, and everything else counts as taken.
func (c *conn) give(m Message, done func(error)) {
	t, ok := c.Session.(Taker)
	switch {
	case !ok:
		c.Publish(m.Topic, m.QoS, m.Retain, m.Payload, done)
	case m.entry != nil:
		t.Take(m.entry, done)
	default:
		go done(nil) // ends at once: its place in the inbox is waited for by nobody who could be in its way
	}
}
