package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// TestHelp: every subcommand explains itself with an example, and a wrong word gets a hint.
func TestHelp(t *testing.T) {
	_, overview, _ := cli("", "help")
	for _, c := range commands {
		code, out, _ := cli("", c.name, "--help")
		if code != exitDone || !strings.Contains(out, "Usage: longlane "+c.name) || !strings.Contains(out, "Example:\n  longlane "+c.name) {
			t.Errorf("longlane %s --help: exit code %d,\n%s", c.name, code, out)
		}
		if strings.Contains(overview, "\n  "+c.name+" ") == c.hidden {
			t.Errorf("longlane help lists %s: %v", c.name, !c.hidden)
		}
	}
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{}, ""},
		{[]string{"chek"}, `did you mean "check"?`},
		{[]string{"fly"}, "lists them"},
		{[]string{"check", "--confg", "x"}, "--help"},
		{[]string{"check", "surplus"}, `unexpected argument "surplus"`},
		{[]string{"sim"}, "give --scenario"},
		{[]string{"demo", "--for", "1s"}, "expected 10s or more"},
		{[]string{"enrol"}, "one of add"},
		{[]string{"enrol", "add", "--state", t.TempDir(), "--site", "x"}, "give its name"},
		{[]string{"enrol", "add", "Gate", "--state", t.TempDir(), "--site", "x"}, "small letters"},
		{[]string{"enrol", "add", "gate", "--zone", "gate=16", "--state", t.TempDir()}, "expected 0 to 15"},
		{[]string{"enrol", "add", "gate", "--state", t.TempDir(), "--site", "x"}, "give --zone"},
		{[]string{"run", "--config", "/nowhere.toml"}, "--config"},
		{[]string{"sim", "--scenario", "/nowhere.toml", "--modem", "m"}, "read scenario"},
	} {
		if code, _, errs := cli("", c.args...); code != exitUsage || !strings.Contains(errs, c.want) {
			t.Errorf("longlane %q: exit code %d, %q; want %d and %q", c.args, code, errs, exitUsage, c.want)
		}
	}
}

func TestCheck(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	good := write("good.toml", fmt.Sprintf("site = \"hill-orchard\"\ngateway = \"house\"\nstate = %q\n[wifi]\n", dir))
	if code, out, errs := cli("", "check", "--config", good); code != exitDone || !strings.Contains(out, "is good") || !strings.Contains(out, "history: trips, faults and watched time for 731d") {
		t.Errorf("check of a good config: exit code %d, %q, %q", code, out, errs)
	}
	bad := write("bad.toml", "site = \"Hill Orchard\"\ngatway = \"house\"\n[wifi]\nlisten = 5410\n")
	code, _, errs := cli("", "check", "--config", bad)
	for _, want := range []string{bad + ":1:", bad + ":2:1: gatway", `did you mean "gateway"`, bad + ":4:"} {
		if code != exitUsage || !strings.Contains(errs, want) {
			t.Errorf("check of a bad config: exit code %d, no %q in\n%s", code, want, errs)
		}
	}
	code, out, _ := cli("", "check", "--json", "--config", bad)
	var result struct {
		OK       bool
		Problems []struct {
			Line, Column int
			Field        string
		}
	}
	if err := json.Unmarshal([]byte(out), &result); err != nil || code != exitUsage || result.OK || len(result.Problems) < 3 || result.Problems[0].Line != 1 {
		t.Errorf("check --json: exit code %d, %v, %s", code, err, out)
	}
}

