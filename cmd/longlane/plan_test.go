package main

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// planned is what the tests look at of a plan in JSON.
type planned struct {
	Met    bool
	Relays []string
	Cost   *float64
	Bound  *float64 `json:"cost_at_least"`
	Zones  []struct {
		Zone   string
		Served bool
		Within float64 `json:"in_time"`
		Hops   []struct {
			From, To string
			Margin   float64 `json:"margin_db"`
			Need     float64 `json:"need_dbm"`
		}
	}
	Advice []struct {
		Change string
		Meets  bool `json:"meets_goal"`
	}
}

func planJSON(t *testing.T, want int, args ...string) (p planned) {
	t.Helper()
	code, out, errs := cli("", append([]string{"plan", "--json"}, args...)...)
	if code != want {
		t.Fatalf("longlane plan %q: exit code %d, %s; want %d", args, code, errs, want)
	}
	if err := json.Unmarshal([]byte(out), &p); err != nil {
		t.Fatalf("%v in\n%s", err, out)
	}
	return p
}

// TestPlanOfTheExample: the example's lane is planned with the relay that stands there, all zones keep the goal, and the report for
// people says so, with the cautions once.
func TestPlanOfTheExample(t *testing.T) {
	file := filepath.Join(lanes, "hill-orchard.toml")
	p := planJSON(t, exitDone, file)
	if !p.Met || len(p.Relays) != 1 || p.Relays[0] != "oak-relay" || p.Cost == nil || p.Bound == nil || math.Abs(*p.Cost-*p.Bound) > 1e-6 || len(p.Zones) != 3 {
		t.Errorf("%+v", p)
	}
	for _, z := range p.Zones {
		if !z.Served || z.Within < 0.999 || len(z.Hops) == 0 || z.Hops[len(z.Hops)-1].To != "house" {
			t.Errorf("%+v", z)
		}
	}
	code, out, errs := cli("", "plan", file, "--cable", "12 V,100 m,0.5mm2, 100 mA")
	if code != exitDone || errs != "" {
		t.Fatalf("exit code %d, %q", code, errs)
	}
	for _, want := range []string{"Relays: oak-relay (stands already)", "nothing cheaper meets the goal", "free space", "plants in leaf", "the river wood",
		"takes 0.72 V of 12 V at 0.1 A", "What decides", "certified intruder", "licensed practice", "your regulator"} {
		if n := strings.Count(strings.Join(strings.Fields(out), " "), want); n == 0 || strings.Contains("certified intruder licensed practice", want) && n != 1 {
			t.Errorf("the report has %q %d times", want, n)
		}
	}
}

// TestPlanForOwnMovers: with --config the beams are told of for who passes by that gateway's [passage], and for nobody else.
func TestPlanForOwnMovers(t *testing.T) {
	file := filepath.Join(lanes, "hill-orchard.toml")
	for own, args := range map[bool][]string{false: nil, true: {"--config", filepath.Join("../../testdata/config", "hill-orchard.toml")}} {
		code, out, errs := cli("", append([]string{"plan", file}, args...)...)
		if code != exitDone {
			t.Fatalf("exit code %d, %q", code, errs)
		}
		for _, name := range []string{"leaf", "bicycle"} {
			if strings.Contains(out, "\n    "+name+" ") == own {
				t.Errorf("with movers of its own %v: %s is there or not, wrongly:\n%s", own, name, out)
			}
		}
		if !strings.Contains(out, "\n    person ") || !strings.Contains(out, "\n    car ") || strings.Contains(out, "height is not known") {
			t.Errorf("with movers of its own %v: person and car, and how high they are, are to be there in\n%s", own, out)
		}
	}
}

