package board

import (
	"context"
	"fmt"
	"html"
	"html/template"
	"math"
	"strings"
	"time"

	"longlane/gateway/health"
)

const day = 24 * time.Hour

// page is what every page's template is given.
type page struct {
	Title    string
	S        Situation
	Token    string // to be sent with whatever changes something
	Password bool   // there is one, so there is a way out
	Newest   string // id of the newest event that the page may lack
}

// mainPage is the lane.
type mainPage struct {
	page
	Verdict  verdict
	Trips    []Trip
	TripsErr string
	Faults   []Fault
	Lane     lane
	Wide     template.HTML
	Narrow   template.HTML
	Watched  map[string]watchedView
	Homeless []Annunciator // that stand at no stop
}

// verdict is the answer to the one question: can silence be trusted.
type verdict struct {
	Class string
	Head  string
	Why   []string
}

func judge(s *Situation) verdict {
	deaf, mute := []string{}, []string{}
	up := 0
	for _, b := range s.Bearers {
		if b.Up {
			up++
		} else {
			mute = append(mute, words(b.Name)+" does not work"+because(b.Why))
		}
	}
	if len(s.Bearers) > 0 && up == 0 {
		return verdict{"trouble", "Nothing can be heard.", mute}
	}
	watched := 0
	for _, z := range s.Zones {
		switch z.State {
		case Unwatched:
			deaf = append(deaf, z.Title+" is not watched"+because(z.Why))
		case Blocked:
			deaf = append(deaf, z.Title+" is blocked"+because(z.Why))
		default:
			watched++
		}
	}
	for _, k := range s.Sinks {
		if !k.Up && k.Required {
			mute = append(mute, words(k.Name)+" is not reached, so nothing sounds by it"+because(k.Why))
		}
	}
	for _, a := range s.Annunciators {
		if !a.Up {
			mute = append(mute, "The annunciator "+words(a.Name)+" does not answer"+because(a.Why))
		}
	}
	v := verdict{Why: append(deaf, mute...)}
	trouble := troubles(s)
	switch {
	case len(s.Zones) == 0:
		v.Class, v.Head = "watch", "No gate is set up yet."
		v.Why = append(v.Why, "longlane enrol add makes a node known to the gateway, with the gate that it watches.")
	case watched == 0:
		v.Class, v.Head = "trouble", "Silence means nothing: no gate is watched."
	case len(deaf) > 0:
		v.Class, v.Head = "trouble", fmt.Sprintf("Silence can be trusted at %d of %d gates.", watched, len(s.Zones))
	case len(trouble) > 0:
		// What is no gate's own, such as a full disk or a jammed channel, takes the trust from all of them.
		v.Class, v.Head = "trouble", "Every gate is watched, but there is trouble: do not rely on silence."
		v.Why = append(v.Why, trouble...)
	case len(mute) > 0:
		v.Class, v.Head = "watch", "Every gate is watched, but not everybody would hear it."
	default:
		v.Class, v.Head = "well", "Silence can be trusted: every gate is watched."
	}
	if s.Clock != ClockSet {
		v.Why = append(v.Why, "The gateway's clock is not set: ages are right, times of day are not known.")
	}
	return v
}

// troubles are the reasons of the faults that are trouble, three at the most.
func troubles(s *Situation) (list []string) {
	for _, f := range s.Faults {
		if f.Severity == health.Trouble && len(list) < 3 {
			list = append(list, f.Reason)
		}
	}
	return list
}

func because(why string) string {
	if why == "" {
		return "."
	}
	return ": " + strings.TrimSuffix(why, ".") + "."
}

// watchedView is a zone's last day as a bar and a sentence.
type watchedView struct {
	Text string
	Bar  template.HTML
}

