package ether

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"longlane/proto"
	"longlane/radio"
	"longlane/radio/node"
)

const testSite = 4711

var siteSecret = bytes.Repeat([]byte{0x77}, proto.KeySize)

// orchard is the hill orchard: a river gate, which a relay hears better than the gateway does, a ridge gate and a cattle grid.
func orchard() Scenario {
	s := Scenario{Name: "the hill orchard", Until: Duration(10 * time.Minute), Faults: Faults{DelayMax: Duration(3 * time.Second)}, Nodes: []Node{
		{Name: "river-gate", RSSI: new(-108.0), DriftPPM: 60,
			Trips:  []Trip{{At: Duration(5 * time.Second), For: Duration(3 * time.Second), Input: 2}},
			Inputs: []Input{{Number: 2, NormallyClosed: true}}},
		{Name: "mill-relay", RSSI: new(-101.0), Relay: true, Mains: true},
		{Name: "ridge-gate", RSSI: new(-93.0), Mains: true, DriftPPM: -80, Rate: &Rate{PerHour: 60, DwellMin: Duration(200 * time.Millisecond), DwellMax: Duration(5 * time.Second)}},
		{Name: "cattle-grid", RSSI: new(-88.0), Rate: &Rate{PerHour: 90, DwellMin: Duration(100 * time.Millisecond), DwellMax: Duration(2 * time.Second)}},
	}, Pairs: []Pair{{Of: []string{"river-gate", "mill-relay"}, RSSI: -95}}, Air: ground()}
	for i := range s.Nodes {
		s.Nodes[i].Card = s.Nodes[i].Name
		s.Nodes[i].CheckIn = Duration(time.Minute)
	}
	return s
}

// alone is the cattle grid by itself.
func alone() Scenario {
	s := orchard()
	s.Nodes, s.Pairs = s.Nodes[3:], nil
	return s
}

// ground is a channel as it is without a table.
func ground() *Channel {
	c := new(Channel)
	c.SetDefaults()
	return c
}

// cards gives node i of s the id i+1.
func cards(t testing.TB, s Scenario) func(string) (node.Card, error) {
	return func(path string) (node.Card, error) {
		i := slices.IndexFunc(s.Nodes, func(n Node) bool { return n.Card == path })
		c := node.Card{Site: testSite, Node: uint8(i + 1), Gen: 1, Name: path, GroupGen: 1}
		key, err := proto.NodeKey(siteSecret, c.Site, c.Node, c.Gen)
		if err != nil {
			t.Fatal(err)
		}
		copy(c.Key[:], key)
		return c, nil
	}
}

// house is the smallest gateway: it keeps what it hears in a set, and receipts it.
type house struct {
	t       testing.TB
	keys    map[uint8]*proto.Keys
	events  map[uint8]*proto.Window
	checks  map[uint8]*proto.Window
	got     map[string]proto.Body // events by id, as first heard
	also    map[uint8]map[uint32]bool
	number  uint32
	refused int
	silent  bool // sends no receipts
	group   *proto.Keys
	beacons uint32
}

// beaconEvery is how often the house says that it is there, if there are relays to hear it.
const beaconEvery = 10 * time.Second

// beacon is under the group key that the cards have.
func (h *house) beacon(now time.Duration) []byte {
	if h.group == nil {
		var err error
		if h.group, err = proto.NewKeys(make([]byte, proto.KeySize)); err != nil {
			h.t.Fatal(err)
		}
	}
	h.beacons++
	f, err := proto.Seal(nil, h.group, proto.Header{Type: proto.TypeBeacon, Site: testSite, Node: proto.GatewayBase, Gen: 1, Counter: h.beacons},
		&proto.Beacon{Epoch: 1, Time: proto.EncodeGatewayTime(now)})
	if err != nil {
		h.t.Fatal(err)
	}
	return f
}

func newHouse(t testing.TB) *house {
	return &house{t: t, keys: map[uint8]*proto.Keys{}, events: map[uint8]*proto.Window{}, checks: map[uint8]*proto.Window{},
		got: map[string]proto.Body{}, also: map[uint8]map[uint32]bool{}}
}

func (h *house) keysOf(id, gen uint8) *proto.Keys {
	if k, ok := h.keys[id]; ok {
		return k
	}
	key, err := proto.NodeKey(siteSecret, testSite, id, gen)
	if err != nil {
		h.t.Fatal(err)
	}
	k, err := proto.NewKeys(key)
	if err != nil {
		h.t.Fatal(err)
	}
	h.keys[id], h.events[id], h.checks[id], h.also[id] = k, &proto.Window{}, &proto.Window{}, map[uint32]bool{}
	return k
}

