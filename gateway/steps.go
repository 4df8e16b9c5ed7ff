package gateway

import (
	"context"
	"time"

	"longlane/proto"
	"longlane/radio"
)

// Steps is the core's inward half, driven by hand: what judges, stores and receipts is the very code that Run starts a
// goroutine for, but nothing waits for a clock, so that a rehearsal may let a year pass in a minute. A gateway is either
// Run or stepped. Sinks are not served.
type Steps struct {
	g *Gateway
	// Stored, if not nil, is told of each frame that has become durable for the first time: of an event, or of a check-in.
	Stored func(Durable)
	// Noticed, if not nil, is told of each fault that the gateway itself has found, or whose end it has.
	Noticed func(Notice)
}

// Durable is a frame that has become durable, and of an event what decides whether it sounds, as every delivery at this moment
// tells it.
type Durable struct {
	ID      ID
	Body    proto.Body      // a *proto.CheckIn is no event
	Age     time.Duration   // as far as the core can know
	Delayed bool            // too old to sound
	Proof   proto.Freshness // an unproven event sounds like a fresh one
}

// Steps begins. The gateway's store must answer Append before it returns.
func (g *Gateway) Steps() *Steps {
	g.in.putRight()
	return &Steps{g: g}
}

// Packet takes in a packet. What is to be sent goes to the links; wait tells when to call Send, since a link has refused a
// frame for that long (radio.WaitError), or since a beacon is due then; or 0. What Packet, Tick and Send told before is over.
func (s *Steps) Packet(p radio.Packet) (wait time.Duration) {
	s.g.in.packet(p)
	s.settle()
	return s.Send()
}

// Tick does what Run does every second. If it is called less often, faults are found and ended that much later.
func (s *Steps) Tick() (wait time.Duration) {
	s.g.in.tick()
	s.settle()
	return s.Send()
}

// Send gives the links what waits to be sent, beacons that are due included.
func (s *Steps) Send() (wait time.Duration) {
	wait = s.g.in.beacons()
	for _, l := range s.g.o.Links {
		if w := s.g.senders[l.Name()].sendWaiting(context.Background()); w > 0 && (wait == 0 || w < wait) {
			wait = w
		}
	}
	return wait
}

// settle waits for what is in flight, and for what follows from it.
func (s *Steps) settle() {
	for {
		for s.g.in.flights > 0 {
			r := <-s.g.results
			s.g.in.result(r)
			if r.err == nil && r.event != nil {
				s.tell(r.event)
			}
		}
		select {
		case n := <-s.g.notices:
			s.g.in.notice(n)
		case w := <-s.g.words:
			s.g.in.ears.word(w)
		default:
			return
		}
	}
}

func (s *Steps) tell(e *Event) {
	switch {
	case e.notice():
		if s.Noticed != nil {
			s.Noticed(e.Notice)
		}
	case s.Stored != nil:
		w := s.g.o.Clock.when(e.Rx, e.before())
		s.Stored(Durable{ID: e.ID, Body: e.Body, Age: w.Age, Delayed: s.g.timing(e, w).Delayed, Proof: e.Fresh})
	}
}
