package period

import (
	"testing"
	"time"
	_ "time/tzdata"
)

func TestParse(t *testing.T) {
	paris, err := time.LoadLocation("Europe/Paris")
	if err != nil {
		t.Fatal(err)
	}
	noon := time.Date(2026, 3, 30, 12, 0, 0, 0, paris) // the day before has 23 hours
	for _, c := range []struct{ words, now, from, to string }{
		{"today", "", "2026-03-30T00:00:00+02:00", "2026-03-30T12:00:00+02:00"},
		{"yesterday", "", "2026-03-29T00:00:00+01:00", "2026-03-30T00:00:00+02:00"},
		{" last   night", "", "2026-03-29T18:00:00+02:00", "2026-03-30T08:00:00+02:00"},
		{"last night", "2026-03-30T03:00:00+02:00", "2026-03-29T18:00:00+02:00", "2026-03-30T03:00:00+02:00"},
		{"last night", "2026-03-30T23:00:00+02:00", "2026-03-30T18:00:00+02:00", "2026-03-30T23:00:00+02:00"},
		{"since 18:00", "", "2026-03-29T18:00:00+02:00", "2026-03-30T12:00:00+02:00"},
		{"since 08:30", "", "2026-03-30T08:30:00+02:00", "2026-03-30T12:00:00+02:00"},
		{"since 2026-03-01", "", "2026-03-01T00:00:00+01:00", "2026-03-30T12:00:00+02:00"},
		{"2026-03-29", "", "2026-03-29T00:00:00+01:00", "2026-03-30T00:00:00+02:00"},
		{"2026-03-28..2026-03-29", "", "2026-03-28T00:00:00+01:00", "2026-03-30T00:00:00+02:00"},
		{"2026-03-01T01:00:00Z..2026-03-01T02:00:00Z", "", "2026-03-01T01:00:00Z", "2026-03-01T02:00:00Z"},
		{"soon", "", "", ""}, {"", "", "", ""}, {"tomorrow", "", "", ""}, {"2026-04-02", "", "", ""},
		{"2026-03-29..2026-03-27", "", "", ""}, {"since 25:00", "", "", ""}, {"2026-03-01T01:00:00Z", "", "", ""},
	} {
		now := noon
		if c.now != "" {
			if now, err = time.Parse(time.RFC3339, c.now); err != nil {
				t.Fatal(err)
			}
			now = now.In(paris)
		}
		from, to, err := Parse(c.words, now)
		if c.from == "" {
			if err == nil {
				t.Errorf("%q: %v to %v, want an error", c.words, from, to)
			}
			continue
		}
		wantFrom, _ := time.Parse(time.RFC3339, c.from)
		wantTo, _ := time.Parse(time.RFC3339, c.to)
		if err != nil || !from.Equal(wantFrom) || !to.Equal(wantTo) {
			t.Errorf("%q: %v to %v, %v; want %s to %s", c.words, from, to, err, c.from, c.to)
		}
	}
}
