package plan

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"longlane/radio/lane"
	"longlane/radio/lora"
	"longlane/radio/paragraph"
)

// Caution stands below each plan.
const Caution = "Poles, ladders, trenches, surge protection and all wiring of the mains belong to licensed practice and to local codes. " +
	"This is not a certified intruder or life-safety alarm. A plan is no measurement: walk the lane with longlane survey before you mount anything."

// writer keeps the first error.
type writer struct {
	w   io.Writer
	err error
}

func (w *writer) Write(b []byte) (int, error) {
	if w.err == nil {
		_, w.err = w.w.Write(b)
	}
	return len(b), w.err
}

// WriteText writes the plan for people.
func (p *Plan) WriteText(to io.Writer) error {
	w := &writer{w: to}
	p.writeBody(w)
	fmt.Fprintf(w, "\n%s\n%s\n", wrap(lora.Caution), wrap(Caution))
	return w.err
}

func (p *Plan) writeBody(w io.Writer) {
	g := p.Options.Goal
	fmt.Fprintf(w, "%s: %s of the trips within %v, and %.0f dB of margin in leaf\n\n", p.Lane.Name, percent(g.Share), g.Within, g.Margin)
	p.writeAnswer(w)
	told := map[*Way]string{}
	for i := range p.Zones {
		p.Zones[i].write(w, told)
	}
	p.writeMonths(w)
	p.writeSettings(w)
	p.writeUnits(w)
	p.writeBeams(w)
	p.writeContacts(w)
	p.writeAdvice(w)
	p.writeEffects(w)
	list := func(title string, lines []string) {
		if len(lines) > 0 {
			fmt.Fprintf(w, "\n%s\n", title)
		}
		for _, l := range lines {
			fmt.Fprintf(w, "  %s\n", l)
		}
	}
	list("Mind", p.Warnings)
	list("Not judged, since a formula does not hold there", p.Unjudged)
}

func (p *Plan) writeAnswer(w io.Writer) {
	if !p.Met {
		fmt.Fprintf(w, "No arrangement meets that.\n")
	}
	for _, line := range p.Answer() {
		fmt.Fprintln(w, line)
	}
}

// Answer is what to set, to build and to buy, and what that costs, a line each, "What: ...".
func (p *Plan) Answer() (lines []string) {
	add := func(format string, v ...any) { lines = append(lines, fmt.Sprintf(format, v...)) }
	if p.Chosen != nil {
		add("Settings: LoRa, %s, %.3f MHz, %v a trip; lawful by %s", p.Chosen.Name(), p.Chosen.Frequency/1e6,
			p.Chosen.Airtime(tripSize).Round(100*time.Microsecond), p.Chosen.Band)
	}
	var names []string
	for _, s := range p.Relays {
		what := "new, on " + string(s.Power)
		if s.Role == lane.RoleRelay {
			what = "stands already"
		}
		names = append(names, fmt.Sprintf("%s (%s)", s.Name, what))
	}
	if names == nil {
		names = []string{"none"}
	}
	add("Relays: %s", strings.Join(names, ", "))
	if antennas := p.antennas(); antennas != "" {
		add("Antennas above the ground: %s", antennas)
	}
	if p.Met {
		add("To buy: %s", p.pieces())
	}
	switch {
	case !p.Met:
	case p.Cost-p.Bound <= 1e-6*(1+p.Cost):
		add("Cost: %.0f; nothing cheaper meets the goal", p.Cost)
	default:
		add("Cost: %.0f; none below %.0f can meet the goal, so at most %.0f %% could be saved", p.Cost, p.Bound, 100*(p.Cost-p.Bound)/p.Cost)
	}
	return lines
}

// antennas are how high they stand at the sites of the hops, each once, the gates before what hears them; empty without a hop.
func (p *Plan) antennas() string {
	var list []string
	seen := map[string]bool{}
	add := func(s *lane.Site) {
		if !seen[s.Name] {
			seen[s.Name] = true
			list = append(list, fmt.Sprintf("%s %s m", s.Name, strconv.FormatFloat(math.Round(100*s.AntennaHeight)/100, 'f', -1, 64)))
		}
	}
	for i := range p.Zones {
		if hops := p.Zones[i].Hops; len(hops) > 0 {
			add(hops[0].From)
		}
	}
	for i := range p.Zones {
		for _, h := range p.Zones[i].Hops {
			add(h.To)
		}
	}
	return strings.Join(list, ", ")
}

