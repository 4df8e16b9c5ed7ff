package main

import (
	"cmp"
	"context"
	"slices"
	"testing"
	"time"

	"longlane/gateway"
	"longlane/gateway/rehearsal"
	"longlane/proto"
	"longlane/radio/ether"
)

// The scenarios of testdata/sim that show what the mesh bears, shortened: what each promises is held against what happened on the air.

// played is a rehearsal as the air's own record has it, and as the house was told.
type played struct {
	*rehearsal.Report
	t        *testing.T
	events   map[string]*fact // made or stored, by id
	released []string         // events that their nodes let go, in order
	faults   []fault
	signs    map[string][]time.Duration   // by node: when the house took in something that proves that it was there
	at       map[ether.What]time.Duration // when it happened last
}

// fact is an event.
type fact struct {
	id      string
	node    string
	opening bool
	closed  time.Duration // when the contact did, or when it was made
	made    bool
	stored  int
	told    time.Duration // when it was stored
	gateway.Durable
	way []string // the relays by which it came first
}

func (f *fact) took() time.Duration { return f.told - f.closed }

// fault is one that the gateway's core has found.
type fault struct {
	at   time.Duration
	node string // ""; none
	gateway.Notice
}

func inTime(seconds float64) time.Duration { return time.Duration(seconds * float64(time.Second)) }

