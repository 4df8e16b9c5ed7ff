package annunciator

import (
	"maps"
	"slices"
	"time"
)

// View is what people see of the unit.
type View struct {
	Watched bool
	Deaf    string        // why nothing is heard; "" if ticks come
	Ticked  time.Duration // since the last tick; -1: none yet
	Quiet   bool
	Clock   time.Time // zero: not set
	Zones   []ZoneView
	Trouble []string
	Errors  []string
}

// ZoneView is one zone.
type ZoneView struct {
	Name, Title string
	State, Why  string        // "" while the gateway has not told
	For         time.Duration // it has been so; -1: not known
	Last        string        // what became of the last opening; "": none yet
	Ago         time.Duration // since it came
	Unproven    bool
	Counted     int           // openings since the last that acted
	Muted       time.Duration // for so long yet
}

// Hearing tells for how long ticks have come without a break, up to the last one, and how long ago that was. ok is false while none comes.
func (c *Core) Hearing(now Now) (during, ago time.Duration, ok bool) {
	ago = now.Mono - c.lastTick
	return c.lastTick - c.hearing, ago, c.lastTick >= 0 && ago < DeafAfter
}

// View shows the unit as it stands at now.
func (c *Core) View(now Now) View {
	c.now = now
	v := View{Watched: c.watched(), Ticked: -1, Quiet: c.quiet(""), Clock: now.Wall}
	if c.lastTick >= 0 {
		v.Ticked = now.Mono - c.lastTick
	}
	if c.deaf {
		v.Deaf = c.deafness()
	}
	for _, n := range slices.Sorted(maps.Keys(c.zones)) {
		z := c.zones[n]
		s := ZoneView{Name: n, Title: c.Title(n), State: z.state, Why: z.why, For: -1, Counted: z.counted}
		if c.deaf {
			s.State, s.Why = "", ""
		}
		if z.since != nil {
			for _, k := range c.clocks {
				if k.boot == z.since.Boot {
					s.For = max(now.Mono+k.ahead-z.since.Mono, 0)
				}
			}
		}
		if e := z.last; e != nil {
			s.Last, s.Ago, s.Unproven = orElse(e.What, "waits for a tick"), now.Mono-z.lastAt, e.Unproven
			if e.Kind == kindArrival || e.Kind == kindDeparture {
				s.Last = e.Kind
			}
		}
		if m := c.muted(n); m != nil {
			s.Muted = m.Until - now.Mono
		}
		v.Zones = append(v.Zones, s)
	}
	for _, key := range slices.Sorted(maps.Keys(c.troubles)) {
		if t := c.troubles[key]; t.Standing {
			v.Trouble = append(v.Trouble, t.Text)
		}
	}
	for _, what := range slices.Sorted(maps.Keys(c.errors)) {
		v.Errors = append(v.Errors, what+": "+c.errors[what])
	}
	return v
}
