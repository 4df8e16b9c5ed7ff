package lora

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"
)

// onAir is one frame as it really went, on a time that never stands still: not the machine's, which is off now and then.
type onAir struct{ begin, end time.Duration }

// most is the largest on-time in any window, by brute force. The maximum over all windows is reached where one begins
// with a frame or ends with one.
func most(frames []onAir, window time.Duration) (sum time.Duration, at time.Duration) {
	for _, f := range frames {
		for _, start := range []time.Duration{f.begin, f.end - window} {
			if s := within(frames, start, start+window); s > sum {
				sum, at = s, start
			}
		}
	}
	return sum, at
}

func within(frames []onAir, from, to time.Duration) (sum time.Duration) {
	for _, f := range frames {
		sum += max(min(f.end, to)-max(f.begin, from), 0)
	}
	return sum
}

func newLedger(t *testing.T, o LedgerOptions) *Ledger {
	t.Helper()
	l, err := NewLedger(o)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// transmitter is a life of one transmitter and of the machines that keep its ledger, one after another: what it sends is
// written down by the real time.
type transmitter struct {
	t      *testing.T
	rand   *rand.Rand
	o      LedgerOptions
	l      *Ledger
	real   time.Duration // runs on whatever happens
	booted time.Duration // by real, of this boot
	boot   byte
	set    bool
	wrong  time.Duration // what the wall clock is off
	disk   []byte
	left   time.Duration // airtime set aside on the disk
	sent   []onAir
	uses   []Use
	free   time.Duration // by real, the last frame ends
}

func (x *transmitter) moment() Moment {
	return Moment{Boot: [16]byte{x.boot}, Mono: x.real - x.booted, Set: x.set,
		Wall: time.Unix(1_800_000_000, 0).Add(x.real + x.wrong)}
}

func (x *transmitter) mono() time.Duration { return x.real - x.booted }

// save writes the ledger, and sets so much aside.
func (x *transmitter) save(ahead time.Duration) {
	x.disk, x.left = x.l.Save(x.moment(), ahead), ahead
	if len(x.disk) > 6<<10 {
		x.t.Fatalf("the ledger saved is %d bytes long", len(x.disk))
	}
}

// restart kills the process; reboot, the machine as well. off is how long it is away.
func (x *transmitter) restart(reboot bool, off time.Duration) {
	x.real += off
	x.real = max(x.real, x.free) // the modem finishes its frame in between; another test has it do so later
	if reboot {
		x.boot++
		x.booted = x.real - time.Duration(x.rand.Int64N(int64(time.Minute)))
		x.set = x.rand.IntN(2) == 0
		x.wrong = time.Duration(x.rand.Int64N(int64(2*x.o.WallError)+1)) - x.o.WallError
	}
	o := x.o
	o.Saved, o.Now = x.disk, x.moment()
	l, err := NewLedger(o)
	if err != nil {
		x.t.Fatal(err)
	}
	x.l, x.left = l, 0
}

// try sends a frame if it may. What becomes of it is settled at some time after it has ended, or never in this life.
func (x *transmitter) try(use Use, airtime time.Duration) (wait time.Duration) {
	x.real = max(x.real, x.free)
	if x.left < airtime {
		x.save(max(x.o.Budget/32, airtime))
	}
	g, wait, err := x.l.Spend(x.mono(), use, airtime)
	if err != nil {
		x.t.Fatal(err)
	}
	if wait > 0 {
		return wait
	}
	x.left -= airtime
	switch x.rand.IntN(20) {
	case 0: // refused
		x.l.Settle(g, 0, x.mono())
		return 0
	case 1: // it waits in the modem
		x.real += time.Duration(x.rand.Int64N(int64(3 * time.Second)))
	}
	x.sent, x.uses = append(x.sent, onAir{x.real, x.real + airtime}), append(x.uses, use)
	x.free = x.real + airtime
	switch x.rand.IntN(20) {
	case 0: // the process dies before it knows
		return 0
	case 1: // a sender that knows
		x.l.Settle(g, airtime, x.mono()+airtime)
	case 2: // told late
		x.real = x.free + time.Duration(x.rand.Int64N(int64(5*time.Second)))
		x.l.Settle(g, airtime, x.mono())
	default:
		x.real = x.free
		x.l.Settle(g, airtime, x.mono())
	}
	return 0
}

// TestNoWindowExceedsTheBudget lives random lives of transmitters, with restarts, reboots, wall clocks that are right, off
// or unset, frames that wait in the modem and frames of unknown fate, and looks at each window of what was on the air.
func TestNoWindowExceedsTheBudget(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	for life := range uint64(60) {
		r := rand.New(rand.NewPCG(seed, life))
		o := LedgerOptions{Budget: []time.Duration{3600 * time.Millisecond, 36 * time.Second, 100 * time.Second, 6 * time.Minute}[r.IntN(4)],
			Pause: []time.Duration{0, 100 * time.Millisecond}[r.IntN(2)], WallError: time.Minute}
		x := &transmitter{t: t, rand: r, o: o, boot: 1, set: r.IntN(2) == 0, booted: -time.Minute}
		x.l = newLedger(t, LedgerOptions{Budget: o.Budget, Pause: o.Pause, Now: x.moment()})
		x.save(0)
		for range 1500 {
			wait := x.try(Use(r.IntN(int(NumUses))), time.Duration(20+r.IntN(1000))*time.Millisecond)
			switch r.IntN(200) {
			case 0:
				x.restart(false, time.Duration(r.Int64N(int64(10*time.Minute))))
			case 1:
				x.restart(true, time.Duration(r.Int64N(int64(2*time.Hour))))
			case 2: // in order
				x.real = max(x.real, x.free)
				x.save(0)
				x.restart(r.IntN(2) == 0, time.Minute)
			}
			if r.IntN(3) == 0 {
				x.real += wait
			} else {
				x.real += time.Duration(r.Int64N(int64(5 * time.Second)))
			}
		}
		if sum, at := most(x.sent, Window); sum > o.Budget {
			t.Fatalf("life %d: the hour from %v holds %v, the budget is %v", life, at, sum, o.Budget)
		}
		for i := range x.sent[1:] {
			if gap := x.sent[i+1].begin - x.sent[i].end; gap < o.Pause {
				t.Fatalf("life %d: only %v of silence after a frame, expected %v", life, gap, o.Pause)
			}
		}
		if len(x.sent) < 20 {
			t.Fatalf("life %d: only %d frames were sent: this tests nothing", life, len(x.sent))
		}
	}
}

// TestLedgerIsNotNeedlesslyStrict: somebody who sends all that he may gets, over many hours, all but 0.3 % of the budget;
// and asking for a frame as soon as the ledger said is never in vain.
func TestLedgerIsNotNeedlesslyStrict(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	for _, o := range []LedgerOptions{{Budget: 36 * time.Second}, {Budget: 360 * time.Second}, {Budget: 100 * time.Second, Pause: 100 * time.Millisecond}} {
		l := newLedger(t, o)
		now, total, asked := time.Duration(0), time.Duration(0), false
		frame := func() time.Duration { return time.Duration(30+r.IntN(170)) * time.Millisecond }
		airtime := frame()
		const hours = 20
		for now < hours*Window {
			g, wait, err := l.Spend(now, UseTrip, airtime)
			switch {
			case err != nil:
				t.Fatal(err)
			case wait > 0 && asked:
				t.Fatalf("at %v a frame of %v must wait for %v more, after the wait that was told", now, airtime, wait)
			case wait > 0:
				now, asked = now+wait, true
				continue
			}
			now += airtime
			l.Settle(g, airtime, now)
			total += airtime
			asked, airtime = false, frame()
			if len(l.past) > maxEntries {
				t.Fatalf("%d entries, expected at most %d", len(l.past), maxEntries)
			}
		}
		if share := float64(total) / float64(hours*o.Budget); share < 0.997 {
			t.Errorf("budget %v: %.2f %% of it could be used, expected 99.7 %%", o.Budget, share*100)
		}
	}
}

// TestLowerUsesLeaveWhatIsKept: however much is asked for beacons and hops, trips find their share.
func TestLowerUsesLeaveWhatIsKept(t *testing.T) {
	const budget, frame = 36 * time.Second, 100 * time.Millisecond
	l := newLedger(t, LedgerOptions{Budget: budget})
	now := time.Duration(0)
	fill := func(use Use) (spent time.Duration) {
		for {
			g, wait, err := l.Spend(now, use, frame)
			if err != nil {
				t.Fatal(err)
			}
			if wait > 0 {
				return spent
			}
			now += frame
			l.Settle(g, frame, now)
			spent += frame
		}
	}
	// Two fifths are for trips, three tenths more for trips and hops.
	for _, step := range []struct {
		use  Use
		want time.Duration
	}{{UseBeacon, budget * 3 / 10}, {UseHop, budget * 3 / 10}, {UseTrip, budget * 4 / 10}, {UseTrip, 0}} {
		if got := fill(step.use); got > step.want || got < step.want-frame {
			t.Errorf("%v got %v of airtime, expected %v", step.use, got, step.want)
		}
	}
	if got := l.Used(now); got != budget {
		t.Errorf("Used = %v, want %v", got, budget)
	}
	if got := l.Used(now + Window); got != 0 {
		t.Errorf("Used an hour later = %v, want 0", got)
	}
}

// TestBorderOfTheHour: twice the budget across the border of a fixed hour is what a sliding window is there to prevent.
func TestBorderOfTheHour(t *testing.T) {
	const budget = 36 * time.Second
	l := newLedger(t, LedgerOptions{Budget: budget})
	now := Window - budget
	g, wait, err := l.Spend(now, UseTrip, budget)
	if wait != 0 || err != nil {
		t.Fatalf("Spend = %v, %v", wait, err)
	}
	l.Settle(g, budget, Window)
	if _, wait, err := l.Spend(Window, UseTrip, budget); wait != Window-budget || err != nil {
		t.Errorf("the same again waits %v, %v, expected %v", wait, err, Window-budget)
	}
	// As the first leaves the window the next may come in at the same pace, to the nanosecond.
	if wait, _ := l.Ask(Window, UseTrip, time.Second); wait != Window-budget-0 {
		t.Errorf("a second of it waits %v, expected %v", wait, Window-budget)
	}
	at := 2*Window - budget
	if wait, _ := l.Ask(at-1, UseTrip, time.Second); wait != 1 {
		t.Errorf("a nanosecond too soon it waits %v, expected 1ns", wait)
	}
	if wait, _ := l.Ask(at, UseTrip, time.Second); wait != 0 {
		t.Errorf("then it waits %v, expected none", wait)
	}
}

func TestNever(t *testing.T) {
	l := newLedger(t, LedgerOptions{Budget: 3600 * time.Millisecond, LongestFrame: 2 * time.Second})
	for _, c := range []struct {
		use     Use
		airtime time.Duration
		want    string // "": it may be sent
	}{
		{UseTrip, 2 * time.Second, ""},
		{UseTrip, 2*time.Second + 1, "no frame may take longer than 2s"},
		{UseHop, 2 * time.Second, ""},
		{UseBeacon, 2 * time.Second, "beacon traffic may have 1.08"},
		{UseTrip, 0, "0s of airtime"},
		{NumUses, time.Second, "use 3"},
	} {
		wait, err := l.Ask(0, c.use, c.airtime)
		if c.want == "" {
			if wait != 0 || err != nil {
				t.Errorf("%v for %v = %v, %v, expected now", c.airtime, c.use, wait, err)
			}
		} else if !errors.Is(err, ErrNever) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v for %v = %v, expected ErrNever with %q", c.airtime, c.use, err, c.want)
		}
	}
	l = newLedger(t, LedgerOptions{Budget: 3600 * time.Millisecond})
	if _, err := l.Ask(0, UseTrip, 4*time.Second); !errors.Is(err, ErrNever) {
		t.Errorf("a frame longer than the budget = %v, expected ErrNever", err)
	}
}

