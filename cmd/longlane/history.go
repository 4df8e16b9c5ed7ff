package main

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"longlane/radio/beam"
	"maps"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/term"

	"longlane/gateway"
	"longlane/gateway/config"
	"longlane/gateway/logbook"
	"longlane/gateway/passage"
	"longlane/gateway/roster"
	"longlane/queue/history"
	"longlane/queue/history/digest"
	"longlane/queue/history/period"
	"longlane/radio/paragraph"
)

var historyCommand = command{
	name:  "history",
	brief: "who came, and was the gate watched: trips, watched time, faults and rates of the past",
	usage: "[trips | passages | watched | rates | faults | check-ins] [WHEN] [--zone ZONE,...] [--dwell FROM..TO]\n" +
		"                        [--class CLASS] [--tests] [--json | --csv] [--config FILE | --state DIR]",
	example: `  longlane history yesterday
  longlane history watched last night --zone river-gate
  longlane history passages today
  longlane history rates 2026-03-01..2026-03-31
  longlane history trips since 18:00 --dwell 2s.. --csv

WHEN is one of: today (the default), yesterday, last night (18:00 to 08:00), since 18:00, a day such as 2026-03-01, an RFC 3339
time after "since", or two of these as A..B. Days and hours are those of this machine's time zone. It asks the gateway that
runs, or reads its file if none does. Exit code 0: answered; 1: the history cannot be read; 2: bad usage or config.`,
	run: runHistory,
}

// historyAnswers are what can be asked for.
var historyAnswers = map[string]func(*asking) error{
	"trips": (*asking).trips, "passages": (*asking).passages, "watched": (*asking).watched, "rates": (*asking).rates, "faults": (*asking).faults, "check-ins": (*asking).checkIns,
}

// asking is a question to the history.
type asking struct {
	c         *call
	r         logbook.Reader
	state     string
	json, csv bool
	filter    digest.Filter
	from, to  time.Time
	now       time.Time
	leaf      time.Duration
	patience  time.Duration
	ears      []string // annunciators of the config
	passes    passage.Settings
	pairs     []config.Pair
	class     beam.Class // that alone; NoClass: any
	width     int        // of the terminal; 0: none
}

func runHistory(ctx context.Context, c *call) error {
	a := &asking{c: c, now: time.Now(), width: widthOf(c.out)}
	path := c.String("config", defaultConfig, "the gateway's configuration `file`")
	c.StringVar(&a.state, "state", "", "read this state `directory`, whatever a config says")
	zones := c.String("zone", "", "only these `zones`, with commas between them")
	dwell := c.String("dwell", "", "only trips that held the contact for so long, as `FROM..TO` such as 2s..1m, 2s.. or ..100ms")
	class := c.String("class", "", "only trips of this `class`, for sure or likely: debris, person or vehicle")
	c.BoolVar(&a.filter.Tests, "tests", false, "test trips as well")
	c.BoolVar(&a.json, "json", false, "print it as JSON")
	c.BoolVar(&a.csv, "csv", false, "print it as comma-separated values with a first line of names")
	words, err := c.parse(-1)
	if err != nil {
		return err
	}
	given := map[string]bool{}
	c.Visit(func(f *flag.Flag) { given[f.Name] = true })
	if given["config"] && given["state"] {
		return badUsage("--config %s and --state %s: give one of them, each tells where the state is", *path, a.state)
	}
	answer, err := a.read(words, *zones, *dwell)
	if err != nil {
		return err
	}
	if a.class = config.Classes[*class]; a.class == beam.NoClass && *class != "" {
		return badUsage("--class: found %q, expected one of %s", *class, strings.Join(slices.Sorted(maps.Keys(config.Classes)), ", "))
	}
	if err := a.configure(*path); err != nil {
		return err
	}
	r, closeReader, err := logbook.OpenReader(ctx, a.state)
	switch {
	case errors.Is(err, history.ErrNone):
		return fmt.Errorf("%w in %s: the gateway has not run since it keeps one, or its config says off = true under [history]", err, a.state)
	case errors.Is(err, history.ErrLocked):
		return fmt.Errorf("%w and does not answer at %s: it may be starting; try again in a minute, and look at its log if that does not help", err, logbook.Socket)
	case err != nil:
		return err
	}
	a.r = r
	return errors.Join(answer(a), closeReader())
}

