package proto

import (
	"math"
	"testing"
)

func TestSealRefusesWhatNoReceiverAccepts(t *testing.T) {
	ok := func(typ Type) Header { return Header{Type: typ, Site: 1, Node: 2, Counter: 3} }
	with := func(typ Type, edit func(*Header)) Header {
		h := ok(typ)
		edit(&h)
		return h
	}
	opened := tripOpenedType.example
	for _, c := range []struct {
		what string
		h    Header
		body Body
		want Reason
	}{
		{"age code 255 in an opening", ok(TypeTripOpened), &TripOpened{Age: Dur8Max}, BadReserved},
		{"age code 255 in a closing", ok(TypeTripClosed), &TripClosed{Age: Dur8Max}, BadReserved},
		{"held opening with a dwell", ok(TypeTripHeld), &TripHeld{Dwell: 1}, BadReserved},
		{"held opening that refers to an opening", ok(TypeTripHeld), &TripHeld{Opened: 1}, BadReserved},
		{"fault of kind 0", ok(TypeFault), &Fault{}, BadReserved},
		{"fault of kind 8", ok(TypeFault), &Fault{Kind: FaultKindsLimit}, BadReserved},
		{"confirming nothing", ok(TypeCheckIn), &CheckIn{Confirms: true}, BadReserved},
		{"confirm without the flag", ok(TypeCheckIn), &CheckIn{Confirm: 1}, BadReserved},
		{"confirm age without the flag", ok(TypeCheckIn), &CheckIn{ConfirmAge: 1}, BadReserved},
		{"solicit for a parent with a tag", ok(TypeSolicit), &Solicit{Tag: [4]byte{3: 1}}, BadReserved},
		{"beacon with flags", ok(TypeBeacon), &Beacon{Flags: 1}, BadReserved},
		{"dwell setting without a version", ok(TypeReceipt), &Receipt{Settings: Settings{MinDwell: 1}}, BadReserved},
		{"period setting without a version", ok(TypeReceipt), &Receipt{Settings: Settings{Period: 1}}, BadReserved},
		{"attempt answered of a check-in", ok(TypeCheckInReceipt), &Receipt{Attempt: 1}, BadType},
		{"events in a receipt for a check-in", ok(TypeCheckInReceipt), &Receipt{Also: 1}, BadType},
		{"unknown type 0", ok(0), opened, BadType},
		{"unknown type 6", ok(6), opened, BadType},
		{"type beyond five bits", ok(TypeTripOpened + 32), opened, BadType},
		{"trip body in a closing", ok(TypeTripClosed), opened, BadType},
		{"receipt body in a beacon", ok(TypeBeacon), receiptType.example, BadType},
		{"16 hops left", with(TypeTripOpened, func(h *Header) { h.HopsLeft = 16 }), opened, BadReserved},
		{"long beacon", with(TypeBeacon, func(h *Header) { h.Long = true }), &Beacon{}, BadReserved},
		{"long receipt", with(TypeReceipt, func(h *Header) { h.Long = true }), &Receipt{}, BadReserved},
		{"attempt 256 in type 1", with(TypeTripOpened, func(h *Header) { h.Attempt = 256 }), opened, BadReserved},
		{"attempt 256 in type 2", with(TypeTripClosed, func(h *Header) { h.Attempt = 256 }), &TripClosed{}, BadReserved},
		{"attempt 1 of a check-in", with(TypeCheckIn, func(h *Header) { h.Attempt = 1 }), &CheckIn{}, BadReserved},
		{"attempt 1 of a beacon", with(TypeBeacon, func(h *Header) { h.Attempt = 1 }), &Beacon{}, BadReserved},
		{"attempt 1 of a receipt", with(TypeReceipt, func(h *Header) { h.Attempt = 1 }), &Receipt{}, BadReserved},
		{"node 0", with(TypeTripOpened, func(h *Header) { h.Node = 0 }), opened, BadReserved},
		{"node 240", with(TypeTripOpened, func(h *Header) { h.Node = 240 }), opened, BadReserved},
		{"receipt to node 240", with(TypeReceipt, func(h *Header) { h.Node = 240 }), &Receipt{}, BadReserved},
		{"beacon from 0", with(TypeBeacon, func(h *Header) { h.Node = 0 }), &Beacon{}, BadReserved},
		{"gateway 16", with(TypeReceipt, func(h *Header) { h.Gateway = 16 }), &Receipt{}, BadReserved},
	} {
		frame, err := Seal(nil, keysFor(t, c.h), c.h, c.body)
		wantRefusal(t, c.what, err, c.want)
		if frame != nil {
			t.Errorf("%s: Seal gave bytes beside its error", c.what)
		}
	}
	for _, h := range []Header{with(TypeTripOpened, func(h *Header) { h.Node = 239 }),
		with(TypeTripOpened, func(h *Header) { h.Attempt = 255 }), with(TypeTripOpened, func(h *Header) { h.HopsLeft = 15 })} {
		mustSeal(t, keysFor(t, h), h, opened) // the last values that are right
	}
	h := with(TypeBeacon, func(h *Header) { h.Node = 255 })
	mustSeal(t, keysFor(t, h), h, &Beacon{})
}

