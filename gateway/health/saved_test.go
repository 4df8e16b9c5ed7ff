package health

import (
	"encoding/json"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"longlane/proto"
)

// again is a restart of the gateway: what is kept goes through JSON, and the clock may have been put back to nothing.
func (p *place) again(site Site) {
	p.t.Helper()
	text, err := json.Marshal(p.w.State())
	if err != nil {
		p.t.Fatal(err)
	}
	var s State
	if err := json.Unmarshal(text, &s); err != nil {
		p.t.Fatal(err)
	}
	p.w = New(site, p.at())
	if err := p.w.Restore(s, p.at()); err != nil {
		p.t.Fatal(err)
	}
	p.tick()
}

// TestRestart: a trend of weeks is found though the gateway is started anew each day; what stands is told once and ends once; nobody is
// alive for having been so before.
func TestRestart(t *testing.T) {
	site := orchard(15 * time.Minute)
	p := newPlace(t, site)
	f := &fading{r: rand.New(rand.NewPCG(1, 2)), level: 15, week: 1}
	start := p.now
	p.tells("shed", proto.Fault{Kind: proto.FaultBlocked, Argument: 600})
	p.tells("shed", proto.Fault{Kind: proto.FaultLost, Argument: 3})
	for p.now-start < 28*day {
		p.checkIn("river", f.reading(int((p.now-start)/day), float64((p.now-start)%day)/float64(day)), nil)
		p.checkIn("shed", 0, func(b *proto.CheckIn) { b.Active = 1 })
		p.pass(14*time.Minute, 14*time.Minute)
		if int((p.now-start)/(14*time.Minute))%100 == 0 {
			p.again(site)
		}
	}
	p.want(MarginFalls, Subject{KindHop, "river", "house"}, true)
	p.want(Blocked, aZone("shed-door"), true)
	p.want(EventsLost, aNode("shed"), false)
	if p.count(MarginFalls, Subject{KindHop, "river", "house"}) != 1 || p.count(Blocked, aZone("shed-door")) != 1 || p.count(EventsLost, aNode("shed")) != 1 {
		t.Errorf("began %d, %d, %d times", p.count(MarginFalls, Subject{KindHop, "river", "house"}), p.count(Blocked, aZone("shed-door")), p.count(EventsLost, aNode("shed")))
	}
	p.again(site)
	p.want(Overdue, aNode("river"), false)
	p.pass(time.Hour, time.Second) // silent since the start
	p.want(Overdue, aNode("river"), true)
	p.again(site)
	p.want(Overdue, aNode("river"), true)
	p.tells("shed", proto.Fault{Kind: proto.FaultBlocked, Ended: true})
	p.again(site)
	p.pass(2*time.Minute, time.Second)
	p.want(Blocked, aZone("shed-door"), false)

	site.Nodes = site.Nodes[1:]
	p.again(site)
	for _, v := range p.w.Standing() {
		if v.Subject.Name == "river" || v.Subject.To == "river" {
			t.Errorf("it is gone, and yet: %+v", v)
		}
	}
	if err := New(site, p.at()).Restore(State{Version: 9}, p.at()); err == nil {
		t.Error("a state of an unknown form is taken")
	}
}

// TestStateIsItsOwn: what was exported does not change with the Watcher, and comes back as it was.
func TestStateIsItsOwn(t *testing.T) {
	p := newPlace(t, orchard(15*time.Minute))
	p.quiet(3 * day)
	s := p.w.State()
	before, _ := json.Marshal(s)
	p.quiet(2 * day)
	if after, _ := json.Marshal(s); string(after) != string(before) {
		t.Error("an exported state has changed")
	}
	w := New(orchard(15*time.Minute), p.at())
	if err := w.Restore(s, p.at()); err != nil {
		t.Fatal(err)
	}
	if got := w.State(); !reflect.DeepEqual(got, s) {
		t.Errorf("restored:\n%+v\nwant\n%+v", got, s)
	}
}

// TestNodeReplaced: a spare under the name of another has none of its past; what stood against that one ends.
func TestNodeReplaced(t *testing.T) {
	site := orchard(15 * time.Minute)
	p := newPlace(t, site)
	p.volts = 3.0
	p.quiet(5 * time.Hour)
	p.want(BatteryLow, aNode("river"), true)
	site.Nodes = append([]Node(nil), site.Nodes...)
	site.Nodes[0].ID = 20
	p.w.SetSite(site, p.at())
	p.tick()
	p.want(BatteryLow, aNode("river"), false)
	site.Sinks, site.Bearers = nil, nil
	p.w.Sink(p.at(), "broker", false)
	p.pass(time.Minute, time.Second)
	p.w.SetSite(site, p.at())
	p.tick()
}

// TestUnsoundState: what comes from a disk may be anything: it is passed over, and nothing breaks by it, then or later.
func TestUnsoundState(t *testing.T) {
	site := orchard(15 * time.Minute)
	for name, bad := range map[string]Series{
		"one day twice":     {Days: []Day{{100, 1}, {100, 2}}, Today: 101},
		"days backwards":    {Days: []Day{{101, 1}, {100, 2}}, Today: 102},
		"a day to come":     {Days: []Day{{100, 1}}, Today: 99},
		"a wild value":      {Days: []Day{{100, 1e300}, {101, -1e300}}, Today: 102},
		"a count below one": {Today: 100, Bins: map[int]int{1: -5}},
		"too many days":     {Days: make([]Day, 400), Today: 1000},
	} {
		p := newPlace(t, site)
		s := State{Version: StateVersion, Nodes: []NodeState{{Name: "river", ID: 10, Battery: bad, Came: -1, Lost: 1e300}},
			Hops: []HopState{{From: "river", To: "house", Margin: bad, Came: 1e300}}, Faults: []FaultState{{Verdict: Verdict{Code: "none"}}}}
		if err := p.w.Restore(s, p.at()); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if got := p.w.nodes["river"]; len(got.battery.Days)+len(got.battery.Bins) > 0 || got.all != (losses{}) {
			t.Errorf("%s: taken as %+v", name, got)
		}
		p.quiet(3 * day)
		for _, v := range p.w.Standing() {
			t.Errorf("%s: %+v", name, v)
		}
	}
}