// read takes in what the words and options ask for.
func (a *asking) read(words []string, zones, dwell string) (answer func(*asking) error, err error) {
	const help = "`longlane history --help` shows examples"
	answer = historyAnswers["trips"]
	if len(words) > 0 && historyAnswers[words[0]] != nil {
		answer, words = historyAnswers[words[0]], words[1:]
	}
	if len(words) == 0 {
		words = []string{"today"}
	}
	if a.from, a.to, err = period.Parse(strings.Join(words, " "), a.now); err != nil {
		return nil, badUsage("%w; before it may stand one of %s; %s", err, strings.Join(slices.Sorted(maps.Keys(historyAnswers)), ", "), help)
	}
	if a.json && a.csv {
		return nil, badUsage("--json and --csv exclude each other; %s", help)
	}
	for z := range strings.SplitSeq(zones, ",") {
		if z = strings.TrimSpace(z); z != "" {
			a.filter.Zones = append(a.filter.Zones, z)
		}
	}
	if dwell != "" {
		if err := a.readDwell(dwell); err != nil {
			return nil, badUsage("--dwell: %w; %s", err, help)
		}
	}
	return answer, nil
}

func (a *asking) readDwell(s string) (err error) {
	from, to, ok := strings.Cut(s, "..")
	for text, p := range map[*string]*time.Duration{&from: &a.filter.MinDwell, &to: &a.filter.MaxDwell} {
		if *text != "" && err == nil {
			*p, err = parseDuration(*text)
		}
	}
	f := &a.filter
	if err != nil || !ok || f.MinDwell < 0 || f.MaxDwell < 0 || f.MinDwell == 0 && f.MaxDwell == 0 || f.MaxDwell != 0 && f.MaxDwell < f.MinDwell {
		return fmt.Errorf("found %q, expected the shortest and the longest, such as 2s..1m, 2s.. or ..100ms", s)
	}
	return nil
}

// configure goes by the config, or by the defaults beside --state.
func (a *asking) configure(path string) error {
	cfg := config.Default()
	if a.state == "" {
		var err error
		if cfg, err = loadConfig(path); err != nil {
			return err
		}
		a.state = cfg.State
	}
	a.leaf, a.patience, a.ears = time.Duration(cfg.History.Leaf), gateway.Patience(time.Duration(cfg.Checkin.Period)), cfg.Annunciators
	a.passes, a.pairs = cfg.Passage.Settings(), cfg.Pair
	return nil
}

// widthOf is the width of the terminal that w is; 0 if it is none.
func widthOf(w io.Writer) int {
	f, ok := w.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return 0
	}
	if width, _, err := term.GetSize(int(f.Fd())); err == nil && width > 0 {
		return width
	}
	return 80
}

const (
	stampForm = "2006-01-02 15:04:05"
	dayForm   = "2006-01-02 15:04"
)

func stamp(t time.Time) string { return t.Local().Format(stampForm) }

// heading says what time is answered for.
func (a *asking) heading() {
	fmt.Fprintf(a.c.out, "%s to %s\n\n", a.from.Local().Format(dayForm), a.to.Local().Format(dayForm))
}

// say prints a line, cut to what fits into the terminal.
func (a *asking) say(format string, args ...any) {
	text := []rune(strings.TrimRight(fmt.Sprintf(format, args...), " "))
	if a.width > 1 && len(text) >= a.width {
		text = append(text[:a.width-2], '…')
	}
	fmt.Fprintln(a.c.out, string(text))
}

// tell prints words for people, wrapped.
func (a *asking) tell(first, indent, text string) {
	width := 100
	if a.width > 0 {
		width = max(40, min(a.width-1, width))
	}
	fmt.Fprint(a.c.out, paragraph.Wrap(text, first, indent, width))
}

// list writes records as one JSON document or as CSV, as they come.
type list struct {
	w     io.Writer
	csv   *csv.Writer
	first bool
	err   error
}

