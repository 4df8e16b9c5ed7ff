package rehearsal

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"reflect"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"longlane/gateway"
	"longlane/proto"
	"longlane/radio/ether"
	"longlane/radio/lora"
	"longlane/radio/node"
)

// meadow is n gates in sight of the house, each with some trips a day.
func meadow(n int, tripsADay float64) ether.Scenario {
	s := ether.Scenario{Name: "the meadow", Air: new(ether.Channel), CheckIn: ether.Duration(15 * time.Minute)}
	s.Air.SetDefaults()
	s.Air.Region, s.Air.Frequency, s.Air.Fading = "europe", 869.525, "rayleigh"
	for i := range n {
		s.Nodes = append(s.Nodes, ether.Node{Name: fmt.Sprintf("gate-%d", i), RSSI: new(-100 - float64(i%10)), DriftPPM: float64(i%9-4) * 10,
			Rate: &ether.Rate{PerHour: tripsADay / 24, DwellMin: ether.Duration(time.Second), DwellMax: ether.Duration(5 * time.Second)}})
	}
	return s
}

// lane is a gate behind two relays, beside one in sight of the house.
func lane() ether.Scenario {
	s := meadow(2, 100)
	s.Nodes[0].Name, s.Nodes[0].RSSI = "river-gate", nil
	s.Nodes = append(s.Nodes, ether.Node{Name: "mill-relay", Relay: true, Mains: true},
		ether.Node{Name: "oak-relay", RSSI: new(-95.0), Relay: true, Mains: true})
	s.Pairs = []ether.Pair{{Of: []string{"river-gate", "mill-relay"}, RSSI: -100}, {Of: []string{"mill-relay", "oak-relay"}, RSSI: -101}}
	return s
}

