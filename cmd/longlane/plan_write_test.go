package main

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"longlane/gateway/config"
	"longlane/radio/survey"
)

// writePlanned plans the hill orchard into a new directory.
func writePlanned(t *testing.T) (dir, out string) {
	t.Helper()
	dir = filepath.Join(t.TempDir(), "new", "orchard")
	code, out, errs := cli("", "plan", filepath.Join(lanes, "hill-orchard.toml"), "--write", dir)
	if code != exitDone || errs != "" {
		t.Fatalf("exit code %d, %s", code, errs)
	}
	return dir, out
}

// edit replaces text in a file, as an owner does with the lines that say CHANGE.
func edit(t *testing.T, path, old, by string) {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil || !strings.Contains(string(text), old) {
		t.Fatalf("%s: %v, or there is no %s", path, err, old)
	}
	if err := os.WriteFile(path, []byte(strings.ReplaceAll(string(text), old, by)), 0o600); err != nil {
		t.Fatal(err)
	}
}

// TestPlanWritten: of the example, the gateway's file is good as it stands; the commands that the report gives enrol all nodes; with the cards that they make
// each board's file is good, once it says where the card is; and the walk test's file has the ids that enrolment gave.
func TestPlanWritten(t *testing.T) {
	dir, out := writePlanned(t)
	cfg := filepath.Join(dir, "longlane.toml")
	if code, out, errs := cli("", "check", "--config", cfg); code != exitDone || !strings.Contains(out, "transmits at 14 dBm") || !strings.Contains(out, "zones: 3") {
		t.Errorf("check: exit code %d, %s %s", code, out, errs)
	}
	commands := regexp.MustCompile(`(?m)^  longlane (enrol add .*)$`).FindAllStringSubmatch(out, -1)
	for _, c := range commands {
		if code, _, errs := cli("", strings.Fields(c[1])...); code != exitDone {
			t.Fatalf("%s: exit code %d, %s", c[1], code, errs)
		}
	}
	code, list, errs := cli("", "enrol", "list", "--json", "--config", cfg)
	var roster struct {
		Nodes []struct {
			ID     uint8
			Name   string
			Relay  bool
			Inputs []struct{ Zone string }
		}
	}
	if err := json.Unmarshal([]byte(list), &roster); code != exitDone || err != nil || len(roster.Nodes) != 4 {
		t.Fatalf("exit code %d, %v, %s, %s", code, err, list, errs)
	}
	ids := map[string]uint8{"house": 240}
	for _, n := range roster.Nodes {
		ids[n.Name] = n.ID
		if want := fmt.Sprintf("%s %d", n.Name, n.ID); !strings.Contains(out, want) {
			t.Errorf("the report does not say %q", want)
		}
		file := filepath.Join(dir, "node-"+n.Name+".toml")
		edit(t, file, "/etc/longlane/"+n.Name+".card", filepath.Join(dir, n.Name+".card"))
		code, said, errs := cli("", "node", "--check", "--config", file)
		if code != exitDone || !strings.Contains(said, n.Name) {
			t.Errorf("node --check %s: exit code %d, %s, %s", file, code, said, errs)
		}
		c, card, err := config.LoadNode(file)
		if err != nil {
			t.Fatal(err)
		}
		if c.Relay != n.Relay || len(c.Input) != len(n.Inputs) || card.Node != n.ID {
			t.Errorf("%s: %+v, of a node %+v", file, c, n)
		}
	}
	p, err := readPlan(filepath.Join(dir, "survey.json"))
	if err != nil {
		t.Fatal(err)
	}
	want := planJSON(t, exitDone, filepath.Join(lanes, "hill-orchard.toml"))
	hops := map[[2]uint8]bool{}
	for _, z := range want.Zones {
		for _, h := range z.Hops {
			for _, way := range [][2]uint8{{ids[h.From], ids[h.To]}, {ids[h.To], ids[h.From]}} {
				hops[way] = true
				// 1.5 dB that modems are worse than their formula, and a median that is 1.6 dB below the mean.
				if i := slices.IndexFunc(p.Hops, func(p survey.PlanHop) bool { return p.From == way[0] && p.To == way[1] }); i < 0 || math.Abs(*p.Hops[i].Margin-h.Margin) > 0.25 {
					t.Errorf("%s to %s, by ids %v: not with the plan's %.1f dB among %+v", h.From, h.To, way, h.Margin, p.Hops)
				}
			}
		}
	}
	if len(p.Hops) != len(hops) {
		t.Errorf("%d hops, the plan has %d", len(p.Hops), len(hops))
	}
}

// TestPlanRehearsed: what was planned is played, all trips come home in time, and each of the plan's first hops is heard with the plan's margin.
func TestPlanRehearsed(t *testing.T) {
	dir, _ := writePlanned(t)
	record := filepath.Join(dir, "air.jsonl")
	code, out, errs := cli("", "sim", "--fast", "--json", "--scenario", filepath.Join(dir, "scenario.toml"), "--for", "12h", "--out", record)
	if code != exitDone {
		t.Fatalf("exit code %d, %s", code, errs)
	}
	var report struct {
		Trips struct{ Made, Delivered, Dropped, Held int }
	}
	if err := json.Unmarshal([]byte(out), &report); err != nil {
		t.Fatal(err)
	}
	// 3 zones, 12 trips an hour, 12 hours: 432, give or take four times its root.
	if r := report.Trips; r.Delivered != r.Made || r.Dropped != 0 || math.Abs(float64(r.Made)-432) > 83 {
		t.Errorf("%+v, want about 432 and all of them", r)
	}
}