// TestPlanThatCannotBe: a goal that nothing meets is told with exit code 1, what lacks, and what would help.
func TestPlanThatCannotBe(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(lanes, "hill-orchard.toml"))
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "lane.toml")
	if err := os.WriteFile(file, []byte(strings.Replace(string(text), `antenna_height = "2.5 m"`, `antenna_height = "10 cm"`, 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	goal := []string{"--goal", "99.9 %, 2s, 30 dB", file}
	p := planJSON(t, exitFailed, goal...)
	if p.Met || p.Cost != nil || len(p.Advice) == 0 {
		t.Errorf("%+v", p)
	}
	code, out, errs := cli("", append([]string{"plan"}, goal...)...)
	if code != exitFailed || !strings.Contains(errs, "cannot be met") || !strings.Contains(out, "NOT REACHED: the best way lacks") || !strings.Contains(out, "What would help") {
		t.Errorf("exit code %d, %q\n%s", code, errs, out)
	}
}

// TestPlanBetween: two sites are told of for people and for machines, with the plan's own figures for a hop that it uses, and a goal that they do not keep is
// no failure.
func TestPlanBetween(t *testing.T) {
	file := filepath.Join(lanes, "hill-orchard.toml")
	p := planJSON(t, exitDone, file)
	hop := p.Zones[0].Hops[0] // of the cattle grid, by SF8 and 125 kHz
	code, text, errs := cli("", "plan", file, "--between", hop.From+", "+hop.To)
	if code != exitDone || errs != "" || !strings.Contains(text, "what the goal asks of a single hop") || !strings.Contains(text, fmt.Sprintf(" %.1f ", hop.Margin)) {
		t.Errorf("exit code %d, %s, or no %.1f dB in\n%s", code, errs, hop.Margin, text)
	}
	code, out, errs := cli("", "plan", file, "--goal", "99.9 %, 300 ms", "--between", hop.From+","+hop.To, "--json")
	var pair struct {
		Bearers []struct {
			Setting *struct{ Name string }
			Margin  float64 `json:"margin_db"`
			Need    float64 `json:"need_dbm"`
		}
	}
	if err := json.Unmarshal([]byte(out), &pair); err != nil || code != exitDone || errs != "" || len(pair.Bearers) != 14 {
		t.Fatalf("exit code %d, %s, %v in\n%s", code, errs, err, out)
	}
	if b := pair.Bearers[1]; b.Setting.Name != "SF8, 125 kHz" || b.Margin != hop.Margin || b.Need != hop.Need {
		t.Errorf("%+v between the two, %+v in the plan", b, hop)
	}
}

// TestPlanMistakes: bad usage and bad lanes end with 2 and a word of what is wrong.
func TestPlanMistakes(t *testing.T) {
	file := filepath.Join(lanes, "hill-orchard.toml")
	for _, c := range []struct {
		args []string
		want string
	}{
		{nil, "expected the lane file"},
		{[]string{"nowhere.toml"}, "nowhere.toml"},
		{[]string{file, "--goal", "fast"}, `found "fast", expected a share, a time and a margin`},
		{[]string{file, "--goal", "20 %"}, "share of trips: found 20 %, expected 50 to 99.999 %"},
		{[]string{file, "--goal", "NaN dB"}, "goal: margin"},
		{[]string{file, "--goal", "99 %, 0 dB"}, `found "0 dB", expected more than 0`},
		{[]string{file, "--goal", "0 %"}, `found "0 %", expected more than 0`},
		{[]string{file, "--goal", "0s"}, `found "0s", expected more than 0`},
		{[]string{file, "--goal", "99 %, 3 s, 98 %"}, `found "98 %" beside another of its kind`},
		{[]string{file, "--sun", "0"}, "--sun and --outage: found 0"},
		{[]string{file, "--outage", "0s"}, "--sun and --outage: found 0"},
		{[]string{file, "--cost", "gold=1"}, `found "gold", expected modem`},
		{[]string{file, "--cost", "node=-1"}, "cost of a node: found -1, expected 0 to 1000000000\n"},
		{[]string{file, "--cost", "relay-solar=-1"}, "cost of a relay on solar: found -1, expected 0 to 1000000000\n"},
		{[]string{file, "--noise", "-2"}, "--noise"},
		{[]string{file, "--noise", "NaN"}, "noise of the place"},
		{[]string{file, "--trips", "0"}, "--trips: found 0, expected a number above 0"},
		{[]string{file, "--battery", "-5"}, "--battery: found -5, expected Wh above 0"},
		{[]string{file, "--sun", "30"}, "sun hours"},
		{[]string{file, "--cable", "100 m, 0.75 mm2, 12 V"}, "expected four"},
		{[]string{file, "--cable", "100 m, 0.7 mm2, 12 V, 1 A"}, "cross-section: found 0.7 mm²"},
		{[]string{file, "--cable", "100 ft, 0.75 mm2, 12 V, 1 A"}, `found "100 ft"`},
		{[]string{file, "--cable", "m, 0.75 mm2, 12 V, 1 A"}, `found "m"`},
		{[]string{file, "--config", "nowhere.toml"}, "nowhere.toml"},
		{[]string{file, "--config", file}, `hill-orchard.toml:14:2: (file): found a lane file, which describes the place, expected the gateway's configuration, which names that by lane = "FILE"` + "\n"},
		{[]string{filepath.Join("../../testdata/config", "hill-orchard.toml")}, "(file): found a gateway's configuration, expected a lane file, which describes the place: tables [terrain] and [site.NAME]\n"},
		{[]string{file, "--between", "house"}, `--between: found "house", expected two sites with a comma`},
		{[]string{file, "--between", "house,moon"}, `found "moon"`},
	} {
		if code, out, errs := cli("", append([]string{"plan"}, c.args...)...); code != exitUsage || out != "" || !strings.Contains(errs, c.want) {
			t.Errorf("longlane plan %q: exit code %d, %q; want %d and %q", c.args, code, errs, exitUsage, c.want)
		}
	}
}

// TestReadmePlan: what README.md shows of the plan is what the command that stands there writes, word by word.
func TestReadmePlan(t *testing.T) {
	commands := blocksOf(t, "The plan")
	if len(commands) != 1 {
		t.Fatalf("%d blocks of commands, want 1", len(commands))
	}
	args := strings.Fields(commands[0])[1:]
	args[len(args)-1] = filepath.Join("../..", args[len(args)-1])
	code, out, errs := cli("", args...)
	if code != exitDone {
		t.Fatalf("%s: exit code %d, %q", commands[0], code, errs)
	}
	shown := 0
	for i, part := range strings.Split(sectionOf(t, "The plan"), "```") {
		if i%2 == 0 || strings.HasPrefix(part, "sh\n") {
			continue
		}
		for block := range strings.SplitSeq(strings.TrimSpace(part), "\n\n") {
			if shown++; !strings.Contains(out, block) {
				t.Errorf("README.md shows\n%s\nwhich is not in\n%s", block, out)
			}
		}
	}
	if shown < 6 {
		t.Errorf("README.md shows %d pieces of the report", shown)
	}
}