func scenario(t *testing.T, name string) ether.Scenario {
	t.Helper()
	_, s, err := readScenario("../../testdata/sim/" + name)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// named is a node of a scenario.
func named(t *testing.T, s *ether.Scenario, name string) *ether.Node {
	t.Helper()
	i := slices.IndexFunc(s.Nodes, func(n ether.Node) bool { return n.Name == name })
	if i < 0 {
		t.Fatalf("%s has no node %s", s.Name, name)
	}
	return &s.Nodes[i]
}

func play(t *testing.T, s ether.Scenario, seed uint64, length time.Duration) *played {
	t.Helper()
	p := &played{t: t, events: map[string]*fact{}, signs: map[string][]time.Duration{}, at: map[ether.What]time.Duration{}}
	of := func(id string) *fact {
		if p.events[id] == nil {
			p.events[id] = &fact{id: id}
		}
		return p.events[id]
	}
	r, err := rehearsal.Run(context.Background(), rehearsal.Options{Scenario: s, Seed: seed, For: length,
		Record: func(r ether.Record) {
			p.at[r.What] = inTime(r.T)
			switch r.What {
			case ether.RecordMade:
				f := of(r.ID)
				f.node, f.opening, f.made, f.closed = r.Node, r.Kind == "opening", true, inTime(r.T-*r.Age)
			case ether.RecordReleased:
				p.released = append(p.released, r.ID)
				if of(r.ID).stored == 0 {
					t.Errorf("at %v s %s got a receipt for %s, which is not stored", r.T, r.Node, r.ID)
				}
			case ether.RecordHeard:
				if f := p.events[r.ID]; r.ID != "" && f != nil && f.way == nil {
					f.way = []string{}
					for _, h := range r.Hops {
						f.way = append(f.way, h.Relay)
					}
				}
			}
		},
		Stored: func(at time.Duration, d gateway.Durable) {
			if name := s.Nodes[d.ID.Node-1].Name; d.Proof == proto.Fresh { // nodes are enrolled in the scenario's order
				p.signs[name] = append(p.signs[name], at)
			}
			if _, checkIn := d.Body.(*proto.CheckIn); !checkIn {
				f := of(d.ID.String())
				f.stored++
				f.told, f.Durable = at, d
			}
		},
		Noticed: func(at time.Duration, n gateway.Notice) {
			f := fault{at: at, Notice: n}
			if n.Node > 0 {
				f.node = s.Nodes[n.Node-1].Name
			}
			p.faults = append(p.faults, f)
		}})
	if err != nil {
		t.Fatal(err)
	}
	p.Report = r
	return p
}

// openings are the trips made from one time to another, in the order in which they began.
func (p *played) openings(from, to time.Duration) (of []*fact) {
	for _, f := range p.events {
		if f.opening && f.closed >= from && f.closed < to {
			of = append(of, f)
		}
	}
	slices.SortFunc(of, func(a, b *fact) int { return cmp.Or(cmp.Compare(a.closed, b.closed), cmp.Compare(a.id, b.id)) })
	return of
}

// whole holds what is so of every scenario: what was made is stored, once, and nothing else; and no station was longer on the
// air than is lawful.
func (p *played) whole() {
	p.t.Helper()
	for id, f := range p.events {
		if !f.made || f.stored != 1 {
			p.t.Errorf("%s of %q: made %v, stored %d times; want each that was made, once", id, f.node, f.made, f.stored)
		}
	}
	if r := p.Report; r.Trips.Delivered != r.Trips.Made || r.Told.NeverMade != 0 || r.Circulating != 0 || len(p.released) < len(p.events)/2 {
		p.t.Errorf("%+v, told %+v, %d frames in circles; %d of %d events got their receipts", r.Trips, r.Told, r.Circulating, len(p.released), len(p.events))
	}
	for _, n := range p.Nodes {
		if !n.Lawful() {
			p.t.Errorf("%s sent for %v in an hour, of %v", n.Name, n.Hour, n.Limit)
		}
	}
}

// when tells when the house was told that a fault of a node's (or of none, "") began, and ended, first.
func (p *played) when(code, node string) (began, ended time.Duration) {
	for _, f := range p.faults {
		switch {
		case f.Code != code || f.node != node:
		case !f.Ended && began == 0:
			began = f.at
		case f.Ended && began != 0 && ended == 0:
			ended = f.at
		}
	}
	return began, ended
}

// TestDyingRelay: the middle relay dies, and trips flow by another way, at once: well within two check-in periods. Nothing is lost.
func TestDyingRelay(t *testing.T) {
	t.Parallel()
	s := scenario(t, "dying-relay.toml")
	period, dies, end := time.Duration(s.CheckIn), 3*time.Hour, 5*time.Hour
	named(t, &s, "relay-middle").Dies = ether.Duration(dies)
	s.Until = ether.Duration(end)
	for seed := s.Seed; seed < s.Seed+3; seed++ {
		p := play(t, s, seed, end+time.Hour)
		p.whole()
		before, after := p.openings(0, dies), p.openings(dies, end)
		if len(before) < 150 || len(after) < 150 {
			t.Fatalf("seed %d: %d trips before, %d after", seed, len(before), len(after))
		}
		middle, round := 0, 0
		for _, f := range before {
			switch {
			case slices.Contains(f.way, "relay-middle"):
				middle++
			case len(f.way) == 2:
				round++
			}
		}
		if middle < 2*round {
			t.Errorf("seed %d: while it lived, %d trips came over the middle relay, %d all the way round: it is not the better way", seed, middle, round)
		}
		for i, f := range after {
			if i < 4 {
				t.Logf("seed %d: %v after the death a trip is made, and takes %v over %v", seed, (f.closed - dies).Round(time.Second), f.took().Round(time.Millisecond), f.way)
			}
			if limit := 10 * time.Second; f.took() > limit || slices.Contains(f.way, "relay-middle") && f.closed > dies+time.Second {
				t.Errorf("seed %d: a trip %v after the death took %v over %v, want %v at most", seed, f.closed-dies, f.took(), f.way, limit)
			}
		}
		// What comes once two periods have passed is as quick as it is by then usual.
		median := func(of []*fact) time.Duration {
			took := make([]time.Duration, len(of))
			for i, f := range of {
				took[i] = f.took()
			}
			slices.Sort(took)
			return took[len(took)/2]
		}
		soon, later := median(p.openings(dies, dies+2*period)), median(p.openings(dies+2*period, end))
		if t.Logf("seed %d: half within %v before, %v in the first %v after, %v later", seed, median(before), soon, 2*period, later); soon > 2*later || later > time.Second {
			t.Errorf("seed %d: half within %v in the first %v, within %v later", seed, soon, 2*period, later)
		}
		if began, _ := p.when(gateway.NoticeOverdue, "relay-middle"); began < dies || began > dies+2*period+2*time.Minute {
			t.Errorf("seed %d: dead since %v, and overdue from %v on", seed, dies, began)
		}
	}
}

// TestOutages: an hour-long jam and a day without the gateway's modem. All is delivered afterwards, nothing old sounds, the first trips
// after each outage do, and the house is told whom it has not heard, and why.
func TestOutages(t *testing.T) {
	t.Parallel()
	s := scenario(t, "outages.toml")
	jam, out := &s.Interferers[0], &s.Unplugs[0]
	if jam.To-jam.From != ether.Duration(time.Hour) || out.For != ether.Duration(24*time.Hour) {
		t.Fatalf("the jam lasts from %v to %v, and the outage for %v", jam.From, jam.To, out.For)
	}
	// The same with hours of normal life between, not days.
	sooner := func(d *ether.Duration, by time.Duration) { *d -= ether.Duration(by) }
	for i := range s.Nodes {
		for j := range s.Nodes[i].Trips {
			if at := &s.Nodes[i].Trips[j].At; *at > out.At {
				sooner(at, 86*time.Hour)
			} else {
				sooner(at, 44*time.Hour)
			}
		}
	}
	sooner(&jam.From, 44*time.Hour)
	sooner(&jam.To, 44*time.Hour)
	sooner(&out.At, 86*time.Hour)
	s.Until = ether.Duration(39 * time.Hour)
	p := play(t, s, s.Seed, 40*time.Hour)
	p.whole()

	held := 0
	for _, f := range p.openings(0, 40*time.Hour) {
		if f.took() > time.Minute {
			held++
			if !f.Delayed {
				t.Errorf("%s of %s is told %v after it, as one that sounds", f.id, f.node, f.took())
			}
		}
	}
	if held < 400 {
		t.Errorf("%d trips were held up: these are no outages", held)
	}
	t.Logf("the oldest that sounded came %v after its contact had closed; %d trips were held up", p.Told.Oldest, held)
	for _, o := range []struct {
		what       string
		began, end time.Duration
	}{{"the jam", time.Duration(jam.From), time.Duration(jam.To)}, {"the outage", time.Duration(out.At), time.Duration(out.At + out.For)}} {
		all, silent := p.openings(o.end, o.end+4*time.Hour), 0
		for i, f := range all {
			if i < 6 {
				t.Logf("after %s: the trip of %s after %v took %v, delayed %v, %v", o.what, f.node, f.closed-o.end, f.took(), f.Delayed, f.Proof)
			}
			switch {
			case i < 2 && (f.closed > o.end+4*time.Second || f.took() > 10*time.Second || f.Delayed):
				t.Errorf("%v after %s one comes to %s: told after %v, delayed %v", f.closed-o.end, o.what, f.node, f.took(), f.Delayed)
			case f.Delayed:
				silent++
			}
		}
		if len(all) < 60 || 50*silent > len(all) {
			t.Errorf("in four hours after %s %d of %d trips did not sound", o.what, silent, len(all))
		}
	}
	for _, n := range s.Nodes {
		began, ended := p.when(gateway.NoticeOverdue, n.Name)
		if at, end := time.Duration(jam.From), time.Duration(jam.To); began < at+15*time.Minute || began > end || ended < end || ended > end+20*time.Minute {
			t.Errorf("%s is overdue from %v to %v; the jam is from %v to %v", n.Name, began, ended, at, end)
		}
		for _, f := range p.faults {
			if f.Code == gateway.NoticeOverdue && f.node == n.Name && !f.Ended && f.at > time.Duration(jam.To) {
				t.Errorf("%s is blamed at %v: %s", n.Name, f.at, f.Detail)
			}
		}
	}
	for _, f := range p.faults { // nobody has kept anything back
		if _, ended := p.when(gateway.NoticeHeldBack, f.node); f.Code == gateway.NoticeHeldBack && ended == 0 {
			t.Errorf("at %v, and without end: %s", f.at, f.Detail)
		}
	}
	began, ended := p.when(gateway.NoticeBearerDown, "")
	if at, end := time.Duration(out.At), time.Duration(out.At+out.For); began < at || began > at+2*time.Minute || ended < end || ended > end+2*time.Minute {
		t.Errorf("the modem is missed from %v to %v, and out from %v to %v", began, ended, at, end)
	}
}

// TestStolenRelay: a thief with a relay's keys makes no trip, silences none, and the house is told that something is wrong with the way.
func TestStolenRelay(t *testing.T) {
	t.Parallel()
	s := scenario(t, "stolen-relay.toml")
	const stolen, end = time.Hour, 4 * time.Hour
	named(t, &s, "relay-middle").Stolen = ether.Duration(stolen)
	s.Until = ether.Duration(end)
	for seed := s.Seed; seed < s.Seed+2; seed++ {
		p := play(t, s, seed, end+time.Hour)
		p.whole()
		began, _ := p.when(gateway.NoticeSlowWay, "far-gate")
		if began < stolen || began > stolen+10*time.Minute {
			t.Errorf("seed %d: at %v the house is told of a slow way; the relay was stolen at %v", seed, began, stolen)
		}
		sounded, trips := 0, p.openings(stolen, end)
		for _, f := range trips {
			if !f.Delayed {
				sounded++
			}
		}
		t.Logf("seed %d: a slow way %v after the theft; %d trips since, %d sounded; frames refused: %v", seed, began-stolen, len(trips), sounded, p.Refused)
		if len(trips) < 250 || float64(sounded) < 0.95*float64(len(trips)) {
			t.Errorf("seed %d: %d of %d trips sounded", seed, sounded, len(trips))
		}
		if p.Refused["direction"] < 1000 || p.Refused["mac"] < 20 || p.at[ether.RecordStolen] != stolen {
			t.Errorf("seed %d: somebody steals it at %v, and then this was refused: %v", seed, p.at[ether.RecordStolen], p.Refused)
		}
	}
}

// TestStolenOnlyRelay: where there is no other way, whoever has the relay can keep what comes. Then the node behind it is overdue, as the
// house is told; it keeps its trips. The thief himself checks in, and is not missed.
func TestStolenOnlyRelay(t *testing.T) {
	t.Parallel()
	s := scenario(t, "stolen-relay.toml")
	const stolen = 2 * time.Hour
	s.Nodes = slices.DeleteFunc(s.Nodes, func(n ether.Node) bool { return n.Relay && n.Name != "relay-middle" })
	named(t, &s, "relay-middle").Stolen = ether.Duration(stolen)
	named(t, &s, "far-gate").Rate.PerHour = 30
	s.Pairs = append(s.Pairs, ether.Pair{Of: []string{"far-gate", "gateway"}, RSSI: -150}) // a ridge between
	for seed := s.Seed; seed < s.Seed+4; seed++ {
		p := play(t, s, seed, 5*time.Hour)
		for id, f := range p.events {
			if f.stored > 1 || f.stored == 1 && !f.made {
				t.Errorf("%s of %q: made %v, stored %d times", id, f.node, f.made, f.stored)
			}
		}
		before, kept := p.openings(0, stolen-time.Minute), 0
		for _, f := range before {
			if f.stored != 1 || f.took() > time.Minute {
				t.Errorf("%s, made at %v before the theft: stored %d times, after %v", f.id, f.closed, f.stored, f.took())
			}
		}
		since := p.openings(stolen, 5*time.Hour)
		for _, f := range since { // he plays some back, later
			switch {
			case f.stored == 0:
				kept++
			case f.took() > time.Minute && !f.Delayed:
				t.Errorf("%s is told %v after it, as one that sounds", f.id, f.took())
			}
		}
		if len(before) < 30 || len(since) < 50 || kept < len(since)/2 || p.Trips.Waiting < kept {
			t.Errorf("%d trips before the theft, %d since, of which the thief kept %d; %+v", len(before), len(since), kept, p.Trips)
		}
		period := time.Duration(s.CheckIn)
		began, ended := p.when(gateway.NoticeOverdue, "far-gate")
		last := time.Duration(0)
		for _, at := range p.signs["far-gate"] {
			if (began == 0 || at < began) && at > last {
				last = at
			}
			// What he plays back, once in 5 min, proves that the gate is there if he has heard it a moment before.
			if at > stolen && (at-stolen)%(5*time.Minute) > 10*time.Second {
				t.Errorf("something of the gate's comes through at %v; the relay was stolen at %v", at, stolen)
			}
			if at > began && (ended == 0 || at < ended-2*time.Minute) {
				t.Errorf("the gate is there at %v, and overdue from %v to %v", at, began, ended)
			}
		}
		if began < stolen || began > last+2*period+2*time.Minute {
			t.Errorf("the gate is overdue from %v on, and was heard at %v last; the relay was stolen at %v", began, last, stolen)
		}
		if began, _ := p.when(gateway.NoticeOverdue, "relay-middle"); began != 0 {
			t.Errorf("the thief is overdue from %v on: nobody would steal a relay so", began)
		}
	}
}
