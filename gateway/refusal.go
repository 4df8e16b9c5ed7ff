package gateway

import (
	"errors"
	"fmt"
	"time"

	"longlane/queue"
)

// A receiver can refuse an event for good: it ends the session whenever that one comes. Such an event is set aside. It
// stays in the queue and waits, others go past it, and it is offered again from time to time and after each start. So
// nothing is ever dropped on a receiver's word, since it may be the receiver that is wrong.

// refusal is an event set aside.
type refusal struct {
	priority queue.Priority
	again    time.Time // when it is offered next
}

const (
	refusedAfter = 5                // sessions that one event ended
	offerAgain   = 15 * time.Minute // each time may cost a session
	maxPassed    = 4096
)

// blame finds the event that ended a session, if it was one: the first that was not acknowledged. The same one five
// times in a row, at a receiver that otherwise acknowledges, is set aside. That others were acknowledged beside it
// clears nobody: live events go on all the while. But a receiver that refuses everything is not helped by setting
// everything aside: after one event, no second before some event has been acknowledged. Until then those refused are
// passed over, so that one it takes is found behind them.
func (s *sink) blame(c *conn) {
	head := s.head()
	if head == nil || !c.answers || errors.Is(c.Err(), ErrAway) {
		return // it acknowledges nothing: it is down
	}
	if s.refused[head.seq] != nil {
		return // was offered again, and refused again
	}
	if head.id != s.suspect {
		s.suspect, s.strikes = head.id, 0
	}
	s.strikes++
	if s.unheard && head.seq != 0 && !head.live && len(s.passed) < maxPassed {
		s.passed[head.seq] = head.e.priority()
	}
	if s.strikes < refusedAfter || head.seq == 0 || s.unheard {
		return
	}
	s.setAside(head.seq, head.e.priority(), fmt.Sprintf("event %s ended %d sessions, the last with: %v", head.id, s.strikes, c.Err()))
	s.suspect, s.strikes, s.unheard = "", 0, true
	head.live = false
}

// head is the event to be acknowledged next.
func (s *sink) head() *item {
	for _, it := range s.flying {
		if !it.acked {
			return it
		}
	}
	return nil
}

// setAside has everything else go past an event. The house is told once, until nothing is set aside any more.
func (s *sink) setAside(seq queue.Seq, p queue.Priority, why string) {
	s.refused[seq] = &refusal{p, time.Now().Add(offerAgain)}
	s.aside.Store(int64(len(s.refused)))
	s.g.o.Log.Warn("event set aside", "sink", s.o.Name, "number", uint64(seq), "why", why)
	if !s.told {
		s.told = true
		s.g.notify(Notice{Code: NoticeSetAside, about: s.o.Name, Detail: fmt.Sprintf("%s: %s. It stays in the queue and is offered again every %s; "+
			"others go past it. More may follow, the log names each", s.o.Name, why, offerAgain)})
	}
}

// heard follows an acknowledgement: what was passed over on the way to it is set aside like the first, and is offered
// again at once, since each was refused only once.
func (s *sink) heard() {
	s.unheard = false
	for seq, p := range s.passed {
		s.setAside(seq, p, fmt.Sprintf("event number %d ended a session", seq))
	}
	if len(s.passed) > 0 {
		clear(s.passed)
		s.suspect, s.strikes = "", 0
		s.offerRefused()
	}
}

// passAgain starts over with what was passed over, once nothing is left behind it; false if there is nothing.
func (s *sink) passAgain() bool {
	if len(s.passed) == 0 {
		return false
	}
	clear(s.passed)
	s.read = [queue.Routine + 1]queue.Seq{}
	return true
}

// accepted ends a refusal: the event was acknowledged after all, or is gone. The receiver may have changed its mind
// about the others, too.
func (s *sink) accepted(seq queue.Seq) {
	if s.refused[seq] == nil {
		return
	}
	delete(s.refused, seq)
	s.aside.Store(int64(len(s.refused)))
	s.offerRefused()
}

// allTaken ends the fault, once everything has been offered and taken: also what an earlier run had set aside.
func (s *sink) allTaken() {
	if s.told && !s.behind && len(s.flying)+len(s.refused)+len(s.passed) == 0 {
		s.told = false
		s.g.notify(Notice{Code: NoticeSetAside, Ended: true, about: s.o.Name, Detail: s.o.Name + ": no event is set aside any more"})
	}
}

// watchMissed tells the house that events are passed over for a sink that is not required and lags too far behind, and
// what it came to once the sink has all that is left.
func (s *sink) watchMissed() {
	missed := s.cursor.Missed()
	waiting, _ := s.cursor.Depth()
	switch {
	case missed > s.lost && !s.missing:
		s.missing = true
		s.g.notify(Notice{Code: NoticeMissed, about: s.o.Name, Detail: fmt.Sprintf(
			"%s: more than %d events wait for it; from now on it misses the oldest of them", s.o.Name, s.cursor.MaxLag())})
	case s.missing && missed == s.lost && waiting == 0:
		s.missing = false
		s.g.notify(Notice{Code: NoticeMissed, about: s.o.Name, Ended: true, Detail: fmt.Sprintf(
			"%s has all that waited for it; it has missed %d events since it was set up", s.o.Name, missed)})
	}
	s.lost = missed
}

// refuses tells the house, once, that the receiver will not have an event, and why.
func (s *sink) refuses(it *item, answer string) {
	s.g.o.Log.Warn("an event was not taken, and is given up", "sink", s.o.Name, "event", it.id, "why", answer)
	first := len(s.refusing) == 0
	if it.e.Notice.Code != NoticeGivenUp {
		s.refusing[it.e.typ()] = true
	}
	if first && len(s.refusing) > 0 {
		s.g.notify(Notice{Code: NoticeGivenUp, about: s.o.Name, Detail: fmt.Sprintf("%s does not take %s, and it was given up: %s. "+
			"More may follow, the log names each", s.o.Name, it.id, answer)})
	}
}

// takesAgain ends that once an event of a type that was refused is taken: one that takes faults and no trips would come and go
// with each. What tells the house of it is an event itself, and says nothing here.
func (s *sink) takesAgain(it *item) {
	if it.e.Notice.Code != NoticeGivenUp && (s.refusing[it.e.typ()] || s.refusing[""]) {
		clear(s.refusing)
		s.g.notify(Notice{Code: NoticeGivenUp, Ended: true, about: s.o.Name, Detail: s.o.Name + " takes events again"})
	}
}

func (s *sink) offerRefused() {
	for _, r := range s.refused {
		r.again = time.Now()
	}
}

// nextRefused gives an event that is due to be offered again, alone and when nothing else is to be done.
func (s *sink) nextRefused() *item {
	if !s.main.answers && !s.o.EventsOnly || len(s.flying) > 0 || len(s.live) > 0 {
		return nil
	}
	var due queue.Seq
	for seq, r := range s.refused {
		if !time.Now().Before(r.again) && (due == 0 || seq < due) {
			due = seq
		}
	}
	if due == 0 {
		return nil
	}
	r := s.refused[due]
	r.again = time.Now().Add(offerAgain)
	items, err := s.cursor.Next(r.priority, due-1, 1)
	if err != nil {
		s.g.o.Log.Error("an event that was set aside cannot be read", "sink", s.o.Name, "number", uint64(due), "err", err)
		return nil
	}
	if len(items) == 0 || items[0].Seq != due {
		s.accepted(due) // acknowledged in the last moment of a session
		return nil
	}
	return s.item(items[0])
}
