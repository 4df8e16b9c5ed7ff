package annunciator

import (
	"fmt"
	"log/slog"
	"maps"
	"math"
	"slices"
	"time"
)

// Remembered is how many ids of events are kept.
const Remembered = 4096

// DeafAfter is the longest time without a tick.
const DeafAfter = 15 * time.Second

// Never is a wake that does not come.
const Never = time.Duration(math.MaxInt64)

// Now is the time of a step.
type Now struct {
	// Mono is since the unit's boot, suspension included. It never runs backwards.
	Mono time.Duration
	// Wall is the time of day; zero while the unit's clock is not set.
	Wall time.Time
}

// Config says what the unit does. It is not changed.
type Config struct {
	Site string
	// Boot names the boot of the unit's own machine, whose clock Now.Mono is.
	Boot string
	// Zones are those with settings of their own; Other is for the rest.
	Zones    map[string]Zone
	Other    Zone
	Passages []Passage
	Contacts map[string]Contact
	// Trouble and Deaf are what supervision announces: zones and nodes that are not well, and a gateway that is not heard.
	Trouble, Deaf Announcement
	// Grace is how long a trouble must stand, and must be gone, to be announced.
	Grace time.Duration
	// SoundTests has test trips act like others.
	SoundTests bool
	Volume     int // percent
	Volumes    []Hours
	Quiet      []Hours
	// MaxCommands is how many commands may run at once; further ones wait.
	MaxCommands int
}

// Zone is what is done about a zone's openings.
type Zone struct {
	Title    string
	Ignore   bool // nothing is done, nothing shown
	Limit    time.Duration
	HoldOff  time.Duration
	Sound    bool
	Repeats  int
	Volume   int // percent of what the hour gives
	Contacts []string
	Commands []string
}

// Announcement is what supervision does when something begins or ends.
type Announcement struct {
	Sound    bool
	Volume   int
	Contacts []string // active as long as it stands
	Commands []string
}

// Passage is two zones that people come through one after the other.
type Passage struct {
	Outer, Inner string
	Within       time.Duration
	// Wait is how long the first zone's chime is held back for the second's opening.
	Wait      time.Duration
	Departure Departure
	Repeats   int
	Volume    int
}

// Departure is what inner, then outer, is.
type Departure uint8

// The kinds of departures: as any opening of the outer zone, one with a chime of its own, one without any.
const (
	DepartureUsual Departure = iota
	DepartureSound
	DepartureSilent
)

// Contact is how long a contact stands in its other position. Pulsed, it stays for Min after the last opening; held, until
// its zones have closed, and at least Min. No longer than Max in one go in either case.
type Contact struct {
	Hold     bool
	Min, Max time.Duration
}

// What became of an opening.
const (
	Sounded = "sounded"
	Counted = "counted"
	Silent  = "silent"
	Muted   = "muted"
	Test    = "test"
)

// Input is what happens to the unit.
type Input any

type (
	// Message is a publication. Token is handed back with Ack once it may be acknowledged; 0: it needs none. Retained tells that the
	// broker had kept it from before.
	Message struct {
		Topic    string
		Payload  []byte
		Token    uint64
		Retained bool
	}
	// Session tells that the broker has granted the subscriptions, or that the connection has ended. What tokens were handed
	// in before its end are worth nothing any more.
	Session struct {
		Up  bool
		Why string // of an end
	}
	// Written tells that the records up to a number are in lasting memory. Err tells that they cannot be got there; they
	// count as written all the same.
	Written struct {
		Upto uint64
		Err  string
	}
	// Begun tells that a sound or command has begun, now or in an earlier life of the unit. Of an earlier life it has Ended as well.
	Begun struct{ Claim string }
	// Plays tells that a sound which has begun did not fail at once.
	Plays struct{ Claim string }
	// Ended tells that a sound or command has ended. With Err it failed: if it has not told that it Plays, nothing was heard,
	// and its claim is free again.
	Ended struct {
		Claim string
		Err   string
	}
	// ContactSet answers Set, and Light if it has no Name.
	ContactSet struct {
		Name   string
		Active bool
		Err    string
	}
	// Speaks tells that reports can be sent, again: those of before may be lost.
	Speaks struct{}
	// Told tells that the broker has acknowledged what was Heard of an event.
	Told struct{ Key string }
	// Fault tells what is wrong with something that the unit needs; nothing any more, if Err is empty.
	Fault struct{ What, Err string }
	// Mutes are all mutes that there are.
	Mutes struct{ List []Mute }
)

