package gateway

import (
	"context"

	"longlane/radio"
)

// sender sends receipts over one bearer, in order, from a goroutine of its own: a modem that takes its time holds up
// nobody.
type sender struct {
	link  radio.Link
	meter Meter
	queue chan outgoing
}

type outgoing struct {
	to    string
	frame []byte
	sent  func() // called once it has been sent; may be nil
}

const maxOutgoing = 32

func newSender(l radio.Link, m Meter) *sender {
	return &sender{link: l, meter: m, queue: make(chan outgoing, maxOutgoing)}
}

// send hands over a frame; when too many wait it is dropped and counted, and the node's next try is answered.
func (s *sender) send(o outgoing) {
	select {
	case s.queue <- o:
	default:
		s.meter.Dropped("receipt")
	}
}

func (s *sender) run(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case o := <-s.queue:
			result := "sent"
			if err := s.link.Send(ctx, o.to, o.frame); err != nil {
				result = "failed"
			} else if o.sent != nil {
				o.sent()
			}
			s.meter.Receipt(s.link.Name(), result)
		}
	}
}

// take appends what waits to be sent to out, as sent.
func (s *sender) take(out []Outgoing) []Outgoing {
	for {
		select {
		case o := <-s.queue:
			out = append(out, Outgoing{s.link.Name(), o.to, o.frame})
			if o.sent != nil {
				o.sent()
			}
			s.meter.Receipt(s.link.Name(), "sent")
		default:
			return out
		}
	}
}
