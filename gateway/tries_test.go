package gateway

import (
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"longlane/proto"
)

// TestSlowWay: four late of six are a fault, which ends when five of six come at once, and stands across a restart; what was
// held in an outage says nothing of the way.
func TestSlowWay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.start()
		n := w.node("river-gate")
		come := func(attempts ...uint16) {
			for _, a := range attempts {
				n.next++
				w.hear(n.opened(n.next-1, a, time.Duration(a)*4*time.Second))
				w.pass(2 * time.Second)
			}
		}
		want := func(when string, told ...string) {
			t.Helper()
			if got := w.notices(NoticeSlowWay); !slices.Equal(got, told) {
				t.Errorf("%s: %q, want %q", when, got, told)
			}
		}
		come(1, 0, 1, 0, 1, 0, 0, 1, 1)
		want("three of the last six late")
		come(1)
		want("four of the last six late", "began")
		come(1, 2, 1)
		want("late still", "began")
		w.stop()
		w.start()
		come(0, 0, 0, 0, 0)
		want("five at once since the restart", "began")
		come(0)
		want("six at once", "began", "ended")
		for range 6 {
			n.next++
			w.hear(n.held(n.next-1, 9, time.Hour))
			w.pass(2 * time.Second)
		}
		want("six held for an hour", "began", "ended")
		w.finish()
	})
}

// TestSentLaterThanSealed: a frame that waited at its node for a free channel, or was sent once more, is older than it says. Its
// send time tells, within a second.
func TestSentLaterThanSealed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.start()
		n := w.node("river-gate")
		w.hear(n.checkIn()) // its receipt sets the node's clock
		w.pass(time.Second)
		for _, waits := range []time.Duration{0, 700 * time.Millisecond, 4 * time.Second} {
			f := n.open()
			w.pass(waits)
			w.hear(f)
			w.pass(time.Second)
			p := w.broker.of(n.idOf(n.next - 1))
			if len(p) == 0 {
				t.Fatalf("sent %v after it was sealed: not published", waits)
			}
			age, uncertain := p[0].data["age_s"].(float64), p[0].data["time_uncertain"].(bool)
			truth := (200*time.Millisecond + waits).Seconds()
			if age > truth+0.1 || age < truth-1.4 || uncertain != (waits > 2*time.Second) {
				t.Errorf("sent %v after it was sealed: age %v s, want %v and up to a second less; uncertain %v", waits, age, truth, uncertain)
			}
		}
		w.finish()
	})
}

// TestTestTripMovesNoZone: it is published, with its mark.
func TestTestTripMovesNoZone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.start()
		n := w.node("river-gate")
		w.hear(n.checkIn())
		w.pass(time.Second)
		w.wantZone("river-gate", "clear")
		n.next++
		w.hear(n.seal(n.header(proto.TypeTripOpened, n.next-1, 0), &proto.TripOpened{Input: proto.Input{Test: true, Supervised: true},
			Sent: n.now(), Battery: proto.NoBattery, Temperature: proto.NoTemperature}))
		w.pass(time.Second)
		w.wantZone("river-gate", "clear")
		if p := w.broker.of(n.idOf(n.next - 1)); len(p) != 1 || p[0].data["test"] != true {
			t.Errorf("published %v, want one with its mark", p)
		}
		w.finish()
	})
}
