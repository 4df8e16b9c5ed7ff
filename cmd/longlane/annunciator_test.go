package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"longlane/gateway/annunciator/chime"
	"longlane/gateway/annunciator/output"
	"longlane/gateway/mqtt"
)

// shop is a building with an annunciator, as a process, behind a real broker. The gateway is this test: it publishes what one would.
type shop struct {
	*house
	gateway *mqtt.Session
	unit    *process
	mu      sync.Mutex
	mute    bool // no ticks
}

// notingPlayer notes which sound it was given: its hash, a line each.
const notingPlayer = "sha256sum >> %s"

// newShop writes a config; its player notes what it plays, for as long as a chime would take at least one tenth of a second.
func newShop(t *testing.T, more string) *shop {
	t.Helper()
	s := &shop{house: newHouse(t, "river-gate")}
	s.openHouse()
	s.write("annunciator.toml", fmt.Sprintf(`site = "hill-orchard"
name = "shop"
state = %q
log_level = "debug"
[broker]
url = "mqtt://%s"
[player]
command = ["/bin/sh", "-c", %q]
limit = "2s"
%s`, s.path("shop"), s.mos.addr, fmt.Sprintf(notingPlayer, s.path("played")), more))
	ctx, cancel := context.WithCancel(context.Background())
	session, err := mqtt.Dial(ctx, mqtt.Options{URL: "mqtt://" + s.mos.addr, ClientID: "gateway"})
	if err != nil {
		t.Fatal(err)
	}
	s.gateway = session
	var ticking sync.WaitGroup
	ticking.Go(func() {
		each := time.NewTicker(250 * time.Millisecond)
		defer each.Stop()
		for {
			select {
			case <-each.C:
				s.tick()
			case <-ctx.Done():
				return
			}
		}
	})
	t.Cleanup(func() {
		cancel()
		ticking.Wait()
		session.Close()
		if text := s.text("annunciator.log"); t.Failed() {
			t.Logf("annunciator.log ends:\n%s", text[max(0, len(text)-6000):])
		} else {
			for _, bad := range []string{"WARNING: DATA RACE", "panic: ", "fatal error: "} {
				if strings.Contains(text, bad) {
					t.Errorf("annunciator.log has %q:\n%s", bad, text)
				}
			}
		}
	})
	return s
}

const shopBoot = "b0b0"

func (s *shop) silence(mute bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.mute = mute
}

func (s *shop) tick() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.mute {
		s.gateway.Publish("longlane/hill-orchard/tick", 0, false, fmt.Appendf(nil, `{"gateway":"house","boot":%q,"monotonic_s":%f,"clock":"set"}`, shopBoot, output.Now().Seconds()), func(error) {})
	}
}

func (s *shop) publish(topic string, retain bool, payload any) {
	s.t.Helper()
	done := make(chan error, 1)
	s.send(topic, retain, payload, func(err error) { done <- err })
	if err := <-done; err != nil {
		s.t.Fatal(err)
	}
}

// send publishes without waiting for the acknowledgement.
func (s *shop) send(topic string, retain bool, payload any, done func(error)) {
	s.t.Helper()
	b, err := json.Marshal(payload)
	if err != nil {
		s.t.Fatal(err)
	}
	s.gateway.Publish("longlane/hill-orchard/"+topic, 1, retain, b, done)
}

func (s *shop) state(zone, state string) {
	s.publish("zone/"+zone+"/state", true, map[string]any{"zone": zone, "state": state, "boot": shopBoot, "since_monotonic_s": output.Now().Seconds()})
}

// trip publishes an opening that was so long ago.
func (s *shop) trip(zone, id string, ago time.Duration) {
	s.t.Helper()
	s.publish("zone/"+zone+"/trip", false, opening(zone, id, ago))
}

func opening(zone, id string, ago time.Duration) map[string]any {
	return map[string]any{"specversion": "1.0", "id": id, "source": "/longlane/hill-orchard", "type": "longlane.trip.opened",
		"data": map[string]any{"zone": zone, "phase": "opened", "proof": "fresh", "gateway": "house", "boot": shopBoot, "monotonic_s": (output.Now() - ago).Seconds()}}
}