// A value too large for its field must be refused, not sent as another one: input 16 is not input 0.
func TestSealNeverSendsAnotherValue(t *testing.T) {
	for _, c := range []struct {
		what string
		typ  Type
		body Body
	}{
		{"input 16", TypeTripOpened, &TripOpened{Input: Input{Number: 16}}},
		{"input 255", TypeTripClosed, &TripClosed{Input: Input{Number: 255}}},
		{"input 17 held", TypeTripHeld, &TripHeld{Input: Input{Number: 17}}},
		{"input 16 of a fault", TypeFault, &Fault{Kind: FaultInput, Input: Input{Number: 16}}},
		{"send time of 25 bits", TypeTripOpened, &TripOpened{Sent: SendTime{Seconds: 1 << 24}}},
		{"send time of 32 bits", TypeCheckIn, &CheckIn{Sent: SendTime{Seconds: math.MaxUint32}}},
		{"fault kind with the bit of an end", TypeFault, &Fault{Kind: FaultTamper | 0x80}},
		{"fifth active input of a check-in", TypeCheckIn, &CheckIn{Active: 0x10}},
		{"eighth active input of a check-in", TypeCheckIn, &CheckIn{Active: 0x80}},
	} {
		h := Header{Type: c.typ, Site: 1, Node: 2, Counter: 3}
		k := keysFor(t, h)
		frame, err := Seal(nil, k, h, c.body)
		wantRefusal(t, c.what, err, BadReserved)
		if err == nil {
			_, got, _ := openAs(frame, k, h.Counter)
			t.Logf("%s: sealed %+v, the receiver reads %+v", c.what, c.body, got)
		}
	}
}

// The counter given to Open must be the one that travelled, in the bits that travelled.
func TestOpenRefusesOtherCounter(t *testing.T) {
	r := newRand(t)
	for _, ft := range frameTypes {
		for range 20 {
			h := randHeader(r, ft.typ)
			k := keysFor(t, h)
			raw := mustParse(t, mustSeal(t, k, h, ft.body(r)))
			for bit := range 32 {
				_, err := raw.Open(k, h.Counter^1<<bit)
				wantRefusal(t, "other counter for a "+ft.typ.String(), err, BadMAC)
			}
			if _, err := raw.Open(k, h.Counter); err != nil {
				t.Errorf("%s: Open with its own counter: %v", ft.typ, err)
			}
			if whole := h.Long || ft.typ.Group(); raw.WholeCounter() != whole || whole && raw.Counter != h.Counter {
				t.Errorf("%s, long %v: WholeCounter %v, counter %d of %d", ft.typ, h.Long, raw.WholeCounter(), raw.Counter, h.Counter)
			}
		}
	}
}

// What PROTOCOL.md section 5 says must tell two initial counter blocks apart under one key.
type nonceName struct {
	typ        Type
	node, gen  uint8
	counter    uint32
	attempt    uint16
	gateway    uint8
	epoch      uint16
	fromNumber uint32
}

// Two seals share key stream if and only if the caller repeated the name of the first. The key stream is taken from
// what Seal gave, so this holds for the block that was used.
func TestNonceNeverRepeats(t *testing.T) {
	r := newRand(t)
	k := workingKeys(t, testSecret) // one key for all, which is harsher than one for each node
	small := func() uint32 { return []uint32{0, 1, 255, 256, 65535, 65536, 1 << 31}[r.IntN(7)] }
	names := map[[8]byte]nonceName{}
	streams := map[nonceName][8]byte{}
	repeats := 0
	for range 30000 {
		ft := frameTypes[r.IntN(len(frameTypes))]
		h := Header{Type: ft.typ, Site: 1, Node: uint8(1 + r.IntN(3)), Gen: uint8(r.IntN(3)), Counter: small(),
			HopsLeft: uint8(r.IntN(16))}
		name := nonceName{typ: ft.typ, node: h.Node, gen: h.Gen}
		if ft.typ.Receipt() {
			h.Gateway, h.Epoch, h.Number = uint8(r.IntN(16)), uint16(small()), small()
			name.gateway, name.epoch, name.fromNumber = h.Gateway, h.Epoch, h.Number
		} else {
			h.Attempt = uint16(small())
			switch ft.typ.layout().attempt {
			case 0:
				h.Attempt = 0
			case 1:
				h.Attempt &= 255
			}
			name.counter, name.attempt = h.Counter, h.Attempt
		}
		stream := keyStream(t, k, h, ft.body(r))
		if other, used := names[stream]; used && other != name {
			t.Fatalf("%+v and %+v share their key stream", other, name)
		}
		before, named := streams[name]
		if named && before != stream {
			t.Fatalf("%+v has two key streams", name)
		}
		if named {
			repeats++
		}
		names[stream], streams[name] = name, stream
	}
	if repeats < 100 {
		t.Errorf("only %d names came twice, the test has grown blind", repeats)
	}
}