// pieces are what the cost is made of.
func (p *Plan) pieces() string {
	c := p.Options.Costs
	var list []string
	add := func(n int, one, what string, each float64) {
		if n > 0 && each > 0 {
			of := ""
			if n > 1 {
				one, of = fmt.Sprintf("%d %s", n, what), " each"
			}
			list = append(list, fmt.Sprintf("%s at %.0f%s", one, each, of))
		}
	}
	kinds, seen := map[Kind]int{}, map[*lane.Site]bool{}
	for i := range p.Zones {
		if z := &p.Zones[i]; !z.Wired && !seen[z.Site] {
			kinds[z.Bearer]++
			seen[z.Site] = true
		}
	}
	if kinds[LoRa] > 0 {
		add(1, "a modem for the gateway", "", c.Modem)
	}
	add(kinds[LoRa], "a gate node with LoRa", "gate nodes with LoRa", c.Node)
	add(kinds[WiFi]+kinds[Bridge], "a gate node on Wi-Fi", "gate nodes on Wi-Fi", c.WiFiNode)
	add(kinds[Bridge], "a pair of directional antennas", "pairs of directional antennas", c.Bridge)
	relays := map[lane.Power]int{}
	installed := 0
	for _, s := range p.Relays {
		if s.Role == lane.RoleCandidate {
			relays[s.Power]++
		} else {
			installed++
		}
	}
	for _, power := range lane.Powers {
		add(relays[power], "a relay on "+string(power), "relays on "+string(power), c.Relay[power])
	}
	add(installed, "a relay that stands already", "relays that stand already", c.Installed)
	if list == nil {
		return "nothing"
	}
	return strings.Join(list, ", ")
}

// write tells each hop once; told has the zone that it stands under.
func (z *ZonePlan) write(w io.Writer, told map[*Way]string) {
	fmt.Fprintf(w, "\n%s", z.Zone.Name)
	switch {
	case z.Wired:
		fmt.Fprintf(w, ": at the gateway, by wire\n")
		return
	case !z.Served:
		fmt.Fprintf(w, ": NOT REACHED: %s\n", z.Missing())
	default:
		fmt.Fprintf(w, ": %s within the time in leaf, %s over the year", percent(z.Within), percent(z.Year))
		if z.Half > 0 && z.Most > 0 {
			fmt.Fprintf(w, "; half after %v, 99 %% after %v", z.Half, z.Most)
		}
		fmt.Fprintln(w)
		if percent(z.Careful) != percent(z.Within) {
			fmt.Fprintf(w, "  %s in leaf, if each hop is as bad as one in ten of such ways is\n", percent(z.Careful))
		}
	}
	for _, h := range z.Hops {
		if under := told[h.Way]; under != "" {
			fmt.Fprintf(w, "  %s to %s: see %s\n", h.From.Name, h.To.Name, under)
			continue
		}
		told[h.Way] = z.Zone.Name
		h.write(w)
	}
}

// Missing says what a zone that is not served lacks, and on which hop; empty for one that is.
func (z *ZonePlan) Missing() string {
	switch h := z.Weakest(); {
	case z.Served:
		return ""
	case h == nil:
		return "no way at all, to the gateway or to any relay: no setting may be used, or no formula holds there"
	default:
		return fmt.Sprintf("the best way lacks %.1f dB, on the hop %s to %s", z.Lacks, h.From.Name, h.To.Name)
	}
}

func (h *Hop) name() string {
	if h.Setting != nil {
		return h.Setting.Name()
	}
	return h.Bearer.Title()
}

