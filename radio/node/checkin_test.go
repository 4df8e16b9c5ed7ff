package node

import (
	"fmt"
	"testing"
	"time"

	"longlane/proto"
)

// checkInTimes gives when each check-in first went out, from that frame on.
func (b *bench) checkInTimes(from int) (at []time.Duration) {
	last := uint32(0)
	for _, f := range b.sent[from:] {
		if f.raw.Type == proto.TypeCheckIn && f.full != last {
			last, at = f.full, append(at, f.at)
		}
	}
	return at
}

// checkedIn is a node whose last check-in has just been answered.
func checkedIn(t *testing.T, seed uint64, period time.Duration) *bench {
	t.Helper()
	b := newBench(t, Config{CheckIn: period, Seed: seed, Inputs: []InputConfig{{}}})
	for len(b.sent) == 0 || b.txEnd != never {
		b.until(min(b.boot+b.wake, b.txEnd))
	}
	b.answer(b.lastSent())
	return b
}

// copies is how much later a check-in may go because the one before still has its copies on the air.
const copies = 3 * time.Second

// TestCheckInsWithoutAnswer: for two periods a check-in is repeated after 5, 20, 60 and 60 s, give or take a quarter, and from then on, for as
// long as nobody answers, after 5 and 20 s; the longer pauses are cut to a fifth of the period. However long they take, the next period begins
// on time. An answer brings all four back.
func TestCheckInsWithoutAnswer(t *testing.T) {
	for _, period := range []time.Duration{100 * time.Second, 5 * time.Minute, 15 * time.Minute, 12 * time.Hour} {
		for seed := range uint64(10) {
			b := checkedIn(t, seed, period)
			for round := range 2 {
				from, answered := len(b.sent), b.now
				b.until(b.now + 8*period)
				wantSchedule(t, b.checkInTimes(from), answered, period)
				if t.Failed() {
					t.Fatalf("period %v, seed %d, round %d", period, seed, round)
				}
				for n := len(b.sent); len(b.sent) == n || b.txEnd != never; {
					b.until(min(b.boot+b.wake, b.txEnd))
				}
				b.answer(b.lastSent())
			}
		}
	}
}

func wantSchedule(t *testing.T, at []time.Duration, answered, period time.Duration) {
	t.Helper()
	between := func(what string, got, low, high time.Duration) {
		t.Helper()
		if got < low || got > high+copies {
			t.Errorf("%s came after %v, want %v to %v", what, got, low, high)
		}
	}
	pauses := []time.Duration{5 * time.Second, 20 * time.Second, time.Minute, time.Minute}
	begins, n := answered, 0
	for i, when := range at {
		if n == 0 || n > len(pauses) {
			if n = 0; when-begins > 2*period {
				t.Errorf("no check-in for %v", when-begins)
			}
			between("a period's first check-in", when-begins, period*85/100, period*99/100)
			if begins = when; i >= 10 { // two periods of five each are over
				pauses = pauses[:2]
			}
		} else {
			p := pauses[n-1]
			between(fmt.Sprintf("check-in %d, repeat %d,", i, n), when-at[i-1], min(p*3/4, period*17/100), min(p*5/4, period*198/1000))
		}
		n++
	}
	if len(at) < 5+5+5*3 {
		t.Errorf("%d check-ins in eight periods, want 5 in each of the first two and then 3", len(at))
	}
}

// TestOneLostCheckIn: it costs one more, 5 s later.
func TestOneLostCheckIn(t *testing.T) {
	const period = 15 * time.Minute
	for seed := range uint64(20) {
		b := checkedIn(t, seed, period)
		from := len(b.sent)
		for len(b.checkInTimes(from)) < 2 || b.txEnd != never {
			b.until(min(b.boot+b.wake, b.txEnd))
		}
		b.answer(b.lastSent())
		b.until(b.now + period*84/100)
		if at := b.checkInTimes(from); len(at) != 2 {
			t.Errorf("seed %d: check-ins at %v, want two, the second 5 s after the first", seed, at)
		}
	}
}

// TestOnePeriodIsNoOutage: after a period without an answer a trip still goes five times, since that was a burst of noise perhaps; after two it
// goes once a try, since nobody seems to be there.
func TestOnePeriodIsNoOutage(t *testing.T) {
	const period = 15 * time.Minute
	for periods, want := range map[time.Duration]int{1: 5, 2: 1} {
		b := checkedIn(t, 1, period)
		b.until(b.now + periods*period + 4*time.Minute)
		from := len(b.sent)
		b.edge(0, true)
		b.until(b.now + 4*time.Second)
		got := 0
		for _, f := range b.sent[from:] {
			if f.raw.Type == proto.TypeTripOpened && f.raw.Attempt == 0 {
				got++
			}
		}
		if got != want {
			t.Errorf("after %d periods without an answer the trip's first attempt went %d times, want %d", periods, got, want)
		}
	}
}