// take gives the receipt for a frame, or nil. verified tells which hop records are good.
func (h *house) take(now time.Duration, frame []byte) (receipt []byte, counter uint32, verified []bool) {
	raw, err := proto.Parse(frame)
	if err == nil && (raw.Type.Group() || raw.Type.Receipt()) {
		return nil, 0, nil // what relays say, and what they pass on
	}
	if err != nil || !raw.Type.Event() && raw.Type != proto.TypeCheckIn || raw.Site != testSite || raw.Gen != 1 {
		h.refused++
		return nil, 0, nil
	}
	keys := h.keysOf(raw.Node, raw.Gen)
	window, typ := h.events[raw.Node], proto.TypeReceipt
	if raw.Type == proto.TypeCheckIn {
		window, typ = h.checks[raw.Node], proto.TypeCheckInReceipt
	}
	counter = raw.Counter
	if !raw.WholeCounter() {
		highest, _ := window.Highest()
		counter = proto.Resolve(uint16(raw.Counter), highest)
	}
	body, err := raw.Open(keys, counter)
	if err != nil || window.Check(counter) == proto.TooOld {
		h.refused++
		return nil, 0, nil
	}
	for i := range raw.HopCount() {
		verified = append(verified, raw.VerifyHop(i, h.keysOf(raw.Hop(i).Relay, raw.Hop(i).Gen)))
	}
	r := proto.Receipt{Time: proto.EncodeGatewayTime(now), Attempt: uint8(raw.Attempt)}
	if typ == proto.TypeReceipt {
		if id := fmt.Sprintf("%d.%d.%d", raw.Node, raw.Gen, counter); h.got[id] == nil {
			h.got[id] = body
		}
		h.also[raw.Node][counter] = true
		for i := range uint32(16) {
			if counter > i && h.also[raw.Node][counter-1-i] {
				r.Also |= 1 << i
			}
		}
	}
	window.Mark(counter)
	h.number++
	head := proto.Header{Type: typ, HopsLeft: 7, Site: testSite, Node: raw.Node, Gen: raw.Gen, Counter: counter, Epoch: 1, Number: h.number}
	receipt, err = proto.Seal(nil, keys, head, &r)
	if err != nil {
		h.t.Fatal(err)
	}
	if h.silent {
		return nil, counter, verified
	}
	return receipt, counter, verified
}

// run lets e run against h until end, as fast as it can, and hands every frame to see.
func run(t testing.TB, e *Ether, h *house, end time.Duration, see func(Event)) {
	t.Helper()
	type answer struct {
		at    time.Duration
		frame []byte
	}
	var answers []answer
	now, beacon := time.Duration(0), never
	if slices.ContainsFunc(e.s.Nodes, func(n Node) bool { return n.Relay }) {
		beacon = 0
	}
	for now < end {
		if beacon <= now {
			answers = append(answers, answer{now, h.beacon(now)})
			beacon = now + beaconEvery
		}
		events, wake := e.Step(now)
		for _, ev := range events {
			if ev.Plug != PlugStays {
				continue
			}
			if see != nil {
				see(ev)
			}
			if r, _, _ := h.take(now, ev.Frame); r != nil {
				answers = append(answers, answer{now + 5*time.Millisecond, r})
			}
		}
		if len(answers) > 0 && answers[0].at <= now {
			airtime, err := e.Transmit(now, answers[0].frame)
			if err == nil {
				answers = answers[1:]
			}
			if len(answers) > 0 {
				answers[0].at = now + max(airtime, time.Millisecond)
			}
			continue
		}
		next := min(wake, beacon)
		if len(answers) > 0 {
			next = min(next, max(answers[0].at, now))
		}
		if next == now && len(events) == 0 && wake != now && len(answers) == 0 {
			t.Fatalf("time stands still at %v", now)
		}
		now = next
	}
}

// journal keeps the records.
type journal struct{ records []Record }

func (j *journal) add(r Record) { j.records = append(j.records, r) }

func (j *journal) of(what What) (out []Record) {
	for _, r := range j.records {
		if r.What == what {
			out = append(out, r)
		}
	}
	return out
}

func (j *journal) ids(what What) map[string]Record {
	out := map[string]Record{}
	for _, r := range j.of(what) {
		out[r.ID] = r
	}
	return out
}

func mustNew(t testing.TB, s Scenario, seed uint64, j *journal) *Ether {
	t.Helper()
	e, err := New(s, seed, Options{Card: cards(t, s), Record: j.add})
	if err != nil {
		t.Fatal(err)
	}
	return e
}

var heavy = Faults{Lose: 0.3, Repeat: 0.1, Reorder: 0.1, Delay: 0.2, Corrupt: 0.1, Forge: 0.3, DelayMax: Duration(3 * time.Second)}

func TestSameSeedSameAir(t *testing.T) {
	s := orchard()
	s.Faults = heavy
	s.Nodes[0].Restart = []Duration{Duration(4 * time.Minute)}
	var runs [3]journal
	for i := range runs {
		seed := uint64(1 + i/2) // 1, 1, 2
		run(t, mustNew(t, s, seed, &runs[i]), newHouse(t), 12*time.Minute, nil)
	}
	if !reflect.DeepEqual(runs[0], runs[1]) {
		t.Error("two runs from one seed differ")
	}
	if reflect.DeepEqual(runs[0], runs[2]) {
		t.Error("runs from two seeds do not differ")
	}
	if len(runs[0].records) < 500 {
		t.Errorf("only %d records", len(runs[0].records))
	}
}

