package ether

import (
	"math"
	"slices"
	"testing"
	"time"

	"longlane/proto"
	"longlane/radio/node"
)

// bank is a river gate and two relays on the other side, of which the gateway hears the mill's alone. Nobody does anything of his
// own before the second minute.
func bank() Scenario {
	s := Scenario{Name: "the bank", Air: ground(), Nodes: []Node{
		{Name: "river-gate"}, {Name: "mill-relay", Relay: true, RSSI: new(-100.0)}, {Name: "reed-relay", Relay: true},
	}, Pairs: []Pair{{Of: []string{"river-gate", "mill-relay"}, RSSI: -100}, {Of: []string{"river-gate", "reed-relay"}, RSSI: -110}}}
	for i := range s.Nodes {
		s.Nodes[i].Card = s.Nodes[i].Name
	}
	return s
}

// quiet is an ether in which nothing is on the air at the moment, and nothing will be for a while but what a test sends.
func quiet(t *testing.T, s Scenario, j *journal) *Ether {
	t.Helper()
	for i := range s.Nodes {
		s.Nodes[i].CheckIn = Duration(12 * time.Hour)
	}
	e, h := mustNew(t, s, 5, j), newHouse(t)
	run(t, e, h, time.Hour, nil)
	j.records = nil
	clear(e.losses)
	return e
}

// trip is a frame of a trip by node i of the scenario, with the records of these relays. No other may send it on.
func trip(t *testing.T, e *Ether, i int, relays ...int) []byte {
	t.Helper()
	st := e.stations[i]
	f, err := proto.Seal(nil, st.keys, proto.Header{Type: proto.TypeTripOpened, HopsLeft: uint8(len(relays)), Site: st.card.Site,
		Node: st.card.Node, Gen: st.card.Gen, Counter: 1}, &proto.TripOpened{})
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range relays {
		relay := e.stations[r]
		if f, err = proto.AppendHop(f, relay.keys, proto.Hop{Relay: relay.card.Node, Gen: relay.card.Gen, RSSI: proto.EncodeRSSI(-100)}); err != nil {
			t.Fatal(err)
		}
	}
	return f
}

