package gateway

import (
	"time"

	"longlane/queue"
)

// notice tells the house of a fault that the gateway itself found.
func (in *ingest) notice(n Notice) {
	c := in.g.o.Clock
	in.standing.note(n, in.g.moment().Wall)
	number, err := in.epochs.take() // a number that is never used twice serves as the id's as well
	if err != nil {
		in.g.o.Log.Error("a fault could not be numbered", "fault", n.Code, "err", err)
		return
	}
	e := &Event{kind: kindNotice, ID: ID{Counter: number, Gen: uint8(in.epochs.number)}, Notice: n,
		Rx: Reception{Boot: c.Boot, Mono: c.Mono(), Wall: c.Wall(), Set: c.Set()}}
	in.g.o.Log.Warn("fault", "code", n.Code, "detail", n.Detail)
	for _, s := range in.g.sinks {
		s.offer(e)
	}
	in.save(e, false)
}

func (in *ingest) save(e *Event, again bool) {
	in.flights++
	res := commitResult{event: e, began: time.Now(), again: again}
	in.g.o.Queue.Append(queue.Record{Priority: e.priority(), Value: e.append(nil), Aside: !e.Rx.Set},
		func(seq queue.Seq, err error) {
			res.seq, res.err = seq, err
			in.g.results <- res
		})
}

// saveAgain has another try at what could not be stored.
func (in *ingest) saveAgain() {
	again := in.unsaved
	in.unsaved = nil
	for _, e := range again {
		in.save(e, true)
	}
}

// notify has ingest tell the house of a fault that a sink found.
func (g *Gateway) notify(n Notice) {
	select {
	case g.notices <- n:
	default:
		g.o.Log.Error("fault", "code", n.Code, "detail", n.Detail)
	}
}
