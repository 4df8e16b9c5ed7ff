package survey

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"longlane/proto"
	"longlane/radio"
	"longlane/radio/node"
)

// site plays a node whose probes are over after 1 s, and what its neighbours tell, to a test that probes.
type site struct {
	t       *testing.T
	now     time.Duration
	test    prober
	asked   []time.Duration // when the test wanted a probe
	counter uint32
	fails   func() error         // what the sending of a check-in ends with
	after   func(counter uint32) // what is heard of a probe
	lines   map[string]bool
}

type prober interface {
	Next(now time.Duration) (bool, time.Duration)
	Sent(now time.Duration, t node.Transmit, err error)
	Observed(now time.Duration, o node.Observed)
	Over() bool
	Line(now time.Duration) string
}

// run plays until the test is over or the time is.
func (s *site) run(limit time.Duration) {
	s.t.Helper()
	s.lines = map[string]bool{}
	for s.now < limit && !s.test.Over() {
		probe, wake := s.test.Next(s.now)
		s.lines[s.test.Line(s.now)] = true
		if s.test.Over() {
			return
		}
		if !probe {
			if wake <= s.now {
				s.t.Fatalf("at %v it wants to be asked again at %v", s.now, wake)
			}
			s.now = wake
			continue
		}
		s.asked = append(s.asked, s.now)
		s.counter++
		s.test.Observed(s.now, node.Observed{What: node.Probed, Counter: s.counter})
		s.now += 70 * time.Millisecond
		tx := node.Transmit{Type: proto.TypeCheckIn, Counter: s.counter}
		if s.fails != nil {
			if err := s.fails(); err != nil {
				s.test.Sent(s.now, tx, err)
				continue
			}
		}
		s.test.Sent(s.now, tx, nil)
		if s.after != nil {
			s.after(s.counter)
		}
		s.now += 500 * time.Millisecond
		s.test.Sent(s.now, node.Transmit{Type: proto.TypeSolicit, Counter: s.counter}, nil)
	}
}

func (s *site) heard(id uint8) {
	s.test.Observed(s.now, node.Observed{What: node.Heard, Neighbour: id, RSSI: proto.EncodeRSSI(-90), SNR: proto.EncodeSNR(7.5)})
}
func (s *site) heardBy(id uint8, counter uint32) {
	s.test.Observed(s.now, node.Observed{What: node.HeardBy, Neighbour: id, Counter: counter, RSSI: proto.EncodeRSSI(-95), SNR: proto.EncodeSNR(8.75)})
}
func (s *site) answered(counter uint32, d time.Duration) {
	s.test.Observed(s.now+d, node.Observed{What: node.Answered, Counter: counter})
}

var options = Options{Settings: sf7, Probes: 20, Every: 5 * time.Second}

// TestWalk: twenty probes, 5 s apart; what is heard of each counts for it, and a second word of the same neighbour not again.
func TestWalk(t *testing.T) {
	s := &site{t: t, now: time.Hour}
	w := NewWalk(s.now, options)
	s.test = w
	s.after = func(c uint32) {
		if c%10 == 0 {
			return // lost
		}
		s.answered(c, 300*time.Millisecond)
		s.answered(c, 400*time.Millisecond)
		s.heard(gw)
		s.heardBy(gw, c)
		s.heardBy(gw, c)
	}
	s.run(2 * time.Hour)
	f := w.Figures()
	if f.Probes != 20 || f.Answered != 18 || len(f.Neighbours) != 1 || f.Neighbours[0].To.Heard != 18 || f.Neighbours[0].From.Heard != 18 {
		t.Errorf("figures %+v", f)
	}
	if !near(f.RoundTrip.Median, 0.3, 1e-9) || !near(f.RoundTrip.Worst, 0.3, 1e-9) {
		t.Errorf("there and back %+v", f.RoundTrip)
	}
	for i, at := range s.asked {
		if want := time.Hour + time.Duration(i)*5*time.Second; at != want {
			t.Errorf("probe %d at %v, want %v", i, at, want)
		}
	}
	for _, line := range []string{"keep standing still: 0 of 20 probes, 0 answered", "keep standing still: 19 of 20 probes, 18 answered, 15 dB from the gateway"} {
		if !s.lines[line] {
			t.Errorf("it never says %q, but %v", line, s.lines)
		}
	}
	if v := w.Verdict(); v.Word != Step {
		t.Errorf("verdict %+v", v)
	}
}

