package ether

import (
	"errors"
	"testing"
	"time"

	"longlane/radio"
	"longlane/radio/node"
)

// TestListenFirst: who can sense another's frame does not send, and is told that the channel was in use. Who begins at almost the
// same moment, or does not hear the other, does send, and both are lost.
func TestListenFirst(t *testing.T) {
	const ms = time.Millisecond
	for _, c := range []struct {
		what     string
		change   func(*Scenario)
		after    time.Duration
		withheld int
		heard    int
	}{
		{"together", nil, 0, 0, 0},
		{"before it can be sensed", nil, 2 * ms, 0, 0},
		{"in the middle", nil, 20 * ms, 1, 1},
		{"when it is over", nil, 100 * ms, 0, 2},
		{"in the middle, and nobody listens first", func(s *Scenario) { s.Air.ListenFirst = false }, 20 * ms, 0, 0},
		{"in the middle, too far away to know", func(s *Scenario) { s.Pairs = nil }, 20 * ms, 0, 0},
		{"in the middle of noise", func(s *Scenario) {
			s.Pairs, s.Interferers = nil, []Interferer{{Level: -110, From: Duration(time.Hour)}}
		}, 100 * ms, 0, 2},
	} {
		s := alone()
		barn := s.Nodes[0]
		barn.Name, barn.Card = "barn-door", "barn-door"
		s.Nodes = append(s.Nodes, barn)
		for i := range s.Nodes {
			s.Nodes[i].Rate = nil
		}
		s.Pairs = []Pair{{Of: []string{"barn-door", "cattle-grid"}, RSSI: -90}}
		if c.change != nil {
			c.change(&s)
		}
		var j journal
		e := quiet(t, s, &j)
		for i := range 2 {
			e.at(e.now+time.Duration(i)*c.after, func() { e.transmit(e.stations[i], node.Transmit{Frame: trip(t, e, i), Counter: 1}) })
		}
		e.Step(e.now + 300*ms)
		if got := j.of(RecordWithheld); len(got) != c.withheld || c.withheld > 0 && (got[0].Node != "barn-door" || got[0].Why != "the channel is in use") {
			t.Errorf("%s: withheld %+v, want %d", c.what, got, c.withheld)
		}
		if n := len(j.of(RecordHeard)); n != c.heard {
			t.Errorf("%s: %d frames were heard, want %d; lost %v", c.what, n, c.heard, e.Losses())
		}
	}
}

// TestModemListensFirst: the modem refuses to send while it can sense a station's frame.
func TestModemListensFirst(t *testing.T) {
	for _, first := range []bool{true, false} {
		s := alone()
		s.Nodes[0].Rate, s.Air.ListenFirst = nil, first
		var j journal
		e := quiet(t, s, &j)
		if got, want := e.Sensing(), 2560*time.Microsecond; first && got != want || !first && got != 0 {
			t.Errorf("listen_first %v: sensing takes %v", first, got)
		}
		e.transmit(e.stations[0], node.Transmit{Frame: trip(t, e, 0), Counter: 1})
		e.Step(e.now + 30*time.Millisecond)
		if _, err := e.Transmit(e.now, make([]byte, 20)); errors.Is(err, radio.ErrBusy) != first {
			t.Errorf("listen_first %v, in the middle of a frame: %v", first, err)
		}
		e.Step(e.now + 200*time.Millisecond)
		if _, err := e.Transmit(e.now, make([]byte, 20)); err != nil {
			t.Errorf("listen_first %v, on a free channel: %v", first, err)
		}
	}
}

// TestBusyNodeTriesAgain: a node that finds the channel in use sends a moment later, so that two trips at almost the same time
// arrive both, and no frame is lost.
func TestBusyNodeTriesAgain(t *testing.T) {
	s := alone()
	barn := s.Nodes[0]
	barn.Name, barn.Card = "barn-door", "barn-door"
	s.Nodes = append(s.Nodes, barn)
	s.Pairs = []Pair{{Of: []string{"barn-door", "cattle-grid"}, RSSI: -90}}
	for i := range s.Nodes {
		s.Nodes[i].Rate, s.Nodes[i].CheckIn = nil, Duration(12*time.Hour)
		s.Nodes[i].Trips = []Trip{{At: Duration(time.Minute + time.Duration(i)*25*time.Millisecond), For: Duration(2 * time.Minute)}}
	}
	s.Until = 0
	var j journal
	e, h := mustNew(t, s, 5, &j), newHouse(t)
	run(t, e, h, 90*time.Second, nil)
	withheld, sent := 0.0, 0.0
	for _, r := range j.records {
		if r.Node == "barn-door" && r.What == RecordWithheld && r.T > 60 && r.T < 60.4 {
			withheld = r.T
		} else if r.Node == "barn-door" && r.What == RecordSent && r.T > 60 && sent == 0 {
			sent = r.T
		}
	}
	// It knows that only the channel was in use: another failure would have it wait longer.
	if withheld == 0 || sent < withheld || sent > withheld+0.2 || e.Held() != 0 || len(h.got) != 2 || len(e.Losses()) != 0 {
		t.Errorf("withheld %v, sent at %v, %d held, %d events arrived, lost %v", withheld, sent, e.Held(), len(h.got), e.Losses())
	}
	// A frame that is not sent is no check-in made.
	if got := e.Station("barn-door").CheckIns; got == 0 || got > 3 {
		t.Errorf("%d check-ins", got)
	}
}

// TestPowerCutWhileSending: a node that is back before its last frame is over sends no second beside it.
func TestPowerCutWhileSending(t *testing.T) {
	s := alone()
	s.Nodes[0].Rate = nil
	var j journal
	e := quiet(t, s, &j)
	st := e.stations[0]
	e.transmit(st, node.Transmit{Frame: trip(t, e, 0), Counter: 1})
	e.Step(e.now + 20*time.Millisecond)
	st.start(false)
	e.transmit(st, node.Transmit{Frame: trip(t, e, 0), Counter: 2})
	e.Step(e.now + 10*time.Millisecond)
	if got := j.of(RecordWithheld); len(got) != 1 {
		t.Errorf("withheld %+v, want one", got)
	}
	e.Step(e.now + 100*time.Millisecond)
	e.transmit(st, node.Transmit{Frame: trip(t, e, 0), Counter: 3}) // and the power goes before it can be sent
	st.start(false)
	sent := len(j.of(RecordSent))
	e.Step(e.now + 100*time.Millisecond)
	if got := len(j.of(RecordSent)); got != sent {
		t.Errorf("%d frames were sent after the power had gone", got-sent)
	}
}
