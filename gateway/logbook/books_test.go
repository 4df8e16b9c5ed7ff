package logbook

import (
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"longlane/gateway"
	"longlane/queue/history"
	"longlane/queue/history/watched"
)

// ledger is books beside a history that remembers faults and spans, at times that the test gives.
type ledger struct {
	t      *testing.T
	books  books
	now    time.Duration
	boot   byte
	faults []history.Fault
	spans  map[spanKey]history.Span
	next   uint32 // counter of the node's next event
}

const (
	every   = 15 * time.Minute
	longest = 2*every + 10*time.Second
)

var gate = gateway.Watching{"gate": {Node: "river-gate", ID: 3, Input: 0}}

func newLedger(t *testing.T) *ledger {
	l := &ledger{t: t, boot: 1, now: time.Hour, spans: map[spanKey]history.Span{}, next: 1}
	l.begin()
	return l
}

func (l *ledger) clock() gateway.Clock {
	return gateway.Clock{Mono: func() time.Duration { return l.now }, Wall: func() time.Time { return start.Add(l.now) }, Boot: [16]byte{l.boot}, Set: func() bool { return true }}
}

// begin is a start of the gateway on the history that there is.
func (l *ledger) begin() {
	l.books.begin(l.clock(), longest)
	l.books.observe(gate)
	if err := l.books.recall(l); err != nil {
		l.t.Fatal(err)
	}
}

// flush writes what there is.
func (l *ledger) flush() {
	var s sums
	l.books.take(&s)
	for _, sp := range s.spans {
		sp.From.Wall = start.Add(sp.From.Mono)
		l.spans[spanKey{sp.Kind, sp.Subject, sp.Quality, history.Moment{Boot: sp.From.Boot, Mono: sp.From.Mono}}] = sp
	}
}

func (l *ledger) Faults(_, _ time.Time, fn func(*history.Fault) error) error {
	for i := range l.faults {
		if err := fn(&l.faults[i]); err != nil {
			return err
		}
	}
	return nil
}
func (l *ledger) Trips(_, _ time.Time, _ func(*history.Trip) error) error { return nil }
func (l *ledger) Hours(_, _ time.Time, _ func(*history.Hour) error) error { return nil }
func (l *ledger) Subjects(history.Kind) ([]string, error)                 { return nil, nil }
func (l *ledger) Spans(history.Kind, string, time.Time, time.Time, func(*history.Span) error) error {
	return nil
}
func (l *ledger) Unplaced(func(*history.Trip) error, func(*history.Fault) error) error { return nil }

func (l *ledger) checkIn(edit ...func(*gateway.CheckInSeen)) {
	c := gateway.CheckInSeen{Node: "river-gate", ID: 3, At: l.now, Life: 3<<16 | 1<<8, Complete: true, Battery: 3.6}
	for _, f := range edit {
		f(&c)
	}
	l.books.observe(c)
}

func (l *ledger) event(e gateway.Entry) gateway.ID {
	id := gateway.ID{Node: 3, Gen: 1, Counter: l.next}
	l.next++
	e.ID, e.Node, e.Zone, e.Boot = id.String(), "river-gate", "gate", [16]byte{l.boot}
	if e.Mono == 0 {
		e.Mono = l.now
	}
	if e.Fault != nil {
		e.Fault.Of = id
		l.faults = append(l.faults, history.Fault{ID: e.ID, Code: e.Fault.Code, Zone: "gate", Node: "river-gate", Ended: e.Fault.Ended})
	}
	l.books.observe(gateway.EventSeen{Node: "river-gate", ID: id, At: l.now, Proof: true, Entry: &e})
	return id
}

func (l *ledger) trip(closed, supervised bool) {
	l.event(gateway.Entry{Trip: &gateway.TripEntry{Closed: closed, Supervised: supervised}})
}

func (l *ledger) fault(code string, ended bool) {
	l.event(gateway.Entry{Fault: &gateway.FaultEntry{Code: code, Ended: ended}})
}

func (l *ledger) lost() {
	l.event(gateway.Entry{Fault: &gateway.FaultEntry{Code: "events lost", Lost: true}})
}

// timeline is what is known from from to to.
func (l *ledger) timeline(kind history.Kind, subject string, from, to time.Duration) []history.Span {
	l.flush()
	var list []history.Span
	for _, sp := range l.spans {
		if sp.Kind == kind && sp.Subject == subject {
			list = append(list, sp)
		}
	}
	slices.SortFunc(list, func(a, b history.Span) int { return a.From.Wall.Compare(b.From.Wall) })
	return watched.Timeline(list, start.Add(from), start.Add(to))
}

