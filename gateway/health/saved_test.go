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
