// Package unit is what stands between the annunciator's state machine (gateway/annunciator) and a real board: it brings in what
// the broker, the helpers and the disk say, and has done what the state machine asks for.
//
// One goroutine, that of Run, owns the state machine. It waits for nothing: memory is written by another one, and messages are
// acknowledged when that has returned.
//
// # In the state directory
//
//	memory   what has become of which event: a record a line; appended and synced, and written anew when it has grown. A line that a power
//	         cut has torn is left out.
//	claims   a file for each sound and command that has begun: see package output
//	playing  the lock that one sound at a time holds
//	mutes    what is muted, and until when; `longlane annunciator mute` writes it, and it is looked at before each message
package unit

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"

	"longlane/gateway/annunciator"
	"longlane/gateway/annunciator/chime"
	"longlane/gateway/annunciator/output"
	"longlane/gateway/mqtt"
)

// Command is a program and how long it may take.
type Command struct {
	Argv  []string
	Limit time.Duration
}

// Options are the parts of a unit. All must be given but Light, Show and what a broker can do without. The functions are called from
// one goroutine, but for Wall.
type Options struct {
	Core annunciator.Config
	// Name is the unit's, in topics; Version is this program's.
	Name, Version string
	State         string // the directory
	Broker        mqtt.SubscribeOptions
	// Sound gives a chime by its name: see annunciator.ChimeOf.
	// With an error it gives one to play instead.
	Sound       func(chime string) (chime.Sound, error)
	Player      []string
	PlayerLimit time.Duration // beyond the sound's length
	Commands    map[string]Command
	Contacts    map[string]output.Contact
	Light       *output.Contact
	// Act and Hold are the command lines that make this program a helper.
	Act, Hold []string
	Wall      func() time.Time // zero while the clock is not set
	// Show is called with what people see, at each change and once a second.
	Show func(annunciator.View)
	Log  *slog.Logger
}

// ErrState is returned by New when another process uses the state directory.
var ErrState = errors.New("another process uses this state directory")

// Unit is an annunciator. Run must be called, once.
type Unit struct {
	o       Options
	core    *annunciator.Core
	wake    time.Duration
	memory  *memory
	lock    *os.File
	mutes   mutes
	started time.Duration

	inbox   chan any      // what happens, for the one goroutine
	ending  chan struct{} // closed as the goodbye begins: nobody else speaks from then on
	stopped chan struct{}
	running sync.WaitGroup

	tokens  map[uint64]func()
	token   uint64
	runner  *output.Runner
	holders map[string]*output.Holder // "" is the light
	said    *mqtt.Session             // nil: reports cannot be sent
	owing   bool                      // reports had to wait for others
	status  annunciator.Status
	told    time.Duration          // when that was reported last
	sounds  map[string]chime.Sound // by chime
	begun   map[string]string      // claims of what was started and has not ended, by file
	saving  saving
	faults  []annunciator.Fault // met while something was done
	swept   map[string]bool     // claims that were there at the last sweep
}

const (
	claimsDir  = "claims"
	lockFile   = "playing"
	memoryFile = "memory"
	mutesFile  = "mutes"

	commandsAtOnce = 4
	lookEach       = time.Second
	sweepEach      = 15 * time.Minute // longer than any limit
	tellEach       = time.Minute      // the gateway takes a unit that says nothing for three times as long for lost
)