// begin opens what takes records: JSON under name, or CSV with these columns.
func (a *asking) begin(name string, columns ...string) *list {
	l := &list{w: a.c.out, first: true}
	if a.csv {
		l.csv = csv.NewWriter(a.c.out)
		l.err = l.csv.Write(columns)
		return l
	}
	from, _ := json.Marshal(a.from)
	to, _ := json.Marshal(a.to)
	_, l.err = fmt.Fprintf(l.w, "{\n  \"from\": %s,\n  \"to\": %s,\n  %q: [", from, to, name)
	return l
}

func (l *list) row(record any, cells ...string) error {
	switch {
	case l.err != nil:
	case l.csv != nil:
		l.err = l.csv.Write(cells)
	default:
		text, err := json.Marshal(record)
		comma := ","
		if l.first {
			comma = ""
		}
		if l.err = err; err == nil {
			_, l.err = fmt.Fprintf(l.w, "%s\n    %s", comma, text)
		}
	}
	l.first = false
	return l.err
}

// end closes it, in JSON with what more there is to say.
func (l *list) end(more map[string]any) error {
	if l.csv != nil {
		l.csv.Flush()
		return errors.Join(l.err, l.csv.Error())
	}
	text := "]"
	for _, name := range slices.Sorted(maps.Keys(more)) {
		v, err := json.Marshal(more[name])
		l.err = errors.Join(l.err, err)
		text += fmt.Sprintf(",\n  %q: %s", name, v)
	}
	if l.err == nil {
		_, l.err = fmt.Fprint(l.w, text+"\n}\n")
	}
	return l.err
}

// eachTrip calls fn with the trips that are asked for, those whose time cannot be known last. quiet tells that fn prints nothing.
func (a *asking) eachTrip(quiet bool, fn func(*history.Trip) error) error {
	bar, n := newProgress(a.c.err, "reading the history"), 0
	defer bar.clear()
	take := func(t *history.Trip) error {
		if n++; n%512 == 0 && (quiet || a.width == 0) { // else the trips themselves show it
			bar.show(min(1, max(0, float64(t.At.Wall.Sub(a.from))/float64(a.to.Sub(a.from)))))
		}
		j := logbook.Classify(&a.passes, t)
		if t.Class = j.String(); !a.filter.Takes(t) || a.class != beam.NoClass && !j.Is(a.class) {
			return nil
		}
		return fn(t)
	}
	if err := a.r.Trips(a.from, a.to, take); err != nil {
		return err
	}
	return a.r.Unplaced(func(t *history.Trip) error {
		if !a.possible(t.Earliest, t.Latest) {
			return nil
		}
		return take(t)
	}, nil)
}

// possible reports whether something between these bounds, zero for none, can have been in the time that is asked for.
func (a *asking) possible(earliest, latest time.Time) bool {
	return (earliest.IsZero() || earliest.Before(a.to)) && (latest.IsZero() || latest.After(a.from))
}

// placed is a moment's time, or what bounds it.
func placed(m history.Moment, earliest, latest time.Time) string {
	switch {
	case !m.Wall.IsZero():
		return stamp(m.Wall)
	case earliest.IsZero() && latest.IsZero():
		return "unknown time"
	case earliest.IsZero():
		return "before " + latest.Local().Format(dayForm)
	case latest.IsZero():
		return "after " + earliest.Local().Format(dayForm)
	}
	return earliest.Local().Format(dayForm) + " to " + latest.Local().Format(dayForm)
}

func dwellText(t *history.Trip) string {
	if !digest.Known(t) {
		return "?"
	}
	return t.Dwell.Round(10 * time.Millisecond).String()
}

func tripNotes(t *history.Trip) string {
	var notes []string
	note := func(is bool, what string) {
		if is {
			notes = append(notes, what)
		}
	}
	note(t.Test, "test")
	note(t.Delayed, "too late to sound")
	note(t.Unproven, "unproven")
	note(t.Uncertain && !t.Unproven, "time uncertain")
	note(!t.Closed, "its end has not come")
	note(!t.Opened, "its beginning has not come")
	note(!t.At.Wall.IsZero() && t.At.PutRight, "time put right")
	return strings.Join(notes, ", ")
}

