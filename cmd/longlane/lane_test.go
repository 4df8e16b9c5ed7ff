package main

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"longlane/gateway/config"
	"longlane/radio/lane"
	"longlane/radio/path"
)

const lanes = "../../testdata/lane"

// TestLaneIsTheDemos: the example's sites are where the demo's nodes and those of the example scenario stand, so that what they do
// can be drawn.
func TestLaneIsTheDemos(t *testing.T) {
	l, err := config.ReadLane(filepath.Join(lanes, "hill-orchard.toml"))
	if err != nil {
		t.Fatal(err)
	}
	_, sc, err := readScenario("../../testdata/sim/hill-orchard.toml")
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range sc.Nodes {
		if l.Site(n.Name) == nil {
			t.Errorf("testdata/sim/hill-orchard.toml has a node %s, the lane has no such site", n.Name)
		}
		if !strings.Contains(demoScenario, "name = \""+n.Name+"\"") {
			t.Errorf("the demo has no node %s", n.Name)
		}
	}
	if n := strings.Count(demoScenario, "[[node]]"); n != len(sc.Nodes) {
		t.Errorf("the demo has %d nodes, the scenario %d", n, len(sc.Nodes))
	}
}

// TestLaneFitsTheDemo: by the formulas of propagation, in July, the house can read those nodes of the example scenario that it
// hears there, and not the others, and the oak relay can read all: so what the page draws of the place and what is played on it
// do not contradict each other.
func TestLaneFitsTheDemo(t *testing.T) {
	l, err := config.ReadLane(filepath.Join(lanes, "hill-orchard.toml"))
	if err != nil {
		t.Fatal(err)
	}
	_, sc, err := readScenario("../../testdata/sim/hill-orchard.toml")
	if err != nil {
		t.Fatal(err)
	}
	f, floor := sc.Air.Frequency*1e6, -174+10*math.Log10(float64(sc.Air.Bandwidth))+sc.Air.NoiseFigure-7.5 // SF7's least SNR: see radio/lora
	level := func(a, b *lane.Site) float64 {
		var p lane.Profile
		l.Profile(&p, a, b, 256)
		free, err := path.FreeSpace(f, p.Length)
		if err != nil {
			t.Fatal(err)
		}
		over, err := path.Delta(f, &path.Profile{Length: p.Length, Ground: p.Ground, From: p.From, To: p.To}, path.Vertical)
		if err != nil {
			t.Fatal(err)
		}
		trees := 0.0
		for _, span := range p.Cover {
			if !span.InLeaf(time.July) {
				continue
			}
			loss, err := path.Weissberger(f, span.Below)
			if err != nil {
				t.Fatal(err)
			}
			trees += loss
		}
		return sc.Air.Power + a.AntennaGain - a.CableLoss + b.AntennaGain - b.CableLoss - free - over - trees
	}
	for _, n := range sc.Nodes {
		at := level(l.Site("house"), l.Site(n.Name))
		if heard := n.RSSI != nil; heard != (at > floor) {
			t.Errorf("the house has %s at %.0f dBm and can read %.1f; in the scenario it is heard: %v", n.Name, at, floor, heard)
		}
		if n.Name == "oak-relay" {
			continue
		}
		if at := level(l.Site("oak-relay"), l.Site(n.Name)); at < floor {
			t.Errorf("the oak relay has %s at %.0f dBm and can read %.1f", n.Name, at, floor)
		}
	}
}

