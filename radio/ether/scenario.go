package ether

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"longlane/proto"
)

// Scenario is what is to happen. Its TOML form:
//
//	name  = "the hill orchard"
//	seed  = 1
//	until = "25s"                      # no trip begins after this; without it they go on
//
//	[[node]]
//	name  = "oak-relay"
//	card  = "cards/oak-relay.json"     # made by enrolment
//	relay = true                       # passes on what others send, by ways that it finds itself
//	rssi  = -88.0                      # at which the gateway hears it, dBm; none: not at all
//
//	[[node]]
//	name  = "river-gate"
//	card  = "cards/river-gate.json"
//	drift_ppm = 40.0
//	trips = [{ at = "2s", for = "4s", every = "1h", input = 0 }]
//	restart = ["20s"]
//	[[node.input]]
//	number = 0
//	normally_closed = true
//	[node.rate]                        # instead of, or beside, listed trips
//	per_hour = 120.0
//	dwell_min = "500ms"
//	dwell_max = "6s"
//
//	[[pair]]                           # and who hears whom beside that
//	of   = ["river-gate", "oak-relay"]
//	rssi = -104.0
//
//	[faults]
//	lose = 0.05
//
//	[[unplug]]
//	at  = "12s"
//	for = "3s"
type Scenario struct {
	Name    string   `toml:"name"`
	Seed    uint64   `toml:"seed"`
	Until   Duration `toml:"until"`
	Lane    string   `toml:"lane"`    // the lane file whose sites say where the nodes of their names stand; see StandAt
	CheckIn Duration `toml:"checkin"` // that a rehearsal's gateway sets all nodes to; 0: 15 minutes
	Nodes   []Node   `toml:"node"`
	Faults  Faults   `toml:"faults"`
	Unplugs []Unplug `toml:"unplug"`

	Air         *Channel     `toml:"air"` // nil: as SetDefaults has it
	Pairs       []Pair       `toml:"pair"`
	Interferers []Interferer `toml:"interferer"`
}

// Node is a station.
type Node struct {
	Name     string     `toml:"name"`
	Card     string     `toml:"card"`
	Relay    bool       `toml:"relay"`     // passes on what others send, and never stops listening
	Inputs   []Input    `toml:"input"`     // none: input 0, normally open
	RSSI     *float64   `toml:"rssi"`      // at which the gateway's modem hears it, dBm, mean; -140 to 0
	Place    []float64  `toml:"place"`     // x and y, m: see Channel
	Power    *float64   `toml:"power"`     // dBm; absent: the channel's
	DriftPPM float64    `toml:"drift_ppm"` // of its clock; positive is fast; -200 to 200
	CheckIn  Duration   `toml:"checkin"`   // 0: the node's default
	Mains    bool       `toml:"mains"`
	Trips    []Trip     `toml:"trips"`
	Rate     *Rate      `toml:"rate"`
	Restart  []Duration `toml:"restart"`
	Dies     Duration   `toml:"dies"`    // when it is gone for good; 0: never
	Stolen   Duration   `toml:"stolen"`  // when somebody has it, with all its keys, and does the worst that these allow; 0: never
	Battery  float64    `toml:"battery"` // what its battery holds, mAh; 0: it never ends
}

// Input is one contact; see node.InputConfig.
type Input struct {
	Number         uint8    `toml:"number"`
	NormallyClosed bool     `toml:"normally_closed"`
	Debounce       Duration `toml:"debounce"`
	MinDwell       Duration `toml:"min_dwell"`
}

// Trip is one listed closure, or one that comes again and again.
type Trip struct {
	At    Duration `toml:"at"`
	For   Duration `toml:"for"`
	Every Duration `toml:"every"` // 0: once; else longer than For, 100 ms or more
	Input uint8    `toml:"input"`
}

// Rate makes closures at random: exponential gaps, evenly distributed dwell.
type Rate struct {
	PerHour  float64  `toml:"per_hour"` // above 0, up to 36,000
	DwellMin Duration `toml:"dwell_min"`
	DwellMax Duration `toml:"dwell_max"`
	Input    uint8    `toml:"input"`
}

