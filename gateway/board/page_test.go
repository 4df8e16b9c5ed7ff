package board

import (
	"strings"
	"testing"
	"time"

	"longlane/gateway/health"
)

// TestVerdict: the first sentence never says more than is known.
func TestVerdict(t *testing.T) {
	now := time.Now()
	all := func(s *Situation, state string) {
		for i := range s.Zones {
			s.Zones[i].State = state
		}
	}
	for _, c := range []struct {
		name        string
		change      func(*Situation)
		class, head string
		why         int
	}{
		{"a good day", func(*Situation) {}, "well", "Silence can be trusted: every gate is watched.", 0},
		{"somebody at the gate", func(s *Situation) { s.Zones[0].State = Tripped }, "well", "Silence can be trusted: every gate is watched.", 0},
		{"one not watched", func(s *Situation) { s.Zones[0].State = Unwatched }, "trouble", "Silence can be trusted at 3 of 4 gates.", 1},
		{"one blocked", func(s *Situation) { s.Zones[0].State = Blocked }, "trouble", "Silence can be trusted at 3 of 4 gates.", 1},
		{"none watched", func(s *Situation) { all(s, Unwatched) }, "trouble", "Silence means nothing: no gate is watched.", 4},
		{"no bearer", func(s *Situation) { s.Bearers[0].Up, s.Bearers[1].Up = false, false }, "trouble", "Nothing can be heard.", 2},
		{"one bearer", func(s *Situation) { s.Bearers[1].Up = false }, "watch", "Every gate is watched, but not everybody would hear it.", 1},
		{"no broker", func(s *Situation) { s.Sinks[0].Up = false }, "watch", "Every gate is watched, but not everybody would hear it.", 1},
		{"a silent chime", func(s *Situation) { s.Annunciators[1].Up = false }, "watch", "Every gate is watched, but not everybody would hear it.", 1},
		{"no gate", func(s *Situation) { s.Zones = nil }, "watch", "No gate is set up yet.", 1},
		{"a full disk", func(s *Situation) {
			s.Faults = []Fault{{Verdict: health.Verdict{Code: health.DiskFilling, Severity: health.Trouble, Reason: "The room for events is used up."}}}
		}, "trouble", "Every gate is watched, but there is trouble: do not rely on silence.", 1},
		{"something to see to", func(s *Situation) {
			s.Faults = []Fault{{Verdict: health.Verdict{Code: health.BatteryFades, Severity: health.Watch}}}
		}, "well", "Silence can be trusted: every gate is watched.", 0},
		{"no clock", func(s *Situation) { s.Clock = ClockUnset }, "well", "Silence can be trusted: every gate is watched.", 1},
	} {
		s := orchard(now).now
		c.change(&s)
		if v := judge(&s); v.Class != c.class || v.Head != c.head || len(v.Why) != c.why {
			t.Errorf("%s: %+v", c.name, v)
		}
	}
}

// TestPageSaysItAll: whatever the issue asks to be on the page is there as words.
func TestPageSaysItAll(t *testing.T) {
	s := orchard(time.Now()).trouble()
	s.now.Sinks[0].Up, s.now.Sinks[0].Why, s.now.Sinks[0].Waiting, s.now.Sinks[0].Oldest = false, "connection refused", 3, 65
	s.now.Queue.Waiting = 3
	body := get(newBoard(t, s), "/").Body.String()
	for what, want := range map[string]string{
		"a hop's margin":    "<strong>11 dB</strong>, 9 to 14 over the last day",
		"RSSI and SNR":      "RSSI −106 dBm, SNR 3.8 dB",
		"battery":           "battery 4.05 V",
		"watched time":      "Watched 23 h 20 min of the last 24 h.",
		"a gap's cause":     "two check-ins were missed.",
		"a weak supervisor": "by radio only: its wire is not supervised",
		"a fault's reason":  "has not been heard for 47 min",
		"its remedy":        "Look at its power first",
		"its evidence":      "check-in period 900 s",
		"airtime":           "7.4 s of 6 min lawful in an hour",
		"the noise floor":   "noise floor −112 dBm, −118 to −104 over the last day",
		"the queue":         "3 events not everywhere yet, 412 KiB of 64.0 MiB used",
		"a sink":            "is not reached</strong>: connection refused · 3 events wait, the oldest 1 min 5 s",
		"an annunciator":    "Would not sound here</strong>: nothing was heard of it for 2 h",
		"a late trip":       "told late, so it did not sound",
		"curves":            `href="/node/river-gate?span=year"`,
		"to scale":          "to scale, north up",
		"the caution":       "not a certified intruder or life-safety alarm",
	} {
		if !strings.Contains(body, want) {
			t.Errorf("%s: the page lacks %q", what, want)
		}
	}
}

func TestWords(t *testing.T) {
	for got, want := range map[string]string{
		ago(0): "just now", ago(59): "59 s ago", ago(99.4): "99 s ago", ago(600): "10 min ago", ago(7200): "2 h ago", ago(300000): "3 days ago",
		long(0): "0 s", long(59.6): "1 min", long(61): "1 min 1 s", long(3600): "1 h", long(84000): "23 h 20 min", long(86400): "24 h", long(200000): "2 days 7 h", long(172800): "2 days",
		metresText(87.4): "87 m", metresText(1320): "1.32 km", metresText(12345): "12 km", words("ridge-relay"): "Ridge relay", words(""): "",
		byteCount(412 << 10): "412 KiB", byteCount(3 << 29): "1.5 GiB", severityWord(health.Watch): "See to it soon",
		because("no power."): ": no power.", because(""): ".",
	} {
		if got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

// TestOneLookForMany: those who look within a moment share what was made, and an event has it made anew.
func TestOneLookForMany(t *testing.T) {
	s := orchard(time.Now())
	b := newBoard(t, s)
	b.until = time.Now().Add(time.Hour)
	b.made = b.buildMain(t.Context())
	s.change(func(n *Situation) { n.Nodes[0].Reason, n.Nodes[0].Severity = "It has changed.", health.Watch })
	if strings.Contains(get(b, "/").Body.String(), "It has changed.") {
		t.Error("it was made anew, though nobody had told of anything")
	}
	b.Tell(Event{Kind: OnChange})
	if !strings.Contains(get(b, "/").Body.String(), "It has changed.") {
		t.Error("after an event the old one is shown")
	}
	s.fail = errNoDisk
	b.Tell(Event{Kind: OnChange})
	if body := get(b, "/").Body.String(); !strings.Contains(body, "The history cannot tell now: the disk is away") || !strings.Contains(body, "River gate") {
		t.Error("without history the page does not say so, or says nothing else")
	}
}

type diskError struct{}

func (diskError) Error() string { return "the disk is away" }

var errNoDisk = diskError{}
