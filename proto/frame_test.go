package proto

import (
	"bytes"
	"encoding/hex"
	"errors"
	"math/rand/v2"
	"os"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// frameType is what the common tests need to know of one type. Each frame file's test declares its own.
type frameType struct {
	typ     Type
	body    func(*rand.Rand) Body // a random body that is valid
	example Body                  // a body with a different value in every field
	page    string                // example as PROTOCOL.md section 3 lays it out, in hex
	refused func(p []byte) bool   // whether PROTOCOL.md says that these body bytes are refused
}

var frameTypes = []frameType{tripOpenedType, tripClosedType, tripHeldType, faultType, checkInType, solicitType,
	hopAckType, beaconType, receiptType, checkInReceiptType}

func nothingRefused([]byte) bool { return false }

// newRand is a random source whose seed is printed when the test fails, and can be given back to it.
func newRand(t testing.TB) *rand.Rand {
	t.Helper()
	seed := rand.Uint64()
	if s := os.Getenv("LONGLANE_SEED"); s != "" {
		var err error
		if seed, err = strconv.ParseUint(s, 10, 64); err != nil {
			t.Fatalf("LONGLANE_SEED=%q: %v", s, err)
		}
	}
	t.Logf("to repeat: LONGLANE_SEED=%d", seed)
	return rand.New(rand.NewPCG(seed, 0))
}

func coin(r *rand.Rand) bool         { return r.IntN(2) == 1 }
func randByte(r *rand.Rand) uint8    { return uint8(r.Uint32()) }
func randWord(r *rand.Rand) uint16   { return uint16(r.Uint32()) }
func randTag(r *rand.Rand) [4]byte   { return [4]byte(randBytes(r, 4)) }
func randSend(r *rand.Rand) SendTime { return SendTime{r.Uint32N(NoTime + 1), randByte(r)} }

func randBytes(r *rand.Rand, n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = randByte(r)
	}
	return b
}

func randInput(r *rand.Rand) Input {
	return Input{Number: uint8(r.IntN(16)), Active: coin(r), Normally: coin(r), Supervised: coin(r), Test: coin(r)}
}

// randCounter is often small or near a power of two, where arithmetic goes wrong first.
func randCounter(r *rand.Rand) uint32 {
	switch r.IntN(3) {
	case 0:
		return r.Uint32N(3000)
	case 1:
		return 1<<(10+r.UintN(22)) + r.Uint32N(5) - 2
	}
	return r.Uint32()
}

func randHeader(r *rand.Rand, typ Type) Header {
	h := Header{Type: typ, HopsLeft: uint8(r.IntN(16)), Site: randWord(r), Node: uint8(MinNode + r.IntN(MaxNode)),
		Gen: randByte(r), Counter: randCounter(r)}
	switch typ {
	case TypeTripOpened, TypeTripClosed:
		h.Long, h.Attempt = coin(r), uint16(randByte(r))
	case TypeTripHeld, TypeFault:
		h.Long, h.Attempt = coin(r), randWord(r)
	case TypeCheckIn:
		h.Long = coin(r)
	case TypeReceipt, TypeCheckInReceipt:
		h.Gateway, h.Epoch, h.Number = uint8(r.IntN(16)), randWord(r), r.Uint32()
	default:
		h.Node = uint8(1 + r.IntN(255)) // gateways speak here as well
	}
	return h
}

var testSecret = bytes.Repeat([]byte{0x5e, 0xc2}, KeySize/2)

func nodeKeys(t testing.TB, site uint16, node, gen uint8) *Keys {
	t.Helper()
	key, err := NodeKey(testSecret, site, node, gen)
	if err != nil {
		t.Fatal(err)
	}
	return workingKeys(t, key)
}

func groupKeys(t testing.TB, site uint16, gen uint8) *Keys {
	t.Helper()
	key, err := GroupKey(testSecret, site, gen)
	if err != nil {
		t.Fatal(err)
	}
	return workingKeys(t, key)
}

