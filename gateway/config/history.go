package config

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// HistoryName is the history's name as a sink, in faults and metrics.
const HistoryName = "history"

// History says what is kept for years, beside what waits for delivery. What is left out of the table has its default.
type History struct {
	// Off has nothing kept.
	Off bool `toml:"off"`
	// Trips is how long trips, faults and watched time are kept, 1 to 3660 days; Hours likewise for check-ins, summed up by the hour.
	Trips Days `toml:"trips"`
	Hours Days `toml:"hours"`
	// MaxMiB is the greatest size of what the file holds, 16 to 1024 MiB: the oldest goes beyond that, whatever its age.
	MaxMiB int `toml:"max_mib"`
	// Leaf is a dwell, up to 10 s: what was shorter is pointed out as a leaf's or an insect's rather than a visit.
	Leaf Duration `toml:"leaf"`
}

// day is a day's length where a day is a length of time.
const day = 24 * time.Hour

// mostDays is ten years.
const mostDays = 3660

func (h *History) check(k checker) {
	k.days("trips", h.Trips)
	k.days("hours", h.Hours)
	k.number("max_mib", h.MaxMiB, 16, 1024, ", in MiB")
	k.between("leaf", h.Leaf, 0, 10*time.Second)
}

func (k checker) days(field string, d Days) {
	if time.Duration(d) < day || time.Duration(d) > mostDays*day {
		k.refuse(field, quote(d.String()), fmt.Sprintf("\"1d\" to \"%dd\"", mostDays))
	}
}

// Days is a number of days written as text: "731d".
type Days time.Duration

// UnmarshalText accepts a whole number with a d.
func (d *Days) UnmarshalText(text []byte) error {
	count, rest, ok := strings.Cut(string(text), "d")
	n, err := strconv.ParseUint(count, 10, 16)
	if err != nil || !ok || rest != "" {
		return fmt.Errorf("%q is no number of days", text)
	}
	*d = Days(n) * Days(day)
	return nil
}

// MarshalText writes the form that UnmarshalText reads.
func (d Days) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

func (d Days) String() string { return fmt.Sprintf("%dd", time.Duration(d)/day) }

// Expected implements Expecter.
func (Days) Expected() string { return `a number of days in quotes such as "731d"` }
