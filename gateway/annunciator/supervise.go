package annunciator

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"time"
)

// trouble is something that is not well, or was until just now. Its exported fields are its record in lasting memory.
type trouble struct {
	Key       string `json:"key"`
	Text      string `json:"text"`
	Zone      string `json:"zone,omitempty"`
	Dims      bool   `json:"dims,omitempty"` // it puts the light out
	Of        bool   `json:"of_zone,omitempty"`
	Standing  bool   `json:"standing"`
	Announced bool   `json:"announced"`

	due    time.Duration // when it is to be announced, or its end; Never: not at all
	silent bool          // it is old
}

// standing are the codes of faults that end, and whether they put the light out. Momentary are those that do not.
var (
	standing = map[string]bool{"tamper": true, "input wire": true, "chatter": true, "node-overdue": true, "bearer-down": true,
		"battery low": false, "number store": false, "battery-low": false, "mains-lost": false, "restarts": true, "bearer-deaf": true, "jammed": true}
	momentary = map[string]bool{"events lost": true, "held-back": true}
)

// together is how far apart things may begin that are announced by one sound.
const together = 2 * time.Second

// zoneState is the retained state of a zone.
func (c *Core) zoneState(zone string, payload []byte) (bad string) {
	if c.zoneConfig(zone).Ignore {
		return ""
	}
	key := "zone " + zone
	if len(payload) == 0 { // it is no more
		delete(c.zones, zone)
		c.trouble(trouble{Key: key, Of: true}, 0)
		return ""
	}
	var s struct {
		Zone  string   `json:"zone"`
		Title string   `json:"zone_title"`
		State string   `json:"state"`
		Why   string   `json:"why"`
		Boot  string   `json:"boot"`
		Mono  *float64 `json:"since_monotonic_s"`
	}
	if err := json.Unmarshal(payload, &s); err != nil || s.Zone != zone || len(s.State) > maxID || len(s.Why) > 4*maxID {
		return "state"
	}
	c.title(zone, s.Title)
	z := c.zone(zone)
	z.state, z.why, z.since, z.stale = s.State, s.Why, nil, false
	if s.Mono != nil {
		z.since = &stamp{Boot: s.Boot, Mono: fromSeconds(*s.Mono)}
	}
	down := s.State == "unwatched" || s.State == "blocked"
	if s.State == "clear" || down {
		c.let(zone)
	}
	text := fmt.Sprintf("%s is %s", c.Title(zone), s.State)
	if s.Why != "" {
		text += ": " + s.Why
	}
	c.trouble(trouble{Key: key, Text: text, Zone: zone, Dims: true, Of: true, Standing: down}, c.cfg.Grace)
	return ""
}

// fault is a fault's beginning or end.
func (c *Core) fault(payload []byte) (bad string) {
	in, bad := parse(payload)
	if bad != "" {
		return bad
	}
	d := &in.Data
	dims, stands := standing[d.Code]
	if !stands && !momentary[d.Code] || d.Zone != "" && c.zoneConfig(d.Zone).Ignore {
		return ""
	}
	if len(d.Node)+len(d.Zone)+len(d.Gateway)+len(d.About) > 2*maxID || len(d.Detail) > 4*maxID {
		return "fault"
	}
	t := trouble{Key: fmt.Sprintf("fault %s %s %s %s", d.Code, d.Node, d.Zone, d.About), Text: orElse(d.Detail, d.Code), Zone: d.Zone, Dims: dims}
	if d.Node == "" { // it is a gateway's own
		t.Key += d.Gateway
	}
	switch in.Type {
	case "longlane.fault.began":
		t.Standing = true
	case "longlane.fault.ended":
	default:
		return ""
	}
	grace := time.Duration(0)
	if d.Code == "node-overdue" { // its zones become unwatched at the same moment: one sound for both
		grace = c.cfg.Grace
	}
	t.silent = d.Delayed || in.stamp() == nil
	if !stands {
		t.Key += " " + in.ID
	}
	c.trouble(t, grace)
	if t.Standing && !t.silent {
		c.faults[t.Key] = &event{At: in.stamp(), received: c.now.Mono}
		c.judgeFaults()
	}
	return ""
}

// judgeFaults silences what has begun longer ago than anything may sound, once ages are known.
func (c *Core) judgeFaults() {
	for key, e := range c.faults {
		age, known := c.age(e.At)
		its := c.clocks[e.At.Gateway]
		switch t := c.troubles[key]; {
		case t == nil:
			delete(c.faults, key)
		case known:
			delete(c.faults, key)
			t.silent = age > c.cfg.Other.Limit+(c.now.Mono-e.received)
		case its != nil && its.ticked > e.received, c.now.Mono >= e.expires(): // another boot's, or none comes
			delete(c.faults, key)
			t.silent = true
		}
	}
}

// trouble notes that something stands, or does not. It is announced after grace.
func (c *Core) trouble(n trouble, grace time.Duration) {
	t := c.troubles[n.Key]
	switch {
	case t == nil && (!n.Standing || len(c.troubles) >= maxZones):
		return
	case t == nil:
		t = &n
		t.due = c.now.Mono + grace
		c.troubles[n.Key] = t
	case t.Standing == n.Standing:
		t.Text = orElse(n.Text, t.Text)
		return
	default:
		t.Standing, t.due = n.Standing, c.now.Mono+grace
		if n.Standing {
			t.Text, t.silent = n.Text, n.silent
		} else if n.silent {
			t.silent = true
		}
	}
	c.recordTrouble(t)
	level, what := slog.LevelWarn, "not well"
	if !t.Standing {
		level, what = slog.LevelInfo, "well again"
	}
	c.note(level, what, "what", t.Key, "text", t.Text)
}