// is holds what is known of a moment.
func (l *ledger) is(at time.Duration, want history.Quality, cause string) {
	l.t.Helper()
	line := l.timeline(history.Watch, "gate", at, at+time.Nanosecond)
	if len(line) != 1 || line[0].Quality != want || !strings.Contains(line[0].Cause, cause) {
		l.t.Errorf("at %v: %+v, want %v, %q", at, line, want, cause)
	}
}

const m = time.Minute

// TestWire: without a word of a supervised wire it is radio only; a trip, also of a test, tells; a new life of the node must tell again.
func TestWire(t *testing.T) {
	l := newLedger(t)
	for i := range 9 {
		switch i {
		case 2:
			l.event(gateway.Entry{Trip: &gateway.TripEntry{Supervised: true, Test: true}})
		case 5:
			l.trip(false, false) // another wire
			l.trip(true, false)
		}
		l.checkIn()
		l.now += every
	}
	l.is(time.Hour+m, history.RadioOnly, "")
	l.is(time.Hour+every+m, history.RadioOnly, "") // the stretch that ends with the first word began without
	l.is(time.Hour+3*every+m, history.EndToEnd, "")
	l.is(time.Hour+6*every+m, history.RadioOnly, "")
	l.is(time.Hour+8*every+m, history.Gap, "") // not before the next check-in
	l.trip(false, true)
	l.checkIn()
	l.is(time.Hour+8*every+m, history.RadioOnly, "")
	restarted := func(c *gateway.CheckInSeen) { c.Life++ }
	l.now += every
	l.checkIn(restarted)
	l.now += every
	l.checkIn(restarted)
	l.is(l.now-every-m, history.Gap, "restarted")
	l.is(l.now-m, history.RadioOnly, "")
}

// TestBrokenWire: a zone whose wire is cut, or whose contact does not return, is not watched from when that began, however late it is
// told, until it ends; a restart of the gateway does not forget it, and one of the node does unless the node says so again.
func TestBrokenWire(t *testing.T) {
	for code := range map[string]bool{"input wire": true, "blocked": true} {
		l := newLedger(t)
		l.trip(false, true)
		l.trip(true, true)
		for range 4 {
			l.checkIn()
			l.now += every
		}
		blocked := func(c *gateway.CheckInSeen) {
			if code == "blocked" {
				c.Active = 1
			}
		}
		l.is(l.now-20*m, history.EndToEnd, "")
		began := l.now - 18*m
		l.event(gateway.Entry{Mono: began, Fault: &gateway.FaultEntry{Code: code}})
		l.checkIn(blocked)
		l.is(began-m, history.EndToEnd, "")
		l.is(began+m, history.Gap, "contact")
		l.now += every
		l.checkIn(blocked)
		l.is(l.now-m, history.Gap, "contact")
		l.now += m
		l.begin() // the gateway restarts
		for range 3 {
			l.checkIn(blocked)
			l.now += every
		}
		l.is(l.now-every-m, history.Gap, "contact")
		l.fault(code, true)
		l.checkIn()
		l.now += every
		l.checkIn()
		l.is(l.now-m, history.RadioOnly, "")
	}
	l := newLedger(t)
	l.checkIn()
	l.now += m
	l.fault("input wire", false)
	l.now += every
	l.checkIn()
	l.now += every
	again := func(c *gateway.CheckInSeen) { c.Life++ }
	l.fault("input wire", false) // its node has restarted, and says so again before it checks in
	l.checkIn(again)
	l.now += every
	l.checkIn(again)
	l.is(l.now-m, history.Gap, "wire")
	l.now += every
	other := func(c *gateway.CheckInSeen) { c.Life += 2 } // and once more, mended
	l.checkIn(other)
	l.now += every
	l.checkIn(other)
	l.is(l.now-m, history.RadioOnly, "")
}

// TestHeldContact: a contact that a check-in tells of as held, and no event, is not watched since it was last seen free.
func TestHeldContact(t *testing.T) {
	l := newLedger(t)
	held := func(c *gateway.CheckInSeen) { c.Active = 1 }
	l.checkIn()
	l.now += every
	l.checkIn()
	l.now += every
	l.checkIn(held)
	l.is(l.now-every-m, history.RadioOnly, "")
	l.is(l.now-m, history.Gap, "held")
	l.now += every
	l.checkIn()
	l.now += every
	l.checkIn()
	l.is(l.now-m, history.RadioOnly, "")
	l.trip(false, false) // somebody stands in the beam, and it was told
	l.now += every
	l.checkIn(held)
	l.is(l.now-m, history.RadioOnly, "")
	l.begin()
	l.checkIn(held)
	l.now += every
	l.checkIn(held)
	l.is(l.now-m, history.Gap, "held")
}