// buildMain collects what the lane's page shows. What the history cannot tell now is said in its place.
func (b *Board) buildMain(ctx context.Context) mainPage {
	// Before the situation: an event that comes in between is then in both, and not in none.
	newest := b.hub.newest()
	s := b.o.Source.Now()
	p := mainPage{page: page{Title: words(s.Site), S: s, Newest: newest}, Verdict: judge(&s), Faults: s.Faults,
		Lane: layOut(&s), Watched: map[string]watchedView{}}
	var err error
	if p.Trips, err = b.o.Source.Trips(ctx, s.At.Add(-7*day), s.At.Add(time.Minute), 8); err != nil {
		p.TripsErr = err.Error()
	}
	for _, z := range s.Zones {
		w, err := b.o.Source.Watched(ctx, z.Name, s.At.Add(-day), s.At)
		if err != nil {
			p.Watched[z.Name] = watchedView{Text: "Watched time cannot be told: " + err.Error()}
			continue
		}
		p.Watched[z.Name] = viewWatched(&w)
	}
	p.Wide, p.Narrow = draw(&p.Lane, 620, 12.5, "map"), draw(&p.Lane, 344, 12, "little")
	for _, a := range s.Annunciators {
		if _, ok := p.Lane.byName[a.Name]; !ok {
			p.Homeless = append(p.Homeless, a)
		}
	}
	return p
}

func viewWatched(w *Watched) watchedView {
	whole := w.To.Sub(w.From).Seconds()
	if whole <= 0 {
		return watchedView{}
	}
	text := fmt.Sprintf("Watched %s of the last %s", long(w.EndToEnd+w.RadioOnly), long(whole))
	if w.EndToEnd+w.RadioOnly >= whole-1 {
		text = "Watched all of the last " + long(whole)
	}
	text += byRadio(w) + "."
	if g := lastGap(w); g != nil {
		text += fmt.Sprintf(" Last gap %s to %s%s", clockTime(g.From), clockTime(g.To), because(g.Cause))
	}
	return watchedView{text, watchedBar(w, text)}
}

// byRadio tells how much of what was watched was only so by radio.
func byRadio(w *Watched) string {
	switch {
	case w.RadioOnly <= 1:
		return ""
	case w.EndToEnd < 1:
		return ", by radio only: its wire is not supervised"
	}
	return fmt.Sprintf(", %s of it by radio only: its wire was not supervised then", long(w.RadioOnly))
}

func lastGap(w *Watched) *Span {
	for i := len(w.Spans) - 1; i >= 0; i-- {
		if w.Spans[i].Quality == Gap {
			return &w.Spans[i]
		}
	}
	return nil
}

// watchedBar is a day from left to right: full height is watched end to end, half by radio only, a line on the ground a gap.
func watchedBar(w *Watched, text string) template.HTML {
	const width, height = 288.0, 14.0
	whole := w.To.Sub(w.From).Seconds()
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="watched" viewBox="0 0 %.0f %.0f" preserveAspectRatio="none" role="img" aria-label="%s">`, width, height, html.EscapeString(text))
	for _, s := range w.Spans {
		x, l := s.From.Sub(w.From).Seconds()/whole*width, s.To.Sub(s.From).Seconds()/whole*width
		y, h := 0.0, height
		switch s.Quality {
		case RadioOnly:
			y, h = height/2, height/2
		case Gap:
			y, h = height-2.5, 2.5
			l = max(l, 1.5)
		}
		fmt.Fprintf(&b, `<rect class="%s" x="%.2f" y="%.1f" width="%.2f" height="%.1f"/>`, s.Quality, x, y, l, h)
	}
	b.WriteString(`</svg>`)
	return template.HTML(b.String())
}

// gauge is a hop's margin on a scale from 0 to 30 dB: a bar from the lowest to the highest of the day, a mark for now.
func gauge(h Hop) template.HTML {
	if h.Margin == nil {
		return ""
	}
	const width, height, most = 240.0, 18.0, 30.0
	at := func(v float64) float64 { return 4 + min(max(v, 0), most)/most*(width-8) }
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="gauge %s" viewBox="0 0 %.0f %.0f" role="img" aria-label="%s">`, marginClass(&h), width, height, html.EscapeString(hopText(&h)))
	fmt.Fprintf(&b, `<path class="rail" d="M4 13H%.0fM4 9v8M%.1f 9v8"/>`, width-4, width-4)
	fmt.Fprintf(&b, `<path class="floor" d="M%.1f 9v8M%.1f 9v8"/>`, at(marginPoor), at(marginGood))
	if h.Lowest != nil && h.Highest != nil {
		fmt.Fprintf(&b, `<rect class="span" x="%.1f" y="10" width="%.1f" height="6"/>`, at(*h.Lowest), max(at(*h.Highest)-at(*h.Lowest), 2))
	}
	fmt.Fprintf(&b, `<path class="now" d="M%.1f 17v-11l-4 -5h8l-4 5"/></svg>`, at(*h.Margin))
	return template.HTML(b.String())
}

