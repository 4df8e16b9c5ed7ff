package annunciator

import (
	"encoding/json"
	"flag"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

var rewrite = flag.Bool("rewrite", false, "write the transcripts anew; read them before you keep them")

// TestTranscripts plays each file of testdata in virtual time: lines that begin with a time are what happens, those that begin with ">" are
// what the unit must then do, to the letter. A file's settings are named in its first lines, by "use".
func TestTranscripts(t *testing.T) {
	files, err := filepath.Glob("testdata/*.txt")
	if err != nil || len(files) < 10 {
		t.Fatalf("%d transcripts, %v", len(files), err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txt"), func(t *testing.T) {
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			got := newStage(t).perform(string(want))
			if got == string(want) {
				return
			}
			if *rewrite {
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			t.Errorf("it went\n%s\nwant\n%s", got, want)
		})
	}
}

// stage is a unit whose player, commands, contacts, disk and broker answer at once unless they are told otherwise.
type stage struct {
	t        testing.TB
	cfg      Config
	core     *Core
	now      Now
	wake     time.Duration
	written  [][]byte // what the disk has
	pending  []Save   // what it does not have yet
	slow     bool     // the disk
	length   time.Duration
	fails    string // what the player says, at once
	hangs    bool   // what it begins it never ends
	ends     map[string]time.Duration
	claims   map[string]bool
	acks     bool // are shown
	retained bool // what is published now
	status   bool
	mute     bool // the broker takes no reports
	tokens   map[uint64]string
	clockIn  time.Duration // the wall clock, less Now.Mono
	wallSet  bool
	ticks    bool
	nextTick time.Duration
	boots    map[string]time.Duration // a gateway's clock, less Now.Mono, by boot
	out      []string
	asks     []Input
	plays    map[string]int    // sounds begun, by event
	payloads map[string][]byte // by event, for a broker that gives it again
}

func newStage(t testing.TB) *stage {
	z := Zone{Limit: time.Minute, HoldOff: 30 * time.Second, Sound: true, Repeats: 1, Volume: 100}
	barn, yard, shed := z, z, z
	barn.Contacts, barn.Commands, barn.HoldOff = []string{"panel"}, []string{"lights"}, 0
	yard.Contacts = []string{"bell"}
	shed.Repeats, shed.HoldOff = 3, 0
	s := &stage{t: t, length: time.Second, ends: map[string]time.Duration{}, claims: map[string]bool{}, tokens: map[uint64]string{}, plays: map[string]int{}, payloads: map[string][]byte{},
		boots: map[string]time.Duration{"b1": 1000 * time.Second, "b2": 5 * time.Second}}
	s.cfg = Config{Site: "hill-orchard", Boot: "unit-1", Other: z, Zones: map[string]Zone{"barn": barn, "yard": yard, "shed": shed,
		"well": {Ignore: true}},
		Contacts: map[string]Contact{"panel": {Min: 2 * time.Second, Max: 5 * time.Second}, "bell": {Hold: true, Min: 3 * time.Second, Max: time.Minute},
			"lamp": {Hold: true, Min: time.Second, Max: time.Hour}},
		Trouble: Announcement{Sound: true, Volume: 100, Contacts: []string{"lamp"}}, Deaf: Announcement{Sound: true, Volume: 100},
		Grace: time.Minute, Volume: 60, MaxCommands: 2}
	return s
}

// perform plays a script and gives it back with what really happened.
func (s *stage) perform(script string) string {
	var text strings.Builder
	for line := range strings.Lines(script) {
		line = strings.TrimRight(line, "\n")
		if strings.HasPrefix(line, ">") {
			continue
		}
		fmt.Fprintln(&text, line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		words := strings.Fields(line)
		if words[0] == "use" {
			s.use(words[1:])
			continue
		}
		if s.core == nil {
			s.start()
		}
		at, err := time.ParseDuration(words[0])
		if err != nil || at < s.now.Mono {
			s.t.Fatalf("%q: no time, or one that is over", line)
		}
		s.advance(at)
		s.do(words[1:])
		for _, o := range s.out {
			fmt.Fprintf(&text, "> %s\n", o)
		}
		s.out = nil
	}
	return text.String()
}

func (s *stage) use(words []string) {
	switch words[0] {
	case "passage": // outer inner within wait departure
		p := Passage{Outer: words[1], Inner: words[2], Within: s.duration(words[3]), Wait: s.duration(words[4]), Repeats: 1, Volume: 100}
		p.Departure = map[string]Departure{"usual": DepartureUsual, "sound": DepartureSound, "silent": DepartureSilent}[words[5]]
		s.cfg.Passages = append(s.cfg.Passages, p)
	case "quiet": // from to except...
		s.cfg.Quiet = append(s.cfg.Quiet, Hours{From: s.minute(words[1]), To: s.minute(words[2]), Except: words[3:]})
	case "volume": // from to percent
		v, _ := strconv.Atoi(words[3])
		s.cfg.Volumes = append(s.cfg.Volumes, Hours{From: s.minute(words[1]), To: s.minute(words[2]), Volume: v})
	case "acks":
		s.acks = true
	case "status":
		s.status = true
	case "sounded-tests":
		s.cfg.SoundTests = true
	case "trouble-command":
		s.cfg.Trouble.Commands = []string{"lights"}
	default:
		s.t.Fatalf("use %q", words)
	}
}

func (s *stage) minute(word string) int {
	at, err := time.Parse("15:04", word)
	if err != nil {
		s.t.Fatal(err)
	}
	return at.Hour()*60 + at.Minute()
}

func (s *stage) duration(word string) time.Duration {
	d, err := time.ParseDuration(word)
	if err != nil {
		s.t.Fatal(err)
	}
	return d
}

func (s *stage) start() {
	bad := 0
	s.core, bad = New(s.cfg, s.written, s.now)
	if bad != 0 {
		s.t.Errorf("%d records could not be read", bad)
	}
	s.pending, s.ends = nil, map[string]time.Duration{}
	s.step(Session{Up: true})
	s.step(Speaks{})
}

// advance takes the unit to a time, by way of each wake and each end of a sound.
func (s *stage) advance(to time.Duration) {
	for {
		at, claim := s.wake, ""
		for c, end := range s.ends {
			if end < at || end == at && (claim == "" || c < claim) { // of two the same one each time
				at, claim = end, c
			}
		}
		if s.ticks && s.nextTick <= min(at, to) {
			at := s.nextTick
			s.nextTick += 5 * time.Second
			s.set(at)
			s.do([]string{"tick"})
			continue
		}
		if at > to {
			break
		}
		if at < s.now.Mono {
			s.t.Fatalf("a wake at %v, and it is %v", at, s.now.Mono)
		}
		before := s.now.Mono
		s.set(at)
		if claim != "" {
			delete(s.ends, claim)
			s.step(Ended{Claim: claim})
		} else {
			s.step(nil)
			if s.wake <= at && before == at {
				s.t.Fatalf("at %v it wakes and wakes", at)
			}
		}
	}
	s.set(to)
}

func (s *stage) set(at time.Duration) {
	s.now.Mono, s.now.Wall = at, time.Time{}
	if s.wallSet {
		s.now.Wall = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC).Add(s.clockIn + at)
	}
}

// step also has what answers at once answer.
func (s *stage) step(in Input) {
	out, wake := s.core.Step(s.now, in)
	s.wake = wake
	for _, o := range out {
		s.show(o)
	}
	for len(s.asks) > 0 {
		in := s.asks[0]
		s.asks = s.asks[1:]
		s.step(in)
	}
}

func (s *stage) say(format string, args ...any) {
	s.out = append(s.out, fmt.Sprintf("%-6s ", s.now.Mono.Round(time.Millisecond))+fmt.Sprintf(format, args...))
}

func (s *stage) show(o Output) {
	switch o := o.(type) {
	case Play:
		switch {
		case s.claims[o.Claim]:
			s.say("has played already %s", o.Chime)
			s.asks = append(s.asks, Begun{Claim: o.Claim}, Ended{Claim: o.Claim})
		case s.fails != "":
			s.say("play %s %d%%: fails", o.Chime, o.Volume)
			s.asks = append(s.asks, Begun{Claim: o.Claim}, Ended{Claim: o.Claim, Err: s.fails})
		default:
			s.say("play %s %d%%", o.Chime, o.Volume)
			s.claims[o.Claim] = true
			if key, ok := strings.CutSuffix(o.Claim, " sound"); ok {
				s.plays[strings.Fields(key)[1]]++
			}
			s.asks = append(s.asks, Begun{Claim: o.Claim}, Plays{o.Claim})
			if !s.hangs {
				s.ends[o.Claim] = s.now.Mono + s.length
			}
		}
	case Run:
		s.say("run %s with %s", o.Command, strings.Join(o.Env, " "))
		s.asks = append(s.asks, Begun{Claim: o.Claim})
		if s.claims[o.Claim] {
			s.say("has run already")
			s.asks = append(s.asks, Ended{Claim: o.Claim})
		} else if s.claims[o.Claim] = true; !s.hangs {
			s.ends[o.Claim] = s.now.Mono + s.length
		}
	case Set:
		s.say("set %s %v", o.Name, o.Active)
		s.asks = append(s.asks, ContactSet{Name: o.Name, Active: o.Active})
	case Light:
		s.say("light %v", o.On)
	case Heard:
		s.say("heard %s %s after %d ms: %s", o.ID, o.What, o.Took, o.Why)
		if !s.mute {
			s.asks = append(s.asks, Told{o.Key})
		}
	case Status:
		if s.status {
			last := "nothing"
			if o.Sounded != nil {
				last = o.Sounded.What + " " + o.Sounded.ID
			}
			s.say("status: sounded %s, errors %q", last, o.Errors)
		}
	case Save:
		if s.slow {
			s.pending = append(s.pending, o)
			return
		}
		s.written = append(s.written, o.Records...)
		s.asks = append(s.asks, Written{Upto: o.Upto})
	case Ack:
		if s.acks {
			s.say("ack %s", s.tokens[o.Token])
		}
	case Note:
		if o.Level >= slog.LevelWarn && !strings.HasPrefix(o.Text, "not well") && !strings.HasPrefix(o.Text, "does not work") {
			s.say("log: %s %v", o.Text, o.Attrs)
		}
	default:
		s.t.Fatalf("%T", o)
	}
}

func (s *stage) publish(name, topic string, payload any) {
	b, err := json.Marshal(payload)
	if err != nil {
		s.t.Fatal(err)
	}
	if text, ok := payload.(string); ok {
		b = []byte(text)
	}
	if strings.HasSuffix(topic, "/trip") || strings.HasSuffix(topic, "/test") {
		s.payloads[name] = b
	}
	token := uint64(len(s.tokens) + 1)
	s.tokens[token] = name
	s.step(Message{Topic: "longlane/hill-orchard/" + topic, Payload: b, Token: token, Retained: s.retained})
}

func (s *stage) do(words []string) {
	if len(words) == 0 {
		return
	}
	arg := map[string]string{}
	for _, w := range words {
		k, v, _ := strings.Cut(w, "=")
		arg[k] = v
	}
	switch words[0] {
	case "retained": // another command
		s.retained = true
		s.do(words[1:])
		s.retained = false
	case "wall":
		s.wallSet = words[1] != "unset"
		if s.wallSet {
			s.clockIn = time.Duration(s.minute(words[1]))*time.Minute - s.now.Mono
		}
		s.set(s.now.Mono)
	case "tick":
		boot := orElse(arg["boot"], "b1")
		kept := s.duration(orElse(arg["kept"], "0s"))
		s.publish("tick", "tick", map[string]any{"gateway": orElse(arg["gateway"], "house"), "boot": boot, "monotonic_s": (s.now.Mono + s.boots[boot] - kept).Seconds()})
	case "ticks": // every 5 s from now on
		s.ticks, s.nextTick = true, s.now.Mono+5*time.Second
		s.do([]string{"tick"})
	case "silence":
		s.ticks = false
	case "held": // the gateway's machine was, and its clock with it
		s.boots["b1"] -= s.duration(words[1])
	case "open", "close", "correct":
		s.event(words, arg)
	case "state":
		payload := any(map[string]any{"zone": words[1], "state": words[2], "boot": "b1", "since_monotonic_s": (s.now.Mono + s.boots["b1"]).Seconds()})
		if words[2] == "gone" {
			payload = ""
		}
		s.publish("state", "zone/"+words[1]+"/state", payload)
	case "fault":
		s.faultEvent(words, arg)
	case "session":
		s.step(Session{Up: words[1] == "up", Why: "no route"})
	case "raw":
		s.publish("raw", words[1], strings.Join(words[2:], " "))
	case "restart":
		s.start()
	case "unit-reboots":
		s.cfg.Boot = "unit-2"
		s.start()
	case "forget-memory": // a file that was damaged
		s.written = nil
	case "forget-claims": // a claim in a directory that was lost
		clear(s.claims)
	case "disk":
		s.slow = words[1] == "slow"
	case "written":
		for _, p := range s.pending {
			s.written = append(s.written, p.Records...)
			s.step(Written{Upto: p.Upto})
		}
		s.pending = nil
	case "unwritten":
		s.step(Written{Upto: s.pending[len(s.pending)-1].Upto, Err: "no space left on device"})
	case "player":
		s.hangs, s.fails = words[1] == "hangs", ""
		if words[1] == "fails" {
			s.fails = "no such device"
		}
		if words[1] == "takes" {
			s.length = s.duration(words[2])
		}
	case "reports":
		s.mute = words[1] == "lost"
		if !s.mute {
			s.step(Speaks{})
		}
	case "mute":
		m := Mute{Zone: words[1], Until: s.now.Mono + s.duration(words[2])}
		if m.Zone == "all" {
			m.Zone = ""
		}
		s.step(Mutes{[]Mute{m}})
	case "until":
	default:
		s.t.Fatalf("%q", words)
	}
}

func (s *stage) event(words []string, arg map[string]string) {
	kind := map[string]string{"open": "opened", "close": "closed", "correct": "time-corrected"}[words[0]]
	_, delayed := arg["delayed"]
	_, test := arg["test"]
	_, unproven := arg["unproven"]
	boot := orElse(arg["boot"], "b1")
	data := map[string]any{"zone": words[1], "zone_title": "The " + words[1], "phase": kind, "delayed": delayed, "test": test, "proof": "fresh",
		"gateway": orElse(arg["gateway"], "house")}
	if unproven {
		data["proof"] = "unproven"
	}
	if boot != "unknown" {
		data["boot"], data["monotonic_s"] = boot, (s.now.Mono + s.boots[boot] - s.duration(orElse(arg["age"], "0s"))).Seconds()
	}
	what := "trip"
	if test {
		what = "test"
	}
	s.publish(words[2], "zone/"+words[1]+"/"+what, map[string]any{"specversion": "1.0", "id": words[2], "source": orElse(arg["source"], "/longlane/hill-orchard"),
		"type": "longlane." + what + "." + kind, "data": data})
}

func (s *stage) faultEvent(words []string, arg map[string]string) {
	_, delayed := arg["delayed"]
	s.publish("fault", "fault", map[string]any{"specversion": "1.0", "id": fmt.Sprint("f", len(s.tokens)), "source": "/longlane/hill-orchard",
		"type": "longlane.fault." + words[1], "data": map[string]any{"code": strings.ReplaceAll(words[2], "_", " "), "node": arg["node"], "zone": arg["zone"],
			"gateway": orElse(arg["gateway"], "house"), "about": arg["about"], "detail": words[2] + " " + words[1], "delayed": delayed, "boot": "b1",
			"monotonic_s": (s.now.Mono + s.boots["b1"] - s.duration(orElse(arg["age"], "0s"))).Seconds()}})
}

// replay has the broker give an event again.
func (s *stage) replay(zone, id string) {
	token := uint64(len(s.tokens) + 1)
	s.tokens[token] = id
	s.step(Message{Topic: "longlane/hill-orchard/zone/" + zone + "/trip", Payload: s.payloads[id], Token: token})
}

// TestSnapshot: after every transcript, what a snapshot gives is what all records give.
func TestSnapshot(t *testing.T) {
	files, _ := filepath.Glob("testdata/*.txt")
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		s := newStage(t)
		s.perform(string(text))
		if len(s.pending) > 0 {
			continue
		}
		short, bad := New(s.cfg, s.core.Snapshot(), s.now)
		whole, _ := New(s.cfg, s.written, s.now)
		a, b := short.Snapshot(), whole.Snapshot()
		if bad != 0 || !slices.EqualFunc(a, b, func(a, b []byte) bool { return string(a) == string(b) }) {
			t.Errorf("%s: a snapshot, %d bad, gives\n%s\nand the records give\n%s", file, bad, a, b)
		}
	}
}