// New takes the state directory for this process and reads its memory.
func New(o Options) (u *Unit, err error) {
	o.Core.MaxCommands = commandsAtOnce
	u = &Unit{o: o, inbox: make(chan any, 64), ending: make(chan struct{}), stopped: make(chan struct{}), tokens: map[uint64]func(){}, holders: map[string]*output.Holder{},
		sounds: map[string]chime.Sound{}, begun: map[string]string{}, swept: map[string]bool{}, started: output.Now(), mutes: mutes{path: filepath.Join(o.State, mutesFile), log: o.Log}}
	defer func() {
		if err != nil {
			u.close()
		}
	}()
	if err := os.MkdirAll(o.State, 0o700); err != nil {
		return u, fmt.Errorf("make state directory: %w", err)
	}
	if err := os.MkdirAll(filepath.Join(o.State, claimsDir), 0o700); err != nil {
		o.Log.Error("no claims can be made: killed at the wrong moment, this unit may sound an event again", "err", err)
	}
	if u.lock, err = os.Open(o.State); err != nil {
		return u, fmt.Errorf("open state directory: %w", err)
	}
	if err := unix.Flock(int(u.lock.Fd()), unix.LOCK_EX|unix.LOCK_NB); errors.Is(err, unix.EWOULDBLOCK) {
		return u, fmt.Errorf("%w: %s; each annunciator needs one of its own", ErrState, o.State)
	} else if err != nil {
		return u, fmt.Errorf("lock state directory %s: %w", o.State, err)
	}
	var records [][]byte
	if u.memory, records, err = openMemory(filepath.Join(o.State, memoryFile)); err != nil { // whoever does not remember can still tell who comes
		o.Log.Error("lasting memory cannot be read: an event may sound again", "records", len(records), "err", err)
	}
	var bad int
	if u.core, bad = annunciator.New(o.Core, records, u.now()); bad > 0 {
		o.Log.Warn("a part of what this unit remembers cannot be read: an event may sound again", "records", bad, "file", u.memory.path)
	}
	if err := u.memory.replace(u.core.Snapshot()); err != nil { // so that nothing is appended to a torn line
		o.Log.Error("lasting memory cannot be written: after a restart an event may sound again", "err", err)
	}
	return u, nil
}

func (u *Unit) close() {
	if u.memory != nil {
		u.memory.close()
	}
	if u.lock != nil {
		u.lock.Close()
	}
}

func (u *Unit) now() annunciator.Now { return annunciator.Now{Mono: output.Now(), Wall: u.o.Wall()} }

// Run works until ctx ends, and then says goodbye. It returns an error only for settings that can never work.
func (u *Unit) Run(ctx context.Context) error {
	inner, cancel := context.WithCancel(context.WithoutCancel(ctx)) // ends after the goodbye
	defer u.close()
	defer u.running.Wait()
	defer close(u.stopped)
	defer cancel()
	u.runner = output.NewRunner(u.o.Act, func(e output.Event) { u.put(e) })
	defer u.runner.Close()
	for name, c := range u.o.Contacts {
		u.hold(inner, name, c)
	}
	if u.o.Light != nil {
		u.hold(inner, "", *u.o.Light)
	}
	failed := make(chan error, 1)
	u.running.Go(func() { failed <- u.listen(inner) })
	return u.loop(ctx, failed)
}

func (u *Unit) hold(ctx context.Context, name string, c output.Contact) {
	h := output.NewHolder(u.o.Hold, c, func(closed bool, err string) {
		u.put(annunciator.ContactSet{Name: name, Active: closed != c.Rest, Err: err})
	})
	u.holders[name] = h
	u.running.Go(func() { h.Run(ctx) })
}

// put hands something to the one goroutine, unless that has ended.
func (u *Unit) put(what any) {
	select {
	case u.inbox <- what:
	case <-u.stopped:
	}
}

// looked is a call to look at what changes by itself.
type looked struct{ sweep bool }

func (u *Unit) loop(ctx context.Context, failed <-chan error) error {
	look, sweep := time.NewTicker(lookEach), time.NewTicker(sweepEach)
	defer look.Stop()
	defer sweep.Stop()
	u.sweep()
	u.look()
	for {
		timer := time.NewTimer(u.wake - output.Now())
		var what any
		select {
		case <-ctx.Done():
			timer.Stop()
			u.goodbye()
			return nil
		case err := <-failed:
			timer.Stop()
			return err
		case what = <-u.inbox:
		case <-timer.C:
		case <-look.C:
			what = looked{}
		case <-sweep.C:
			what = looked{sweep: true}
		}
		timer.Stop()
		u.take(what)
	}
}

