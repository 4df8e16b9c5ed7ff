package rehearsal

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// Text is the report for people.
func (r *Report) Text() string {
	f := r.figures()
	parts := []string{f.head(), f.rule(), f.trips(), f.latency(), f.told(), f.faults(), f.stations(), f.airtime(), f.losses()}
	return strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" }), "\n")
}

func (f *figures) head() string {
	s := fmt.Sprintf("%s, seed %d: %s rehearsed in %s\n", f.Name, f.Seed, f.Simulated, f.Took)
	if !f.Complete {
		s += fmt.Sprintf("STOPPED EARLY: of %s that were asked for; all figures are of the time until then\n", f.Asked)
	}
	return s
}

func (f *figures) rule() string {
	return wrap("Rule: "+f.Rule.Text+".") + wrap(f.Rule.Caution)
}

func (f *figures) trips() string {
	t := f.Trips
	return table(func(row func(...string)) {
		row("Trips made", count(t.Made))
		row("  stored by the gateway", count(t.Delivered), percent(t.Delivered, t.Made))
		row("  dropped by nodes", count(t.Dropped), percent(t.Dropped, t.Made))
		row("  still held at the end", count(t.Held), percent(t.Held, t.Made))
		row("Check-ins sent", count(f.CheckIns.Sent))
		row("  heard by the gateway", count(f.CheckIns.Heard), percent(f.CheckIns.Heard, f.CheckIns.Sent))
	}, "lrr")
}

func (f *figures) latency() string {
	if f.Slowest == nil {
		return ""
	}
	s := "From the contact to the event stored, of the trips stored:\n" + table(func(row func(...string)) {
		for _, p := range f.Latency {
			who := fmt.Sprintf("  %s %% within", strconv.FormatFloat(100*p.Share, 'f', -1, 64))
			if p.Share == 0.5 {
				who = "  half within"
			}
			row(who, p.Within.String())
		}
		row("  the slowest", f.Slowest.String())
	}, "lr") + "Of all trips made:\n" + table(func(row func(...string)) {
		for _, w := range f.Within {
			row("  stored within "+w.Within.String(), count(w.Trips), percent(w.Trips, f.Trips.Made))
		}
	}, "lrr")
	if f.Relays.Most > 0 {
		s += fmt.Sprintf("A trip came over %.2f relays on the average, and over %d at most.\n", f.Relays.Mean, f.Relays.Most)
	}
	return s
}

// told tells what the house makes of the trips stored.
func (f *figures) told() string {
	t := &f.Told
	n := t.New + t.Unproven + t.Old
	if n == 0 {
		return ""
	}
	s := "How the house was told of the trips stored:\n" + table(func(row func(...string)) {
		row("  as new: it sounds", count(t.New), percent(t.New, n))
		row("  as new but unproven: it sounds", count(t.Unproven), percent(t.Unproven, n))
		row("  as old: it does not sound", count(t.Old), percent(t.Old, n))
	}, "lrr")
	if t.Oldest != nil {
		s += fmt.Sprintf("The oldest that sounded came %s after its contact had closed.\n", t.Oldest)
	}
	if t.NeverMade > 0 {
		s += fmt.Sprintf("TRIPS THAT NOBODY HAD MADE: %s\n", count(t.NeverMade))
	}
	return s
}

func (f *figures) faults() string {
	if len(f.Faults) == 0 {
		return "The house was told of no fault.\n"
	}
	return "Faults that the house was told of, and at what time of the rehearsal (hours:minutes:seconds):\n" + table(func(row func(...string)) {
		row("  fault", "of", "began", "first", "last", "ended", "last")
		at := func(s *seconds) string {
			if s == nil {
				return "-"
			}
			return s.clock()
		}
		for _, x := range f.Faults {
			row("  "+x.Fault, x.Of, count(x.Began), at(x.First), at(x.Last), count(x.Ended), at(x.LastEnded))
		}
	}, "llrrrrr")
}

// airtime tells what the time on the air was spent for, all stations together.
func (f *figures) airtime() string {
	a := &f.Airtime
	s := "Time on the air, all stations together, by what was sent and for what:\n" + table(func(row func(...string)) {
		row("  frame", "for", "frames", "in all", "per event stored")
		each := func(d *seconds) string {
			if d == nil {
				return "-"
			}
			return d.plain()
		}
		for _, k := range a.Kinds {
			row("  "+k.Kind, k.For, count(int(k.Frames)), k.Airtime.String(), each(k.PerEvent))
		}
		if a.Ratio != nil {
			row("  trips and faults in all", "", "", a.OfEvents.String(), each(a.PerEvent))
			row("  the least for their ways", "", "", a.Least.String(), fmt.Sprintf("so %.2f times", *a.Ratio))
		}
		if a.PerTrip != nil {
			row("  everything, and by trips stored", "", "", a.InAll.String(), each(a.PerTrip))
		}
	}, "llrrr")
	if f.Withheld.Busy > 0 {
		s += fmt.Sprintf("Frames that nodes did not send at once, since the channel was in use: %s\n", count(f.Withheld.Busy))
	}
	if f.Withheld.Short > 0 {
		s += fmt.Sprintf("Frames that nodes did not send for want of lawful airtime: %s\n", count(f.Withheld.Short))
	}
	if f.Circulating > 0 {
		s += fmt.Sprintf("FRAMES THAT WENT IN CIRCLES: %s\n", count(f.Circulating))
	}
	return s
}

