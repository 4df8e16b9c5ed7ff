package gateway

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"longlane/queue"
)

// pump publishes as much as the window allows: live, then states, then backlog. After a session that ended with events
// unacknowledged states come last: it may be one of them that the receiver refuses, and they go with every session.
func (s *sink) pump() {
	if s.main == nil {
		return
	}
	if !s.o.EventsOnly && time.Since(s.ticked) >= tickEvery {
		s.ticked = time.Now()
		s.publishMessage(s.main, s.g.tick(), nil)
	}
	for len(s.live) > 0 && s.room(true) {
		it := s.live[0]
		s.live = s.live[1:]
		if !it.acked { // it may have gone over a second session
			s.publish(s.main, it)
		}
	}
	if !s.wary() {
		s.publishStates()
	}
	for s.room(false) {
		it := s.nextBack()
		if it == nil {
			it = s.nextRefused()
		}
		if it == nil {
			s.idle()
			return
		}
		if s.cursor.Acked(it.seq) { // told of after its session had ended
			delete(s.items, it.id)
			continue
		}
		s.publish(s.main, it)
	}
}

// idle is called when there is no event to publish.
func (s *sink) idle() {
	if len(s.flying) == 0 {
		s.publishStates()
	}
	s.allTaken()
}

// wary reports whether the last session ended with events unacknowledged, and these have not all gone since.
func (s *sink) wary() bool { return s.careful > 0 || s.strikes > 0 }

// room says whether an event of a lane may go out now. After a session that ended with events unacknowledged they go
// one at a time, and only once the receiver has shown that it acknowledges: so the next end shows whose fault it is. A
// live event waits for no backlog.
func (s *sink) room(live bool) bool {
	if s.main.pending >= maxPending || len(s.flying) >= s.o.Window {
		return false
	}
	if s.o.EventsOnly {
		return !slices.ContainsFunc(s.flying, func(it *item) bool { return it.live == live }) && (live || !s.wary() || len(s.flying) == 0)
	}
	switch {
	case !s.wary():
		return true
	case !s.main.answers:
		return false
	case live:
		return !slices.ContainsFunc(s.flying, func(it *item) bool { return it.live })
	}
	return len(s.flying) == 0
}

// nextBack gives the next event of the backlog, trips first.
func (s *sink) nextBack() *item {
	for len(s.back) == 0 {
		if !s.behind || !s.readBack() {
			return nil
		}
	}
	it := s.back[0]
	s.back = s.back[1:]
	return it
}

// readBack reads a stretch of the log; false if there is nothing more.
func (s *sink) readBack() bool {
	for p := range queue.Routine + 1 {
		items, err := s.cursor.Next(p, s.read[p], readAhead)
		if err != nil {
			s.g.o.Log.Error("the backlog cannot be read", "sink", s.o.Name, "err", err)
			return false
		}
		if len(items) == 0 {
			continue
		}
		for _, qi := range items {
			s.read[p] = qi.Seq
			s.recall(qi)
		}
		return true
	}
	s.behind = s.passAgain()
	return s.behind
}

// recall takes one stored event into the backlog, unless it is on its way already or set aside.
func (s *sink) recall(qi queue.Item) {
	if _, passed := s.passed[qi.Seq]; passed || s.refused[qi.Seq] != nil {
		return
	}
	if it := s.item(qi); it != nil {
		s.back = append(s.back, it)
	}
}

// item makes an item of a stored event; nil if it is on its way already or cannot be read. One that cannot be read is
// set aside: another version of this program, or the right site secret, may read it.
func (s *sink) item(qi queue.Item) *item {
	e, err := parseEvent(qi.Value)
	if err == nil {
		err = e.open(s.g.o.Roster.Get())
	}
	if err != nil {
		s.setAside(qi.Seq, qi.Priority, fmt.Sprintf("stored event number %d cannot be read: %v", qi.Seq, err))
		return nil
	}
	id := e.id()
	if it := s.items[id]; it != nil {
		it.seq = qi.Seq
		s.settle(it)
		return nil
	}
	it := &item{e: e, id: id, seq: qi.Seq, offered: time.Now()}
	s.items[id] = it
	return it
}

