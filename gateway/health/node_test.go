package health

import (
	"math/rand/v2"
	"testing"
	"time"

	"longlane/proto"
)

// TestLossesAreTheHops: what a relay loses on its way is not laid at the door of the hop before it.
func TestLossesAreTheHops(t *testing.T) {
	const seed = 3
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	p := newPlace(t, orchard(15*time.Minute))
	for range 4 * 24 * 5 {
		for _, n := range []string{"river", "ridge", "barn"} {
			if n != "river" && r.IntN(10) < 3 {
				p.counter[n]++ // lost between barn and house
				continue
			}
			p.checkIn(n, 12, nil)
		}
		p.pass(14*time.Minute, 7*time.Minute)
	}
	p.want(Losses, Subject{KindHop, "barn", "house"}, true)
	p.want(Losses, Subject{KindHop, "ridge", "barn"}, false)
	p.want(Losses, Subject{KindHop, "river", "house"}, false)
}

// TestGapsThatAreNoLosses: numbers that are skipped by a node's start, or while the gateway could not hear or did not run, or that
// come late by a longer way, are no losses.
func TestGapsThatAreNoLosses(t *testing.T) {
	p := newPlace(t, orchard(15*time.Minute))
	for i := range 24 * 10 {
		starts := uint8(i / 8)
		if i%8 == 0 {
			p.counter["river"] += 40
		}
		if i%8 == 4 {
			p.w.Bearer(p.at(), "lora", false)
			p.pass(time.Minute, time.Minute)
			p.w.Bearer(p.at(), "lora", true)
			p.counter["river"] += 40
		}
		p.checkIn("river", 12, func(b *proto.CheckIn) { b.Restarts = starts })
		p.counter["barn"] += 2
		p.checkIn("barn", 12, nil)
		for back := range uint32(2) {
			p.w.CheckIn(p.at(), CheckIn{Node: "barn", Counter: p.counter["barn"] - 1 - back, Body: &proto.CheckIn{Battery: proto.NoBattery}})
		}
		p.pass(14*time.Minute, 7*time.Minute)
	}
	p.want(Losses, Subject{KindHop, "river", "house"}, false)
	p.want(Losses, Subject{KindHop, "barn", "house"}, false)
	if l := p.w.nodes["barn"].all; l.Lost > 5 {
		t.Errorf("all came, and yet: %+v", l)
	}
}

// TestOlderWord: an older word of a node, which came late, does not overrule a newer one, and an older check-in says nothing of now.
func TestOlderWord(t *testing.T) {
	p := newPlace(t, orchard(15*time.Minute))
	p.tells("river", proto.Fault{Kind: proto.FaultBlocked, Argument: 700})
	p.tick()
	p.w.Fault(p.at(), FaultTold{Node: "river", Counter: 0, Body: &proto.Fault{Kind: proto.FaultBlocked, Ended: true}})
	p.pass(5*time.Minute, time.Second)
	p.want(Blocked, aZone("river-gate"), true)
	p.checkIn("river", 12, func(b *proto.CheckIn) { b.Active = 1 })
	p.checkIn("river", 12, func(b *proto.CheckIn) { b.Active = 1 })
	p.w.CheckIn(p.at(), CheckIn{Node: "river", Counter: 1, Body: &proto.CheckIn{Battery: proto.EncodeBattery(2)}})
	p.pass(5*time.Minute, time.Second)
	p.want(Blocked, aZone("river-gate"), true)
	if v := p.w.nodes["river"].voltage; v < 3 {
		t.Errorf("an older check-in says %v V", v)
	}
	p.checkIn("river", 12, nil) // the contact has returned, and the word of that was lost
	p.pass(5*time.Minute, time.Second)
	p.want(Blocked, aZone("river-gate"), false)
}

// TestFaultOfALifeBefore: what a node found before it started anew ends, if it does not find it again by its second check-in; else it
// stands, as one fault.
func TestFaultOfALifeBefore(t *testing.T) {
	for _, again := range []bool{false, true} {
		p := newPlace(t, orchard(15*time.Minute))
		p.checkIn("river", 12, nil)
		p.tells("river", proto.Fault{Kind: proto.FaultTamper})
		p.pass(14*time.Minute, time.Minute)
		starts := func(b *proto.CheckIn) { b.Restarts = 1 }
		p.checkIn("river", 12, starts)
		p.pass(13*time.Minute, time.Second)
		p.want(Tamper, aNode("river"), true)
		if again {
			p.tells("river", proto.Fault{Kind: proto.FaultTamper})
		}
		p.pass(14*time.Minute, time.Minute)
		p.checkIn("river", 12, starts)
		p.pass(14*time.Minute, time.Minute)
		p.want(Tamper, aNode("river"), again)
		if n := p.count(Tamper, aNode("river")); n != 1 {
			t.Errorf("it began %d times", n)
		}
	}
}

