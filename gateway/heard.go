package gateway

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"longlane/proto"
)

// Annunciators close the loop: each says on the broker that it is there, and of every opening what it has done about it. The
// gateway goes by their word alone, and so does whoever reads it: anybody who may publish on the broker can confirm falsely, or
// have it look as if nobody had heard. What he says touches nothing else, and costs a bounded time and memory.

// Whats is the closed list of what an annunciator says it has done; what is none of these is the last.
var Whats = []string{"sounded", "counted", "silent", "muted", "test", "other"}

// UnnamedAnnunciator stands for all that the options do not name.
const UnnamedAnnunciator = "-"

const (
	heardWithin     = 5 * time.Second  // of the reception
	heardWithinBusy = 30 * time.Second // while an annunciator that is asked is sounding others: it plays one after the other
	heardFor        = time.Minute      // words that come later are of nothing any more
	lostAfter       = 30 * time.Second // that an annunciator has been away
	dumbAfter       = 3 * time.Minute  // without a word from one that says each minute that it is there
	deafFor         = 30 * time.Second // as long is the gateway's own subscription waited for before anybody is blamed
	maxAwaited      = 256
	maxAnnunciators = 64
	maxWords        = 256      // not yet looked at
	wordsASecond    = 200      // beyond that they are dropped: whoever says so much is no annunciator
	maxWordSize     = 16 << 10 // bytes
	maxText         = 120      // characters of somebody else's text in a line of the log
)

// The states that an annunciator publishes, retained. The last is its will.
const (
	annunciatorServing = "serving"
	annunciatorStopped = "stopped"
	annunciatorLost    = "lost"
)