// names gives the width of a column of these.
func columnOf(names []string, least int) int {
	for _, n := range names {
		least = max(least, len(n))
	}
	return least
}

func (a *asking) trips() error {
	rates := digest.NewRates(a.from.Local(), a.to, a.leaf)
	count := func(t *history.Trip) {
		if !t.At.Wall.IsZero() && !t.Test {
			rates.Add(t)
		}
	}
	if a.json || a.csv {
		l := a.begin("trips", "time", "earliest", "latest", "zone", "node", "class", "dwell_s", "margin_db", "test", "opened", "closed", "wire_supervised",
			"time_uncertain", "delayed", "unproven", "id")
		err := a.eachTrip(false, func(t *history.Trip) error {
			count(t)
			w := logbook.NewTrip(t)
			return l.row(w, rfc(w.Time), rfc(w.Earliest), rfc(w.Latest), w.Zone, w.Node, w.Class, float(w.Dwell), float(w.Margin), strconv.FormatBool(w.Test), strconv.FormatBool(w.Opened),
				strconv.FormatBool(w.Closed), strconv.FormatBool(w.Supervised), strconv.FormatBool(w.Uncertain), strconv.FormatBool(w.Delayed), strconv.FormatBool(w.Unproven), w.ID)
		})
		rates.Done()
		return errors.Join(err, l.end(map[string]any{"findings": findingsJSON(rates.Findings)}))
	}
	zones, err := a.r.Subjects(history.Watch)
	if err != nil {
		return err
	}
	a.heading()
	z, n := columnOf(zones, len("zone")), 0
	const c = len("likely animal or person")
	err = a.eachTrip(false, func(t *history.Trip) error {
		if n++; n == 1 {
			a.say("%-19s  %-*s  %8s  %-*s  %7s  %s", "time", z, "zone", "dwell", c, "class", "margin", "")
		}
		count(t)
		margin := ""
		if m := logbook.NewTrip(t).Margin; m != nil {
			margin = fmt.Sprintf("%.1f dB", *m)
		}
		a.say("%-19s  %-*s  %8s  %-*s  %7s  %s", placed(t.At, t.Earliest, t.Latest), z, t.Zone, dwellText(t), c, t.Class, margin, tripNotes(t))
		return nil
	})
	if err != nil {
		return err
	}
	if n > 0 {
		fmt.Fprintln(a.c.out)
	}
	fmt.Fprintf(a.c.out, "Trips: %d. Whether the zones were watched all the while tells `longlane history watched`.\n", n)
	rates.Done()
	a.findings(rates.Findings)
	return nil
}

func rfc(t *time.Time) string {
	if t == nil {
		return ""
	}
	return t.Format(time.RFC3339Nano)
}

func float(v *float64) string {
	if v == nil {
		return ""
	}
	return strconv.FormatFloat(*v, 'f', -1, 64)
}

type findingJSON struct {
	Zone string     `json:"zone,omitempty"`
	From *time.Time `json:"from,omitempty"`
	Text string     `json:"text"`
}

func findingsJSON(findings []digest.Finding) []findingJSON {
	out := []findingJSON{}
	for _, f := range findings {
		j := findingJSON{Zone: f.Zone, Text: f.Text}
		if !f.From.IsZero() {
			j.From = &f.From
		}
		out = append(out, j)
	}
	return out
}

func (a *asking) findings(findings []digest.Finding) {
	if len(findings) == 0 {
		return
	}
	fmt.Fprintln(a.c.out, "\nWorth a look:")
	for _, f := range findings {
		text := f.Text
		if f.Zone != "" {
			text = f.Zone + ": " + text
		}
		a.tell("  ", "    ", text)
	}
}