func (s *shop) open() {
	s.t.Helper()
	s.unit = s.start("annunciator", "--config", s.path("annunciator.toml"))
}

// lives lets the unit run until a random moment has come, at which it must not have ended by itself.
func (s *shop) lives(d time.Duration) {
	s.t.Helper()
	moment := time.NewTimer(d)
	defer moment.Stop()
	select {
	case <-moment.C:
	case <-s.unit.done:
		s.t.Fatal("the annunciator ended by itself")
	}
}

// serving starts the unit and waits until it hears.
func (s *shop) serving() {
	s.t.Helper()
	s.open()
	eventually(s.t, time.Minute, "the annunciator to serve", func() bool { return s.status("serving") })
}

// status reports whether the last retained report has this text.
func (s *shop) status(text string) bool {
	return strings.Contains(s.last("longlane/hill-orchard/annunciator/shop"), text)
}

// last is what was published last on a topic.
func (s *shop) last(topic string) (payload string) {
	s.sub.mu.Lock()
	defer s.sub.mu.Unlock()
	for _, d := range s.sub.events {
		if d.topic == topic {
			payload = string(d.payload)
		}
	}
	return payload
}

type heardReport struct {
	Source, ID, What, Why string
	Took                  int64 `json:"took_ms"`
}

// heard are the reports so far, by event; of several that say the same, one.
func (s *shop) heard() map[string][]heardReport {
	s.sub.mu.Lock()
	defer s.sub.mu.Unlock()
	m := map[string][]heardReport{}
	for _, d := range s.sub.events {
		var h heardReport
		if !strings.HasSuffix(d.topic, "/shop/heard") || json.Unmarshal(d.payload, &h) != nil {
			continue
		}
		if list := m[h.ID]; len(list) > 0 && list[len(list)-1].What == h.What {
			continue
		}
		m[h.ID] = append(m[h.ID], h)
	}
	return m
}

// became waits until an event is reported.
func (s *shop) became(id, what string) heardReport {
	s.t.Helper()
	eventually(s.t, time.Minute, "a report of event "+id, func() bool { return len(s.heard()[id]) > 0 })
	list := s.heard()[id]
	if len(list) != 1 || list[0].What != what {
		s.t.Errorf("of event %s is reported %+v, want %s", id, list, what)
	}
	return list[0]
}

// sum is the hash of a chime as the player gets it, at the default volume.
func sum(notes []chime.Note) string {
	h := sha256.Sum256(chime.Make(notes).WAV(80))
	return hex.EncodeToString(h[:])
}

// played counts how often a chime was played.
func (s *shop) played(notes []chime.Note) int { return strings.Count(s.text("played"), sum(notes)) }