func workingKeys(t testing.TB, key []byte) *Keys {
	t.Helper()
	k, err := NewKeys(key)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func keysFor(t testing.TB, h Header) *Keys {
	t.Helper()
	if h.Type.Group() {
		return groupKeys(t, h.Site, h.Gen)
	}
	return nodeKeys(t, h.Site, h.Node, h.Gen)
}

func mustSeal(t testing.TB, k *Keys, h Header, body Body) []byte {
	t.Helper()
	frame, err := Seal(nil, k, h, body)
	if err != nil {
		t.Fatalf("Seal(%+v, %+v): %v", h, body, err)
	}
	return frame
}

func mustParse(t testing.TB, frame []byte) Raw {
	t.Helper()
	r, err := Parse(frame)
	if err != nil {
		t.Fatalf("Parse(%x): %v", frame, err)
	}
	return r
}

// sealPlain seals body bytes as they are, also those that Seal would not let out.
func sealPlain(k *Keys, h Header, plain []byte) []byte {
	frame := h.appendClear(nil, false)
	secret := make([]byte, len(plain))
	k.xor(h.nonce(), secret, plain)
	frame = append(frame, secret...)
	return append(frame, k.tag(h, secret)[:h.Type.layout().tag]...)
}

// openAs opens a frame as its receiver does, who knows known as the highest counter of that sender; for a receipt
// known is the receiver's own newest counter.
func openAs(frame []byte, k *Keys, known uint32) (Raw, Body, error) {
	r, err := Parse(frame)
	if err != nil {
		return r, nil, err
	}
	counter := r.Counter
	switch {
	case r.Type.Receipt():
		var ok bool
		if counter, ok = ResolveBehind(uint16(r.Counter), known); !ok {
			return r, nil, refuse(BadMAC, "the receipt answers a counter below zero")
		}
	case !r.WholeCounter():
		counter = Resolve(uint16(r.Counter), known)
	}
	body, err := r.Open(k, counter)
	return r, body, err
}

// wantRefusal fails unless err is an *Error of the closed list, for one of the reasons given or, with none, for any.
func wantRefusal(t testing.TB, what string, err error, reasons ...Reason) {
	t.Helper()
	var e *Error
	switch {
	case err == nil:
		t.Errorf("%s: accepted, want a refusal %v", what, reasons)
	case !errors.As(err, &e) || !slices.Contains(Reasons, e.Reason):
		t.Errorf("%s: error %v is not a refusal from the closed list", what, err)
	case len(reasons) > 0 && !slices.Contains(reasons, e.Reason):
		t.Errorf("%s: refused as %q (%v), want %q", what, e.Reason, err, reasons)
	}
}

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// testFrameType runs what holds for every type.
func testFrameType(t *testing.T, ft frameType) {
	t.Run("page", func(t *testing.T) { testPage(t, ft) })
	t.Run("round trip", func(t *testing.T) { testRoundTrip(t, ft) })
	t.Run("lengths", func(t *testing.T) { testLengths(t, ft) })
	t.Run("bits", func(t *testing.T) { testBits(t, ft) })
	t.Run("body values", func(t *testing.T) { testBodyValues(t, ft) })
}

func testPage(t *testing.T, ft frameType) {
	want := unhex(t, ft.page)
	if got := ft.example.appendBody(nil); !bytes.Equal(got, want) {
		t.Errorf("body of %+v = %x, want %x", ft.example, got, want)
	}
	got := newBody(ft.typ)
	if err := got.parseBody(want); err != nil || !reflect.DeepEqual(got, ft.example) {
		t.Errorf("parse body %x = %+v, %v, want %+v", want, got, err, ft.example)
	}
}

func testRoundTrip(t *testing.T, ft frameType) {
	r := newRand(t)
	for range 300 {
		h, body := randHeader(r, ft.typ), ft.body(r)
		k := keysFor(t, h)
		prefix := randBytes(r, r.IntN(4))
		out, err := Seal(bytes.Clone(prefix), k, h, body)
		if err != nil {
			t.Fatalf("Seal(%+v, %+v): %v", h, body, err)
		}
		frame, kept := bytes.CutPrefix(out, prefix)
		if !kept {
			t.Fatalf("Seal to %x gave %x, want it appended", prefix, out)
		}
		checkReencodes(t, frame)
		raw, got, err := openAs(frame, k, h.Counter)
		if err != nil {
			t.Fatalf("open %x of %+v: %v", frame, h, err)
		}
		if !reflect.DeepEqual(got, body) {
			t.Fatalf("opened %+v, want %+v", got, body)
		}
		again := raw.Header
		again.Counter = h.Counter
		if again != h {
			t.Fatalf("parsed header %+v, want %+v", again, h)
		}
		if second := mustSeal(t, k, again, got); !bytes.Equal(second, frame) {
			t.Fatalf("sealed again: %x, want %x", second, frame)
		}
	}
}

func checkReencodes(t testing.TB, frame []byte) {
	t.Helper()
	raw := mustParse(t, frame)
	if again := raw.Append([]byte{7}); !bytes.Equal(again[1:], frame) || again[0] != 7 {
		t.Fatalf("Parse(%x).Append gave %x, want the same bytes appended", frame, again)
	}
}

// Every length but the exact one is refused. Where hop records are allowed, whole records more parse, do not verify
// and cost nothing.
func testLengths(t *testing.T, ft frameType) {
	r := newRand(t)
	for range 20 {
		h := randHeader(r, ft.typ)
		k := keysFor(t, h)
		frame := mustSeal(t, k, h, ft.body(r))
		for n := range frame {
			_, err := Parse(frame[:n])
			wantRefusal(t, "cut short", err, BadLength)
		}
		for extra := 1; extra <= (MaxHops+2)*HopSize; extra++ {
			long := append(bytes.Clone(frame), randBytes(r, extra)...)
			raw, _, err := openAs(long, k, h.Counter)
			carries := ft.typ <= TypeCheckIn && extra%HopSize == 0 && extra <= MaxHops*HopSize
			if !carries {
				wantRefusal(t, "made longer", err, BadLength)
				continue
			}
			if err != nil || raw.HopCount() != extra/HopSize || raw.VerifyHop(0, k) {
				t.Errorf("%d bytes of noise after a %s: %v, %d records, want it opened, %d records, none verified",
					extra, ft.typ, err, raw.HopCount(), extra/HopSize)
			}
		}
	}
}

// Every bit is under the MAC, but for hops left.
func testBits(t *testing.T, ft frameType) {
	r := newRand(t)
	for range 10 {
		h, body := randHeader(r, ft.typ), ft.body(r)
		k := keysFor(t, h)
		frame := mustSeal(t, k, h, body)
		for bit := range len(frame) * 8 {
			bent := bytes.Clone(frame)
			bent[bit/8] ^= 1 << (bit % 8)
			raw, got, err := openAs(bent, k, h.Counter)
			if bit/8 != 1 || bit%8 > 3 {
				wantRefusal(t, "bit "+strconv.Itoa(bit)+" of a "+ft.typ.String()+" flipped", err)
				continue
			}
			if err != nil || !reflect.DeepEqual(got, body) || raw.HopsLeft != h.HopsLeft^1<<(bit%8) {
				t.Errorf("hops left changed: opened %+v, %v, want %+v: relays count it down", got, err, body)
			}
		}
	}
}

// Each byte of a body takes each value: what the page refuses is refused, and the rest encodes again to the same bytes.
func testBodyValues(t *testing.T, ft frameType) {
	r := newRand(t)
	h := randHeader(r, ft.typ)
	k := keysFor(t, h)
	for range 4 {
		plain := ft.body(r).appendBody(nil)
		for at := range plain {
			for v := range 256 {
				p := bytes.Clone(plain)
				p[at] = byte(v)
				_, body, err := openAs(sealPlain(k, h, p), k, h.Counter)
				if ft.refused(p) {
					wantRefusal(t, "body "+hex.EncodeToString(p), err, BadReserved)
				} else if err != nil {
					t.Fatalf("body %x: %v, want it accepted", p, err)
				} else if again := body.appendBody(nil); !bytes.Equal(again, p) {
					t.Fatalf("body %x encodes again as %x", p, again)
				}
			}
		}
	}
}

// A type that is added to the format and not to these tests fails here.
func TestEveryTypeIsTested(t *testing.T) {
	for n := range 256 {
		typ := Type(n)
		tested := slices.ContainsFunc(frameTypes, func(ft frameType) bool { return ft.typ == typ })
		if known := typ.Size() > 0; known != tested || known != (typ.String() != "unknown type") {
			t.Errorf("type %d (%s): known %v, tested %v", n, typ, known, tested)
		}
		if (newBody(typ) != nil) != tested {
			t.Errorf("type %d (%s): newBody = %v", n, typ, newBody(typ))
		}
	}
}