// TestFaultless: every event made is heard and released, and every frame comes out with exactly the bytes, hop records,
// RSSI and SNR that went on the air.
func TestFaultless(t *testing.T) {
	s := orchard()
	var j journal
	e, h := mustNew(t, s, 5, &j), newHouse(t)
	var heard []Event
	run(t, e, h, 12*time.Minute, func(ev Event) { heard = append(heard, ev) })
	made, released := j.ids(RecordMade), j.ids(RecordReleased)
	if len(made) < 20 || len(made) != len(released) || e.Held() != 0 || len(j.of(RecordDropped)) != 0 {
		t.Errorf("%d events made, %d released, %d held, %d dropped", len(made), len(released), e.Held(), len(j.of(RecordDropped)))
	}
	for id := range made {
		if h.got[id] == nil {
			t.Errorf("event %s never arrived", id)
		}
	}
	records := j.of(RecordHeard)
	if len(records) != len(heard) || h.refused != 0 {
		t.Fatalf("%d frames recorded, %d handed over, %d refused", len(records), len(heard), h.refused)
	}
	names := map[string]uint8{}
	for i, n := range s.Nodes {
		names[n.Name] = uint8(i + 1)
	}
	for i, r := range records {
		compareHeard(t, names, r, heard[i])
	}
}

func compareHeard(t *testing.T, ids map[string]uint8, r Record, ev Event) {
	t.Helper()
	if r.Frame != fmt.Sprintf("%x", ev.Frame) || *r.RSSI != ev.RSSI || *r.SNR != ev.SNR || r.T != ev.At.Seconds() {
		t.Errorf("recorded %s at %v, %v dBm, %v dB; handed over %x at %v, %v, %v", r.Frame, r.T, *r.RSSI, *r.SNR, ev.Frame, ev.At, ev.RSSI, ev.SNR)
	}
	raw, err := proto.Parse(ev.Frame)
	if err != nil {
		t.Fatal(err)
	}
	if raw.HopCount() != len(r.Hops) || raw.Node != ids[r.Node] {
		t.Fatalf("frame of node %d with %d hops recorded as of %s with %d", raw.Node, raw.HopCount(), r.Node, len(r.Hops))
	}
	for i, hop := range r.Hops {
		p := raw.Hop(i)
		if p.Relay != ids[hop.Relay] || p.RSSI.DBm() != hop.RSSI || p.SNR.DB() != hop.SNR || p.Held.Duration().Seconds() != hop.Held {
			t.Errorf("hop %d in the frame %+v, in the record %+v", i, p, hop)
		}
	}
}

// TestHeavyFaults: in the end all is receipted, forged frames release nothing, and what was released is at the house.
func TestHeavyFaults(t *testing.T) {
	for seed := range uint64(6) {
		s := orchard()
		s.Faults = heavy
		s.Unplugs = []Unplug{{Duration(2 * time.Minute), Duration(20 * time.Second)}}
		var j journal
		e, h := mustNew(t, s, seed, &j), newHouse(t)
		arrived := map[string]bool{}
		inner := j.add
		e.o.Record = func(r Record) {
			inner(r)
			if r.What == RecordReleased && h.got[r.ID] == nil {
				t.Errorf("seed %d: %s was let go and the house does not have it", seed, r.ID)
			}
		}
		run(t, e, h, 3*time.Hour, func(ev Event) { arrived[string(ev.Frame)] = true })
		made := j.ids(RecordMade)
		if e.Held() != 0 || len(j.ids(RecordReleased)) != len(made) || len(made) < 20 {
			t.Errorf("seed %d: %d events made, %d released, %d still held", seed, len(made), len(j.ids(RecordReleased)), e.Held())
		}
		for id := range h.got {
			if _, ok := made[id]; !ok {
				t.Errorf("seed %d: the house has %s, which no node made", seed, id)
			}
		}
		compareContents(t, h, made)
		for _, what := range []What{RecordLost, RecordDamaged, RecordForged} {
			if len(j.of(what)) == 0 {
				t.Errorf("seed %d: nothing was %s", seed, what)
			}
		}
	}
}

// compareContents compares what the house was told with what happened.
func compareContents(t *testing.T, h *house, made map[string]Record) {
	t.Helper()
	for id, r := range made {
		kind, dwell := "", -1.0
		switch b := h.got[id].(type) {
		case *proto.TripOpened:
			kind = "opening"
		case *proto.TripClosed:
			kind, dwell = "closing", b.Dwell.Duration().Seconds()
		case *proto.TripHeld:
			kind = "opening"
			if b.Closed {
				kind, dwell = "closing", b.Dwell.Duration().Seconds()
			}
		case *proto.Fault:
			kind = "fault"
		}
		if kind != r.Kind || r.Dwell != nil && (dwell-*r.Dwell > 0.01 || *r.Dwell-dwell > 0.01) {
			t.Errorf("%s is %s of dwell %v at the house, and was %s, %v", id, kind, dwell, r.Kind, r.Dwell)
		}
	}
}

