package metrics

import (
	"io"
	"math"
	"net/http/httptest"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"
	"time"
)

func scrape(m *Metrics) string {
	w := httptest.NewRecorder()
	m.Handler().ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	b, _ := io.ReadAll(w.Body)
	return string(b)
}

func lists() Lists {
	return Lists{Bearers: []string{"mast"}, Verdicts: []string{"accepted", "mac"}, Hints: []string{"beacon"}, Drops: []string{"packet"},
		Sinks: map[string][]string{"mqtt": {"lost"}}, Annunciators: []string{"-", "shop"}, Whats: []string{"sounded"}}
}

// TestNoneIsNotUnknown: every label value of a closed list is there at zero before anything has happened.
func TestNoneIsNotUnknown(t *testing.T) {
	text := scrape(New(lists()))
	for _, want := range []string{
		`longlane_frames_total{bearer="mast",verdict="accepted"} 0`,
		`longlane_frames_total{bearer="mast",verdict="mac"} 0`,
		`longlane_receipts_total{bearer="mast",result="sent"} 0`,
		`longlane_hints_total{bearer="mast",result="late",what="beacon"} 0`,
		`longlane_session_ends_total{reason="lost",sink="mqtt"} 0`,
		`longlane_drops_total{what="packet"} 0`,
		`longlane_publish_failures_total{lane="backlog",sink="mqtt"} 0`,
		`longlane_publish_duration_seconds_count{lane="live",sink="mqtt"} 0`,
		`longlane_commit_duration_seconds_count 0`,
		`longlane_heard_total{annunciator="shop",what="sounded"} 0`,
		`longlane_heard_seconds_count{annunciator="-"} 0`,
		`longlane_unheard_total 0`,
	} {
		if !strings.Contains(text, want+"\n") {
			t.Errorf("no line %q", want)
		}
	}
}

func TestWhatIsToldIsShown(t *testing.T) {
	m := New(lists())
	m.Frame("mast", "accepted")
	m.Hop("river-gate", "oak-relay", -101, 3.25, 10.75, true)
	m.Hop("oak-relay", "house", -40, 12, 19.5, false) // what is not proven is nobody's word
	m.Hop("mill-gate", "house", -120, math.NaN(), 4.5, true)
	m.Receipt("mast", "sent")
	m.Hint("mast", "beacon", "sent")
	m.Committed(3*time.Millisecond, false)
	m.Committed(time.Second, true)
	m.Published("mqtt", "live", 4*time.Millisecond, true)
	m.Published("mqtt", "live", time.Second, false)
	m.Session("mqtt", "lost")
	m.Dropped("packet")
	m.Heard("shop", "sounded", 30*time.Millisecond)
	m.Unheard()
	m.Tested("river-gate", true, 1500*time.Millisecond)
	m.Tested("river-gate", false, 500*time.Millisecond)
	up := true
	m.Up("bearer", "mast", func() bool { return up })
	m.Gauge("queue_waiting_events", "Waiting.", map[string]string{"sink": "mqtt"}, func() float64 { return 7 })
	text := scrape(m)
	for _, want := range []string{
		`longlane_frames_total{bearer="mast",verdict="accepted"} 1`,
		`longlane_hop_rssi_dbm{from="river-gate",to="oak-relay"} -101`,
		`longlane_hop_snr_db{from="river-gate",to="oak-relay"} 3.25`,
		`longlane_hop_margin_db{from="river-gate",to="oak-relay"} 10.75`,
		`longlane_hop_margin_db{from="mill-gate",to="house"} 4.5`,
		`longlane_hop_frames_total{from="oak-relay",to="house",verified="no"} 1`,
		`longlane_receipts_total{bearer="mast",result="sent"} 1`,
		`longlane_hints_total{bearer="mast",result="sent",what="beacon"} 1`,
		`longlane_commit_duration_seconds_count 1`,
		`longlane_commit_failures_total 1`,
		`longlane_publish_duration_seconds_count{lane="live",sink="mqtt"} 1`,
		`longlane_publish_failures_total{lane="live",sink="mqtt"} 1`,
		`longlane_session_ends_total{reason="lost",sink="mqtt"} 1`,
		`longlane_drops_total{what="packet"} 1`,
		`longlane_bearer_up{bearer="mast"} 1`,
		`longlane_queue_waiting_events{sink="mqtt"} 7`,
		`longlane_heard_total{annunciator="shop",what="sounded"} 1`,
		`longlane_heard_seconds_count{annunciator="shop"} 1`,
		`longlane_unheard_total 1`,
		`longlane_test_trips_total{node="river-gate",passed="yes"} 1`,
		`longlane_test_trips_total{node="river-gate",passed="no"} 1`,
		`longlane_test_trip_seconds{node="river-gate"} 0.5`,
	} {
		if !strings.Contains(text, want+"\n") {
			t.Errorf("no line %q in\n%s", want, text)
		}
	}
	for _, no := range []string{`longlane_hop_rssi_dbm{from="oak-relay"`, `longlane_hop_margin_db{from="oak-relay"`, `longlane_hop_snr_db{from="mill-gate"`} {
		if strings.Contains(text, no) {
			t.Errorf("%s: figures that are not proven, or not known, are shown", no)
		}
	}
	up = false
	if !strings.Contains(scrape(m), `longlane_bearer_up{bearer="mast"} 0`) {
		t.Error("a bearer that is down is not shown as down")
	}
}

