package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"time"

	"longlane/gateway/logbook"
	"longlane/queue/history"
)

// ask asks for the history, which is to be answered.
func (h *house) ask(args ...string) string {
	h.t.Helper()
	code, out, errs := cli("", append([]string{"history", "--config", h.path("longlane.toml")}, args...)...)
	if code != exitDone {
		h.t.Fatalf("longlane history %q: exit code %d, %s", args, code, errs)
	}
	return out
}

// lately is a time that holds all of a test, also at midnight.
func lately() string { return "since " + time.Now().Add(-time.Hour).UTC().Format(time.RFC3339) }

type historyJSON struct {
	Trips   []logbook.Trip
	Watched []watchJSON
}

func (h *house) askJSON(args ...string) (doc historyJSON) {
	h.t.Helper()
	text := h.ask(append(args, "--json")...)
	if err := json.Unmarshal([]byte(text), &doc); err != nil {
		h.t.Fatalf("longlane history %q: %v\n%s", args, err, text)
	}
	return doc
}

// openings are the trips that got a receipt, by the id of their opening, as the broker has them, with their dwell in seconds; -1: it has
// not ended.
func (h *house) openings() map[string]float64 {
	released := idsOf(h.records(), "released")
	trips := map[string]float64{}
	for _, d := range h.sub.all() {
		if id := d.event.ID; d.event.Type == "longlane.trip.opened" && released[id] {
			if _, ok := trips[id]; !ok {
				trips[id] = -1
			}
		}
	}
	for _, d := range h.sub.all() {
		var closing struct {
			Data struct {
				OpenedID string   `json:"opened_id"`
				Dwell    *float64 `json:"dwell_s"`
			}
		}
		if d.event.Type != "longlane.trip.closed" || json.Unmarshal(d.payload, &closing) != nil || closing.Data.Dwell == nil {
			continue
		}
		if _, ok := trips[closing.Data.OpenedID]; ok && released[d.event.ID] {
			trips[closing.Data.OpenedID] = *closing.Data.Dwell
		}
	}
	return trips
}

// checkHistory holds the promise: each trip with a receipt stands in the history once, with its dwell, and nothing that nobody made.
func (h *house) checkHistory(limit time.Duration) {
	h.t.Helper()
	want := h.openings()
	if len(want) < 5 {
		h.t.Fatalf("only %d trips", len(want))
	}
	made := idsOf(h.records(), "made")
	var wrong []string
	look := func() bool {
		wrong = nil
		got := map[string]logbook.Trip{}
		for _, t := range h.askJSON("trips", lately()).Trips {
			if _, twice := got[t.ID]; twice {
				wrong = append(wrong, t.ID+" twice")
			}
			if !made[t.ID] {
				wrong = append(wrong, t.ID+" was made by nobody")
			}
			got[t.ID] = t
		}
		for id, dwell := range want {
			t, ok := got[id]
			switch {
			case !ok:
				wrong = append(wrong, id+" is missing")
			case !t.Opened, dwell >= 0 && (t.Dwell == nil || *t.Dwell != dwell):
				wrong = append(wrong, fmt.Sprintf("%s has dwell %v, opened %v; want %v", id, float(t.Dwell), t.Opened, dwell))
			}
		}
		return len(wrong) == 0
	}
	end := time.Now().Add(limit)
	eventually(h.t, limit+time.Minute, "the history to be whole", func() bool { return look() || time.Now().After(end) })
	if len(wrong) > 0 {
		h.t.Errorf("%d of %d trips are wrong in the history: %v", len(wrong), len(want), wrong[:min(len(wrong), 10)])
	}
}

