// Package digest makes answers of what a history holds: whether a zone was watched, how often trips come at which hour, and what looks
// suspicious. It has no clock and does no I/O.
package digest

import (
	"fmt"
	"math/bits"
	"time"

	"longlane/queue/history"
	"longlane/queue/history/watched"
)

// Watch answers whether a zone was watched, or an annunciator would have sounded.
type Watch struct {
	Subject  string
	From, To time.Time
	// Watched is the time for which that is proven, EndToEnd and RadioOnly together.
	Watched, EndToEnd, RadioOnly time.Duration
	Gaps                         []history.Span // with times, in order, without overlap
	// Pending is the time behind To that a next check-in may prove; it is neither watched nor a gap.
	Pending time.Duration
}

// NewWatch looks at the spans of one subject from from to before to. now is the time of the question: of the time just before it,
// up to patience, which is as long as a node may be silent, nobody can know yet.
func NewWatch(subject string, spans []history.Span, from, to, now time.Time, patience time.Duration) *Watch {
	w := &Watch{Subject: subject, From: from, To: to}
	line := watched.Timeline(spans, from, to)
	if n := len(line); n > 0 && !to.Before(now.Add(-time.Second)) {
		if last := line[n-1]; last.Quality == history.Gap && last.Cause == watched.NotRunning && last.Length <= patience {
			line, w.To, w.Pending = line[:n-1], last.From.Wall, last.Length
		}
	}
	_, w.EndToEnd, w.RadioOnly = watched.Sum(line)
	w.Watched = w.EndToEnd + w.RadioOnly
	for _, s := range line {
		if s.Quality == history.Gap {
			w.Gaps = append(w.Gaps, s)
		}
	}
	return w
}

// Total is the time that is asked about and of which something can be known.
func (w *Watch) Total() time.Duration { return w.To.Sub(w.From) }

// Percent is part of whole in hundredths of a percent, rounded down: it is never better than the truth, and 100.00 only if nothing
// is missing.
func Percent(part, whole time.Duration) float64 {
	if whole <= 0 || part <= 0 {
		return 0
	}
	high, low := bits.Mul64(uint64(min(part, whole)), 10000) // it does not fit into 64 bits beyond ten days
	n, _ := bits.Div64(high, low, uint64(whole))
	return float64(n) / 100
}

// PercentText is Percent in words: "99.97 %".
func PercentText(part, whole time.Duration) string {
	return fmt.Sprintf("%.2f %%", Percent(part, whole))
}
