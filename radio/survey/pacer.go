package survey

import (
	"errors"
	"fmt"
	"time"

	"longlane/proto"
	"longlane/radio"
	"longlane/radio/lora"
	"longlane/radio/node"
)

// Options are what the tests that probe must know.
type Options struct {
	Settings  lora.Settings
	Frequency int           // Hz
	Probes    int           // wanted; at least Enough
	Every     time.Duration // the least time between two probes; 1 s or more
	Since     time.Duration // since the last walk test ended in which relays were in reach; 0: there was none, or it is not known
}

// full is as much as a relay's bucket is ever filled from here: one check-in is left for the node's own.
const full = node.DefaultCheckInBurst - 1

// longest is how long a probe may take, from the wish for it to the last word of it: a receipt may take 30 s.
const longest = 45 * time.Second

// pacer says when to probe: not before the last probe is over, not while the law or the modem forbids it, and no faster than
// relays carry one origin's check-ins on. Where there are none that does not matter.
type pacer struct {
	o       Options
	next    time.Duration // when to probe; valid unless busy
	busy    bool          // a probe is under way
	asked   time.Duration // when it began
	over    time.Duration // when it ends
	counter uint32        // of its check-in; 0: not made yet
	relays  bool          // some are in reach
	level   float64       // of a relay's bucket, after the last probe
	trouble string        // why the last was not sent
	lawful  bool          // trouble is want of lawful airtime
}

func newPacer(now time.Duration, o Options) pacer {
	p := pacer{o: o, asked: now, next: now}
	if o.Since > 0 {
		p.relays, p.level = true, max(full-float64(o.Since)/float64(node.DefaultCheckInEvery), 0)
		p.next = max(now, p.bucket())
	}
	return p
}

// step reports whether to probe now, and when to ask again at the latest.
func (p *pacer) step(now time.Duration) (probe bool, wake time.Duration) {
	if p.busy && now >= p.over {
		p.busy = false
		p.next = max(p.asked+p.o.Every, now, p.bucket())
	}
	switch {
	case p.busy:
		return false, p.over
	case now < p.next:
		return false, p.next
	}
	p.level = max(p.level-float64(now-p.asked)/float64(node.DefaultCheckInEvery), 0) + 1
	p.busy, p.asked, p.over, p.counter = true, now, now+longest, 0
	return true, p.over
}

// bucket is when relays will carry another check-in of this node's.
func (p *pacer) bucket() time.Duration {
	if !p.relays {
		return 0
	}
	return p.asked + time.Duration((p.level+1-full)*float64(node.DefaultCheckInEvery))
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
