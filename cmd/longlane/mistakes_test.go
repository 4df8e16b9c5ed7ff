package main

import (
	"encoding/json"
	"strings"
	"testing"
)

// TestConfigMistakes: what is wrong with the config, the state directory's site included, ends run, check and check --json
// alike with the code for a bad config, and check calls nothing good that is not.
func TestConfigMistakes(t *testing.T) {
	h := newHouse(t, "river-gate")
	text := h.text("longlane.toml")
	for _, c := range []struct{ name, text, want string }{
		{"another site", strings.Replace(text, `"hill-orchard"`, `"mill"`, 1), `"hill-orchard"`},
		{"zone name", text + "[zone.\"River Gate\"]\ntitle = \"River gate\"\n", "River Gate"},
		{"zone key", text + "[zone.river-gate]\ntitel = \"River gate\"\n", "expected one of title"},
		{"zone type", text + "[zone]\nriver-gate = \"River gate\"\n", "zone.river-gate"},
	} {
		h.write("bad.toml", c.text)
		for _, args := range [][]string{{"check"}, {"run"}, {"check", "--json"}} {
			code, out, errs := cli("", append(args, "--config", h.path("bad.toml"))...)
			if code != exitUsage || !strings.Contains(strings.ReplaceAll(out, `\"`, `"`)+errs, c.want) {
				t.Errorf("%s: longlane %q: exit code %d, %q, %q; want %d and %q", c.name, args, code, out, errs, exitUsage, c.want)
			}
			if strings.Contains(out+errs, "is good") {
				t.Errorf("%s: longlane %q says %q", c.name, args, out)
			}
		}
	}
}

// TestCheckRoster: a config is not called good before the list of nodes has been read; --json tells of it too.
func TestCheckRoster(t *testing.T) {
	h := newHouse(t, "river-gate")
	check := func(args ...string) (int, string, string) {
		return cli("", append([]string{"check", "--config", h.path("longlane.toml")}, args...)...)
	}
	if code, out, errs := check(); code != exitDone || !strings.Contains(out, "is good") || !strings.Contains(out, "nodes: 1 enrolled") {
		t.Fatalf("check: exit code %d, %q, %q", code, out, errs)
	}
	h.write("state/roster.json", "{")
	if code, out, errs := check(); code != exitFailed || out != "" || !strings.Contains(errs, "roster.json") {
		t.Errorf("check with a damaged roster: exit code %d, %q, %q; want %d and no word of good", code, out, errs, exitFailed)
	}
	code, out, _ := check("--json")
	var said struct {
		OK       bool
		Problems []struct{ Message string }
	}
	if err := json.Unmarshal([]byte(out), &said); err != nil || code != exitFailed || said.OK || len(said.Problems) != 1 ||
		!strings.Contains(said.Problems[0].Message, "roster.json") {
		t.Errorf("check --json with a damaged roster: exit code %d, %v, %s", code, err, out)
	}
}
