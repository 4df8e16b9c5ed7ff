package annunciator

import (
	"fmt"
	"strings"
	"time"
	"unicode/utf8"
)

// Width is that of the table, in columns.
const Width = 80

// Colours of the table, as SGR parameters (ECMA-48, 8.3.117).
const (
	plain  = ""
	red    = "31"
	green  = "32"
	yellow = "33"
	faint  = "2"
)

// Table shows a unit on a terminal, a line each, none longer than Width.
func (v View) Table(name string, colour bool) []string {
	paint := func(code, text string) string {
		if !colour || code == plain {
			return text
		}
		return "\x1b[" + code + "m" + text + "\x1b[0m"
	}
	light, code := "NOT WATCHED", red
	if v.Watched {
		light, code = "watched", green
	}
	clock := "clock not set"
	if !v.Clock.IsZero() {
		clock = v.Clock.Format("15:04")
	}
	if v.Quiet {
		clock += " quiet"
	}
	heard := "no tick yet"
	if v.Ticked >= 0 {
		heard = "tick " + ago(v.Ticked)
	}
	lines := []string{fit(name, 28) + "  " + paint(code, fit(light, 14)) + fit(heard, 20) + fit(clock, Width-28-2-14-20)}
	if v.Deaf != "" {
		lines = append(lines, paint(red, fit(v.Deaf, Width)))
	}
	lines = append(lines, "", paint(faint, fit("zone", 24)+fit("state", 12)+fit("for", 10)+fit("last opening", Width-46)))
	if len(v.Zones) == 0 {
		lines = append(lines, "no zone has been heard of yet")
	}
	for _, z := range v.Zones {
		lines = append(lines, z.line(paint))
	}
	for _, t := range v.Trouble {
		lines = append(lines, paint(yellow, fit("! "+t, Width)))
	}
	for _, e := range v.Errors {
		lines = append(lines, paint(red, fit("! "+e, Width)))
	}
	return lines
}

func (z ZoneView) line(paint func(code, text string) string) string {
	state, code := orElse(z.State, "not known"), plain
	switch z.State {
	case "tripped":
		code = yellow
	case "unwatched", "blocked":
		code = red
	case "":
		code = faint
	}
	since := ""
	if z.State != "" && z.For >= 0 {
		since = span(z.For)
	}
	last := ""
	if z.Last != "" {
		last = z.Last + " " + ago(z.Ago)
	}
	if z.Counted > 0 {
		last += fmt.Sprintf(", %d more", z.Counted)
	}
	if z.Unproven {
		last += ", unproven"
	}
	if z.Muted > 0 {
		last = strings.TrimSuffix(fmt.Sprintf("muted for %s; %s", span(z.Muted), last), "; ")
	}
	return fit(z.Title, 23) + " " + paint(code, fit(state, 12)) + fit(since, 10) + fit(last, Width-46)
}

// fit cuts or fills a text to a width. Control characters, which come from the broker, are no part of it.
func fit(s string, width int) string {
	s = strings.ToValidUTF8(text(s), "?")
	n := utf8.RuneCountInString(s)
	if n > width {
		return string([]rune(s)[:width-1]) + "…"
	}
	return s + strings.Repeat(" ", width-n)
}

func ago(d time.Duration) string { return span(d) + " ago" }

// span is a duration for people: one unit is enough.
func span(d time.Duration) string {
	switch {
	case d < 2*time.Minute:
		return fmt.Sprintf("%d s", int(d.Seconds()))
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h", int(d.Hours()))
	}
	return fmt.Sprintf("%d days", int(d.Hours()/24))
}