// TestForgedNeverRelease: with a gateway that hears all and never answers, an attacker releases nothing.
func TestForgedNeverRelease(t *testing.T) {
	s := orchard()
	s.Faults = Faults{Forge: 1, DelayMax: Duration(time.Second)}
	var j journal
	e, h := mustNew(t, s, 9, &j), newHouse(t)
	h.silent = true
	n := uint32(0)
	run(t, e, h, 20*time.Minute, func(ev Event) {
		// what an attacker without keys might answer
		raw, err := proto.Parse(ev.Frame)
		if err != nil || !raw.Type.Event() {
			return
		}
		n++
		f, err := proto.Seal(nil, h.keysOf(200, 1), proto.Header{Type: proto.TypeReceipt, HopsLeft: 7, Site: testSite, Node: raw.Node,
			Gen: 1, Counter: raw.Counter, Epoch: 1, Number: n}, &proto.Receipt{Also: 0xffff})
		if err != nil {
			t.Fatal(err)
		}
		e.Transmit(ev.At, f) // the antenna may be in use
	})
	if got := len(j.of(RecordReleased)); got != 0 || len(j.of(RecordForged)) < 100 {
		t.Errorf("%d events were let go by %d forged frames", got, len(j.of(RecordForged)))
	}
	if len(j.of(RecordReceived)) < 20 {
		t.Errorf("only %d forged receipts reached a node", len(j.of(RecordReceived)))
	}
}

// TestRestart: numbers go on after a restart, and a trip that was receipted stays so.
func TestRestart(t *testing.T) {
	s := alone()
	s.Nodes[0].Restart = []Duration{Duration(time.Minute), Duration(2 * time.Minute), Duration(2*time.Minute + time.Second)}
	var j journal
	var saved []byte
	e, err := New(s, 3, Options{Card: cards(t, s), Record: j.add, Saves: func(_ string, b []byte) { saved = b }})
	if err != nil {
		t.Fatal(err)
	}
	h := newHouse(t)
	run(t, e, h, 15*time.Minute, nil)
	if made := j.of(RecordMade); len(made) != len(j.ids(RecordMade)) || len(made) < 10 {
		t.Errorf("%d events were made under %d ids", len(made), len(j.ids(RecordMade)))
	}
	if n := len(j.of(RecordRestart)); n != 3 || e.Held() != 0 || h.refused != 0 {
		t.Errorf("%d restarts, %d held, %d refused", n, e.Held(), h.refused)
	}
	// A second run goes on with what the first saved, so the same house accepts it.
	before := len(h.got)
	e, err = New(s, 4, Options{Card: cards(t, s), Record: j.add, Saved: map[string][]byte{s.Nodes[0].Name: saved}})
	if err != nil {
		t.Fatal(err)
	}
	run(t, e, h, 15*time.Minute, nil)
	if len(h.got) == before || h.refused != 0 || e.Held() != 0 {
		t.Errorf("the second run brought %d events, %d refused, %d held", len(h.got)-before, h.refused, e.Held())
	}
}

// TestUnplugged: while the plug is out nothing is handed over, and both ends are told.
func TestUnplugged(t *testing.T) {
	s := orchard()
	s.Unplugs = []Unplug{{Duration(time.Minute), Duration(30 * time.Second)}}
	var j journal
	e, h := mustNew(t, s, 5, &j), newHouse(t)
	var plugs []Plug
	for now := time.Duration(0); now < 3*time.Minute; {
		events, wake := e.Step(now)
		for _, ev := range events {
			switch {
			case ev.Plug != PlugStays:
				plugs = append(plugs, ev.Plug)
			case ev.At > time.Minute && ev.At < 90*time.Second:
				t.Errorf("a frame was handed over at %v", ev.At)
			default:
				h.take(now, ev.Frame)
			}
		}
		now = max(wake, now)
	}
	if !slices.Equal(plugs, []Plug{PlugOut, PlugIn}) {
		t.Errorf("the plug went %v", plugs)
	}
}

// until lets e run to the first record of this kind after from.
func until(t *testing.T, e *Ether, j *journal, what What, from time.Duration) (now time.Duration, events []Event) {
	t.Helper()
	for {
		seen := len(j.records)
		ev, wake := e.Step(now)
		events = append(events, ev...)
		for _, r := range j.records[seen:] {
			if r.What == what && now >= from {
				return now, events
			}
		}
		if now = max(wake, now); now > time.Hour {
			t.Fatalf("nothing is %s after %v", what, from)
		}
	}
}

func lostBecause(j *journal, why string) bool {
	return slices.ContainsFunc(j.of(RecordLost), func(r Record) bool { return r.Why == why })
}

// TestModemIsDeafWhileItSends, and so is everybody else.
func TestModemIsDeafWhileItSends(t *testing.T) {
	s := alone()
	var j journal
	e := mustNew(t, s, 5, &j)
	now, events := until(t, e, &j, RecordSent, 0)
	if _, err := e.Transmit(now, make([]byte, 100)); err != nil {
		t.Fatal(err)
	}
	if _, err := e.Transmit(now+time.Millisecond, make([]byte, 100)); !errors.Is(err, radio.ErrBusy) {
		t.Errorf("a second frame while the first is on the air: %v, want radio.ErrBusy", err)
	}
	more, _ := e.Step(now + e.Airtime(100))
	if n := len(events) + len(more); n != 0 || !lostBecause(&j, "sending itself") {
		t.Errorf("%d frames were heard by a modem that was sending", n)
	}
}