// TestPause: after a frame nothing, and while one is out nothing either, since nobody knows when it ends.
func TestPause(t *testing.T) {
	const pause, frame = 100 * time.Millisecond, 50 * time.Millisecond
	l := newLedger(t, LedgerOptions{Budget: time.Minute, Pause: pause})
	g, _, _ := l.Spend(0, UseTrip, frame)
	if _, wait, _ := l.Spend(0, UseTrip, frame); wait != frame+pause {
		t.Errorf("beside a frame that is out another waits %v, expected %v", wait, frame+pause)
	}
	if _, wait, _ := l.Spend(time.Second, UseTrip, frame); wait != pause {
		t.Errorf("beside a frame that is out for long another waits %v, expected %v", wait, pause)
	}
	l.Settle(g, frame, time.Second)
	if wait, _ := l.Ask(time.Second+pause-1, UseTrip, frame); wait != 1 {
		t.Errorf("a nanosecond too soon it waits %v, expected 1ns", wait)
	}
	if wait, _ := l.Ask(time.Second+pause, UseTrip, frame); wait != 0 {
		t.Errorf("after the pause it waits %v, expected none", wait)
	}
	g, _, _ = l.Spend(2*time.Second, UseTrip, frame)
	l.Settle(g, 0, 2*time.Second)
	if wait, _ := l.Ask(2*time.Second, UseTrip, frame); wait != 0 {
		t.Errorf("after a frame that was not sent it waits %v, expected none", wait)
	}
}

