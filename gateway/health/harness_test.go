package health

import (
	"math"
	"testing"
	"time"

	"longlane/proto"
	"longlane/radio/lora"
)

// The hill orchard: the river gate is heard directly, the ridge gate by the barn's relay; the shed comes by Wi-Fi.
func orchard(period time.Duration) Site {
	return Site{Gateway: "house",
		Nodes: []Node{
			{Name: "river", ID: 10, CheckIn: period, LowBattery: 3.3, Zones: map[uint8]string{0: "river-gate"}},
			{Name: "ridge", ID: 11, CheckIn: period, LowBattery: 3.3, Zones: map[uint8]string{0: "ridge-gate"}},
			{Name: "barn", ID: 12, CheckIn: period},
			{Name: "shed", ID: 13, CheckIn: period, Zones: map[uint8]string{0: "shed-door"}},
		},
		Bearers: []Bearer{
			{Name: "lora", Radio: true, Settings: lora.Settings{SpreadingFactor: 7, Bandwidth: 125000, CodingRate: 5, Preamble: 8}},
			{Name: "wifi"},
		},
		Sinks: []string{"broker"}}
}

var epoch = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

// place is a site in virtual time. Whatever it is told, changes alternate: a fault begins and ends in turn.
type place struct {
	t       *testing.T
	w       *Watcher
	now     time.Duration
	unset   bool
	changes []Change
	open    map[key]bool
	counter map[string]uint32
	volts   float64
}

func newPlace(t *testing.T, site Site) *place {
	p := &place{t: t, now: time.Hour, open: map[key]bool{}, counter: map[string]uint32{}, volts: 3.9}
	p.w = New(site, p.at())
	return p
}

func (p *place) at() Time {
	at := Time{Mono: p.now}
	if !p.unset {
		at.Wall = epoch.Add(p.now)
	}
	return at
}

func (p *place) tick() {
	for _, c := range p.w.Tick(p.at()) {
		k := key{c.Code, c.Subject}
		if p.open[k] != c.Ended {
			p.t.Errorf("at %v: %s of %v: ended %v, and it was standing: %v", p.now, c.Code, c.Subject, c.Ended, p.open[k])
		}
		p.open[k] = !c.Ended
		p.changes = append(p.changes, c)
	}
}

// pass lets time go by, with a tick each step.
func (p *place) pass(d, step time.Duration) {
	for end := p.now + d; p.now < end; {
		p.now += min(step, end-p.now)
		p.tick()
	}
}

// hears is a frame of a node that has just been sent, with that margin on its first hop.
func (p *place) hears(node string, margin float64) {
	snr := margin + lora.RequiredSNR(7)
	f := Frame{Node: node, Bearer: "lora", Sealed: p.now, Now: true}
	switch node {
	case "shed":
		f.Bearer = "wifi"
		f.Hops = []Hop{{node, "house", true, math.NaN(), math.NaN()}}
	case "ridge":
		f.Hops = []Hop{{node, "barn", true, -90, snr}, {"barn", "house", true, -80, 5}}
	default:
		f.Hops = []Hop{{node, "house", true, -90, snr}}
	}
	p.w.Heard(p.at(), f)
}

func (p *place) checkIn(node string, margin float64, change func(*proto.CheckIn)) {
	p.hears(node, margin)
	p.counter[node]++
	b := &proto.CheckIn{Battery: proto.EncodeBattery(p.volts), Noise: proto.NoRSSI}
	if change != nil {
		change(b)
	}
	p.w.CheckIn(p.at(), CheckIn{Node: node, Counter: p.counter[node], Body: b})
}

func (p *place) tells(node string, b proto.Fault) {
	p.counter[node+" events"]++
	p.w.Fault(p.at(), FaultTold{Node: node, Counter: p.counter[node+" events"], Body: &b})
}

// count is how often a fault of a subject began.
func (p *place) count(code Code, s Subject) (n int) {
	for _, c := range p.changes {
		if c.Code == code && c.Subject == s && !c.Ended {
			n++
		}
	}
	return n
}

// last is the newest change of a code.
func (p *place) last(code Code, s Subject) (last Change, ok bool) {
	for _, c := range p.changes {
		if c.Code == code && c.Subject == s {
			last, ok = c, true
		}
	}
	return last, ok
}

func (p *place) want(code Code, s Subject, standing bool) {
	p.t.Helper()
	if got := p.w.stands(code, s); got != standing {
		p.t.Errorf("after %v: %s of %v stands: %v, want %v", p.now, code, s, got, standing)
	}
}

func aNode(name string) Subject { return Subject{Kind: KindNode, Name: name} }
func aZone(name string) Subject { return Subject{Kind: KindZone, Name: name} }