// TestHistoryKilled: the real gateway is killed again and again; no trip with a receipt is lost in the history or doubled. The same is
// read from the file once the gateway is gone, and each time that it was gone is a gap.
func TestHistoryKilled(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "river-gate", "cattle-grid")
	seed := rand.Uint64() >> 1
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	h.env = []string{setClock + "=1"}
	h.write("longlane.toml", h.text("longlane.toml")+"[checkin]\nperiod = \"20s\"\n")
	h.steady("40s")
	h.openHouse()
	gw := h.startGateway()
	sim := h.startSim("--drain")
	written := func() (at time.Time) { // when the history's file last was
		if info, err := os.Stat(h.path("state/" + history.File)); err == nil {
			at = info.ModTime()
		}
		return at
	}
	const kills = 12
	for range kills {
		before, last := len(idsOf(h.records(), "released")), written()
		eventually(t, time.Minute, "a receipt", func() bool { return len(idsOf(h.records(), "released")) > before })
		if random.IntN(2) == 0 { // within the history's own write, or before it
			eventually(t, time.Minute, "the history to write", func() bool { return written().After(last) })
		}
		gw.kill()
		gw = h.startGateway()
	}
	if code := sim.wait(2 * time.Minute); code != exitDone {
		t.Fatalf("the simulator ended with %d", code)
	}
	h.checkDelivered(time.Minute)
	h.checkHistory(time.Minute)
	info, err := os.Stat(h.path("state/" + logbook.Socket))
	if err != nil || info.Mode()&fs.ModeSocket == 0 || info.Mode().Perm() != 0o600 {
		t.Errorf("the socket: %v, %v; want one that only its owner may use", info.Mode(), err)
	}
	running := h.ask("trips", lately(), "--csv")
	if code := gw.stop(); code != exitDone {
		t.Errorf("the gateway ended with %d", code)
	}
	stopped := h.ask("trips", lately(), "--csv")
	if running != stopped {
		t.Errorf("while it runs and afterwards it answers otherwise:\n%s\n%s", running, stopped)
	}
	rows, err := csv.NewReader(strings.NewReader(stopped)).ReadAll()
	if err != nil || len(rows) < len(h.openings())+1 {
		t.Errorf("%d rows, %v", len(rows), err)
	}
	for _, w := range h.askJSON("watched", lately()).Watched {
		if w.Zone != "" && (len(w.Gaps) < 2 || w.Percent > 90) {
			t.Errorf("%s: %.2f %% and %d gaps, of an hour in which the gateway hardly ran", w.Zone, w.Percent, len(w.Gaps))
		}
	}
	text := h.ask("rates", lately())
	for _, want := range []string{"by the hour", "by the weekday", "####", "Sun"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
	t.Logf("%d trips through %d kills", len(h.openings()), kills)
}

// TestHistoryOff: with off = true there is no history, no socket, and nothing waits for it in the queue; a history that cannot be
// opened leaves the gateway ready, which tells why, and trips sound.
func TestHistoryOff(t *testing.T) {
	t.Parallel()
	for name, spoil := range map[string]func(h *house){
		"off": func(h *house) { h.write("longlane.toml", h.text("longlane.toml")+"[history]\noff = true\n") },
		"cannot be opened": func(h *house) {
			s, _, err := history.Open(h.path("state/history.db"), history.Options{}) // somebody else has it
			if err != nil {
				h.t.Fatal(err)
			}
			h.t.Cleanup(func() { s.Close() })
		},
	} {
		h := newHouse(t, "river-gate", "cattle-grid")
		h.steady("6s")
		h.openHouse()
		gw := h.startGateway() // with a history
		sim := h.startSim("--drain")
		h.ready(time.Minute)
		sim.stop()
		gw.stop()
		for _, f := range []string{"history.db", logbook.Socket} {
			if err := os.Remove(h.path("state/" + f)); err != nil && f == "history.db" {
				t.Fatal(err)
			}
		}
		spoil(h)
		h.startGateway()
		sim = h.startSim("--drain")
		h.ready(time.Minute)
		_, ready := h.get("/readyz")
		if code := sim.wait(2 * time.Minute); code != exitDone {
			t.Fatalf("%s: the simulator ended with %d", name, code)
		}
		h.checkDelivered(time.Minute)
		code, _, errs := cli("", "history", "--config", h.path("longlane.toml"))
		_, metrics := h.get("/metrics")
		if name == "off" {
			if code != exitFailed || !strings.Contains(errs, "off = true") {
				t.Errorf("off: longlane history ended with %d, %s", code, errs)
			}
			if strings.Contains(metrics, `sink="history"`) || strings.Contains(ready, "history") || strings.Contains(h.text("run.log"), "unused-sink") {
				t.Errorf("off: something knows of a history: %s", ready)
			}
			continue
		}
		if code != exitFailed || errs == "" {
			t.Errorf("%s: longlane history ended with %d, %s", name, code, errs)
		}
		if v := metric(metrics, `longlane_sink_up{sink="history"}`); v != 0 {
			t.Errorf("%s: its sink is up: %v", name, v)
		}
		if !strings.Contains(ready, `"ok":true`) || !strings.Contains(ready, "sink history: not written") {
			t.Errorf("%s: ready: %s", name, ready)
		}
	}
}