// annunciatorName is the rule for names of zones and gateways as well.
var annunciatorName = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,31}$`)

// word is what an annunciator has said.
type word struct {
	name  string
	kept  bool     // by the broker, from before: it tells nothing of now
	gone  bool     // its retained state has been cleared
	state string   // "": it is of an event
	ails  []string // with a state: errors of its outputs
	ticks *ticks   // with a state: nil if it does not say that it hears the gateway

	id, what, why string
	took          time.Duration // by its own clock
}

// AnnunciatorTopics are the topic filters of what annunciators say; see Annunciator.
func (g *Gateway) AnnunciatorTopics() []string {
	return []string{g.topic("annunciator", "+"), g.topic("annunciator", "+", "heard")}
}

// Listening tells whether what annunciators say can be heard at all. It is safe for concurrent use.
func (g *Gateway) Listening(on bool) { g.listening.Store(on) }

// Annunciator takes in a message on one of AnnunciatorTopics; retained tells that the broker had kept it. It never blocks; what is no
// word of an annunciator is nothing. It is safe for concurrent use.
func (g *Gateway) Annunciator(topic string, payload []byte, retained bool) {
	w, ok := g.parseWord(topic, payload)
	if !ok {
		return
	}
	w.kept = retained
	if g.talk.allowed(g.o.Clock.Mono()) {
		select {
		case g.words <- w:
			return
		default:
		}
	}
	g.o.Meter.Dropped("heard")
}

// talk bounds how much is said.
type talk struct {
	mu     sync.Mutex
	second int64
	n      int
}

func (t *talk) allowed(now time.Duration) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	if s := int64(now / time.Second); s != t.second {
		t.second, t.n = s, 0
	}
	t.n++
	return t.n <= wordsASecond
}

func (g *Gateway) parseWord(topic string, payload []byte) (w word, ok bool) {
	rest, ok := strings.CutPrefix(topic, g.topic("annunciator")+"/")
	if !ok || len(payload) > maxWordSize {
		return w, false
	}
	name, event := strings.CutSuffix(rest, "/heard")
	if w.name = name; !annunciatorName.MatchString(name) {
		return w, false
	}
	if event {
		var m struct {
			Source string  `json:"source"`
			ID     string  `json:"id"`
			What   string  `json:"what"`
			Why    string  `json:"why"`
			Took   float64 `json:"took_ms"`
		}
		if json.Unmarshal(payload, &m) != nil || m.ID == "" || m.Source != g.source() {
			return w, false
		}
		w.id, w.what, w.why = m.ID, m.What, Printable(m.Why, maxText)
		if m.Took >= 0 && m.Took < 1e9 {
			w.took = time.Duration(m.Took * float64(time.Millisecond))
		}
		if !slices.Contains(Whats, w.what) {
			w.what = Whats[len(Whats)-1]
		}
		return w, true
	}
	if len(payload) == 0 {
		w.gone = true
		return w, true
	}
	var m struct {
		State   string   `json:"state"`
		Errors  []string `json:"errors"`
		Hears   *float64 `json:"hears_for_s"`
		Ticked  *float64 `json:"ticked_s"`
		Sounded struct {
			Source string `json:"source"`
			ID     string `json:"id"`
		} `json:"sounded"`
	}
	if json.Unmarshal(payload, &m) != nil || !slices.Contains([]string{annunciatorServing, annunciatorStopped, annunciatorLost}, m.State) {
		return w, false
	}
	w.state = m.State
	w.ticks = ticksOf(m.Hears, m.Ticked)
	if m.Sounded.Source == g.source() { // its confirmation may have come while the gateway could not hear
		w.id, w.what = m.Sounded.ID, Whats[0]
	}
	for _, e := range m.Errors[:min(len(m.Errors), 8)] {
		w.ails = append(w.ails, Printable(e, maxText))
	}
	return w, true
}

// ears is what is known of annunciators, and of the openings that they are to confirm. The ingest goroutine owns it.
type ears struct {
	g         *Gateway
	tell      func(Notice)
	listening bool
	since     time.Duration // when that began, or ended
	known     map[string]*annunciator
	awaited   map[string]*awaited // by event id
	unheard   bool                // the house was told
	crowded   bool                // that there are more than are kept has been logged
	tests     map[tested]*testWatch
}

type annunciator struct {
	named   bool   // in the options
	state   string // "": nothing has been heard of it
	at      time.Duration
	alive   time.Duration // when it last said anything itself
	spoke   time.Duration // when it last confirmed something; 0: never
	ails    string
	told    bool // that it is lost
	dumb    bool // it says nothing any more, and is lost although its state is another
	serving *atomic.Bool
}

// awaited is an opening.
type awaited struct {
	id     string
	event  *Event
	zone   string
	test   bool
	stored time.Duration // 0: not yet
	heard  map[string]time.Duration
	judged bool
}

// tested is an input whose test trips are watched.
type tested struct{ node, input uint8 }

type testWatch struct {
	since time.Duration // when the last one came, or it began to be waited for
	told  bool
}

// testResult is what came of a test trip, for people.
type testResult struct {
	Event   string             `json:"event"`
	Passed  bool               `json:"passed"`
	Why     string             `json:"why,omitempty"`
	Time    string             `json:"time,omitempty"` // when the node made it
	Boot    string             `json:"boot"`
	Mono    *float64           `json:"monotonic_s"`
	Stored  *float64           `json:"stored_s"` // after it was made; null: not in time
	Heard   map[string]float64 `json:"heard_s"`  // likewise, by annunciator
	Missing []string           `json:"missing,omitempty"`
}

func newEars(g *Gateway, tell func(Notice)) *ears {
	x := &ears{g: g, tell: tell, since: g.o.Clock.Mono(), known: map[string]*annunciator{}, awaited: map[string]*awaited{}, tests: map[tested]*testWatch{}}
	for _, name := range g.o.Annunciators {
		x.known[name] = &annunciator{named: true, at: x.since, serving: g.annunciators[name]}
	}
	return x
}

// source is the events' source, of which and an id is the key.
func (g *Gateway) source() string { return "/longlane/" + g.o.Site }

// AnnunciatorUp reports whether an annunciator that the options name says that it is there.
func (g *Gateway) AnnunciatorUp(name string) bool {
	up := g.annunciators[name]
	return up != nil && up.Load()
}

// label is what metrics call it.
func (x *ears) label(name string) string {
	if x.known[name].named {
		return name
	}
	return UnnamedAnnunciator
}

// opened begins to wait for the confirmations of an opening that is to be acted on.
func (x *ears) opened(e *Event) {
	in, ok := e.input()
	if !ok || e.closed() || len(x.awaited) >= maxAwaited {
		return
	}
	w := &awaited{id: e.id(), event: e, zone: x.g.zone(e.ID.Node, in.Number), test: in.Test, heard: map[string]time.Duration{}}
	if in.Test {
		x.watch(tested{e.ID.Node, in.Number}).since = x.g.o.Clock.Mono()
	} else if e.Fresh == proto.Late || e.before() > x.g.o.OldAfter || !x.any() {
		return
	}
	x.awaited[w.id] = w
}

// any reports whether there is somebody to confirm. One that nobody named and that has stopped has been put away.
func (x *ears) any() bool {
	for _, a := range x.known {
		if a.named || a.state != annunciatorStopped {
			return true
		}
	}
	return false
}

// stored notes that an event is on the disk.
func (x *ears) stored(e *Event) {
	w := x.awaited[e.id()]
	if w == nil || w.stored != 0 {
		return
	}
	w.stored = x.g.o.Clock.Mono()
	x.early(w)
}

// word takes in what an annunciator has said.
func (x *ears) word(w word) {
	a := x.known[w.name]
	if w.gone {
		if a != nil && !a.named {
			delete(x.known, w.name)
		} else if a != nil {
			x.turn(w.name, a, "", nil)
			x.there(w.name, a)
		}
		return
	}
	if a == nil {
		if len(x.known) >= maxAnnunciators {
			if !x.crowded {
				x.crowded = true
				x.g.o.Log.Warn("more annunciators speak than are kept in mind: those that come later are not listened to", "known", len(x.known), "name", w.name)
			}
			return
		}
		a = &annunciator{}
		x.known[w.name] = a
	}
	if !w.kept {
		a.alive, a.dumb = x.g.o.Clock.Mono(), false
	}
	if w.state != "" {
		x.turn(w.name, a, w.state, w.ails)
		x.observe(w)
	}
	if w.id != "" {
		x.heard(w, a)
	}
	x.there(w.name, a)
}

// turn takes in an annunciator's state.
func (x *ears) turn(name string, a *annunciator, state string, ails []string) {
	if text := strings.Join(ails, "; "); text != a.ails {
		a.ails = text
		if text != "" {
			x.g.o.Log.Warn("an annunciator has trouble", "annunciator", name, "trouble", text)
		} else {
			x.g.o.Log.Info("an annunciator has no trouble any more", "annunciator", name)
		}
	}
	if state == a.state {
		return
	}
	a.state, a.at = state, x.g.o.Clock.Mono()
	x.g.o.Log.Info("annunciator", "annunciator", name, "state", state)
}

// there follows what is known of an annunciator's being there. That it is lost ends with its own word, not with one that the broker has
// kept: a broker that fell with it never published its will.
func (x *ears) there(name string, a *annunciator) {
	if a.serving != nil {
		a.serving.Store(a.state == annunciatorServing && !a.dumb)
	}
	if a.told && a.state == annunciatorServing && !a.dumb && a.alive >= a.at && a.alive != 0 {
		a.told = false
		x.tell(Notice{Code: NoticeAnnunciatorLost, Ended: true, about: name, Detail: fmt.Sprintf("the annunciator %s is there again", name)})
	}
}

// heard takes in a confirmation.
func (x *ears) heard(w word, a *annunciator) {
	e := x.awaited[w.id]
	if e == nil {
		return
	}
	if _, again := e.heard[w.name]; again {
		return
	}
	now := x.g.o.Clock.Mono()
	e.heard[w.name], a.spoke = now, now
	args := []any{"event", e.id, "zone", e.zone, "annunciator", w.name, "what", w.what, "after", (now - e.made()).Round(time.Millisecond), "its_own_part", w.took}
	if w.why != "" {
		args = append(args, "why", w.why)
	}
	if e.stored != 0 {
		args = append(args, "after_stored", (now - e.stored).Round(time.Millisecond))
	}
	x.g.o.Log.Info("heard", args...)
	x.g.o.Meter.Heard(x.label(w.name), w.what, now-e.event.Rx.Mono)
	if x.unheard {
		x.unheard = false
		x.tell(Notice{Code: NoticeUnheard, Ended: true, Node: e.event.ID.Node, Zone: e.zone, Detail: fmt.Sprintf("%s has confirmed %s", w.name, e.id)})
	}
	x.early(e)
}

// early judges a test of which nothing more is waited for.
func (x *ears) early(w *awaited) {
	if w.test && !w.judged && w.stored != 0 && len(w.heard) > 0 && len(x.missing(w)) == 0 {
		x.judgeTest(w)
	}
}

// made is when it happened.
func (w *awaited) made() time.Duration { return w.event.Rx.Mono - w.event.before() }

// tick looks at what is overdue.
func (x *ears) tick() {
	now := x.g.o.Clock.Mono()
	if on := x.g.listening.Load(); on != x.listening {
		x.listening, x.since = on, now
	}
	for id, w := range x.awaited {
		age := now - w.event.Rx.Mono
		if !w.judged && age >= heardWithin && (age >= heardWithinBusy || !x.mayCome(w, now)) {
			if w.test {
				x.judgeTest(w)
			} else {
				x.judge(w)
			}
		}
		if age >= heardFor && w.judged {
			delete(x.awaited, id)
		}
	}
	if x.unheard && !x.any() && x.listening && now-x.since >= lostAfter { // all have been put away
		x.unheard = false
		x.tell(Notice{Code: NoticeUnheard, Ended: true, Detail: "there is no annunciator any more that would confirm a trip"})
	}
	x.lost(now)
	x.overdue(now)
}

// mayCome reports whether there is a reason to wait for longer: the gateway cannot hear, for a moment, or who is to confirm is sounding something else.
func (x *ears) mayCome(w *awaited, now time.Duration) bool {
	if !x.listening && now-x.since < deafFor || x.listening && now-x.since < heardWithin {
		return true
	}
	busy := func(name string) bool { a := x.known[name]; return a.spoke != 0 && now-a.spoke < heardWithin }
	if !w.test {
		return len(w.heard) == 0 && slices.ContainsFunc(slices.Collect(maps.Keys(x.known)), busy)
	}
	missing := x.missing(w)
	return len(missing) > 0 && !slices.ContainsFunc(missing, func(name string) bool { return !busy(name) })
}

// judge tells the house of a trip that nobody has confirmed.
func (x *ears) judge(w *awaited) {
	w.judged = true
	if len(w.heard) > 0 {
		return
	}
	x.g.o.Meter.Unheard()
	x.g.o.Log.Warn("no annunciator has confirmed a trip", "event", w.id, "zone", w.zone, "annunciators", x.list())
	if !x.unheard {
		x.unheard = true
		x.tell(Notice{Code: NoticeUnheard, Node: w.event.ID.Node, Zone: w.zone, Detail: fmt.Sprintf(
			"no annunciator has confirmed within %s that %s of %s was heard: %s%s", heardWithin, w.id, w.zone, x.list(), x.deaf())})
	}
}

// list tells who there is, for people.
func (x *ears) list() string {
	var list []string
	for _, name := range slices.Sorted(maps.Keys(x.known)) {
		list = append(list, name+" "+x.known[name].says())
	}
	return strings.Join(list, ", ")
}

func (a *annunciator) says() string {
	if a.dumb {
		return fmt.Sprintf("has said nothing for %s, and its last word is that it is there", dumbAfter)
	}
	switch a.state {
	case annunciatorServing:
		return "says that it is there"
	case annunciatorStopped:
		return "was stopped"
	case annunciatorLost:
		return "is lost: its connection to the broker has ended"
	}
	return "has said nothing of itself"
}

// deaf says that the gateway itself cannot hear what they say.
func (x *ears) deaf() string {
	if x.listening {
		return ""
	}
	return "; the gateway cannot hear what they say, since it has no connection to the broker or may not subscribe there"
}

// lost tells the house of annunciators that it counts on and that are not there.
func (x *ears) lost(now time.Duration) {
	if !x.listening {
		return
	}
	for _, name := range slices.Sorted(maps.Keys(x.known)) {
		a := x.known[name]
		if a.state == annunciatorServing && !a.dumb && now-max(a.alive, x.since) >= dumbAfter {
			a.dumb = true
			x.there(name, a)
		}
		if a.named && !a.told && (a.dumb || a.state != annunciatorServing && now-max(a.at, x.since) >= lostAfter) {
			a.told = true
			x.tell(Notice{Code: NoticeAnnunciatorLost, about: name, Detail: fmt.Sprintf("the annunciator %s %s", name, a.says())})
		}
	}
}

// missing are those that should have confirmed a test: all that are named, and all that say they are there.
func (x *ears) missing(w *awaited) (list []string) {
	for _, name := range slices.Sorted(maps.Keys(x.known)) {
		a := x.known[name]
		if _, heard := w.heard[name]; !heard && (a.named || a.state == annunciatorServing && !a.dumb) {
			list = append(list, name)
		}
	}
	return list
}

func (x *ears) watch(t tested) *testWatch {
	if x.tests[t] == nil {
		x.tests[t] = &testWatch{since: x.g.o.Clock.Mono()}
	}
	return x.tests[t]
}

func (t tested) String() string { return fmt.Sprintf("%d.%d", t.node, t.input) }

func parseTested(s string) (t tested, err error) {
	node, input, _ := strings.Cut(s, ".")
	n, err1 := strconv.ParseUint(node, 10, 8)
	i, err2 := strconv.ParseUint(input, 10, 8)
	return tested{uint8(n), uint8(i)}, errors.Join(err1, err2)
}

// judgeTest says what came of a test trip.
func (x *ears) judgeTest(w *awaited) {
	w.judged = true
	in, _ := w.event.input()
	r := &testResult{Event: w.id, Time: x.g.wallAt(w.made()), Boot: fmt.Sprintf("%x", x.g.o.Clock.Boot[:]), Mono: seconds(w.made()),
		Heard: map[string]float64{}, Missing: x.missing(w)}
	slowest := time.Duration(0)
	for name, at := range w.heard {
		slowest = max(slowest, at-w.made())
		r.Heard[name] = *seconds(at - w.made())
	}
	if w.stored != 0 {
		slowest = max(slowest, w.stored-w.made())
		r.Stored = seconds(w.stored - w.made())
	}
	switch late := w.event.before(); {
	case w.stored == 0:
		r.Why = "it could not be stored"
	case w.event.Fresh == proto.Late || late > x.g.o.OldAfter:
		r.Why = fmt.Sprintf("it came only %s after it was made", late.Round(time.Second))
	case len(r.Missing) > 0:
		r.Why = fmt.Sprintf("not confirmed within %s by %s%s", heardWithin, strings.Join(r.Missing, ", "), x.deaf())
	default:
		r.Passed = true
	}
	node := x.g.nodeName(w.event.ID.Node)
	x.g.o.Log.Info("test trip", "node", node, "zone", w.zone, "event", w.id, "passed", r.Passed, "why", r.Why, "heard", len(r.Heard), "within", slowest.Round(time.Millisecond))
	x.g.o.Meter.Tested(node, r.Passed, slowest)
	x.g.in.house.tested(w.event.ID.Node, w.zone, r)
	x.passed(tested{w.event.ID.Node, in.Number}, w.zone, r)
}

// passed begins or ends the fault of an input's tests.
func (x *ears) passed(t tested, zone string, r *testResult) {
	switch s := x.watch(t); {
	case !r.Passed && !s.told:
		s.told = true
		x.tell(Notice{Code: NoticeTestFailed, Node: t.node, Zone: zone, about: t.String(), Detail: fmt.Sprintf("the test trip %s of %s failed: %s", r.Event, zone, r.Why)})
	case r.Passed && s.told:
		s.told = false
		x.tell(Notice{Code: NoticeTestFailed, Ended: true, Node: t.node, Zone: zone, about: t.String(), Detail: fmt.Sprintf("the test trip %s of %s came through, and all have confirmed it", r.Event, zone)})
	}
}

// overdue tells the house of inputs whose tests do not come. What is no longer enrolled is not waited for.
func (x *ears) overdue(now time.Duration) {
	if x.g.o.TestEvery == 0 && len(x.tests) == 0 {
		return
	}
	there := map[tested]string{}
	for _, n := range x.g.o.Roster.Get().Nodes {
		for _, in := range n.Inputs {
			if !n.Revoked {
				there[tested{n.ID, in.Number}] = in.Zone
			}
		}
	}
	for t, s := range x.tests {
		if _, still := there[t]; still {
			continue
		}
		delete(x.tests, t)
		if s.told {
			x.tell(Notice{Code: NoticeTestFailed, Ended: true, Node: t.node, about: t.String(), Detail: x.g.nodeName(t.node) + " has no such input any more, or is shut out"})
		}
	}
	every := x.g.o.TestEvery
	if every == 0 {
		return
	}
	for t, zone := range there {
		if s := x.watch(t); !s.told && now-s.since > 2*every {
			s.told = true
			x.tell(Notice{Code: NoticeTestFailed, Node: t.node, Zone: zone, about: t.String(), Detail: fmt.Sprintf("no test trip of %s has come for %s", zone, (now - s.since).Round(time.Second))})
		}
	}
}