// share is a bar of how much of something is used.
func share(used, whole float64, label string) template.HTML {
	const width = 240.0
	part := 0.0
	if whole > 0 {
		part = min(max(used/whole, 0), 1)
	}
	class := "well"
	switch {
	case part >= 0.95:
		class = "trouble"
	case part >= 0.75:
		class = "watch"
	}
	return template.HTML(fmt.Sprintf(`<svg class="share %s" viewBox="0 0 240 10" role="img" aria-label="%s"><rect class="whole" x=".5" y=".5" width="239" height="9"/><rect class="part" x=".5" y=".5" width="%.1f" height="9"/></svg>`,
		class, html.EscapeString(label), part*(width-1)))
}

// functions are what the templates need beyond their data.
var functions = template.FuncMap{
	"words": words, "ago": ago, "pastAgo": pastAgo, "rough": rough, "clock": clockTime, "stamp": stamp, "machine": machineTime, "gauge": gauge,
	"metres": metresText, "hopText": hopText, "bytes": byteCount, "long": long,
	"num": func(digits int, v *float64) string {
		if v == nil {
			return "–"
		}
		if digits == 0 {
			return whole(*v)
		}
		return minus(fmt.Sprintf("%.*f", digits, *v))
	},
	"degrees":  func(v *int) string { return minus(fmt.Sprintf("%d °C", *v)) },
	"severity": severityWord,
	"evidence": evidence,
	"airtime": func(b Bearer) string {
		return fmt.Sprintf("%s of %s lawful in an hour", long2(b.Used), long2(b.Lawful))
	},
	"share": share,
	"bearerShare": func(b Bearer) template.HTML {
		return share(b.Used, b.Lawful, fmt.Sprintf("Airtime: %s of %s lawful in an hour", long2(b.Used), long2(b.Lawful)))
	},
	"queueShare": func(q Queue) template.HTML {
		return share(float64(q.Used), float64(q.Capacity), fmt.Sprintf("Room: %s of %s used", byteCount(q.Used), byteCount(q.Capacity)))
	},
	"dwell":   dwell,
	"remarks": remarks,
	"state":   stateWords,
	"subject": func(v health.Verdict) string { return subjectWords(v.Subject) },
	"has":     func(m map[string]watchedView, zone string) bool { _, ok := m[zone]; return ok },
}

func minus(s string) string { return strings.ReplaceAll(s, "-", "−") }

func severityWord(s health.Severity) string {
	switch s {
	case health.Trouble:
		return "Trouble"
	case health.Watch:
		return "See to it soon"
	}
	return "Well"
}

func subjectWords(s health.Subject) string {
	switch s.Kind {
	case health.KindHop:
		return words(s.Name) + " to " + words(s.To)
	}
	return words(s.Name)
}

func evidence(list []health.Figure) string {
	var parts []string
	for _, f := range list {
		v := fmt.Sprintf("%.4g", f.Value)
		if math.Abs(f.Value) >= 1000 {
			v = fmt.Sprintf("%.0f", f.Value)
		}
		parts = append(parts, strings.TrimSpace(fmt.Sprintf("%s %s %s", f.Name, minus(v), f.Unit)))
	}
	return strings.Join(parts, " · ")
}