// TestListening: a node on a battery hears what is sent within its time for a receipt, and nothing after.
func TestListening(t *testing.T) {
	for _, c := range []struct {
		late  bool
		mains bool
		hears bool
	}{{false, false, true}, {true, false, false}, {true, true, true}} {
		s := alone()
		s.Nodes[0].Mains, s.Nodes[0].Rate = c.mains, nil
		var j journal
		e := mustNew(t, s, 5, &j)
		now, events := until(t, e, &j, RecordHeard, 0) // the first check-in, which may go again until it is answered
		receipt, _, _ := newHouse(t).take(now, events[0].Frame)
		now += 50 * time.Millisecond
		for st := e.stations[0]; c.late && now <= max(st.listens.to, st.until); {
			now = max(st.listens.to, st.until) + 100*time.Millisecond
			e.Step(now)
		}
		if _, err := e.Transmit(now, receipt); err != nil {
			t.Fatal(err)
		}
		e.Step(now + e.Airtime(len(receipt)))
		heard := len(j.of(RecordReceived)) == 1
		if heard != c.hears || heard == lostBecause(&j, "not listening") {
			t.Errorf("a receipt that comes late (%v), mains %v: heard %v, want %v", c.late, c.mains, heard, c.hears)
		}
	}
}

// near reports whether a modem that receives a signal (dBm) over the noise that its receiver has measures these.
func near(rssi, snr, signal float64) bool {
	noise := -174 + 10*math.Log10(125000) + 6
	both := 10 * math.Log10(math.Pow(10, signal/10)+math.Pow(10, noise/10))
	return math.Abs(rssi-both) <= 0.15 && math.Abs(snr-min(signal-noise, 12)) <= 0.125
}

// TestSignals: without fading each station is heard as the scenario says, by the modem and by other stations, over the noise that
// their receivers have.
func TestSignals(t *testing.T) {
	var j journal
	run(t, mustNew(t, orchard(), 5, &j), newHouse(t), 2*time.Minute, nil)
	n := map[string]int{}
	for _, r := range j.records {
		switch {
		case r.What == RecordHeard && r.Node == "river-gate" && r.By == "":
			n["at the modem"]++
			if !near(*r.RSSI, *r.SNR, -108) {
				t.Errorf("the modem heard the river gate at %v dBm, %v dB", *r.RSSI, *r.SNR)
			}
		case r.What == RecordReceived && r.Node == "river-gate" && r.By == "mill-relay" && r.Kind == "check-in":
			n["at the relay"]++
			if !near(*r.RSSI, *r.SNR, -95) {
				t.Errorf("the relay heard the river gate at %v dBm, %v dB", *r.RSSI, *r.SNR)
			}
		}
	}
	if n["at the modem"] < 3 || n["at the relay"] < 3 {
		t.Errorf("the river gate was heard %v times", n)
	}
}

// TestTooFar: who is too weak is not heard, and an interferer or another's frames make it worse.
func TestTooFar(t *testing.T) {
	for why, change := range map[string]func(*Scenario){
		"too weak":     func(s *Scenario) { *s.Nodes[0].RSSI = -126 },
		"interference": func(s *Scenario) { s.Interferers = []Interferer{{Level: -80}} },
		"faded": func(s *Scenario) {
			*s.Nodes[0].RSSI, s.Air.Fading = -118, "rayleigh"
		},
		"collision": func(s *Scenario) {
			other := s.Nodes[0]
			other.Name, other.Card = "barn-door", "barn-door" // neither hears the other
			s.Nodes = append(s.Nodes, other)
			for i := range s.Nodes {
				s.Nodes[i].Rate = &Rate{PerHour: 3600, DwellMin: Duration(time.Second), DwellMax: Duration(time.Second)}
			}
		},
	} {
		s := alone()
		s.Air = ground()
		change(&s)
		var j journal
		e := mustNew(t, s, 5, &j)
		run(t, e, newHouse(t), 10*time.Minute, nil)
		if !lostBecause(&j, why) || e.Losses()[Loss{toGateway, why}] == 0 {
			t.Errorf("no frame was lost because it was %q: %v", why, e.Losses())
		}
	}
}

// TestDeath: a node that has died, or whose battery is empty, is silent from then on.
func TestDeath(t *testing.T) {
	s := alone()
	s.Nodes[0].Dies = Duration(5 * time.Minute)
	var j journal
	run(t, mustNew(t, s, 5, &j), newHouse(t), 10*time.Minute, nil)
	sent := j.of(RecordSent)
	if died := j.of(RecordDied); len(died) != 1 || len(sent) == 0 || sent[len(sent)-1].T > died[0].T || died[0].T != 300 {
		t.Errorf("died %+v; the last frame was sent at %v s", died, sent[len(sent)-1].T)
	}

	// 0.005 mA asleep for 30 days are 3.6 mAh; what the radio takes comes on top.
	s.Nodes[0].Dies, s.Nodes[0].Battery, s.Nodes[0].Rate, s.Nodes[0].CheckIn = 0, 4, nil, Duration(time.Hour)
	j = journal{}
	e := mustNew(t, s, 5, &j)
	run(t, e, newHouse(t), 40*24*time.Hour, nil)
	died, st := j.of(RecordDied), e.stations[0]
	if len(died) != 1 || died[0].T > 33.4*86400 || died[0].T < 10*86400 {
		t.Fatalf("died %+v", died)
	}
	radio := e.OnAir("cattle-grid").Total.Hours() * drawSending
	if st.battery.used < radio || st.battery.used > 4 {
		t.Errorf("the radio took %v mAh, %v of it for sending", st.battery.used, radio)
	}
}