// TestPauseAfterAKill: what was set aside for a hundred frames is no reason to be silent for as long as they would take.
func TestPauseAfterAKill(t *testing.T) {
	o := LedgerOptions{Budget: time.Hour, LongestFrame: 4 * time.Second, Pause: 50 * time.Millisecond}
	l := newLedger(t, o)
	if _, _, err := l.Spend(0, UseTrip, time.Second); err != nil {
		t.Fatal(err)
	}
	for range 2 { // the second finds what the first could not know better
		o.Saved = l.Save(Moment{Mono: 0}, 225*time.Second)
		l = newLedger(t, o)
		if wait, err := l.Ask(0, UseTrip, time.Second); err != nil || wait != o.LongestFrame+o.Pause {
			t.Errorf("after a kill the pause lasts %v (%v), want the longest frame and the pause after it", wait, err)
		}
	}
}

// TestWhatWasReallySentCounts: more than was granted, less, or nothing.
func TestWhatWasReallySentCounts(t *testing.T) {
	l := newLedger(t, LedgerOptions{Budget: time.Minute})
	for i, c := range []struct{ granted, real time.Duration }{{time.Second, 1500 * time.Millisecond}, {time.Second, 900 * time.Millisecond}, {time.Second, 0}} {
		before := l.Used(0)
		g, _, _ := l.Spend(0, UseTrip, c.granted)
		if got := l.Used(0) - before; got != c.granted {
			t.Errorf("case %d: while it is out it counts as %v, expected %v", i, got, c.granted)
		}
		l.Settle(g, c.real, 0)
		l.Settle(g, c.real, 0) // twice is once
		if got := l.Used(0) - before; got != c.real {
			t.Errorf("case %d: it counts as %v, expected %v", i, got, c.real)
		}
	}
}