func (a *asking) rates() error {
	rates := digest.NewRates(a.from.Local(), a.to, a.leaf)
	without := 0
	err := a.eachTrip(true, func(t *history.Trip) error {
		if t.At.Wall.IsZero() {
			without++
		} else {
			rates.Add(t)
		}
		return nil
	})
	if err != nil {
		return err
	}
	rates.Done()
	if a.json || a.csv {
		return a.ratesData(rates, without)
	}
	a.heading()
	fmt.Fprintf(a.c.out, "Trips: %d, %.1f a day\n", rates.Total, float64(rates.Total)/max(1, a.to.Sub(a.from).Hours()/24))
	if without > 0 {
		fmt.Fprintf(a.c.out, "Not among them: %d that may have been then; the clock was not set.\n", without)
	}
	rows := make([]string, 24)
	for h := range rows {
		rows[h] = fmt.Sprintf("%02d:00", h)
	}
	a.chart("by the hour", rows, rates.Hours[:])
	a.chart("by the weekday", weekdays[:], mondayFirst(rates.Weekdays))
	a.findings(rates.Findings)
	return nil
}

var weekdays = [7]string{"Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"}

func mondayFirst(n [7]int) []int { return append(slices.Clone(n[1:]), n[0]) }

func (a *asking) ratesData(rates *digest.Rates, without int) error {
	l := a.begin("rates", "by", "which", "trips")
	for h, n := range rates.Hours {
		l.row(map[string]any{"by": "hour", "which": h, "trips": n}, "hour", strconv.Itoa(h), strconv.Itoa(n))
	}
	for d, n := range mondayFirst(rates.Weekdays) {
		l.row(map[string]any{"by": "weekday", "which": weekdays[d], "trips": n}, "weekday", weekdays[d], strconv.Itoa(n))
	}
	return l.end(map[string]any{"trips": rates.Total, "trips_without_time": without, "findings": findingsJSON(rates.Findings)})
}

// chart draws numbers as bars, one a line.
func (a *asking) chart(title string, rows []string, counts []int) {
	fmt.Fprintf(a.c.out, "\n%s\n", title)
	most := max(1, slices.Max(counts))
	label, room := columnOf(rows, 0), 50
	if a.width > 0 {
		room = max(5, min(room, a.width-label-12))
	}
	for i, n := range counts {
		bar := strings.Repeat("#", (n*room+most-1)/most) // one trip is seen beside a thousand
		a.say("  %-*s  %-*s %d", label, rows[i], room, bar, n)
	}
}

func (a *asking) faults() error {
	wanted := func(f *history.Fault) bool {
		return len(a.filter.Zones) == 0 || slices.Contains(a.filter.Zones, f.Zone)
	}
	each := func(fn func(*history.Fault) error) error {
		err := a.r.Faults(a.from, a.to, func(f *history.Fault) error {
			if !wanted(f) {
				return nil
			}
			return fn(f)
		})
		if err != nil {
			return err
		}
		return a.r.Unplaced(nil, func(f *history.Fault) error {
			if !wanted(f) || !a.possible(f.Earliest, f.Latest) {
				return nil
			}
			return fn(f)
		})
	}
	if a.json || a.csv {
		l := a.begin("faults", "time", "earliest", "latest", "code", "ended", "zone", "node", "detail", "id")
		err := each(func(f *history.Fault) error {
			w := logbook.NewFault(f)
			return l.row(w, rfc(w.Time), rfc(w.Earliest), rfc(w.Latest), w.Code, strconv.FormatBool(w.Ended), w.Zone, w.Node, w.Detail, w.ID)
		})
		return errors.Join(err, l.end(nil))
	}
	a.heading()
	n := 0
	err := each(func(f *history.Fault) error {
		n++
		word := "began"
		if f.Ended {
			word = "ended"
		}
		a.say("%-19s  %-17s  %s  %s", placed(f.At, f.Earliest, f.Latest), f.Code, word, f.Detail)
		return nil
	})
	if err == nil && n == 0 {
		fmt.Fprintln(a.c.out, "No fault began or ended.")
	}
	return err
}