// TestWalkFewProbes: nothing is decided before enough of them, but for a place where there is no word of any.
func TestWalkFewProbes(t *testing.T) {
	s := &site{t: t}
	w := NewWalk(0, options)
	s.test = w
	s.run(time.Hour)
	if f := w.Figures(); f.Probes != Hopeless || w.Verdict().Word != Relay || s.now > 50*time.Second {
		t.Errorf("after %v with nobody there: %+v, %+v", s.now, f, w.Verdict())
	}
}

// TestPaceOfRelays: a relay carries six check-ins at once and then one in 10 s: none of a walk test is to be refused, nor of the
// next one, nor one that the node has of its own.
func TestPaceOfRelays(t *testing.T) {
	level, last, now := 0.0, time.Duration(0), time.Duration(0) // of the relay's bucket
	var asked []time.Duration
	for _, pause := range []time.Duration{0, time.Second, 30 * time.Second} {
		now += pause
		o := options
		o.Relays = len(asked) > 0
		for _, at := range asked {
			o.Earlier = append(o.Earlier, now-at)
		}
		s := &site{t: t, now: now, test: NewWalk(now, o)}
		s.after = func(c uint32) {
			s.answered(c, 0)
			s.heardBy(3, c)
		}
		s.run(24 * time.Hour)
		for i, at := range s.asked {
			level = max(level-float64(at-last)/float64(node.DefaultCheckInEvery), 0) + 1
			if last = at; level > node.DefaultCheckInBurst-1+1e-6 {
				t.Errorf("%v after the last walk test: with probe %d there are %.2f in the relay's bucket, want one left of %d", pause, i, level, node.DefaultCheckInBurst)
			}
		}
		if took := s.now - now; took < 2*time.Minute || took > 4*time.Minute {
			t.Errorf("%v after the last walk test this one took %v", pause, took)
		}
		now, asked = s.now, append(asked, s.asked...)
	}
}

// TestPaceOfAnswers: neighbours answer by the same rules: in no hour do walk tests take more than half of what they have for all but trips, which is
// three fifths of what is lawful. That the pace is slow is told, and for how long it will be.
func TestPaceOfAnswers(t *testing.T) {
	for _, c := range []struct {
		sf      int
		budget  time.Duration
		least   time.Duration // of two walk tests
		most    time.Duration
		waiting bool
	}{
		{7, 360 * time.Second, 3 * time.Minute, 10 * time.Minute, false},
		{7, 36 * time.Second, 3 * time.Minute, 10 * time.Minute, false},
		{9, 36 * time.Second, 45 * time.Minute, 2 * time.Hour, true},
		{12, 36 * time.Second, 15 * time.Hour, 30 * time.Hour, true},
		{12, 360 * time.Second, 30 * time.Minute, 3 * time.Hour, true},
		{12, 0, 3 * time.Minute, 10 * time.Minute, false},
	} {
		o := options
		o.Settings.SpreadingFactor, o.Budget = c.sf, c.budget
		answer := 2*o.Settings.Airtime(proto.TypeReceipt.Size()) + o.Settings.Airtime(proto.TypeHopAck.Size())
		var asked []time.Duration
		now, waiting := time.Duration(0), false
		for range 2 {
			o.Earlier, o.Relays = nil, len(asked) > 0
			for _, at := range asked {
				o.Earlier = append(o.Earlier, now-at)
			}
			takes := o.Takes()
			s := &site{t: t, now: now, test: NewWalk(now, o)}
			s.after = func(n uint32) {
				s.answered(n, 0)
				s.heardBy(3, n)
			}
			s.run(1000 * time.Hour)
			for line := range s.lines {
				waiting = waiting || strings.Contains(line, "waiting for lawful airtime: ")
			}
			if took := s.now - now; took > takes+takes/10+10*time.Second || took < takes/2 {
				t.Errorf("SF%d, %v an hour: it took %v, and was to take %v", c.sf, c.budget, took, takes)
			}
			now, asked = s.now, append(asked, s.asked...)
		}
		for i, from := range asked {
			used := time.Duration(0)
			for _, at := range asked[i:] {
				if at < from+time.Hour {
					used += answer
				}
			}
			// A bucket lets twice its fill through in an hour that begins with it full; a single answer is always allowed.
			if most := max(2*3*c.budget/10, answer); c.budget > 0 && used > most {
				t.Errorf("SF%d, %v an hour: within an hour from %v answers take %v, more than %v", c.sf, c.budget, from, used, most)
				break
			}
		}
		if now < c.least || now > c.most || waiting != c.waiting {
			t.Errorf("SF%d, %v an hour: two walk tests took %v, want %v to %v; waiting told %v, want %v", c.sf, c.budget, now, c.least, c.most, waiting, c.waiting)
		}
	}
}

