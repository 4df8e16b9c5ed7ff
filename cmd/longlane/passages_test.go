package main

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"longlane/queue/history"
)

// TestPassages: two zones of the config, a made-up day of theirs, and who went in and out by it: a car that came and left again, somebody who turned
// back, and a trip whose time is not certain, which tells no direction.
func TestPassages(t *testing.T) {
	dir := t.TempDir()
	s, _, err := history.Open(filepath.Join(dir, history.File), history.Options{LeaveFree: 1})
	if err != nil {
		t.Fatal(err)
	}
	day := time.Date(2026, 3, 1, 0, 0, 0, 0, time.Local)
	var b history.Batch
	trip := func(zone string, at, dwell time.Duration, uncertain bool) {
		n := uint32(len(b.Trips) + 1)
		b.Trips = append(b.Trips, history.Trip{ID: history.TripID{Node: 3, Gen: 1, Counter: n}, At: history.Moment{Wall: day.Add(at)}, Zone: zone, Node: zone, Dwell: dwell, Opened: true, Closed: true,
			Uncertain: uncertain, Margin: math.NaN()})
	}
	const car = 480 * time.Millisecond // 4.75 m at 10 m/s
	trip("river-gate", 8*time.Hour, car, false)
	trip("river-bridge", 8*time.Hour+20*time.Second, car, false) // 200 m at 10 m/s
	trip("river-bridge", 17*time.Hour, car, false)
	trip("river-gate", 17*time.Hour+20*time.Second, car, false)
	trip("river-gate", 12*time.Hour, 40*time.Millisecond, false)
	trip("river-gate", 13*time.Hour, car, true)
	if err := s.Write(b); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	config := filepath.Join(dir, "longlane.toml")
	write := func(pair string) {
		if err := os.WriteFile(config, fmt.Appendf(nil, "site = \"hill-orchard\"\ngateway = \"house\"\nstate = %q\n[wifi]\n%s", dir, pair), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("")
	if code, _, errs := cli("", "history", "passages", "2026-03-01", "--config", config); code != exitFailed || !strings.Contains(errs, "[[pair]]") {
		t.Errorf("without a pair: exit code %d, %q", code, errs)
	}
	write("[[pair]]\nouter = \"river-gate\"\ninner = \"river-bridge\"\ndistance = 200.0\n")
	code, text, errs := cli("", "history", "passages", "2026-03-01", "--config", config)
	if code != exitDone {
		t.Fatalf("exit code %d, %q", code, errs)
	}
	for _, want := range []string{"2026-03-01 08:00:00 in likely vehicle, 36 km/h", "2026-03-01 17:00:00 out likely vehicle, 36 km/h", "4.8 m long", "2026-03-01 12:00:00 ? likely debris: ", "only one beam was broken",
		"One trip there came late", "Came 2026-03-01 08:00:00, left 2026-03-01 17:00:00: stayed about 9h0m0s (sure)"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
	code, text, errs = cli("", "history", "passages", "2026-03-01", "--json", "--config", config)
	var said struct{ Passages []passed }
	if err := json.Unmarshal([]byte(text), &said); code != exitDone || err != nil || len(said.Passages) != 3 {
		t.Fatalf("exit code %d, %v, %q\n%s", code, err, errs, text)
	}
	if p := said.Passages[0]; p.Direction != "in" || p.Class != "likely vehicle" || p.Speed == nil || math.Abs(*p.Speed-10) > 2 || p.Visit == nil || !p.Visit.Left.Equal(day.Add(17*time.Hour)) || len(p.Trips) != 2 {
		t.Errorf("the first passage: %+v", p)
	}
	code, text, errs = cli("", "history", "trips", "2026-03-01", "--class", "debris", "--csv", "--config", config)
	if lines := strings.Count(text, "\n"); code != exitDone || lines != 2 || !strings.Contains(text, "debris") {
		t.Errorf("debris alone: exit code %d, %q, %d lines\n%s", code, errs, lines, text)
	}
	if code, _, errs := cli("", "history", "trips", "--class", "lorry", "--config", config); code != exitUsage || !strings.Contains(errs, "vehicle") {
		t.Errorf("an unknown class: exit code %d, %q", code, errs)
	}
}