// Faults are probabilities, for each frame between the air and the modem, in either direction.
type Faults struct {
	Lose     float64  `toml:"lose"`
	Repeat   float64  `toml:"repeat"`
	Reorder  float64  `toml:"reorder"` // the frame after it goes first, if one comes within 2 s
	Delay    float64  `toml:"delay"`   // by up to DelayMax
	Corrupt  float64  `toml:"corrupt"` // 1 to 8 bits flipped
	Forge    float64  `toml:"forge"`   // a forged frame beside it
	DelayMax Duration `toml:"delay_max"`
}

// SetDefaults is for whoever decodes a file.
func (f *Faults) SetDefaults() { f.DelayMax = Duration(3 * time.Second) }

// Unplug takes the modem's plug out for a while.
type Unplug struct {
	At  Duration `toml:"at"`
	For Duration `toml:"for"`
}

// Duration is a time.Duration that is written as text.
type Duration time.Duration

// UnmarshalText accepts what time.ParseDuration accepts.
func (d *Duration) UnmarshalText(text []byte) error {
	v, err := time.ParseDuration(string(text))
	if err != nil {
		return err
	}
	*d = Duration(v)
	return nil
}

// MarshalText writes what UnmarshalText reads.
func (d Duration) MarshalText() ([]byte, error) { return []byte(time.Duration(d).String()), nil }

// Expected says what UnmarshalText accepts.
func (Duration) Expected() string { return `a duration in quotes such as "1.5s", "20s" or "1h30m"` }

// FieldError is a field of a Scenario that cannot be.
type FieldError struct {
	Path            string // such as node[1].rssi
	Found, Expected string
}

func (e *FieldError) Error() string {
	return fmt.Sprintf("%s: found %s, expected %s", e.Path, e.Found, e.Expected)
}

// problems collects what is wrong with a scenario.
type problems []error

func (p *problems) add(field, found, expected string) {
	*p = append(*p, &FieldError{field, found, expected})
}

func (p *problems) number(field string, v, low, high float64) {
	if !(v >= low && v <= high) {
		p.add(field, fmt.Sprint(v), fmt.Sprintf("%v to %v", low, high))
	}
}

const longest = Duration(10 * 365 * 24 * time.Hour)

func (p *problems) duration(field string, v, low, high Duration) {
	if v < low || v > high {
		p.add(field, time.Duration(v).String(), fmt.Sprintf("%v to %v", time.Duration(low), time.Duration(high)))
	}
}

// Validate names every field that cannot be, as *FieldErrors joined by errors.Join.
func (s Scenario) Validate() error {
	s = s.Filled()
	var p problems
	p.duration("until", s.Until, 0, longest)
	if s.CheckIn != 0 {
		p.duration("checkin", s.CheckIn, Duration(proto.PeriodUnit), 255*Duration(proto.PeriodUnit))
		if s.CheckIn%Duration(proto.PeriodUnit) != 0 {
			p.add("checkin", time.Duration(s.CheckIn).String(), fmt.Sprintf("a multiple of %v, in which a receipt tells it", proto.PeriodUnit))
		}
	}
	if len(s.Nodes) == 0 {
		p.add("node", "nothing", "at least one [[node]]")
	}
	for i := range s.Nodes {
		s.validateNode(&p, i)
	}
	for _, f := range []struct {
		name string
		v    float64
	}{{"lose", s.Faults.Lose}, {"repeat", s.Faults.Repeat}, {"reorder", s.Faults.Reorder}, {"delay", s.Faults.Delay},
		{"corrupt", s.Faults.Corrupt}, {"forge", s.Faults.Forge}} {
		p.number("faults."+f.name, f.v, 0, 1)
	}
	s.validateAir(&p)
	s.validateReach(&p)
	p.duration("faults.delay_max", s.Faults.DelayMax, 0, Duration(time.Minute))
	end := Duration(0)
	for i, u := range s.Unplugs {
		at := fmt.Sprintf("unplug[%d].", i)
		p.duration(at+"at", u.At, end, longest)
		p.duration(at+"for", u.For, 1, longest)
		end = u.At + u.For
	}
	return errors.Join(p...)
}

