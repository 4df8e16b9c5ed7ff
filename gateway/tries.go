package gateway

import (
	"fmt"
	"math/bits"
	"time"
)

// A node makes a new attempt only if it has had no receipt for the one before. Here and there a frame is lost; if most events of a
// node need more than one attempt, then its frames, or the receipts, are lost or kept somewhere on their way, and the house must
// hear of it: they still come, but late. This is how a relay that keeps what it should send on is found out, where others send it on.

// lastEvents is how many events of a node are looked at, manyLate how many late ones of these are a fault, and fewLate how
// many are none any more.
const (
	lastEvents = 6
	manyLate   = 4
	fewLate    = 1
)

// triedLately is how old an event may be that tells of its way: one older was held in an outage, which has faults of its own.
const triedLately = time.Minute

// tries is what is known of a node's last events: a bit for each, 1 if it came with a later attempt, the newest lowest.
type tries struct {
	late uint8
	n    int
	told bool
}

// tried notes with which attempt a new event came.
func (in *ingest) tried(e *Event, attempt uint16) {
	if e.before() > triedLately {
		return
	}
	t := in.tries[e.ID.Node]
	if t == nil {
		t = &tries{}
		in.tries[e.ID.Node] = t
	}
	t.late = t.late << 1 & (1<<lastEvents - 1)
	if attempt > 0 {
		t.late |= 1
	}
	t.n = min(t.n+1, lastEvents)
	name, late := in.g.nodeName(e.ID.Node), bits.OnesCount8(t.late)
	switch {
	case !t.told && late >= manyLate:
		t.told = true
		in.notice(Notice{Code: NoticeSlowWay, Node: e.ID.Node, Detail: fmt.Sprintf("%d of the last %d events of %s came only with a second or later attempt: "+
			"its frames or their receipts are lost or kept on their way, by a weak hop, a crowded or jammed channel, or a relay that does not do as it should", late, t.n, name)})
	case t.told && t.n == lastEvents && late <= fewLate:
		t.told = false
		in.notice(Notice{Code: NoticeSlowWay, Ended: true, Node: e.ID.Node, Detail: fmt.Sprintf("%d of the last %d events of %s came with the first attempt", t.n-late, t.n, name)})
	}
}
