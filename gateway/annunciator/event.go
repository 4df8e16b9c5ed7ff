package annunciator

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"math"
	"regexp"
	"strings"
	"time"
)

// What is accepted from the broker at the most, in bytes.
const (
	maxPayload = 64 << 10
	maxID      = 256
	maxMono    = 1e9 * time.Second // 30 years
	maxZones   = 1024
)

// envelope is what is needed of a CloudEvent, and of the data of a trip or a fault.
type envelope struct {
	SpecVersion string `json:"specversion"`
	ID          string `json:"id"`
	Source      string `json:"source"`
	Type        string `json:"type"`
	Data        struct {
		Zone    string   `json:"zone"`
		Title   string   `json:"zone_title"`
		Node    string   `json:"node"`
		Test    bool     `json:"test"`
		Delayed bool     `json:"delayed"`
		Proof   string   `json:"proof"`
		Boot    string   `json:"boot"`
		Mono    *float64 `json:"monotonic_s"`
		Gateway string   `json:"gateway"`
		Code    string   `json:"code"`
		About   string   `json:"about"`
		Detail  string   `json:"detail"`
	} `json:"data"`
}

// stamp is a time by a gateway's clock since boot.
type stamp struct {
	Gateway string        `json:"gateway,omitempty"`
	Boot    string        `json:"boot,omitempty"` // empty: the time is not known
	Mono    time.Duration `json:"mono,omitempty"`
}

// event is the opening of a trip, and what is done about it. Its exported fields are its record in lasting memory.
type event struct {
	Source   string   `json:"source"`
	ID       string   `json:"id"`
	Zone     string   `json:"zone,omitempty"`
	At       *stamp   `json:"at,omitempty"`
	Unproven bool     `json:"unproven,omitempty"`
	Test     bool     `json:"test,omitempty"`
	What     string   `json:"what,omitempty"` // "" until it is judged
	Why      string   `json:"why,omitempty"`
	Kind     string   `json:"kind,omitempty"` // trip, arrival, departure
	Passage  int      `json:"passage,omitempty"`
	Took     int64    `json:"took_ms,omitempty"`
	Owes     []string `json:"owes,omitempty"` // see owe
	Payload  []byte   `json:"payload,omitempty"`

	key      string
	received time.Duration
	at       time.Duration // when it happened; valid once judged in this life
	hold     time.Duration // its chime is held back until then
}

// What an event can owe. Names follow the last two.
const (
	oweVerdict = "verdict"
	oweSound   = "sound"
	oweReport  = "report"
	oweCommand = "command "
	oweContact = "contact "
)

// The kinds of openings.
const (
	kindTrip      = "trip"
	kindArrival   = "arrival"
	kindDeparture = "departure"
)

func keyOf(source, id string) string { return source + " " + id }

