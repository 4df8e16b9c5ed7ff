// Package period reads the times that people ask for: "yesterday", "last night", "since 18:00", or from one time to another.
package period

import (
	"fmt"
	"strings"
	"time"
)

// Parse reads words as seen from now, in now's zone. It is from from to before to, and to is never later than now.
//
//	today, yesterday        from midnight to midnight, as the clock on the wall goes
//	last night              from 18:00 to 08:00; the night that is, if it is night
//	since 18:00             from when it last was 18:00; also since 2026-03-01, since an RFC 3339 time
//	2026-03-01              that day
//	A..B                    from A to B, each a day or an RFC 3339 time; a day as B is whole
func Parse(words string, now time.Time) (from, to time.Time, err error) {
	day := func(n int) time.Time {
		return time.Date(now.Year(), now.Month(), now.Day()+n, 0, 0, 0, 0, now.Location())
	}
	hour := func(n, h int) time.Time {
		return time.Date(now.Year(), now.Month(), now.Day()+n, h, 0, 0, 0, now.Location())
	}
	words = strings.Join(strings.Fields(words), " ")
	since, isSince := strings.CutPrefix(words, "since ")
	a, b, isRange := strings.Cut(words, "..")
	switch {
	case words == "today":
		from, to = day(0), now
	case words == "yesterday":
		from, to = day(-1), day(0)
	case words == "last night" && now.Hour() >= 18:
		from, to = hour(0, 18), now
	case words == "last night":
		from, to = hour(-1, 18), hour(0, 8)
	case isSince:
		from, to, err = parseSince(since, now)
	case isRange:
		var end time.Time
		if from, _, err = parseTime(a, now); err == nil {
			_, end, err = parseTime(b, now)
		}
		to = end
	default:
		from, to, err = parseTime(words, now)
		if err == nil && from.Equal(to) {
			err = fmt.Errorf("%q is a moment: expected two, as in A..B, or %q", words, "since "+words)
		}
	}
	if to.After(now) {
		to = now
	}
	if err == nil && !from.Before(to) {
		err = fmt.Errorf("%q ends before it begins, or has not begun yet", words)
	}
	return from, to, err
}

func parseSince(s string, now time.Time) (from, to time.Time, err error) {
	if c, err := time.Parse("15:04", s); err == nil {
		from = time.Date(now.Year(), now.Month(), now.Day(), c.Hour(), c.Minute(), 0, 0, now.Location())
		if from.After(now) {
			from = time.Date(now.Year(), now.Month(), now.Day()-1, c.Hour(), c.Minute(), 0, 0, now.Location())
		}
		return from, now, nil
	}
	from, _, err = parseTime(s, now)
	return from, now, err
}

// parseTime reads a day, with its end, or a moment, which is its own.
func parseTime(s string, now time.Time) (from, to time.Time, err error) {
	if t, err := time.ParseInLocation(time.DateOnly, s, now.Location()); err == nil {
		return t, t.AddDate(0, 0, 1), nil
	}
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return t, t, nil
	}
	return from, to, fmt.Errorf("%q is no time: expected today, yesterday, \"last night\", \"since 18:00\", a day such as 2026-03-01, "+
		"an RFC 3339 time such as 2026-03-01T18:00:00Z, or two of them as A..B", s)
}