func stateWords(z Zone) string {
	switch z.State {
	case Clear:
		return "Nobody there"
	case Tripped:
		return "Somebody is there"
	case Blocked:
		return "Blocked"
	case Unwatched:
		return "Not watched"
	}
	return z.State
}

func dwell(t Trip) string {
	if t.Dwell == nil {
		return ""
	}
	d := *t.Dwell
	if d < 10 {
		return fmt.Sprintf("held %.1f s", d)
	}
	return "held " + long(d)
}

// remarks are what one should know of a trip beside when and where.
func remarks(t Trip) string {
	var list []string
	add := func(is bool, what string) {
		if is {
			list = append(list, what)
		}
	}
	add(t.Test, "a test")
	add(t.Delayed, "told late, so it did not sound")
	add(t.Uncertain, "time uncertain")
	add(t.Unproven, "not proven to be fresh")
	return strings.Join(list, ", ")
}

func pastAgo(p *Past) string {
	if p == nil {
		return "not yet"
	}
	return ago(p.Ago)
}

func ago(seconds float64) string {
	if seconds < 1.5 {
		return "just now"
	}
	return rough(seconds) + " ago"
}

// rough is a time in one unit.
func rough(seconds float64) string {
	switch {
	case seconds < 100:
		return fmt.Sprintf("%.0f s", seconds)
	case seconds < 100*60:
		return fmt.Sprintf("%.0f min", seconds/60)
	case seconds < 48*3600:
		return fmt.Sprintf("%.0f h", seconds/3600)
	}
	return fmt.Sprintf("%.0f days", seconds/86400)
}

// long is a time in the two units that matter.
func long(seconds float64) string {
	d := time.Duration(math.Round(seconds)) * time.Second
	h, m, s := int(d.Hours()), int(d.Minutes())%60, int(d.Seconds())%60
	switch {
	case h >= 48:
		if h%24 == 0 {
			return fmt.Sprintf("%d days", h/24)
		}
		return fmt.Sprintf("%d days %d h", h/24, h%24)
	case h > 0 && m > 0:
		return fmt.Sprintf("%d h %d min", h, m)
	case h > 0:
		return fmt.Sprintf("%d h", h)
	case m > 0 && s > 0:
		return fmt.Sprintf("%d min %d s", m, s)
	case m > 0:
		return fmt.Sprintf("%d min", m)
	}
	return fmt.Sprintf("%d s", s)
}

// long2 keeps tenths where seconds are few.
func long2(seconds float64) string {
	if seconds < 60 {
		return fmt.Sprintf("%.1f s", seconds)
	}
	return long(seconds)
}

func clockTime(t time.Time) string {
	if t.IsZero() {
		return "time not known"
	}
	return t.Local().Format("15:04")
}

// stamp is a time of day, with its day unless that is today as seen from now.
func stamp(t, now time.Time) string {
	if t.IsZero() {
		return "time not known"
	}
	t, now = t.Local(), now.Local()
	switch {
	case t.YearDay() == now.YearDay() && t.Year() == now.Year():
		return t.Format("15:04:05")
	case now.Sub(t) < 300*day:
		return t.Format("Mon 2 Jan 15:04")
	}
	return t.Format("2 Jan 2006 15:04")
}

func machineTime(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format(time.RFC3339)
}

func byteCount(n int64) string {
	switch {
	case n >= 1<<30:
		return fmt.Sprintf("%.1f GiB", float64(n)/(1<<30))
	case n >= 1<<20:
		return fmt.Sprintf("%.1f MiB", float64(n)/(1<<20))
	}
	return fmt.Sprintf("%d KiB", n>>10)
}

// Verdict is the page's first sentence, whether silence can be trusted, and why not.
func Verdict(s *Situation) (head string, why []string) {
	v := judge(s)
	return v.Head, v.Why
}