// take takes in one thing that has happened.
func (u *Unit) take(what any) {
	switch w := what.(type) {
	case mqtt.Delivery:
		u.look() // a mute holds from the next message on
		u.token++
		u.tokens[u.token] = w.Ack
		u.step(annunciator.Message{Topic: w.Topic, Payload: w.Payload, Token: u.token, Retained: w.Retained})
		if zone, ok := strings.CutSuffix(w.Topic, "/state"); ok { // its chime is made before it is wanted
			u.sound(annunciator.ChimeOf(zone[strings.LastIndexByte(zone, '/')+1:]))
		}
	case annunciator.Session:
		if !w.Up { // what it gave will come again
			clear(u.tokens)
		}
		u.step(w)
	case spoken:
		u.said = w.session
		if u.said != nil {
			u.step(annunciator.Speaks{})
			u.report()
		}
	case annunciator.Told:
		u.step(w)
		if u.owing && u.said != nil && u.said.Pending() < mqtt.Window/8 {
			u.owing = false
			u.step(annunciator.Speaks{})
		}
	case output.Event:
		u.event(w)
	case written:
		u.wrote(w)
	case looked:
		u.look()
		if w.sweep {
			u.sweep()
		}
		u.step(nil)
		if output.Now()-u.told >= tellEach {
			u.report()
		}
	default:
		u.step(w)
	}
	for len(u.faults) > 0 {
		f := u.faults[0]
		u.faults = u.faults[1:]
		u.step(f)
	}
	u.write()
	if u.o.Show != nil {
		u.o.Show(u.core.View(u.now()))
	}
}

func (u *Unit) event(e output.Event) {
	claim := u.begun[e.Claim]
	switch {
	case claim == "":
	case e.Begun:
		u.step(annunciator.Begun{Claim: claim})
	case e.Plays:
		u.step(annunciator.Plays{Claim: claim})
	case e.Ended:
		delete(u.begun, e.Claim)
		u.step(annunciator.Ended{Claim: claim, Err: e.Err})
	}
}

// step gives the state machine what has happened, and does what it asks for.
func (u *Unit) step(in annunciator.Input) {
	out, wake := u.core.Step(u.now(), in)
	u.wake = wake
	for _, o := range out {
		u.do(o)
	}
}

func (u *Unit) do(o annunciator.Output) {
	switch o := o.(type) {
	case annunciator.Play:
		u.play(o)
	case annunciator.Run:
		c := u.o.Commands[o.Command]
		u.start(o.Claim, output.Order{Before: o.Before, Argv: c.Argv, Env: o.Env, Input: o.Event, Limit: c.Limit})
	case annunciator.Set:
		if h := u.holders[o.Name]; h != nil {
			h.Set(o.Active != u.o.Contacts[o.Name].Rest)
		}
	case annunciator.Light:
		if h := u.holders[""]; h != nil {
			h.Set(o.On)
		}
	case annunciator.Heard:
		u.heard(o)
	case annunciator.Status:
		u.status = o
		u.report()
	case annunciator.Save:
		u.saving.add(o)
	case annunciator.Ack:
		if ack := u.tokens[o.Token]; ack != nil {
			delete(u.tokens, o.Token)
			ack()
		}
	case annunciator.Note:
		u.o.Log.Log(context.Background(), o.Level, o.Text, o.Attrs...)
	}
}

func (u *Unit) play(p annunciator.Play) {
	s := u.sound(p.Chime)
	u.start(p.Claim, output.Order{Lock: filepath.Join(u.o.State, lockFile), Before: p.Before, Argv: u.o.Player, Input: s.WAV(p.Volume),
		Limit: s.Length() + u.o.PlayerLimit, Sound: true})
}

// sound makes a chime, and keeps it. It gives one even if a file cannot be read; that is tried again each time.
func (u *Unit) sound(name string) chime.Sound {
	s, kept := u.sounds[name]
	if kept {
		return s
	}
	s, err := u.o.Sound(name)
	fault := annunciator.Fault{What: "the sound of " + name}
	if err != nil {
		fault.Err = err.Error()
	} else {
		if len(u.sounds) >= maxSounds {
			clear(u.sounds)
		}
		u.sounds[name] = s
	}
	u.faults = append(u.faults, fault)
	return s
}

// maxSounds bounds the sounds that are kept, each some 100 KiB.
const maxSounds = 64

func (u *Unit) start(claim string, o output.Order) {
	sum := sha256.Sum256([]byte(claim))
	o.Claim = filepath.Join(u.o.State, claimsDir, hex.EncodeToString(sum[:16]))
	u.begun[o.Claim] = claim
	u.runner.Start(o)
}

