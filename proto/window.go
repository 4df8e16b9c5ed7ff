package proto

import (
	"encoding/binary"
	"slices"
)

// WindowSize is how many counters behind the highest are told apart. It is above the 255 events a node can hold, so
// that a trip kept through an outage is never refused because newer ones came first.
const WindowSize = 1024

// Window remembers which counters of one (node, generation, counter space) are on disk: the highest, and a bitmap of
// the WindowSize up to it. The zero value has seen nothing. Check and Mark are separate so that a frame is marked only
// once it is durable. It is not safe for concurrent use.
type Window struct {
	seen    bool
	highest uint32
	bits    [WindowSize / 64]uint64
}

// Verdict is what a Window says of a counter.
type Verdict uint8

// The verdicts of Check.
const (
	New    Verdict = iota // not seen
	Seen                  // marked before
	TooOld                // so far behind the highest that it cannot be told; refused whatever its time
)

// Highest is the highest counter marked; ok is false while none is.
func (w *Window) Highest() (highest uint32, ok bool) { return w.highest, w.seen }

// Check says whether counter is new. It changes nothing.
func (w *Window) Check(counter uint32) Verdict {
	switch {
	case !w.seen || counter > w.highest:
		return New
	case w.highest-counter >= WindowSize:
		return TooOld
	case w.bit(counter):
		return Seen
	}
	return New
}

// Mark records counter. A counter too far behind the window is ignored: Check refuses it anyway.
func (w *Window) Mark(counter uint32) {
	if !w.seen {
		w.seen, w.highest = true, counter
	}
	for w.highest < counter {
		if counter-w.highest >= WindowSize {
			w.bits = [WindowSize / 64]uint64{}
			w.highest = counter
			break
		}
		w.highest++
		w.bits[w.word(w.highest)] &^= 1 << (w.highest % 64)
	}
	if w.highest-counter < WindowSize {
		w.bits[w.word(counter)] |= 1 << (counter % 64)
	}
}

// Merge records every counter that o has recorded.
func (w *Window) Merge(o *Window) {
	for back := uint32(0); o.seen && back < WindowSize && back <= o.highest; back++ {
		if o.bit(o.highest - back) {
			w.Mark(o.highest - back)
		}
	}
}

func (w *Window) word(c uint32) uint32 { return c / 64 % uint32(len(w.bits)) }
func (w *Window) bit(c uint32) bool    { return w.bits[w.word(c)]>>(c%64)&1 == 1 }

const windowBytes = 1 + 4 + WindowSize/8

// MarshalBinary returns what AppendBinary appends.
func (w *Window) MarshalBinary() ([]byte, error) { return w.AppendBinary([]byte{}) }

// AppendBinary appends the window: a format byte 1, the highest counter, the bitmap words, big-endian; nothing of an empty
// one. It never fails.
func (w *Window) AppendBinary(b []byte) ([]byte, error) {
	if !w.seen {
		return b, nil
	}
	b = append(slices.Grow(b, windowBytes), 1)
	b = binary.BigEndian.AppendUint32(b, w.highest)
	for _, x := range w.bits {
		b = binary.BigEndian.AppendUint64(b, x)
	}
	return b, nil
}

// UnmarshalBinary reads what MarshalBinary wrote; no bytes are an empty window.
func (w *Window) UnmarshalBinary(b []byte) error {
	*w = Window{}
	if len(b) == 0 {
		return nil
	}
	if len(b) != windowBytes || b[0] != 1 {
		return refuse(BadLength, "a replay window has %d bytes, not %d of format 1", len(b), windowBytes)
	}
	w.seen, w.highest = true, binary.BigEndian.Uint32(b[1:])
	for i := range w.bits {
		w.bits[i] = binary.BigEndian.Uint64(b[5+8*i:])
	}
	return nil
}
