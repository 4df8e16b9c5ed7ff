package air

import (
	"math"
	"math/rand/v2"
	"runtime"
	"testing"
	"time"
)

// TestAirtime holds the counts against windows laid by brute force at every beginning and every end.
func TestAirtime(t *testing.T) {
	for seed := range uint64(8) {
		r := rand.New(rand.NewPCG(seed, 5))
		o := plain(2, 100)
		a := open(t, o)
		var sent []interval
		var total time.Duration
		gap := float64(time.Duration(2+seed*40) * time.Second) // from never an idle hour to many
		at := time.Duration(0)
		for range 600 {
			at += time.Duration(r.ExpFloat64() * gap)
			if r.IntN(100) == 0 {
				at += time.Hour
			}
			long := time.Duration(1+r.IntN(5000)) * time.Millisecond
			a.Send(frame(0, at, long, 0, of(7)))
			sent, total = append(sent, interval{at, at + long}), total+long
			at += long
		}
		var most time.Duration
		for _, s := range sent {
			for _, end := range []time.Duration{s.from, s.to, s.from + time.Hour, s.to + time.Hour} {
				var sum time.Duration
				for _, i := range sent {
					sum += max(min(i.to, end)-max(i.from, end-time.Hour), 0)
				}
				most = max(most, sum)
			}
		}
		if got, want := a.Airtime(0), (Airtime{600, total, most}); got != want {
			t.Errorf("seed %d: %+v, want %+v", seed, got, want)
		}
		if got := a.Airtime(1); got != (Airtime{}) {
			t.Errorf("seed %d: a silent station: %+v", seed, got)
		}
	}
}

// TestAirtimeAcrossTheHour: 36 s within the clock's hours can be 72 s within one.
func TestAirtimeAcrossTheHour(t *testing.T) {
	a := open(t, plain(1, 100))
	for i := range 36 {
		a.Send(frame(0, time.Hour-time.Duration(36-i)*2*time.Second, time.Second, 0, of(7)))
	}
	for i := range 36 {
		a.Send(frame(0, time.Hour+time.Duration(i)*2*time.Second, time.Second, 0, of(7)))
	}
	if got := a.Airtime(0).Hour; got != 72*time.Second {
		t.Errorf("the most within an hour: %v, want 72 s", got)
	}
}

// TestMemory: a year takes no more memory than its first month.
func TestMemory(t *testing.T) {
	const stations, month, year = 50, 365 * 24 * time.Hour / 12, 365 * 24 * time.Hour
	r := rand.New(rand.NewPCG(1, 1))
	o := plain(stations, 110)
	o.Fading = Fading{Kind: Rayleigh, Coherence: time.Second}
	a := open(t, o)
	inUse := func() uint64 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	var first, most uint64
	next := month
	drive(a, func(yield func(Sending) bool) {
		long := of(9).Airtime(30)
		for at := time.Duration(0); at < year; at += time.Duration(r.ExpFloat64() * float64(time.Hour) / stations / 2) {
			if at >= next {
				if now := inUse(); first == 0 {
					first = now
				} else {
					most = max(most, now)
				}
				next += month
			}
			from := r.IntN(stations)
			for a.stations[from].until() > at {
				from = (from + 1) % stations
			}
			if !yield(frame(from, at, long, 14, of(9))) {
				return
			}
		}
	}, func(f *Frame) { a.Heard(f, (f.From+1)%stations, 0) })
	if next < year || most == 0 {
		t.Fatalf("the run ended at %v", next)
	}
	grown := float64(most) - float64(first)
	t.Logf("in use after a month %d kB, at most later %d kB", first>>10, most>>10)
	if grown > 100<<10 || math.IsNaN(grown) {
		t.Errorf("memory grew by %.0f kB after the first month: want none, but for some noise", grown/1024)
	}
}