// sweep removes claims that were there at the last sweep: their events have been too old for long. It needs no clock.
func (u *Unit) sweep() {
	list, err := os.ReadDir(filepath.Join(u.o.State, claimsDir))
	if err != nil {
		u.o.Log.Warn("old claims cannot be removed", "err", err)
		return
	}
	seen := map[string]bool{}
	for _, e := range list {
		path := filepath.Join(u.o.State, claimsDir, e.Name())
		if _, busy := u.begun[path]; busy || !u.swept[e.Name()] {
			seen[e.Name()] = true
			continue
		}
		if err := os.Remove(path); err != nil {
			seen[e.Name()] = true
		}
	}
	u.swept = seen
}

// look reads the mutes if they have changed.
func (u *Unit) look() {
	if list, changed := u.mutes.look(output.Now(), u.o.Core.Boot, u.o.Wall()); changed {
		u.step(annunciator.Mutes{List: list})
	}
}

// goodbye writes what is to be remembered, and reports the end, both for a bounded time.
func (u *Unit) goodbye() {
	close(u.ending)
	if u.said != nil {
		done := make(chan struct{})
		payload := u.statusOf(stateStopped)
		u.said.Publish(u.topic(), 1, true, payload, func(error) { close(done) })
		wait := time.NewTimer(goodbyeLimit)
		defer wait.Stop()
		select {
		case <-done:
		case <-wait.C:
		}
		u.said.Close()
	}
	if !u.saving.busy && len(u.saving.waiting) > 0 {
		if err := u.memory.append(u.saving.waiting); err != nil {
			u.o.Log.Error("lasting memory cannot be written: after a restart an event may sound again", "err", err)
		}
	}
}

const goodbyeLimit = 2 * time.Second

func (u *Unit) topic(parts ...string) string {
	return strings.Join(append([]string{"longlane", u.o.Core.Site, "annunciator", u.o.Name}, parts...), "/")
}

// statusOf is the unit's own retained report.
func (u *Unit) statusOf(state string) []byte {
	s := struct {
		State   string                 `json:"state"`
		Since   string                 `json:"since,omitempty"` // RFC 3339; absent while the clock is not set
		Version string                 `json:"version"`
		Sounded *annunciator.LastSound `json:"sounded,omitempty"`
		Errors  []string               `json:"errors"`
		Hears   *float64               `json:"hears_for_s,omitempty"` // for so long ticks have come without a break, up to the last
		Ticked  *float64               `json:"ticked_s,omitempty"`    // so long ago
	}{State: state, Version: u.o.Version, Sounded: u.status.Sounded, Errors: u.status.Errors}
	if s.Errors == nil {
		s.Errors = []string{}
	}
	if state == stateServing { // the will is written elsewhere, where the core is nobody's to ask
		if during, ago, ok := u.core.Hearing(u.now()); ok {
			hears, ticked := during.Seconds(), ago.Seconds()
			s.Hears, s.Ticked = &hears, &ticked
		}
	}
	if wall := u.o.Wall(); !wall.IsZero() && state != stateLost { // a will is written before
		if state == stateServing {
			wall = wall.Add(u.started - output.Now())
		}
		s.Since = wall.UTC().Format(time.RFC3339)
	}
	text, err := json.Marshal(s)
	if err != nil {
		panic(err) // plain fields
	}
	return text
}

const (
	stateServing = "serving"
	stateStopped = "stopped"
	stateLost    = "lost"
)

// report publishes the unit's state. What is lost is sent again when reports can be.
func (u *Unit) report() {
	if u.said != nil {
		u.told = output.Now()
		u.said.Publish(u.topic(), 1, true, u.statusOf(stateServing), func(error) {})
	}
}

func (u *Unit) heard(h annunciator.Heard) {
	if u.said == nil {
		return // it is asked for again
	}
	if u.said.Pending() >= mqtt.Window/2 { // the session would refuse it, or the next one, which may be of now
		u.owing = true
		return
	}
	payload, err := json.Marshal(h)
	if err != nil {
		panic(err) // plain fields
	}
	u.said.Publish(u.topic("heard"), 1, false, payload, func(err error) {
		if err == nil {
			u.put(annunciator.Told{Key: h.Key})
		}
	})
}
