package proto

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

var tripOpenedType = frameType{
	typ: TypeTripOpened,
	body: func(r *rand.Rand) Body {
		return &TripOpened{Input: randInput(r), Age: Dur8(r.IntN(255)), Sent: randSend(r), Battery: Battery(randByte(r)),
			Temperature: Temperature(randByte(r)), Oldest: Oldest(randByte(r))}
	},
	example: &TripOpened{Input: Input{Number: 3, Active: true, Supervised: true}, Age: 0x21,
		Sent: SendTime{0x010203, 0x44}, Battery: 0x55, Temperature: -6, Oldest: 7},
	page:    "35 21 01020344 55 fa 07",
	refused: func(p []byte) bool { return p[1] == 255 },
}

var tripClosedType = frameType{
	typ: TypeTripClosed,
	body: func(r *rand.Rand) Body {
		return &TripClosed{Input: randInput(r), Age: Dur8(r.IntN(255)), Sent: randSend(r), Dwell: Dur16(randWord(r)),
			Opened: randByte(r)}
	},
	example: &TripClosed{Input: Input{Number: 15, Normally: true, Test: true}, Age: 0x10, Sent: SendTime{0xfffffe, 9},
		Dwell: 0x1234, Opened: 1},
	page:    "fa 10 fffffe09 1234 01",
	refused: func(p []byte) bool { return p[1] == 255 },
}

var tripHeldType = frameType{
	typ: TypeTripHeld,
	body: func(r *rand.Rand) Body {
		b := &TripHeld{Closed: coin(r), Input: randInput(r), Age: WideAge(r.Uint32()), Sent: randSend(r),
			Oldest: Oldest(randByte(r)), Battery: Battery(randByte(r))}
		if b.Closed {
			b.Dwell, b.Opened = Dur16(randWord(r)), randByte(r)
		}
		return b
	},
	example: &TripHeld{Closed: true, Input: Input{Number: 1, Supervised: true}, Age: 0x01020304,
		Sent: SendTime{NoTime, 0}, Dwell: 0xabcd, Opened: 5, Oldest: 6, Battery: NoBattery},
	page: "01 14 01020304 ffffff00 abcd 05 06 ff",
	refused: func(p []byte) bool {
		return p[0] > 1 || p[0] == 0 && (p[10] != 0 || p[11] != 0 || p[12] != 0)
	},
}

func TestTripOpened(t *testing.T) { testFrameType(t, tripOpenedType) }
func TestTripClosed(t *testing.T) { testFrameType(t, tripClosedType) }
func TestTripHeld(t *testing.T)   { testFrameType(t, tripHeldType) }

func TestBattery(t *testing.T) {
	for c := range 255 {
		v, ok := Battery(c).Volts()
		if back := EncodeBattery(v); back != Battery(c) || !ok {
			t.Errorf("EncodeBattery(%v) = %d, want %d, the code it came from", v, back, c)
		}
	}
	if _, ok := NoBattery.Volts(); ok {
		t.Error("NoBattery.Volts() says that it is measured")
	}
	half := math.Exp2(1. / 128) // half a step
	for v := 1.0; v < 15.6; v *= 1.0003 {
		got, _ := EncodeBattery(v).Volts()
		if q := got / v; q > half*1.000001 || q < 1/half/1.000001 {
			t.Errorf("EncodeBattery(%v) means %v V, more than half a step off", v, got)
		}
	}
	for _, c := range []struct {
		v    float64
		want Battery
	}{{math.NaN(), NoBattery}, {0, NoBattery}, {-3, NoBattery}, {math.Inf(-1), NoBattery}, {1e-9, 0}, {0.5, 0}, {1, 0},
		{2, 64}, {4, 128}, {8, 192}, {15.66, 254}, {16, 254}, {1e9, 254}, {math.Inf(1), 254}} {
		if got := EncodeBattery(c.v); got != c.want {
			t.Errorf("EncodeBattery(%v) = %d, want %d", c.v, got, c.want)
		}
	}
}

func TestWideAge(t *testing.T) {
	const step = 100 * time.Millisecond
	for _, c := range []struct {
		d    time.Duration
		want WideAge
	}{{math.MinInt64, 0}, {-1, 0}, {0, 0}, {49 * time.Millisecond, 0}, {50 * time.Millisecond, 1}, {step, 1},
		{time.Hour, 36000}, {math.MaxUint32 * step, math.MaxUint32}, {(math.MaxUint32 + 1) * step, math.MaxUint32},
		{math.MaxInt64 - 40*time.Millisecond, math.MaxUint32}, {math.MaxInt64, math.MaxUint32}} {
		if got := EncodeWideAge(c.d); got != c.want {
			t.Errorf("EncodeWideAge(%d) = %d, want %d", c.d, got, c.want)
		}
	}
	r := newRand(t)
	for range 10000 {
		a := WideAge(r.Uint32() >> r.UintN(32))
		off := time.Duration(r.Int64N(int64(step))) - step/2
		if got := EncodeWideAge(a.Duration() + off); got != a {
			t.Fatalf("EncodeWideAge(%v%+v) = %d, want %d", a.Duration(), off, got, a)
		}
	}
}
