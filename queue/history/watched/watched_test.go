package watched

import (
	"flag"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"

	"longlane/queue/history"
)

var seed = flag.Uint64("seed", 1, "seed of the random lives")

var start = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

const (
	zone   = "river gate"
	period = 60 // seconds between check-ins
	lives  = 150
)

// life is the truth, second by second, and what a ledger made of it.
type life struct {
	seconds int
	watched []bool // a trip in this second would have been told of in time, as the doc says
	spans   []history.Span
}

type odds struct {
	loss                              float64 // of a frame
	nodeDies, pathFails, wireBreaks   float64 // in a second
	gatewayDies                       float64
	trips                             float64
	nodeBack, pathBack, wireBack, gwB float64
}

// live plays a node with one input, its path, its wire and the gateway.
func live(r *rand.Rand, n int, o odds, longest time.Duration) *life {
	l := &life{seconds: n, watched: make([]bool, n)}
	type state struct{ node, path, wire, gateway bool }
	states, ids := make([]state, n), make([]uint64, n)
	s, id := state{true, true, true, true}, uint64(1)
	flip := func(v *bool, fails, back float64) bool {
		p := fails
		if !*v {
			p = back
		}
		if r.Float64() >= p {
			return false
		}
		*v = !*v
		return true
	}
	var led *Ledger
	var held []func() // what the node has not been able to tell
	standing, standingAt := false, time.Duration(0)
	newLedger := func(at time.Duration) {
		led = New(ForZones([16]byte{1}, at, longest))
		led.Add(zone, at)
		if standing {
			led.Bad(zone, standingAt, "wire open")
		}
	}
	newLedger(0)
	report := func(bad bool, at time.Duration) {
		held = append(held, func() {
			if standing = bad; bad {
				standingAt = at
				led.Bad(zone, at, "wire open")
			} else {
				led.Good(zone, at)
			}
		})
	}
	for t := range n {
		now := time.Duration(t) * time.Second
		if flip(&s.node, o.nodeDies, o.nodeBack) {
			held = nil // its memory is gone
			if s.node {
				id++
				if s.wire == standing { // it tells how the wire is, if the gateway thinks otherwise
					report(!s.wire, now)
				}
			}
		}
		flip(&s.path, o.pathFails, o.pathBack)
		if flip(&s.wire, o.wireBreaks, o.wireBack) && s.node {
			report(!s.wire, now)
		}
		if flip(&s.gateway, o.gatewayDies, o.gwB) && s.gateway {
			newLedger(now)
		}
		states[t], ids[t] = s, id
		if !s.gateway {
			continue
		}
		through := func() bool { return s.node && s.path && r.Float64() >= o.loss }
		if len(held) > 0 && through() {
			held[0]()
			held = held[1:]
		}
		if r.Float64() < o.trips && through() {
			led.Proven(zone, Proof{At: now})
		}
		if t%period == 0 && through() {
			led.Proven(zone, Proof{At: now, Life: id, Complete: len(held) == 0, Quality: history.EndToEnd})
		}
		if t%10 == 0 {
			l.take(led, now)
		}
	}
	limit := int(longest / time.Second)
	next := n + limit + 1 // the next second in which a frame could have come through
	for t := n - 1; t >= 0; t-- {
		switch {
		case !states[t].node:
			next = n + limit + 1
		case t+1 < n && ids[t+1] != ids[t]:
			next = n + limit + 1
		}
		if states[t].node && states[t].path {
			next = t
		}
		l.watched[t] = states[t].node && states[t].wire && states[t].gateway && next-t <= limit
	}
	return l
}

func (l *life) take(led *Ledger, now time.Duration) {
	for _, s := range led.Take(now) {
		s.From.Wall = start.Add(s.From.Mono)
		for i := len(l.spans) - 1; ; i-- { // as the store does it
			if i < 0 {
				l.spans = append(l.spans, s)
				break
			}
			if o := &l.spans[i]; o.From == s.From && o.Quality == s.Quality {
				*o = s
				break
			}
		}
	}
}

const longest = (2*period + 10) * time.Second

