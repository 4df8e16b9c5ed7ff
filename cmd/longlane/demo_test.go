package main

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"longlane/gateway/config"
)

// TestDemoInterrupted: whoever ends the demo while its broker is away is not told that trips were lost. They wait in the
// queue; the demo brings the broker back, counts them, and leaves nothing behind.
func TestDemoInterrupted(t *testing.T) {
	h := newHouse(t, "river-gate")
	t.Setenv("TMPDIR", h.dir)
	p := h.start("demo", "--for", "29s")
	eventually(t, time.Minute, "the broker to go away", func() bool { return strings.Contains(h.text("demo.log"), "the broker goes away") })
	files := func() []string {
		list, _ := filepath.Glob(h.path("longlane-demo-*/sim.jsonl"))
		return list
	}
	if len(files()) != 1 {
		t.Fatalf("the demo's record of the air is in %q, want one file in TMPDIR", files())
	}
	air := func() *simCounts {
		s, err := readSim(files()[0])
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	before := air().made
	eventually(t, time.Minute, "a receipt for a trip made while the broker is away", func() bool {
		for id := range air().released {
			if !before[id] {
				return true
			}
		}
		return strings.Contains(h.text("demo.log"), "the broker comes back")
	})
	if code := p.stop(); code != exitDone {
		t.Errorf("the demo ended with %d", code)
	}
	if text := h.text("demo.log"); !strings.Contains(text, "With a receipt and not delivered: 0") {
		t.Errorf("no good summary:\n%s", text)
	}
	if left := files(); len(left) != 0 {
		t.Errorf("the demo left %q behind", left)
	}
}

// TestPrometheus: a real Prometheus scrapes the demo's gateway, has its metrics, and takes the alert rules.
func TestPrometheus(t *testing.T) {
	h := newHouse(t, "river-gate")
	t.Setenv("TMPDIR", h.dir)
	demo := h.start("demo", "--for", "1h")
	page := regexp.MustCompile(`http://(127\.0\.0\.1:\d+)/`)
	eventually(t, time.Minute, "the demo to tell its address", func() bool { return page.MatchString(h.text("demo.log")) })
	rules, err := filepath.Abs("../../gateway/metrics/alerts.yml")
	if err != nil {
		t.Fatal(err)
	}
	h.write("prometheus.yml", fmt.Sprintf("global: { scrape_interval: 1s, evaluation_interval: 1s }\nrule_files: [%q]\n"+
		"scrape_configs: [{ job_name: longlane-orchard, static_configs: [{ targets: [%q] }] }]\n", rules, page.FindStringSubmatch(h.text("demo.log"))[1]))
	address := freeAddr(t)
	startProcess(t, exec.Command(programPath(t, "prometheus"), "--config.file="+h.path("prometheus.yml"), "--storage.tsdb.path="+h.path("tsdb"), "--web.listen-address="+address))
	ask := func(path string, into any) bool {
		resp, err := http.Get("http://" + address + path)
		if err != nil {
			return false
		}
		defer resp.Body.Close()
		return json.NewDecoder(resp.Body).Decode(into) == nil
	}
	value := func(query string) (v float64, ok bool) {
		var said struct {
			Data struct {
				Result []struct{ Value [2]any }
			}
		}
		if !ask("/api/v1/query?query="+url.QueryEscape(query), &said) || len(said.Data.Result) != 1 {
			return 0, false
		}
		text, _ := said.Data.Result[0].Value[1].(string)
		v, err := strconv.ParseFloat(text, 64)
		return v, err == nil
	}
	for query, least := range map[string]float64{`up{job="longlane-orchard"}`: 1, `longlane_bearer_up{bearer="mast"}`: 1, `longlane_frames_total{bearer="mast",verdict="accepted"}`: 1,
		`longlane_hop_margin_db{from="cattle-grid",to="house"}`: 0, `longlane_faults_standing{severity="trouble"}`: 0, `longlane_publish_duration_seconds_count{sink="mqtt",lane="live"}`: 1} {
		eventually(t, time.Minute, "Prometheus to know of "+query, func() bool { v, ok := value(query); return ok && v >= least })
	}
	var said struct {
		Data struct {
			Groups []struct {
				Rules []struct{ Name, Health, LastError string }
			}
		}
	}
	eventually(t, time.Minute, "all rules to have been judged", func() bool {
		said.Data.Groups = nil
		if !ask("/api/v1/rules", &said) || len(said.Data.Groups) != 1 {
			return false
		}
		return !slices.ContainsFunc(said.Data.Groups[0].Rules, func(r struct{ Name, Health, LastError string }) bool { return r.Health != "ok" })
	})
	if n := len(said.Data.Groups[0].Rules); n < 5 {
		t.Errorf("Prometheus has %d rules", n)
	}
	demo.stop()
	eventually(t, time.Minute, "Prometheus to miss the demo", func() bool { v, ok := value(`up{job="longlane-orchard"}`); return ok && v == 0 })
}

// TestDemoLane: the demo's lane is one, and has each of its nodes.
func TestDemoLane(t *testing.T) {
	l, err := config.ParseLane("lane.toml", []byte(demoLane), nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"house", "oak-relay", "river-gate", "ridge-gate", "cattle-grid"} {
		if l.Site(name) == nil {
			t.Errorf("%s stands nowhere", name)
		}
	}
}