// receipt is one for node i.
func receipt(t *testing.T, e *Ether, i int, number uint32) []byte {
	t.Helper()
	st := e.stations[i]
	f, err := proto.Seal(nil, st.keys, proto.Header{Type: proto.TypeReceipt, Site: st.card.Site, Node: st.card.Node,
		Gen: st.card.Gen, Counter: 1, Epoch: 1, Number: number}, &proto.Receipt{})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// emit has node i send a frame now, and lets it be over.
func emit(e *Ether, i int, frame []byte) {
	e.transmit(e.stations[i], node.Transmit{Frame: frame, Type: proto.TypeTripOpened, Counter: 1})
	e.Step(e.now + 500*time.Millisecond)
}

// receivers are who received something, and the modem if it heard something.
func (j *journal) receivers() (names []string) {
	for _, r := range j.records {
		switch {
		case r.What == RecordHeard:
			names = append(names, modemName)
		case r.What == RecordReceived && r.By != "":
			names = append(names, r.By)
		case r.What == RecordReceived:
			names = append(names, r.Node)
		}
	}
	slices.Sort(names)
	return slices.Compact(names)
}

// TestWhoHears: whoever the air lets hear a frame gets it, the modem among them; a node on a battery only while it listens, a relay
// always, and nobody what he sends himself.
func TestWhoHears(t *testing.T) {
	for _, c := range []struct {
		what   string
		change func(*Scenario)
		from   int // below 0: the modem
		want   []string
	}{
		{"the gate", nil, 0, []string{"mill-relay", "reed-relay"}},
		{"a relay", nil, 1, []string{modemName}}, // the gate is asleep
		{"a relay, and the gate has mains", func(s *Scenario) { s.Nodes[0].Mains = true }, 1, []string{modemName, "river-gate"}},
		{"the other relay", nil, 2, nil},
		{"the modem", nil, -1, []string{"mill-relay"}},
		{"the gate, and a relay is dead", func(s *Scenario) { s.Nodes[2].Dies = 1 }, 0, []string{"mill-relay"}},
	} {
		s := bank()
		if c.change != nil {
			c.change(&s)
		}
		var j journal
		e := quiet(t, s, &j)
		frame := trip(t, e, 0)
		if c.from < 0 {
			if _, err := e.Transmit(e.now, frame); err != nil {
				t.Fatal(err)
			}
			e.Step(e.now + time.Second/4)
		} else {
			e.transmit(e.stations[c.from], node.Transmit{Frame: frame, Counter: 1})
			e.Step(e.now + e.Sensing() + e.Airtime(len(frame)))
		}
		got := (&journal{slices.DeleteFunc(j.records, func(r Record) bool { return r.Frame != e.hex(frame) })}).receivers()
		if !slices.Equal(got, c.want) {
			t.Errorf("%s sent a frame: %q received it, want %q", c.what, got, c.want)
		}
	}
}

// TestLeafHearsItsReceiptFromARelay: within its time, and from whoever sends it.
func TestLeafHearsItsReceiptFromARelay(t *testing.T) {
	var j journal
	e := quiet(t, bank(), &j)
	e.stations[0].listen(e.now + time.Minute)
	emit(e, 1, receipt(t, e, 0, 9))
	if got := j.of(RecordReceived); !slices.ContainsFunc(got, func(r Record) bool { return r.Node == "river-gate" && r.By == "" && r.Kind == "receipt" }) {
		t.Errorf("received %+v", got)
	}
}

// TestLosses: a frame is lost if nobody has heard it who could have been meant.
func TestLosses(t *testing.T) {
	const weak, asleep = "too weak", "not listening"
	up := func(why string, n int) map[Loss]int { return map[Loss]int{{toGateway, why}: n} }
	down := func(why string, n int) map[Loss]int { return map[Loss]int{{fromGateway, why}: n} }
	for _, c := range []struct {
		what   string
		change func(*Scenario)
		send   func(e *Ether)
		want   map[Loss]int
	}{
		{"a relay has heard it", nil, func(e *Ether) { emit(e, 0, trip(t, e, 0)) }, nil},
		{"only the far relay is there", func(s *Scenario) { s.Nodes[1].Dies = 1 }, func(e *Ether) { emit(e, 0, trip(t, e, 0)) }, nil},
		{"both relays are dead", func(s *Scenario) { s.Nodes[1].Dies, s.Nodes[2].Dies = 1, 1 }, func(e *Ether) { emit(e, 0, trip(t, e, 0)) }, up(asleep, 1)},
		{"no relay can hear it", func(s *Scenario) { s.Pairs[0].RSSI, s.Pairs[1].RSSI = -130, -131 }, func(e *Ether) { emit(e, 0, trip(t, e, 0)) }, up(weak, 1)},
		{"only the gate is near, which is no relay", func(s *Scenario) { s.Nodes[0].Mains = true }, func(e *Ether) { emit(e, 2, trip(t, e, 2)) }, up(weak, 1)},
		{"only a relay that had it before", func(s *Scenario) {
			s.Pairs = append(s.Pairs, Pair{Of: []string{"mill-relay", "reed-relay"}, RSSI: -100})
		}, func(e *Ether) { emit(e, 2, trip(t, e, 0, 1, 2)) }, up(weak, 1)},
		{"a receipt that a relay has heard", nil, func(e *Ether) { e.Transmit(e.now, receipt(t, e, 0, 9)); e.Step(e.now + time.Second) }, nil},
		{"a receipt that nobody hears", func(s *Scenario) { s.Nodes[1].RSSI = new(-130.0) },
			func(e *Ether) { e.Transmit(e.now, receipt(t, e, 0, 9)); e.Step(e.now + time.Second) }, down(weak, 1)},
		{"a receipt for one who sleeps", nil, func(e *Ether) { emit(e, 1, receipt(t, e, 0, 9)) }, down(asleep, 1)},
		{"a receipt for one who has it", nil, func(e *Ether) {
			e.stations[0].listen(e.now + 200*time.Millisecond)
			emit(e, 1, receipt(t, e, 0, 9))
			emit(e, 1, receipt(t, e, 0, 9)) // now it sleeps
		}, nil},
		{"a receipt for one who has another", nil, func(e *Ether) {
			e.stations[0].listen(e.now + 200*time.Millisecond)
			emit(e, 1, receipt(t, e, 0, 9))
			emit(e, 1, receipt(t, e, 0, 10))
		}, down(asleep, 1)},
		{"no frame at all", nil, func(e *Ether) { emit(e, 2, []byte("noise")) }, nil},
	} {
		s := bank()
		if c.change != nil {
			c.change(&s)
		}
		var j journal
		e := quiet(t, s, &j)
		c.send(e)
		got := e.Losses()
		if len(got) != len(c.want) || len(j.of(RecordLost)) != len(c.want) {
			t.Errorf("%s: lost %v, on record %+v, want %v", c.what, got, j.of(RecordLost), c.want)
		}
		for l, n := range c.want {
			if got[l] != n {
				t.Errorf("%s: lost %v, want %v", c.what, got, c.want)
			}
		}
	}
}

// TestRecordOfRelayed: what a relay passes on is told as whose it is, who sent it and which way it came.
func TestRecordOfRelayed(t *testing.T) {
	var j journal
	e := quiet(t, bank(), &j)
	e.stations[0].highest[events] = 70000
	st := e.stations[0]
	f, err := proto.Seal(nil, st.keys, proto.Header{Type: proto.TypeTripOpened, HopsLeft: 1, Site: st.card.Site, Node: st.card.Node,
		Gen: st.card.Gen, Counter: 69999, Attempt: 3}, &proto.TripOpened{})
	if err != nil {
		t.Fatal(err)
	}
	relay := e.stations[2]
	if f, err = proto.AppendHop(f, relay.keys, proto.Hop{Relay: relay.card.Node, Gen: 1, RSSI: proto.EncodeRSSI(-110), SNR: proto.EncodeSNR(3.5), Held: proto.EncodeDur8(0)}); err != nil {
		t.Fatal(err)
	}
	emit(e, 1, f)
	for _, what := range []What{RecordRelayed, RecordHeard} {
		got := j.of(what)
		if len(got) != 1 || got[0].Node != "river-gate" || got[0].By != "mill-relay" || got[0].ID != "1.1.69999" || *got[0].Counter != 69999 ||
			*got[0].Attempt != 3 || !slices.Equal(got[0].Hops, []Hop{{"reed-relay", 3, -110, 3.5, 0}}) || got[0].Why != "" {
			t.Errorf("%s: %+v", what, got)
		}
	}
	j.records = nil
	f[10] ^= 1
	emit(e, 1, f)
	if got := j.of(RecordHeard); len(got) != 1 || got[0].ID != "" || got[0].Counter != nil || got[0].Why == "" {
		t.Errorf("a frame that was altered is told as %+v", got)
	}
}

// TestPlaces: the law is that of published figures: losses of 85.22, 104.09, 112.22 and 120.35 dB at 100, 500, 1000 and 2000 m
// with the exponent 2.7, and 91.22, 112.19, 121.22 and 130.25 dB with 3, from 31.2 dB at 1 m. (Computed by the formula of
// Rappaport, Wireless Communications, 2nd ed. 2002, section 4.9, outside this program.) A pair, or an rssi, has its own word.
func TestPlaces(t *testing.T) {
	at := []float64{100, 500, 1000, 2000}
	for exponent, want := range map[float64][]float64{2.7: {85.22, 104.09, 112.22, 120.35}, 3: {91.22, 112.19, 121.22, 130.25}} {
		s := Scenario{Air: ground()}
		s.Air.RSSIAt1km, s.Air.Exponent, s.Air.Place = new(14-want[2]), exponent, []float64{-300, 40}
		for i, d := range at {
			s.Nodes = append(s.Nodes, Node{Name: string(rune('a' + i)), Card: "c", Place: []float64{-300 + d*0.6, 40 - d*0.8}})
		}
		if err := s.Validate(); err != nil {
			t.Fatal(err)
		}
		dBm := s.Signals()
		for i := range at {
			if got := 14 - dBm[i][len(at)]; math.Abs(got-want[i]) > 0.01 || dBm[i][len(at)] != dBm[len(at)][i] {
				t.Errorf("exponent %v, %v m: a loss of %.2f dB, want %.2f, and the same back", exponent, at[i], got, want[i])
			}
		}
		if got := 14 - dBm[1][2]; math.Abs(got-want[1]) > 0.01 { // 500 m apart
			t.Errorf("exponent %v, between nodes: a loss of %.2f dB, want %.2f", exponent, got, want[1])
		}
	}

	s := Scenario{Air: ground(), Nodes: []Node{{Name: "a", Card: "a", Place: []float64{1000, 0}, RSSI: new(-77.0)}, {Name: "b", Card: "b", Place: []float64{0, 1000}},
		{Name: "c", Card: "c", RSSI: new(-88.0)}, {Name: "d", Card: "d", Place: []float64{0, 1000}, Power: new(20.0)}},
		Pairs: []Pair{{Of: []string{"a", "b"}, RSSI: -66}}}
	s.Air.RSSIAt1km, s.Air.Exponent = new(-110.0), 4
	never := math.Inf(-1)
	for i, row := range s.Signals() {
		want := [][]float64{{never, -66, never, -110 - 20*math.Log10(2), -77}, {-66, never, never, 0, -110}, {never, never, never, never, -88},
			{-104 - 20*math.Log10(2), 6, never, never, -104}, {-77, -110, -88, -110, never}}[i]
		for j, got := range row {
			if i == 1 && j == 3 || i == 3 && j == 1 {
				want[j] = got // at one place: below
			}
			if i != j && math.Abs(got-want[j]) > 1e-9 && got != want[j] {
				t.Errorf("station %d hears station %d at %v dBm, want %v", j, i, got, want[j])
			}
		}
	}
	if got := s.Signals()[1][3]; got < -1 || got > 14 {
		t.Errorf("at one place two hear each other at %v dBm", got)
	}
}
