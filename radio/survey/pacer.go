package survey

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"longlane/proto"
	"longlane/radio"
	"longlane/radio/lora"
	"longlane/radio/node"
)

// Options are what the tests that probe must know.
type Options struct {
	Settings lora.Settings
	Probes   int             // wanted; at least Enough
	Every    time.Duration   // the least time between two probes; 1 s or more
	Budget   time.Duration   // lawful airtime of a station in any hour; 0: without a limit
	Earlier  []time.Duration // how long ago earlier probes were sent
	Relays   bool            // some were in reach then
}

// longest is how long a probe may take, from the wish for it to the last word of it: a receipt may take 30 s.
const longest = 45 * time.Second

// bucket holds up to full probes, and lets one go in each time.
type bucket struct {
	full  float64
	each  time.Duration
	level float64
	at    time.Duration
}

func (b *bucket) add(now time.Duration) {
	b.level = max(b.level-float64(now-b.at)/float64(b.each), 0) + 1
	b.at = now
}

// room is when there is room for one more.
func (b *bucket) room() time.Duration {
	return b.at + time.Duration((b.level+1-b.full)*float64(b.each))
}

// share is how much of the lawful airtime that a neighbour has for all but trips (lora.DefaultKept) a walk test may take: the other
// half is for other nodes' check-ins. That it sends by the same rules as this place is a guess.
const share = 0.5

// pacer says when to probe: not before the last probe is over, not while the law or the modem forbids it, no faster than
// relays carry one origin's check-ins on (where there are none that does not matter), and not so often that neighbours have no lawful airtime
// left to answer: each answers a probe with a receipt, another one and a hop acknowledgement, or as much.
type pacer struct {
	o       Options
	next    time.Duration // when to probe; valid unless busy
	busy    bool          // a probe is under way
	asked   time.Duration // when it began
	over    time.Duration // when it ends
	counter uint32        // of its check-in; 0: not made yet
	relays  bool          // some are in reach
	relay   bucket        // of a relay: one check-in is left for the node's own
	air     *bucket       // of a neighbour's airtime; nil: without a limit
	trouble string        // why the last was not sent
	lawful  bool          // trouble is want of lawful airtime
}

func newPacer(now time.Duration, o Options) pacer {
	p := pacer{o: o, asked: now, relays: o.Relays, relay: bucket{full: node.DefaultCheckInBurst - 1, each: node.DefaultCheckInEvery}}
	if o.Budget > 0 {
		answer := 2*o.Settings.Airtime(proto.TypeReceipt.Size()) + o.Settings.Airtime(proto.TypeHopAck.Size())
		full := share * (1 - lora.DefaultKept[lora.UseTrip]) * float64(o.Budget) / float64(answer)
		p.air = &bucket{full: max(full, 1), each: time.Duration(float64(lora.Window) / full)}
	}
	for _, ago := range slices.Backward(slices.Sorted(slices.Values(o.Earlier))) { // the oldest first
		p.count(now - ago)
	}
	return p
}

// Takes is about how long a walk test takes with relays in reach.
func (o Options) Takes() time.Duration {
	o.Relays = true
	p := newPacer(0, o)
	now := time.Duration(0)
	for range o.Probes {
		room, _ := p.room()
		now = max(now, room)
		p.count(now)
		now += o.Every
	}
	return now
}

// count counts a probe.
func (p *pacer) count(at time.Duration) {
	p.relay.add(at)
	if p.air != nil {
		p.air.add(at)
	}
}

// room is when neighbours will carry and answer another probe; short: it is airtime that they would want.
func (p *pacer) room() (at time.Duration, short bool) {
	if p.relays {
		at = p.relay.room()
	}
	if p.air != nil && p.air.room() > at {
		return p.air.room(), true
	}
	return at, false
}

// step reports whether to probe now, and when to ask again at the latest.
func (p *pacer) step(now time.Duration) (probe bool, wake time.Duration) {
	if p.busy && now >= p.over {
		p.busy, p.next = false, p.asked+p.o.Every
	}
	room, short := p.room()
	switch wake = max(p.next, room); {
	case p.busy:
		return false, p.over
	case now < wake:
		if short && room > p.next {
			p.trouble, p.lawful, p.next = "waiting for lawful airtime", true, room
		}
		return false, wake
	}
	p.count(now)
	p.busy, p.asked, p.over, p.counter = true, now, now+longest, 0
	return true, p.over
}

// sent takes what became of a frame, and reports whether it was the probe's check-in, sent.
func (p *pacer) sent(now time.Duration, t node.Transmit, err error) bool {
	if !p.busy || p.counter == 0 {
		return false
	}
	var wait *radio.WaitError
	switch {
	case t.Type == proto.TypeSolicit:
		// Neighbours take some slots and two frames, and a gateway tells no node more often than once a second.
		p.over = now + time.Second + 3*p.o.Settings.Airtime(proto.TypeReceipt.Size())
	case t.Type != proto.TypeCheckIn || t.Counter != p.counter:
	case err == nil:
		p.trouble, p.over = "", p.asked+longest
		return true
	case errors.As(err, &wait):
		p.trouble, p.lawful = "waiting for lawful airtime", true
		p.over = now + max(wait.For, p.o.Every)
	default:
		p.trouble, p.lawful = err.Error(), false
		p.over = now + p.o.Every // unless it goes by then: a node tries again by itself where the channel was in use
	}
	return false
}

// line tells why nothing is sent; "" if it is.
func (p *pacer) line(now time.Duration) string {
	switch {
	case p.trouble == "":
		return ""
	case p.lawful:
		at := p.over
		if !p.busy {
			at = p.next
		}
		return fmt.Sprintf("%s: %v more", p.trouble, max(at-now, 0).Round(time.Second))
	}
	return "not sent: " + p.trouble
}
