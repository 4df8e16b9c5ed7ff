package ether

import (
	"testing"
	"time"

	"longlane/proto"
)

// TestKinds: each frame is counted once, by its type and by what made it necessary; an acknowledgement by what it acknowledges.
func TestKinds(t *testing.T) {
	e := quiet(t, bank(), &journal{})
	clear(e.kinds)
	group := func(typ proto.Type, counter uint32, body proto.Body) []byte {
		f, err := proto.Seal(nil, e.group, proto.Header{Type: typ, Site: testSite, Node: 3, Gen: 1, Counter: counter}, body)
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	tag := func(f []byte) [4]byte {
		raw, err := proto.Parse(f)
		if err != nil {
			t.Fatal(err)
		}
		return [4]byte(raw.Tag())
	}
	event := trip(t, e, 0)
	check, err := proto.Seal(nil, e.stations[0].keys, proto.Header{Type: proto.TypeCheckIn, Site: testSite, Node: 1, Gen: 1, Counter: 9}, &proto.CheckIn{})
	if err != nil {
		t.Fatal(err)
	}
	want := map[Kind]Sum{}
	for i, c := range []struct {
		frame []byte
		kind  Kind
	}{
		{event, Kind{proto.TypeTripOpened, ForEvents}},
		{trip(t, e, 0, 2), Kind{proto.TypeTripOpened, ForEvents}},
		{check, Kind{proto.TypeCheckIn, ForCheckIns}},
		{receipt(t, e, 0, 5), Kind{proto.TypeReceipt, ForEvents}},
		{group(proto.TypeHopAck, 1, &proto.HopAck{Tag: tag(event)}), Kind{proto.TypeHopAck, ForEvents}},
		{group(proto.TypeHopAck, 2, &proto.HopAck{Tag: tag(check)}), Kind{proto.TypeHopAck, ForCheckIns}},
		{group(proto.TypeHopAck, 3, &proto.HopAck{Tag: [4]byte{1, 2, 3, 4}}), Kind{proto.TypeHopAck, ForWays}},
		{group(proto.TypeSolicit, 4, &proto.Solicit{Receipt: true, Tag: tag(event)}), Kind{proto.TypeSolicit, ForEvents}},
		{group(proto.TypeSolicit, 5, &proto.Solicit{}), Kind{proto.TypeSolicit, ForWays}},
		{group(proto.TypeBeacon, 6, &proto.Beacon{}), Kind{proto.TypeBeacon, ForWays}},
		{[]byte("noise"), Kind{}},
	} {
		airtime := e.Airtime(len(c.frame))
		if i%2 == 0 {
			e.onAir(2, c.frame, func() {})
		} else {
			e.onAir(e.modem(), c.frame, func() {})
		}
		s := want[c.kind]
		want[c.kind] = Sum{s.Frames + 1, s.Airtime + airtime}
		if got := e.Kinds()[c.kind]; got != want[c.kind] {
			t.Errorf("%d: %v for %v: %+v, want %+v", i, c.kind.Type, c.kind.For, got, want[c.kind])
		}
		for until := e.now + airtime; e.now < until; e.advance(until) {
		}
	}
	total := Sum{}
	for _, s := range e.Kinds() {
		total.Frames += s.Frames
	}
	if total.Frames < 11 {
		t.Errorf("%d frames in all", total.Frames)
	}
}

// TestRecentForgets: what was sent long ago is nobody's matter any more.
func TestRecentForgets(t *testing.T) {
	var r recent
	for i := range 2000 {
		r.note([4]byte{byte(i >> 8), byte(i)}, ForEvents)
	}
	if len(r.of) > len(r.ring) || r.of[[4]byte{1999 >> 8, 1999 & 255}] != ForEvents || r.of[[4]byte{0, 1}] == ForEvents {
		t.Errorf("%d are remembered", len(r.of))
	}
}

// TestCirculating: a frame that names a relay twice, or its origin, has been where it was before.
func TestCirculating(t *testing.T) {
	e := quiet(t, bank(), &journal{})
	for _, c := range []struct {
		relays []int
		want   int
	}{{nil, 0}, {[]int{1, 2}, 0}, {[]int{1, 2, 1}, 1}, {[]int{1, 0}, 1}} {
		before := e.Circulating()
		e.tally(trip(t, e, 0, c.relays...), 1)
		if got := e.Circulating() - before; got != c.want {
			t.Errorf("by %v: %d frames circulate, want %d", c.relays, got, c.want)
		}
	}
}

// TestEvery: a closure that comes again and again does, until the scenario says that no more come.
func TestEvery(t *testing.T) {
	s := alone()
	s.Nodes[0].Rate, s.Until = nil, Duration(59*time.Minute)
	s.Nodes[0].Trips = []Trip{{At: Duration(4 * time.Minute), For: Duration(time.Second), Every: Duration(5 * time.Minute)}}
	var j journal
	run(t, mustNew(t, s, 5, &j), newHouse(t), 2*time.Hour, nil)
	n := 0
	for _, r := range j.of(RecordContact) {
		if *r.Active {
			if want := 240 + 300*float64(n); r.T != want {
				t.Errorf("closure %d at %v s, want %v", n, r.T, want)
			}
			n++
		}
	}
	if n != 12 { // at 4, 9 ... 59 min
		t.Errorf("%d closures, want 12", n)
	}
}
