package main

import (
	"encoding/json"
	"flag"
	"fmt"
	"maps"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
)

var update = flag.Bool("update", false, "write golden files anew")

// TestReadiness: /readyz follows modem and broker away and back, and names what is missing; /healthz is about the queue
// and stays good; and the metrics of a gateway that works are those of the golden list, so that no name changes by
// accident under somebody's dashboard.
func TestReadiness(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "oak-relay", "river-gate")
	h.write("scenario.toml", "name = \"ready\"\nseed = 4\n"+tomlRelay+tomlNode("river-gate", "oak-relay", 1800))
	h.openHouse()
	h.startGateway()
	h.awaitParts(503, map[string]bool{"bearer mast": false, "sink mqtt": true, "queue": true, "serving": true})
	sim := h.startSim()
	h.awaitParts(200, map[string]bool{"bearer mast": true, "sink mqtt": true, "queue": true, "serving": true})
	h.breakBroker()
	h.awaitParts(503, map[string]bool{"bearer mast": true, "sink mqtt": false, "queue": true, "serving": true})
	if code := h.status("/healthz"); code != 200 {
		t.Errorf("/healthz answers %d without a broker, want 200", code)
	}
	h.openHouse()
	h.awaitParts(200, map[string]bool{"bearer mast": true, "sink mqtt": true, "queue": true, "serving": true})
	sim.stop()
	h.awaitParts(503, map[string]bool{"bearer mast": false, "sink mqtt": true, "queue": true, "serving": true})
	h.startSim()
	h.awaitParts(200, map[string]bool{"bearer mast": true, "sink mqtt": true, "queue": true, "serving": true})
	eventually(t, time.Minute, "a trip", func() bool { return len(h.sub.ids()) > 0 })
	_, text := h.get("/metrics")
	compareGolden(t, "testdata/metrics.txt", families(t, text))
}

// awaitParts waits until /readyz answers with this code and these parts.
func (h *house) awaitParts(code int, want map[string]bool) {
	h.t.Helper()
	last := ""
	defer func() {
		if h.t.Failed() {
			h.t.Logf("/readyz last said %s", last)
		}
	}()
	eventually(h.t, time.Minute, fmt.Sprintf("/readyz to answer %d with %v", code, want), func() bool {
		got, text := h.get("/readyz")
		last = fmt.Sprint(got, " ", text)
		var said struct {
			OK    bool
			Parts map[string]bool
		}
		return json.Unmarshal([]byte(text), &said) == nil && got == code && said.OK == (code == 200) && maps.Equal(said.Parts, want)
	})
}

var sample = regexp.MustCompile(`^(longlane_[a-z_]+)(?:\{(.*)\})? `)
var label = regexp.MustCompile(`([a-z_]+)="(?:[^"\\]|\\.)*"`)

// families lists the gateway's own metrics: name, type, labels.
func families(t *testing.T, text string) string {
	t.Helper()
	types, labels := map[string]string{}, map[string]map[string]bool{}
	for line := range strings.Lines(text) {
		if strings.Contains(line, "longlane_fault_standing") { // there only while one stands; gateway/metrics holds its labels
			continue
		}
		if f := strings.Fields(line); len(f) == 4 && f[1] == "TYPE" && strings.HasPrefix(f[2], "longlane_") {
			types[f[2]], labels[f[2]] = f[3], map[string]bool{}
			continue
		}
		m := sample.FindStringSubmatch(line)
		if m == nil {
			continue
		}
		name := m[1]
		for _, suffix := range []string{"_bucket", "_sum", "_count"} {
			if base, cut := strings.CutSuffix(name, suffix); cut && types[base] == "histogram" {
				name = base
			}
		}
		if labels[name] == nil {
			t.Errorf("%s has no type", name)
			continue
		}
		for _, l := range label.FindAllStringSubmatch(m[2], -1) {
			if l[1] != "le" {
				labels[name][l[1]] = true
			}
		}
	}
	var out strings.Builder
	for _, name := range slices.Sorted(maps.Keys(types)) {
		words := []string{name, types[name], strings.Join(slices.Sorted(maps.Keys(labels[name])), ",")}
		fmt.Fprintln(&out, strings.TrimSpace(strings.Join(words, " ")))
	}
	return out.String()
}

// compareGolden holds got against a file under version control. After a change that is meant:
//
//	go test ./cmd/longlane -run TestReadiness -update
func compareGolden(t *testing.T, path, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatalf("%v; it should hold:\n%s", err, got)
	}
	if got != string(want) {
		t.Errorf("the metrics differ from %s; now they are:\n%s", path, got)
	}
}