// Filled gives a scenario whose file says nothing of it its channel.
func (s Scenario) Filled() Scenario {
	if s.Air == nil {
		s.Air = new(Channel)
		s.Air.SetDefaults()
	}
	return s
}

func (s Scenario) validateNode(p *problems, i int) {
	n, at := &s.Nodes[i], fmt.Sprintf("node[%d].", i)
	if n.Name == modemName {
		p.add(at+"name", fmt.Sprintf("%q", n.Name), "another name: the modem of the gateway is called so")
	}
	if n.Name == "" || slices.IndexFunc(s.Nodes, func(o Node) bool { return o.Name == n.Name }) != i {
		p.add(at+"name", fmt.Sprintf("%q", n.Name), "a name that no other node has")
	}
	if n.Card == "" {
		p.add(at+"card", "nothing", "the file that enrolment made")
	}
	if n.RSSI != nil {
		p.number(at+"rssi", *n.RSSI, -140, 0)
	}
	p.place(at+"place", n.Place)
	if n.Power != nil {
		p.number(at+"power", *n.Power, -30, 40)
	}
	p.duration(at+"dies", n.Dies, 0, longest)
	p.duration(at+"stolen", n.Stolen, 0, longest)
	p.number(at+"battery", n.Battery, 0, 1e6)
	p.number(at+"drift_ppm", n.DriftPPM, -200, 200)
	if n.CheckIn != 0 {
		p.duration(at+"checkin", n.CheckIn, Duration(time.Second), Duration(12*time.Hour))
	}
	for j, r := range n.Restart {
		p.duration(fmt.Sprintf("%srestart[%d]", at, j), r, 1, longest)
	}
	n.validateTrips(p, at)
}

// Contacts are n's inputs, of which there is always one.
func (n *Node) Contacts() []Input {
	if len(n.Inputs) == 0 {
		return []Input{{}}
	}
	return n.Inputs
}

func (n *Node) has(input uint8) bool {
	return slices.ContainsFunc(n.Contacts(), func(i Input) bool { return i.Number == input })
}

func (n *Node) validateTrips(p *problems, at string) {
	for j, in := range n.Inputs {
		field := fmt.Sprintf("%sinput[%d].", at, j)
		if in.Number > 15 || slices.IndexFunc(n.Inputs, func(o Input) bool { return o.Number == in.Number }) != j {
			p.add(field+"number", fmt.Sprint(in.Number), "0 to 15, each once")
		}
		if in.Debounce != 0 {
			p.duration(field+"debounce", in.Debounce, Duration(time.Millisecond), Duration(time.Second))
		}
		if in.MinDwell != 0 {
			p.duration(field+"min_dwell", in.MinDwell, Duration(proto.MinDwellUnit), Duration(time.Minute))
		}
	}
	const inputHint = "the number of one of the node's inputs"
	for j, t := range n.Trips {
		field := fmt.Sprintf("%strips[%d].", at, j)
		p.duration(field+"at", t.At, 0, longest)
		p.duration(field+"for", t.For, 1, longest)
		if t.Every != 0 {
			p.duration(field+"every", t.Every, max(t.For+1, Duration(100*time.Millisecond)), longest)
		}
		if !n.has(t.Input) {
			p.add(field+"input", fmt.Sprint(t.Input), inputHint)
		}
	}
	if r := n.Rate; r != nil {
		p.number(at+"rate.per_hour", r.PerHour, math.SmallestNonzeroFloat64, 36000)
		p.duration(at+"rate.dwell_min", r.DwellMin, 1, longest)
		p.duration(at+"rate.dwell_max", r.DwellMax, r.DwellMin, longest)
		if !n.has(r.Input) {
			p.add(at+"rate.input", fmt.Sprint(r.Input), inputHint)
		}
	}
}
