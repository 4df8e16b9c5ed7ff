package survey

import (
	"encoding/json"
	"fmt"
	"math"

	"longlane/proto"
)

// PlanFormat is the version of a Plan.
const PlanFormat = 1

// Plan is what a plan of the lane predicts, as far as it can be compared:
//
//	{"longlane_plan": 1, "hops": [{"from": 1, "to": 3, "margin_db": 18.5}, {"from": 3, "to": 1, "margin_db": 17}]}
//
// from and to are node ids (longlane enrol list), or 240 and the gateway's number: 240 is the gateway. margin_db is the median margin above what
// the spreading factor needs. Each hop and direction stands there once.
type Plan struct {
	Format int       `json:"longlane_plan"`
	Hops   []PlanHop `json:"hops"`
}

// PlanHop is a hop in one direction.
type PlanHop struct {
	From   uint8    `json:"from"`
	To     uint8    `json:"to"`
	Margin *float64 `json:"margin_db"`
}

// ParsePlan reads a plan. It refuses what it does not know.
func ParsePlan(b []byte) (*Plan, error) {
	var head struct {
		Format *int `json:"longlane_plan"`
	}
	const want = `a plan, such as {"longlane_plan": 1, "hops": [{"from": 1, "to": 240, "margin_db": 18.5}]}`
	switch err := json.Unmarshal(b, &head); {
	case err != nil:
		return nil, fmt.Errorf("found no whole JSON (%w), expected %s", err, want)
	case head.Format == nil:
		return nil, fmt.Errorf("found no field longlane_plan, expected %s", want)
	case *head.Format != PlanFormat:
		return nil, fmt.Errorf("found a plan of format %d, expected format %d: another version of longlane wrote it", *head.Format, PlanFormat)
	}
	var p Plan
	if err := strict(b, &p); err != nil {
		return nil, fmt.Errorf("found %w, expected %s", err, want)
	}
	seen := map[[2]uint8]bool{}
	for i, h := range p.Hops {
		switch key := [2]uint8{h.From, h.To}; {
		case h.From < proto.MinNode || h.To < proto.MinNode || h.From == h.To:
			return nil, fmt.Errorf("hops[%d]: found from %d to %d, expected two different ids from %d on", i, h.From, h.To, proto.MinNode)
		case h.Margin == nil || math.Abs(*h.Margin) > 200:
			return nil, fmt.Errorf("hops[%d].margin_db: found none that can be, expected decibels from -200 to 200", i)
		case seen[key]:
			return nil, fmt.Errorf("hops[%d]: found from %d to %d again, expected each once", i, h.From, h.To)
		default:
			seen[key] = true
		}
	}
	return &p, nil
}

// PlanError, dB: so far off a prediction may be. Where a lane has no line of sight, losses scatter about what was predicted with a
// standard deviation of 6 to 8 dB. Common practice, no source.
const PlanError = 8

// ComparedHop is a hop in one direction, predicted and measured.
type ComparedHop struct {
	From      uint8    `json:"from"`
	To        uint8    `json:"to"`
	Predicted float64  `json:"predicted_db"`
	Measured  *float64 `json:"measured_db,omitempty"` // median; nil: nothing was
	Words     string   `json:"words"`
}

// Compare gives the plan's hops from and to this node beside what was measured of them. The error: there are none.
func (p *Plan) Compare(own uint8, f Figures) ([]ComparedHop, error) {
	var list []ComparedHop
	for _, h := range p.Hops {
		if h.From != own && h.To != own {
			continue
		}
		c := ComparedHop{From: h.From, To: h.To, Predicted: *h.Margin}
		for _, n := range f.Neighbours {
			if s := n.To.Margin; h.From == own && n.ID == h.To && s != nil {
				c.Measured = &s.Median
			}
			if s := n.From.Margin; h.To == own && n.ID == h.From && s != nil {
				c.Measured = &s.Median
			}
		}
		c.Words = compared(c)
		list = append(list, c)
	}
	if list == nil {
		return nil, fmt.Errorf("the plan has no hop from or to node %d, which is this one", own)
	}
	return list, nil
}

func compared(c ComparedHop) string {
	if c.Measured == nil {
		return "not measured: nothing was heard of it"
	}
	switch d := *c.Measured - c.Predicted; {
	case d < -PlanError:
		return fmt.Sprintf("%.0f dB worse than planned: something stands in the way, or antenna, cable or power are not those of the plan", -d)
	case d > PlanError:
		return fmt.Sprintf("%.0f dB better than planned", d)
	}
	return "as planned"
}

// CompareAgain sets what an earlier comparison predicted beside new figures.
func CompareAgain(list []ComparedHop, own uint8, f Figures) []ComparedHop {
	var p Plan
	for _, c := range list {
		p.Hops = append(p.Hops, PlanHop{From: c.From, To: c.To, Margin: &c.Predicted})
	}
	again, _ := p.Compare(own, f) // without hops there is nothing to compare
	return again
}
