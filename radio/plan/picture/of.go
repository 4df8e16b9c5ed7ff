//go:build !arm

package picture

import (
	"fmt"
	"strings"
	"unicode"

	"longlane/radio/plan"
)

// Of draws all pictures of a plan: the map first, of each link its profile and its budget, the settings if a zone comes by LoRa,
// the months if there is a way at all, and who breaks the beams at each height.
func Of(p *plan.Plan) (all []Picture, err error) {
	all = append(all, mapOf(p))
	seen := map[string]int{}
	links := p.Links()
	for _, l := range links {
		name := plainName(l.From.Name) + "-" + plainName(l.To.Name)
		if seen[name]++; seen[name] > 1 { // a-b to c, and a to b-c
			name += fmt.Sprintf("-%d", seen[name])
		}
		profile, err := profileOf(p, l)
		if err != nil {
			return nil, err
		}
		budget := budgetOf(l)
		profile.Name, budget.Name = "profile-"+name, "budget-"+name
		all = append(all, profile, budget)
	}
	if s, any := settingsOf(p); any {
		all = append(all, s)
	}
	if len(links) > 0 {
		all = append(all, monthsOf(p))
	}
	heights := p.Heights()
	for _, h := range heights {
		all = append(all, dwellOf(p, h, len(heights) == 1))
	}
	return all, nil
}

// plainName is what a file may be called on any machine.
func plainName(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsDigit(r) || r == '-' || r == '_' {
			return r
		}
		return '_'
	}, s)
}

// bearer is how a hop is named.
func bearer(h *plan.Hop) string {
	switch {
	case h.Setting != nil:
		return "LoRa, " + h.Setting.Name()
	case h.Bearer == plan.Bridge:
		return "Wi-Fi bridge"
	}
	return "Wi-Fi"
}