// Mute silences a zone, or all if Zone is empty, until a time of Now.Mono.
type Mute struct {
	Zone  string
	Until time.Duration
}

// Output is what the unit is to do.
type Output any

type (
	// Play asks for a sound, not to be begun after Before.
	Play struct {
		Claim  string
		Chime  string
		Volume int // percent
		Before time.Duration
	}
	// Run asks for a command, not to be begun after Before.
	Run struct {
		Claim   string
		Command string
		Event   []byte // for its standard input
		Env     []string
		Before  time.Duration
	}
	// Set asks for a contact's position.
	Set struct {
		Name   string
		Active bool
	}
	// Light asks for the "watched" light.
	Light struct{ On bool }
	// Heard asks for the report of an opening.
	Heard struct {
		Key    string `json:"-"`
		Source string `json:"source"`
		ID     string `json:"id"`
		What   string `json:"what"`
		Why    string `json:"why,omitempty"`
		Took   int64  `json:"took_ms"` // from its reception to its sound's beginning, or to the verdict
	}
	// Status asks for the report of the unit itself.
	Status struct {
		Sounded *LastSound
		Errors  []string
	}
	// Save asks for records in lasting memory, the last of which has this number.
	Save struct {
		Upto    uint64
		Records [][]byte
	}
	// Ack says that a message may be acknowledged.
	Ack struct{ Token uint64 }
	// Note is a line for the log.
	Note struct {
		Level slog.Level
		Text  string
		Attrs []any
	}
)

// LastSound is what the unit sounded last.
type LastSound struct {
	Source string `json:"source"`
	ID     string `json:"id"`
	Zone   string `json:"zone"`
	What   string `json:"what"` // trip, arrival or departure
	Time   string `json:"time,omitempty"`
}

// The chimes that belong to no zone. ChimeOf and ChimeOfPassage are the names of the others.
const (
	ChimeTrouble      = "trouble"
	ChimeTroubleEnded = "trouble-ended"
	ChimeDeaf         = "deaf"
	ChimeDeafEnded    = "deaf-ended"
)

// ChimeOf is the name of a zone's chime.
func ChimeOf(zone string) string { return "zone " + zone }

// ChimeOfPassage is the name of a passage's chime, by its place in the config.
func ChimeOfPassage(i int, what string) string { return fmt.Sprintf("%s %d", what, i) }

// Core is the state machine. It is not safe for concurrent use.
type Core struct {
	cfg Config
	now Now
	out []Output

	started  time.Duration
	up       bool
	upAt     time.Duration
	lost     string // why the session ended
	clocks   map[string]*clock
	lastTick time.Duration // -1: none yet
	hearing  time.Duration // since when ticks have come without a break; valid once one has

	events   map[string]*event
	order    []string // keys of events, the oldest first
	waiting  []*event // for a tick
	held     []*event // their chimes, for the second of a passage
	zones    map[string]*zone
	firsts   []*first // by passage
	sounded  []mark   // by passage: when it last sounded
	queue    []*play
	playing  *play
	commands []*run
	running  map[string]*run
	contacts map[string]*contact
	troubles map[string]*trouble
	faults   map[string]*event // fault events that wait for a tick, by trouble
	deaf     bool
	said     bool // that it is deaf was announced, and its end not yet
	light    bool
	lit      bool // the light has been set once
	mutes    []Mute
	episode  int    // numbers announcements, so that a claim is never used for two
	series   string // of these numbers: if memory was lost they begin anew, and the claims are still there
	last     *LastSound
	errors   map[string]string
	status   string // as last asked for

	unsaved  []record
	recordNo uint64
	written  uint64
	acks     []pendingAck
	refused  map[string]bool // kinds of bad messages that were noted
}

type mark struct {
	at time.Duration
	is bool
}

func (m mark) within(at, d time.Duration) bool { return m.is && (at-m.at).Abs() < d }

type pendingAck struct {
	token, record uint64
}

