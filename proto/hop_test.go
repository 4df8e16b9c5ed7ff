package proto

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"
)

// relayed is a frame that went through relays, with all that made it.
type relayed struct {
	h     Header
	body  Body
	keys  *Keys   // of the origin
	hops  []Hop   // in the order travelled
	relay []*Keys // their keys
	bare  []byte  // as the origin sent it
	frame []byte
}

var hopCarriers = []frameType{tripOpenedType, tripClosedType, tripHeldType, faultType, checkInType}

func newRelayed(t testing.TB, r *rand.Rand, n int) relayed {
	t.Helper()
	ft := hopCarriers[r.IntN(len(hopCarriers))]
	f := relayed{h: randHeader(r, ft.typ), body: ft.body(r)}
	f.h.HopsLeft = uint8(n + r.IntN(16-n))
	f.keys = keysFor(t, f.h)
	f.bare = mustSeal(t, f.keys, f.h, f.body)
	f.frame = f.bare
	for i := range n {
		hop := Hop{Relay: uint8(1 + (int(f.h.Node)+i)%MaxNode), Gen: randByte(r), RSSI: RSSI(randByte(r)), SNR: SNR(randByte(r)),
			Held: Dur8(randByte(r))}
		f.hops, f.relay = append(f.hops, hop), append(f.relay, nodeKeys(t, f.h.Site, hop.Relay, hop.Gen))
		f.frame = mustHop(t, f.frame, f.relay[i], hop)
	}
	return f
}

func mustHop(t testing.TB, frame []byte, k *Keys, hop Hop) []byte {
	t.Helper()
	out, err := AppendHop(frame, k, hop)
	if err != nil {
		t.Fatalf("AppendHop(%x, %+v): %v", frame, hop, err)
	}
	return out
}

// record is where the i-th hop record stands in f.frame.
func (f relayed) record(i int) (from, to int) {
	return len(f.bare) + i*HopSize, len(f.bare) + (i+1)*HopSize
}

// checkOpens fails unless frame still gives the origin's body: hop records never cost the event.
func (f relayed) checkOpens(t testing.TB, what string, frame []byte) Raw {
	t.Helper()
	raw, body, err := openAs(frame, f.keys, f.h.Counter)
	if err != nil || !reflect.DeepEqual(body, f.body) {
		t.Fatalf("%s: opened %+v, %v, want %+v", what, body, err, f.body)
	}
	return raw
}

// checkVerified fails unless exactly the records in want verify, the i-th with keys[i].
func checkVerified(t testing.TB, what string, raw Raw, keys []*Keys, want ...bool) {
	t.Helper()
	got := make([]bool, raw.HopCount())
	for i := range got {
		got[i] = raw.VerifyHop(i, keys[i])
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%s: records verified %v, want %v", what, got, want)
	}
}

func TestHopChain(t *testing.T) {
	r := newRand(t)
	for range 30 {
		for n := 1; n <= MaxHops; n++ {
			f := newRelayed(t, r, n)
			checkReencodes(t, f.frame)
			raw := f.checkOpens(t, "chain", f.frame)
			if raw.HopCount() != n || int(raw.HopsLeft) != int(f.h.HopsLeft)-n || len(f.frame) != len(f.bare)+n*HopSize {
				t.Errorf("%d records: count %d, hops left %d of %d, %d bytes more", n, raw.HopCount(), raw.HopsLeft, f.h.HopsLeft,
					len(f.frame)-len(f.bare))
			}
			for i, want := range f.hops {
				if got := raw.Hop(i); got != want || !raw.VerifyHop(i, f.relay[i]) {
					t.Errorf("record %d = %+v, verified %v, want %+v", i, got, raw.VerifyHop(i, f.relay[i]), want)
				}
			}
		}
	}
}

// AppendHop gives a frame of its own and leaves the one it was given alone, which may be in a retry list.
func TestAppendHopKeepsItsArgument(t *testing.T) {
	f := newRelayed(t, newRand(t), 2)
	f.frame[1] |= hopsMask // so that it may be sent on
	roomy := append(make([]byte, 0, 200), f.frame...)
	out := mustHop(t, roomy, f.relay[0], Hop{Relay: 9})
	if !bytes.Equal(roomy, f.frame) || !bytes.Equal(roomy[:200][len(f.frame):], make([]byte, 200-len(f.frame))) {
		t.Error("AppendHop wrote into the frame that it was given")
	}
	out[0] ^= 0xff
	if !bytes.Equal(roomy, f.frame) {
		t.Error("the frame that AppendHop gave shares memory with its argument")
	}
}