// TestRestart: what a new process makes of the time that it was away.
func TestRestart(t *testing.T) {
	const budget, half = 36 * time.Second, 30 * time.Minute
	wall := time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)
	then := Moment{Boot: [16]byte{1}, Mono: 5 * time.Hour, Wall: wall, Set: true}
	for _, c := range []struct {
		name  string
		then  func(*Moment)
		now   Moment
		ahead time.Duration
		used  time.Duration // half an hour after the start
	}{
		{name: "same boot", now: Moment{Boot: [16]byte{1}, Mono: 5*time.Hour + half}},
		{name: "same boot, wall clock put back", now: Moment{Boot: [16]byte{1}, Mono: 5*time.Hour + half, Wall: wall.Add(-time.Hour), Set: true}},
		{name: "another boot, clocks set", now: Moment{Boot: [16]byte{2}, Wall: wall.Add(half + 2*time.Minute), Set: true}},
		{name: "another boot, clocks set, a second too soon", used: budget, now: Moment{Boot: [16]byte{2}, Wall: wall.Add(half + 2*time.Minute - 37*time.Second), Set: true}},
		{name: "another boot, clock unset now", used: budget, now: Moment{Boot: [16]byte{2}, Mono: time.Hour, Wall: wall.Add(24 * time.Hour)}},
		{name: "another boot, clock unset then", used: budget, then: func(m *Moment) { m.Set = false }, now: Moment{Boot: [16]byte{2}, Wall: wall.Add(24 * time.Hour), Set: true}},
		{name: "another boot, clock that went back", used: budget, now: Moment{Boot: [16]byte{2}, Wall: wall.Add(-time.Hour), Set: true}},
		{name: "boots not known", used: budget, then: func(m *Moment) { m.Boot, m.Set = [16]byte{}, false }, now: Moment{Mono: 6 * time.Hour}},
		{name: "same boot, some set aside", ahead: time.Second, used: time.Second, now: Moment{Boot: [16]byte{1}, Mono: 5*time.Hour + half}},
		{name: "long away, some set aside", ahead: time.Second, used: time.Second, now: Moment{Boot: [16]byte{2}, Wall: wall.Add(24 * time.Hour), Set: true}},
	} {
		m := then
		if c.then != nil {
			c.then(&m)
		}
		l := newLedger(t, LedgerOptions{Budget: budget, Now: m})
		g, _, _ := l.Spend(m.Mono, UseTrip, budget)
		l.Settle(g, budget, m.Mono)
		again := newLedger(t, LedgerOptions{Budget: budget, Now: c.now, Saved: l.Save(m, c.ahead), WallError: time.Minute})
		if got := again.Used(c.now.Mono + half); got != c.used {
			t.Errorf("%s: %v used, expected %v", c.name, got, c.used)
		}
	}
}

