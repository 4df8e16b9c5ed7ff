package digest

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"longlane/queue/history"
	"longlane/queue/history/watched"
)

var start = time.Date(2026, 6, 1, 18, 0, 0, 0, time.UTC)

func span(from, to time.Duration, q history.Quality, cause string) history.Span {
	return history.Span{Kind: history.Watch, Subject: "gate", From: history.Moment{Wall: start.Add(from)}, Length: to - from, Quality: q, Cause: cause}
}

// TestWatch: the night of the issue.
func TestWatch(t *testing.T) {
	const h, m = time.Hour, time.Minute
	spans := []history.Span{span(0, 8*h+10*m, history.EndToEnd, ""), span(8*h+10*m, 8*h+55*m, history.Gap, "ridge relay silent"),
		span(8*h+55*m, 13*h+50*m, history.RadioOnly, "")}
	to := start.Add(14 * h)
	w := NewWatch("gate", spans, start, to, to.Add(time.Hour), 30*m)
	if len(w.Gaps) != 2 || w.Gaps[0].Cause != "ridge relay silent" || w.Gaps[0].Length != 45*m || w.Gaps[1].Cause != watched.NotRunning || w.Pending != 0 {
		t.Errorf("%+v", w)
	}
	if w.Watched != 13*h+5*m || w.EndToEnd != 8*h+10*m || w.Total() != 14*h {
		t.Errorf("watched %v, end to end %v, of %v", w.Watched, w.EndToEnd, w.Total())
	}
	w = NewWatch("gate", spans, start, to, to, 30*m) // asked at once: the last ten minutes are not known yet
	if len(w.Gaps) != 1 || w.Pending != 10*m || w.Total() != 13*h+50*m {
		t.Errorf("asked at once: %+v", w)
	}
	w = NewWatch("gate", spans, start, to, to, 5*m) // longer than a node may be silent
	if len(w.Gaps) != 2 || w.Pending != 0 {
		t.Errorf("asked by the impatient: %+v", w)
	}
}

// TestPercent: never better than the truth, and never more than a hundredth worse.
func TestPercent(t *testing.T) {
	for _, c := range []struct {
		part, whole time.Duration
		want        string
	}{{0, time.Hour, "0.00 %"}, {time.Hour, time.Hour, "100.00 %"}, {time.Hour - 1, time.Hour, "99.99 %"}, {1, 800 * 24 * time.Hour, "0.00 %"}, {70 * 365 * 24 * time.Hour, 140 * 365 * 24 * time.Hour, "50.00 %"},
		{14*time.Hour - 15*time.Second, 14 * time.Hour, "99.97 %"}, {time.Hour, 0, "0.00 %"}} {
		if got := PercentText(c.part, c.whole); got != c.want {
			t.Errorf("Percent(%v, %v) = %s, want %s", c.part, c.whole, got, c.want)
		}
	}
	seed := rand.Uint64()
	r := rand.New(rand.NewPCG(seed, 0))
	for range 100_000 {
		whole := 1 + time.Duration(r.Int64N(int64(20*365*24*time.Hour)))
		part := time.Duration(r.Int64N(int64(whole) + 1))
		got, truth := Percent(part, whole), 100*float64(part)/float64(whole)
		if got > truth+1e-9 || got < truth-0.01-1e-9 || got == 100 && part != whole {
			t.Fatalf("seed %d: Percent(%d, %d) = %v, truth %v", seed, part, whole, got, truth)
		}
	}
}

func trip(at time.Time, dwell time.Duration) *history.Trip {
	return &history.Trip{At: history.Moment{Wall: at}, Zone: "gate", Dwell: dwell, Opened: true, Closed: dwell >= 0}
}

