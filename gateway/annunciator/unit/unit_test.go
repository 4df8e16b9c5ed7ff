package unit

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"longlane/gateway/annunciator"
	"longlane/gateway/annunciator/chime"
	"longlane/gateway/annunciator/output"
	"longlane/gateway/mqtt"
)

const patience = time.Minute

// hall is a unit with the built-in broker, and what it publishes.
type hall struct {
	*testing.T
	broker *mqtt.Broker
	state  string
	got    chan mqtt.Delivery // of the unit's topics
	log    *strings.Builder
}

func newHall(t *testing.T) *hall {
	b, err := mqtt.StartBroker(mqtt.BrokerOptions{Listen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	h := &hall{T: t, broker: b, state: t.TempDir(), got: make(chan mqtt.Delivery, 10000), log: &strings.Builder{}}
	t.Cleanup(func() { b.Close() })
	ctx, cancel := context.WithCancel(context.Background())
	ready, done := make(chan struct{}, 1), make(chan struct{})
	go func() {
		defer close(done)
		if err := mqtt.Receive(ctx, mqtt.SubscribeOptions{URL: h.url(), ClientID: "gateway-ears", Filters: []string{"longlane/hill-orchard/annunciator/#"}, QoS: 1, CleanSession: true,
			Connected: func() { ready <- struct{}{} }}, func(d mqtt.Delivery) {
			d.Ack()
			h.got <- d
		}); err != nil {
			t.Error(err)
		}
	}()
	t.Cleanup(func() { cancel(); <-done })
	<-ready
	return h
}

func (h *hall) url() string { return "mqtt://" + h.broker.Addr().String() }

func (h *hall) session() *mqtt.Session {
	h.Helper()
	s, err := mqtt.Dial(h.Context(), mqtt.Options{URL: h.url(), ClientID: fmt.Sprint("test-", time.Now().UnixNano())})
	if err != nil {
		h.Fatal(err)
	}
	h.Cleanup(s.Close)
	return s
}

func (h *hall) open() *Unit {
	h.Helper()
	z := annunciator.Zone{Limit: time.Minute, Sound: true, Repeats: 1, Volume: 100}
	u, err := New(Options{Core: annunciator.Config{Site: "hill-orchard", Boot: "unit-1", Other: z, Grace: time.Minute, Volume: 60}, Name: "shop", State: h.state,
		Broker: mqtt.SubscribeOptions{URL: h.url(), ClientID: "shop"}, Sound: func(name string) (chime.Sound, error) { return chime.Make(chime.ForName(name)), nil },
		Player: []string{"/bin/true"}, Act: []string{"/bin/false"}, Hold: []string{"/bin/false"}, Wall: time.Now, Log: slog.New(slog.NewTextHandler(h.log, nil))})
	if err != nil {
		h.Fatal(err)
	}
	h.Cleanup(func() {
		u.running.Wait() // for a write
		u.close()
	})
	return u
}

// next waits for a publication of the unit's.
func (h *hall) next() mqtt.Delivery {
	h.Helper()
	select {
	case d := <-h.got:
		return d
	case <-time.After(patience):
		h.Fatal("nothing was published")
		return mqtt.Delivery{}
	}
}

// said waits for a state, and gives all states up to then, and up to now. The broker may let one publication overtake another client's.
func (h *hall) said(state string) (all []string) {
	h.Helper()
	h.session().Publish("longlane/hill-orchard/annunciator/end", 1, false, nil, func(error) {})
	for ended := false; !ended || len(all) == 0 || !slices.Contains(all, state); {
		d := h.next()
		ended = ended || strings.HasSuffix(d.Topic, "/end")
		var m struct{ State string }
		if json.Unmarshal(d.Payload, &m) == nil {
			all = append(all, m.State)
		}
	}
	return all
}

// TestSaysThatItIsThere: each minute, since whoever goes by the retained state would take a unit that hangs for one that serves.
func TestSaysThatItIsThere(t *testing.T) {
	h := newHall(t)
	u := h.open()
	u.said = h.session()
	u.take(looked{})
	h.next() // the first one
	u.told = output.Now() - tellEach/2
	u.take(looked{})
	u.heard(annunciator.Heard{ID: "1.1.1"})
	if d := h.next(); !strings.HasSuffix(d.Topic, "/heard") {
		t.Errorf("it said that it is there after half a minute: %s", d.Payload)
	}
	u.told = output.Now() - tellEach
	u.take(looked{})
	if d := h.next(); d.Topic != "longlane/hill-orchard/annunciator/shop" || !strings.Contains(string(d.Payload), `"serving"`) {
		t.Errorf("%s: %s", d.Topic, d.Payload)
	}
	u.take(looked{})
	u.heard(annunciator.Heard{ID: "1.1.3"})
	if d := h.next(); !strings.HasSuffix(d.Topic, "/heard") {
		t.Errorf("it said again that it is there: %s", d.Payload)
	}
}

// TestMemoryUnreadable: a card that cannot be read or written makes the unit forget, and not silent.
func TestMemoryUnreadable(t *testing.T) {
	h := newHall(t)
	if err := os.Mkdir(filepath.Join(h.state, memoryFile), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(h.state, claimsDir), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	u := h.open()
	for _, want := range []string{"no claims can be made", "lasting memory cannot be read", "lasting memory cannot be written"} {
		if !strings.Contains(h.log.String(), want) {
			t.Errorf("the log does not say %q: %s", want, h.log)
		}
	}
	acked := false
	u.take(mqtt.Delivery{Topic: "longlane/hill-orchard/zone/river-gate/trip", Payload: []byte(`{"specversion":"1.0","id":"1.1.1","source":"/longlane/hill-orchard",` +
		`"type":"longlane.trip.opened","data":{"zone":"river-gate","gateway":"house","boot":"b1","monotonic_s":1}}`), Ack: func() { acked = true }})
	if acked {
		t.Error("acknowledged before it was tried to remember it")
	}
	u.take(<-u.inbox) // the write has failed
	if !acked {
		t.Error("what cannot be remembered is not acknowledged, and holds up what comes after it")
	}
}

// TestGoodbyeIsLast: who listens to the broker ends after the goodbye, and does not say then that the unit is lost.
func TestGoodbyeIsLast(t *testing.T) {
	h := newHall(t)
	u := h.open()
	u.said = h.session()
	u.take(looked{})
	u.goodbye()
	close(u.stopped)
	u.leave(h.session())
	if all := fmt.Sprint(h.said(stateStopped)); all != "[serving stopped]" {
		t.Errorf("it said %s", all)
	}
}

// TestRunAndStop: whenever a unit is stopped, it says goodbye, and ends.
func TestRunAndStop(t *testing.T) {
	h := newHall(t)
	for range 5 {
		u := h.open()
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- u.Run(ctx) }()
		for !strings.Contains(string(h.next().Payload), `"serving"`) {
		}
		cancel()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		if all := h.said(stateStopped); slices.Contains(all, stateLost) {
			t.Errorf("it said %q", all)
		}
	}
}

// TestManyReports: more reports than a session takes at once are all made, in time.
func TestManyReports(t *testing.T) {
	h := newHall(t)
	const n = 3 * mqtt.Window
	text := ""
	for i := range n {
		text += fmt.Sprintf(`{"event":{"source":"/longlane/hill-orchard","id":"1.1.%d","what":"silent","owes":["report"]}}`+"\n", i)
	}
	if err := os.WriteFile(filepath.Join(h.state, memoryFile), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	u := h.open()
	u.take(spoken{h.session()})
	seen := map[string]bool{}
	for end := time.After(patience); len(seen) < n; {
		select {
		case w := <-u.inbox:
			u.take(w)
		case d := <-h.got:
			var m struct{ ID string }
			if json.Unmarshal(d.Payload, &m) == nil && m.ID != "" {
				seen[m.ID] = true
			}
		case <-end:
			t.Fatalf("%d of %d openings were reported", len(seen), n)
		}
	}
	u.running.Wait()
}

// TestStalledMemory: what waits for a card that does not answer is bounded, and all is written once it does.
func TestStalledMemory(t *testing.T) {
	h := newHall(t)
	u := h.open()
	u.saving.busy, u.saving.began = true, time.Now()
	const n = maxUnwritten + 100
	for i := range n {
		u.take(mqtt.Delivery{Topic: "longlane/hill-orchard/zone/river-gate/trip", Payload: fmt.Appendf(nil, `{"specversion":"1.0","id":"1.1.%d","source":"/longlane/hill-orchard",`+
			`"type":"longlane.trip.opened","data":{"zone":"river-gate","delayed":true}}`, i), Ack: func() {}})
		if len(u.saving.waiting) > maxUnwritten {
			t.Fatalf("%d records wait", len(u.saving.waiting))
		}
	}
	u.take(written{upto: 0})
	for u.saving.busy {
		u.take(<-u.inbox)
	}
	text, err := os.ReadFile(filepath.Join(h.state, memoryFile))
	if err != nil || !strings.Contains(string(text), fmt.Sprintf(`"1.1.%d"`, n-1)) || !strings.Contains(string(text), fmt.Sprintf(`"1.1.%d"`, n-annunciator.Remembered)) {
		t.Errorf("%v; what is remembered has %d bytes", err, len(text))
	}
}

const opened = `{"specversion":"1.0","id":%q,"source":"/longlane/hill-orchard","type":"longlane.trip.opened","data":{"zone":"river-gate","delayed":%v,"gateway":"house","boot":"b1","monotonic_s":%f}}`

// trip has the unit take in an opening of now.
func trip(u *Unit, id string, delayed bool) {
	u.take(mqtt.Delivery{Topic: "longlane/hill-orchard/zone/river-gate/trip", Payload: fmt.Appendf(nil, opened, id, delayed, output.Now().Seconds()), Ack: func() {}})
}

func tick(u *Unit, retained bool) {
	u.take(mqtt.Delivery{Topic: "longlane/hill-orchard/tick", Payload: fmt.Appendf(nil, `{"gateway":"house","boot":"b1","monotonic_s":%f}`, output.Now().Seconds()),
		Retained: retained, Ack: func() {}})
}

// TestRetainedTick: one that the broker had kept counts for nothing.
func TestRetainedTick(t *testing.T) {
	u := newHall(t).open()
	if tick(u, true); u.core.View(u.now()).Ticked >= 0 {
		t.Error("a retained tick was heard")
	}
	if tick(u, false); u.core.View(u.now()).Ticked < 0 {
		t.Error("a tick was not heard")
	}
}

// TestMuteAtOnce: a mute, and its end, hold from the next message on.
func TestMuteAtOnce(t *testing.T) {
	h := newHall(t)
	u := h.open()
	tick(u, false)
	for i, c := range []struct {
		d    time.Duration
		want string
	}{{time.Hour, annunciator.Muted}, {0, annunciator.Silent}} {
		if err := SetMute(h.state, "river-gate", c.d, "unit-1", time.Now()); err != nil {
			t.Fatal(err)
		}
		trip(u, fmt.Sprint("1.1.", i), c.d == 0) // the second one is silent for being late: nothing is to be played here
		if v := u.core.View(u.now()); len(v.Zones) != 1 || v.Zones[0].Last != c.want || v.Zones[0].Muted > 0 != (c.d > 0) {
			t.Errorf("muted for %v: %+v", c.d, v.Zones)
		}
	}
}

// TestSweep: a claim is kept for at least the time between two sweeps, and as long as what it is for goes on.
func TestSweep(t *testing.T) {
	h := newHall(t)
	u := h.open()
	old, busy := filepath.Join(h.state, claimsDir, "old"), filepath.Join(h.state, claimsDir, "busy")
	for _, path := range []string{old, busy} {
		if err := os.WriteFile(path, []byte("begun\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	u.begun[busy] = "x"
	there := func(path string) bool { _, err := os.Stat(path); return err == nil }
	u.take(looked{sweep: true})
	if !there(old) || !there(busy) {
		t.Error("a claim was removed at once")
	}
	u.take(looked{sweep: true})
	if there(old) || !there(busy) {
		t.Errorf("after the second sweep there is the old claim: %v, that of a sound being played: %v", there(old), there(busy))
	}
}

// TestWriteAgain: after a write that failed all is written anew, also what that one was to write.
func TestWriteAgain(t *testing.T) {
	h := newHall(t)
	u := h.open()
	u.memory.close() // as after a write that failed in part
	trip(u, "1.1.1", true)
	u.take(<-u.inbox)
	if errs := u.core.View(u.now()).Errors; len(errs) != 1 || !strings.Contains(errs[0], "memory") {
		t.Errorf("it does not tell: %q", errs)
	}
	u.take(looked{})
	if u.saving.busy {
		t.Error("it is tried again at once, and then without an end")
	}
	u.saving.retry = time.Time{}
	trip(u, "1.1.3", true)
	u.take(<-u.inbox)
	text, err := os.ReadFile(filepath.Join(h.state, memoryFile))
	if err != nil || !strings.Contains(string(text), `"1.1.1"`) || !strings.Contains(string(text), `"1.1.3"`) || len(u.core.View(u.now()).Errors) != 0 {
		t.Errorf("%v: %s, %q", err, text, u.core.View(u.now()).Errors)
	}
}

// TestDeafIsLost: a unit that does not hear any more does not say that it serves, though it could; and says so again, once, when it hears.
func TestDeafIsLost(t *testing.T) {
	h := newHall(t)
	u := h.open()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- u.Run(ctx) }()
	said := ""
	await := func(want string) {
		t.Helper()
		for said != want {
			var m struct{ State string }
			if err := json.Unmarshal(h.next().Payload, &m); err != nil {
				t.Fatal(err)
			}
			if !strings.HasSuffix(said, m.State) { // it may say so twice
				said += " " + m.State
			}
			if !strings.HasPrefix(want, said) {
				t.Fatalf("it said%s, want%s", said, want)
			}
		}
	}
	await(" serving")
	for range 3 {
		s, err := mqtt.Dial(t.Context(), mqtt.Options{URL: h.url(), ClientID: "shop"}) // the broker ends the other one of that name
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		await(said + " lost serving")
	}
	stacks := make([]byte, 1<<20)
	stacks = stacks[:runtime.Stack(stacks, true)]
	if n := strings.Count(string(stacks), "(*Unit).speak("); n != 1 {
		t.Errorf("it speaks in %d sessions, each of which ends the others", n)
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
	await(said + " stopped")
}
