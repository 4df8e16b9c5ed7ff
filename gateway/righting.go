package gateway

import (
	"slices"

	"longlane/queue"
)

// putRight deals, once the clock is set, with events that came in while it was not: what was delivered meanwhile is
// followed by a correction; what was not yet will be right when it is. Those of an earlier boot can never be put right
// and are let go at any time, so that a machine that never has a clock does not collect them.
func (in *ingest) putRight() {
	g := in.g
	if in.right.out > 0 {
		in.right.again = true // what is out still stands aside: never correct one event twice
		return
	}
	in.right = righting{}
	items, err := in.rightable()
	if err != nil {
		g.o.Log.Error("times that should be put right cannot be read", "err", err)
		in.right.failed = true
		return
	}
	if len(items) > maxRighting {
		items, in.right.again = items[:maxRighting], true
	}
	for _, it := range items {
		rec := queue.Record{NoStore: true, Settle: []queue.Seq{it.Seq}}
		e, err := parseEvent(it.Value)
		if err == nil && e.Rx.Boot == g.o.Clock.Boot && !e.corrects() && g.delivered(it.Seq, e) {
			e.correction()
			rec = queue.Record{Priority: queue.Notice, Value: e.append(nil), Settle: []queue.Seq{it.Seq}}
		}
		in.right.out++
		in.flights++
		g.o.Queue.Append(rec, func(_ queue.Seq, err error) { g.results <- commitResult{right: true, err: err} })
	}
}

// rightable are the stored events that stand aside for the clock and can be dealt with now.
func (in *ingest) rightable() ([]queue.Item, error) {
	items, err := in.g.o.Queue.Aside()
	if in.g.o.Clock.Set() {
		return items, err
	}
	return slices.DeleteFunc(items, func(it queue.Item) bool {
		e, err := parseEvent(it.Value)
		return err == nil && e.Rx.Boot == in.g.o.Clock.Boot
	}), err
}

// righting is how far putRight has got.
type righting struct {
	out    int  // handed to the queue and not yet answered
	again  bool // there is more
	failed bool // something was not stored: to be tried again
}

// maxRighting bounds out, so that the answers always find room.
const maxRighting = 512

func (in *ingest) righted(err error) {
	in.right.out--
	if err != nil {
		in.right.failed = true // at the next tick
		return
	}
	for _, s := range in.g.sinks {
		s.look()
	}
	if in.right.out == 0 && in.right.again && !in.right.failed {
		in.putRight()
	}
}

// delivered reports whether any sink may have had the event: it has acknowledged it, or has a session that may carry it
// right now, or has had one since the event came in, or had one in an earlier run. One correction too many does no harm.
func (g *Gateway) delivered(seq queue.Seq, e *Event) bool {
	for _, s := range g.sinks {
		if s.cursor.Acked(seq) || s.trouble.get() == nil || int64(e.Rx.Mono) < s.spoke.Load() {
			return true
		}
	}
	return false
}
