package proto

import (
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// The budget: a trip heard directly in 26 bytes with its MAC, 9 for a hop record, four hops in 62.
func TestSizes(t *testing.T) {
	h := Header{Type: TypeTripOpened, HopsLeft: 4, Site: 1, Node: 2, Counter: 3}
	for _, ft := range []frameType{tripOpenedType, tripClosedType} {
		h.Type = ft.typ
		frame := mustSeal(t, keysFor(t, h), h, ft.example)
		if len(frame) > 26 {
			t.Errorf("a %s heard directly has %d bytes, at most 26 are allowed", ft.typ, len(frame))
		}
		for relay := uint8(10); relay < 14; relay++ {
			longer := mustHop(t, frame, nodeKeys(t, 1, relay, 0), Hop{Relay: relay})
			if n := len(longer) - len(frame); n > 9 {
				t.Errorf("a hop record has %d bytes, at most 9 are allowed", n)
			}
			frame = longer
		}
		if len(frame) > 62 {
			t.Errorf("a %s over four hops has %d bytes, at most 62 are allowed", ft.typ, len(frame))
		}
	}
}

func TestSizeIsWhatSealGives(t *testing.T) {
	r := newRand(t)
	for _, ft := range frameTypes {
		for range 20 {
			h := randHeader(r, ft.typ)
			want := ft.typ.Size()
			if h.Long {
				want += 2
			}
			if got := len(mustSeal(t, keysFor(t, h), h, ft.body(r))); got != want {
				t.Errorf("a %s, long %v, has %d bytes, want %d", ft.typ, h.Long, got, want)
			}
		}
	}
}

// What Parse accepts goes up to MaxSize, and no further.
func TestMaxSize(t *testing.T) {
	longest := 0
	for _, ft := range frameTypes {
		n := ft.typ.Size()
		if carriesHops(ft.typ) {
			n += 2 + MaxHops*HopSize
		}
		longest = max(longest, n)
	}
	if longest != MaxSize {
		t.Errorf("the longest frame has %d bytes, MaxSize says %d", longest, MaxSize)
	}
}

// quarterSymbols is the time on air in quarters of a symbol at SF7 and up, with 8 symbols of preamble, an explicit
// header, a CRC, coding rate 4/5 and no low-data-rate optimisation (SX1276/77/78/79 datasheet, section 4.1.1.7; also
// SX1261/2 datasheet, section 6.1.4).
func quarterSymbols(bytes, sf int) int {
	blocks := (max(8*bytes-4*sf+28+16, 0) + 4*sf - 1) / (4 * sf)
	return 4*(8+8+5*blocks) + 17 // the preamble has 4.25 symbols beside its 8, of which the 8 stand in the bracket
}

// The chip vendor's calculator gives these; they check the formula above before it is used on our own sizes.
func TestAirtimeFormula(t *testing.T) {
	for _, c := range []struct {
		bytes, sf int
		micros    int // at 125 kHz
	}{{10, 7, 41216}, {13, 9, 164864}, {12, 9, 144384}, {24, 7, 61696}, {32, 7, 71936}, {51, 7, 102656}} {
		symbol := 1 << c.sf * 8 // microseconds at 125 kHz
		if got := quarterSymbols(c.bytes, c.sf) * symbol / 4; got != c.micros {
			t.Errorf("%d bytes at SF%d last %d us, want %d", c.bytes, c.sf, got, c.micros)
		}
	}
}

// The steps that PROTOCOL.md section 12 quotes, and that our sizes fill theirs.
func TestAirtimeSteps(t *testing.T) {
	page, err := os.ReadFile("PROTOCOL.md")
	if err != nil {
		t.Fatal(err)
	}
	_, why, ok := strings.Cut(string(page), "## 12. ")
	steps := regexp.MustCompile(`(\d+)-(\d+)`).FindAllStringSubmatch(why, -1)
	if !ok || len(steps) != 4 {
		t.Fatalf("PROTOCOL.md section 12 quotes %d steps, want 4", len(steps))
	}
	last := map[int]bool{}
	for _, s := range steps {
		from, _ := strconv.Atoi(s[1])
		to, _ := strconv.Atoi(s[2])
		last[to] = true
		at := quarterSymbols(from, 7)
		if quarterSymbols(from-1, 7) == at || quarterSymbols(to, 7) != at || quarterSymbols(to+1, 7) == at {
			t.Errorf("%d to %d bytes are not a step of airtime at SF7", from, to)
		}
	}
	for _, ft := range frameTypes {
		if n := ft.typ.Size(); !ft.typ.Group() && !last[n] {
			t.Errorf("a %s of %d bytes does not fill its step", ft.typ, n)
		}
	}
}