// TestListensOn: to listen for longer is no new beginning, for a frame that is on the air; and each second costs once.
func TestListensOn(t *testing.T) {
	st := mustNew(t, orchard(), 5, &journal{}).stations[3]
	began := st.battery.used
	for _, c := range []struct{ at, until, from, to time.Duration }{{1, 3, 1, 3}, {2, 5, 1, 5}, {4, 4, 1, 5}, {9, 10, 9, 10}} {
		st.e.now = c.at * time.Second
		st.listen(c.until * time.Second)
		if want := (interval{c.from * time.Second, c.to * time.Second}); st.listens != want {
			t.Errorf("at %d s, until %d s: it listens in %v, want %v", c.at, c.until, st.listens, want)
		}
	}
	if got, want := st.battery.used-began, 5*drawReceiving/3600; math.Abs(got-want) > 1e-9 {
		t.Errorf("5 s cost %v mAh, want %v", got, want)
	}
}

// TestOwnPower: a node's rssi is that at which it is heard with its own power, whatever the channel's.
func TestOwnPower(t *testing.T) {
	s := orchard()
	s.Nodes[3].Power = new(27.0)
	var j journal
	run(t, mustNew(t, s, 5, &j), newHouse(t), 2*time.Minute, nil)
	n := 0
	for _, r := range j.of(RecordHeard) {
		if r.Node != "cattle-grid" {
			continue
		}
		if n++; math.Abs(*r.RSSI - -88) > 0.25 {
			t.Errorf("heard at %v dBm, want -88", *r.RSSI)
		}
	}
	if n == 0 {
		t.Error("the cattle grid was never heard")
	}
}

// TestRelayOnBattery: a relay hears always, and that is what its battery goes into: 50 mAh at 5.3 mA are 9.4 h, and a node looks
// at its battery every 6 h.
func TestRelayOnBattery(t *testing.T) {
	s := orchard()
	s.Nodes[1].Mains, s.Nodes[1].Battery = false, 50
	s.Nodes[0].Battery = 50 // which is asleep
	var j journal
	e := mustNew(t, s, 5, &j)
	run(t, e, newHouse(t), 13*time.Hour, nil)
	if died := j.of(RecordDied); len(died) != 1 || died[0].Node != "mill-relay" || died[0].T != 12*3600 {
		t.Errorf("died %+v, want mill-relay after 12 h", died)
	}
	if sent := e.OnAir("mill-relay").Total.Hours() * drawSending; math.Abs(e.stations[1].battery.used-sent) > 1e-9 {
		t.Errorf("beside what its receiver draws all the time it used %v mAh, want %v for sending", e.stations[1].battery.used, sent)
	}
}

// TestNoiseFloor: what a node says of its noise in a check-in is the channel's thermal noise and its receiver's.
func TestNoiseFloor(t *testing.T) {
	for width, want := range map[int]float64{125000: -113, 500000: -107} { // -174 + 51 + 10, -174 + 57 + 10
		s := orchard()
		s.Air = ground()
		s.Air.Bandwidth, s.Air.NoiseFigure = width, 10
		h, n := newHouse(t), 0
		run(t, mustNew(t, s, 5, &journal{}), h, 10*time.Minute, func(ev Event) {
			raw, err := proto.Parse(ev.Frame)
			if err != nil || raw.Type != proto.TypeCheckIn || !raw.WholeCounter() {
				return
			}
			body, err := raw.Open(h.keysOf(raw.Node, raw.Gen), raw.Counter)
			if err != nil {
				t.Fatal(err)
			}
			if n++; body.(*proto.CheckIn).Noise.DBm() != want {
				t.Errorf("%d Hz wide a node says %v dBm, want %v", width, body.(*proto.CheckIn).Noise.DBm(), want)
			}
		})
		if n == 0 {
			t.Errorf("%d Hz wide nobody checked in", width)
		}
	}
}

// TestDrift: a clock that runs fast by 200 ppm is 17.28 s ahead after a day.
func TestDrift(t *testing.T) {
	s := orchard()
	s.Nodes[0].DriftPPM = 200
	st := mustNew(t, s, 1, &journal{}).stations[0]
	if ahead := st.local(24*time.Hour) - 24*time.Hour; (ahead - 17280*time.Millisecond).Abs() > time.Millisecond {
		t.Errorf("ahead by %v after a day, want 17.28 s", ahead)
	}
	for _, l := range []time.Duration{0, 1, 12345678901, 24 * time.Hour, 1000 * time.Hour} {
		if g := st.global(l); st.local(g) < l || g > 0 && st.local(g-time.Microsecond) >= l {
			t.Errorf("global(%v) = %v, where the clock shows %v", l, g, st.local(g))
		}
	}
}

