package health

import (
	"testing"
	"time"

	"longlane/proto"
)

// two gives a site of two nodes that come by one radio.
func two() Site {
	s := orchard(15 * time.Minute)
	s.Nodes = []Node{{Name: "river", ID: 10, CheckIn: 15 * time.Minute}, {Name: "barn", ID: 12, CheckIn: 15 * time.Minute}}
	return s
}

// A node that has been dead for long and another that is late are no deaf bearer: only nodes that fall silent together are.
func TestDeadNodeAndLateOneAreNoDeafBearer(t *testing.T) {
	p := newPlace(t, two())
	lora := Subject{Kind: KindBearer, Name: "lora"}
	for range 24 * 4 { // river dies after the first
		if p.now == time.Hour {
			p.checkIn("river", 12, nil)
		}
		p.checkIn("barn", 12, nil)
		p.pass(15*time.Minute, time.Second)
	}
	p.want(Overdue, aNode("river"), true)
	p.pass(10*time.Minute, time.Second) // one check-in of the barn, with its first repeats, is lost
	p.want(BearerDeaf, lora, false)
	for range 4 {
		p.checkIn("barn", 12, nil)
		p.checkIn("river", 12, nil)
		p.pass(15*time.Minute, time.Second)
	}
	p.pass(30*time.Minute, time.Second)
	p.want(BearerDeaf, lora, true)
}

// Who starts the gateway anew hears no all-clear for a bearer by which nobody has been heard since, and none while it is down.
func TestDeafBearerDoesNotEndUnheard(t *testing.T) {
	p := newPlace(t, two())
	lora := Subject{Kind: KindBearer, Name: "lora"}
	for range 4 {
		p.checkIn("river", 12, nil)
		p.checkIn("barn", 12, nil)
		p.pass(15*time.Minute, time.Second)
	}
	p.pass(40*time.Minute, time.Second)
	p.want(BearerDeaf, lora, true)
	kept := p.w.State()
	p.w = New(two(), p.at())
	if err := p.w.Restore(kept, p.at()); err != nil {
		t.Fatal(err)
	}
	p.pass(3*time.Hour, time.Second)
	p.want(BearerDeaf, lora, true)
	p.w.Bearer(p.at(), "lora", false)
	p.pass(2*time.Hour, time.Second)
	p.w.Bearer(p.at(), "lora", true)
	p.want(BearerDeaf, lora, true)
	for range 4 {
		p.checkIn("barn", 12, nil)
		p.pass(15*time.Minute, time.Second)
	}
	p.want(BearerDeaf, lora, false)
}

// A low battery that only the node's own word tells of is not told as one of 0 V.
func TestLowBatteryOfUnknownVoltage(t *testing.T) {
	p := newPlace(t, two())
	p.tells("river", proto.Fault{Kind: proto.FaultBattery, Battery: proto.NoBattery})
	p.tick()
	for _, v := range p.w.Standing() {
		if v.Code == BatteryLow && v.Reason != "The battery of river is low: it says so itself. It may fall silent at any time." {
			t.Errorf("told as %q", v.Reason)
		}
	}
	p.want(BatteryLow, aNode("river"), true)
}

// Without a mirror or the history whoever comes still sounds: that is to be seen to, and no reason not to trust silence.
func TestOptionalSinkIsNoTrouble(t *testing.T) {
	site := two()
	site.Sinks, site.Optional = []string{"broker", "history"}, []string{"history"}
	p := newPlace(t, site)
	for range 60 {
		p.w.Sink(p.at(), "broker", false)
		p.w.Sink(p.at(), "history", false)
		p.pass(time.Second, time.Second)
	}
	for name, want := range map[string]Severity{"broker": Trouble, "history": Watch} {
		if got := p.w.Severity(Subject{Kind: KindSink, Name: name}); got != want {
			t.Errorf("%s absent: %v, want %v", name, got, want)
		}
	}
}
