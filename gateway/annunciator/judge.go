package annunciator

import (
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"time"
)

// zone is what is known of one.
type zone struct {
	title   string
	state   string // clear, tripped, blocked, unwatched; "" until the gateway has told
	why     string
	since   *stamp
	stale   bool // no state has come in this session
	acted   mark // when its last opening was that acted
	counted int  // openings since, that did not
	last    *event
	lastAt  time.Duration // when that was received
}

func (c *Core) zone(name string) *zone {
	z := c.zones[name]
	if z == nil {
		z = &zone{}
		c.zones[name] = z
	}
	return z
}

func (c *Core) title(zone, title string) {
	if title != "" && len(title) <= maxID {
		c.zone(zone).title = title
	}
}

// Title is what people call a zone.
func (c *Core) Title(zone string) string {
	if t := c.zoneConfig(zone).Title; t != "" {
		return t
	}
	if z := c.zones[zone]; z != nil && z.title != "" {
		return z.title
	}
	return zone
}

func (c *Core) shown(e *event) {
	z := c.zone(e.Zone)
	z.last, z.lastAt = e, e.received
}

// first is the opening of one of a passage's zones that waits for the other's.
type first struct {
	e  *event
	at time.Duration
}

// judge decides on an event that is young.
func (c *Core) judge(e *event) {
	if e.What != "" { // decided by an earlier life of the unit; what it owes is still to be done
		c.act(e)
		return
	}
	z, conf := c.zone(e.Zone), c.zoneConfig(e.Zone)
	if m := c.muted(e.Zone); m != nil {
		c.verdict(e, Muted, fmt.Sprintf("muted for another %v", (m.Until-c.now.Mono).Round(time.Minute)))
		return
	}
	if e.Test {
		e.What, e.Kind, e.Owes = Test, kindTrip, []string{oweReport, oweSound}
		c.act(e)
		return
	}
	i, kind, other := c.follow(e)
	e.Kind, e.Passage = kind, i
	last := &z.acted
	if kind != kindTrip {
		last = &c.sounded[i]
	}
	if last.within(e.at, conf.HoldOff) {
		c.verdict(e, Counted, fmt.Sprintf("within %v of the one before", conf.HoldOff))
		return
	}
	*last = mark{e.at, true}
	z.acted = mark{e.at, true}
	z.counted = 0
	c.record(record{Zone: e.Zone, Acted: e.at, Boot: c.cfg.Boot})
	e.What = Sounded
	e.Owes = []string{oweReport}
	for _, k := range conf.Contacts {
		e.Owes = append(e.Owes, oweContact+k)
	}
	for _, k := range conf.Commands {
		e.Owes = append(e.Owes, oweCommand+k)
	}
	sound, why := c.sounds(e, conf)
	if sound {
		e.Owes = append(e.Owes, oweSound)
		c.replace(other, kind)
		e.hold = c.holdUntil(e)
	} else {
		e.What, e.Why = Silent, why
	}
	c.shown(e)
	c.note(slog.LevelInfo, "an opening", "zone", e.Zone, "id", e.ID, "kind", kind, "unproven", e.Unproven, "sound", sound, "why", e.Why)
	c.act(e)
}

// sounds says whether an opening has a chime, and if not, why.
func (c *Core) sounds(e *event, conf Zone) (bool, string) {
	switch {
	case e.Kind == kindDeparture && c.cfg.Passages[e.Passage].Departure == DepartureSilent:
		return false, "a departure is silent here"
	case !conf.Sound:
		return false, "the zone has no sound here"
	case c.quiet(e.Zone):
		return false, "quiet hours"
	}
	return true, ""
}

// follow finds the passage that e completes, whichever of its two openings came in first, and gives the other one.
func (c *Core) follow(e *event) (passage int, kind string, other *event) {
	kind = kindTrip
	for i, p := range c.cfg.Passages {
		if e.Zone != p.Outer && e.Zone != p.Inner {
			continue
		}
		f := c.firsts[i]
		c.firsts[i] = &first{e, e.at}
		if f == nil || f.e.Zone == e.Zone || (e.at-f.at).Abs() > p.Within || kind != kindTrip {
			continue
		}
		if (f.e.Zone == p.Outer) == (f.at <= e.at) {
			passage, kind, other = i, kindArrival, f.e
		} else if p.Departure != DepartureUsual {
			passage, kind, other = i, kindDeparture, f.e
		} else {
			continue
		}
		c.firsts[i] = nil // each opening is part of one coming or going
	}
	return passage, kind, other
}

// replace takes back the chime of a passage's first opening, if it has not begun.
func (c *Core) replace(e *event, kind string) {
	if e == nil || !e.owes(oweSound) || c.playing != nil && c.playing.e == e {
		return
	}
	c.held = slices.DeleteFunc(c.held, func(h *event) bool { return h == e })
	c.queue = slices.DeleteFunc(c.queue, func(p *play) bool { return p.e == e })
	e.What, e.Why, e.Took = Counted, "told by the chime of the "+kind, c.took(e)
	c.pay(e, oweSound)
	c.tell(e)
}

// holdUntil is until when the chime of a passage's first opening is held back; -1 if it is not.
func (c *Core) holdUntil(e *event) time.Duration {
	until := time.Duration(-1)
	for i, p := range c.cfg.Passages {
		f := c.firsts[i]
		if f == nil || f.e != e || e.Kind != kindTrip || e.Zone == p.Inner && p.Departure == DepartureUsual {
			continue
		}
		if at := e.at + min(p.Wait, p.Within); at > c.now.Mono {
			until = max(until, at)
		}
	}
	return until
}

// act does what e owes.
func (c *Core) act(e *event) {
	c.remember(e)
	for _, o := range slices.Clone(e.Owes) {
		if k, ok := strings.CutPrefix(o, oweContact); ok {
			c.trigger(k, e)
		}
		if k, ok := strings.CutPrefix(o, oweCommand); ok {
			c.command(k, e)
		}
	}
	switch {
	case !e.owes(oweSound):
		e.Took = c.took(e)
		c.tell(e)
	case e.hold > c.now.Mono && len(c.held) < maxQueue:
		c.held = append(c.held, e)
	default:
		c.enqueue(e)
	}
}

// release lets go of chimes that were held back for long enough.
func (c *Core) release() {
	c.held = slices.DeleteFunc(c.held, func(e *event) bool {
		if c.now.Mono < e.hold {
			return false
		}
		c.enqueue(e)
		return true
	})
}

func (c *Core) muted(zone string) *Mute {
	var longest *Mute
	for i := range c.mutes {
		m := &c.mutes[i]
		if (m.Zone == "" || m.Zone == zone) && c.now.Mono < m.Until && (longest == nil || m.Until > longest.Until) {
			longest = m
		}
	}
	return longest
}