func rehearse(t testing.TB, s ether.Scenario, seed uint64, length time.Duration) *Report {
	t.Helper()
	r, err := Run(context.Background(), Options{Scenario: s, Seed: seed, For: length})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// Every trip that the air tells of is delivered or accounted for, over relays as well, and the report counts what the air's
// own record counts.
func TestEveryTrip(t *testing.T) {
	for _, s := range []ether.Scenario{meadow(6, 60), lane()} {
		opened, sent, lost, busy := 0, map[string]int64{}, 0, 0
		r, err := Run(context.Background(), Options{Scenario: s, Seed: 3, For: 2 * 24 * time.Hour, Record: func(rec ether.Record) {
			switch {
			case rec.What == ether.RecordMade && rec.Kind == "opening":
				opened++
			case rec.What == ether.RecordSent:
				sent[rec.Node]++
			case rec.What == ether.RecordRelayed:
				sent[rec.By]++
			case rec.What == ether.RecordAnswer:
				sent["gateway"]++
			case rec.What == ether.RecordLost:
				lost++
			case rec.What == ether.RecordWithheld:
				busy++
			}
		}})
		if err != nil {
			t.Fatal(err)
		}
		if r.Trips.Made != opened || opened < 100 || r.Trips.Delivered+r.Trips.Dropped+r.Trips.Waiting != opened || r.Trips.Dropped != 0 || r.Trips.Waiting > 2 {
			t.Errorf("%d contacts were opened; %+v", opened, r.Trips)
		}
		if r.CheckIns.Heard < 2*90*len(s.Nodes) || r.CheckIns.Heard > r.CheckIns.Sent {
			t.Errorf("%d check-ins sent, %d heard, want about %d", r.CheckIns.Sent, r.CheckIns.Heard, 2*96*len(s.Nodes))
		}
		sum := 0
		for _, l := range r.Losses {
			sum += l.Frames
		}
		if sum != lost {
			t.Errorf("%d frames lost in the report, %d in the record", sum, lost)
		}
		for _, n := range r.Nodes {
			if n.Frames != sent[n.Name] || !n.Lawful() || n.Hour == 0 {
				t.Errorf("%+v; the record has %d frames", n, sent[n.Name])
			}
		}
		frames, airtime := int64(0), time.Duration(0)
		for _, n := range r.Nodes {
			frames, airtime = frames-n.Frames, airtime-n.Airtime
		}
		for _, k := range r.Spent {
			frames, airtime = frames+k.Frames, airtime+k.Airtime
		}
		if frames != 0 || airtime != 0 {
			t.Errorf("by kinds %d frames and %v more than by stations", frames, airtime)
		}
		if r.Withheld.Busy != busy || r.Circulating != 0 {
			t.Errorf("%d frames were withheld as the record has it; the report: %+v, %d circulating", busy, r.Withheld, r.Circulating)
		}
		if !slices.IsSortedFunc(r.Latency, func(a, b Point) int { return int(a.Within - b.Within) }) || r.Latency[0].Within < 50*time.Millisecond || r.Latency[0].Within > time.Second {
			t.Errorf("latency %v", r.Latency)
		}
	}
}

func TestSameSeedSameReport(t *testing.T) {
	var got [3]*Report
	for i := range got {
		got[i] = rehearse(t, lane(), uint64(1+i/2), 24*time.Hour)
		got[i].Took = 0
	}
	if !reflect.DeepEqual(got[0], got[1]) {
		t.Errorf("one seed, two reports:\n%+v\n%+v", got[0], got[1])
	}
	got[2].Seed = got[0].Seed
	if reflect.DeepEqual(got[0], got[2]) {
		t.Error("two seeds, one report")
	}
}

// Where nobody fades and nobody is in the way, a trip in sight of the house takes the least: its two frames once, and two receipts.
// What the report says of that is reckoned here from the airtimes of 26 and 33 bytes at SF7: 61.7 and 72.0 ms, by the formula of the
// SX1276 datasheet, and 35 bytes behind one relay, 77.1 ms.
func TestLeast(t *testing.T) {
	s := meadow(1, 0)
	s.Air.Fading, s.Nodes[0].Rate, s.Nodes[0].RSSI = "none", nil, new(-60.0)
	s.Nodes[0].Trips = []ether.Trip{{At: ether.Duration(time.Minute), For: ether.Duration(10 * time.Second), Every: ether.Duration(10 * time.Minute)}}
	ms := func(x float64) time.Duration { return time.Duration(x * float64(time.Millisecond)) }
	r := rehearse(t, s, 1, time.Hour)
	if want := 12 * ms(61.696+71.936); r.Events != 12 || (r.Least-want).Abs() > time.Microsecond*100 || r.Relays != (Relays{}) {
		t.Errorf("%d events, the least %v, want 12 and %v; relays %+v", r.Events, r.Least, want, r.Relays)
	}
	// The first of a node's trips may carry its whole counter, 2 bytes more.
	if got := r.Airtime(ether.ForEvents); got < r.Least || got > r.Least+r.Least/50 {
		t.Errorf("trips took %v, the least is %v", got, r.Least)
	}
	for i, w := range r.Within {
		if w.Trips != 6 || w.Time != []time.Duration{time.Second, 3 * time.Second, 10 * time.Second, 30 * time.Second}[i] {
			t.Errorf("%+v of 6 trips", w)
		}
	}

	tally := newTally(map[string]node.Card{"river-gate": {Node: 1}})
	tally.airtime = func(n int) time.Duration { return s.Transmitter(14, n).Airtime(n) }
	keys, err := proto.NewKeys(make([]byte, proto.KeySize))
	if err != nil {
		t.Fatal(err)
	}
	frame, err := proto.Seal(nil, keys, proto.Header{Type: proto.TypeTripOpened, HopsLeft: 7, Node: 1, Gen: 1, Counter: 4}, &proto.TripOpened{})
	if err == nil {
		frame, err = proto.AppendHop(frame, keys, proto.Hop{Relay: 2, Gen: 1})
	}
	if err != nil {
		t.Fatal(err)
	}
	tally.frame, _ = proto.Parse(frame)
	tally.observed(0, "river-gate", node.Observed{What: node.Made, Kind: node.Opening, Counter: 4})
	tally.stored(3*time.Second, gateway.Durable{ID: gateway.ID{Node: 1, Gen: firstGen, Counter: 4}, Body: &proto.TripOpened{}})
	if want := ms(61.696 + 77.056 + 2*71.936); (tally.least-want).Abs() > time.Microsecond*100 || tally.relays != (Relays{1, 1}) ||
		tally.within != [len(limits)]int{0, 0, 1, 1} { // the line takes 5 ms more than 3 s
		t.Errorf("over a relay: the least %v, want %v; relays %+v, within %v", tally.least, want, tally.relays, tally.within)
	}
}

// What cannot work is refused at the field that is in the way.
func TestRefused(t *testing.T) {
	for want, change := range map[string]func(*ether.Scenario){
		"air.region":      func(s *ether.Scenario) { s.Air.Region = "" },
		"air.frequency":   func(s *ether.Scenario) { s.Air.Frequency = 0 },
		"air.frequency ":  func(s *ether.Scenario) { s.Air.Frequency = 868.65 },                             // for alarms alone, and too narrow
		"air.frequency  ": func(s *ether.Scenario) { s.Air.Region, s.Air.Frequency = "united-states", 915 }, // 125 kHz do not hop
		"node[1].rssi":    func(s *ether.Scenario) { s.Nodes[1].RSSI = new(-140.0) },
		"node[0].power":   func(s *ether.Scenario) { s.Nodes[0].Power = new(35.0) },
		"node[0].name":    func(s *ether.Scenario) { s.Nodes[2].Relay = false }, // nobody passes its frames on
		"node[0].name ":   func(s *ether.Scenario) { s.Pairs[1].RSSI = -130 },   // the mill relay has no way
		"node[2].name":    func(s *ether.Scenario) { s.Pairs[1].RSSI = -140 },   // and is not heard itself
		"node[3].name": func(s *ether.Scenario) { // two trips a minute over a relay that may send for 3.6 s an hour
			s.Air.Frequency = 869.0
			s.Nodes[0].Rate.PerHour = 40
		},
	} {
		s := lane()
		change(&s)
		_, err := Run(context.Background(), Options{Scenario: s, Seed: 1, For: time.Hour})
		if !refusedAt(err, strings.TrimSpace(want)) {
			t.Errorf("%s: %v", want, err)
		}
	}
}

// What a plan reckons for nodes, relays and the gateway is what the air counts where no frame is lost.
func TestPlanIsWhatIsSent(t *testing.T) {
	s := lane()
	s.Air.Fading = "none"
	for i := range s.Nodes {
		s.Nodes[i].Rate = nil
	}
	s.Nodes[1].RSSI, s.Nodes[3].RSSI, s.Pairs[0].RSSI, s.Pairs[1].RSSI = new(-60.0), new(-60.0), -80, -80
	const hours = 200
	r := rehearse(t, s, 1, hours*time.Hour)
	check := func(n Node, want time.Duration) {
		if got := n.Airtime / hours; (got - want).Abs() > want/50 {
			t.Errorf("%s sent for %v in an hour, the plan says %v", n.Name, got, want)
		}
	}
	for i := range s.Nodes {
		check(r.Nodes[i], waysOf(&s).reckoned(i))
	}
	check(r.Nodes[len(s.Nodes)], answers(&s))
}

// A node is refused if no draw of its fading could be heard, and only then.
func TestRefusedUnheard(t *testing.T) {
	for _, c := range []struct {
		fading    string
		shadowing float64
		lack      float64 // dB below what the gateway needs
		refused   bool
	}{{"none", 0, -0.1, false}, {"none", 0, 0.1, true}, {"rayleigh", 0, 9.9, false}, {"rayleigh", 0, 10.1, true},
		{"rayleigh", 2, 15.9, false}, {"rayleigh", 2, 16.1, true}} {
		s := meadow(1, 1)
		s.Air.Fading, s.Air.Shadowing = c.fading, c.shadowing
		s.Nodes[0].RSSI = new(lora.Sensitivity(s.Transmitter(s.Air.Power, 0).Settings, s.Air.NoiseFigure) - c.lack)
		if _, err := Band(s.Filled()); refusedAt(err, "node[0].rssi") != c.refused {
			t.Errorf("%+v: %v", c, err)
		}
	}
}

// The line to the modem takes its time both ways: an event is stored that much after its frame was heard, and answered that
// much later again.
func TestLineTakesTime(t *testing.T) {
	s := meadow(1, 1)
	s.Air.Fading, s.Nodes[0].Rate, s.Nodes[0].RSSI = "none", nil, new(-60.0)
	s.Nodes[0].Trips = []ether.Trip{{At: ether.Duration(time.Minute), For: ether.Duration(time.Hour)}}
	var heard, answered float64
	r, err := Run(context.Background(), Options{Scenario: s, Seed: 1, For: 5 * time.Minute, Record: func(r ether.Record) {
		switch {
		case r.What == ether.RecordHeard && r.Kind == "trip opened" && heard == 0:
			heard = r.T
		case r.What == ether.RecordAnswer && heard > 0 && answered == 0:
			answered = r.T
		}
	}})
	if err != nil {
		t.Fatal(err)
	}
	at := func(sec float64) time.Duration { return time.Duration(sec * float64(time.Second)) }
	if got, want := r.Slowest, at(heard)+Line-time.Minute; (got - want).Abs() > time.Millisecond {
		t.Errorf("stored %v after the contact, want %v", got, want)
	}
	// and a modem of SF7 senses the carrier for 2.5 symbols of 1.024 ms
	if got, want := at(answered-heard), 2*Line+2560*time.Microsecond; (got - want).Abs() > time.Microsecond {
		t.Errorf("answered %v after it was heard, want %v", got, want)
	}
}

func refusedAt(err error, path string) bool {
	if list, ok := err.(interface{ Unwrap() []error }); ok {
		return slices.ContainsFunc(list.Unwrap(), func(e error) bool { return refusedAt(e, path) })
	}
	var f *ether.FieldError
	return errors.As(err, &f) && f.Path == path
}

// A rehearsal of five weeks needs no more memory than one of two. (In the first the gateway fills what it remembers of each
// node's last events.)
func TestMemoryStaysFlat(t *testing.T) {
	var heap []uint64
	days := time.Duration(0)
	_, err := Run(context.Background(), Options{Scenario: meadow(1, 300), Seed: 1, For: 35 * 24 * time.Hour, Record: func(r ether.Record) {
		if at := time.Duration(r.T * float64(time.Second)); at > days {
			days += 7 * 24 * time.Hour
			runtime.GC()
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			heap = append(heap, m.HeapAlloc)
		}
	}})
	if err != nil || len(heap) < 4 {
		t.Fatal(err, heap)
	}
	if grown := int64(heap[len(heap)-1]) - int64(heap[2]); grown > 200<<10 {
		t.Errorf("the heap grew by %d bytes between the third week and the last: %v", grown, heap)
	}
}

// A storm that would have the gateway answer for several times the 3.6 s an hour that are lawful at 869 MHz: as the air counts,
// no hour holds more, nearly all of it is used, and every trip is stored all the same.
func TestStormStaysLawful(t *testing.T) {
	s := meadow(3, 1)
	s.Air.Frequency, s.Air.Fading = 869.0, "none"
	for i := range s.Nodes {
		s.Nodes[i].Rate = nil
		for k := range 60 {
			s.Nodes[i].Trips = append(s.Nodes[i].Trips, ether.Trip{At: ether.Duration(time.Duration(10+50*k+i) * time.Second), For: ether.Duration(2 * time.Second)})
		}
	}
	r := rehearse(t, s, 1, 12*time.Hour)
	if r.Trips.Made != 180 || r.Trips.Delivered != 180 {
		t.Errorf("%+v, want all of 180 trips", r.Trips)
	}
	g := r.Nodes[len(r.Nodes)-1]
	if g.Name != "gateway" || g.Limit != 3600*time.Millisecond || !g.Lawful() || g.Hour < 3400*time.Millisecond {
		t.Errorf("%+v", g)
	}
	t.Logf("the gateway sent for %v in its busiest hour, of %v", g.Hour, g.Limit)
}

// An unplugged modem sends nothing, not even the receipt for what it had just heard, and goes on when it is back.
func TestUnplugged(t *testing.T) {
	s := meadow(1, 1)
	s.Air.Fading, s.CheckIn, s.Nodes[0].Rate = "none", ether.Duration(time.Hour), nil
	s.Nodes[0].Trips = []ether.Trip{{At: ether.Duration(time.Minute), For: ether.Duration(time.Hour)}}
	var heard float64
	watch := func(r ether.Record) {
		if r.What == ether.RecordHeard && r.Kind == "trip opened" && heard == 0 {
			heard = r.T
		}
	}
	if _, err := Run(context.Background(), Options{Scenario: s, Seed: 1, For: time.Hour, Record: watch}); err != nil || heard == 0 {
		t.Fatal(err, heard)
	}
	s.Unplugs = []ether.Unplug{{At: ether.Duration(heard*float64(time.Second)) + ether.Duration(Line), For: ether.Duration(time.Minute)}}
	unplugged, sent := false, [2]int{}
	r, err := Run(context.Background(), Options{Scenario: s, Seed: 1, For: 30 * time.Minute, Record: func(r ether.Record) {
		switch {
		case r.What == ether.RecordPlug:
			unplugged = *r.Unplugged
		case r.What == ether.RecordAnswer && unplugged:
			sent[0]++
		case r.What == ether.RecordAnswer:
			sent[1]++
		}
	}})
	if err != nil || sent[0] != 0 || sent[1] == 0 || r.Trips.Delivered != 1 {
		t.Errorf("sent %d times while unplugged and %d times else, %+v, %v; want none, some and one trip delivered", sent[0], sent[1], r.Trips, err)
	}
}

// A node may lose its power while a relay still holds its frame: the trip is stored, and not lost.
func TestDroppedAndStored(t *testing.T) {
	h := newTally(map[string]node.Card{"river-gate": {Node: 1}})
	h.airtime = func(int) time.Duration { return 0 }
	for counter := range uint32(3) {
		h.observed(time.Minute, "river-gate", node.Observed{What: node.Made, Kind: node.Opening, Counter: counter})
	}
	h.observed(time.Minute, "river-gate", node.Observed{What: node.Dropped, Kind: node.Opening, Counter: 0})
	h.observed(time.Minute, "river-gate", node.Observed{What: node.Dropped, Kind: node.Opening, Counter: 1})
	h.stored(time.Minute+time.Second, gateway.Durable{ID: gateway.ID{Node: 1, Gen: firstGen, Counter: 1}, Body: &proto.TripOpened{}})
	if h.made != 3 || h.done != 1 || h.dropped != 1 || len(h.open) != 1 || h.latency.Max() < 1000 {
		t.Errorf("%d made, %d stored, %d dropped, %d held, the slowest after %d ms; want 3, 1, 1, 1 and a second", h.made, h.done, h.dropped, len(h.open), h.latency.Max())
	}
}

// An opening that no node had made is told as that; what is too old does not sound; ends of trips are not counted; and a fault that comes
// again is one line.
func TestTold(t *testing.T) {
	h := newTally(map[string]node.Card{"river-gate": {Node: 1}})
	h.airtime = func(int) time.Duration { return 0 }
	for _, counter := range []uint32{5, 6, 7, 100, 101} { // it restarted in between
		h.observed(time.Minute, "river-gate", node.Observed{What: node.Made, Kind: node.Opening, Counter: counter, Age: time.Second})
	}
	for _, d := range []gateway.Durable{
		{ID: gateway.ID{Counter: 5}, Body: &proto.TripOpened{}},
		{ID: gateway.ID{Counter: 6}, Body: &proto.TripHeld{}, Delayed: true},
		{ID: gateway.ID{Counter: 7}, Body: &proto.TripHeld{Closed: true}},
		{ID: gateway.ID{Counter: 100}, Body: &proto.TripClosed{}},
		{ID: gateway.ID{Counter: 101}, Body: &proto.TripOpened{}, Proof: proto.Unproven},
		{ID: gateway.ID{Counter: 50}, Body: &proto.TripOpened{}},
		{ID: gateway.ID{Counter: 102}, Body: &proto.TripOpened{}, Delayed: true, Proof: proto.Late},
		{ID: gateway.ID{Counter: 103}, Body: &proto.Fault{Kind: proto.FaultTamper}},
		{ID: gateway.ID{Counter: 104}, Body: &proto.Fault{Kind: proto.FaultTamper, Ended: true}},
		{ID: gateway.ID{Counter: 105}, Body: &proto.Fault{Kind: proto.FaultTamper}},
		{Body: &proto.CheckIn{}},
	} {
		d.ID.Node, d.ID.Gen = 1, firstGen
		h.stored(time.Minute+4*time.Second, d)
	}
	if want := (Told{New: 2, Unproven: 1, Old: 2, Oldest: 5*time.Second + Line, NeverMade: 2}); h.told != want {
		t.Errorf("told %+v, want %+v", h.told, want)
	}
	at := time.Minute + 4*time.Second
	if want := []Fault{{Code: "tamper", Of: "river-gate", Began: 2, Ended: 1, First: at, Last: at, LastEnded: at}}; !slices.Equal(h.faults, want) || h.heard != 1 {
		t.Errorf("faults %+v, want %+v; %d check-ins", h.faults, want, h.heard)
	}
}

// BenchmarkDay is a day of 50 gates that check in every 15 minutes and make 20 trips in all.
func BenchmarkDay(b *testing.B) {
	for b.Loop() {
		rehearse(b, meadow(50, 0.4), 1, 24*time.Hour)
	}
}

// The modem waits while it can sense a node's frame, and sends then: no receipt begins in the middle of one, and none is missing for
// it. If the channel is never free it gives up, and nothing hangs.
func TestModemWaits(t *testing.T) {
	s := meadow(6, 0)
	s.Air.Fading = "none"
	for i := range s.Nodes {
		s.Nodes[i].Rate = nil
		s.Nodes[i].Trips = []ether.Trip{{At: ether.Duration(time.Minute + time.Duration(i)*37*time.Millisecond), For: ether.Duration(2 * time.Second), Every: ether.Duration(time.Minute)}}
	}
	blind := 2560 * time.Microsecond // carrier sense takes 2.5 symbols of 1.024 ms
	var until, begun, heard time.Duration
	waited, soon, late := 0, 0, 0
	r, err := Run(context.Background(), Options{Scenario: s, Seed: 1, For: 2 * time.Hour, Record: func(rec ether.Record) {
		at := time.Duration(rec.T * float64(time.Second))
		switch rec.What {
		case ether.RecordSent:
			begun, until = at, at+s.Transmitter(14, len(rec.Frame)/2).Airtime(len(rec.Frame)/2)
		case ether.RecordHeard:
			heard = at
		case ether.RecordAnswer:
			if at > begun+blind+time.Microsecond && at < until-time.Microsecond {
				t.Errorf("at %v the modem begins to send, in the middle of a frame from %v to %v", at, begun, until)
			}
			if at > heard+2*Line+blind+channelPause {
				waited++
			}
		case ether.RecordReleased:
			if *rec.Age < 3 {
				soon++
			} else {
				late++
			}
		}
	}})
	if err != nil || r.Trips.Made < 700 || r.Trips.Delivered != r.Trips.Made || waited < 20 || soon < 2*late {
		t.Errorf("%+v, %v; the modem waited %d times; %d receipts came within 3 s, and %d later", r.Trips, err, waited, soon, late)
	}

	// Somebody whom the house alone hears, too weak to hinder it from hearing the gates.
	s.Interferers = []ether.Interferer{{Level: math.Inf(-1), At: map[string]float64{"gateway": -118}, SpreadingFactor: 7,
		From: ether.Duration(30 * time.Second), To: ether.Duration(5*time.Minute + 30*time.Second)}}
	between, last, first := 0, proto.Raw{}, proto.Raw{}
	_, err = Run(context.Background(), Options{Scenario: s, Seed: 1, For: 10 * time.Minute, Record: func(rec ether.Record) {
		frame, _ := hex.DecodeString(rec.Frame)
		raw, _ := proto.Parse(frame)
		switch {
		case rec.What != ether.RecordAnswer:
		case rec.T <= 30:
			last = raw
		case rec.T <= 330:
			between++
		case first.Number == 0:
			first = raw
		}
	}})
	if err != nil || between != 0 || first.Number < last.Number+30 { // the first receipts have been given up long since
		t.Errorf("while the channel was in use for 5 minutes: %v, %d receipts; then the one of number %d followed on that of %d", err, between, first.Number, last.Number)
	}
}
