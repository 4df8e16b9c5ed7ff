package health_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"longlane/gateway"
	"longlane/gateway/health"
	"longlane/gateway/rehearsal"
	"longlane/proto"
	"longlane/radio/ether"
)

// TestDeathsInTheAir: 1,000 nodes die in simulated air, each at a moment of its own, and each is reported within two check-in periods and ten
// seconds of it. They are real nodes, of which some are heard by a relay only; the gateway's core answers them; what it takes in is told to
// the Watcher, which looks once a second.
func TestDeathsInTheAir(t *testing.T) {
	const each = 25 // nodes of a site
	deaths, worst, falsely := 0, 0.0, 0
	for _, c := range []struct {
		period time.Duration
		sites  uint64
	}{{100 * time.Second, 20}, {5 * time.Minute, 12}, {15 * time.Minute, 6}, {time.Hour, 2}} {
		for seed := range c.sites {
			d := newDying(t, c.period, each, seed)
			d.run(t)
			for name, died := range d.died {
				deaths++
				took := d.reported[name] - died
				if limit := 2*c.period + 10*time.Second; d.reported[name] == 0 || took > limit {
					t.Errorf("period %v, seed %d: %s died at %v and was reported at %v (0: never), want within %v", c.period, seed, name, died, d.reported[name], limit)
				}
				worst = max(worst, (took - 2*c.period).Seconds())
			}
			falsely += d.falsely
		}
	}
	t.Logf("%d deaths; the slowest was reported %.1f s after two periods; %d reports of nodes that lived", deaths, worst, falsely)
	if deaths != 1000 {
		t.Errorf("%d nodes died, want 1,000", deaths)
	}
}

// dying is a site whose nodes die one after the other, all but its relay.
type dying struct {
	period   time.Duration
	scenario ether.Scenario
	seed     uint64
	w        *health.Watcher
	names    []string // by roster id, from 1 on
	now      time.Duration
	died     map[string]time.Duration
	reported map[string]time.Duration // when it was first, after its death
	falsely  int
}

func newDying(t *testing.T, period time.Duration, nodes int, seed uint64) *dying {
	t.Helper()
	d := &dying{period: period, seed: seed, died: map[string]time.Duration{}, reported: map[string]time.Duration{}}
	r := rand.New(rand.NewPCG(seed, uint64(period)))
	air := &ether.Channel{}
	air.SetDefaults()
	air.Region, air.Frequency, air.Fading = "europe", 869.525, "rician"
	near := -90.0
	s := ether.Scenario{Name: "deaths", CheckIn: ether.Duration(period), Air: air, Nodes: []ether.Node{{Name: "relay", Relay: true, Mains: true, RSSI: &near}}}
	watched := health.Site{Gateway: "house", Bearers: []health.Bearer{{Name: "lora"}}, Nodes: []health.Node{{Name: "relay", ID: 1, CheckIn: period}}}
	d.names = []string{"", "relay"}
	for i := range nodes {
		n := ether.Node{Name: fmt.Sprintf("gate-%d", i)}
		if rssi := -80 - 35*r.Float64(); i%5 == 0 {
			s.Pairs = append(s.Pairs, ether.Pair{Of: []string{n.Name, "relay"}, RSSI: rssi})
		} else {
			n.RSSI = &rssi
		}
		d.died[n.Name] = time.Duration((3 + 2*r.Float64()) * float64(period))
		n.Dies = ether.Duration(d.died[n.Name])
		s.Nodes = append(s.Nodes, n)
		d.names = append(d.names, n.Name)
		watched.Nodes = append(watched.Nodes, health.Node{Name: n.Name, ID: uint8(i + 2), CheckIn: period})
	}
	d.scenario = s
	d.w = health.New(watched, health.Time{})
	return d
}

func (d *dying) run(t *testing.T) {
	t.Helper()
	end := 7*d.period + time.Minute
	_, err := rehearsal.Run(context.Background(), rehearsal.Options{Scenario: d.scenario, Seed: d.seed, For: end,
		Stored: func(at time.Duration, durable gateway.Durable) {
			d.until(at)
			name := d.names[durable.ID.Node]
			if died := d.died[name]; died != 0 && at-durable.Age > died+10*time.Second {
				t.Errorf("%s died at %v and has sent something at %v", name, died, at-durable.Age)
			}
			d.w.Heard(health.Time{Mono: at}, health.Frame{Node: name, Bearer: "lora", Sealed: at - durable.Age, Now: durable.Proof == proto.Fresh})
		}})
	if err != nil {
		t.Fatal(err)
	}
	d.until(end)
}

// until has the Watcher look once a second.
func (d *dying) until(t time.Duration) {
	for ; d.now <= t; d.now += time.Second {
		for _, c := range d.w.Tick(health.Time{Mono: d.now}) {
			if name := c.Subject.Name; c.Code == health.Overdue && !c.Ended {
				if died := d.died[name]; died == 0 || d.now < died {
					d.falsely++
				} else if d.reported[name] == 0 {
					d.reported[name] = d.now
				}
			}
		}
	}
}
