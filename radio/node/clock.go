package node

import (
	"time"

	"longlane/proto"
)

// clock is the gateway's time as the node knows it: never behind it, but for drift, and ahead by no more than a receipt was on its
// way. A clock that was behind would make a trip look as if it had been held up, and silence it.
type clock struct {
	known bool
	proto.Instant
	at time.Duration
}

// set takes a receipt's time. It was sealed at some moment since the frame that it answers was, and has been on its way since then;
// which part of that went by before, nobody can tell. So the gateway's time is now at least what the receipt says and at most that
// and all the time since the frame, and at most what an earlier receipt leaves possible.
func (c *clock) set(now time.Duration, sealed proto.Instant, sinceFrame time.Duration) {
	latest := sealed.Since + time.Second/16 + sinceFrame // it is rounded down to a sixteenth
	if c.known && c.Epoch == sealed.Epoch {
		ran := now - c.at
		latest = max(sealed.Since, min(latest, c.Since+ran+time.Duration(proto.MaxDrift*float64(ran))))
	}
	*c = clock{true, proto.Instant{Epoch: sealed.Epoch, Since: latest}, now}
}

func (n *Node) sendTime() proto.SendTime {
	if !n.clock.known || n.now-n.clock.at >= proto.TimeHolds {
		return proto.SendTime{Seconds: proto.NoTime}
	}
	i := n.clock.Instant
	i.Since += n.now - n.clock.at
	return i.SendTime()
}