// Whatever dies, is lost or restarts: the ledger never says watched of a second that was not, and every gap has a cause.
func TestNeverOptimistic(t *testing.T) {
	t.Logf("seed %d (-seed)", *seed)
	said, truth := 0, 0
	for i := range uint64(lives) {
		r := rand.New(rand.NewPCG(*seed, i))
		scale := []float64{1, 10, 100}[i%3]
		o := odds{loss: 0.2 * r.Float64(), nodeDies: scale * 2e-5, pathFails: scale * 5e-5, wireBreaks: scale * 2e-5, gatewayDies: scale * 2e-5,
			trips: 0.01 * r.Float64(), nodeBack: 0.02, pathBack: 0.01, wireBack: 0.005, gwB: 0.02}
		l := live(r, 20000, o, longest)
		timeline := Timeline(l.spans, start, start.Add(time.Duration(l.seconds)*time.Second))
		at := start
		for _, s := range timeline {
			if !s.From.Wall.Equal(at) || s.Length <= 0 {
				t.Fatalf("life %d: the timeline has a hole or overlaps at %v: %+v", i, at, s)
			}
			at = s.Until()
			if s.Quality == history.Gap && s.Cause == "" {
				t.Fatalf("life %d: a gap without a cause: %+v", i, s)
			}
			if s.Quality == history.Gap {
				continue
			}
			for sec := int(s.From.Wall.Sub(start) / time.Second); sec < int(s.Until().Sub(start)/time.Second); sec++ {
				if said++; !l.watched[sec] {
					t.Fatalf("life %d: second %d was not watched, and the ledger says it was: %+v", i, sec, s)
				}
			}
		}
		if !at.Equal(start.Add(time.Duration(l.seconds) * time.Second)) {
			t.Fatalf("life %d: the timeline ends at %v", i, at)
		}
		for _, w := range l.watched {
			if w {
				truth++
			}
		}
	}
	t.Logf("of %d seconds watched the ledger knows %d, %.1f %%", truth, said, 100*float64(said)/float64(truth))
	if float64(said) < 0.6*float64(truth) {
		t.Errorf("a ledger that knows only %d of %d watched seconds is of no use", said, truth)
	}
}

// Where nothing fails but one frame in a hundred, the ledger knows more than 99.9 % of the truth.
func TestSteadyState(t *testing.T) {
	t.Logf("seed %d (-seed)", *seed)
	const n = 30 * 24 * 3600
	l := live(rand.New(rand.NewPCG(*seed, 99)), n, odds{loss: 0.01, trips: 1e-4}, longest)
	total, watched, _ := Sum(Timeline(l.spans, start, start.Add(n*time.Second)))
	truth := 0
	for _, w := range l.watched {
		if w {
			truth++
		}
	}
	share := watched.Seconds() / float64(truth)
	t.Logf("watched %.3f %% of %v, in %d spans", 100*share, total, len(l.spans))
	if share <= 0.999 || truth < n-1 {
		t.Errorf("the ledger knows %.3f %% of %d true seconds of %d", 100*share, truth, n)
	}
}