// TestSavedTwiceIsTheSame: a ledger that is saved and read back again and again loses nothing and grows by nothing.
func TestSavedTwiceIsTheSame(t *testing.T) {
	l := newLedger(t, LedgerOptions{Budget: time.Hour})
	now := time.Duration(0)
	for range 2000 {
		g, _, _ := l.Spend(now, UseTrip, 1234567*time.Nanosecond)
		now += 3123456789 * time.Nanosecond
		l.Settle(g, 1234567*time.Nanosecond, now)
	}
	m := Moment{Boot: [16]byte{1}, Mono: now}
	var before []spent
	g, _, _ := l.Spend(now, UseTrip, time.Millisecond)
	l.Settle(g, time.Millisecond, now+time.Second) // in the future
	before = slices.Clone(l.past)
	image := l.Save(m, 0)
	for range 100 {
		l = newLedger(t, LedgerOptions{Budget: time.Hour, Now: m, Saved: image})
		image = l.Save(m, 0)
	}
	if len(l.past) != len(before) {
		t.Fatalf("%d entries became %d", len(before), len(l.past))
	}
	for i, p := range l.past {
		b := before[i]
		if p.airtime < b.airtime || p.airtime > b.airtime+time.Microsecond || p.end < b.end || p.end > b.end+time.Microsecond ||
			p.slot < b.slot-time.Microsecond || p.slot > b.slot+time.Microsecond {
			t.Errorf("entry %d: %v became %v", i, b, p)
		}
	}
}

