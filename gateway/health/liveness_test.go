package health

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"
)

func one(period time.Duration) Site {
	s := orchard(period)
	s.Nodes = s.Nodes[:1]
	return s
}

// TestDeadNodeIsReported: within two check-in periods and ten seconds of its death at the latest, with a look once a second, whenever
// in the period it dies and whatever the period; and never while it lives, though each check-in comes as late as may be.
func TestDeadNodeIsReported(t *testing.T) {
	for _, period := range []time.Duration{100 * time.Second, 5 * time.Minute, 15 * time.Minute, time.Hour} {
		for part := range 10 {
			p := newPlace(t, one(period))
			for range 5 {
				p.checkIn("river", 20, nil)
				p.pass(period, time.Second)
			}
			p.checkIn("river", 20, nil)
			p.pass(time.Duration(part)*period/10, time.Second)
			p.want(Overdue, aNode("river"), false)
			died := p.now
			for !p.w.stands(Overdue, aNode("river")) && p.now-died < 3*period {
				p.pass(time.Second, time.Second)
			}
			if took := p.now - died; took > 2*period+10*time.Second {
				t.Errorf("period %v: dead at %d tenths, reported after %v, want %v at the most", period, part, took, 2*period+10*time.Second)
			}
			p.checkIn("river", 20, nil)
			p.pass(time.Second, time.Second)
			if c, _ := p.last(Overdue, aNode("river")); !c.Ended || p.count(Overdue, aNode("river")) != 1 {
				t.Errorf("period %v: %+v, began %d times", period, c, p.count(Overdue, aNode("river")))
			}
		}
	}
}

// TestNobodyIsTakenForAlive: a node that was never heard is overdue as long after the start as any other; a frame that may have been
// kept is no sign of life; a relay's record in another's frame is one.
func TestNobodyIsTakenForAlive(t *testing.T) {
	p := newPlace(t, orchard(15*time.Minute))
	for range 40 {
		p.pass(time.Minute, time.Minute)
		p.w.Heard(p.at(), Frame{Node: "river", Bearer: "lora", Sealed: p.now}) // not proven to be of now
		p.w.Heard(p.at(), Frame{Node: "shed", Bearer: "wifi", Sealed: p.now - time.Hour, Now: true})
		p.hears("ridge", 10)
	}
	for name, overdue := range map[string]bool{"river": true, "shed": true, "ridge": false, "barn": false} {
		p.want(Overdue, aNode(name), overdue)
	}
}

// TestDeafGateway: while a bearer is down none of its nodes is blamed, and then each has as long as ever; those of the other are.
func TestDeafGateway(t *testing.T) {
	p := newPlace(t, orchard(15*time.Minute))
	for _, n := range []string{"river", "ridge", "shed"} {
		p.checkIn(n, 20, nil)
	}
	p.w.Bearer(p.at(), "lora", false)
	p.pass(3*time.Hour, 10*time.Second)
	for name, overdue := range map[string]bool{"river": false, "ridge": false, "barn": false, "shed": true} {
		p.want(Overdue, aNode(name), overdue)
	}
	p.w.Bearer(p.at(), "lora", true)
	p.pass(Patience(15*time.Minute), time.Second)
	p.want(Overdue, aNode("river"), false)
	p.pass(2*time.Second, time.Second)
	p.want(Overdue, aNode("river"), true)
}

// TestRelayIsNamed: the remedy for a node that came by a relay names it; where all of a bearer fall silent together it is the gateway
// that is to be looked at first.
func TestRelayIsNamed(t *testing.T) {
	p := newPlace(t, orchard(15*time.Minute))
	for range 8 {
		p.pass(14*time.Minute, time.Minute)
		p.checkIn("river", 20, nil)
		p.checkIn("barn", 20, nil)
	}
	p.checkIn("ridge", 20, nil)
	for range 8 {
		p.pass(14*time.Minute, time.Minute)
		p.checkIn("river", 20, nil)
		p.checkIn("barn", 20, nil)
	}
	if c, ok := p.last(Overdue, aNode("ridge")); !ok || !strings.Contains(c.Remedy, "relay barn") {
		t.Errorf("%+v", c)
	}
	p.pass(time.Hour, time.Minute)
	if c, _ := p.last(Overdue, aNode("river")); !strings.Contains(c.Remedy, "gateway's antenna") {
		t.Errorf("%+v", c)
	}
	p.want(BearerDeaf, Subject{Kind: KindBearer, Name: "lora"}, true)
}