// TestFindings: an ordinary month gives none, a leaf in the afternoons and a night of it each give theirs.
func TestFindings(t *testing.T) {
	seed := rand.Uint64()
	for round := range uint64(20) {
		r := rand.New(rand.NewPCG(seed, round))
		from := time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)
		rates := NewRates(from, from.AddDate(0, 0, 30), 100*time.Millisecond)
		for d := range 30 {
			for range 20 + r.IntN(10) { // as people come: by day, at seven and at five more often
				h := []int{7, 7, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 17, 17, 18, 19, 21}[r.IntN(18)]
				rates.Add(trip(from.Add(time.Duration(d*24+h)*time.Hour+time.Duration(r.IntN(3600))*time.Second), time.Duration(200+r.IntN(9000))*time.Millisecond))
			}
		}
		if round%2 == 0 {
			if rates.Done(); len(rates.Findings) != 0 {
				t.Fatalf("seed %d, round %d: an ordinary month: %+v", seed, round, rates.Findings)
			}
			continue
		}
		for d := range 12 {
			rates.Add(trip(from.Add(time.Duration(d*24+16)*time.Hour), 30*time.Millisecond))
			rates.Add(trip(from.Add(time.Duration(d*24+3)*time.Hour), 30*time.Millisecond))
		}
		for i := range 25 {
			rates.Add(trip(from.Add(10*24*time.Hour+2*time.Hour+time.Duration(i)*time.Minute), time.Second))
		}
		rates.Done()
		text := ""
		for _, f := range rates.Findings {
			text += f.Text + "\n"
		}
		for _, want := range []string{"24 of ", "less than 100ms", "from 03:00 to 04:00, 12 of 12", "25 trips from 2026-06-11 02:00 to 03:00"} {
			if !strings.Contains(text, want) {
				t.Errorf("seed %d, round %d: %q is not in\n%s", seed, round, want, text)
			}
		}
		if len(rates.Findings) != 3 {
			t.Errorf("seed %d, round %d: %d findings, want 3:\n%s", seed, round, len(rates.Findings), text)
		}
	}
}

// TestRates: by the clock on the wall, through the change of summer time.
func TestRates(t *testing.T) {
	loc, err := time.LoadLocation("Europe/Vienna")
	if err != nil {
		t.Fatal(err)
	}
	from := time.Date(2026, 10, 24, 0, 0, 0, 0, loc)
	rates := NewRates(from, from.AddDate(0, 0, 3), 0)
	rates.Add(trip(time.Date(2026, 10, 24, 18, 30, 0, 0, time.UTC), -1)) // 20:30
	rates.Add(trip(time.Date(2026, 10, 25, 19, 30, 0, 0, time.UTC), -1)) // 20:30, in winter
	rates.Done()
	if rates.Hours[20] != 2 || rates.Weekdays[time.Saturday] != 1 || rates.Weekdays[time.Sunday] != 1 || rates.Total != 2 || len(rates.Findings) != 0 {
		t.Errorf("%+v", rates)
	}
}

// TestPoissonTail against published values: P(X >= 5) for mean 2 is 0.0527, P(X >= 10) for mean 5 is 0.0318 (tables of the cumulative
// Poisson distribution: 1 - 0.9473, 1 - 0.9682).
func TestPoissonTail(t *testing.T) {
	for _, c := range []struct {
		n    int
		mean float64
		want float64
	}{{5, 2, 0.0527}, {10, 5, 0.0318}, {1, 0.5, 1 - math.Exp(-0.5)}, {50, 2000, 1}} {
		if got := poissonTail(c.n, c.mean); math.Abs(got-c.want) > 1e-4 {
			t.Errorf("poissonTail(%d, %v) = %v, want %v", c.n, c.mean, got, c.want)
		}
	}
}

func TestFilter(t *testing.T) {
	short, long, unknown, test := trip(start, 50*time.Millisecond), trip(start, 5*time.Second), trip(start, -1), trip(start, time.Second)
	test.Test = true
	for _, c := range []struct {
		f    Filter
		want [4]bool
	}{
		{Filter{}, [4]bool{true, true, true, false}},
		{Filter{Tests: true}, [4]bool{true, true, true, true}},
		{Filter{MinDwell: time.Second}, [4]bool{false, true, false, false}},
		{Filter{MaxDwell: time.Second}, [4]bool{true, false, false, false}},
		{Filter{Zones: []string{"mill"}}, [4]bool{}},
		{Filter{Zones: []string{"mill", "gate"}}, [4]bool{true, true, true, false}},
	} {
		for i, tr := range []*history.Trip{short, long, unknown, test} {
			if got := c.f.Takes(tr); got != c.want[i] {
				t.Errorf("%+v takes trip %d: %v", c.f, i, got)
			}
		}
	}
}