// What is told of a gap, and when.
func TestCauses(t *testing.T) {
	check := func(at time.Duration, life uint64) func(*Ledger) {
		return func(l *Ledger) { l.Proven(zone, Proof{At: at, Life: life, Complete: true, Quality: history.EndToEnd}) }
	}
	min := time.Minute
	for name, c := range map[string]struct {
		steps []func(*Ledger)
		now   time.Duration
		want  []history.Span
	}{
		"nothing yet": {nil, 5 * min, []history.Span{{Length: 5 * min, Cause: "nothing had been heard from its node since the gateway started"}}},
		"one proof is none": {[]func(*Ledger){check(min, 1)}, 2 * min, []history.Span{
			{Length: min, Cause: "nothing had been heard from its node since the gateway started"}, {Length: min, Cause: NotRunning}}},
		"relay silent": {[]func(*Ledger){check(0, 1), check(min, 1), func(l *Ledger) { l.Blame(zone, "ridge relay silent") }, check(45*min, 1), check(46*min, 1)}, 46 * min,
			[]history.Span{{Length: min, Quality: history.EndToEnd}, {Length: 44 * min, Cause: "ridge relay silent"}, {Length: min, Quality: history.EndToEnd}}},
		"silent still": {[]func(*Ledger){check(0, 1), check(min, 1)}, 30 * min, []history.Span{
			{Length: min, Quality: history.EndToEnd}, {Length: 29 * min, Cause: "its node was silent"}}},
		"restarted": {[]func(*Ledger){check(0, 1), check(min, 1), check(2*min, 2), check(3*min, 2)}, 3 * min, []history.Span{
			{Length: min, Quality: history.EndToEnd}, {Length: min, Cause: "its node had restarted, or nobody can tell that it had not"}, {Length: min, Quality: history.EndToEnd}}},
		"a trip between": {[]func(*Ledger){check(0, 1), func(l *Ledger) { l.Proven(zone, Proof{At: 2 * min}) }, check(4*min, 1)}, 4 * min,
			[]history.Span{{Length: 4 * min, Quality: history.EndToEnd}}},
		"a trip alone": {[]func(*Ledger){check(0, 1), func(l *Ledger) { l.Proven(zone, Proof{At: 2 * min}) }}, 2 * min,
			[]history.Span{{Length: 2 * min, Cause: NotRunning}}},
		"a trip, then another life": {[]func(*Ledger){check(0, 1), func(l *Ledger) { l.Proven(zone, Proof{At: min}) }, check(2*min, 2)}, 2 * min,
			[]history.Span{{Length: 2 * min, Cause: "its node had restarted, or nobody can tell that it had not"}}},
		"the wire, told late": {[]func(*Ledger){check(0, 1), check(2*min, 1), func(l *Ledger) { l.Bad(zone, min, "wire open") }, check(4*min, 1), func(l *Ledger) { l.Good(zone, 3*min) }}, 4 * min,
			[]history.Span{{Length: min, Quality: history.EndToEnd}, {Length: 2 * min, Cause: "wire open"}, {Length: min, Quality: history.EndToEnd}}},
		"no supervised wire": {[]func(*Ledger){check(0, 1), func(l *Ledger) {
			l.Proven(zone, Proof{At: min, Life: 1, Complete: true, Quality: history.RadioOnly})
		}}, min, []history.Span{{Length: min, Quality: history.RadioOnly}}},
		"silence was told too early": {[]func(*Ledger){check(0, 1), func(l *Ledger) { l.Take(3 * min) }, check(2*min, 1)}, 2 * min,
			[]history.Span{{Length: 2 * min, Quality: history.EndToEnd}}},
	} {
		var l life
		led := New(ForZones([16]byte{1}, 0, longest))
		led.Add(zone, 0)
		for _, do := range c.steps {
			do(led)
			l.take(led, 0)
		}
		l.take(led, c.now)
		got := Timeline(l.spans, start, start.Add(c.now))
		at := start
		for i := range c.want {
			c.want[i].From.Wall = at
			at = c.want[i].Until()
		}
		if len(got) != len(c.want) {
			t.Errorf("%s: %+v, want %+v", name, got, c.want)
			continue
		}
		for i := range got {
			end := got[i].Until().Round(time.Millisecond)
			got[i].From.Wall = got[i].From.Wall.Round(time.Millisecond) // a fault begins an odd nanosecond
			got[i].Length = end.Sub(got[i].From.Wall)
			if got[i] != c.want[i] {
				t.Errorf("%s: %d: %+v, want %+v", name, i, got[i], c.want[i])
			}
		}
	}
}

// Through the store, with a clock that is set only later, the answer is the same.
func TestThroughTheStore(t *testing.T) {
	s, _, err := history.Open(filepath.Join(t.TempDir(), history.File), history.Options{LeaveFree: 1})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	boot := [16]byte{1}
	l := New(ForZones(boot, 0, longest))
	for m := range 31 * 60 {
		at := time.Duration(m) * time.Minute
		if m < 600 || m > 645 {
			l.Proven(zone, Proof{At: at, Life: 1, Complete: true, Quality: history.EndToEnd})
		} else {
			l.Blame(zone, "ridge relay silent")
		}
		if m%60 != 0 {
			continue
		}
		if m == 900 {
			err = s.ClockSet(boot, start.Add(at), at)
		}
		if e := s.Write(history.Batch{Spans: l.Take(at)}); err != nil || e != nil {
			t.Fatal(err, e)
		}
	}
	var list []history.Span
	if err := s.Spans(history.Watch, zone, start, start.Add(40*time.Hour), func(x *history.Span) error { list = append(list, *x); return nil }); err != nil {
		t.Fatal(err)
	}
	got := Timeline(list, start.Add(9*time.Hour), start.Add(30*time.Hour))
	if len(got) != 3 || got[1].Cause != "ridge relay silent" || got[1].Length != 47*time.Minute || got[0].Quality != history.EndToEnd || !got[1].From.Wall.Equal(start.Add(599*time.Minute)) {
		t.Errorf("%+v", got)
	}
}