// TestDamagedLedgerIsAFullHour: each bit flipped, cut anywhere, other versions: the whole budget counts as used.
func TestDamagedLedgerIsAFullHour(t *testing.T) {
	const budget = 36 * time.Second
	l := newLedger(t, LedgerOptions{Budget: budget})
	g, _, _ := l.Spend(0, UseTrip, time.Second)
	l.Settle(g, time.Second, time.Second)
	image := l.Save(Moment{Boot: [16]byte{1}, Mono: time.Minute}, 0)
	now := Moment{Boot: [16]byte{1}, Mono: 3 * time.Hour}
	try := func(what string, b []byte) {
		t.Helper()
		l, err := NewLedger(LedgerOptions{Budget: budget, Now: now, Saved: b})
		if !errors.Is(err, ErrLedgerLost) || l == nil {
			t.Fatalf("%s: NewLedger = %v, %v, expected a ledger and ErrLedgerLost", what, l, err)
		}
		if wait, err := l.Ask(now.Mono, UseTrip, time.Second); err != nil || wait < Window-budget {
			t.Fatalf("%s: the next frame waits %v, %v, expected most of an hour", what, wait, err)
		}
		if got := l.Used(now.Mono + Window - budget); got != budget {
			t.Fatalf("%s: %v used, expected all", what, got)
		}
		if got := l.Used(now.Mono + Window); got != Window/slots { // a frame may have been on the air still
			t.Fatalf("%s: an hour later %v used, expected %v", what, got, Window/slots)
		}
	}
	for i := range len(image) {
		try(fmt.Sprintf("cut at %d", i), image[:i:i])
		for bit := range 8 {
			b := slices.Clone(image)
			b[i] ^= 1 << bit
			try(fmt.Sprintf("bit %d of byte %d", bit, i), b)
		}
	}
}

// FuzzSavedLedger: whatever the disk gives, there is a ledger, and what it saves can be read.
func FuzzSavedLedger(f *testing.F) {
	l, _ := NewLedger(LedgerOptions{Budget: time.Minute})
	g, _, _ := l.Spend(0, UseTrip, time.Second)
	l.Settle(g, time.Second, time.Second)
	f.Add(l.Save(Moment{Mono: time.Hour / 2}, time.Second))
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, b []byte) {
		now := Moment{Boot: [16]byte{7}, Mono: time.Hour}
		l, err := NewLedger(LedgerOptions{Budget: time.Minute, Saved: b, Now: now})
		if l == nil || err != nil && !errors.Is(err, ErrLedgerLost) {
			t.Fatalf("NewLedger = %v, %v", l, err)
		}
		if wait, err := l.Ask(now.Mono, UseTrip, time.Second); wait < 0 || err != nil {
			t.Fatalf("Ask = %v, %v", wait, err)
		}
		if _, err := parseSaved(l.Save(now, 0)); err != nil {
			t.Fatal(err)
		}
	})
}

func TestLedgerOptions(t *testing.T) {
	for _, c := range []struct {
		o    LedgerOptions
		want string
	}{
		{LedgerOptions{}, "budget of 0s"},
		{LedgerOptions{Budget: 2 * time.Hour}, "budget of 2h0m0s"},
		{LedgerOptions{Budget: time.Second, Window: time.Millisecond}, "window of 1ms"},
		{LedgerOptions{Budget: time.Second, Pause: -1}, "pause"},
		{LedgerOptions{Budget: time.Second, Kept: [NumUses]float64{0.5, 0.5}}, "shares kept are 1"},
		{LedgerOptions{Budget: time.Second, Kept: [NumUses]float64{-0.5}}, "use trip is -0.5"},
	} {
		if l, err := NewLedger(c.o); l != nil || err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("NewLedger(%+v) = %v, expected an error with %q", c.o, err, c.want)
		}
	}
}