// TestHistoryUsage: what is asked wrongly is refused with what would be right.
func TestHistoryUsage(t *testing.T) {
	dir := t.TempDir()
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"yesterdy"}, exitUsage, "last night"},
		{[]string{"trips", "--json", "--csv"}, exitUsage, "exclude each other"},
		{[]string{"--dwell", "2s"}, exitUsage, "2s..1m"},
		{[]string{"--dwell", "5s..1s"}, exitUsage, "2s..1m"},
		{[]string{"watched", "2999-01-01"}, exitUsage, "has not begun yet"},
		{[]string{"today"}, exitFailed, "there is no history yet"},
		{[]string{"today", "--config", "x.toml"}, exitUsage, "give one of them"},
	} {
		code, out, errs := cli("", append(append([]string{"history"}, c.args...), "--state", dir)...)
		if code != c.code || !strings.Contains(errs, c.want) || out != "" {
			t.Errorf("longlane history %q: exit code %d, %q; want %d and %q", c.args, code, errs, c.code, c.want)
		}
	}
}

// TestHistoryWatched: the real gateway answers whether the gate was watched: while its node checks in it was, and it says that nothing
// shows that the wire is supervised; when the node falls silent there is a gap, with its cause. Apart from that it tells since when the
// real annunciator would have sounded.
func TestHistoryWatched(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "river-gate", "cattle-grid")
	h.env = []string{setClock + "=1"}
	h.write("longlane.toml", "annunciators = [\"shop\"]\n"+h.text("longlane.toml")+"[checkin]\nperiod = \"20s\"\n")
	h.write("scenario.toml", "name = \"watched\"\nseed = 5\nuntil = \"70s\"\n"+tomlNode("river-gate", "", 60))
	h.openHouse()
	h.write("annunciator.toml", fmt.Sprintf("site = \"hill-orchard\"\nname = \"shop\"\nstate = %q\n[broker]\nurl = \"mqtt://%s\"\n"+
		"[player]\ncommand = [\"/bin/sh\", \"-c\", \"cat >/dev/null\"]\n", h.path("shop"), h.mos.addr))
	gw := h.startGateway()
	h.start("annunciator", "--config", h.path("annunciator.toml"))
	sim := h.startSim("--drain")
	h.ready(time.Minute)
	find := func(name string) (w watchJSON) {
		for _, w := range h.askJSON("watched", lately()).Watched {
			if w.Zone == name || w.Annunciator == name {
				return w
			}
		}
		t.Fatalf("nothing is told of %s", name)
		return w
	}
	eventually(t, 2*time.Minute, "watched time", func() bool { return find("river-gate").Watched >= 15 })
	sim.wait(2 * time.Minute)
	watched := find("river-gate").Watched
	overdue := func() bool {
		gaps := find("river-gate").Gaps
		last := gaps[len(gaps)-1]
		return strings.Contains(last.Cause, "overdue") || strings.Contains(last.Cause, "could not hear") || strings.Contains(last.Cause, "missed")
	}
	eventually(t, 3*time.Minute, "the gap of a silent node, with its cause", overdue)
	w := find("river-gate")
	if w.Watched != watched || w.EndToEnd != 0 || w.RadioOnly != w.Watched {
		t.Errorf("watched for %v s, %v s of it by radio only; want %v, all by radio only", w.Watched, w.RadioOnly, watched)
	}
	if never := find("cattle-grid"); never.Percent != 0 || never.Watched != 0 || len(never.Gaps) == 0 {
		t.Errorf("a zone whose node was never heard: %+v", never)
	}
	eventually(t, 4*time.Minute, "time in which the annunciator would have sounded", func() bool { return find("shop").Watched > 50 })
	text := h.ask("watched", lately(), "--zone", "river-gate")
	for _, want := range []string{"river-gate: watched ", "by radio only", " it was not: "} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
	if strings.Contains(text, "shop") || strings.Contains(text, "cattle-grid") {
		t.Errorf("it answers for others:\n%s", text)
	}
	if code, _, errs := cli("", "history", "watched", "--zone", "mill", "--config", h.path("longlane.toml")); code != exitUsage || !strings.Contains(errs, "river-gate") {
		t.Errorf("an unknown zone: exit code %d, %s", code, errs)
	}
	before := h.ask("watched", lately(), "--csv")
	gw.kill()
	after := find("river-gate") // from the file
	if after.Watched > w.Watched || after.Watched == 0 {
		t.Errorf("after a kill it was watched for %v s, before it for %v s", after.Watched, w.Watched)
	}
	t.Log(text, before)
}