// write tells the budget, line by line, and what is in the way.
func (h *Hop) write(w io.Writer) {
	over := fmt.Sprintf("%.1f dB over what is needed", h.Margin)
	if h.Margin < 0 {
		over = fmt.Sprintf("%.1f dB below what is needed", -h.Margin)
	}
	fmt.Fprintf(w, "  %s to %s, %.0f m, %s: %s, give or take %.1f\n", h.From.Name, h.To.Name, h.Length, h.name(), over, h.Sigma)
	fmt.Fprintf(w, "    at the first try %s of the frames; nine of ten such ways have %s\n", percent(h.Fading), orMore(percent(h.Careful)))
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	for i, x := range h.Terms {
		sign := "%+.1f"
		if i == 0 || x.Unit == "dBm" {
			sign = "%.1f"
		}
		fmt.Fprintf(t, "    %s\t"+sign+" %s\t\n", pad(x.Name), x.Value, x.Unit)
	}
	t.Flush()
	if h.Blocked == nil {
		fmt.Fprintf(w, "    nothing reaches into six tenths of the first Fresnel zone\n")
	}
	for i, b := range h.Blocked {
		if i == 4 {
			fmt.Fprintf(w, "    and %d more\n", len(h.Blocked)-i)
			break
		}
		fmt.Fprintf(w, "    in the way: %s\n", b)
	}
	if h.Leaf > h.Bare {
		fmt.Fprintf(w, "    without leaves %.1f dB more reach the receiver\n", h.Leaf-h.Bare)
	}
}

func pad(s string) string { return s + strings.Repeat(" ", max(0, 28-len([]rune(s)))) }

func (p *Plan) writeMonths(w io.Writer) {
	changes := slices.ContainsFunc(p.Zones, func(z ZonePlan) bool { return slices.Max(z.Months[:]) > slices.Min(z.Months[:])+1e-6 })
	if !changes {
		return
	}
	fmt.Fprintf(w, "\nTrips within the time, by month\n")
	t := tabwriter.NewWriter(w, 0, 0, 1, ' ', tabwriter.AlignRight)
	fmt.Fprint(t, "  \t")
	for m := time.January; m <= time.December; m++ {
		fmt.Fprintf(t, "%s\t", m.String()[:3])
	}
	fmt.Fprintln(t)
	for i := range p.Zones {
		z := &p.Zones[i]
		fmt.Fprintf(t, "  %s\t", z.Zone.Name)
		for _, x := range z.Months {
			fmt.Fprintf(t, "%.2f\t", 100*x)
		}
		fmt.Fprintln(t)
	}
	t.Flush()
}

// writeSettings says what each setting would give.
func (p *Plan) writeSettings(w io.Writer) {
	fmt.Fprintf(w, "\nThe settings, in the busiest hour\n")
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintf(t, "  \tpower\ta trip\treceipts of the gateway\tallowed\tneeds\tmargin for 1 to %d hops, dB\n", MaxHops)
	for _, s := range p.Settings {
		if s.Refused != "" {
			continue
		}
		var margins []string
		for h, m := range s.Margin {
			text := "never"
			if s.usable(h + 1) {
				text = fmt.Sprintf("%.0f", m)
			}
			margins = append(margins, text)
		}
		mark := " "
		if s == p.Chosen {
			mark = "*"
		}
		fmt.Fprintf(t, "%s %s\t%.0f dBm\t%v\t%.1f s\t%.0f s\t%.1f dBm\t%s\n", mark, s.Name(), s.LeastPower(), s.Airtime(tripSize).Round(time.Millisecond), s.Gateway.Seconds(), s.Budget.Seconds(), s.Need, strings.Join(margins, ", "))
	}
	t.Flush()
	writeRefused(w, p.Settings)
}

// writeRefused says why settings are, each reason once.
func writeRefused(w io.Writer, settings []*Setting) {
	refused := map[string][]string{}
	var order []string
	for _, s := range settings {
		if s.Refused == "" {
			continue
		}
		if refused[s.Refused] == nil {
			order = append(order, s.Refused)
		}
		refused[s.Refused] = append(refused[s.Refused], s.Name())
	}
	for _, why := range order {
		fmt.Fprintf(w, "  refused: %s: %s\n", strings.Join(refused[why], "; "), why)
	}
}

