package node

import (
	"slices"
	"time"
)

// never is later than any time.
const never = time.Duration(1<<63 - 1)

// contact follows one input. A burst of edges is one change, dated at its first edge, made when the contact has been
// quiet for the debounce time. While a burst lasts nothing is decided.
type contact struct {
	InputConfig
	raw         bool          // tripped position, at the last edge
	stable      bool          // tripped position, debounced
	settling    bool          // a burst of edges goes on
	first, last time.Duration // edges of the burst
	since       time.Duration // when the stable position was taken, at its first edge
	tripped     bool          // this closure has been announced
	opening     uint32        // counter of that announcement
	blocked     bool
	chatters    bool
	edges       meter
	counted     time.Duration // last edge that went into edges
}

// edge takes the contact's new position. A board tells each contact's position at its start; one that then stands in
// its tripped position counts as tripping now, since a needless chime is cheaper than a missed arrival.
func (c *contact) edge(now time.Duration, closed bool) {
	active := closed != c.NormallyClosed
	if active == c.raw {
		return
	}
	c.raw = active
	if !c.settling {
		c.settling, c.first = true, now
	}
	c.last = now
	// The bouncing of one change counts once, a contact that flutters without end again and again.
	if c.edges.sum(now) == 0 || now-c.counted >= c.Debounce {
		c.edges.add(now)
		c.counted = now
	}
}

func (c *contact) settled(now time.Duration) bool { return c.settling && now >= c.last+c.Debounce }
func (c *contact) holds() bool                    { return c.stable && !c.settling }

// wake is when the contact wants to be looked at next.
func (c *contact) wake(blockedAfter time.Duration) time.Duration {
	at := never
	if c.settling {
		at = c.last + c.Debounce
	} else if c.stable && !c.tripped {
		at = c.since + c.MinDwell
	} else if c.stable && !c.blocked {
		at = c.since + blockedAfter
	}
	if c.chatters {
		at = min(at, c.edges.turn())
	}
	return at
}

// meter counts what happened in the last minute, by seconds. The zero value has counted nothing.
type meter struct {
	seconds [60]uint16
	at      int64 // second of the newest count
}

func (m *meter) advance(now time.Duration) {
	s := int64(now / time.Second)
	for m.at = max(m.at, s-int64(len(m.seconds))); m.at < s; {
		m.at++
		m.seconds[m.at%int64(len(m.seconds))] = 0
	}
}

func (m *meter) add(now time.Duration) {
	m.advance(now)
	if p := &m.seconds[m.at%int64(len(m.seconds))]; *p < 1000 {
		*p++
	}
}

func (m *meter) sum(now time.Duration) (n int) {
	m.advance(now)
	for _, s := range m.seconds {
		n += int(s)
	}
	return n
}

// turn is when the next second begins.
func (m *meter) turn() time.Duration { return time.Duration(m.at+1) * time.Second }

func (n *Node) contact(number uint8) *contact {
	i := slices.IndexFunc(n.contacts, func(c contact) bool { return c.Number == number })
	if i < 0 {
		return nil
	}
	return &n.contacts[i]
}

// runContact does what is due for c.
func (n *Node) runContact(now time.Duration, c *contact) {
	if c.settled(now) {
		c.settling = false
		switch {
		case c.raw != c.stable:
			n.turned(c)
		case !c.stable:
			n.stats.ShortClosures++ // it closed and was open again before it had settled
		}
	}
	if c.holds() && !c.tripped && now >= c.since+c.MinDwell {
		c.tripped = true
		c.opening = n.hold(event{kind: Opening, input: c.Number, at: c.since})
	}
	if c.holds() && c.tripped && !c.blocked && now >= c.since+n.BlockedAfter {
		c.blocked = true
		n.fault(now, blockedFault(c, c.since+n.BlockedAfter, n.BlockedAfter))
	}
	n.runChatter(now, c)
}

// turned takes c's new position, held since the burst's first edge.
func (n *Node) turned(c *contact) {
	dwell := c.first - c.since
	c.stable, c.since = c.raw, c.first
	if c.stable {
		return
	}
	if !c.tripped {
		n.stats.ShortClosures++
		return
	}
	n.hold(event{kind: Closing, input: c.Number, at: c.since, dwell: dwell, opening: c.opening})
	c.tripped = false
	if c.blocked {
		c.blocked = false
		t := blockedFault(c, c.since, dwell)
		t.Ended = true
		n.fault(c.since, t)
	}
}

// runChatter uses two limits, so that an input on the border does not report without end.
func (n *Node) runChatter(now time.Duration, c *contact) {
	switch edges := c.edges.sum(now); {
	case !c.chatters && edges > n.ChatterLimit:
		c.chatters = true
		n.fault(now, chatterFault(c, now, edges, false))
	case c.chatters && edges <= n.ChatterLimit/2:
		c.chatters = false
		n.fault(now, chatterFault(c, now, edges, true))
	}
}
