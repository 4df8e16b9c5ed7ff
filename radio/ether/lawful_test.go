package ether

import (
	"errors"
	"strings"
	"testing"
	"time"

	"longlane/radio/lora"
)

// scarce is the cattle grid on a channel on which it may send for 3.6 s an hour, and with much to say.
func scarce() Scenario {
	s := alone()
	s.Until = 0
	s.Air.Region, s.Air.Frequency = "europe", 869.0
	s.Nodes[0].Rate = &Rate{PerHour: 600, DwellMin: Duration(200 * time.Millisecond), DwellMax: Duration(2 * time.Second)}
	return s
}

// TestNodesStayLawful: whatever a node wants, and however often it loses its power, as the air counts no hour holds more than is
// lawful. One that keeps its power uses nearly all of it.
func TestNodesStayLawful(t *testing.T) {
	for _, cut := range []time.Duration{0, 97 * time.Second, 20 * time.Minute} {
		s := scarce()
		for at := cut; cut > 0 && at < 3*time.Hour; at += cut {
			s.Nodes[0].Restart = append(s.Nodes[0].Restart, Duration(at))
		}
		n := 0
		e, err := New(s, 5, Options{Card: cards(t, s), Record: func(r Record) {
			if r.Why == "no airtime is left that is lawful" {
				n++
			}
		}})
		if err != nil {
			t.Fatal(err)
		}
		run(t, e, newHouse(t), 3*time.Hour, nil)
		hour := e.OnAir("cattle-grid").Hour
		limit, ok := e.Limit("cattle-grid")
		if !ok || limit != 3600*time.Millisecond || hour > limit || cut == 0 && hour < limit*95/100 {
			t.Errorf("power lost every %v: on the air for %v in an hour, %v (%v) are lawful", cut, hour, limit, ok)
		}
		if n == 0 {
			t.Errorf("power lost every %v: no frame was withheld", cut)
		}
	}
}

// TestTripsComeFirst: when check-ins have used up all that they may, a trip still goes at once.
func TestTripsComeFirst(t *testing.T) {
	s := scarce()
	s.Nodes[0].Rate, s.Nodes[0].CheckIn = nil, Duration(time.Second)
	s.Nodes[0].Trips = []Trip{{At: Duration(50 * time.Minute), For: Duration(time.Hour)}}
	var j journal
	e, h := mustNew(t, s, 5, &j), newHouse(t)
	run(t, e, h, 49*time.Minute, nil)
	ledger := e.stations[0].lawful.ledger
	if used, most := e.OnAir("cattle-grid").Total, ledger.Limit(lora.UseHop); used > most || used < most-200*time.Millisecond {
		t.Errorf("check-ins were on the air for %v, and may for %v", used, most)
	}
	run(t, e, h, 51*time.Minute, nil)
	released := j.of(RecordReleased)
	if len(released) != 1 || released[0].T > 3001 {
		t.Errorf("released %+v, want the trip of 50 min within a second", released)
	}
}

// TestPowerCutCostsAirtime: what was set aside counts as sent after a power cut, and no time has passed.
func TestPowerCutCostsAirtime(t *testing.T) {
	s := scarce()
	s.Nodes[0].Rate = nil
	var j journal
	e := mustNew(t, s, 5, &j)
	e.Step(time.Minute)
	st := e.stations[0]
	b := st.lawful
	if b.block != b.Budget()/16 {
		t.Fatalf("blocks of %v of %v", b.block, b.Budget())
	}
	before := b.ledger.Used(st.moment().Mono)
	if before == 0 || before != cost(e.OnAir("cattle-grid").Total) {
		t.Errorf("%v on the ledger, on the air for %v", before, e.OnAir("cattle-grid").Total)
	}
	e.Step(time.Minute + 2*time.Hour)
	st.start(false)
	if got := b.ledger.Used(0); got < b.block {
		t.Errorf("after the power cut %v count, want the block of %v at least", got, b.block)
	}
}

// TestNoRegionNoRules: without a region nobody is held back; with an unlawful channel nothing begins.
func TestNoRegionNoRules(t *testing.T) {
	s := scarce()
	s.Air.Region = ""
	e := mustNew(t, s, 5, &journal{})
	run(t, e, newHouse(t), time.Hour, nil)
	if _, ok := e.Limit("cattle-grid"); ok || e.OnAir("cattle-grid").Hour < 4*time.Second {
		t.Errorf("on the air for %v", e.OnAir("cattle-grid").Hour)
	}
	for want, change := range map[string]func(*Scenario){
		"air.frequency": func(s *Scenario) { s.Air.Frequency = 868.65 },
		"air.region":    func(s *Scenario) { s.Air.Region = "atlantis" },
		"node[0].power": func(s *Scenario) { s.Nodes[0].Power = new(30.0) },
	} {
		s := scarce()
		change(&s)
		_, err := New(s, 1, Options{Card: cards(t, scarce())})
		var f *FieldError
		if !errors.As(err, &f) || f.Path != want {
			t.Errorf("%s: %v", want, err)
		}
	}
}

// TestCarrierSense: where the rules ask for it, a modem that does it may send, and one that does not may not.
func TestCarrierSense(t *testing.T) {
	s := orchard()
	s.Air = ground()
	s.Air.Region, s.Air.Frequency, s.Air.Power = "japan", 922, 13
	var e *FieldError
	if _, err := s.Band(len(s.Nodes)); !errors.As(err, &e) || !strings.Contains(e.Found, "carrier sense of 5ms") {
		t.Errorf("without: %v", err)
	}
	s.Air.CarrierSense = Duration(5 * time.Millisecond)
	if _, err := s.Band(len(s.Nodes)); err != nil {
		t.Errorf("with it: %v", err)
	}
}