// TestPromtool has Prometheus' own judge read the exposition.
func TestPromtool(t *testing.T) {
	tool, err := exec.LookPath("promtool")
	if err != nil {
		t.Fatal("promtool is missing; run: make setup")
	}
	m := New(lists())
	m.Frame("mast", "accepted")
	m.Hop("river-gate", "house", -90, 6, 18.5, true)
	m.Faults(func() []Fault { return []Fault{{"overdue", "trouble", "node", "river-gate", ""}} })
	cmd := exec.Command(tool, "check", "metrics")
	cmd.Stdin = strings.NewReader(scrape(m))
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("promtool check metrics: %v\n%s", err, out)
	}
}

// What stands is told at each scrape, and what does not any more is not; how many there are is told though there are none.
func TestFaults(t *testing.T) {
	m := New(lists())
	list := []Fault{{"overdue", "trouble", "node", "river-gate", ""}, {"margin-falls", "watch", "hop", "ridge-gate", "house"}}
	m.Faults(func() []Fault { return list })
	text := scrape(m)
	for _, want := range []string{`longlane_fault_standing{code="overdue",kind="node",of="river-gate",severity="trouble",to=""} 1`,
		`longlane_fault_standing{code="margin-falls",kind="hop",of="ridge-gate",severity="watch",to="house"} 1`,
		`longlane_faults_standing{severity="trouble"} 1`, `longlane_faults_standing{severity="watch"} 1`} {
		if !strings.Contains(text, want+"\n") {
			t.Errorf("no line %q in\n%s", want, text)
		}
	}
	list = nil
	text = scrape(m)
	if strings.Contains(text, "longlane_fault_standing{") || !strings.Contains(text, `longlane_faults_standing{severity="trouble"} 0`+"\n") {
		t.Errorf("what has ended is still told:\n%s", text)
	}
}

// TestAlertRules has promtool judge the alert rules: by their form, and by what they say of invented hours. Each alert has an hour in which it
// fires, and one in which it does not.
func TestAlertRules(t *testing.T) {
	for _, args := range [][]string{{"check", "rules", "alerts.yml"}, {"test", "rules", "testdata/alerts_test.yml"}} {
		if out, err := exec.Command("promtool", args...).CombinedOutput(); err != nil {
			t.Errorf("promtool %s: %v\n%s", strings.Join(args, " "), err, out)
		}
	}
	rules, err := os.ReadFile("alerts.yml")
	if err != nil {
		t.Fatal(err)
	}
	tests, err := os.ReadFile("testdata/alerts_test.yml")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range regexp.MustCompile(`alert: (\w+)`).FindAllStringSubmatch(string(rules), -1) {
		of := strings.Split(string(tests), "- eval_time")
		fires, quiet := false, false
		for _, part := range of {
			if strings.Contains(part, "alertname: "+m[1]+"\n") {
				fires, quiet = fires || strings.Contains(part, "exp_labels"), quiet || strings.Contains(part, "exp_alerts: []")
			}
		}
		if !fires || !quiet {
			t.Errorf("%s: fires in a test: %v, is quiet in one: %v", m[1], fires, quiet)
		}
	}
}