// TestLostEvents: time in which a node has lost events does not count, though it was there all the while.
func TestLostEvents(t *testing.T) {
	l := newLedger(t)
	l.checkIn()
	for range 3 {
		l.now += every
		l.checkIn(func(c *gateway.CheckInSeen) { c.Complete = false })
	}
	l.lost()
	l.now += m
	l.checkIn()
	l.is(l.now-every-m, history.Gap, "lost events")
	l.now += every
	l.checkIn()
	l.is(l.now-m, history.RadioOnly, "")
	l.now += every
	l.next += 10
	l.lost()
	l.next -= 11 // a trip from before comes only now: what was lost may be that the wire was cut since
	l.trip(false, true)
	for range 2 {
		l.checkIn()
		l.now += every
	}
	l.is(l.now-every-m, history.RadioOnly, "")
}

// TestSilence: a silent node's gap has the cause that the gateway found, and begins with its last proof.
func TestSilence(t *testing.T) {
	l := newLedger(t)
	l.checkIn()
	l.now += every
	l.checkIn()
	heard := l.now
	l.now += 3 * every
	l.books.observe(gateway.Unwatched{Zone: "gate", Why: "ridge relay silent"})
	l.is(heard+m, history.Gap, "ridge relay silent")
	l.now += every
	l.checkIn()
	l.is(heard+m, history.Gap, "ridge relay silent")
	l.is(heard-m, history.RadioOnly, "")
}

// TestEar: an annunciator's time counts while it hears the ticks without a break, and has no trouble.
func TestEar(t *testing.T) {
	l := newLedger(t)
	since := l.now
	word := func(trouble string) {
		l.books.observe(gateway.EarSeen{Annunciator: "shop", At: l.now, Since: since, Trouble: trouble})
		l.now += m
	}
	is := func(at time.Duration, want history.Quality) {
		t.Helper()
		if line := l.timeline(history.Sound, "shop", at, at+time.Nanosecond); line[0].Quality != want {
			t.Errorf("at %v: %+v, want %v", at, line, want)
		}
	}
	for range 10 {
		word("")
	}
	is(l.now-2*m-m/2, history.EndToEnd)
	is(l.now-m/2, history.Gap) // nothing is known yet
	since = l.now - 10*time.Second
	word("")
	is(l.now-m-30*time.Second, history.Gap) // the ticks had a break
	word("")
	is(l.now-m-30*time.Second, history.EndToEnd)
	word("no sound: no such device")
	word("no sound: no such device")
	is(l.now-m-30*time.Second, history.Gap)
	word("")
	word("")
	is(l.now-m-30*time.Second, history.EndToEnd)
	for i := range 200 {
		l.books.observe(gateway.EarSeen{Annunciator: strings.Repeat("x", i%30+1) + string(rune('a'+i/30)), At: l.now, Since: l.now})
	}
	if len(l.books.ears) > mostEars {
		t.Errorf("%d annunciators are kept in mind", len(l.books.ears))
	}
}

