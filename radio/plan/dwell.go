package plan

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"longlane/radio/beam"
	"longlane/radio/lane"
)

// Beam is what one of the lane's beams tells of who passes.
type Beam struct {
	Zone    *lane.Zone
	Number  int // within the zone, from 1
	Beam    lane.Beam
	Sights  []beam.Sight // of each mover
	Minimum beam.Minimum
}

// gates are those for whom a beam is set up: at a height at which it sees the bodies of all of them the gateway's judgement
// holds.
var gates = []string{"person", "motorcycle", "car"}

// usualDebounce is a contact's unless a node says otherwise (radio/node): a break that is shorter is none.
const usualDebounce = 30 * time.Millisecond

// beamsOf reckons what each beam of a lane sees.
func beamsOf(l *lane.Lane, o *Options) (list []Beam) {
	for i := range l.Zones {
		for k, b := range l.Zones[i].Beams {
			p := Beam{Zone: &l.Zones[i], Number: k + 1, Beam: b}
			for _, m := range o.Movers {
				p.Sights = append(p.Sights, m.At(b.Height, o.BeamWidth))
			}
			p.Minimum = beam.MinimumOf(p.Sights)
			list = append(list, p)
		}
	}
	return list
}

// Height is the beams that stand at one height: they see the same.
type Height struct {
	Above float64 // the ground, m
	Beams []*Beam
}

// Heights puts the beams together by height, in the order of the lane file.
func (p *Plan) Heights() (list []Height) {
	for i := range p.Beams {
		b := &p.Beams[i]
		k := slices.IndexFunc(list, func(h Height) bool { return Centimetres(h.Above) == Centimetres(b.Beam.Height) })
		if k < 0 {
			k, list = len(list), append(list, Height{Above: b.Beam.Height})
		}
		list[k].Beams = append(list[k].Beams, b)
	}
	return list
}

// String names the beams, such as "river-gate, beams 1 and 2".
func (h Height) String() string {
	var zones []string
	for i := 0; i < len(h.Beams); {
		zone, numbers := h.Beams[i].Zone, []string{}
		for ; i < len(h.Beams) && h.Beams[i].Zone == zone; i++ {
			numbers = append(numbers, fmt.Sprint(h.Beams[i].Number))
		}
		what := ", beam "
		if len(numbers) > 1 {
			what = ", beams "
		}
		zones = append(zones, zone.Name+what+list(numbers))
	}
	return strings.Join(zones, "; ")
}

// list joins words as people do.
func list(words []string) string { return listed(words, " and ") }

// Milliseconds tells a dwell: "63 ms", "2.8 s".
func Milliseconds(d time.Duration) string {
	switch s := d.Seconds(); {
	case d == beam.Endless:
		return "without end"
	case s < 0.9995:
		return fmt.Sprintf("%.0f ms", 1000*s)
	case s < 99.95:
		return fmt.Sprintf("%.1f s", s)
	default:
		return fmt.Sprintf("%.0f s", s)
	}
}

// Dwells tells a span of them: "10 to 75 ms", "28 ms on" of who may stand in the beam, "" of none.
func Dwells(s beam.Span) string {
	switch {
	case s == beam.Span{}:
		return ""
	case s.Most == beam.Endless:
		return Milliseconds(s.Least) + " on"
	}
	least, most := Milliseconds(s.Least), Milliseconds(s.Most)
	for _, unit := range []string{" ms", " s"} {
		if strings.HasSuffix(most, unit) {
			least = strings.TrimSuffix(least, unit)
		}
	}
	return least + " to " + most
}

// Sees says what a beam sees of a mover.
func Sees(s beam.Sight) string {
	if !s.Real() && s.Whole() {
		return "at any height"
	}
	return s.String()
}

// MissedFrom is from which speed on (m/s) a mover may be missed by the beam's minimum dwell; infinite: never, or not seen at
// all.
func (b *Beam) MissedFrom(s beam.Sight) float64 {
	if v := s.MissedAbove(b.Minimum.Set); v < s.Mover.Possible.Most {
		return v
	}
	return math.Inf(1)
}

// Minimal says which minimum dwell follows, and what it cannot keep apart.
func (b *Beam) Minimal() string {
	m := b.Minimum
	var debris []string
	for _, s := range b.Sights {
		if !s.Real() {
			debris = append(debris, s.Mover.Name)
		}
	}
	var text string
	switch {
	case m.Real == beam.Endless:
		text = fmt.Sprintf("No person or vehicle that passes as a rule is seen; min_dwell = \"%v\" would keep out debris (%s: up to %s)", m.Set, list(debris), Milliseconds(m.Debris))
	case debris == nil:
		text = fmt.Sprintf("min_dwell = \"%v\" misses no person or vehicle that passes as a rule: the shortest break is %s (%s)", m.Set, Milliseconds(m.Real), m.By)
	case m.Separates():
		text = fmt.Sprintf("Set min_dwell = \"%v\": it separates debris (%s: up to %s as a rule) from what it sees of people and vehicles (from %s: %s)", m.Set, list(debris), Milliseconds(m.Debris), Milliseconds(m.Real), m.By)
	default:
		out := m.Debris/beam.Step*beam.Step + beam.Step
		text = fmt.Sprintf("No minimum dwell separates debris (%s: up to %s as a rule) from what it sees of people and vehicles (from %s: %s). Set min_dwell = \"%v\": it misses none of these that passes as a rule, and lets in debris that holds the beam for longer; \"%v\" would keep that out, and miss %s",
			list(debris), Milliseconds(m.Debris), Milliseconds(m.Real), m.By, m.Set, out, b.missed(out))
	}
	if m.Set <= usualDebounce {
		text += fmt.Sprintf(". The contact's debounce, %v unless it is set, must be shorter than that as well", usualDebounce)
	}
	return text + "."
}