// TestClockOfRounding: send times are whole seconds, and drift within what the protocol allows for is none.
func TestClockOfRounding(t *testing.T) {
	p := newPlace(t, orchard(15*time.Minute))
	for i := range 1000 {
		p.w.Offset(p.at(), "river", time.Duration(i%20)*100*time.Millisecond+50*time.Millisecond, time.Hour)
		p.w.Offset(p.at(), "barn", -1300*time.Millisecond, time.Hour) // 0.36 s of drift, 1 s of rounding
		p.w.Offset(p.at(), "nobody", time.Hour, 0)
		p.tick()
	}
	p.want(ClockDrift, aNode("river"), false)
	p.want(ClockDrift, aNode("barn"), false)
	p.w.Offset(p.at(), "river", time.Minute, time.Hour) // one that was kept somewhere
	p.tick()
	p.want(ClockDrift, aNode("river"), false)
}

// TestDaysWithoutAClock: on a gateway that never learns the time a day has passed when one has; once it does, the days before lie in
// no calendar and are forgotten.
func TestDaysWithoutAClock(t *testing.T) {
	p := newPlace(t, orchard(15*time.Minute))
	p.unset = true
	f := &fading{r: rand.New(rand.NewPCG(1, 3)), level: 15, week: 1.2}
	start := p.now
	for p.now-start < 27*day {
		p.checkIn("river", f.reading(int((p.now-start)/day), float64((p.now-start)%day)/float64(day)), nil)
		p.pass(14*time.Minute, 14*time.Minute)
	}
	hop := Subject{KindHop, "river", "house"}
	p.want(MarginFalls, hop, true)
	p.want(ClockNotSet, Subject{Kind: KindGateway, Name: "house"}, true)
	p.unset = false
	p.quiet(2 * day)
	if n := len(p.w.hops[hop].margin.Days); n > 2 {
		t.Errorf("%d days are left", n)
	}
}

// TestHopsAreForgotten: a hop that is not used any more is forgotten after a week, and what stood against it ends; strangers' records
// make none, and what is kept is bounded.
func TestHopsAreForgotten(t *testing.T) {
	p := newPlace(t, orchard(15*time.Minute))
	for range 2 * 24 * 4 {
		p.checkIn("river", 1, nil)
		p.pass(14*time.Minute, 14*time.Minute)
	}
	hop := Subject{KindHop, "river", "house"}
	p.want(MarginLow, hop, true)
	for range 8 * 24 * 4 {
		p.w.Heard(p.at(), Frame{Node: "river", Bearer: "lora", Sealed: p.now, Now: true, Hops: []Hop{
			{"river", "barn", true, -80, 5}, {"stranger", "house", true, -80, 5}, {"ridge", "barn", false, -80, 5}}})
		p.pass(15*time.Minute, 15*time.Minute)
	}
	p.want(MarginLow, hop, false)
	if len(p.w.hops) != 1 || p.w.hops[Subject{KindHop, "river", "barn"}] == nil {
		t.Errorf("hops: %v", p.w.hops)
	}
}

// TestUnknownNames: what is said of something that is not watched changes nothing.
func TestUnknownNames(t *testing.T) {
	p := newPlace(t, orchard(15*time.Minute))
	p.w.Heard(p.at(), Frame{Node: "x", Bearer: "x"})
	p.w.CheckIn(p.at(), CheckIn{Node: "x", Body: &proto.CheckIn{}})
	p.w.Fault(p.at(), FaultTold{Node: "x", Body: &proto.Fault{Kind: proto.FaultTamper}})
	p.w.Bearer(p.at(), "x", false)
	p.w.Noise(p.at(), "x", -20)
	p.w.Busy(p.at(), "x", true)
	p.pass(time.Minute, time.Second)
	if len(p.changes) > 0 {
		t.Errorf("%+v", p.changes)
	}
}

// TestBatteryThatLasts: one that runs down but lasts for long yet is not told of; nor is one low for a single check-in, made while it sent.
func TestBatteryThatLasts(t *testing.T) {
	p := newPlace(t, orchard(15*time.Minute))
	for i := range 40 * 24 * 4 {
		p.volts = 4.5 - 0.03*float64(i)/(7*24*4)
		if i%100 == 50 {
			p.volts = 2.5
		}
		p.checkIn("river", 12, nil)
		p.pass(14*time.Minute, 14*time.Minute)
	}
	if tr := trendOf(p.w.nodes["river"].battery.Days); tr.falls(batteryFall*3.3) != bad {
		t.Errorf("it does not fall: %+v", tr)
	}
	p.want(BatteryFades, aNode("river"), false)
	if n := p.count(BatteryLow, aNode("river")); n > 0 {
		t.Errorf("low %d times", n)
	}
}

// TestDiskWorsens: what stands is graver once there is hardly any room left.
func TestDiskWorsens(t *testing.T) {
	p := newPlace(t, orchard(15*time.Minute))
	house := Subject{Kind: KindGateway, Name: "house"}
	for used, want := range map[float64]Severity{0.85: Watch, 0.96: Trouble} {
		for range 100 {
			p.w.Disk(p.at(), used)
			p.pass(time.Second, time.Second)
		}
		if got := p.w.Severity(house); got != want {
			t.Errorf("%v used: %v, want %v", used, got, want)
		}
	}
}
