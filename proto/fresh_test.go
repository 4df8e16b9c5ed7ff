package proto

import (
	"testing"
	"time"
)

func TestJudge(t *testing.T) {
	const s, wrap = time.Second, time.Duration(NoTime) * time.Second
	for _, c := range []struct {
		what    string
		sent    SendTime
		now     Instant
		transit time.Duration
		want    Freshness
		late    time.Duration
	}{
		{"at once", SendTime{100, 7}, Instant{7, 100 * s}, 0, Fresh, 0},
		{"half a second", SendTime{100, 7}, Instant{7, 100*s + s/2}, 0, Fresh, s / 2},
		{"16 s", SendTime{100, 7}, Instant{7, 116 * s}, 0, Fresh, 16 * s},
		{"just above 16 s", SendTime{100, 7}, Instant{7, 116*s + 1}, 0, Late, 16*s + 1},
		{"an hour", SendTime{100, 7}, Instant{7, 3700 * s}, 0, Late, time.Hour},
		{"60 days", SendTime{100, 7}, Instant{7, 100*s + 60*24*time.Hour}, 0, Late, 60 * 24 * time.Hour},
		{"clock 15 s ahead", SendTime{115, 7}, Instant{7, 100 * s}, 0, Fresh, 0},
		{"clock just more ahead", SendTime{115, 7}, Instant{7, 100*s - 1}, 0, Unproven, 0},
		{"from tomorrow", SendTime{86500, 7}, Instant{7, 100 * s}, 0, Unproven, 0},
		{"an hour, all at relays", SendTime{100, 7}, Instant{7, 3700 * s}, time.Hour, Fresh, 0},
		{"16 s beside the relays' hour", SendTime{100, 7}, Instant{7, 3716 * s}, time.Hour, Fresh, 16 * s},
		{"above 16 s beside it", SendTime{100, 7}, Instant{7, 3716*s + 1}, time.Hour, Late, 16*s + 1},
		{"relays claim 15 s too much", SendTime{100, 7}, Instant{7, 110 * s}, 25 * s, Fresh, 0},
		{"relays claim more", SendTime{100, 7}, Instant{7, 110*s - 1}, 25 * s, Unproven, 0},
		{"epoch before", SendTime{100, 6}, Instant{7, 100 * s}, 0, Unproven, 0},
		{"epoch after", SendTime{100, 8}, Instant{7, 100 * s}, 0, Unproven, 0},
		{"low 8 bits of the epoch", SendTime{100, 7}, Instant{0x1207, 100 * s}, 0, Fresh, 0},
		{"no time", SendTime{NoTime, 7}, Instant{7, 100 * s}, 0, Unproven, 0},
		{"no time, at the wrap", SendTime{NoTime, 7}, Instant{7, wrap}, 0, Unproven, 0},
		{"just wrapped", SendTime{0, 7}, Instant{7, wrap}, 0, Fresh, 0},
		{"last second before the wrap", SendTime{NoTime - 1, 7}, Instant{7, wrap - s/2}, 0, Fresh, s / 2},
		{"over the wrap", SendTime{NoTime - 3, 7}, Instant{7, wrap + 2*s}, 0, Fresh, 5 * s},
		{"late over the wrap", SendTime{NoTime - 3, 7}, Instant{7, wrap + 14*s}, 0, Late, 17 * s},
		{"over the second wrap", SendTime{NoTime - 3, 7}, Instant{7, 2*wrap + 2*s}, 0, Fresh, 5 * s},
		{"relays over the wrap", SendTime{NoTime - 3, 7}, Instant{7, wrap + 2*s}, 4 * s, Fresh, s},
		{"clock 4 s ahead over the wrap", SendTime{3, 7}, Instant{7, wrap - s}, 0, Fresh, 0},
		{"clock 16 s ahead over the wrap", SendTime{15, 7}, Instant{7, wrap - s}, 0, Unproven, 0},
	} {
		got, late := Judge(c.sent, c.now, c.transit, FreshWithin)
		if got != c.want || late != c.late && got != Unproven {
			t.Errorf("%s: Judge(%v, %v, %v) = %v, %v, want %v, %v", c.what, c.sent, c.now, c.transit, got, late, c.want, c.late)
		}
	}
}

// Whatever the moment, also around the wrap, a node whose clock is right is judged by how long its frame took.
func TestJudgeAtAnyMoment(t *testing.T) {
	const period = time.Duration(NoTime) * time.Second
	r := newRand(t)
	for range 20000 {
		sealed := Instant{randWord(r), time.Duration(r.Int64N(int64(3 * period)))}
		if coin(r) { // near a wrap
			sealed.Since = period*time.Duration(1+r.IntN(3)) + time.Duration(r.Int64N(int64(time.Minute))) - 30*time.Second
		}
		took, transit := time.Duration(r.Int64N(int64(40*time.Second))), time.Duration(r.Int64N(int64(time.Minute)))
		ahead := time.Duration(r.Int64N(int64(40*time.Second))) - 20*time.Second
		clock := Instant{sealed.Epoch, max(sealed.Since+ahead, 0)}
		ahead = clock.Since - sealed.Since
		arrival := Instant{sealed.Epoch, sealed.Since + took + transit}
		exact := took - ahead + clock.Since%time.Second // the send time is rounded down
		want := Fresh
		if exact > 16*time.Second {
			want = Late
		} else if exact < -15*time.Second {
			want = Unproven
		}
		got, late := Judge(clock.SendTime(), arrival, transit, FreshWithin)
		if got != want || want != Unproven && late != max(exact, 0) {
			t.Fatalf("sealed %v, clock %v ahead, took %v and %v at relays: %v, %v, want %v, %v", sealed.Since, ahead, took,
				transit, got, late, want, exact)
		}
	}
}

func TestSendTime(t *testing.T) {
	for _, c := range []struct {
		at   Instant
		want SendTime
	}{{Instant{0, 0}, SendTime{0, 0}}, {Instant{0x1234, 1999 * time.Millisecond}, SendTime{1, 0x34}},
		{Instant{1, 16777214 * time.Second}, SendTime{16777214, 1}}, {Instant{1, 16777215 * time.Second}, SendTime{0, 1}},
		{Instant{1, 2*16777215*time.Second - 1}, SendTime{16777214, 1}}} {
		if got := c.at.SendTime(); got != c.want || !got.Known() {
			t.Errorf("%v.SendTime() = %v, want %v", c.at, got, c.want)
		}
	}
	if (SendTime{Seconds: NoTime}).Known() {
		t.Error("NoTime counts as known")
	}
}

// FreshWithin is argued from MaxDrift and TimeHolds; whoever changes one must look at the other.
func TestFreshWithinCoversDrift(t *testing.T) {
	drift := time.Duration(MaxDrift * float64(TimeHolds))
	if want := 8640 * time.Millisecond; drift.Round(time.Millisecond) != want {
		t.Errorf("drift over TimeHolds is %v, want %v", drift, want)
	}
	if slack := FreshWithin - drift - time.Second; slack < 5*time.Second {
		t.Errorf("FreshWithin leaves %v beside drift and rounding, want 5 s", slack)
	}
}

func TestFreshnessNames(t *testing.T) {
	for f, want := range map[Freshness]string{Fresh: "fresh", Late: "late", Unproven: "unproven"} {
		if got := f.String(); got != want {
			t.Errorf("Freshness(%d).String() = %q, want %q", f, got, want)
		}
	}
}