// name is what zones are called; see gateway/roster.
var name = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,31}$`)

// message sorts a publication by its topic.
func (c *Core) message(m Message) {
	rest, ok := strings.CutPrefix(m.Topic, "longlane/"+c.cfg.Site+"/")
	parts := strings.Split(rest, "/")
	var bad string
	switch {
	case !ok:
		bad = "topic"
	case len(m.Payload) > maxPayload:
		bad = "length"
	case m.Retained && rest == "tick": // somebody else's work: it tells of no time that we know
		bad = "being retained"
	case rest == "tick":
		bad = c.tick(m.Payload)
	case rest == "fault":
		bad = c.fault(m.Payload)
	case len(parts) == 3 && parts[0] == "zone" && (!name.MatchString(parts[1]) || c.zones[parts[1]] == nil && len(c.zones) >= maxZones):
		bad = "zone"
	case len(parts) == 3 && parts[0] == "zone" && parts[2] == "state":
		bad = c.zoneState(parts[1], m.Payload)
	case len(parts) == 3 && parts[0] == "zone" && (parts[2] == "trip" || parts[2] == "test"):
		bad = c.trip(parts[1], m.Payload)
	default:
		bad = "topic"
	}
	if bad != "" && !c.refused[bad] { // of each kind one line
		c.refused[bad] = true
		c.note(slog.LevelWarn, "a message was refused; further ones of the kind are not logged", "topic", m.Topic, "because of its", bad)
	}
	c.ack(m.Token)
}

// parse reads a CloudEvent, and says what is wrong with it.
func parse(payload []byte) (e envelope, bad string) {
	if err := json.Unmarshal(payload, &e); err != nil {
		return e, "JSON"
	}
	switch {
	case e.SpecVersion != "1.0" || e.ID == "" || e.Source == "" || len(e.ID)+len(e.Source) > maxID || strings.ContainsAny(e.ID+e.Source, "\x00\n"):
		return e, "envelope"
	case e.Data.Mono != nil && !(math.Abs(*e.Data.Mono) < maxMono.Seconds()):
		return e, "time"
	}
	return e, ""
}

func (e *envelope) stamp() *stamp {
	if e.Data.Mono == nil || e.Data.Boot == "" {
		return nil
	}
	return &stamp{e.Data.Gateway, e.Data.Boot, fromSeconds(*e.Data.Mono)}
}

func fromSeconds(s float64) time.Duration { return time.Duration(math.Round(s * float64(time.Second))) }

// trip takes in an opening or a closing.
func (c *Core) trip(zone string, payload []byte) (bad string) {
	in, bad := parse(payload)
	if bad != "" || in.Data.Zone != zone {
		return orElse(bad, "zone")
	}
	if c.zoneConfig(zone).Ignore {
		if in.Type == "longlane.trip.opened" {
			c.ignore(in)
		}
		return ""
	}
	c.title(zone, in.Data.Title)
	switch in.Type {
	case "longlane.trip.opened", "longlane.test.opened":
	case "longlane.trip.closed":
		c.let(zone)
		return ""
	default: // a correction, or something of a later version: it never acts
		return ""
	}
	key := keyOf(in.Source, in.ID)
	if old := c.events[key]; old != nil {
		if old.What != "" && !old.owes(oweSound) { // a broker that gives it again may not have had our report either
			c.tell(old)
		}
		return ""
	}
	e := &event{Source: in.Source, ID: in.ID, Zone: zone, At: in.stamp(), Unproven: in.Data.Proof == "unproven", Test: in.Data.Test,
		Owes: []string{oweVerdict}, key: key, received: c.now.Mono, hold: -1}
	if len(c.zoneConfig(zone).Commands) > 0 {
		e.Payload = payload
	}
	c.remember(e)
	switch {
	case in.Data.Test && !c.cfg.SoundTests:
		c.verdict(e, Test, "a test is silent here")
	case in.Data.Delayed:
		c.verdict(e, Silent, "it came late: it was published as delayed")
	case e.At == nil:
		c.verdict(e, Silent, "its age cannot be known")
	default:
		c.consider(e)
	}
	return ""
}

// ignore has an opening of a zone that is none of this unit's reported, and no more: or the gateway would think that nobody is here.
func (c *Core) ignore(in envelope) {
	e := c.events[keyOf(in.Source, in.ID)]
	if e == nil {
		e = &event{Source: in.Source, ID: in.ID, What: Silent, Why: "the zone is ignored here", Owes: []string{oweReport}, key: keyOf(in.Source, in.ID), hold: -1}
		c.remember(e)
	}
	c.tell(e)
}

// remember keeps an event, and forgets the oldest beyond what is kept.
func (c *Core) remember(e *event) {
	if c.events[e.key] == nil {
		c.order = append(c.order, e.key)
	}
	c.events[e.key] = e
	for len(c.order) > Remembered {
		delete(c.events, c.order[0])
		c.order = c.order[1:]
	}
	c.record(record{Event: e})
}

func (e *event) owes(what string) bool {
	for _, o := range e.Owes {
		if o == what {
			return true
		}
	}
	return false
}

// paid strikes out what an event owed, and reports whether it did.
func (e *event) paid(what string) bool {
	for i, o := range e.Owes {
		if o == what {
			e.Owes = append(e.Owes[:i:i], e.Owes[i+1:]...)
			return true
		}
	}
	return false
}

// pay strikes out what an event owed, in memory too. An event that owes nothing any more is its id and what became of it.
func (c *Core) pay(e *event, what string) {
	if e == nil || !e.paid(what) {
		return
	}
	if len(e.Owes) == 0 {
		e.At, e.Payload = nil, nil
	}
	if c.events[e.key] == e {
		c.record(record{Event: e})
	}
}

// verdict says what became of an opening that does not act, and tells the gateway.
func (c *Core) verdict(e *event, what, why string) {
	e.What, e.Why, e.Owes = what, why, []string{oweReport}
	e.Took = c.took(e)
	e.At, e.Payload = nil, nil
	c.remember(e)
	z := c.zone(e.Zone)
	if what == Counted {
		z.counted++
	}
	c.shown(e)
	c.tell(e)
	c.note(slog.LevelInfo, "an opening does not sound", "zone", e.Zone, "id", e.ID, "what", what, "why", why)
}

func (c *Core) took(e *event) int64 { return max(c.now.Mono-e.received, 0).Milliseconds() }

// tell reports an opening to the gateway.
func (c *Core) tell(e *event) {
	why := e.Why
	if e.Unproven && (e.What == Sounded || e.What == Counted) {
		why = strings.TrimSuffix("unproven; "+why, "; ")
	}
	c.emit(Heard{Key: e.key, Source: e.Source, ID: e.ID, What: e.What, Why: why, Took: e.Took})
}

func (c *Core) told(key string) { c.pay(c.events[key], oweReport) }

// tellAll reports what may not have got through.
func (c *Core) tellAll() {
	c.status = ""
	for _, key := range c.order {
		if e := c.events[key]; e.What != "" && e.owes(oweReport) && !e.owes(oweSound) {
			c.tell(e)
		}
	}
}

// tick is the beat of a gateway's clock.
func (c *Core) tick(payload []byte) (bad string) {
	var t struct {
		Gateway string   `json:"gateway"`
		Boot    string   `json:"boot"`
		Mono    *float64 `json:"monotonic_s"`
	}
	if err := json.Unmarshal(payload, &t); err != nil || t.Boot == "" || t.Mono == nil || !(math.Abs(*t.Mono) < maxMono.Seconds()) {
		return "tick"
	}
	if c.lastTick < 0 || c.now.Mono-c.lastTick >= DeafAfter {
		c.hearing = c.now.Mono
	}
	c.lastTick = c.now.Mono
	c.clockOf(t.Gateway, t.Boot, fromSeconds(*t.Mono))
	waiting := c.waiting
	c.waiting = nil
	for _, e := range waiting {
		switch {
		case e.At.Gateway != t.Gateway:
			c.waiting = append(c.waiting, e)
		case e.At.Boot != t.Boot:
			c.tooOld(e, "its age cannot be known: the gateway has been started anew since")
		default:
			c.consider(e)
		}
	}
	c.judgeFaults()
	return ""
}

// clock is a gateway's clock as its ticks show it.
type clock struct {
	boot   string
	ahead  time.Duration // what it shows, less Now.Mono
	ticked time.Duration
	recent stretch
}

// stretch is a time of ticks without a gap.
type stretch struct {
	from  time.Duration
	n     int
	ahead time.Duration // of the tick that came fastest
}

const (
	maxGateways = 8
	// stretchTicks and stretchFor are how many ticks, over what time, bear out that the gateway's clock went slow.
	stretchTicks = 4
	stretchFor   = 15 * time.Second
	// drift bounds how fast two clocks part: crystals keep within 100 parts in a million (common practice, no source), each.
	drift = 500e-6
)

// clockOf notes what a gateway's clock shows. A tick that was kept on the way shows too little, and would make old events
// young; so the tick that came fastest counts, less what clocks may have drifted since. But not for ever: the clock of a machine that
// was held for minutes (a virtual one, for its backup) is behind from then on, and all events would be too old. Nothing keeps ticks
// back for so long, all alike, as it takes to be believed.
func (c *Core) clockOf(gateway, boot string, mono time.Duration) {
	k := c.clocks[gateway]
	ahead := mono - c.now.Mono
	switch {
	case k == nil:
		if len(c.clocks) >= maxGateways {
			oldest := ""
			for name, k := range c.clocks {
				if oldest == "" || k.ticked < c.clocks[oldest].ticked {
					oldest = name
				}
			}
			delete(c.clocks, oldest)
		}
		k = &clock{}
		c.clocks[gateway] = k
	case k.boot == boot:
		if c.now.Mono-k.ticked >= DeafAfter {
			k.recent = stretch{}
		}
		borne := k.recent.add(c.now.Mono, ahead)
		if ahead = max(ahead, k.ahead-time.Duration(drift*float64(c.now.Mono-k.ticked))); borne {
			ahead = k.recent.ahead
			k.recent = stretch{}
		}
	default:
		k.recent = stretch{}
	}
	k.boot, k.ahead, k.ticked = boot, ahead, c.now.Mono
}

// add reports whether the stretch is long enough to go by it alone.
func (s *stretch) add(now, ahead time.Duration) bool {
	if s.n == 0 {
		*s = stretch{from: now, ahead: ahead}
	}
	s.n, s.ahead = s.n+1, max(s.ahead, ahead)
	return s.n >= stretchTicks && now-s.from >= stretchFor
}

// age is how long ago s was; false if that cannot be known before the next tick.
func (c *Core) age(s *stamp) (time.Duration, bool) {
	k := c.clocks[s.Gateway]
	if k == nil || k.boot != s.Boot {
		return 0, false
	}
	return max(c.now.Mono+k.ahead-s.Mono, 0), true
}

// consider judges an event if its age is known, and else has it wait for a tick.
func (c *Core) consider(e *event) {
	age, known := c.age(e.At)
	switch limit := c.zoneConfig(e.Zone).Limit; {
	case !known:
		c.waiting = append(c.waiting, e)
		if len(c.waiting) > maxWaiting {
			oldest := c.waiting[0]
			c.waiting = c.waiting[1:]
			c.tooOld(oldest, "its age cannot be known yet, and too many have come since")
		}
	case age > limit:
		c.tooOld(e, fmt.Sprintf("it is %v old, and %v is the limit", age.Round(time.Second/10), limit))
	default:
		e.at = c.now.Mono - age
		c.judge(e)
	}
}

// tooOld ends an event that may not act any more. It may have acted in part in an earlier life of the unit.
func (c *Core) tooOld(e *event, why string) {
	if e.What == "" {
		c.verdict(e, Silent, why)
		return
	}
	if e.owes(oweSound) {
		c.verdict(e, Silent, "the unit was stopped before it sounded, and then "+why)
		return
	}
	e.Owes = []string{oweReport}
	c.remember(e)
	c.tell(e)
}

// expires is when an event that waits for a tick is too old whatever its age was.
func (e *event) expires() time.Duration { return e.received + maxWait }

// maxWaiting bounds the events that wait for a tick, with payloads for commands. What a broker has kept comes in its order, the new last.
const maxWaiting = 256

// maxWait is the longest wait for a tick: three times as long as one may stay out.
const maxWait = 3 * DeafAfter

// expire ends what has waited for too long.
func (c *Core) expire() {
	waiting := c.waiting
	c.waiting = nil
	for _, e := range waiting {
		if c.now.Mono < e.expires() {
			c.waiting = append(c.waiting, e)
			continue
		}
		c.tooOld(e, "its age cannot be known: no tick of its gateway came")
	}
	c.judgeFaults()
}

func orElse(s, other string) string {
	if s == "" {
		return other
	}
	return s
}
