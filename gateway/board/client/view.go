package client

import (
	"fmt"
	"math"
	"strings"
	"time"
	"unicode/utf8"

	"longlane/gateway/board"
	"longlane/gateway/health"
)

// View is what a terminal shows.
type View struct {
	Now    *board.Situation // nil: nothing is known yet
	Trips  []board.Trip     // the newest first
	Lost   error            // nil: connected
	Since  time.Time        // of Lost
	Gap    bool             // events may have been missed
	Colour bool
	Width  int // 0: any
	Height int // 0: any
}

// Lines are the view, each no longer than its width, and no more than its height. Colour never says anything alone.
func (v *View) Lines() []string {
	var l []string
	add := func(style, format string, args ...any) { l = append(l, v.line(style, fmt.Sprintf(format, args...))) }
	switch {
	case v.Now == nil && v.Lost == nil:
		add("", "Connecting ...")
	case v.Lost != nil:
		add(bad, "NOT CONNECTED since %s: %v. Trying again. What stands below is old.", v.Since.Local().Format("15:04:05"), v.Lost)
	}
	if v.Now == nil {
		return l
	}
	s := v.Now
	add(bold, "%s, gateway %s, as of %s", s.Site, s.Gateway, s.At.Local().Format("15:04:05"))
	if s.Clock != board.ClockSet {
		add(warn, "The gateway's clock is not set: times of day are not known.")
	}
	if v.Gap {
		add(warn, "Some events may have been missed while there was no connection.")
	}
	head, why := board.Verdict(s)
	style := good
	if len(why) > 0 {
		style = bad
	}
	add(style, "%s", head)
	for _, w := range why {
		add("", "  %s", w)
	}
	v.trips(add)
	v.faults(add)
	v.lane(add)
	v.air(add)
	if v.Height > 0 && len(l) > v.Height {
		l = append(l[:v.Height-1], v.line("", fmt.Sprintf("... and %d lines more: make the window higher", len(l)-v.Height+1)))
	}
	return l
}

type adder func(style, format string, args ...any)

func (v *View) faults(add adder) {
	for i, f := range v.Now.Faults {
		if i == 0 {
			add("", "")
			add(bold, "What needs a hand")
		}
		style, seen := warn, ""
		if f.Severity == health.Trouble {
			style = bad
		}
		if f.Seen != nil {
			seen = " (seen)"
		}
		add(style, "  %-8s %s%s", f.Severity, f.Reason, seen)
		if f.Remedy != "" {
			add("", "           -> %s", f.Remedy)
		}
	}
}

// lane is a table of zones and nodes; how well each is heard is a figure and a bar.
func (v *View) lane(add adder) {
	s := v.Now
	zones := map[string][]board.Zone{}
	for _, z := range s.Zones {
		zones[z.Node] = append(zones[z.Node], z)
	}
	if len(s.Nodes) > 0 {
		add("", "")
		add(bold, "%-16s %-9s %-7s %-7s %s", "The lane", "contact", "heard", "battery", "margin now (over the last day)")
	}
	for _, n := range s.Nodes {
		style, contact := "", "-"
		for _, z := range zones[n.Name] {
			contact = z.State
			if z.State == board.Unwatched || z.State == board.Blocked {
				style = bad
			}
		}
		if n.Severity != health.Well && style == "" {
			style = warn
		}
		heard, battery := "not yet", "-"
		if n.Heard != nil {
			heard = short(n.Heard.Ago)
		}
		if n.Mains {
			battery = "mains"
		}
		if n.Battery != nil {
			battery = fmt.Sprintf("%.2f V", *n.Battery)
		}
		add(style, "%-16s %-9s %-7s %-7s %s", n.Name, contact, heard, battery, hops(n.Hops))
	}
}