// TestAnnunciator: the way of a trip from broker to player, by processes: once, with the zone's own chime, and reported; what is old is
// silent; the unit says of itself that it serves, has stopped, is lost.
func TestAnnunciator(t *testing.T) {
	t.Parallel()
	s := newShop(t, "[zones]\nrepeats = 1\nhold_off = \"0s\"\n[zone.ridge-gate]\nnotes = [\"C4 100ms\"]\n")
	s.state("river-gate", "clear")
	s.serving()
	s.trip("river-gate", "1.1.1", 0)
	if h := s.became("1.1.1", "sounded"); h.Source != "/longlane/hill-orchard" || h.Took < 0 || h.Took > 20_000 {
		t.Errorf("it reports %+v", h)
	}
	if n := s.played(chime.ForName("river-gate")); n != 1 {
		t.Errorf("the river gate's chime was played %d times: %s", n, s.text("played"))
	}
	s.trip("river-gate", "1.1.1", 0)
	s.trip("ridge-gate", "1.2.1", 0)
	s.became("1.2.1", "sounded")
	notes, _ := chime.Parse([]string{"C4 100ms"})
	if n := s.played(notes); n != 1 {
		t.Errorf("the ridge gate's notes were played %d times", n)
	}
	s.trip("river-gate", "1.1.3", 61*time.Second)
	s.became("1.1.3", "silent")
	eventually(t, time.Minute, "what it sounded last, in its own report", func() bool { return s.status(`"sounded":{"source":"/longlane/hill-orchard","id":"1.2.1"`) })
	if !s.status(`"errors":[]`) {
		t.Errorf("it reports of itself %s", s.last("longlane/hill-orchard/annunciator/shop"))
	}
	if code := s.unit.stop(); code != exitDone {
		t.Errorf("SIGTERM: it ended with %d", code)
	}
	eventually(t, time.Minute, "the end to be reported", func() bool { return s.status(`"stopped"`) })
	// What comes while it is away is caught up: silently if it is old, and else it sounds.
	young := output.Now() // as old as it may be, less a moment, when it is published
	s.trip("river-gate", "1.1.5", 59500*time.Millisecond)
	s.trip("river-gate", "1.1.7", 0)
	eventually(t, time.Minute, "the older one to be too old", func() bool { return output.Now()-young > 550*time.Millisecond })
	s.serving()
	s.became("1.1.5", "silent")
	s.became("1.1.7", "sounded")
	if n := s.played(chime.ForName("river-gate")); n != 2 {
		t.Errorf("the river gate's chime was played %d times, want twice: %s", n, s.text("played"))
	}
	s.unit.kill()
	eventually(t, time.Minute, "its last will", func() bool { return s.status(`"lost"`) })
	again, text := s.path("second"), s.text("annunciator.toml")
	s.serving()
	if err := os.WriteFile(again, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, _, errs := cli("", "annunciator", "--config", again); code != exitFailed || !strings.Contains(errs, "another process uses this state directory") {
		t.Errorf("a second unit on the same state: %d, %s", code, errs)
	}
}

// TestAnnunciatorKills kills the unit at random moments: no event sounds twice, or runs its command twice, and none that is young is
// missed. Each event is of a zone of its own, so that its chime tells which it was.
func TestAnnunciatorKills(t *testing.T) {
	t.Parallel()
	kills := 100
	if underRace {
		kills = 25
	}
	seed := rand.Uint64() >> 1
	t.Logf("seed %d, %d kills", seed, kills)
	r := rand.New(rand.NewPCG(seed, 1))
	s := newShop(t, "")
	s.write("annunciator.toml", s.text("annunciator.toml")+fmt.Sprintf("[zones]\nrepeats = 1\nhold_off = \"0s\"\nlimit = \"10m\"\ncommands = [\"note\"]\n[command.note]\nrun = [\"/bin/sh\", \"-c\", %q]\n",
		"echo $LONGLANE_ID >> "+s.path("ran")))
	var zones []string
	seen := map[string]bool{}
	for i := 0; len(zones) < 3*kills; i++ {
		zone := fmt.Sprintf("zone-%d", i)
		if h := sum(chime.ForName(zone)); !seen[h] {
			seen[h] = true
			zones = append(zones, zone)
		}
	}
	s.open()
	eventually(t, time.Minute, "the annunciator to serve", func() bool { return s.status("serving") }) // its session is there from now on
	sent := 0
	for i := range kills {
		for range 1 + r.IntN(3) {
			if sent < len(zones) {
				s.trip(zones[sent], fmt.Sprintf("1.1.%d", sent), 0)
				sent++
			}
			s.lives(time.Duration(r.IntN(30)) * time.Millisecond)
		}
		if waiting := func() int { return sent - len(s.heard()) }; waiting() > 40 { // as many as may wait are 64
			eventually(t, time.Minute, "sounds to be played", func() bool { return waiting() < 20 })
		}
		// From before it has begun to hear to after all is done.
		s.lives(time.Duration(r.IntN(500)) * time.Millisecond)
		s.unit.kill()
		if i < kills-1 {
			s.open()
			if r.IntN(2) == 0 {
				s.lives(time.Duration(r.IntN(400)) * time.Millisecond)
			}
		}
	}
	s.open()
	eventually(t, 3*time.Minute, "each event to be reported", func() bool { return len(s.heard()) >= sent })
	eventually(t, time.Minute, "each command to have run", func() bool { return strings.Count(s.text("ran"), "\n") >= sent })
	s.unit.stop()
	ran := map[string]int{}
	for line := range strings.Lines(s.text("ran")) {
		ran[strings.TrimSpace(line)]++
	}
	for i := range sent {
		id := fmt.Sprintf("1.1.%d", i)
		if n := s.played(chime.ForName(zones[i])); n != 1 {
			t.Errorf("event %s of %s sounded %d times; it is reported as %+v", id, zones[i], n, s.heard()[id])
		}
		if ran[id] != 1 {
			t.Errorf("the command of event %s ran %d times", id, ran[id])
		}
		if list := s.heard()[id]; len(list) != 1 || list[0].What != "sounded" {
			t.Errorf("event %s is reported as %+v", id, list)
		}
	}
	t.Logf("%d events", sent)
}

// TestAnnunciatorContacts: a contact by a command: at rest, in its other position for its time, and in its safe one when the unit is
// killed; the light is lit while ticks come and all is watched.
func TestAnnunciatorContacts(t *testing.T) {
	t.Parallel()
	s := newShop(t, "")
	s.write("annunciator.toml", s.text("annunciator.toml")+fmt.Sprintf(`[zones]
contacts = ["panel"]
sound = false
[contact.panel]
command = ["/bin/sh", "-c", %q, "sh"]
normally_closed = true
min = "300ms"
[light]
command = ["/bin/sh", "-c", %q, "sh"]
[supervision]
sound = false
`, "echo $1 >> "+s.path("panel"), "echo $1 >> "+s.path("light")))
	words := func(file string) string { return strings.ReplaceAll(s.text(file), "\n", " ") }
	s.state("river-gate", "clear")
	s.serving()
	eventually(t, time.Minute, "the panel's contact to be at rest", func() bool { return words("panel") == "closed " })
	eventually(t, time.Minute, "the light", func() bool { return strings.HasSuffix(words("light"), "closed ") })
	s.trip("river-gate", "1.1.1", 0)
	eventually(t, time.Minute, "the panel's contact to open and close", func() bool { return words("panel") == "closed open closed " })
	s.became("1.1.1", "silent")
	s.state("river-gate", "unwatched")
	eventually(t, time.Minute, "the light to go out", func() bool { return strings.HasSuffix(words("light"), "closed open ") })
	s.state("river-gate", "clear")
	eventually(t, time.Minute, "the light", func() bool { return strings.HasSuffix(words("light"), "open closed ") })
	s.unit.kill()
	eventually(t, time.Minute, "the safe position", func() bool {
		return words("panel") == "closed open closed open " && strings.HasSuffix(words("light"), "closed open ")
	})
}

// TestAnnunciatorAplay: the player that the config has by default, the real one, gets every sample of a chime as it was made: ALSA is set
// up to write a file in place of a sound card. While there is no card, the error is the player's own, and the trip sounds once there is one.
func TestAnnunciatorAplay(t *testing.T) {
	programPath(t, "aplay")
	s := newShop(t, "[zones]\nrepeats = 1\n")
	text := s.text("annunciator.toml")
	player := text[strings.Index(text, "command = "):strings.Index(text, "limit = ")]
	s.write("annunciator.toml", strings.Replace(text, player, "", 1))
	s.write("alsa.conf", "")
	t.Setenv("ALSA_CONFIG_PATH", s.path("alsa.conf"))
	s.serving()
	s.trip("river-gate", "1.1.1", 0)
	eventually(t, time.Minute, "the player's error in the unit's report", func() bool {
		return s.status("player: aplay has failed: exit status 1; it said: aplay: ") && s.status("audio open error: No such file or directory")
	})
	s.write("alsa.conf", fmt.Sprintf("pcm.nothing { type null }\npcm.default { type file slave.pcm nothing file %q format wav }\n", s.path("card.wav")))
	s.became("1.1.1", "sounded")
	eventually(t, time.Minute, "the player's error to end", func() bool { return s.status(`"errors":[]`) })
	got, err := chime.ReadWAV([]byte(s.text("card.wav")))
	if err != nil || got.Rate != chime.Rate || got.Channels != 1 {
		t.Fatalf("to the card went %d samples a second, of %d channels: %v", got.Rate, got.Channels, err)
	}
	made := chime.Make(chime.ForName("river-gate")).Samples
	for i, v := range got.Samples {
		want := int16(0) // aplay fills its last period with silence
		if i < len(made) {
			want = int16(int(made[i]) * 80 / 100) // at the default volume
		}
		if v != want {
			t.Fatalf("sample %d of %d that went to the card is %d, want %d", i, len(got.Samples), v, want)
		}
	}
	if len(got.Samples) < len(made) {
		t.Errorf("to the card went %d samples, want %d and more", len(got.Samples), len(made))
	}
}

// TestAnnunciatorMute: by the command line, for a zone, without a restart; and back.
func TestAnnunciatorMute(t *testing.T) {
	t.Parallel()
	s := newShop(t, "[zones]\nrepeats = 1\nhold_off = \"0s\"\n[zone.river-gate]\ntitle = \"River gate\"\n")
	s.serving()
	path := s.path("annunciator.toml")
	code, out, errs := cli("", "annunciator", "mute", "--for", "8h", "--zone", "river-gate", "--config", path)
	if code != exitDone || !strings.HasPrefix(out, "River gate: muted here for 8h0m0s") {
		t.Errorf("mute: %d, %q, %s", code, out, errs)
	}
	s.trip("river-gate", "1.1.1", 0)
	s.became("1.1.1", "muted")
	s.trip("ridge-gate", "1.2.1", 0)
	s.became("1.2.1", "sounded")
	if code, out, _ := cli("", "annunciator", "unmute", "--config", path); code != exitDone || out != "all zones: no longer muted here\n" {
		t.Errorf("unmute: %d, %q", code, out)
	}
	s.trip("river-gate", "1.1.3", 0)
	s.became("1.1.3", "sounded")
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"mute"}, "--for with a time from 1m to 24h"}, {[]string{"mute", "--for", "25h"}, "--for with a time"}, {[]string{"unmute", "--for", "1h"}, "belongs to mute"},
		{[]string{"hush", "--for", "1h"}, `unexpected argument "hush"`}, {[]string{"--for", "1h"}, "belong to `longlane annunciator mute`"}, {[]string{"--json"}, "--check"},
	} {
		if code, _, errs := cli("", append(append([]string{"annunciator"}, c.args...), "--config", path)...); code != exitUsage || !strings.Contains(errs, c.want) {
			t.Errorf("%q: %d, %s, want %q", c.args, code, errs, c.want)
		}
	}
}

