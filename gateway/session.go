package gateway

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"longlane/queue"
)

// conn is a session and what it has shown so far.
type conn struct {
	Session
	second   bool
	answers  bool // has acknowledged something, so it does acknowledge
	pending  int
	lastUsed time.Time
}

type dialled struct {
	s      Session
	err    error
	second bool
}

func closed(c *conn) <-chan struct{} {
	if c == nil {
		return nil
	}
	return c.Closed()
}

func (s *sink) dial(ctx context.Context, second bool) {
	n := 0
	if second {
		n = 1
	}
	s.dialing[n] = true
	s.aux.Go(func() { // ends with the dial, which ctx bounds
		sess, err := s.o.Dial(ctx, second)
		select {
		case s.dialled <- dialled{sess, err, second}:
		case <-ctx.Done():
			if err == nil {
				sess.Close()
			}
		}
	})
}

// goodbye closes a session, which takes at most a second, without waiting for it.
func (s *sink) goodbye(sess Session) { s.aux.Go(sess.Close) }

// begin starts a session: the gateway's own state goes first, which also shows whether the receiver acknowledges at
// all; then all retained states; the backlog from the cursor on.
func (s *sink) begin(d dialled) {
	if d.second {
		s.dialing[1] = false
		if d.err == nil && s.main == nil {
			s.goodbye(d.s)
		} else if d.err == nil {
			s.second = &conn{Session: d.s, second: true, lastUsed: time.Now()}
		}
		s.dialAt[1] = time.Now().Add(firstBackoff)
		return
	}
	s.dialing[0] = false
	if d.err != nil {
		if s.tries == 0 {
			s.g.o.Log.Warn("no session", "sink", s.o.Name, "to", s.o.To, "err", d.err)
		}
		s.trouble.set(d.err)
		s.g.o.Meter.Session(s.o.Name, s.o.Reason(d.err))
		s.backOff()
		return
	}
	s.main = &conn{Session: d.s}
	if !s.o.EventsOnly || s.tries == 0 {
		s.trouble.set(nil)
		s.g.o.Log.Info("session", "sink", s.o.Name, "to", s.o.To)
	}
	s.behind, s.read, s.back = true, [queue.Routine + 1]queue.Seq{}, nil
	s.freshOnly()
	if s.o.EventsOnly {
		return
	}
	s.mu.Lock()
	for t := range s.retained {
		s.dirty[t] = true
	}
	s.mu.Unlock()
	s.publishMessage(s.main, s.g.Status(statusServing), func(error) {})
	s.ticked = time.Time{}
}

// freshOnly empties the live lane of what no longer is: it is on the disk, or will be.
func (s *sink) freshOnly() {
	kept := s.live[:0]
	for _, it := range s.live {
		switch {
		case it.acked: // over a second session
		case time.Since(it.offered) <= s.g.o.OldAfter:
			kept = append(kept, it)
		default:
			delete(s.items, it.id)
		}
	}
	s.live = kept
}

func (s *sink) backOff() {
	s.tries++
	most := min(s.o.MaxBackoff, firstBackoff<<min(s.tries-1, 10))
	if s.o.EventsOnly && len(s.live) > 0 {
		most = firstBackoff // while it may still sound
	}
	s.dialAt[0] = time.Now().Add(20*time.Millisecond + rand.N(most))
}

// end draws the conclusions from a session's end. What was flying goes again: young live events first, the rest by
// way of the disk.
func (s *sink) end() {
	if !s.o.EventsOnly || s.tries == 0 {
		s.g.o.Log.Warn("session ended", "sink", s.o.Name, "to", s.o.To, "err", s.main.Err())
	}
	s.g.o.Meter.Session(s.o.Name, s.o.Reason(s.main.Err()))
	old := s.main
	s.main = nil
	s.spoke.Store(int64(s.g.o.Clock.Mono()))
	s.trouble.set(fmt.Errorf("the session ended: %w", old.Err()))
	if s.second != nil {
		s.goodbye(s.second)
		s.second = nil
	}
	s.careful = len(s.flying)
	s.blame(old)
	var again []*item
	for _, it := range s.flying {
		if it.acked {
			continue
		}
		if it.live && (it.id != s.suspect || s.strikes < 2) && !s.yields(it) { // one strike may be a neighbour's fault
			it.hedged = false
			again = append(again, it)
		} else {
			delete(s.items, it.id)
		}
	}
	for _, it := range s.back {
		delete(s.items, it.id)
	}
	s.live, s.flying, s.back, s.behind = append(again, s.live...), nil, nil, true
	s.backOff()
}

// yields reports whether an event that was in vain sent twice gives way to newer ones: it goes on by way of the disk.
func (s *sink) yields(it *item) bool { return s.o.EventsOnly && it.tries >= 2 && len(s.live) > 0 }

// endSecond lets what the second session did not get acknowledged have another.
func (s *sink) endSecond() {
	s.second = nil
	for _, it := range s.flying {
		it.hedged = false
	}
	for _, it := range s.live {
		it.hedged = false
	}
}

// hedge sends live events that the receiver has not acknowledged in two seconds again, over a second session: the
// first may be dead without knowing it yet.
func (s *sink) hedge(ctx context.Context) {
	if s.o.EventsOnly {
		return
	}
	if s.second != nil && s.second.pending == 0 && time.Since(s.second.lastUsed) > secondIdle {
		s.goodbye(s.second)
		s.second = nil
	}
	if s.main == nil {
		return
	}
	for _, it := range slices.Concat(s.flying, s.live) { // what waits for a full window has waited as well
		if !it.live || it.hedged || it.acked || time.Since(it.offered) < hedgeAfter || time.Since(it.published) < hedgeAfter {
			continue
		}
		if s.second == nil {
			if !s.dialing[1] && !time.Now().Before(s.dialAt[1]) {
				s.dial(ctx, true)
			}
			return
		}
		if s.second.pending >= maxPending {
			return
		}
		it.hedged = true
		s.publish(s.second, it)
	}
}