// TestNeverOptimistic lives random lives, minute by minute, and holds the ledger against the truth: no moment counts in which the node
// was dead, the gateway was, the wire was cut, or after which events of then were lost. And it is no use if nothing counts.
func TestNeverOptimistic(t *testing.T) {
	seed := rand.Uint64()
	var good, counted, whole int
	for round := range uint64(300) {
		r := rand.New(rand.NewPCG(seed, round))
		l := newLedger(t)
		const minutes = 2000
		from := l.now
		bad := make([]string, minutes)
		var node, gw, life, period = true, true, uint64(0), r.IntN(15)
		var cut, told bool // of the wire; that the node has made an event of it in this life
		var hidden bool    // that event was lost, and the node does not say it again
		radio := make([]bool, minutes)
		var heldEvents []func()
		since := 0 // the node's last complete check-in
		for i := range minutes {
			chance := func(n int) bool { return r.IntN(n) == 0 }
			switch {
			case node && chance(300):
				node = false
			case !node && chance(20):
				node, life, told, hidden, heldEvents = true, life+1, false, false, nil // what it held is gone, and with it what it had to say
				period = i % 15
			}
			switch {
			case gw && chance(400):
				gw = false
			case !gw && chance(10):
				gw = true
				l.begin()
			}
			if chance(250) {
				cut = !cut
			}
			if node && cut != told {
				told, hidden = cut, false
				at, ended := l.now, !cut
				heldEvents = append(heldEvents, func() { l.event(gateway.Entry{Mono: at, Fault: &gateway.FaultEntry{Code: "input wire", Ended: ended}}) })
			}
			if node && len(heldEvents) > 0 && chance(900) { // its store was full
				heldEvents = []func(){l.lost}
				for k := since; k < i; k++ {
					bad[k] = "its events were lost"
				}
				hidden = cut
			}
			if node && !cut && chance(40) {
				heldEvents = append(heldEvents, func() { l.trip(false, true) }, func() { l.trip(true, true) })
			}
			heard := node && gw && !chance(6)
			if heard && (len(heldEvents) > 0) && chance(3) {
				for _, f := range heldEvents {
					f()
				}
				heldEvents = nil
			}
			if heard && i%15 == period {
				complete := len(heldEvents) == 0
				l.checkIn(func(c *gateway.CheckInSeen) { c.Life, c.Complete = 3<<16|1<<8|life, complete })
				if complete {
					since = i
				}
			}
			if gw && i%7 == 0 {
				l.flush()
			}
			switch {
			case !node:
				bad[i] = "the node was dead"
			case !gw:
				bad[i] = "the gateway was dead"
			case cut && !hidden:
				bad[i] = "the wire was cut"
			case cut:
				radio[i] = true // nobody could know that it was not supervised
			}
			l.now += m
		}
		if gw {
			l.flush()
		}
		line := l.timeline(history.Watch, "gate", from, l.now)
		for i := range minutes {
			at := start.Add(from + time.Duration(i)*m + m/2)
			k := slices.IndexFunc(line, func(s history.Span) bool { return at.Before(s.Until()) })
			counts := line[k].Quality != history.Gap
			if counts && bad[i] != "" {
				t.Fatalf("seed %d, round %d: minute %d counts, but %s: %+v", seed, round, i, bad[i], line[k])
			}
			if radio[i] && line[k].Quality == history.EndToEnd {
				t.Fatalf("seed %d, round %d: minute %d counts end to end, but the wire was cut: %+v", seed, round, i, line[k])
			}
			if bad[i] == "" {
				good++
				if line[k].Quality == history.EndToEnd {
					whole++
				}
				if counts {
					counted++
				}
			}
		}
	}
	t.Logf("seed %d: %d of %d minutes that were good count, %d end to end", seed, counted, good, whole)
	if counted < good/2 || whole < good/4 {
		t.Errorf("seed %d: only %d of %d minutes that were good count, %d end to end", seed, counted, good, whole)
	}
}

// TestHours: check-ins are summed up by the hour, written once, and what is held in memory while the disk fails is bounded.
func TestHours(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.start()
		w.r.Observe(gate)
		for i := range 12 { // three hours
			w.r.Observe(gateway.CheckInSeen{Node: "river-gate", ID: 3, At: w.clock().Mono(), Life: 1, Complete: true, Battery: 3.6 - float64(i)/100,
				Hops: []gateway.HopMargin{{From: "river-gate", To: "house", Margin: 9}}})
			pass(every)
		}
		w.setFail(history.ErrFull)
		pass(2 * time.Hour)
		w.setFail(nil)
		pass(every + m)
		w.stop()
		s, err := history.OpenRead(filepath.Join(w.dir, history.File))
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		n, lowest := 0, 9.9
		if err := s.Hours(time.Unix(0, 0), farAhead, func(h *history.Hour) error {
			n += h.Count
			lowest = min(lowest, h.Lowest)
			if h.Hops[0].Median() != 9 {
				t.Errorf("%+v", h)
			}
			return nil
		}); err != nil || n != 12 || lowest != 3.49 {
			t.Errorf("%d check-ins, lowest %v, %v; want 12, 3.49", n, lowest, err)
		}
		var spans []history.Span
		if err := s.Spans(history.Watch, "gate", time.Unix(0, 0), farAhead, func(sp *history.Span) error { spans = append(spans, *sp); return nil }); err != nil {
			t.Fatal(err)
		}
		_, _, radio := watched.Sum(watched.Timeline(spans, start, start.Add(11*every)))
		if radio < 11*every-time.Second || radio > 11*every {
			t.Errorf("watched for %v, want %v: %+v", radio, 11*every, spans)
		}
	})
	var s sums
	for i := range 3 * mostSums {
		q := history.EndToEnd
		if i%3 == 0 {
			q = history.Gap
		}
		s.span(history.Span{Subject: "gate", From: history.Moment{Mono: time.Duration(i)}, Quality: q})
	}
	s.back(history.Batch{})
	gaps := 0
	for _, sp := range s.spans {
		if sp.Quality == history.Gap {
			gaps++
		}
	}
	if len(s.spans) > mostSums || gaps < mostSums {
		t.Errorf("%d spans are kept, %d of them gaps; want %d, all gaps", len(s.spans), gaps, mostSums)
	}
}