// TestLawfulAirtime: the test waits as long as it must, says so, and counts nothing that was not sent.
func TestLawfulAirtime(t *testing.T) {
	s := &site{t: t}
	w := NewWalk(0, options)
	s.test = w
	refused := 0
	s.fails = func() error {
		if s.now > time.Minute && s.now < 10*time.Minute {
			refused++
			return fmt.Errorf("modem: %w", &radio.WaitError{For: 10*time.Minute - s.now})
		}
		return nil
	}
	s.after = func(c uint32) { s.answered(c, 0) }
	s.run(time.Hour)
	if f := w.Figures(); refused != 1 || f.Probes != 20 || f.Answered != 20 {
		t.Errorf("%d were refused, and then %+v", refused, f)
	}
	if !s.lines["probe 14 of 20: waiting for lawful airtime: 9m0s more"] && !s.lines["probe 13 of 20: waiting for lawful airtime: 9m0s more"] {
		t.Errorf("it says %v", s.lines)
	}
}

// TestNoModem: what cannot be sent is told, and tried again.
func TestNoModem(t *testing.T) {
	s := &site{t: t}
	w := NewWalk(0, options)
	s.test = w
	s.fails = func() error {
		if s.now < time.Minute {
			return errors.New("bearer is down")
		}
		return nil
	}
	s.after = func(c uint32) { s.answered(c, 0) }
	s.run(time.Hour)
	if f := w.Figures(); f.Probes != 20 || f.Answered != 20 || len(s.asked) != 20+12 {
		t.Errorf("%d were tried, and %+v", len(s.asked), f)
	}
	if !s.lines["probe 1 of 20: not sent: bearer is down"] {
		t.Errorf("it says %v", s.lines)
	}
}

// TestBusyChannel: a check-in that the node sends a moment later, since the channel was in use, counts.
func TestBusyChannel(t *testing.T) {
	w := NewWalk(0, options)
	w.Next(0)
	w.Observed(0, node.Observed{What: node.Probed, Counter: 7})
	tx := node.Transmit{Type: proto.TypeCheckIn, Counter: 7}
	w.Sent(time.Second/2, node.Transmit{Type: proto.TypeCheckIn, Counter: 6}, nil) // of its own, and late
	w.Sent(time.Second, tx, errors.New("the channel is in use"))
	w.Sent(2*time.Second, tx, nil)
	w.Observed(3*time.Second, node.Observed{What: node.Answered, Counter: 7})
	w.Sent(4*time.Second, node.Transmit{Type: proto.TypeSolicit}, nil)
	w.Next(9 * time.Second)
	if f := w.Figures(); f.Probes != 1 || f.Answered != 1 || !near(f.RoundTrip.Worst, 1, 1e-9) {
		t.Errorf("figures %+v", f)
	}
	// Nothing else that the node sends is a probe.
	w.Sent(10*time.Second, node.Transmit{Type: proto.TypeCheckIn, Counter: 8}, nil)
	w.Sent(10*time.Second, node.Transmit{Type: proto.TypeTripOpened, Counter: 7}, nil)
	w.Next(60 * time.Second)
	if f := w.Figures(); f.Probes != 1 {
		t.Errorf("%d probes, want 1", f.Probes)
	}
}

// TestLateModem: a modem that tells late that it has sent a frame costs no answer.
func TestLateModem(t *testing.T) {
	w := NewWalk(0, options)
	w.Next(0)
	w.Observed(0, node.Observed{What: node.Probed, Counter: 7})
	w.Observed(time.Second, node.Observed{What: node.HeardBy, Neighbour: 3, Counter: 7})
	w.Observed(time.Second, node.Observed{What: node.Answered, Counter: 7})
	w.Sent(2*time.Second, node.Transmit{Type: proto.TypeCheckIn, Counter: 7}, nil)
	w.Sent(2*time.Second, node.Transmit{Type: proto.TypeSolicit}, nil)
	w.Next(9 * time.Second)
	if f := w.Figures(); f.Probes != 1 || f.Answered != 1 || f.RoundTrip.Worst != 0 || len(f.Neighbours) != 1 || f.Neighbours[0].To.Heard != 1 {
		t.Errorf("figures %+v", f)
	}
}

// TestLinesFit: whatever is told while a test goes on fits on a line.
func TestLinesFit(t *testing.T) {
	s := &site{t: t}
	s.test = NewWalk(0, options)
	s.after = func(c uint32) {
		s.answered(c, 0)
		s.heardBy(gw+1, c)
	}
	s.run(time.Hour)
	for line := range s.lines {
		if len(line) >= Width || strings.Contains(line, "\n") {
			t.Errorf("%d characters: %q", len(line), line)
		}
	}
}