// missed are the people and vehicles that pass as a rule and would be missed by a minimum dwell, with the speed from which
// on they would.
func (b *Beam) missed(dwell time.Duration) string {
	var words []string
	for _, s := range b.Sights {
		if v := s.MissedAbove(dwell); s.Real() && !s.Mover.Animal && v < s.Mover.Usual.Most {
			words = append(words, fmt.Sprintf("%s above %.1f m/s", s.Mover.Name, v))
		}
	}
	return list(words)
}

// HeightAdvice says what the height costs: of whom the beam sees no body, so that the gateway's judgement, which is by
// bodies, does not hold. Empty: it sees the bodies of all for whom it is set up.
func (b *Beam) HeightAdvice() string {
	var off []string
	var movers []beam.Mover
	for _, s := range b.Sights {
		if !slices.Contains(gates, s.Mover.Name) {
			continue
		}
		if movers = append(movers, s.Mover); !s.Whole() {
			what := fmt.Sprintf("%s, %s", s.Mover.Name, s)
			if len(s.Views) > 0 {
				what += fmt.Sprintf(" (%s)", Dwells(s.Possible))
			}
			off = append(off, what)
		}
	}
	if off == nil {
		return ""
	}
	text := "The gateway judges by bodies, however high a beam is. From this height it is otherwise: " + strings.Join(off, "; ")
	if best, any := beam.Best(movers); any {
		var names []string
		for _, m := range movers {
			names = append(names, m.Name)
		}
		at := Centimetres(best.Least)
		if best.Most > best.Least {
			at += " to " + Centimetres(best.Most)
		}
		text += fmt.Sprintf(". At %s a beam sees the bodies of %s", at, list(names))
	}
	return text + "."
}

func orNothing(s string) string {
	if s == "" {
		return "no break"
	}
	return s
}

// Centimetres tells a height.
func Centimetres(m float64) string { return fmt.Sprintf("%.4g cm", 100*m) }

// Taken says what the gateway takes a dwell for.
func Taken(l beam.Limit) string {
	switch {
	case len(l.Possible) == 0:
		return "nothing that is known"
	case l.Confidence == beam.CannotTell:
		return "cannot tell: " + l.Judgement.String()
	}
	return l.Judgement.String()
}

// moverSources say where lengths, speeds and heights are from.
func (p *Plan) moverSources() []string {
	var usual, others []string
	for _, m := range p.Options.Movers {
		if m.Sourced() == beam.Practice {
			usual = append(usual, m.Name)
		} else {
			others = append(others, m.Name+": "+m.Source)
		}
	}
	var lines []string
	if usual != nil {
		lines = append(lines, "Lengths, speeds and heights of "+strings.Join(usual, "; ")+": "+beam.Practice)
	}
	return append(lines, others...)
}

// Told are the limits, those together that read alike.
func (p *Plan) Told() (list []beam.Limit) {
	for _, l := range p.Limits {
		if n := len(list); n > 0 && Taken(list[n-1]) == Taken(l) {
			list[n-1].Most = l.Most
			continue
		}
		list = append(list, l)
	}
	return list
}

// writeBeams tells of each beam who breaks it and for how long, and what the gateway makes of that.
func (p *Plan) writeBeams(w io.Writer) {
	if len(p.Beams) == 0 {
		return
	}
	fmt.Fprintf(w, "\nThe beams, taken to be %s wide where they are crossed: who breaks them, and for how long\n", Centimetres(p.Options.BeamWidth))
	indent := func(text string) {
		for line := range strings.SplitSeq(wrap(text), "\n") {
			fmt.Fprintf(w, "    %s\n", line)
		}
	}
	for _, h := range p.Heights() {
		b := h.Beams[0]
		fmt.Fprintf(w, "  %s, %s above the ground\n", h, Centimetres(h.Above))
		t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		fmt.Fprintf(t, "    \tusual speed\tusual dwell\tat all\tmay be missed\tthe beam sees, as each is tall\n")
		for _, s := range b.Sights {
			speed, usual, missed := "none", "none", ""
			if s.Mover.Usual != (beam.Range{}) {
				speed, usual = fmt.Sprintf("%v to %v m/s", s.Mover.Usual.Least, s.Mover.Usual.Most), orNothing(Dwells(s.Usual))
			}
			if v := b.MissedFrom(s); s.Real() && !math.IsInf(v, 1) {
				missed = fmt.Sprintf("above %.1f m/s", v)
			}
			fmt.Fprintf(t, "    %s\t%s\t%s\t%s\t%s\t%s\n", s.Mover.Name, speed, usual, orNothing(Dwells(s.Possible)), missed, Sees(s))
		}
		t.Flush()
		indent(b.Minimal())
		if advice := b.HeightAdvice(); advice != "" {
			indent(advice)
		}
	}
	for _, line := range p.moverSources() {
		for part := range strings.SplitSeq(wrap(line), "\n") {
			fmt.Fprintf(w, "  %s\n", part)
		}
	}
	fmt.Fprintf(w, "  What the gateway takes a dwell for; where it cannot tell, the dwells of several overlap, and only a second beam tells more\n")
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, l := range p.Told() {
		fmt.Fprintf(t, "    %s\t%s\n", Dwells(l.Span), Taken(l))
	}
	t.Flush()
}