// TestDecode: decode explains a frame that a simulated node sent, and says why it would refuse a damaged one.
func TestDecode(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "oak-relay", "river-gate")
	h.write("scenario.toml", "name = \"decode\"\nseed = 3\nuntil = \"24s\"\n"+tomlRelay+strings.Replace(
		tomlNode("river-gate", "oak-relay", 60), "[node.rate]", "trips = [{ at = \"500ms\", for = \"400ms\", every = \"3s\" }]\n[node.rate]", 1))
	h.openHouse()
	h.startGateway() // by whose beacons the relay finds its way
	sim := h.startSim("--for", "26s")
	if code := sim.wait(time.Minute); code != 0 {
		t.Fatalf("the simulator ended with %d", code)
	}
	var frame string
	for _, r := range h.records() {
		if (r.What == "heard" || r.What == "lost") && r.Kind == "trip opened" && r.Frame != "" && len(r.Hops) > 0 {
			frame = r.Frame
		}
	}
	if frame == "" {
		t.Fatalf("the simulator sent no trip: %v", h.records())
	}
	code, out, errs := cli("", "decode", "--state", h.path("state"), frame)
	for _, want := range []string{"trip opened", "whole counter", "age ", "send time", "hop 1", "verified", "authentic"} {
		if code != exitDone || !strings.Contains(out, want) {
			t.Errorf("decode: exit code %d, %q, no %q in\n%s", code, errs, want, out)
		}
	}
	code, out, _ = cli(frame+"\n\n# a comment\n"+frame[:len(frame)-2]+"\n", "decode", "--json", "--state", h.path("state"))
	lines := strings.Split(strings.TrimSpace(out), "\n")
	if code != exitFailed || len(lines) != 2 {
		t.Fatalf("decode --json from standard input: exit code %d, %d lines, want %d and 2:\n%s", code, len(lines), exitFailed, out)
	}
	for i, want := range []struct {
		good    bool
		verdict string
	}{{true, "authentic"}, {false, "refused: length"}} {
		var f struct {
			Good    bool
			Verdict string
		}
		if err := json.Unmarshal([]byte(lines[i]), &f); err != nil || f.Good != want.good || !strings.HasPrefix(f.Verdict, want.verdict) {
			t.Errorf("decode --json: line %d is %s (%v), want good %v, verdict %q", i+1, lines[i], err, want.good, want.verdict)
		}
	}
	damaged := []byte(frame)
	if damaged[30] != '0' {
		damaged[30] = '0'
	} else {
		damaged[30] = '1'
	}
	if code, out, _ := cli("", "decode", "--state", h.path("state"), string(damaged)); code != exitFailed || !strings.Contains(out, "refused: mac") {
		t.Errorf("decode of a damaged frame: exit code %d\n%s", code, out)
	}
	if code, out, _ := cli("", "decode", frame); code != exitFailed || !strings.Contains(out, "no keys") {
		t.Errorf("decode without keys: exit code %d\n%s", code, out)
	}
}

// TestEnrolWhileRunning: the running gateway follows the roster: a node that was shut out is refused, a spare with the
// zone's new card is heard, an old key is good until the first frame under the new one.
func TestEnrolWhileRunning(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "river-gate", "cattle-grid")
	h.openHouse()
	h.startGateway()
	trip := func(node, card, limit string) map[string]bool {
		t.Helper()
		h.write("scenario.toml", fmt.Sprintf("name = \"one trip\"\nseed = 5\nuntil = \"7s\"\n[[node]]\nname = %q\ncard = %q\nrssi = -95.0\n"+
			"checkin = \"1h\"\ntrips = [{ at = \"6500ms\", for = \"200ms\" }]\n", node, card))
		sim := h.startSim("--drain", "--for", limit)
		sim.wait(time.Minute)
		return idsOf(h.records(), "released")
	}
	enrol := func(args ...string) string {
		t.Helper()
		code, out, errs := cli("", append([]string{"enrol", args[0], args[1], "--state", h.path("state")}, args[2:]...)...)
		if code != exitDone {
			t.Fatalf("enrol %q: exit code %d, %s", args, code, errs)
		}
		return out + errs
	}
	if got := trip("river-gate", "river-gate.card", "25s"); len(got) != 2 {
		t.Fatalf("before anything was changed %v got a receipt, want an opening and a closing", got)
	}

	enrol("rekey", "river-gate", "--out", h.path("second.card"))
	if got := trip("river-gate", "river-gate.card", "25s"); len(got) < 2 {
		t.Errorf("the old key before the first frame of the new: %v got a receipt, want an opening and a closing", got)
	}
	if got := trip("river-gate-2", "second.card", "25s"); len(got) != 2 {
		t.Errorf("the new key: %v got a receipt, want 2", got)
	}
	if got := trip("river-gate", "river-gate.card", "10s"); len(got) != 0 {
		t.Errorf("the old key after the first frame of the new: %v got a receipt, want none", got)
	}

	if said := enrol("swap", "river-gate", "--out", h.path("spare.card"), "--qr"); !strings.Contains(said, "shut out for ever") || !strings.Contains(said, "▀") {
		t.Errorf("swap says %q, want that the old one is shut out, and a QR code", said)
	}
	if got := trip("river-gate-2", "second.card", "10s"); len(got) != 0 {
		t.Errorf("the node that was replaced: %v got a receipt, want none", got)
	}
	if got := trip("spare", "spare.card", "25s"); len(got) != 2 {
		t.Errorf("the spare: %v got a receipt, want 2", got)
	}
	eventually(t, 30*time.Second, "the spare's trip, in the zone of the node it replaces", func() bool {
		for _, d := range h.sub.all() {
			if strings.HasPrefix(d.event.ID, "3.1.") && d.event.Data.Zone == "river-gate" {
				return true
			}
		}
		return false
	})

	enrol("revoke", "cattle-grid")
	if got := trip("cattle-grid", "cattle-grid.card", "10s"); len(got) != 0 {
		t.Errorf("a node that was shut out: %v got a receipt, want none", got)
	}
	_, text := h.get("/metrics")
	for _, v := range []string{"revoked", "generation"} {
		if metric(text, `longlane_frames_total{bearer="mast",verdict="`+v+`"}`) < 1 {
			t.Errorf("no frame was counted as %s", v)
		}
	}
	for _, f := range []string{"second.card", "spare.card"} {
		if st, err := os.Stat(h.path(f)); err != nil || st.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, %v; want mode 0600", f, st, err)
		}
	}
	code, out, _ := cli("", "enrol", "list", "--state", h.path("state"))
	if code != exitDone || strings.Count(out, "shut out") != 2 {
		t.Errorf("enrol list: exit code %d\n%s", code, out)
	}
	if strings.Contains(h.text("run.log"), strings.TrimSpace(h.text("state/site.secret"))) {
		t.Error("the site's secret stands in the log")
	}
}