func (s *sink) publish(c *conn, it *item) {
	m, err := s.letter(c, it.e)
	if err != nil {
		s.g.o.Log.Error("an event cannot be written", "event", it.id, "err", err)
		delete(s.items, it.id)
		return
	}
	it.published = time.Now()
	if !c.second {
		s.flying = append(s.flying, it)
		it.tries++
	}
	if s.o.EventsOnly {
		s.spoke.Store(int64(s.g.o.Clock.Mono())) // the receiver may have the event, though nothing comes back
	}
	lane, began := "backlog", it.published
	if it.live {
		lane = "live"
	}
	s.publishMessage(c, m, func(err error) {
		var passed *PassedError
		switch took := time.Since(began); {
		case err == nil:
			s.g.o.Meter.Published(s.o.Name, lane, took, true)
			s.acknowledged(it)
		case errors.As(err, &passed):
			s.passedOver(it, passed, func() { s.g.o.Meter.Published(s.o.Name, lane, took, false) })
		default:
			s.g.o.Meter.Published(s.o.Name, lane, took, false)
			s.goodbye(c) // after one failure nothing this session says of others can be relied on
		}
	})
}

// publishMessage hands m to the session; then runs in the sink's goroutine.
func (s *sink) publishMessage(c *conn, m Message, then func(error)) {
	c.lastUsed = time.Now()
	c.pending++
	c.give(m, func(err error) {
		f := func() {
			c.pending--
			if err == nil && m.QoS > 0 {
				c.answers = true
				s.reached()
			}
			if then != nil {
				then(err)
			}
		}
		select {
		case s.inbox <- f:
		case <-s.stopped: // its cursor stands where it stood
		}
	})
}

// reached notes that the receiver has answered.
func (s *sink) reached() {
	s.tries = 0
	if s.o.EventsOnly && s.trouble.get() != nil {
		s.trouble.set(nil)
		s.g.o.Log.Info("session", "sink", s.o.Name, "to", s.o.To)
	}
}

func (s *sink) acknowledged(it *item) {
	s.heard()
	s.takesAgain(it)
	if s.suspect == it.id {
		s.suspect, s.strikes = "", 0
		s.offerRefused() // it was unjustly suspected, and so may they have been
	}
	s.through(it)
}

// passedOver moves on from an event that the receiver has not taken. count is called if it has refused it.
func (s *sink) passedOver(it *item, p *PassedError, count func()) {
	if s.suspect == it.id {
		s.suspect, s.strikes = "", 0
	}
	if p.Answer != "" {
		count()
		s.reached()
		s.refuses(it, p.Answer)
	}
	s.through(it)
}

// through moves the cursor past an event for which nothing more is to be done here.
func (s *sink) through(it *item) {
	s.accepted(it.seq)
	if it.acked {
		return
	}
	it.acked = true
	s.careful = max(s.careful-1, 0)
	for i, f := range s.flying {
		if f == it {
			s.flying = append(s.flying[:i], s.flying[i+1:]...)
			break
		}
	}
	if s.items[it.id] == it {
		s.settle(it)
	} else if it.seq != 0 { // forgotten with an earlier session, and perhaps read again since
		s.cursor.Ack(it.seq)
	}
}

// publishStates sends the retained topics that have changed. A newer payload replaces one that is still waiting; one
// that did not get through goes again.
func (s *sink) publishStates() {
	for s.main.pending < maxPending {
		m, ok := s.nextState()
		if !ok {
			return
		}
		began := time.Now()
		s.publishMessage(s.main, m, func(err error) {
			s.g.o.Meter.Published(s.o.Name, "state", time.Since(began), err == nil)
			s.stateSent(m, err)
		})
	}
}

func (s *sink) nextState() (Message, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for t := range s.dirty {
		delete(s.dirty, t)
		return Message{Topic: t, QoS: 1, Retain: true, Payload: s.retained[t]}, true
	}
	return Message{}, false
}

func (s *sink) stateSent(m Message, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case err != nil:
		s.dirty[m.Topic] = true
	case s.retained[m.Topic] == nil && !s.dirty[m.Topic]:
		delete(s.retained, m.Topic) // cleared at the receiver
	}
}
