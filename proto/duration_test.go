package proto

import (
	"math"
	"testing"
	"time"
)

// logCode is one of the two duration codes, as their documentation states it.
type logCode struct {
	name   string
	top    uint
	exact  time.Duration // up to here the error is half a unit
	unit   time.Duration
	within float64 // relative error beyond
	least  time.Duration
	encode func(time.Duration) uint
	decode func(uint) time.Duration
}

var logCodes = []logCode{
	{"Dur8", uint(Dur8Max), 620 * time.Millisecond, 20 * time.Millisecond, 1. / 32, 10158080 * time.Millisecond,
		func(d time.Duration) uint { return uint(EncodeDur8(d)) }, func(c uint) time.Duration { return Dur8(c).Duration() }},
	{"Dur16", uint(Dur16Max), 8191 * time.Millisecond, time.Millisecond, 1. / 8192, 134201344 * time.Millisecond,
		func(d time.Duration) uint { return uint(EncodeDur16(d)) }, func(c uint) time.Duration { return Dur16(c).Duration() }},
}

func TestDurationCodes(t *testing.T) {
	for _, c := range logCodes {
		t.Run(c.name, func(t *testing.T) {
			t.Run("identity", func(t *testing.T) { testDurationIdentity(t, c) })
			t.Run("nearest", func(t *testing.T) { testDurationNearest(t, c) })
			t.Run("ends", func(t *testing.T) { testDurationEnds(t, c) })
		})
	}
}

func testDurationIdentity(t *testing.T, c logCode) {
	last := time.Duration(-1)
	for code := range c.top + 1 {
		d := c.decode(code)
		if back := c.encode(d); back != code {
			t.Fatalf("code %d means %v, which encodes as %d", code, d, back)
		}
		if d <= last {
			t.Fatalf("code %d means %v, not above the code before it, %v", code, d, last)
		}
		last = d
	}
}

// Around every code: the nearest is chosen, the error is as documented, and a longer time never gets a lower code.
func testDurationNearest(t *testing.T, c logCode) {
	r := newRand(t)
	for code := range c.top {
		low, high := c.decode(code), c.decode(code+1)
		middle := low + (high-low)/2
		for _, d := range []time.Duration{low + 1, middle - 1, middle, middle + 1, high - 1,
			low + time.Duration(r.Int64N(int64(high-low)))} {
			want := code
			if d-low >= high-d { // half rounds up
				want++
			}
			got := c.encode(d)
			if got != want {
				t.Fatalf("encode(%v) = %d (%v), want %d (%v), the nearest", d, got, c.decode(got), want, c.decode(want))
			}
			off := (c.decode(got) - d).Abs()
			if d <= c.exact && off > c.unit/2 || d > c.exact && float64(off) > float64(d)*c.within {
				t.Fatalf("encode(%v) is off by %v, more than documented", d, off)
			}
		}
	}
}

func testDurationEnds(t *testing.T, c logCode) {
	if got := c.decode(c.top); got != c.least {
		t.Errorf("the top code means %v, want %v", got, c.least)
	}
	for _, d := range []time.Duration{c.least, c.least + 1, 2 * c.least, 1000 * time.Hour, math.MaxInt64 - 1, math.MaxInt64} {
		if got := c.encode(d); got != c.top {
			t.Errorf("encode(%v) = %d, want %d", d, got, c.top)
		}
	}
	for _, d := range []time.Duration{0, -1, -time.Hour, math.MinInt64} {
		if got := c.encode(d); got != 0 {
			t.Errorf("encode(%v) = %d, want 0", d, got)
		}
	}
}

// The lay-out of PROTOCOL.md section 3: values worked out by hand.
func TestDurationLayout(t *testing.T) {
	for _, c := range []struct {
		code Dur8
		want time.Duration
	}{{0x01, 20 * time.Millisecond}, {0x0f, 300 * time.Millisecond}, {0x10, 320 * time.Millisecond},
		{0x1f, 620 * time.Millisecond}, {0x20, 640 * time.Millisecond}, {0x21, 680 * time.Millisecond},
		{0x30, 1280 * time.Millisecond}, {0xf0, 16 << 14 * 20 * time.Millisecond}} {
		if got := c.code.Duration(); got != c.want {
			t.Errorf("Dur8(%#x) = %v, want %v", uint8(c.code), got, c.want)
		}
	}
	for _, c := range []struct {
		code Dur16
		want time.Duration
	}{{0x0001, time.Millisecond}, {0x1000, 4096 * time.Millisecond}, {0x1fff, 8191 * time.Millisecond},
		{0x2000, 8192 * time.Millisecond}, {0x2001, 8194 * time.Millisecond}, {0xf000, 4096 << 14 * time.Millisecond}} {
		if got := c.code.Duration(); got != c.want {
			t.Errorf("Dur16(%#x) = %v, want %v", uint16(c.code), got, c.want)
		}
	}
}