func (p *Plan) writeUnits(w io.Writer) {
	if len(p.Units) == 0 {
		return
	}
	o := p.Options
	fmt.Fprintf(w, "\nPower, with boards that never sleep and a battery of %.0f Wh; %.1f peak-sun hours in the worst month\n", o.Battery, o.SunHours)
	for _, e := range p.Units {
		fmt.Fprintf(w, "  %s: %s\n", e.Site.Name, e.words())
	}
	if o.Cable != (Cable{}) {
		fmt.Fprintf(w, "  %s\n", o.Cable.words())
	}
	fmt.Fprintf(w, "  gateway, broker and switch through %.3g h without mains, at %.0f W: a battery of %.0f Wh\n", o.Outage.Hours(), o.House, math.Ceil(p.Backup))
}

func (e *Energy) words() string {
	watts := fmt.Sprintf("%.2f W", e.Watts)
	switch {
	case e.Battery == 0:
		return watts + ", from the mains"
	case e.Panel > 0 && !math.IsInf(e.Panel, 1):
		return fmt.Sprintf("%s, a panel of %.0f W; %s without sun", watts, math.Ceil(e.Panel), days(e.Battery))
	case e.Panel > 0:
		return fmt.Sprintf("%s, no panel is enough; %s without sun", watts, days(e.Battery))
	default:
		return fmt.Sprintf("%s, %s on a battery", watts, days(e.Battery))
	}
}

func (p *Plan) writeAdvice(w io.Writer) {
	if p.Met {
		return
	}
	fmt.Fprintf(w, "\nWhat would help, each tried by itself\n")
	for _, line := range p.WouldHelp() {
		fmt.Fprintf(w, "  %s\n", line)
	}
}

// WouldHelp tells the advice, each by itself, or what was tried in vain; empty where the goal is met.
func (p *Plan) WouldHelp() (lines []string) {
	for _, a := range p.Advice {
		switch {
		case a.Meets:
			lines = append(lines, a.Change+": meets the goal")
		case a.Served > 0:
			lines = append(lines, fmt.Sprintf("%s: reaches %d more", a.Change, a.Served))
		case math.IsInf(a.Gains, 1):
			lines = append(lines, a.Change+": gives a way where there is none, not enough alone")
		default:
			lines = append(lines, fmt.Sprintf("%s: %.1f dB more, not enough alone", a.Change, a.Gains))
		}
	}
	if !p.Met && lines == nil {
		lines = []string{fmt.Sprintf("nothing that was tried: antennas up to %.0f m, relays moved along the lane, one relay more on it", heights[len(heights)-1])}
	}
	return lines
}

func (p *Plan) writeEffects(w io.Writer) {
	if len(p.Decides) == 0 {
		return
	}
	fmt.Fprintf(w, "\nWhat decides, if it is otherwise than assumed: the hop that loses most, and the zone that is worst then, with its trips in time (now %s)\n", percent(p.Decides[0].Before))
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, e := range p.Decides {
		loses, at := fmt.Sprintf("%+.1f dB", e.DB), "every hop"
		switch {
		case e.Hop != nil:
			at = e.Hop.From.Name + " to " + e.Hop.To.Name
		case e.DB == 0:
			loses, at = "none", ""
		}
		fmt.Fprintf(t, "  %s\t%s\t%s\t%s\t%s\n", e.Assumption, loses, at, percent(e.Within), e.Zone.Name)
	}
	t.Flush()
}

// percent shows so many digits that what is missing can be seen.
func percent(x float64) string {
	switch {
	case x > 0.99995:
		return "more than 99.99 %"
	case x > 0.99:
		return fmt.Sprintf("%.2f %%", 100*x)
	default:
		return fmt.Sprintf("%.1f %%", 100*x)
	}
}

// orMore is a share that is the least of some.
func orMore(share string) string {
	if strings.HasPrefix(share, "more than") {
		return share
	}
	return share + " or more"
}

// wrap breaks a text into lines of up to 120 characters.
func wrap(text string) string {
	return strings.TrimSuffix(paragraph.Wrap(text, "", "", 120), "\n")
}