// New makes a unit that starts at now, with what earlier lives have saved, in order. Records that it cannot read are left
// out; their number is returned.
func New(cfg Config, records [][]byte, now Now) (c *Core, bad int) {
	c = &Core{cfg: cfg, now: now, started: now.Mono, lastTick: -1, clocks: map[string]*clock{}, events: map[string]*event{},
		zones: map[string]*zone{}, firsts: make([]*first, len(cfg.Passages)), sounded: make([]mark, len(cfg.Passages)),
		running: map[string]*run{}, contacts: map[string]*contact{}, troubles: map[string]*trouble{}, faults: map[string]*event{},
		errors: map[string]string{}, refused: map[string]bool{}}
	for name, conf := range cfg.Contacts {
		c.contacts[name] = &contact{Contact: conf, holders: map[string]bool{}}
	}
	for _, r := range records {
		if !c.restore(r) {
			bad++
		}
	}
	if c.series == "" {
		c.series = fmt.Sprintf("%s-%d", cfg.Boot, now.Mono)
	}
	c.resume()
	return c, bad
}

// Step takes in what has happened, nil if only time has passed, and returns what is to be done, and when to be called at
// the latest.
func (c *Core) Step(now Now, in Input) ([]Output, time.Duration) {
	c.now = now
	switch in := in.(type) {
	case Message:
		c.message(in)
	case Session:
		c.session(in)
	case Written:
		c.wrote(in)
	case Begun:
		c.begun(in)
	case Plays:
		c.plays(in.Claim)
	case Ended:
		c.ended(in)
	case ContactSet:
		c.contactSet(in)
	case Speaks:
		c.tellAll()
	case Told:
		c.told(in.Key)
	case Fault:
		c.fail(in.What, in.Err)
	case Mutes:
		c.mutes = in.List
	case nil:
	default:
		panic(fmt.Sprintf("annunciator: no input: %T", in))
	}
	c.expire()
	c.release()
	c.supervise()
	c.moveContacts()
	c.startCommands()
	c.startSound()
	c.setLight()
	c.report()
	c.save()
	out := c.out
	c.out = nil
	return out, c.wake()
}

func (c *Core) emit(o Output) { c.out = append(c.out, o) }

func (c *Core) note(l slog.Level, text string, attrs ...any) { c.emit(Note{l, text, attrs}) }

func (c *Core) session(in Session) {
	c.up, c.lost = in.Up, in.Why
	if in.Up {
		c.upAt = c.now.Mono
		return
	}
	c.acks = nil
	for _, z := range c.zones { // not when it is up: states may come before we know that it is
		z.stale = true
	}
}

// ack acknowledges a message once all that has been recorded so far is written.
func (c *Core) ack(token uint64) {
	switch {
	case token == 0:
	case c.recordNo <= c.written:
		c.emit(Ack{token})
	default:
		c.acks = append(c.acks, pendingAck{token, c.recordNo})
	}
}

func (c *Core) wrote(in Written) {
	c.written = max(c.written, in.Upto)
	c.fail("memory", in.Err)
	for len(c.acks) > 0 && c.acks[0].record <= c.written {
		c.emit(Ack{c.acks[0].token})
		c.acks = c.acks[1:]
	}
}

// fail notes what is wrong with an output; "": nothing any more.
func (c *Core) fail(what, err string) {
	switch was := c.errors[what]; {
	case err == was:
	case err == "":
		delete(c.errors, what)
		c.note(slog.LevelInfo, "works again", "what", what)
	default:
		c.errors[what] = err
		c.note(slog.LevelError, "does not work", "what", what, "err", err)
	}
}

// report tells of the unit itself when that has changed.
func (c *Core) report() {
	s := Status{Sounded: c.last, Errors: []string{}}
	for _, what := range slices.Sorted(maps.Keys(c.errors)) {
		s.Errors = append(s.Errors, what+": "+c.errors[what])
	}
	if c.deaf {
		s.Errors = append(s.Errors, c.deafness())
	}
	text := fmt.Sprint(s.Sounded, s.Errors)
	if c.last != nil {
		text += fmt.Sprint(*c.last)
	}
	if text != c.status {
		c.status = text
		c.emit(s)
	}
}

// zoneConfig is what is set for a zone.
func (c *Core) zoneConfig(name string) Zone {
	if z, ok := c.cfg.Zones[name]; ok {
		return z
	}
	return c.cfg.Other
}

// wake is when something is due.
func (c *Core) wake() time.Duration {
	at := c.superviseAt()
	for _, e := range c.waiting {
		at = min(at, e.expires())
	}
	for _, e := range c.held {
		at = min(at, e.hold)
	}
	for _, p := range c.queue {
		at = min(at, p.before)
		if c.playing == nil && p.notBefore > c.now.Mono {
			at = min(at, p.notBefore)
		}
	}
	for _, r := range c.commands {
		at = min(at, r.before)
	}
	for _, k := range c.contacts {
		at = min(at, k.due())
	}
	return at
}
