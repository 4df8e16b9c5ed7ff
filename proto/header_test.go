package proto

import (
	"bytes"
	"os"
	"regexp"
	"strconv"
	"testing"
)

// The clear parts of PROTOCOL.md section 2, with a different value in every field; wide is what goes under the MAC.
func TestClearPart(t *testing.T) {
	event := Header{Type: TypeTripOpened, HopsLeft: 5, Site: 0x0102, Node: 3, Gen: 4, Counter: 0x05060708, Attempt: 9}
	long, held, longHeld, checkIn, longCheckIn := event, event, event, event, event
	long.Long = true
	held.Type, held.Attempt = TypeTripHeld, 0x0a0b
	longHeld.Type, longHeld.Attempt, longHeld.Long = TypeFault, 0x0a0b, true
	checkIn.Type, checkIn.Attempt = TypeCheckIn, 0
	longCheckIn.Type, longCheckIn.Attempt, longCheckIn.Long = TypeCheckIn, 0, true
	group := checkIn
	group.Type, group.HopsLeft, group.Node = TypeBeacon, 0, 240
	receipt := Header{Type: TypeReceipt, HopsLeft: 5, Site: 0x0102, Node: 3, Gen: 4, Counter: 0x05060708, Gateway: 12,
		Epoch: 0x0d0e, Number: 0x11121314}
	for _, c := range []struct {
		h           Header
		clear, wide string
	}{
		{event, "21 05 0102 03 04 0708 09", "21 00 0102 03 04 05060708 09"},
		{long, "21 15 0102 03 04 05060708 09", "21 10 0102 03 04 05060708 09"},
		{held, "23 05 0102 03 04 0708 0a0b", "23 00 0102 03 04 05060708 0a0b"},
		{longHeld, "24 15 0102 03 04 05060708 0a0b", "24 10 0102 03 04 05060708 0a0b"},
		{checkIn, "25 05 0102 03 04 0708", "25 00 0102 03 04 05060708"},
		{longCheckIn, "25 15 0102 03 04 05060708", "25 10 0102 03 04 05060708"},
		{group, "2a 00 0102 f0 04 05060708", "2a 00 0102 f0 04 05060708"},
		{receipt, "2c c5 0102 03 04 0d0e 11121314 0708", "2c c0 0102 03 04 0d0e 11121314 05060708"},
	} {
		if got, want := c.h.appendClear(nil, false), unhex(t, c.clear); !bytes.Equal(got, want) {
			t.Errorf("clear part of %+v = %x, want %x", c.h, got, want)
		}
		if got, want := c.h.appendClear(nil, true), unhex(t, c.wide); !bytes.Equal(got, want) {
			t.Errorf("wide clear part of %+v = %x, want %x", c.h, got, want)
		}
	}
}

// The table of PROTOCOL.md section 2 and the code say the same.
func TestPageTable(t *testing.T) {
	page, err := os.ReadFile("PROTOCOL.md")
	if err != nil {
		t.Fatal(err)
	}
	row := regexp.MustCompile(`(?m)^\| (\d+) \| ([a-z -]+) \| (\d+) \| (\d+) \| (\d+) \| (\d+) \| (node|group) \| (0 to 7|none) \|$`)
	rows := row.FindAllStringSubmatch(string(page), -1)
	if len(rows) != len(frameTypes) {
		t.Errorf("the page's table has %d types, want %d", len(rows), len(frameTypes))
	}
	for _, c := range rows {
		var n [7]int
		for _, i := range []int{1, 3, 4, 5, 6} {
			n[i], _ = strconv.Atoi(c[i])
		}
		typ := Type(n[1])
		l := typ.layout()
		if l.name != c[2] || l.clear != n[3] || l.body != n[4] || l.tag != n[5] || typ.Size() != n[6] {
			t.Errorf("type %d is %+v of %d bytes, the page says %q", typ, l, typ.Size(), c[0])
		}
		if typ.Group() != (c[7] == "group") || carriesHops(typ) != (c[8] == "0 to 7") {
			t.Errorf("type %d: group %v, hop records %v, the page says %q", typ, typ.Group(), carriesHops(typ), c[0])
		}
	}
}

func carriesHops(typ Type) bool { return checkLength(typ, HopSize, 0) == nil }

// Refusals come in the order of PROTOCOL.md section 6, so that each is counted under the same reason everywhere.
func TestParseRefuses(t *testing.T) {
	h := Header{Type: TypeTripOpened, Site: 1, Node: 2}
	trip := mustSeal(t, nodeKeys(t, 1, 2, 0), h, tripOpenedType.example)
	with := func(frame []byte, edits ...int) []byte {
		b := bytes.Clone(frame)
		for i := 0; i < len(edits); i += 2 {
			b[edits[i]] = byte(edits[i+1])
		}
		return b
	}
	h.Type = TypeBeacon
	beacon := mustSeal(t, groupKeys(t, 1, 0), h, beaconType.example)
	h.Type = TypeReceipt
	receipt := mustSeal(t, nodeKeys(t, 1, 2, 0), h, receiptType.example)
	for _, c := range []struct {
		what  string
		frame []byte
		want  Reason
	}{
		{"nothing", nil, BadLength},
		{"one byte, of another version", []byte{0xff}, BadLength},
		{"version 0", with(trip, 0, 0x01), BadVersion},
		{"version 2 of an unknown type, short", []byte{0x5f, 0xff}, BadVersion},
		{"version 7", with(trip, 0, 0xe1), BadVersion},
		{"unknown type with odd flags, short", []byte{0x3f, 0xff}, BadType},
		{"reserved flag, short", []byte{0x21, 0x20}, BadReserved},
		{"reserved flag beside the long one", with(trip, 1, 0x30), BadReserved},
		{"long flag on a short frame", with(trip, 1, 0x10), BadLength},
		{"long flag on a beacon", with(beacon, 1, 0x10), BadReserved},
		{"node 0, short", with(trip, 4, 0)[:25], BadLength},
		{"node 0", with(trip, 4, 0), BadReserved},
		{"node 240", with(trip, 4, 240), BadReserved},
		{"receipt to node 0", with(receipt, 4, 0), BadReserved},
		{"receipt to node 240", with(receipt, 4, 240), BadReserved},
		{"beacon from 0", with(beacon, 4, 0), BadReserved},
	} {
		_, err := Parse(c.frame)
		wantRefusal(t, c.what, err, c.want)
	}
	for typ := range 32 {
		if Type(typ).Size() == 0 {
			_, err := Parse(with(trip, 0, 0x20|typ))
			wantRefusal(t, "type "+strconv.Itoa(typ), err, BadType)
		}
	}
}

// A hop acknowledgement names a frame by the start of its MAC, so Tag must be that and not a part of the records.
func TestTagAndRefusalText(t *testing.T) {
	f := newRelayed(t, newRand(t), 2)
	if got, want := mustParse(t, f.frame).Tag(), f.bare[len(f.bare)-TagSize:]; !bytes.Equal(got, want) {
		t.Errorf("Tag() = %x, want %x", got, want)
	}
	_, err := Parse([]byte{0x21})
	if want := "length: 1 bytes are too few for any frame"; err == nil || err.Error() != want {
		t.Errorf("Parse of one byte: %v, want %q", err, want)
	}
}