// TestAnnunciatorTrouble: a player that hangs, a command that forks and never ends, and no gateway: each is an error that the unit reports,
// and whatever else there is goes on.
func TestAnnunciatorTrouble(t *testing.T) {
	t.Parallel()
	s := newShop(t, "")
	text := strings.Replace(s.text("annunciator.toml"), fmt.Sprintf(notingPlayer, s.path("played")), fmt.Sprintf("cat > /dev/null; echo x >> %s; if [ -e %s ]; then sleep 600; fi", s.path("played"), s.path("hang")), 1)
	s.write("annunciator.toml", strings.Replace(text, `limit = "2s"`, `limit = "1s"`, 1)+fmt.Sprintf(`[zones]
repeats = 1
hold_off = "0s"
commands = ["forks", "note"]
[command.forks]
run = ["/bin/sh", "-c", %q]
limit = "500ms"
[command.note]
run = ["/bin/sh", "-c", %q]
[supervision]
commands = ["note"]
`, "sleep 601 & sleep 601 & echo lights are stuck >&2; wait", "echo $LONGLANE_WHAT $LONGLANE_ZONE >> "+s.path("ran")+"; cat >> "+s.path("events")))
	s.write("hang", "")
	s.serving()
	s.trip("river-gate", "1.1.1", 0)
	s.became("1.1.1", "sounded")
	eventually(t, time.Minute, "the player's error in the unit's report", func() bool {
		return s.status("player: /bin/sh has not ended within") && s.status("command forks: /bin/sh has not ended within 500ms and was killed, with all that it had started; it said: lights are stuck")
	})
	if runs("601") {
		t.Error("what the command has started lives on")
	}
	os.Remove(s.path("hang"))
	s.trip("ridge-gate", "1.2.1", 0)
	s.became("1.2.1", "sounded")
	eventually(t, time.Minute, "the player's error to end", func() bool { return !s.status("player: ") })
	eventually(t, time.Minute, "the other command, each time", func() bool { return s.text("ran") == "trip river-gate\ntrip ridge-gate\n" })
	eventually(t, time.Minute, "the events in the command's hands", func() bool {
		return strings.Contains(s.text("events"), `"id":"1.1.1"`) && strings.Contains(s.text("events"), `"zone":"ridge-gate"`)
	})
	s.silence(true)
	eventually(t, time.Minute, "what it does when no tick comes", func() bool {
		return strings.HasSuffix(s.text("ran"), "\ndeaf\n") || strings.HasSuffix(s.text("ran"), "\ndeaf \n")
	})
	eventually(t, time.Minute, "its words for that", func() bool { return s.status("I hear nothing from the gateway: the broker is there") })
	s.silence(false)
	eventually(t, time.Minute, "its end", func() bool { return strings.Contains(s.text("ran"), "\ndeaf-ended") })
}

