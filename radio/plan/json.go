package plan

import (
	"encoding/json"
	"math"
	"time"

	"longlane/radio/beam"
	"longlane/radio/lane"
)

// number is null in JSON where it is infinite or none.
type number float64

func (n number) MarshalJSON() ([]byte, error) {
	if math.IsInf(float64(n), 0) || math.IsNaN(float64(n)) {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

type jsonTerm struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
}

type jsonHop struct {
	From      string      `json:"from"`
	To        string      `json:"to"`
	Length    float64     `json:"length_m"`
	Bearer    Kind        `json:"bearer"`
	Terms     []jsonTerm  `json:"terms"`
	Level     float64     `json:"level_dbm"`
	Need      float64     `json:"need_dbm"`
	Margin    float64     `json:"margin_db"`
	Sigma     float64     `json:"uncertainty_db"`
	Leaf      float64     `json:"plants_in_leaf_db"`
	Bare      float64     `json:"plants_bare_db"`
	Clearance number      `json:"clearance_fresnel_radii"`
	ClearAt   float64     `json:"clearance_at_m"`
	Blocked   []string    `json:"blocked_by"`
	FirstTry  float64     `json:"first_try"`
	Careful   float64     `json:"first_try_careful"`
	Holds     float64     `json:"holds"`
	Year      float64     `json:"first_try_year"`
	Months    [12]float64 `json:"first_try_by_month"`
}

type jsonZone struct {
	Zone   string `json:"zone"`
	Site   string `json:"site"`
	Served bool   `json:"served"`
	Wired  bool   `json:"wired"`
	Bearer Kind   `json:"bearer,omitempty"`
	jsonHeard
	Lacks *number   `json:"lacks_db,omitempty"` // of a zone that is not served; null: it has no way at all
	On    *jsonEnds `json:"lacks_on,omitempty"` // the hop that lacks it
	Hops  []jsonHop `json:"hops"`
}

// jsonHeard is Heard.
type jsonHeard struct {
	Within  number      `json:"in_time"`
	Care    number      `json:"in_time_careful"`
	InYear  number      `json:"in_time_year"`
	InMonth [12]float64 `json:"in_time_by_month"`
	Half    *float64    `json:"half_after_s"`       // null: later than 10 s
	Most    *float64    `json:"99_percent_after_s"` // likewise
}

func (h *Heard) json() jsonHeard {
	return jsonHeard{number(h.Within), number(h.Careful), number(h.Year), h.Months, someSeconds(h.Half), someSeconds(h.Most)}
}

type jsonEnds struct {
	From string `json:"from"`
	To   string `json:"to"`
}

type jsonSetting struct {
	Name    string            `json:"name"`
	SF      int               `json:"spreading_factor"`
	Width   int               `json:"bandwidth_hz"`
	Power   number            `json:"least_power_dbm"` // null: none is lawful
	Trip    float64           `json:"trip_s"`
	Gateway float64           `json:"receipts_s_per_hour"`
	Budget  float64           `json:"allowed_s_per_hour"`
	Need    float64           `json:"need_dbm"`
	Margin  [MaxHops]*float64 `json:"needed_margin_db_by_hops"` // null: not over so many
	Refused string            `json:"refused,omitempty"`
}

type jsonUnit struct {
	Site    string  `json:"site"`
	Watts   float64 `json:"w"`
	Battery *number `json:"battery_days"` // null: from the mains
	Panel   *number `json:"panel_w"`
}

type jsonAdvice struct {
	Change string `json:"change"`
	Meets  bool   `json:"meets_goal"`
	Served int    `json:"zones_more"`
	Gains  number `json:"gains_db"`
}

type jsonEffect struct {
	Assumption string  `json:"assumption"`
	DB         float64 `json:"db"`
	Before     float64 `json:"in_time_before"`
	Within     float64 `json:"in_time"`
	From       string  `json:"from,omitempty"` // the hop; left out: every one
	To         string  `json:"to,omitempty"`
	Zone       string  `json:"zone"`
}

// jsonRange is the least and the most.
type jsonRange [2]float64

type jsonView struct {
	Part     string    `json:"part"`
	All      bool      `json:"of_all"` // or of some such movers alone
	Length   jsonRange `json:"length_m"`
	Usual    *jsonSpan `json:"usual_dwell_s"` // null: it does not pass as a rule
	Possible jsonSpan  `json:"possible_dwell_s"`
}

// jsonSpan has null where a time has no end.
type jsonSpan [2]*float64

type jsonSight struct {
	Name      string     `json:"name"`
	Class     string     `json:"class"`
	Usual     *jsonRange `json:"usual_speed_m_s"` // null: it does not pass as a rule
	Possible  jsonRange  `json:"possible_speed_m_s"`
	Whole     bool       `json:"body_of_all"` // the gateway's judgement holds for it at this height
	Misses    bool       `json:"some_not_seen"`
	Unknown   bool       `json:"height_not_known"`
	Views     []jsonView `json:"sees"` // empty: it is not seen at all
	Dwell     *jsonSpan  `json:"usual_dwell_s"`
	DwellMost *jsonSpan  `json:"possible_dwell_s"`
	Source    string     `json:"source"`
	Missed    number     `json:"missed_above_m_s"` // null: never by the minimum dwell
}

type jsonBeam struct {
	Zone      string      `json:"zone"`
	Number    int         `json:"number"`
	Along     float64     `json:"along_m"`
	Length    float64     `json:"length_m"`
	Height    float64     `json:"height_m"`
	Width     float64     `json:"width_m"`
	Gain      *float64    `json:"excess_gain"` // null: its maker's range is not known
	Movers    []jsonSight `json:"movers"`
	Minimum   float64     `json:"min_dwell_s"`
	Debris    float64     `json:"debris_up_to_s"`
	Real      *float64    `json:"others_from_s"` // null: nobody else is seen
	Separates bool        `json:"separates"`
	Advice    string      `json:"height_advice,omitempty"`
}

type jsonLimit struct {
	From       float64  `json:"from_s"`
	To         *float64 `json:"to_s"` // null: without end
	Class      string   `json:"class"`
	Confidence string   `json:"confidence"`
	Possible   []string `json:"possible"`
}

type jsonGoal struct {
	Share  float64 `json:"share"`
	Within float64 `json:"within_s"`
	Margin float64 `json:"margin_db"`
}

func (g Goal) json() jsonGoal { return jsonGoal{g.Share, g.Within.Seconds(), g.Margin} }

// MarshalJSON writes the plan for machines. Shares are 0 to 1; by month is from January.
func (p *Plan) MarshalJSON() ([]byte, error) {
	out := struct {
		Lane      string        `json:"lane"`
		Goal      jsonGoal      `json:"goal"`
		Met       bool          `json:"met"`
		Chosen    string        `json:"setting,omitempty"`
		Frequency float64       `json:"frequency_hz,omitempty"`
		Relays    []string      `json:"relays"`
		Cost      number        `json:"cost"`
		Bound     number        `json:"cost_at_least"`
		Zones     []jsonZone    `json:"zones"`
		Settings  []jsonSetting `json:"settings"`
		Units     []jsonUnit    `json:"power"`
		Backup    float64       `json:"house_battery_wh"`
		Beams     []jsonBeam    `json:"beams"`
		Limits    []jsonLimit   `json:"dwell_limits"`
		Contacts  []jsonContact `json:"contacts"`
		Loop      *jsonLoop     `json:"supervised_loop"` // null: no wire is supervised
		Advice    []jsonAdvice  `json:"advice"`
		Decides   []jsonEffect  `json:"decides"`
		Warnings  []string      `json:"warnings"`
		Unjudged  []string      `json:"not_judged"`
	}{
		Lane: p.Lane.Name, Goal: p.Options.Goal.json(), Met: p.Met,
		Relays: siteNames(p.Relays), Cost: number(p.Cost), Bound: number(p.Bound), Backup: p.Backup, Contacts: p.jsonContacts(), Loop: p.jsonLoop(),
		Beams: []jsonBeam{}, Limits: []jsonLimit{}, Zones: []jsonZone{}, Units: []jsonUnit{}, Advice: []jsonAdvice{}, Decides: []jsonEffect{},
		Warnings: append([]string{}, p.Warnings...), Unjudged: append([]string{}, p.Unjudged...),
	}
	if p.Chosen != nil {
		out.Chosen, out.Frequency = p.Chosen.Name(), p.Chosen.Frequency
	}
	for i := range p.Zones {
		out.Zones = append(out.Zones, p.Zones[i].json())
	}
	for _, s := range p.Settings {
		out.Settings = append(out.Settings, s.json())
	}
	for _, e := range p.Units {
		out.Units = append(out.Units, e.json())
	}
	for i := range p.Beams {
		out.Beams = append(out.Beams, p.Beams[i].json(p.Options.BeamWidth))
	}
	for _, l := range p.Limits {
		j := jsonLimit{From: l.Least.Seconds(), To: untilEnd(l.Most), Class: l.Class.String(), Confidence: l.Confidence.String(), Possible: []string{}}
		for _, c := range l.Possible {
			j.Possible = append(j.Possible, c.String())
		}
		out.Limits = append(out.Limits, j)
	}
	for _, a := range p.Advice {
		out.Advice = append(out.Advice, jsonAdvice{a.Change, a.Meets, a.Served, number(a.Gains)})
	}
	for _, e := range p.Decides {
		j := jsonEffect{Assumption: e.Assumption, DB: e.DB, Before: e.Before, Within: e.Within, Zone: e.Zone.Name}
		if e.Hop != nil {
			j.From, j.To = e.Hop.From.Name, e.Hop.To.Name
		}
		out.Decides = append(out.Decides, j)
	}
	return json.Marshal(out)
}

func (s *Setting) json() jsonSetting {
	j := jsonSetting{Name: s.Name(), SF: s.SpreadingFactor, Width: s.Bandwidth, Power: number(s.LeastPower()), Trip: s.Airtime(tripSize).Seconds(), Gateway: s.Gateway.Seconds(),
		Budget: s.Budget.Seconds(), Need: s.Need, Refused: s.Refused}
	for h := range j.Margin {
		if s.usable(h + 1) {
			j.Margin[h] = &s.Margin[h]
		}
	}
	return j
}

func (e *Energy) json() jsonUnit {
	u := jsonUnit{Site: e.Site.Name, Watts: e.Watts}
	if e.Battery > 0 {
		u.Battery = ptr(number(e.Battery.Hours() / 24))
	}
	if e.Panel > 0 {
		u.Panel = ptr(number(e.Panel))
	}
	return u
}

func ptr[T any](v T) *T { return &v }

func siteNames(sites []*lane.Site) []string {
	list := []string{}
	for _, s := range sites {
		list = append(list, s.Name)
	}
	return list
}

// untilEnd is nil for a time without end.
func untilEnd(d time.Duration) *float64 {
	if d == beam.Endless {
		return nil
	}
	return ptr(d.Seconds())
}

// spanOf is nil for none.
func spanOf(s beam.Span) *jsonSpan {
	if s == (beam.Span{}) {
		return nil
	}
	return &jsonSpan{untilEnd(s.Least), untilEnd(s.Most)}
}

func (b *Beam) json(width float64) jsonBeam {
	m := b.Minimum
	j := jsonBeam{Zone: b.Zone.Name, Number: b.Number, Along: b.Beam.Along, Length: b.Beam.Length, Height: b.Beam.Height, Width: width,
		Minimum: m.Set.Seconds(), Debris: m.Debris.Seconds(), Real: untilEnd(m.Real), Separates: m.Separates(), Advice: b.HeightAdvice()}
	if b.Beam.Range > 0 {
		j.Gain = ptr(ExcessGain(b.Beam.Range, b.Beam.Length))
	}
	for _, s := range b.Sights {
		k := jsonSight{Name: s.Mover.Name, Class: s.Mover.Class.String(), Possible: jsonRange{s.Mover.Possible.Least, s.Mover.Possible.Most}, Whole: s.Whole(), Misses: s.Misses, Unknown: s.Unknown,
			Views: []jsonView{}, Dwell: spanOf(s.Usual), DwellMost: spanOf(s.Possible), Missed: number(b.MissedFrom(s)), Source: s.Mover.Sourced()}
		if s.Mover.Usual != (beam.Range{}) {
			k.Usual = &jsonRange{s.Mover.Usual.Least, s.Mover.Usual.Most}
		}
		for _, v := range s.Views {
			k.Views = append(k.Views, jsonView{Part: v.Part, All: v.All, Length: jsonRange{v.Length.Least, v.Length.Most}, Usual: spanOf(v.Usual), Possible: *spanOf(v.Possible)})
		}
		j.Movers = append(j.Movers, k)
	}
	return j
}

// someSeconds is nil for no time.
func someSeconds(d time.Duration) *float64 {
	if d == 0 {
		return nil
	}
	return ptr(d.Seconds())
}

func (z *ZonePlan) json() jsonZone {
	j := jsonZone{Zone: z.Zone.Name, Site: z.Site.Name, Served: z.Served, Wired: z.Wired, Bearer: z.Bearer, jsonHeard: z.Heard.json(), Hops: []jsonHop{}}
	if !z.Served {
		j.Lacks = ptr(number(z.Lacks))
		if h := z.Weakest(); h != nil {
			j.On = &jsonEnds{h.From.Name, h.To.Name}
		}
	}
	for _, h := range z.Hops {
		j.Hops = append(j.Hops, h.json())
	}
	return j
}

func (h *Hop) json() jsonHop {
	k := jsonHop{From: h.From.Name, To: h.To.Name, Length: h.Length, Bearer: h.Bearer, Level: h.Level, Need: h.Need, Margin: h.Margin, Sigma: h.Sigma,
		Leaf: h.Leaf, Bare: h.Bare, Clearance: number(h.Least.Share()), ClearAt: h.Least.At, Blocked: append([]string{}, h.Blocked...),
		FirstTry: h.Fading, Careful: h.Careful, Holds: h.Holds, Year: h.Year, Months: h.Months}
	for _, t := range h.Terms {
		k.Terms = append(k.Terms, jsonTerm(t))
	}
	return k
}
