package ether

import (
	"math"
	"slices"
	"testing"
	"time"

	"longlane/proto"
)

// line is a river gate whose frames must go over two relays, the mill's and then the ridge's.
func line() Scenario {
	s := Scenario{Name: "the line", Until: Duration(40 * time.Minute), Air: ground(), Nodes: []Node{
		{Name: "river-gate", Rate: &Rate{PerHour: 60, DwellMin: Duration(time.Second), DwellMax: Duration(5 * time.Second)}},
		{Name: "mill-relay", Relay: true, Mains: true}, {Name: "ridge-relay", Relay: true, Mains: true, RSSI: new(-93.0)},
	}, Pairs: []Pair{{Of: []string{"river-gate", "mill-relay"}, RSSI: -108}, {Of: []string{"mill-relay", "ridge-relay"}, RSSI: -101}}}
	for i := range s.Nodes {
		s.Nodes[i].Card, s.Nodes[i].CheckIn = s.Nodes[i].Name, Duration(2*time.Minute)
	}
	return s
}

// TestOverRelays: what a node makes arrives over relays, with records that their keys have made, of what they have heard; receipts
// come back.
func TestOverRelays(t *testing.T) {
	var j journal
	e, h := mustNew(t, line(), 5, &j), newHouse(t)
	hops := 0
	run(t, e, h, time.Hour, func(ev Event) {
		raw, err := proto.Parse(ev.Frame)
		if err != nil || raw.HopCount() == 0 {
			return
		}
		for i := range raw.HopCount() {
			hops++
			if !raw.VerifyHop(i, h.keysOf(raw.Hop(i).Relay, 1)) {
				t.Errorf("hop record %d of %x does not verify", i, ev.Frame)
			}
		}
	})
	made := j.ids(RecordMade)
	if len(made) < 30 || len(j.ids(RecordReleased)) != len(made) || e.Held() != 0 || hops < 2*len(made) {
		t.Errorf("%d events made, %d released, %d held, by %d hops", len(made), len(j.ids(RecordReleased)), e.Held(), hops)
	}
	n := 0
	for _, r := range j.of(RecordHeard) {
		if r.Node != "river-gate" || r.Attempt == nil { // of a receipt that is passed on the gateway hears as well
			continue
		}
		n++
		names := []string{}
		for i, hop := range r.Hops {
			names = append(names, hop.Relay)
			if signal := []float64{-108, -101}[i]; math.Abs(hop.RSSI-signal) > 0.65 {
				t.Errorf("%s heard it at %v dBm, want %v", hop.Relay, hop.RSSI, signal)
			}
		}
		if !slices.Equal(names, []string{"mill-relay", "ridge-relay"}) || !near(*r.RSSI, *r.SNR, -93) || r.By != "ridge-relay" {
			t.Errorf("heard %+v", r)
		}
	}
	if n < len(made) {
		t.Errorf("%d frames of the river gate were heard", n)
	}
}

// TestDeadRelay: what a relay that has died would have to hear is lost, and what it held it does not send.
func TestDeadRelay(t *testing.T) {
	s := line()
	s.Nodes[2].Dies = Duration(20 * time.Minute)
	var j journal
	e := mustNew(t, s, 5, &j)
	run(t, e, newHouse(t), 30*time.Minute, nil)
	for _, r := range j.records {
		if (r.What == RecordRelayed || r.What == RecordSent) && (r.By == "ridge-relay" || r.By == "" && r.Node == "ridge-relay") && r.T > 1200 {
			t.Errorf("a dead relay sent %+v", r)
		}
	}
	if e.Losses()[Loss{toGateway, "not listening"}] == 0 || e.Held() == 0 {
		t.Errorf("lost %v, %d held", e.Losses(), e.Held())
	}
}