func (c *Core) recordTrouble(t *trouble) {
	if !t.Of || t.Announced { // the state of a zone is told again, but not what has been said of it
		c.record(record{Trouble: t})
	}
}

// supervise announces what is due, unless nothing is known.
func (c *Core) supervise() {
	c.listen()
	c.dropStale()
	if c.deaf || c.quiet(Supervision) {
		return
	}
	due := false
	for key, t := range c.troubles {
		due = due || c.now.Mono >= t.due && c.faults[key] == nil
	}
	if !due {
		return
	}
	var began, ended []string
	for _, key := range slices.Sorted(maps.Keys(c.troubles)) {
		t := c.troubles[key]
		if t.due == Never || c.now.Mono+together < t.due || c.faults[key] != nil {
			continue
		}
		t.due = Never
		switch {
		case t.Standing == t.Announced: // it has come and gone meanwhile, or was announced by an earlier life of the unit
		case t.Standing:
			t.Announced = true
			if !t.silent {
				began = append(began, t.Text)
			}
		default:
			t.Announced = false
			if !t.silent {
				ended = append(ended, t.Text)
			}
		}
		if !t.Standing || isMomentary(key) {
			delete(c.troubles, key)
			t = &trouble{Key: key}
		}
		c.record(record{Trouble: t})
	}
	if len(ended) > 0 {
		c.announce(ChimeTroubleEnded, "over: "+strings.Join(ended, "; "), c.cfg.Trouble)
	}
	if len(began) > 0 {
		c.announce(ChimeTrouble, strings.Join(began, "; "), c.cfg.Trouble)
	}
}

func isMomentary(key string) bool {
	for code := range momentary {
		if strings.HasPrefix(key, "fault "+code+" ") {
			return true
		}
	}
	return false
}

// dropStale forgets zones of which the broker has told nothing in this session: it keeps the state of each that there is.
func (c *Core) dropStale() {
	if !c.up || c.now.Mono < c.upAt+2*DeafAfter {
		return
	}
	for _, z := range c.zones {
		if z.stale {
			z.state, z.stale = "", false
		}
	}
	for key, t := range c.troubles { // of an earlier life
		if t.Of && t.Standing && (c.zones[t.Zone] == nil || c.zones[t.Zone].state == "") {
			c.trouble(trouble{Key: key}, 0)
		}
	}
}

// listen notices that no tick comes, and that one has come again.
func (c *Core) listen() {
	heard := max(c.lastTick, c.started)
	switch deaf := c.now.Mono-heard >= DeafAfter; {
	case deaf == c.deaf:
	case deaf:
		c.deaf = true
		c.note(slog.LevelError, c.deafness())
	case c.lastTick >= 0: // after a restart deafness goes on until a tick comes
		c.deaf = false
		c.note(slog.LevelInfo, "the gateway is heard again")
	}
	if c.deaf != c.said && !c.quiet(Supervision) {
		c.said = c.deaf
		switch {
		case c.deaf && !c.unannounce(ChimeDeafEnded):
			c.announce(ChimeDeaf, c.deafness(), c.cfg.Deaf)
		case !c.deaf && !c.unannounce(ChimeDeaf):
			c.announce(ChimeDeafEnded, "the gateway is heard again", c.cfg.Deaf)
		}
		c.record(record{Deaf: new(c.said)})
	}
	c.stand(c.cfg.Deaf.Contacts, "deaf", c.deaf)
	c.stand(c.cfg.Trouble.Contacts, "trouble", c.anyAnnounced())
}

func (c *Core) anyAnnounced() bool {
	for _, t := range c.troubles {
		if t.Announced && t.Standing {
			return true
		}
	}
	return false
}

// deafness says what is known of why nothing is heard.
func (c *Core) deafness() string {
	if !c.up {
		return "I hear nothing from the gateway: there is no connection to the broker; " + orElse(c.lost, "none came about since the start")
	}
	return fmt.Sprintf("I hear nothing from the gateway: the broker is there, and no tick came for %v", DeafAfter)
}

// superviseAt is when supervise has something to do.
func (c *Core) superviseAt() time.Duration {
	at := Never
	if !c.deaf {
		at = max(c.lastTick, c.started) + DeafAfter
	}
	if c.up && slices.ContainsFunc(slices.Collect(maps.Values(c.zones)), func(z *zone) bool { return z.stale }) {
		at = min(at, c.upAt+2*DeafAfter)
	}
	for _, e := range c.faults {
		at = min(at, e.expires())
	}
	if c.deaf != c.said { // quiet hours
		at = min(at, c.now.Mono+time.Minute)
	}
	if c.deaf {
		return at
	}
	for key, t := range c.troubles {
		switch {
		case t.due == Never || c.faults[key] != nil:
		case t.due <= c.now.Mono: // quiet hours
			at = min(at, c.now.Mono+time.Minute)
		default:
			at = min(at, t.due)
		}
	}
	return at
}

// setLight has the light tell whether a trip would be heard.
func (c *Core) setLight() {
	on := c.watched()
	if on != c.light || !c.lit {
		c.light, c.lit = on, true
		c.emit(Light{on})
	}
}

// watched reports whether ticks come and no zone is in fault.
func (c *Core) watched() bool {
	if c.deaf || c.lastTick < 0 {
		return false
	}
	known := 0
	for _, z := range c.zones {
		switch z.state {
		case "":
		case "clear", "tripped":
			known++
		default:
			return false
		}
	}
	for _, t := range c.troubles {
		if t.Standing && t.Dims {
			return false
		}
	}
	return known > 0
}
