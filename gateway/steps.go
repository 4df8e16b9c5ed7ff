package gateway

import "longlane/radio"

// Steps is the core's inward half, driven by hand: what judges, stores and receipts is the very code that Run starts a
// goroutine for, but nothing waits for a clock, so that a rehearsal may let a year pass in a minute. A gateway is either
// Run or stepped. Sinks are not served.
type Steps struct {
	g *Gateway
	// Stored, if not nil, is told of each frame that has become durable for the first time: of an event, or of a check-in.
	Stored func(id ID, checkIn bool)
}

// Outgoing is a frame that a bearer is to send.
type Outgoing struct {
	Bearer, To string
	Frame      []byte
}

// Steps begins. The gateway's store must answer Append before it returns.
func (g *Gateway) Steps() *Steps {
	g.in.putRight()
	return &Steps{g: g}
}

// Packet takes in a packet, and returns what is to be sent, in order.
func (s *Steps) Packet(p radio.Packet) []Outgoing {
	s.g.in.packet(p)
	return s.settle()
}

// Tick does what Run does every second. If it is called less often, faults are found and ended that much later.
func (s *Steps) Tick() []Outgoing {
	s.g.in.tick()
	return s.settle()
}

// settle waits for what is in flight, and for what follows from it.
func (s *Steps) settle() (out []Outgoing) {
	for busy := true; busy; {
		for s.g.in.flights > 0 {
			r := <-s.g.results
			s.g.in.result(r)
			if s.Stored != nil && r.err == nil && r.event != nil && !r.event.notice() {
				s.Stored(r.event.ID, r.key.space == checkInSpace)
			}
		}
		select {
		case n := <-s.g.notices:
			s.g.in.notice(n)
		default:
			busy = false
		}
	}
	for _, l := range s.g.o.Links {
		out = s.g.senders[l.Name()].take(out)
	}
	return out
}