// TestCheckLane: check reads the lane that a config names, says what it found, and names what it and the roster do not agree on.
func TestCheckLane(t *testing.T) {
	h := newHouse(t, "river-gate", "mill-gate")
	place, err := os.ReadFile(filepath.Join(lanes, "hill-orchard.toml"))
	if err != nil {
		t.Fatal(err)
	}
	h.write("lane.toml", string(place))
	with := func(line string) string {
		return strings.Replace(h.text("longlane.toml"), "site =", line+"\nsite =", 1)
	}
	h.write("house.toml", with(`lane = "lane.toml"`))
	code, out, errs := cli("", "check", "--config", h.path("house.toml"))
	if code != exitDone {
		t.Fatalf("check: exit code %d, %q, %q", code, out, errs)
	}
	for _, want := range []string{"is good", "lane: lane.toml: sites: 1 gateway, 3 gates, 1 relay, 2 candidates, 1 building; zones: 3; cover: 2 woods, 1 orchard, 1 hedge, 1 building",
		"farthest apart: house and ridge-gate, 1484 m", "nodes without a site: mill-gate; add a table [site.NAME]", "zones without a table: mill-gate",
		"zones that no enrolled node watches: cattle-grid, ridge-gate"} {
		if !strings.Contains(out, want) {
			t.Errorf("check says\n%s\nwithout %q", out, want)
		}
	}
	code, out, _ = cli("", "check", "--json", "--config", h.path("house.toml"))
	var said struct {
		OK   bool
		Lane struct {
			Sites            int
			NodesWithoutSite []string `json:"nodes_without_site"`
		}
	}
	if err := json.Unmarshal([]byte(out), &said); err != nil || code != exitDone || !said.OK || said.Lane.Sites != 8 || strings.Join(said.Lane.NodesWithoutSite, " ") != "mill-gate" {
		t.Errorf("check --json: exit code %d, %v, %s", code, err, out)
	}

	mistakes := func(name, config, lane, want string) {
		t.Helper()
		h.write("house.toml", config)
		h.write("lane.toml", lane)
		for _, args := range [][]string{{"check"}, {"check", "--json"}} {
			code, out, errs := cli("", append(args, "--config", h.path("house.toml"))...)
			if code != exitUsage || !strings.Contains(strings.ReplaceAll(out, `\"`, `"`)+errs, want) || strings.Contains(out, "is good") {
				t.Errorf("%s: longlane %q: exit code %d, %q, %q; want %d and %q", name, args, code, out, errs, exitUsage, want)
			}
		}
	}
	mistakes("another site", with(`lane = "lane.toml"`), strings.Replace(string(place), `"hill-orchard"`, `"mill"`, 1), h.path("lane.toml")+`:6:8: name: found "mill", expected "hill-orchard"`)
	mistakes("another region", with(`lane = "lane.toml"`), strings.NewReplacer(`"europe"`, `"japan"`, `"44.5 N, 30.5 W"`, `"36 N, 138 E"`).Replace(string(place)), `region: found "japan", expected "europe"`)
	mistakes("no unit", with(`lane = "lane.toml"`), strings.Replace(string(place), `"9 m" `, `9`, 1), "site.house.antenna_height: found 9, expected a length with its unit")
	mistakes("no file", with(`lane = "lanes.toml"`), "", ":1:8: lane: found no file "+h.path("lanes.toml")+", expected the lane file")
	mistakes("no name", with(`lane = "la\nne.toml"`), "", `expected the lane file beside this one, such as "lane.toml", or a full path`)

	// What is wrong with a drawing of the place keeps nobody from hearing of a trip.
	h.write("house.toml", with(`lane = "lanes.toml"`))
	if _, err := loadConfig(h.path("house.toml")); err != nil {
		t.Errorf("a gateway whose lane file is gone does not start: %v", err)
	}
}

// TestScenarioLane: a scenario's nodes stand where the lane file has sites of their names, and so they hear each other by distance.
func TestScenarioLane(t *testing.T) {
	dir := t.TempDir()
	scenario := func(lane, more string) string {
		path := filepath.Join(dir, "evening.toml")
		text := "name = \"e\"\nlane = " + lane + "\n[air]\nregion = \"europe\"\nfrequency = 869.525\nrssi_at_1km = -100.0\nexponent = 3.0\n" + more +
			"[[node]]\nname = \"oak-relay\"\nrelay = true\n[[node]]\nname = \"river-gate\"\n[[node]]\nname = \"cattle-grid\"\nplace = [100.0, 0.0]\n"
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	full, err := filepath.Abs(filepath.Join(lanes, "hill-orchard.toml"))
	if err != nil {
		t.Fatal(err)
	}
	_, sc, err := readScenario(scenario(`"`+full+`"`, ""))
	if err != nil {
		t.Fatal(err)
	}
	// 780 m E, 260 m N of the house, which the gateway's modem is in; 3.0 times 10 log10 of that beside a kilometre.
	heard := sc.Signals()
	for _, c := range []struct {
		from, to int
		metres   float64
	}{{0, 3, math.Hypot(780, 260)}, {1, 3, math.Hypot(1450, 180)}, {1, 0, math.Hypot(670, 80)}, {2, 3, 100}} {
		if want := -100 - 30*math.Log10(c.metres/1000); math.Abs(heard[c.from][c.to]-want) > 1e-9 {
			t.Errorf("station %d hears %d at %v dBm, want %v", c.to, c.from, heard[c.from][c.to], want)
		}
	}
	code, out, errs := cli("", "sim", "--fast", "--scenario", scenario(`"`+full+`"`, ""), "--for", "1h")
	if code != exitDone || !strings.Contains(out, "river-gate") {
		t.Errorf("a rehearsal on the lane: exit code %d, %q, %q", code, out, errs)
	}
	for name, c := range map[string]struct{ lane, want string }{
		"no such file": {`"none.toml"`, ":2:8: lane: found no file " + filepath.Join(dir, "none.toml")},
		"a bad one":    {`"bad.toml"`, filepath.Join(dir, "bad.toml") + ":1:8: name: found"},
		"two houses":   {`"two.toml"`, ":2:8: lane: found a lane with several gateways"},
	} {
		place, err := os.ReadFile(full)
		if err != nil {
			t.Fatal(err)
		}
		for file, text := range map[string]string{"bad.toml": "name = 7\n", "two.toml": strings.Replace(string(place), `role = "building"`, `role = "gateway"`, 1)} {
			if err := os.WriteFile(filepath.Join(dir, file), []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		code, _, errs := cli("", "sim", "--fast", "--scenario", scenario(c.lane, ""), "--for", "1h")
		if code != exitUsage || !strings.Contains(errs, c.want) {
			t.Errorf("%s: exit code %d, %q; want %d and %q", name, code, errs, exitUsage, c.want)
		}
	}
	if _, _, err := readScenario(scenario(`"two.toml"`, "place = [3.0, 4.0]\n")); err != nil {
		t.Errorf("two gateways, and the scenario says where its own is: %v", err)
	}
}