// Any bit of a record: that record and those after it are unverified, those before stand, and the frame opens.
func TestHopBits(t *testing.T) {
	f := newRelayed(t, newRand(t), 3)
	for bit := len(f.bare) * 8; bit < len(f.frame)*8; bit++ {
		bent := bytes.Clone(f.frame)
		bent[bit/8] ^= 1 << (bit % 8)
		bad := (bit/8 - len(f.bare)) / HopSize
		checkVerified(t, fmt.Sprintf("bit %d of record %d", bit, bad), f.checkOpens(t, "bit", bent), f.relay, bad > 0, bad > 1, false)
	}
}

// Any bit of the origin's MAC: the frame is refused, and no record speaks for it.
func TestHopBindsToOriginMAC(t *testing.T) {
	f := newRelayed(t, newRand(t), 2)
	for bit := (len(f.bare) - TagSize) * 8; bit < len(f.bare)*8; bit++ {
		bent := bytes.Clone(f.frame)
		bent[bit/8] ^= 1 << (bit % 8)
		checkVerified(t, "origin's MAC bent", mustParse(t, bent), f.relay, false, false)
	}
}

func TestHopAttacks(t *testing.T) {
	r := newRand(t)
	for range 50 {
		f := newRelayed(t, r, 3)
		other := newRelayed(t, r, 3)
		cut := func(frame []byte, i int) []byte { from, to := f.record(i); return frame[from:to] }
		build := func(records ...[]byte) []byte { return bytes.Join(append([][]byte{f.bare}, records...), nil) }
		a, b, c := cut(f.frame, 0), cut(f.frame, 1), cut(f.frame, 2)
		k := f.relay

		checkVerified(t, "as sent", f.checkOpens(t, "as sent", build(a, b, c)), k, true, true, true)
		checkVerified(t, "middle record stripped", f.checkOpens(t, "stripped", build(a, c)), []*Keys{k[0], k[2]}, true, false)
		checkVerified(t, "first record stripped", f.checkOpens(t, "stripped", build(b, c)), k[1:], false, false)
		checkVerified(t, "last record stripped, which cannot be seen", f.checkOpens(t, "stripped", build(a, b)), k[:2], true, true)
		checkVerified(t, "reordered", f.checkOpens(t, "reordered", build(b, a, c)), []*Keys{k[1], k[0], k[2]}, false, false, false)
		checkVerified(t, "last two exchanged", f.checkOpens(t, "exchanged", build(a, c, b)), []*Keys{k[0], k[2], k[1]}, true, false, false)
		checkVerified(t, "record doubled", f.checkOpens(t, "doubled", build(a, a, b)), []*Keys{k[0], k[0], k[1]}, true, false, false)

		forged := append(bytes.Clone(b[:hopBody]), randBytes(r, hopTag)...)
		checkVerified(t, "one of three forged", f.checkOpens(t, "forged", build(a, forged, c)), k, true, false, false)
		better := bytes.Clone(b)
		better[2] ^= 1 + byte(r.IntN(255))
		checkVerified(t, "RSSI made up", f.checkOpens(t, "made up", build(a, better, c)), k, true, false, false)
		appended := append(bytes.Clone(a[:hopBody]), randBytes(r, hopTag)...)
		checkVerified(t, "forged at the end", f.checkOpens(t, "end", build(a, b, c, appended)),
			[]*Keys{k[0], k[1], k[2], k[0]}, true, true, true, false)

		// A record that another relay, who has good keys of its own, made in the name of this one.
		inName := mustHop(t, build(a), k[2], f.hops[1])
		checkVerified(t, "made with another relay's key", f.checkOpens(t, "name", inName), k[:2], true, false)
		byNode := mustHop(t, build(a), f.keys, f.hops[1])
		checkVerified(t, "made with the origin's key", f.checkOpens(t, "name", byNode), k[:2], true, false)

		// A record from one frame on another.
		from, to := other.record(0)
		checkVerified(t, "record of another frame", f.checkOpens(t, "transplant", build(other.frame[from:to])), other.relay[:1], false)
	}
}

