package proto

import (
	"bytes"
	"math"
	"math/rand/v2"
	"testing"
)

// slowWindow is what Window must be: all counters, and the rule of RFC 4303 section 3.4.3 written out.
type slowWindow struct {
	marked  map[uint32]bool
	highest uint32
}

func (w *slowWindow) check(c uint32) Verdict {
	switch {
	case len(w.marked) == 0 || c > w.highest:
		return New
	case w.highest-c >= 1024:
		return TooOld
	case w.marked[c]:
		return Seen
	}
	return New
}

func (w *slowWindow) mark(c uint32) {
	if len(w.marked) == 0 || c > w.highest {
		w.highest = c
	}
	if w.highest-c < 1024 {
		w.marked[c] = true
	}
}

func TestWindowAgainstModel(t *testing.T) {
	r := newRand(t)
	jumps := []int64{-65536, -1025, -1024, -1023, -64, -63, -1, 0, 1, 2, 63, 64, 65, 1022, 1023, 1024, 1025, 65535, 65536}
	starts := []int64{0, 1, 63, 500, 1023, 1024, 65530, 1 << 31, math.MaxUint32 - 2000, math.MaxUint32 - 64, math.MaxUint32}
	for walk := range 300 {
		at := starts[walk%len(starts)]
		var w Window
		model := slowWindow{marked: map[uint32]bool{}}
		for range 400 {
			c := uint32(min(max(at, 0), math.MaxUint32))
			for _, q := range []int64{int64(c), int64(c) - 1, int64(c) + 1, int64(model.highest) - 1023,
				int64(model.highest) - 1024, int64(model.highest) - int64(r.IntN(1100))} {
				checkWindow(t, &w, &model, uint32(min(max(q, 0), math.MaxUint32)))
			}
			if r.IntN(3) > 0 { // else the frame never became durable
				w.Mark(c)
				model.mark(c)
				checkWindow(t, &w, &model, c)
				once := w
				if w.Mark(c); w != once {
					t.Fatalf("a second Mark(%d) changed the window", c)
				}
			}
			if highest, ok := w.Highest(); ok != (len(model.marked) > 0) || ok && highest != model.highest {
				t.Fatalf("Highest() = %d, %v, want %d", highest, ok, model.highest)
			}
			if r.IntN(20) == 0 {
				w = reloaded(t, &w)
			}
			at = int64(c) + jumps[r.IntN(len(jumps))]
			if r.IntN(4) == 0 {
				at = int64(c) + int64(r.IntN(2200)) - 1100
			}
		}
		checkWhole(t, &w, &model)
	}
}

func checkWindow(t *testing.T, w *Window, model *slowWindow, c uint32) {
	t.Helper()
	before := *w
	if got, want := w.Check(c), model.check(c); got != want {
		t.Fatalf("Check(%d) with highest %d = %d, want %d", c, model.highest, got, want)
	}
	if *w != before {
		t.Fatalf("Check(%d) changed the window: only Mark may, when the frame is durable", c)
	}
}

func checkWhole(t *testing.T, w *Window, model *slowWindow) {
	t.Helper()
	for off := int64(-1100); off <= 1100; off++ {
		if c := int64(model.highest) + off; c >= 0 && c <= math.MaxUint32 {
			checkWindow(t, w, model, uint32(c))
		}
	}
}

func reloaded(t *testing.T, w *Window) (again Window) {
	t.Helper()
	b, err := w.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	again.Mark(77) // what was in it before must not shine through
	if err := again.UnmarshalBinary(b); err != nil || again != *w {
		t.Fatalf("UnmarshalBinary(MarshalBinary()) = %v, %v, want the same window", again, err)
	}
	return again
}

// A node holds 255 events at most; none of them may fall out of the window by the newest coming first.
func TestWindowHoldsANodesStore(t *testing.T) {
	for _, newest := range []uint32{254, 1000, math.MaxUint32} {
		var w Window
		w.Mark(newest)
		for back := uint32(1); back < 255; back++ {
			if got := w.Check(newest - back); got != New {
				t.Errorf("Check(%d) with highest %d = %d, want New", newest-back, newest, got)
			}
			w.Mark(newest - back)
		}
	}
}

func TestWindowUnmarshalRefuses(t *testing.T) {
	var w Window
	w.Mark(70000)
	good, _ := w.MarshalBinary()
	for n := 1; n < len(good); n++ {
		wantRefusal(t, "a window cut short", new(Window).UnmarshalBinary(good[:n]), BadLength)
	}
	wantRefusal(t, "a window made longer", new(Window).UnmarshalBinary(append(bytes.Clone(good), 0)), BadLength)
	good[0] = 2
	wantRefusal(t, "a window of format 2", new(Window).UnmarshalBinary(good), BadLength)
	var empty Window
	if b, err := empty.MarshalBinary(); err != nil || len(b) != 0 {
		t.Errorf("the empty window marshals to %x, %v, want nothing", b, err)
	}
	if err := w.UnmarshalBinary(nil); err != nil || w != (Window{}) {
		t.Errorf("UnmarshalBinary(nil): %v, window %v, want the empty one", err, w)
	}
}

// Merge knows what either window knew: a counter is new after it only if it was new to both, and refused if it is too old
// for the newer of them.
func TestWindowMerge(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 1))
	for range 300 {
		base := r.Uint32N(3 * WindowSize)
		var a, b Window
		for range r.IntN(200) {
			a.Mark(base + r.Uint32N(WindowSize))
		}
		far := r.Uint32N(2 * WindowSize)
		for range r.IntN(200) {
			b.Mark(base + far + r.Uint32N(WindowSize))
		}
		m := a
		m.Merge(&b)
		for c := range base + 4*WindowSize {
			want := New
			ha, oka := a.Highest()
			hb, okb := b.Highest()
			top := uint32(0)
			if oka {
				top = ha
			}
			if okb {
				top = max(top, hb)
			}
			switch {
			case !oka && !okb || c > top:
			case top-c >= WindowSize:
				want = TooOld
			case a.Check(c) == Seen || b.Check(c) == Seen:
				want = Seen
			}
			if got := m.Check(c); got != want {
				t.Fatalf("counter %d of windows up to %d and %d: %v, want %v", c, ha, hb, got, want)
			}
		}
	}
}
