package gateway

import (
	"testing"
	"testing/synctest"
	"time"

	"longlane/gateway/roster"
)

// rekeyed re-keys a node at a time that some clock shows, and gives both its old and its new self.
func (w *world) rekeyed(name string, at time.Time) (old, now *testNode) {
	w.t.Helper()
	old = w.node(name)
	_, err := w.roster.Rekey(name, at)
	w.must(err)
	w.must(w.roster.Save())
	w.pass(2 * time.Second)
	return old, w.node(name)
}

// later moves the wall clock on; to let days pass would take minutes of real time.
func (w *world) later(d time.Duration) {
	w.clock.put(w.clock.Wall().Add(d), true)
	w.pass(2 * time.Second)
}

// TestRekeyedWithoutAClock: a re-keying that no set clock has dated shuts nobody out when the clock is set, also not
// years later: the first frame under the new key does.
func TestRekeyedWithoutAClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		right := w.clock.Wall()
		w.clock.put(time.Unix(86400, 0), false)
		w.start()
		old, now := w.rekeyed("river-gate", w.clock.Wall())
		w.wantVerdict("old generation, clock unset", "accepted", old.open())
		w.clock.put(right, true)
		w.pass(2 * time.Second)
		w.wantVerdict("old generation, clock set", "accepted", old.open())
		w.later(2 * roster.OldGenerationFor)
		w.wantVerdict("old generation, two weeks later", "accepted", old.open())
		w.wantVerdict("new generation", "accepted", now.open())
		w.wantVerdict("old generation after the first frame of the new", "generation", old.opened(77, 0, 0), old.checkIn())
	})
}

// TestGenerationNought: a node that was never re-keyed has no generation before.
func TestGenerationNought(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.wantVerdict("generation 0", "generation", (&testNode{w: w, id: n.id, gen: 0, next: 1, timed: true}).opened(1, 0, 0))
		w.wantVerdict("generation 1", "accepted", n.open())
	})
}

// TestRekeyedAhead: a date that lies ahead is the work of a wrong clock. By up to a day it is borne, so that the old key
// is good for eight days at the most; by more it is not believed, or the old key would be good until then.
func TestRekeyedAhead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		old, _ := w.rekeyed("river-gate", w.clock.Wall().Add(365*24*time.Hour))
		w.wantVerdict("re-keyed a year ahead", "generation", old.opened(1, 0, 0), old.checkIn())
		old, now := w.rekeyed("ridge-gate", w.clock.Wall().Add(14*time.Hour)) // local time taken for UTC
		w.wantVerdict("re-keyed hours ahead", "accepted", old.open())
		w.later(roster.OldGenerationFor)
		w.wantVerdict("a week later", "accepted", old.open())
		w.later(24 * time.Hour)
		w.wantVerdict("eight days later", "generation", old.opened(77, 0, 0))
		w.wantVerdict("the new generation", "accepted", now.open())
	})
}