// TestScenarioRefused: what cannot work is refused with file, line and reason before anything runs.
func TestScenarioRefused(t *testing.T) {
	h := newHouse(t, "river-gate")
	for _, c := range []struct{ text, want string }{
		{"name = \"x\"\n[[node]]\nname = \"river-gate\"\ncard = \"river-gate.card\"\nrssi = 20.0\n", "scenario.toml:5:8: node[0].rssi"},
		{"name = \"x\"\n[[node]]\nname = \"river-gate\"\ncard = \"river-gate.card\"\n", "nobody ever hears river-gate"},
		{"name = \"x\"\n[[nod]]\nname = \"y\"\n", `did you mean "node"`},
		{"name = \"x\"\n[[node]]\nname = \"river-gate\"\ncard = \"absent.card\"\nrssi = -95.0\n", "longlane enrol add"},
		{"name = \"x\"\n[[node]]\nname = \"river-gate\"\ncard = \"river-gate.card\"\n[faults]\nlose = 1.5\n", "scenario.toml:6:8: faults.lose"},
	} {
		h.write("scenario.toml", c.text)
		code, _, errs := cli("", "sim", "--scenario", h.path("scenario.toml"), "--modem", h.path("modem"), "--for", "1s")
		if code != exitUsage || !strings.Contains(errs, c.want) {
			t.Errorf("scenario\n%s\nexit code %d, %q; want %d and %q", c.text, code, errs, exitUsage, c.want)
		}
	}
}

// TestDemo: the demo ends by itself with a good summary.
func TestDemo(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "river-gate")
	p := h.start("demo", "--for", "12s")
	if code := p.wait(2 * time.Minute); code != 0 {
		t.Errorf("the demo ended with %d", code)
	}
	text := h.text("demo.log")
	for _, want := range []string{"the broker goes away", "the modem is unplugged", "got a receipt", "With a receipt and not delivered: 0"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in what the demo says:\n%s", want, text)
		}
	}
}

// TestDemoSummary is the control: the summary fails when something with a receipt is missing, when something arrived
// that no node has made, and when nothing arrived at all.
func TestDemoSummary(t *testing.T) {
	made := `{"what":"made","id":"2.1.1"}` + "\n" + `{"what":"made","id":"2.1.2"}` + "\n" + `{"what":"released","id":"2.1.1"}` + "\n"
	for _, c := range []struct {
		arrived []string
		want    string
	}{
		{[]string{"2.1.1"}, ""},
		{[]string{"2.1.1", "2.1.1", "2.1.2"}, ""},
		{[]string{"2.1.2"}, "not delivered: 2.1.1"},
		{[]string{"2.1.1", "9.1.1"}, "never made: 9.1.1"},
		{nil, "not delivered"},
	} {
		var out strings.Builder
		d := &demo{c: &call{out: &out}, dir: t.TempDir()}
		if err := os.WriteFile(d.path("sim.jsonl"), []byte(made), 0o600); err != nil {
			t.Fatal(err)
		}
		for _, id := range c.arrived {
			d.tally.note(id, false)
		}
		err := d.summary()
		if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("summary with %q arrived: %v, want %q", c.arrived, err, c.want)
		}
	}
}

// TestLogDurations: a duration in the log says its unit.
func TestLogDurations(t *testing.T) {
	var b bytes.Buffer
	logger(&b, slog.LevelInfo).Info("trip opened", "ago", 80*time.Millisecond, slog.Group("of", "hour", time.Hour))
	if got := b.String(); !strings.Contains(got, `"ago":"80ms"`) || !strings.Contains(got, `"hour":"1h0m0s"`) {
		t.Errorf("logged %s, want 80ms and 1h0m0s", got)
	}
}
