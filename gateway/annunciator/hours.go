package annunciator

import "slices"

// Hours are a part of each day, in minutes since midnight, by the unit's wall clock: from From to before To, over midnight if To is
// not the later one.
type Hours struct {
	From, To int
	Volume   int      // percent, of a time with a volume of its own
	Except   []string // zones, or Supervision, that quiet hours leave alone
}

// Supervision stands among the zones that quiet hours leave alone.
const Supervision = "supervision"

func (h Hours) holds(minute int) bool {
	if h.From < h.To {
		return h.From <= minute && minute < h.To
	}
	return minute >= h.From || minute < h.To
}

// quiet reports whether a zone's chime, or Supervision, is silenced by the time of day. While that is not known nothing is.
func (c *Core) quiet(zone string) bool {
	if c.now.Wall.IsZero() {
		return false
	}
	minute := c.now.Wall.Hour()*60 + c.now.Wall.Minute()
	return slices.ContainsFunc(c.cfg.Quiet, func(h Hours) bool { return h.holds(minute) && !slices.Contains(h.Except, zone) })
}

// volume is what the time of day gives; while that is not known, the loudest that there is.
func (c *Core) volume() int {
	v := c.cfg.Volume
	if c.now.Wall.IsZero() {
		for _, h := range c.cfg.Volumes {
			v = max(v, h.Volume)
		}
		return v
	}
	minute := c.now.Wall.Hour()*60 + c.now.Wall.Minute()
	for _, h := range c.cfg.Volumes {
		if h.holds(minute) {
			return h.Volume
		}
	}
	return v
}
