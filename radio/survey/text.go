package survey

import (
	"fmt"
	"io"
	"math"
	"strings"

	"longlane/radio/paragraph"
)

// Width is that of a terminal.
const Width = 80

// Caution is what somebody must know before going out to test.
const Caution = "Stand off the lane while you test: others drive there. Poles, ladders, trenches, mains at the gate and surge protection belong to " +
	"licensed practice and local codes; keep the antenna well away from overhead wires, and stay away in a thunderstorm."

// Wrap breaks text into lines of at most Width-1 characters, all but the first behind indent.
func Wrap(text, first, indent string) string { return paragraph.Wrap(text, first, indent, Width-1) }

// WriteText writes the record for people, Width wide, without colour.
func (r *Record) WriteText(w io.Writer) error {
	t := &text{}
	r.head(t)
	if k := r.Walk(); k != nil {
		r.walk(t, k)
	} else {
		t.line("\nNo walk test has been made yet.")
	}
	for i, c := range r.Plan {
		if i == 0 {
			t.line("\nBeside the plan, median margins:")
		}
		words := c.Words
		if c.Measured != nil {
			words = fmt.Sprintf("measured %.1f dB: %s", *c.Measured, c.Words)
		}
		t.wrap(fmt.Sprintf("From %s to %s planned %.1f dB, %s.", r.name(c.From), r.name(c.To), c.Predicted, words), "  * ", "    ")
	}
	r.tests(t)
	_, err := io.WriteString(w, t.b.String())
	return err
}

// text gathers lines.
type text struct{ b strings.Builder }

func (t *text) line(format string, args ...any) { fmt.Fprintf(&t.b, format+"\n", args...) }

func (t *text) wrap(words, first, indent string) { t.b.WriteString(Wrap(words, first, indent)) }

func (r *Record) name(id uint8) string {
	if id == r.Node.ID {
		return "here"
	}
	return Name(id)
}

func (r *Record) head(t *text) {
	place := r.Place
	if place == "" {
		place = r.Node.Name
	}
	t.wrap(fmt.Sprintf("%s: node %d (%s) of site %d", place, r.Node.ID, r.Node.Name, r.Node.Site), "", "  ")
	if r.Position != "" {
		t.wrap("Antenna: "+r.Position, "", "  ")
	}
	t.line("%.3f MHz, SF%d, %s kHz, %d dBm, antenna %.4g dBi, cable %.4g dB", float64(r.Radio.Frequency)/1e6, r.Radio.SpreadingFactor,
		fmt.Sprint(float64(r.Radio.Bandwidth)/1000), r.Radio.Power, r.Radio.AntennaGain, r.Radio.CableLoss)
}

func (r *Record) walk(t *text, k *WalkRecord) {
	t.line("")
	when := "with the clock not set, so that the day is not known"
	if k.Ended.Time != "" {
		when = "on " + strings.NewReplacer("T", " at ", "Z", " UTC").Replace(k.Ended.Time)
	}
	nth := ""
	if len(r.Walks) > 1 {
		nth = fmt.Sprintf(" no. %d", len(r.Walks))
	}
	f := &k.Figures
	t.wrap(fmt.Sprintf("Walk test%s, ended %s: %d probes, %d answered.", nth, when, f.Probes, f.Answered), "", "  ")
	if rt := f.RoundTrip; rt != nil {
		t.line("There and back %.2f s (median), %.2f s (the slowest).", rt.Median, rt.Worst)
	}
	if len(f.Neighbours) > 0 {
		t.line("\n                                RSSI (dBm)      SNR (dB)    margin (dB)")
		t.line("                 heard  lost  median  worst  median  worst  median  worst")
	}
	for i := range f.Neighbours {
		n := &f.Neighbours[i]
		t.line("  %s", Name(n.ID))
		t.line("    to it        %s", n.To.columns())
		t.line("    from it      %s", n.From.columns())
	}
	if len(f.Neighbours) > 0 {
		t.wrap("Worst: nine of ten frames heard were better. Lost, at the most: the probes that brought no word.", "  ", "  ")
	}
	t.line("\nVerdict: %s", strings.ToUpper(string(k.Verdict.Word)))
	for _, reason := range k.Verdict.Reasons {
		t.wrap(reason, "  * ", "    ")
	}
	if advice := r.advice(k.Verdict.Word); advice != "" {
		t.wrap(advice, "  ", "  ")
	}
}

// lightSpeed in m/s.
const lightSpeed = 299792458

// advice is what to do. That a step of a wavelength, or half of one, takes an antenna out of a fade is common practice, no source.
func (r *Record) advice(w Word) string {
	wave := 100 * lightSpeed / float64(r.Radio.Frequency)
	switch w {
	case Step:
		return fmt.Sprintf("Move by %.0f to %.0f cm (half a wavelength to a whole one), or higher, or turn the antenna upright, and test again. If "+
			"nothing near does better, a relay half-way gives the reserve that is missing.", math.Round(wave/2), math.Round(wave))
	case Relay:
		return "Some steps will not make up for that: put a relay where both sides are in sight, or raise an antenna, and test again."
	}
	return ""
}

// columns are those of a direction.
func (d *Direction) columns() string {
	if d.Heard == 0 {
		return "no word of that"
	}
	floor := d.Margin
	if floor != nil {
		floor = &Spread{math.Floor(floor.Median), math.Floor(floor.WorstTenth)} // as the verdict has it: nothing is rounded up to a threshold
	}
	return fmt.Sprintf("%5d %3.0f %%%s%s%s", d.Heard, 100*d.Loss, d.RSSI.columns(0), d.SNR.columns(1), floor.columns(0))
}

func (s *Spread) columns(digits int) string {
	if s == nil {
		return fmt.Sprintf("%8s%7s", "-", "-")
	}
	return fmt.Sprintf("%8.*f%7.*f", digits, s.Median, digits, s.WorstTenth)
}

func (r *Record) tests(t *text) {
	if r.Cut == nil && r.Drive == nil && r.Stage == StageWalk {
		return
	}
	t.line("")
	switch c := r.Cut; {
	case c == nil:
		t.line("Power cut: not yet")
	case c.How != "":
		t.line("Power cut: %s; %s", c.Outcome, c.How)
	default:
		t.line("Power cut: %s", c.Outcome)
	}
	if r.Cut != nil {
		for _, reason := range r.Cut.Reasons {
			t.wrap(reason, "  * ", "    ")
		}
	}
	switch d := r.Drive; {
	case d == nil:
		t.line("Drive-through: not yet")
	case d.Outcome == None:
		t.line("Drive-through: none, since this node has no contact")
	case d.Outcome != Passed:
		t.line("Drive-through: %s", d.Outcome)
	default:
		t.line("Drive-through: passed; the receipt came %.1f s after the contact of input %d", d.Took, d.Input)
		if d.Took > Slow {
			t.wrap(fmt.Sprintf("That is slow: somebody who waits for it expects at most %d s.", Slow), "  * ", "    ")
		}
	}
}