// TestAnnunciatorStorm: 1,000 trips in 10 s, each at its moment whether or not those before have been taken: each is reported once, what
// sounds is what the hold-off lets, and memory and open files stay where they were.
func TestAnnunciatorStorm(t *testing.T) {
	t.Parallel()
	s := newShop(t, "[zones]\nrepeats = 1\nhold_off = \"1h\"\n")
	s.serving()
	memory := func() (kib int) {
		b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", s.unit.cmd.Process.Pid))
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(b)) {
			if rest, ok := strings.CutPrefix(line, "RssAnon:"); ok {
				fmt.Sscan(rest, &kib)
			}
		}
		return kib
	}
	files := func() int {
		list, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", s.unit.cmd.Process.Pid))
		if err != nil {
			t.Fatal(err)
		}
		return len(list)
	}
	const trips, pace = 1000, 10 * time.Millisecond
	storm := func(n int) (most int) {
		began, taken := time.Now(), make(chan error, trips)
		for i := range trips {
			<-time.After(time.Until(began.Add(time.Duration(i) * pace)))
			zone := fmt.Sprintf("zone-%d", i%10)
			s.send("zone/"+zone+"/trip", false, opening(zone, fmt.Sprintf("%d.1.%d", n, i), 0), func(err error) { taken <- err })
			if i%50 == 0 {
				most = max(most, memory())
			}
		}
		took := time.Since(began)
		for range trips {
			if err := <-taken; err != nil {
				t.Fatalf("a trip of the storm was not taken by the broker: %v", err)
			}
		}
		eventually(t, 2*time.Minute, "each trip to be reported", func() bool { return len(s.heard()) >= trips*n })
		most = max(most, memory())
		t.Logf("storm %d: %d trips in %v, reported after %v; at most %d KiB, %d open files", n, trips, took.Round(pace), time.Since(began).Round(pace), most, files())
		return most
	}
	idle := memory()
	first := storm(1)
	open := files()
	second := storm(2)
	most, more := 8<<10, 4<<10 // KiB
	if underRace {             // which takes 5 to 10 times the memory (go.dev/doc/articles/race_detector, "Runtime overheads")
		most, more = 5*most, 8<<10
	}
	if first > idle+most || second > first+more {
		t.Errorf("memory was %d KiB before the storms, at most %d in the first and %d in the second", idle, first, second)
	}
	if n := files(); n > open+3 { // of a helper that is being started
		t.Errorf("%d files are open, %d after the first storm", n, open)
	}
	count := map[string]int{}
	for id, list := range s.heard() {
		if len(list) != 1 {
			t.Errorf("event %s is reported as %+v", id, list)
		}
		count[list[0].What]++
	}
	if count["sounded"] != 10 || count["counted"] != 1990 {
		t.Errorf("became of 2,000 trips of 10 zones: %v; want 10 sounded, once each, and the others counted", count)
	}
	if n := strings.Count(s.text("played"), "\n"); n != 10 {
		t.Errorf("the player was called %d times", n)
	}
}