func keyStream(t testing.TB, k *Keys, h Header, body Body) (stream [8]byte) {
	t.Helper()
	plain := body.appendBody(nil)
	secret := mustParse(t, mustSeal(t, k, h, body)).cipher
	for i := range stream {
		stream[i] = plain[i] ^ secret[i]
	}
	return stream
}

// The last four bytes are the cipher's own block count; other sites never share a block either.
func TestNonceLayout(t *testing.T) {
	r := newRand(t)
	for _, ft := range frameTypes {
		h := randHeader(r, ft.typ)
		iv := h.nonce()
		if [4]byte(iv[12:]) != [4]byte{} {
			t.Errorf("%s: the initial counter block ends in %x, want zeros", ft.typ, iv[12:])
		}
		h.Site ^= 1 << r.IntN(16)
		if h.nonce() == iv {
			t.Errorf("%s: two sites share an initial counter block", ft.typ)
		}
		if n := ft.typ.layout().body; n > 17 {
			t.Errorf("a %s has a body of %d bytes, PROTOCOL.md section 5 argues from 17", ft.typ, n)
		}
	}
}

func TestResolve(t *testing.T) {
	check := func(low uint16, highest uint32) {
		t.Helper()
		base := max(int64(highest)-(WindowSize-1), 0)
		want := base + (int64(low)-base)&0xffff
		got := int64(Resolve(low, highest))
		if want > math.MaxUint32 {
			want -= 1 << 32 // no such counter exists; the MAC refuses whatever is tried
		} else if got < base || got >= base+1<<16 {
			t.Errorf("Resolve(%d, %d) = %d, outside [%d, %d)", low, highest, got, base, base+1<<16)
		}
		if got != want || uint16(got) != low {
			t.Errorf("Resolve(%d, %d) = %d, want %d", low, highest, got, want)
		}
	}
	edges := []uint32{0, 1, 1022, 1023, 1024, 1025, 65535, 65536, 65536 + 1023, 1 << 31, math.MaxUint32 - 65536,
		math.MaxUint32 - 1024, math.MaxUint32 - 1, math.MaxUint32}
	for _, highest := range edges {
		for low := range 1 << 16 {
			check(uint16(low), highest)
		}
	}
	r := newRand(t)
	for range 100000 {
		check(randWord(r), randCounter(r))
	}
}

// Whatever a node may send, its gateway finds again: up to 1023 behind the highest, up to 64512 ahead.
func TestResolveFindsTheCounter(t *testing.T) {
	r := newRand(t)
	for range 100000 {
		counter := randCounter(r)
		ahead := int64(r.IntN(65536)) - (WindowSize - 1)
		if n := r.IntN(8); n == 0 {
			ahead = []int64{-1023, 65536 - 1024}[r.IntN(2)]
		}
		highest := int64(counter) - ahead
		if highest < 0 || highest > math.MaxUint32 {
			continue
		}
		if got := Resolve(uint16(counter), uint32(highest)); got != counter {
			t.Fatalf("Resolve(%d, %d) = %d, want %d, %d ahead", uint16(counter), highest, got, counter, ahead)
		}
	}
	// One step beyond either end, the short form fails: that is what the long form is for.
	if got := Resolve(uint16(5000), 5000+1024); got == 5000 {
		t.Errorf("Resolve found a counter 1024 behind the highest, want it ahead")
	}
	if got := Resolve(uint16(100000&0xffff), 100000-(65536-1023)); got == 100000 {
		t.Errorf("Resolve found a counter %d ahead, want another", 65536-1023)
	}
}

func TestResolveBehind(t *testing.T) {
	r := newRand(t)
	check := func(low uint16, newest uint32) {
		t.Helper()
		want := int64(newest) - (int64(newest)-int64(low))&0xffff
		got, ok := ResolveBehind(low, newest)
		if ok != (want >= 0) || ok && int64(got) != want {
			t.Errorf("ResolveBehind(%d, %d) = %d, %v, want %d", low, newest, got, ok, want)
		}
		if ok && (got > newest || newest-got > math.MaxUint16 || uint16(got) != low) {
			t.Errorf("ResolveBehind(%d, %d) = %d, want at most %d, less than 65536 behind it", low, newest, got, newest)
		}
	}
	for _, newest := range []uint32{0, 1, 254, 65534, 65535, 65536, 65537, 1 << 31, math.MaxUint32} {
		for low := range 1 << 16 {
			check(uint16(low), newest)
		}
	}
	for range 100000 {
		check(randWord(r), randCounter(r))
	}
}