func TestValidate(t *testing.T) {
	for want, change := range map[string]func(*Scenario){
		"node":          func(s *Scenario) { s.Nodes = nil },
		"node[1].name":  func(s *Scenario) { s.Nodes[1].Name, s.Pairs = s.Nodes[0].Name, nil },
		"node[1].rssi":  func(s *Scenario) { s.Nodes[1].RSSI = new(5.0) },
		"node[2].rssi":  func(s *Scenario) { s.Nodes[2].RSSI = nil }, // nobody hears it
		"node[2].place": func(s *Scenario) { s.Nodes[2].Place = []float64{1} },
		"node[1].place": func(s *Scenario) { s.Nodes[1].Place = []float64{1, math.NaN()} },
		"air.place":     func(s *Scenario) { s.Air.Place = []float64{1, 2, 3} },
		"air ": func(s *Scenario) { // a beacon every 32 h is none
			s.Air.SpreadingFactor, s.Air.Bandwidth, s.Air.Preamble = 12, 7810, 65535
		},
		"air.rssi_at_1km":   func(s *Scenario) { s.Nodes[1].Place, s.Air.Exponent = []float64{0, 0}, 3 },
		"air.exponent":      func(s *Scenario) { s.Nodes[1].Place, s.Air.RSSIAt1km = []float64{0, 0}, new(-100.0) },
		"node[1].battery":   func(s *Scenario) { s.Nodes[1].Battery = -1 },
		"node[1].power":     func(s *Scenario) { s.Nodes[1].Power = new(50.0) },
		"air":               func(s *Scenario) { s.Air = ground(); s.Air.SpreadingFactor = 13 },
		"air.fading":        func(s *Scenario) { s.Air = ground(); s.Air.Fading = "some" },
		"air.antenna_gain":  func(s *Scenario) { s.Air = ground(); s.Air.AntennaGain = math.NaN() },
		"air.carrier_sense": func(s *Scenario) { s.Air = ground(); s.Air.CarrierSense = Duration(2 * time.Second) },
		"air.carrier_sense ": func(s *Scenario) {
			s.Air = ground()
			s.Air.ListenFirst, s.Air.CarrierSense = false, Duration(time.Millisecond)
		},
		"air.capture":             func(s *Scenario) { s.Air = ground(); s.Air.Capture = "some" },
		"air.coherence":           func(s *Scenario) { s.Air = ground(); s.Air.Coherence = 0 },
		"pair[0].of":              func(s *Scenario) { s.Pairs = []Pair{{Of: []string{"gateway", "nobody"}, RSSI: -90}} },
		"pair[0].rssi":            func(s *Scenario) { s.Pairs = []Pair{{Of: []string{"gateway", "river-gate"}, RSSI: 3}} },
		"interferer[0].level":     func(s *Scenario) { s.Interferers = []Interferer{{Level: math.Inf(-1)}} },
		"interferer[0].to":        func(s *Scenario) { s.Interferers = []Interferer{{Level: -90, From: 5, To: 4}} },
		"interferer[0].duty":      func(s *Scenario) { s.Interferers = []Interferer{{Level: -90, Duty: 0.5}} },
		"interferer[0].at":        func(s *Scenario) { s.Interferers = []Interferer{{Level: -90, At: map[string]float64{"nobody": -80}}} },
		"node[2].drift_ppm":       func(s *Scenario) { s.Nodes[2].DriftPPM = 300 },
		"node[2].checkin":         func(s *Scenario) { s.Nodes[2].CheckIn = 1 },
		"checkin":                 func(s *Scenario) { s.CheckIn = Duration(90 * time.Second) },
		"node[2].card":            func(s *Scenario) { s.Nodes[2].Card = "" },
		"node[3].restart[0]":      func(s *Scenario) { s.Nodes[3].Restart = []Duration{-1} },
		"node[0].input[0].number": func(s *Scenario) { s.Nodes[0].Inputs[0].Number = 16; s.Nodes[0].Trips = nil },
		"node[0].trips[0].input":  func(s *Scenario) { s.Nodes[0].Trips[0].Input = 3 },
		"node[0].trips[0].every":  func(s *Scenario) { s.Nodes[0].Trips[0].Every = s.Nodes[0].Trips[0].For },
		"node[0].trips[0].for":    func(s *Scenario) { s.Nodes[0].Trips[0].For = 0 },
		"node[2].rate.per_hour":   func(s *Scenario) { s.Nodes[2].Rate.PerHour = 0 },
		"node[2].rate.dwell_max":  func(s *Scenario) { s.Nodes[2].Rate.DwellMax = 1 },
		"faults.lose":             func(s *Scenario) { s.Faults.Lose = 1.1 },
		"unplug[0].for":           func(s *Scenario) { s.Unplugs = []Unplug{{0, 0}} },
		"unplug[1].at":            func(s *Scenario) { s.Unplugs = []Unplug{{1, 10}, {5, 10}} },
	} {
		s := orchard()
		change(&s)
		_, err := New(s, 1, Options{Card: cards(t, orchard())})
		var e *FieldError
		if !errors.As(err, &e) || e.Path != strings.TrimSpace(want) || e.Found == "" || e.Expected == "" {
			t.Errorf("%s: Validate = %v", want, err)
		}
	}
}