func (a *asking) checkIns() error {
	l := &list{}
	if a.json || a.csv {
		l = a.begin("check_ins", "time", "node", "check_ins", "lowest_battery_v", "battery_v", "from", "to", "lowest_margin_db", "median_margin_db")
	} else {
		a.heading()
		a.say("%-16s  %-16s  %9s  %-14s  %s", "hour", "node", "check-ins", "battery", "margins, lowest and median")
	}
	err := a.r.Hours(a.from, a.to, func(h *history.Hour) error {
		switch {
		case a.csv:
			hops := h.Hops
			if len(hops) == 0 {
				hops = []history.Hop{{}}
			}
			for _, hop := range hops {
				l.row(nil, h.At.Wall.Format(time.RFC3339), h.Node, strconv.Itoa(h.Count), volts(h.Lowest), volts(h.Battery), hop.From, hop.To, marginText(hop.Lowest()), marginText(hop.Median()))
			}
		case a.json:
			l.row(logbook.NewHour(h))
		default:
			battery := ""
			if h.Battery > 0 {
				battery = fmt.Sprintf("%.2f V (%.2f)", h.Battery, h.Lowest)
			}
			var hops []string
			for _, hop := range h.Hops {
				if low := marginText(hop.Lowest()); low != "" {
					hops = append(hops, fmt.Sprintf("%s > %s %s, %s dB", hop.From, hop.To, low, marginText(hop.Median())))
				}
			}
			a.say("%-16s  %-16s  %9d  %-14s  %s", h.At.Wall.Local().Format(dayForm), h.Node, h.Count, battery, strings.Join(hops, "; "))
		}
		return l.err
	})
	if a.json || a.csv {
		return errors.Join(err, l.end(nil))
	}
	return err
}

func volts(v float64) string {
	if v == 0 {
		return ""
	}
	return strconv.FormatFloat(v, 'f', 2, 64)
}

func marginText(v float64) string {
	if v != v { // not a number
		return ""
	}
	return strconv.FormatFloat(v, 'f', 0, 64)
}

func (a *asking) watched() error {
	zones, err := a.subjects(history.Watch, a.enrolled)
	if err != nil {
		return err
	}
	var ears []*digest.Watch
	if len(a.filter.Zones) == 0 {
		if ears, err = a.subjects(history.Sound, func() ([]string, error) { return a.ears, nil }); err != nil {
			return err
		}
	}
	if a.json || a.csv {
		return a.watchedData(zones, ears)
	}
	a.heading()
	if len(zones) == 0 {
		fmt.Fprintln(a.c.out, "No zone is known.")
	}
	for _, w := range zones {
		a.watch(w, "watched", "it was not")
	}
	if len(ears) > 0 {
		fmt.Fprintln(a.c.out, "\nApart from that, where a trip would have sounded:")
	}
	for _, w := range ears {
		a.watch(w, "would have sounded", "it would not")
	}
	return nil
}

// enrolled are the zones of nodes that are not shut out. Of one of them nothing may be known, and that is what is to be told.
func (a *asking) enrolled() (zones []string, err error) {
	r, err := roster.Open(a.state)
	if errors.Is(err, roster.ErrNone) {
		return nil, nil
	} else if err != nil {
		return nil, err
	}
	for _, n := range r.Nodes {
		for _, in := range n.Inputs {
			if !n.Revoked {
				zones = append(zones, in.Zone)
			}
		}
	}
	return zones, nil
}

// subjects answers for each subject that is asked for: those that ought to be there, and those of which something is kept of that time.
func (a *asking) subjects(kind history.Kind, ought func() ([]string, error)) (list []*digest.Watch, err error) {
	names, err := ought()
	if err != nil {
		return nil, err
	}
	kept, err := a.r.Subjects(kind)
	if err != nil {
		return nil, err
	}
	if kind == history.Watch {
		for _, z := range a.filter.Zones {
			if !slices.Contains(names, z) && !slices.Contains(kept, z) {
				return nil, badUsage("--zone: no zone %q is known; there are %s", z, strings.Join(slices.Compact(slices.Sorted(slices.Values(append(names, kept...)))), ", "))
			}
		}
	}
	for _, name := range slices.Compact(slices.Sorted(slices.Values(slices.Concat(names, kept)))) {
		if len(a.filter.Zones) > 0 && !slices.Contains(a.filter.Zones, name) {
			continue
		}
		var spans []history.Span
		if err := a.r.Spans(kind, name, a.from, a.to, func(s *history.Span) error { spans = append(spans, *s); return nil }); err != nil {
			return nil, err
		}
		if len(spans) == 0 && !slices.Contains(names, name) && len(a.filter.Zones) == 0 {
			continue // it is of another time
		}
		list = append(list, digest.NewWatch(name, spans, a.from, a.to, a.now, a.patience))
	}
	return list, nil
}

