package planfiles

import (
	"encoding/json"
	"fmt"
	"math"

	"longlane/proto"
	"longlane/radio/lane"
	"longlane/radio/plan"
	"longlane/radio/survey"
)

// median is by how much the median of a signal that fades as Rayleigh has it is above its mean power, dB: 10 log10(ln 2), its power being
// distributed exponentially.
var median = 10 * math.Log10(math.Ln2)

// survey is what a walk test is to be compared with: each hop of the plan, both ways. A walk test measures the median margin over what the spreading
// factor needs by its formula, by the noise that there is; so what the plan asks for modems that are worse than the formula is no part of it.
func (l *layout) survey() ([]File, error) {
	s := survey.Plan{Format: survey.PlanFormat}
	add := func(w *plan.Way, from, to *lane.Site) {
		margin := math.Round(10*(l.margin(w, from)+l.harder()+median)) / 10
		s.Hops = append(s.Hops, survey.PlanHop{From: l.id(from), To: l.id(to), Margin: &margin})
	}
	bare := 0.0
	for _, link := range l.plan.Links() {
		if link.Bearer == plan.LoRa {
			bare = max(bare, link.Leaf-link.Bare)
			add(link.Way, link.From, link.To)
			add(link.Way, link.To, link.From)
		}
	}
	b, err := json.Marshal(s)
	if err != nil {
		return nil, fmt.Errorf("write %s: %w", surveyFile, err)
	}
	if _, err := survey.ParsePlan(b); err != nil {
		return nil, refused("the figures for the walk test", err)
	}
	what := "what a walk test is compared with: the plan's margins in leaf"
	if bare > 0 {
		what += fmt.Sprintf("; bare trees leave up to %.1f dB more", bare)
	}
	return []File{{surveyFile, append(b, '\n'), what, "onto each board, and there: longlane survey --plan " + surveyFile}}, nil
}

// id is a site's in frames.
func (l *layout) id(s *lane.Site) uint8 {
	for _, u := range l.units {
		if u.site == s {
			return u.id
		}
	}
	return proto.GatewayBase
}