// TestAnnunciatorCheck: what the unit would do, and what can be seen to stand in its way.
func TestAnnunciatorCheck(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.toml")
	good := `site = "hill-orchard"
name = "shop"
state = "` + dir + `/state"
player.command = ["/no/such/player"]
[broker]
url = "mqtt://127.0.0.1:1883"
[zone.river-gate]
notes = ["C4 1s"]
contacts = ["panel"]
[zone.ridge-gate]
notes = ["C4 1s"]
[zone.pond]
ignore = true
[[passage]]
outer = "river-gate"
inner = "yard"
within = "30s"
wait = "2s"
[contact.panel]
normally_closed = true
safe = "closed"
[contact.panel.gpio]
chip = "/dev/gpiochip77"
line = 3
[command.lights]
run = ["/no/lights", "on"]
`
	if err := os.WriteFile(path, []byte(good), 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, errs := cli("", "annunciator", "--check", "--config", path)
	for _, want := range []string{`a.toml is good: annunciator "shop" of the site "hill-orchard"`, "player: /no/such/player\n    note: this player cannot be run",
		"every other zone: a chime drawn from its name, 2 times; silent if older than 1m, counted within 10s", "zone river-gate: C4 1s, 2 times; contact panel;",
		"zone pond: ignored", "note: ridge-gate and river-gate sound the same", "passage: river-gate, then yard within 30s is an arrival; the first one's chime waits up to 2s",
		"contact panel: /dev/gpiochip77 line 3; closed at rest, open for 2s after the last opening, 1m at most; closed if this program ends or dies",
		"there is no /dev/gpiochip77", "wire it so that open is safe", "command lights: /no/lights on; killed after 10s\n    note: this command cannot be run",
		"the last 4096 are remembered", "not a certified alarm. Contacts are for low voltage only"} {
		if code != exitDone || !strings.Contains(out, want) {
			t.Errorf("--check: exit code %d, %s; it says\n%s\nwant %q", code, errs, out, want)
		}
	}
	if _, err := os.Stat(dir + "/state"); !os.IsNotExist(err) {
		t.Error("--check has made the state directory")
	}
	if err := os.WriteFile(path, []byte(strings.Replace(good, "ignore = true", "ignored = true", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, _, errs := cli("", "annunciator", "--config", path); code != exitUsage || !strings.Contains(errs, `a.toml:13:1: zone.pond.ignored: found an unknown key`) || !strings.Contains(errs, `did you mean "ignore"?`) {
		t.Errorf("a slip: exit code %d, %s", code, errs)
	}
	code, out, _ = cli("", "annunciator", "--check", "--json", "--config", path)
	var said struct {
		OK       bool
		Problems []problemJSON
	}
	if err := json.Unmarshal([]byte(out), &said); err != nil || code != exitUsage || said.OK || len(said.Problems) != 1 || said.Problems[0].Line != 13 {
		t.Errorf("--check --json: exit code %d, %v, %s", code, err, out)
	}
}

// TestAnnunciatorShow: the table of the zones, written at each change where there is no terminal.
func TestAnnunciatorShow(t *testing.T) {
	t.Parallel()
	s := newShop(t, "[zones]\nrepeats = 1\n[zone.river-gate]\ntitle = \"River gate\"\n")
	s.state("river-gate", "clear")
	s.unit = s.start("annunciator", "--show", "--config", s.path("annunciator.toml"))
	eventually(t, time.Minute, "the zone in the table", func() bool { return strings.Contains(s.text("annunciator.log"), "River gate              clear") })
	s.trip("river-gate", "1.1.1", 0)
	eventually(t, time.Minute, "the trip in the table", func() bool { return strings.Contains(s.text("annunciator.log"), "sounded 0 s ago") })
	s.unit.cmd.Process.Signal(syscall.SIGTERM)
	if code := s.unit.wait(time.Minute); code != exitDone {
		t.Errorf("it ended with %d", code)
	}
}