func (a *asking) watch(w *digest.Watch, verb, not string) {
	text := fmt.Sprintf("%s: %s %s of %s", w.Subject, verb, digest.PercentText(w.Watched, w.Total()), hours(w.Total()))
	switch {
	case w.Watched == 0, verb != "watched":
	case w.RadioOnly == 0:
		text += ", end to end"
	case w.EndToEnd == 0:
		text += ", but by radio only: nothing shows that the wire to its contact is supervised"
	default:
		text += fmt.Sprintf(": %s end to end, and %s by radio only, when nothing showed that the wire to its contact is supervised",
			digest.PercentText(w.EndToEnd, w.Total()), digest.PercentText(w.RadioOnly, w.Total()))
	}
	a.tell("", "  ", text)
	for _, g := range w.Gaps {
		form := "15:04"
		if a.to.Sub(a.from) > 24*time.Hour {
			form = dayForm
		}
		if g.Length < 2*time.Minute {
			form += ":05"
		}
		a.tell("  ", "    ", fmt.Sprintf("%s to %s %s: %s", g.From.Wall.Local().Format(form), g.Until().Local().Format(form), not, g.Cause))
	}
	if w.Pending > time.Minute {
		a.tell("  ", "    ", fmt.Sprintf("of the %s since %s nothing is proven yet", hours(w.Pending), w.To.Local().Format("15:04")))
	}
}

// hours is a length of time for people.
func hours(d time.Duration) string {
	switch d = d.Round(time.Second); {
	case d < 2*time.Minute:
		return fmt.Sprintf("%d s", d/time.Second)
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", d/time.Minute)
	case d%time.Hour >= time.Minute:
		return fmt.Sprintf("%d h %d min", d/time.Hour, d%time.Hour/time.Minute)
	}
	return fmt.Sprintf("%d h", d/time.Hour)
}

type watchJSON struct {
	Zone        string         `json:"zone,omitempty"`
	Annunciator string         `json:"annunciator,omitempty"`
	From        time.Time      `json:"from"`
	To          time.Time      `json:"to"`
	Percent     float64        `json:"percent"` // rounded down
	Watched     float64        `json:"watched_s"`
	EndToEnd    float64        `json:"end_to_end_s"`
	RadioOnly   float64        `json:"radio_only_s"`
	Pending     float64        `json:"not_proven_yet_s"`
	Gaps        []logbook.Span `json:"gaps"`
}

func (a *asking) watchedData(zones, ears []*digest.Watch) error {
	l := a.begin("watched", "kind", "name", "from", "to", "percent", "watched_s", "end_to_end_s", "radio_only_s", "not_proven_yet_s", "gaps")
	row := func(kind string, w *digest.Watch) {
		j := watchJSON{From: w.From, To: w.To, Percent: digest.Percent(w.Watched, w.Total()), Watched: w.Watched.Seconds(), EndToEnd: w.EndToEnd.Seconds(),
			RadioOnly: w.RadioOnly.Seconds(), Pending: w.Pending.Seconds(), Gaps: []logbook.Span{}}
		if j.Zone = w.Subject; kind == "annunciator" {
			j.Zone, j.Annunciator = "", w.Subject
		}
		var gaps []string
		for i := range w.Gaps {
			g := logbook.NewSpan(&w.Gaps[i]) // of the zone above
			j.Gaps = append(j.Gaps, *g)
			gaps = append(gaps, fmt.Sprintf("%s to %s: %s", g.From.Format(time.RFC3339), g.To.Format(time.RFC3339), g.Cause))
		}
		l.row(j, kind, w.Subject, w.From.Format(time.RFC3339), w.To.Format(time.RFC3339), strconv.FormatFloat(j.Percent, 'f', 2, 64), float(&j.Watched), float(&j.EndToEnd),
			float(&j.RadioOnly), float(&j.Pending), strings.Join(gaps, "; "))
	}
	for _, w := range zones {
		row("zone", w)
	}
	for _, w := range ears {
		row("annunciator", w)
	}
	return l.end(nil)
}