// Relays' keys differ from site to site, and the site is under a record's MAC besides.
func TestHopOtherSite(t *testing.T) {
	f := newRelayed(t, newRand(t), 1)
	for bit := range 16 {
		moved := bytes.Clone(f.frame)
		moved[2+bit/8] ^= 1 << (bit % 8)
		raw := mustParse(t, moved)
		checkVerified(t, "site changed, same relay key", raw, f.relay, false)
		checkVerified(t, "other site's key", mustParse(t, f.frame),
			[]*Keys{nodeKeys(t, raw.Site, f.hops[0].Relay, f.hops[0].Gen)}, false)
	}
	older := nodeKeys(t, f.h.Site, f.hops[0].Relay, f.hops[0].Gen-1)
	checkVerified(t, "older generation's key", mustParse(t, f.frame), []*Keys{older}, false)
}

func TestAppendHopRefuses(t *testing.T) {
	r := newRand(t)
	full := newRelayed(t, r, MaxHops)
	full.frame[1] |= 0x0f // hops left is no obstacle
	k := full.relay[0]
	one := newRelayed(t, r, 1)
	spent := bytes.Clone(one.frame)
	spent[1] &^= 0x0f
	for _, c := range []struct {
		what  string
		frame []byte
		relay uint8
		want  Reason
	}{
		{"eighth record", full.frame, 1, BadLength},
		{"no hops left", spent, 1, BadReserved},
		{"relay 0", one.frame, 0, BadReserved},
		{"relay 240", one.frame, 240, BadReserved},
		{"half a frame", one.frame[:12], 1, BadLength},
		{"other version", append([]byte{0x41}, one.frame[1:]...), 1, BadVersion},
	} {
		out, err := AppendHop(c.frame, k, Hop{Relay: c.relay})
		wantRefusal(t, c.what, err, c.want)
		if out != nil {
			t.Errorf("%s: AppendHop gave bytes beside its error", c.what)
		}
	}
	for _, ft := range frameTypes[len(hopCarriers):] {
		h := randHeader(r, ft.typ)
		h.HopsLeft = 5
		_, err := AppendHop(mustSeal(t, keysFor(t, h), h, ft.body(r)), k, Hop{Relay: 1})
		wantRefusal(t, "record on a "+ft.typ.String(), err, BadType)
	}
}

func TestRSSI(t *testing.T) {
	for c := range 256 {
		if got := EncodeRSSI(RSSI(c).DBm()); got != RSSI(c) {
			t.Errorf("EncodeRSSI(RSSI(%d).DBm()) = %d", c, got)
		}
	}
	for _, c := range []struct {
		dbm  float64
		want RSSI
	}{{math.NaN(), NoRSSI}, {0, 0}, {12, 0}, {math.Inf(1), 0}, {-0.4, 0}, {-1, 1}, {-97.4, 97}, {-97.6, 98}, {-254, 254},
		{-255, 254}, {-1e9, 254}, {math.Inf(-1), 254}} {
		if got := EncodeRSSI(c.dbm); got != c.want {
			t.Errorf("EncodeRSSI(%v) = %d, want %d", c.dbm, got, c.want)
		}
	}
	if got := RSSI(97).DBm(); got != -97 {
		t.Errorf("RSSI(97).DBm() = %v, want -97", got)
	}
	if got := NoRSSI.DBm(); !math.IsNaN(got) {
		t.Errorf("NoRSSI.DBm() = %v, want NaN", got)
	}
}

func TestSNR(t *testing.T) {
	for c := range 256 {
		if got := EncodeSNR(SNR(c).DB()); got != SNR(c) {
			t.Errorf("EncodeSNR(SNR(%#x).DB()) = %#x", c, got)
		}
	}
	for _, c := range []struct {
		db   float64
		want SNR
	}{{math.NaN(), NoSNR}, {0, 0}, {0.25, 1}, {-0.25, 0xff}, {-7.5, 0xe2}, {9.75, 39}, {0.1, 0}, {0.13, 1}, {31.75, 127}, {32, 127},
		{-31.75, 0x81}, {-32, 0x81}, {-1e9, 0x81}, {math.Inf(-1), 0x81}, {math.Inf(1), 127}} {
		if got := EncodeSNR(c.db); got != c.want {
			t.Errorf("EncodeSNR(%v) = %#x, want %#x", c.db, got, c.want)
		}
	}
	if got := SNR(0xe2).DB(); got != -7.5 {
		t.Errorf("SNR(0xe2).DB() = %v, want -7.5", got)
	}
	if got := NoSNR.DB(); !math.IsNaN(got) {
		t.Errorf("NoSNR.DB() = %v, want NaN", got)
	}
	for db := -31.75; db <= 31.75; db += 0.01 {
		if off := math.Abs(EncodeSNR(db).DB() - db); off > 0.125+1e-9 {
			t.Errorf("EncodeSNR(%v) is off by %v, want at most an eighth", db, off)
		}
	}
}