func TestCards(t *testing.T) {
	s := orchard()
	good := cards(t, s)
	for want, card := range map[string]func(string) (node.Card, error){
		"node[0].card": func(string) (node.Card, error) { return node.Card{}, errors.New("no such file") },
		"node[1].card": func(p string) (node.Card, error) { return good(s.Nodes[0].Card) },
		"node[2].card": func(p string) (node.Card, error) {
			c, err := good(p)
			if p == s.Nodes[2].Card {
				c.Site++
			}
			return c, err
		},
	} {
		_, err := New(s, 1, Options{Card: card})
		var e *FieldError
		if !errors.As(err, &e) || e.Path != want {
			t.Errorf("New = %v, want an error at %s", err, want)
		}
	}
}

func TestRecordJSON(t *testing.T) {
	b, err := json.Marshal(Record{T: 1.5, What: RecordHeard, Site: 1, Node: "river-gate", RSSI: new(-97.25), SNR: new(0.0)})
	if want := `{"t":1.5,"what":"heard","site":1,"node":"river-gate","rssi":-97.25,"snr":0}`; err != nil || string(b) != want {
		t.Errorf("got %s, %v, want %s", b, err, want)
	}
}

// port is a host that answers in real time.
type port struct {
	h    *house
	live *Live
	end  chan struct{}
	work chan []byte
	n    int
}

func (p *port) Receive(frame []byte, rssi, snr, freqErr float64) error {
	p.n++
	if p.n%5 == 0 {
		return errors.New("the host does not read")
	}
	if r, _, _ := p.h.take(0, frame); r != nil {
		select {
		case p.work <- r:
		default:
		}
	}
	return nil
}

func (p *port) answer() {
	for {
		select {
		case <-p.end:
			return
		case f := <-p.work:
			p.live.Transmit(f)
		}
	}
}

// TestLive: the same in the time of a wall clock, with a modem that blocks while it sends.
func TestLive(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := orchard()
		s.Unplugs = []Unplug{{Duration(time.Minute), Duration(time.Second)}}
		var j journal
		live := NewLive(mustNew(t, s, 11, &j))
		plugs := 0
		live.Plug = func(Plug) { plugs++ }
		p := &port{h: newHouse(t), live: live, end: make(chan struct{}), work: make(chan []byte, 8)}
		done := make(chan error, 1)
		go func() { done <- live.Run(t.Context(), p) }()
		go p.answer()
		began := time.Now()
		for range 2000 {
			<-time.After(time.Second) // of the bubble's time
			if time.Since(began) > 12*time.Minute && live.Held() == 0 {
				break
			}
		}
		synctest.Wait() // Run sleeps: what it wrote may be read
		if live.Held() != 0 || len(j.ids(RecordReleased)) < 20 || plugs != 2 {
			t.Errorf("after %v: %d held, %d released, %d plugs", time.Since(began), live.Held(), len(j.ids(RecordReleased)), plugs)
		}
		if !slices.ContainsFunc(j.of(RecordLost), func(r Record) bool { return strings.Contains(r.Why, "does not read") }) {
			t.Error("a host that does not read is not recorded")
		}
		close(p.end)
	})
}

// TestLiveEnds: Run returns when its context ends, and Transmit does not hang.
func TestLiveEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		live := NewLive(mustNew(t, orchard(), 1, &journal{}))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- live.Run(ctx, &port{h: newHouse(t), work: make(chan []byte, 8)}) }()
		sent := make(chan error, 1)
		go func() { _, err := live.Transmit(make([]byte, 200)); sent <- err }()
		synctest.Wait()
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run = %v", err)
		}
		if err := <-sent; !errors.Is(err, ErrEnded) {
			t.Errorf("Transmit at the end = %v, want ErrEnded", err)
		}
		if _, err := live.Transmit([]byte{1}); !errors.Is(err, ErrEnded) {
			t.Errorf("Transmit after the end = %v, want ErrEnded", err)
		}
	})
}

// TestRare: what comes once in longer than a duration can tell does not come all the time, and no burst is accepted that the
// air then refuses.
func TestRare(t *testing.T) {
	s := orchard()
	s.Until = 0
	s.Nodes[2].Rate = &Rate{PerHour: 1e-12, DwellMin: Duration(time.Second), DwellMax: Duration(time.Second)}
	s.Nodes[3].Rate = &Rate{PerHour: math.SmallestNonzeroFloat64, DwellMin: Duration(time.Second), DwellMax: Duration(time.Second)}
	s.Interferers = []Interferer{{Level: -150, Burst: Duration(time.Hour), Duty: 1e-3}}
	contacts := 0
	e, err := New(s, 1, Options{Card: cards(t, s), Record: func(r Record) {
		if r.What == RecordContact && *r.Active {
			contacts++
		}
	}})
	if err != nil {
		t.Fatal(err)
	}
	for now := time.Duration(0); now < time.Hour; {
		_, now = e.Step(now)
	}
	if contacts != 1 {
		t.Errorf("%d contacts in an hour, want the one that is listed", contacts)
	}
	s.Interferers[0].Duty = 1e-6
	var f *FieldError
	if err := s.Validate(); !errors.As(err, &f) || f.Path != "interferer[0].duty" {
		t.Errorf("an hour's burst once in a century: %v", err)
	}
}
