package main

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"text/tabwriter"
	"time"
)

// row is one figure beside its floor.
type row struct {
	name  string  // what is measured
	own   string  // with its unit
	floor string  // with its unit and what it is of; "": there is none
	ratio float64 // own to floor, as the row's bar has it; NaN: there is no floor
	asked string  // the bar
	met   bool
	note  string // what a reader must know to believe it; stands below the table
}

// figure is a group of rows that are measured together.
type figure struct {
	name string // for --only
	what string // for the progress on stderr
	run  func(*bench) ([]row, error)
}

var figures = []figure{
	{"alert", "trip on the tty to a subscriber of mosquitto, one at a time", alert},
	{"annunciator", "trip at the broker to a player, trip on the tty to a command", annunciator},
	{"commit", "an event into the queue, beside a bare bbolt transaction", commit},
	{"chain", "verify, commit, publish, PUBACK, as fast as it goes", chain},
	{"backlog", "a backlog: start, memory, drain", backlog},
	{"reconnect", "a broker that comes back", reconnect},
	{"footprint", "binary, memory, wear of the disk", footprint},
}

// atMost is a ratio with a bar above it, atLeast one with a bar below.
func atMost(name string, ratio, bar float64, own, floor string) row {
	return row{name: name, own: own, floor: floor, ratio: ratio, asked: fmt.Sprintf("≤ %g ×", bar), met: ratio <= bar}
}

func atLeast(name string, ratio, bar float64, own, floor string) row {
	return row{name: name, own: own, floor: floor, ratio: ratio, asked: fmt.Sprintf("≥ %g ×", bar), met: ratio >= bar}
}

// median is the middle of values, which must not be empty; it is the lower one of two.
func median[T cmp.Ordered](values []T) T { return quantile(values, 0.5) }

// quantile is the smallest value that a share q of all does not exceed.
func quantile[T cmp.Ordered](values []T, q float64) T {
	s := slices.Sorted(slices.Values(values))
	i := int(math.Ceil(q*float64(len(s)))) - 1
	return s[min(max(i, 0), len(s)-1)]
}

func ms(d time.Duration) string       { return fmt.Sprintf("%.2f ms", float64(d)/float64(time.Millisecond)) }
func rate(v float64) string           { return fmt.Sprintf("%.0f/s", v) }
func mebi(bytes float64) string       { return fmt.Sprintf("%.1f MiB", bytes/(1<<20)) }
func over(a, b time.Duration) float64 { return float64(a) / float64(b) }

func yesNo(met bool) string {
	if met {
		return "yes"
	}
	return "**no**"
}

func (r row) measured() string {
	if math.IsNaN(r.ratio) {
		return "–"
	}
	return fmt.Sprintf("%.2f ×", r.ratio)
}

// printMarkdown prints the README's table.
func printMarkdown(w io.Writer, rows []row) {
	fmt.Fprintln(w, "| figure | asked | measured | floor | ratio | met |\n|---|---|---|---|---|---|")
	for _, r := range rows {
		fmt.Fprintf(w, "| %s | %s | %s | %s | %s | %s |\n", r.name, r.asked, r.own, cmp.Or(r.floor, "–"), r.measured(), yesNo(r.met))
	}
	fmt.Fprintln(w)
	for _, r := range rows {
		if r.note != "" {
			fmt.Fprintf(w, "* %s: %s\n", r.name, r.note)
		}
	}
}

func printPlain(w io.Writer, rows []row) {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "figure\tasked\tmeasured\tfloor\tratio\tmet")
	for _, r := range rows {
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t%s\t%s\n", r.name, r.asked, r.own, cmp.Or(r.floor, "–"), r.measured(), strings.Trim(yesNo(r.met), "*"))
	}
	tw.Flush()
	for _, r := range rows {
		if r.note != "" {
			fmt.Fprintf(w, "\n%s: %s\n", r.name, r.note)
		}
	}
}
