package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"longlane/gateway/config"
	"longlane/gateway/wholefile"
	"longlane/radio/ether"
	"longlane/radio/plan"
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
// each board's file is good, once it says where the card is, and the simulator plays them all behind a modem; and the walk test's file has the ids that enrolment gave.
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
		if want := fmt.Sprintf("\n  %3d  %s\n", n.ID, n.Name); !strings.Contains(out, want) {
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
	// The command of the report and that of the scenario's own head; neither floods the terminal.
	head, err := os.ReadFile(filepath.Join(dir, "scenario.toml"))
	if err != nil {
		t.Fatal(err)
	}
	played := regexp.MustCompile(`(?m)^(?:# )?  longlane (sim --scenario .*)$`).FindAllStringSubmatch(out+string(head), -1)
	if len(played) != 2 || !strings.Contains(out, "Trips come at random, 12 an hour at each zone") {
		t.Errorf("the files and the report play %q, and the report may not say how often somebody comes:\n%s", played, out)
	}
	for _, c := range played {
		code, _, errs := cli("", append(strings.Fields(c[1]), "--for", "10ms")...)
		if _, err := os.Stat(filepath.Join(dir, "sim.jsonl")); code != exitDone || err != nil || !strings.Contains(c[1], " --out ") || !strings.Contains(errs, "4 nodes behind "+filepath.Join(dir, "modem")) {
			t.Errorf("%s: exit code %d, %v, %s", c[1], code, err, errs)
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

// TestPlanRehearsed: what was planned is played, all trips come home, and each gate's first hop (to oak-relay from two of them) is heard with the margin of the plan,
// to a decibel: some 300 frames each, whose power fades about the mean by as much as the mean, give it to a quarter of one.
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
	heard := meanLevels(t, record)
	for _, z := range planJSON(t, exitDone, filepath.Join(lanes, "hill-orchard.toml")).Zones {
		h := z.Hops[0]
		got, ok := heard[[2]string{h.From, h.To}]
		if !ok || math.Abs(got-h.Need-h.Margin) > 1 {
			t.Errorf("%s to %s: heard with a margin of %.2f dB, planned %.2f", h.From, h.To, got-h.Need, h.Margin)
		}
	}
}

// meanLevels are the mean powers, dBm, at which the frames of each node's trips came to relays and gateway straight from it.
func meanLevels(t *testing.T, record string) map[[2]string]float64 {
	t.Helper()
	f, err := os.Open(record)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	sum, n := map[[2]string]float64{}, map[[2]string]float64{}
	for d := json.NewDecoder(f); d.More(); {
		var r ether.Record
		if err := d.Decode(&r); err != nil {
			t.Fatal(err)
		}
		if !strings.HasPrefix(r.Kind, "trip ") || len(r.Hops) > 0 || r.RSSI == nil {
			continue
		}
		way := [2]string{r.Node, "house"}
		switch {
		case r.What == ether.RecordReceived && r.By != "":
			way[1] = r.By
		case r.What != ether.RecordHeard || r.By != "":
			continue
		}
		sum[way] += math.Pow(10, *r.RSSI/10)
		n[way]++
	}
	for way, s := range sum {
		if n[way] < 100 {
			delete(sum, way)
			continue
		}
		sum[way] = 10 * math.Log10(s/n[way])
	}
	return sum
}

// contents are all that stands below a directory.
func contents(t *testing.T, dir string) (list []string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || path == dir {
			return err
		}
		text := d.Type().String()
		if d.Type().IsRegular() {
			b, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			text = string(b)
		}
		list = append(list, path+": "+text)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// TestPlanWritesNothing: over a file that is there, of a plan that does not reach, beside --between, into a place that cannot be: nothing is changed, and the reason is told.
func TestPlanWritesNothing(t *testing.T) {
	lane := filepath.Join(lanes, "hill-orchard.toml")
	for _, tc := range []struct {
		what string
		make func(dir string) error
		into string
		args []string
		code int
		want string
	}{
		{"a file of the owner's", func(dir string) error {
			return os.WriteFile(filepath.Join(dir, "node-oak-relay.toml"), []byte("mine"), 0o600)
		}, "", nil, exitUsage, "found node-oak-relay.toml in "},
		{"a link that leads nowhere", func(dir string) error { return os.Symlink("nowhere", filepath.Join(dir, "survey.json")) }, "", nil, exitUsage, "found survey.json in "},
		{"not reached", nil, "new", []string{"--noise", "50"}, exitFailed, "nothing was written into "},
		{"between", nil, "new", []string{"--between", "river-gate,house"}, exitUsage, "--write: the files are of a whole plan"},
		{"below a file", func(dir string) error { return os.WriteFile(filepath.Join(dir, "sub"), nil, 0o600) }, "sub/orchard", nil, exitUsage, "sub: found a file, expected a directory"},
		{"in place of a file", func(dir string) error { return os.WriteFile(filepath.Join(dir, "sub"), nil, 0o600) }, "sub", nil, exitUsage, "sub: found a file, expected a directory"},
	} {
		t.Run(tc.what, func(t *testing.T) {
			dir := t.TempDir()
			if tc.make != nil {
				if err := tc.make(dir); err != nil {
					t.Fatal(err)
				}
			}
			before := contents(t, dir)
			code, out, errs := cli("", append([]string{"plan", lane, "--write", filepath.Join(dir, tc.into)}, tc.args...)...)
			if code != tc.code || !strings.Contains(errs, tc.want) || strings.Contains(out, "Written into") {
				t.Errorf("exit code %d, %q, want %d and %q", code, errs, tc.code, tc.want)
			}
			if after := contents(t, dir); !slices.Equal(before, after) {
				t.Errorf("%q became %q", before, after)
			}
		})
	}
}

// orchardPlan is the plan of the hill orchard by its defaults.
func orchardPlan(t *testing.T) *plan.Plan {
	t.Helper()
	l, err := config.ReadLane(filepath.Join(lanes, "hill-orchard.toml"))
	if err != nil {
		t.Fatal(err)
	}
	p, err := plan.Make(l, plan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// TestPlanAllOrNothing: whichever of the files cannot be written, none stays, nor the directory that was made for them.
func TestPlanAllOrNothing(t *testing.T) {
	p := orchardPlan(t)
	failed := errors.New("the card is full")
	for k := 0; ; k++ {
		root := t.TempDir()
		n := 0
		_, err := writePlan(p, filepath.Join(root, "a", "b"), "lane.toml", func(path string, data []byte, o wholefile.Options) error {
			if n++; n > k {
				return failed
			}
			return wholefile.Write(path, data, o)
		})
		if err == nil {
			if k != 7 {
				t.Errorf("%d files, want 7", k)
			}
			return
		}
		if left := contents(t, root); !errors.Is(err, failed) || left != nil {
			t.Fatalf("after file %d: %v, and %q stays", k, err, left)
		}
	}
}

// TestPlanWrittenBeside: a file that somebody else makes at the last moment is his, and nothing of the plan stays.
func TestPlanWrittenBeside(t *testing.T) {
	p := orchardPlan(t)
	dir := t.TempDir()
	_, err := writePlan(p, dir, "lane.toml", func(path string, data []byte, o wholefile.Options) error {
		if filepath.Base(path) == "scenario.toml" {
			if err := os.WriteFile(path, []byte("mine"), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		return wholefile.Write(path, data, o)
	})
	if left := contents(t, dir); !errors.Is(err, fs.ErrExist) || !slices.Equal(left, []string{filepath.Join(dir, "scenario.toml") + ": mine"}) {
		t.Errorf("%v, %q stays", err, left)
	}
}

// TestPlanWrittenAsJSON: the listing does not get into what machines read.
func TestPlanWrittenAsJSON(t *testing.T) {
	code, out, errs := cli("", "plan", filepath.Join(lanes, "hill-orchard.toml"), "--json", "--write", t.TempDir())
	if code != exitDone || !json.Valid([]byte(out)) || !strings.Contains(errs, "longlane enrol add oak-relay --relay") {
		t.Errorf("exit code %d, %s, %s", code, out, errs)
	}
}
