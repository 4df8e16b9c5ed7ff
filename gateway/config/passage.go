package config

import (
	"fmt"

	"longlane/gateway/passage"
	"longlane/radio/beam"
)

// Pair is two zones whose beams stand one behind the other across the same lane: together they tell in from out, and how fast.
type Pair struct {
	// Outer and Inner are the zones: who comes in breaks the outer one first.
	Outer string `toml:"outer"`
	Inner string `toml:"inner"`
	// Distance is between them, 0.1 to 1000 m.
	Distance float64 `toml:"distance"`
}

// Passing says how the beams are that tell what came through.
type Passing struct {
	// BeamWidth is the width of a beam where it is crossed, in metres, 0 to 1: the reflector's at the most.
	BeamWidth float64 `toml:"beam_width"`
	// Mover is who passes here, in place of beam.DefaultMovers.
	Mover []Mover `toml:"mover,omitempty"`
}

// Mover is something that may pass, by how long and how fast it is.
type Mover struct {
	Name  string `toml:"name"`
	Class string `toml:"class"` // debris, person or vehicle
	// Each is the least and the most: Length in m; Usual in m/s, as a rule, left out for what does not pass as a rule; Possible in m/s, at all.
	Length   []float64 `toml:"length"`
	Usual    []float64 `toml:"usual,omitempty"`
	Possible []float64 `toml:"possible"`
}

// Classes are the words for what something is taken for.
var Classes = map[string]beam.Class{"debris": beam.Debris, "person": beam.Walker, "vehicle": beam.Vehicle}

// Settings are what it says, for package passage.
func (p *Passing) Settings() passage.Settings { return passage.For(p.BeamWidth, p.Movers()) }

// Movers are who passes. One with the name of a default mover is as high as that; of others no height is known.
func (p *Passing) Movers() (list []beam.Mover) {
	usual := beam.DefaultMovers()
	if len(p.Mover) == 0 {
		return usual
	}
	for _, m := range p.Mover {
		b := beam.Mover{Source: "the gateway's configuration", Name: m.Name, Class: Classes[m.Class], Length: span(m.Length), Usual: span(m.Usual), Possible: span(m.Possible)}
		for _, u := range usual {
			if u.Name == m.Name && u.Class == b.Class {
				b.Body, b.Others, b.Animal = u.Body, u.Others, u.Animal
			}
		}
		list = append(list, b)
	}
	return list
}

func span(v []float64) (r beam.Range) {
	if len(v) == 2 {
		r = beam.Range{Least: v[0], Most: v[1]}
	}
	return r
}

// checkPairs visits the pairs.
func (c *Config) checkPairs(k checker) {
	for i := range c.Pair {
		p, at := &c.Pair[i], checker{doc: k.doc, table: element("pair", i)}
		at.name("outer", p.Outer)
		at.name("inner", p.Inner)
		if p.Outer == p.Inner && p.Outer != "" {
			at.refuse("inner", quote(p.Inner), "another zone than the outer one")
		}
		if !(p.Distance >= 0.1 && p.Distance <= 1000) {
			at.refuse("distance", fmt.Sprint(p.Distance), "metres between the two beams, 0.1 to 1000")
		}
	}
	if w := c.Passage.BeamWidth; !(w >= 0 && w <= 1) {
		k.refuse("passage.beam_width", fmt.Sprint(w), "metres, 0 to 1")
	}
	for i := range c.Passage.Mover {
		m, at := &c.Passage.Mover[i], checker{doc: k.doc, table: element("passage.mover", i)}
		if _, ok := Classes[m.Class]; !ok {
			at.refuse("class", quote(m.Class), `"debris", "person" or "vehicle"`)
		}
		for field, v := range map[string][]float64{"length": m.Length, "usual": m.Usual, "possible": m.Possible} {
			most := 100.0
			if field == "length" {
				most = 1000
			}
			if field == "usual" && v == nil {
				continue
			}
			if len(v) != 2 || !(v[0] >= 0 && v[1] > v[0] && v[1] <= most) || field == "length" && v[0] == 0 {
				at.refuse(field, fmt.Sprint(v), fmt.Sprintf("the least and the most, such as [0.3, 5.5], up to %v", most))
			}
		}
		if len(m.Usual) == 2 && len(m.Possible) == 2 && (m.Usual[0] < m.Possible[0] || m.Usual[1] > m.Possible[1]) {
			at.refuse("usual", fmt.Sprint(m.Usual), fmt.Sprintf("a part of what is possible, %v", m.Possible))
		}
	}
}
