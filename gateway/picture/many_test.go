package picture

import (
	"fmt"
	"testing"
	"time"

	"longlane/gateway"
)

// fill gives the picture the most nodes that a site has, each with a day of margins that fade.
func (s *site) fill() {
	for i := range 239 {
		name := fmt.Sprintf("node-%d", i)
		s.Observe(gateway.NodeIs{Node: name, Hops: []gateway.HopIs{{From: name, To: "house", Margin: volts(10), Proven: true}}})
		s.Observe(gateway.ZoneIs{Zone: name, Node: name, State: "clear"})
	}
	for k := range 96 {
		for i := range 239 {
			name := fmt.Sprintf("node-%d", i)
			s.Observe(gateway.CheckInSeen{Node: name, At: s.mono + time.Duration(k)*15*time.Minute, Hops: []gateway.HopMargin{{From: name, To: "house", Margin: float64(5 + (7*k+i)%12)}}})
		}
	}
	s.mono += 24 * time.Hour
}

// Whoever looks holds up the core for that long: the range of a day is not reckoned anew for each look.
func TestRangeIsReckonedOnce(t *testing.T) {
	s := newSite(t)
	s.fill()
	s.Now()
	of := hop{"node-0", "house"}
	made := s.hops[of].made
	if s.Now(); s.hops[of].made != made {
		t.Error("it is reckoned for each look")
	}
	s.Observe(gateway.CheckInSeen{Node: "node-0", At: s.mono, Hops: []gateway.HopMargin{{From: "node-0", To: "house", Margin: -20}}})
	low := func() *float64 { return s.Now().Nodes[0].Hops[0].Lowest }
	if v := low(); v == nil || *v != -20 {
		t.Errorf("after another margin the lowest is %v, want -20", v)
	}
	s.mono += 26 * time.Hour
	if v := low(); v != nil {
		t.Errorf("a day later the lowest is %v, want none", *v)
	}
}

func BenchmarkNow(b *testing.B) {
	s := newSite(nil)
	s.fill()
	for b.Loop() {
		s.Now()
	}
}