// bursts is a channel that is now whole, now gone: what is sent in a burst is lost. Bursts last 30 s on the average, and are there for one
// hundredth of the time; both have no memory (exponential).
type bursts struct {
	r    *rand.Rand
	in   bool
	last float64 // s
}

const (
	burst      = 30.0 // s
	burstShare = 0.01
)

// lost is asked at times that only grow. Source of the two-state chain's law: any textbook on Markov chains.
func (b *bursts) lost(at float64) bool {
	stays := math.Exp(-(at - b.last) / (burst * (1 - burstShare)))
	p := burstShare * (1 - stays)
	if b.in {
		p += stays
	}
	b.last, b.in = at, b.r.Float64() < p
	return b.in
}

// life is of a node of its own: a Duration holds 292 years.
const life = 100.0 // years

// falseReports is how often in a year a node that lives is reported. It asks the Watcher just before a frame comes: a silence that is too
// long is one then, if ever.
func falseReports(t *testing.T, h habit, period time.Duration, years float64, seed uint64) float64 {
	reports := 0
	for i := uint64(0); float64(i)*life < years; i++ {
		r := rand.New(rand.NewPCG(seed+i, uint64(period)))
		reports += falseInLife(t, h, period, min(life, years-float64(i)*life), r)
	}
	return float64(reports) / years
}

func falseInLife(t *testing.T, h habit, period time.Duration, years float64, r *rand.Rand) int {
	b := &bursts{r: r}
	p := newPlace(t, one(period))
	p.now = 0
	p.w = New(one(period), p.at())
	end := years * 365.25 * 86400
	river := p.w.nodes["river"]
	for base, todo := 0.0, h.draw(r); ; {
		if len(todo) == 0 {
			t.Fatalf("period %v: all that was recorded fell into one burst", period)
		}
		at := base + todo[0].at
		if at >= end {
			return p.count(Overdue, aNode("river"))
		}
		if b.lost(at) {
			todo = todo[1:]
			continue
		}
		p.now = time.Duration(at * float64(time.Second))
		if p.w.silence(river, p.now) > Patience(period) { // else a look would find nothing
			p.tick()
		}
		river.alive(time.Duration((base + todo[0].sealed) * float64(time.Second)))
		if p.w.stands(Overdue, aNode("river")) {
			p.tick()
		}
		base, todo = at, h.draw(r)
	}
}

var nodeYears = flag.Float64("node-years", 150, "how many years TestFalseReports watches a node for, at a check-in each quarter of an hour")

// TestFalseReports measures the trade of Patience, with check-ins as radio/node makes them: false reports in a year of one node, in bursts of
// 30 s on the average that make up 1 % of the time. At most one in 100 years is wanted at a quarter of an hour.
func TestFalseReports(t *testing.T) {
	const seed = 4
	t.Logf("seed %d", seed)
	line := "false reports a year:"
	for _, period := range []time.Duration{100 * time.Second, 5 * time.Minute, 15 * time.Minute, time.Hour} {
		years := *nodeYears * min(period.Minutes()/15, 1)
		rate := falseReports(t, recordHabit(t, period), period, years, seed)
		line += fmt.Sprintf("  %v: %.4f in %.0f years", period, rate, years)
		if period == 15*time.Minute && rate > 0.01 {
			t.Errorf("at a period of %v %v a year, want at most one in 100 years", period, rate)
		}
	}
	t.Log(line)
}

// TestSupervisionIntervals sets the default period beside what EN 50131-1:2006, section 8.8, asks of alarm systems' interconnections, whose scope
// leaves out links as long as these: a periodic message at most every 240 min (grade 1), 120 min (grade 2), 100 s (grade 3). From memory.
func TestSupervisionIntervals(t *testing.T) {
	const usual = 15 * time.Minute
	grades := []time.Duration{240 * time.Minute, 120 * time.Minute, 100 * time.Second}
	for grade, limit := range grades {
		if within := usual <= limit; within != (grade < 2) {
			t.Errorf("grade %d: a period of %v is within %v: %v; README says otherwise", grade+1, usual, limit, within)
		}
	}
	if told := Patience(usual) + time.Second; told != 30*time.Minute+10*time.Second {
		t.Errorf("at %v a loss is told of within %v; README says 30 min 10 s", usual, told)
	}
	if told := Patience(grades[2]) + time.Second; told != 3*time.Minute+30*time.Second {
		t.Errorf("at 100 s a loss is told of within %v; README says 3 min 30 s", told)
	}
}