func (f *figures) stations() string {
	return "Time on the air:\n" + table(func(row func(...string)) {
		row("  station", "frames", "in all", "worst hour", "limit", "of the limit", "")
		for _, s := range f.Stations {
			var notes []string
			if !s.Lawful {
				notes = append(notes, "BEYOND THE LIMIT")
			}
			if s.Died != "" {
				notes = append(notes, "died: "+s.Died)
			}
			row("  "+s.Name, count(int(s.Frames)), s.Airtime.String(), s.WorstHour.plain(), s.Limit.plain(),
				strconv.FormatFloat(100*s.Share, 'f', 2, 64)+" %", strings.Join(notes, "; "))
		}
	}, "lrrrrrl")
}

func (f *figures) losses() string {
	var s string
	if len(f.Losses) == 0 {
		s = "No frame was lost on its way.\n"
	} else {
		s = "Frames lost on their way:\n" + f.lossTable()
	}
	if len(f.Refused) > 0 {
		s += "\nFrames that the gateway did not take:\n" + table(func(row func(...string)) {
			for _, verdict := range sorted(f.Refused) {
				row("  "+verdict, count(f.Refused[verdict]))
			}
		}, "lr")
	}
	return s
}

func (f *figures) lossTable() string {
	var directions, causes []string
	frames := map[lossFigures]int{}
	for _, l := range f.Losses { // most first
		if !slices.Contains(causes, l.Cause) {
			causes = append(causes, l.Cause)
		}
		if !slices.Contains(directions, l.Direction) {
			directions = append(directions, l.Direction)
		}
		frames[lossFigures{l.Direction, l.Cause, 0}] = l.Frames
	}
	slices.Sort(directions)
	slices.Reverse(directions) // "to the gateway" first
	return table(func(row func(...string)) {
		row(append([]string{"  cause"}, directions...)...)
		for _, c := range causes {
			cells := []string{"  " + c}
			for _, d := range directions {
				cells = append(cells, count(frames[lossFigures{d, c, 0}]))
			}
			row(cells...)
		}
	}, "l"+strings.Repeat("r", len(directions)))
}

// sorted are the keys, of the greatest number first.
func sorted(m map[string]int) []string {
	return slices.SortedFunc(maps.Keys(m), func(a, b string) int { return cmp.Or(cmp.Compare(m[b], m[a]), cmp.Compare(a, b)) })
}

// table puts rows into columns, each to its left (l) or right (r) edge.
func table(fill func(row func(cells ...string)), edges string) string {
	var rows [][]string
	widths := make([]int, len(edges))
	fill(func(cells ...string) {
		rows = append(rows, cells)
		for i, c := range cells {
			widths[i] = max(widths[i], utf8.RuneCountInString(c))
		}
	})
	var b strings.Builder
	for _, cells := range rows {
		var line strings.Builder
		for i, c := range cells {
			pad := strings.Repeat(" ", widths[i]-utf8.RuneCountInString(c))
			if edges[i] == 'r' {
				line.WriteString(pad + c + "   ")
			} else {
				line.WriteString(c + pad + "   ")
			}
		}
		b.WriteString(strings.TrimRight(line.String(), " ") + "\n")
	}
	return b.String()
}

// wrap breaks a paragraph into lines of up to 100 characters.
func wrap(text string) string {
	var b strings.Builder
	n := 0
	for _, word := range strings.Fields(text) {
		length := utf8.RuneCountInString(word)
		switch {
		case n == 0:
		case n+1+length > 100:
			b.WriteByte('\n')
			n = 0
		default:
			b.WriteByte(' ')
			n++
		}
		b.WriteString(word)
		n += length
	}
	return b.String() + "\n"
}

// count groups digits by threes.
func count(n int) string {
	s := strconv.Itoa(n)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

// percent has two digits after the point, or more where part would else seem to be nothing, or all.
func percent(part, of int) string {
	if of == 0 {
		return "-"
	}
	p := 100 * float64(part) / float64(of)
	digits := 2
	for shown := p; digits < 9; digits++ {
		shown, _ = strconv.ParseFloat(strconv.FormatFloat(p, 'f', digits, 64), 64)
		if (shown != 0 || part == 0) && (shown != 100 || part == of) {
			break
		}
	}
	return strconv.FormatFloat(p, 'f', digits, 64) + " %"
}

// String is s in the units in which people think of such a time.
func (s seconds) String() string {
	switch d := time.Duration(math.Round(float64(s) * float64(time.Second))); {
	case d < 100*time.Second:
		return s.plain()
	case d.Round(time.Second) < time.Hour:
		return pair(d.Round(time.Second), time.Minute, "min", time.Second, "s")
	case d.Round(time.Minute) < 24*time.Hour:
		return pair(d.Round(time.Minute), time.Hour, "h", time.Minute, "min")
	default:
		return pair(d.Round(time.Hour), 24*time.Hour, "days", time.Hour, "h")
	}
}

// plain is s in seconds, with three digits or so.
func (s seconds) plain() string {
	digits := 3
	for limit := seconds(1); digits > 0 && s >= 10*limit; limit *= 10 {
		digits--
	}
	text := strconv.FormatFloat(float64(s), 'f', digits, 64)
	if s == seconds(math.Trunc(float64(s))) {
		text = strconv.FormatFloat(float64(s), 'f', 0, 64)
	}
	return text + " s"
}

// clock is s as a time of the rehearsal.
func (s seconds) clock() string {
	n := int64(math.Round(float64(s)))
	return fmt.Sprintf("%d:%02d:%02d", n/3600, n/60%60, n%60)
}

func pair(d, big time.Duration, bigName string, small time.Duration, smallName string) string {
	s := fmt.Sprintf("%d %s", d/big, bigName)
	if bigName == "days" && d/big == 1 {
		s = "1 day"
	}
	if rest := d % big / small; rest > 0 {
		s += fmt.Sprintf(" %d %s", rest, smallName)
	}
	return s
}

// Words is d in the units in which people think of such a time.
func Words(d time.Duration) string { return inSeconds(d).String() }
