package health

import (
	"math/rand/v2"
	"testing"
	"time"

	"longlane/proto"
)

// TestAlternates: whatever is said of a subject, and however time passes, a fault's begins and ends alternate, and none begins before
// its hold is over nor ends before its calm. place checks the first; this the rest, against the plain rule.
func TestAlternates(t *testing.T) {
	const seed = 5
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	for _, code := range Codes {
		p := newPlace(t, orchard(15*time.Minute))
		rule := rules[code]
		s := aNode("none") // judged by nobody else
		step := max(rule.hold, rule.calm, time.Minute) / 7
		began, ended, seen := 0, 0, len(p.changes)
		sinceBad, sinceGood, st := p.now, p.now, between
		for range 3000 {
			if r.IntN(3) == 0 {
				next := state(r.IntN(3))
				if r.IntN(2) == 0 {
					if next = bad; began > ended {
						next = good
					}
				}
				if next != st {
					sinceBad, sinceGood, st = p.now, p.now, next
				}
			}
			p.w.judge(p.at(), code, s, st, func(*Verdict) {})
			p.tick()
			for _, c := range p.changes[seen:] {
				if c.Subject != s {
					continue
				}
				switch {
				case c.Ended:
					if ended++; st != good || p.now-sinceGood < rule.calm {
						t.Errorf("%s ended after %v", code, p.now-sinceGood)
					}
				default:
					if began++; st != bad || p.now-sinceBad < rule.hold {
						t.Errorf("%s began after %v", code, p.now-sinceBad)
					}
				}
			}
			seen = len(p.changes)
			if p.now += time.Duration(r.Int64N(int64(step)) + 1); r.IntN(50) == 0 {
				p.now += 2 * day // a fault that came back has to be well for as long
			}
		}
		if began < 3 || ended < began-1 {
			t.Errorf("%s began %d times and ended %d times", code, began, ended)
		}
	}
}

// TestNoFlapping: readings that dance about any limit from well above it to well below, make a fault begin a few times at the most, until it is known
// for one that comes back, wherever they dance.
func TestNoFlapping(t *testing.T) {
	const seed, most = 6, 5
	t.Logf("seed %d", seed)
	for _, c := range []struct {
		code     Code
		subject  Subject
		from, to float64
		every    time.Duration
		do       func(p *place, r *rand.Rand, level float64)
	}{
		{MarginLow, Subject{KindHop, "river", "house"}, 1, 7, 14 * time.Minute, func(p *place, r *rand.Rand, level float64) {
			p.checkIn("river", level+4*r.NormFloat64(), nil)
		}},
		{MarginFalls, Subject{KindHop, "river", "house"}, 8, 20, 14 * time.Minute, func(p *place, r *rand.Rand, level float64) {
			// the level stands for how fast it falls
			p.checkIn("river", 20-(level-8)/12*float64(p.now)/float64(7*day)+4*r.NormFloat64(), nil)
		}},
		{Losses, Subject{KindHop, "river", "house"}, 0.02, 0.25, 14 * time.Minute, func(p *place, r *rand.Rand, level float64) {
			for r.Float64() < level {
				p.counter["river"]++
			}
			p.checkIn("river", 20, nil)
		}},
		{BatteryLow, aNode("river"), 3.2, 3.5, 14 * time.Minute, func(p *place, r *rand.Rand, level float64) {
			sun := 0.1
			if p.now%day < day/2 {
				sun = -0.1
			}
			p.volts = level + sun + 0.03*r.NormFloat64()
			p.checkIn("river", 20, nil)
		}},
		{MainsLost, aNode("river"), 0, 1, 14 * time.Minute, func(p *place, r *rand.Rand, level float64) {
			p.checkIn("river", 20, func(b *proto.CheckIn) { b.Mains = r.Float64() < level*level*level })
		}},
		{ChannelNoisy, Subject{Kind: KindBearer, Name: "lora"}, -115, -105, 5 * time.Minute, func(p *place, r *rand.Rand, level float64) {
			p.w.Noise(p.at(), "lora", level+3*r.NormFloat64())
		}},
		{ChannelBusy, Subject{Kind: KindBearer, Name: "lora"}, 0.1, 0.7, 5 * time.Minute, func(p *place, r *rand.Rand, level float64) {
			p.w.Busy(p.at(), "lora", r.Float64() < level)
		}},
		{DiskFilling, Subject{Kind: KindGateway, Name: "house"}, 0.65, 0.85, 5 * time.Minute, func(p *place, r *rand.Rand, level float64) {
			p.w.Disk(p.at(), level+0.02*r.NormFloat64())
		}},
		{Restarts, aNode("river"), 0.1, 8, 14 * time.Minute, func(p *place, r *rand.Rand, level float64) {
			n := uint8(p.counter["starts"])
			if r.Float64() < level*float64(14*time.Minute)/float64(day) {
				p.counter["starts"]++
			}
			p.checkIn("river", 20, func(b *proto.CheckIn) { b.Restarts = n })
		}},
		{Forged, Subject{Kind: KindGateway, Name: "house"}, 0.1, 20, 3 * time.Minute, func(p *place, r *rand.Rand, level float64) {
			if r.Float64() < level/20 {
				p.w.Refused(p.at(), WrongKey)
			}
		}},
		{ClockDrift, aNode("river"), 0, 4, 14 * time.Minute, func(p *place, r *rand.Rand, level float64) {
			p.checkIn("river", 20, nil)
			p.w.Offset(p.at(), "river", time.Duration((level+r.NormFloat64())*float64(time.Second)), 15*time.Minute)
		}},
		{Chatter, aZone("river-gate"), 0, 1, time.Minute, func(p *place, r *rand.Rand, level float64) {
			if r.IntN(10) == 0 {
				p.tells("river", proto.Fault{Kind: proto.FaultChatter, Ended: r.Float64() > level})
			}
			if p.now%(14*time.Minute) == 0 {
				p.checkIn("river", 20, nil)
			}
		}},
		{ModemAbsent, Subject{Kind: KindBearer, Name: "wifi"}, 0, 1, 5 * time.Second, func(p *place, r *rand.Rand, level float64) {
			p.w.Bearer(p.at(), "wifi", r.Float64() > level)
		}},
		{SinkAbsent, Subject{Kind: KindSink, Name: "broker"}, 0, 1, 5 * time.Second, func(p *place, r *rand.Rand, level float64) {
			p.w.Sink(p.at(), "broker", r.Float64() > level)
		}},
	} {
		worst, where, ever := 0, 0.0, 0
		for i := range 7 {
			level := c.from + (c.to-c.from)*float64(i)/6
			p := newPlace(t, one(15*time.Minute))
			r := rand.New(rand.NewPCG(seed, uint64(i)))
			end := 20 * day
			switch {
			case c.every < time.Minute: // so short a step takes long
				end = 2 * day
			case rules[c.code].calm >= day: // it is judged by days
				end = 90 * day
			}
			for p.now < end {
				c.do(p, r, level)
				p.pass(c.every, c.every)
			}
			n := p.count(c.code, c.subject)
			ever += n
			if n > worst {
				worst, where = n, level
			}
		}
		t.Logf("%s: up to %d times, at a level of %.2f", c.code, worst, where)
		if worst > most || ever == 0 {
			t.Errorf("%s began up to %d times (at %v), %d times at all", c.code, worst, where, ever)
		}
	}
}