// hops tells of the way in use.
func hops(list []board.Hop) string {
	if len(list) == 0 {
		return "no way known"
	}
	h := list[0]
	if h.Margin == nil {
		return "not measured, to " + h.To
	}
	t := fmt.Sprintf("%.0f dB", *h.Margin)
	if h.Lowest != nil && h.Highest != nil {
		t += fmt.Sprintf(" (%.0f to %.0f)", *h.Lowest, *h.Highest)
	}
	return fmt.Sprintf("%-16s %s to %s", t, bar(*h.Margin), h.To)
}

// bar is a margin from 0 to 30 dB in ten characters.
func bar(margin float64) string {
	n := int(math.Round(min(max(margin, 0), 30) / 3))
	return "[" + strings.Repeat("=", n) + strings.Repeat(" ", 10-n) + "]"
}

func (v *View) air(add adder) {
	s := v.Now
	add("", "")
	add(bold, "The gateway")
	for _, b := range s.Bearers {
		style, t := "", b.Name+" works"
		if !b.Up {
			style, t = bad, b.Name+" DOES NOT WORK: "+b.Why
		}
		if b.Silent != "" {
			t += ", and only listens: " + b.Silent
		}
		if b.Lawful > 0 {
			t += fmt.Sprintf(", %.1f of %.0f s lawful airtime used", b.Used, b.Lawful)
		}
		if b.Noise != nil {
			t += fmt.Sprintf(", noise floor %.0f dBm", *b.Noise)
		}
		add(style, "  %s", t)
	}
	for _, k := range s.Sinks {
		style, t := "", k.Name+" takes what is sent"
		if !k.Up {
			style, t = bad, k.Name+" IS NOT REACHED: "+k.Why
		}
		if k.Waiting > 0 {
			t += fmt.Sprintf(", %d events wait, the oldest %s", k.Waiting, short(k.Oldest))
		}
		add(style, "  %s", t)
	}
	for _, a := range s.Annunciators {
		if a.Up {
			add("", "  annunciator %s would sound", a.Name)
		} else {
			add(bad, "  annunciator %s WOULD NOT SOUND: %s", a.Name, a.Why)
		}
	}
}

func (v *View) trips(add adder) {
	add("", "")
	add(bold, "Who came")
	if len(v.Trips) == 0 {
		add("", "  nobody in the last day")
	}
	for _, t := range v.Trips {
		add("", "  %s", TripLine(t))
	}
}

// TripLine is a trip in one line.
func TripLine(t board.Trip) string {
	at := "time not known"
	if !t.At.IsZero() {
		at = t.At.Local().Format("2 Jan 15:04:05")
	}
	s := at + "  " + t.Title
	if t.Dwell != nil {
		s += fmt.Sprintf(", held %.1f s", *t.Dwell)
	}
	for _, r := range []struct {
		is   bool
		what string
	}{{t.Test, "a test"}, {t.Delayed, "told late, so it did not sound"}, {t.Uncertain, "time uncertain"}, {t.Unproven, "not proven to be fresh"}} {
		if r.is {
			s += ", " + r.what
		}
	}
	return s
}

func short(seconds float64) string {
	switch {
	case seconds < 100:
		return fmt.Sprintf("%.0f s", seconds)
	case seconds < 6000:
		return fmt.Sprintf("%.0f min", seconds/60)
	case seconds < 172800:
		return fmt.Sprintf("%.0f h", seconds/3600)
	}
	return fmt.Sprintf("%.0f days", seconds/86400)
}

const (
	bold = "1"
	good = "32"
	warn = "33"
	bad  = "1;31"
)

// line cuts a text to the width, drops what would steer the terminal, and colours it.
func (v *View) line(style, text string) string {
	text = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0 {
			return ' '
		}
		return r
	}, text)
	if v.Width > 3 && utf8.RuneCountInString(text) > v.Width {
		text = string([]rune(text)[:v.Width-3]) + "..."
	}
	if v.Colour && style != "" {
		return "\x1b[" + style + "m" + text + "\x1b[0m"
	}
	return text
}
