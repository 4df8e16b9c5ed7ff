//go:build !arm

package picture

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"image/color"
	"io"
	"strings"

	"longlane/radio/lora"
	"longlane/radio/plan"
)

//go:embed page.html
var pageText string

var pageTemplate = template.Must(template.New("page").Parse(pageText))

// roles are the colours by which the page's style knows them, so that it can have others in the dark.
var roles = []struct {
	name  string
	color color.RGBA
}{{"paper", paper}, {"ink", ink}, {"faint", faint}, {"rule", rule}, {"earth", earth}, {"leafy", leafy}, {"walled", walled}, {"blue", blue},
	{"sky", sky}, {"green", green}, {"orange", orange}, {"vermeil", vermeil}}

// figure is a picture within the page.
type figure struct {
	ID, Title, Words string
	Wide             bool // twice as wide as most
	Drawing          template.HTML
}

// section of the page: of a link, its two pictures.
type linkFigures struct{ Profile, Budget figure }

type zoneRow struct{ Zone, Way, Margin, Asked, Within, Year, Half, Most string }

type missing struct{ Zone, What string }

type page struct {
	Name, Verdict, Goal      string
	Met                      bool
	Style                    template.CSS
	Zones                    []zoneRow
	Answer, Mind             []string
	Map                      figure
	Links                    []linkFigures
	Settings, Months         *figure
	Beams                    []figure
	Missing                  []missing // zones that are not reached
	WouldHelp                []string
	Contacts                 []plan.Contact
	Silence, Loop            string // what the contacts' signs mean; the resistors of supervised wires
	Report                   string
	LoraCaution, LaneCaution string
}

// WritePage writes a page that needs nothing else: no script, no font, no other file. It is made for a phone as for a wide screen, for
// the dark, and for paper.
func WritePage(w io.Writer, p *plan.Plan) error {
	pictures, err := Of(p)
	if err != nil {
		return err
	}
	var report bytes.Buffer
	if err := p.WriteBody(&report); err != nil {
		return err
	}
	g := p.Options.Goal
	v := page{Name: p.Lane.Name, Met: p.Met, Verdict: verdict(p), Style: palette(), Answer: p.Answer(), Mind: p.Warnings,
		WouldHelp: p.WouldHelp(), Report: report.String(), LoraCaution: lora.Caution, LaneCaution: plan.Caution,
		Goal: fmt.Sprintf("%s of the trips within %v, and %.0f dB of margin in leaf", plan.Percent(g.Share), g.Within, g.Margin)}
	v.Contacts, v.Silence, v.Loop = p.Contacts, plan.Silence, p.SupervisedWords()
	for i := range p.Zones {
		v.Zones = append(v.Zones, rowOf(p, &p.Zones[i]))
		if z := &p.Zones[i]; !z.Served {
			v.Missing = append(v.Missing, missing{z.Zone.Name, z.Missing()})
		}
	}
	for i := range pictures {
		f, err := inline(&pictures[i])
		if err != nil {
			return err
		}
		switch {
		case f.ID == "map":
			v.Map = f
		case f.ID == "settings":
			v.Settings = &f
		case f.ID == "months":
			v.Months = &f
		case strings.HasPrefix(f.ID, "dwell"):
			v.Beams = append(v.Beams, f)
		case strings.HasPrefix(f.ID, "profile-"):
			v.Links = append(v.Links, linkFigures{Profile: f})
		default:
			v.Links[len(v.Links)-1].Budget = f
		}
	}
	if err := pageTemplate.Execute(w, v); err != nil {
		return fmt.Errorf("page of the plan: %w", err)
	}
	return nil
}

// inline is a picture as part of a page: without what only a file of its own needs, and in the page's colours.
func inline(p *Picture) (figure, error) {
	var b bytes.Buffer
	if err := p.Write(&b, SVG); err != nil {
		return figure{}, err
	}
	_, text, found := strings.Cut(b.String(), "<svg")
	head, body, closes := strings.Cut(text, ">")
	if !found || !closes {
		return figure{}, fmt.Errorf("%s: the library has written no <svg>", p.Name)
	}
	_ = head // its size is the page's choice, and a namespace is for XML
	for _, r := range roles {
		body = strings.ReplaceAll(body, hex(r.color), "var(--"+r.name+")")
	}
	body = strings.ReplaceAll(body, "font-family:Liberation Sans", "font-family:'Liberation Sans',Arimo,Arial,Helvetica,sans-serif")
	open := fmt.Sprintf(`<svg viewBox="0 0 %s %s" role="img" aria-labelledby="%s-words">`, number(p.wide), number(p.high), template.HTMLEscapeString(p.Name))
	return figure{p.Name, p.Title, p.Words, p.wide > wide, template.HTML(open + body)}, nil //nolint:gosec // the library escapes each text
}

// hex is a colour as the library writes it.
func hex(c color.RGBA) string { return fmt.Sprintf("#%.2X%.2X%.2X", c.R, c.G, c.B) }

// palette gives the colours their names.
func palette() template.CSS {
	var b strings.Builder
	for _, r := range roles {
		fmt.Fprintf(&b, "--%s: %s; ", r.name, hex(r.color))
	}
	return template.CSS(b.String()) //nolint:gosec // of constants
}

func verdict(p *plan.Plan) string {
	if p.Met {
		return "The goal can be met."
	}
	lost := 0
	for _, z := range p.Zones {
		if !z.Served {
			lost++
		}
	}
	return fmt.Sprintf("The goal cannot be met: %s of %d not reached.", several(lost, "zone"), len(p.Zones))
}

func rowOf(p *plan.Plan, z *plan.ZonePlan) zoneRow {
	r := zoneRow{Zone: z.Zone.Name}
	switch {
	case z.Wired:
		r.Way, r.Margin, r.Asked, r.Within, r.Year, r.Half, r.Most = "at the gateway, by wire", "–", "–", "–", "–", "–", "–"
		return r
	case len(z.Hops) == 0:
		r.Way, r.Margin, r.Asked, r.Within, r.Year, r.Half, r.Most = "NOT REACHED: no way at all", "–", "–", "–", "–", "–", "–"
		return r
	}
	r.Way = z.Hops[0].From.Name
	for _, h := range z.Hops {
		r.Way += " → " + h.To.Name
	}
	r.Way += " (" + bearer(z.Hops[0]) + ")"
	weakest := z.Weakest()
	if !z.Served {
		r.Way = "NOT REACHED as the goal asks: " + r.Way
	}
	r.Margin = fmt.Sprintf("%.1f ± %.1f dB", weakest.Margin, weakest.Sigma)
	r.Asked = fmt.Sprintf("%.1f dB", p.Asked(z))
	r.Within, r.Year, r.Half, r.Most = unbroken(plan.Percent(z.Within)), unbroken(plan.Percent(z.Year)), "later than 10s", "later than 10s"
	if z.Half > 0 {
		r.Half = z.Half.String()
	}
	if z.Most > 0 {
		r.Most = z.Most.String()
	}
	return r
}

// unbroken keeps a sign of percent beside its number.
func unbroken(s string) string { return strings.ReplaceAll(s, " %", "\u00a0%") }
