package queue

import (
	"fmt"
	"iter"
	"math"
	"slices"
	"sort"
)

// lane is the sequence numbers of one priority's events on disk, rising. It is what lets a place tell "the next
// event" from "the next number", and answer how much waits without reading the file.
//
// A million events may wait, and a fresh page of memory takes longer to get than to fill. So the numbers, which lie close
// together, stand in blocks, each number as its distance from the first of its block: 2 bytes an event.
type lane struct{ blocks []block }

type block struct {
	base   Seq
	before int      // events in the blocks before
	far    []uint16 // distances from base, rising; never empty
}

const (
	blockSize  = 4096
	firstBlock = 64 // capacity of the first block of a lane that may stay short
)

func (b *block) at(i int) Seq { return b.base + Seq(b.far[i]) }
func (b *block) last() Seq    { return b.at(len(b.far) - 1) }

// from returns the position in b of the first number that is s or higher.
func (b *block) from(s Seq) int {
	return sort.Search(len(b.far), func(i int) bool { return b.at(i) >= s })
}

func (l *lane) len() int {
	if len(l.blocks) == 0 {
		return 0
	}
	b := &l.blocks[len(l.blocks)-1]
	return b.before + len(b.far)
}

// add appends s, which is higher than all before it.
func (l *lane) add(s Seq) {
	if n := len(l.blocks); n > 0 {
		b := &l.blocks[n-1]
		if len(b.far) < blockSize && s-b.base <= math.MaxUint16 {
			b.far = append(b.far, uint16(s-b.base))
			return
		}
	}
	room := blockSize
	if len(l.blocks) == 0 {
		room = firstBlock
	}
	l.blocks = append(l.blocks, block{base: s, before: l.len(), far: append(make([]uint16, 0, room), 0)})
}

// join appends the numbers of o, all higher, and takes o's memory over.
func (l *lane) join(o lane) {
	l.blocks = append(l.blocks, o.blocks...)
	l.recount()
}

func (l *lane) recount() {
	n := 0
	for i := range l.blocks {
		l.blocks[i].before = n
		n += len(l.blocks[i].far)
	}
}

// find returns the block of the first event numbered s or higher, and its position there; nil if there is none.
func (l *lane) find(s Seq) (*block, int) {
	i := sort.Search(len(l.blocks), func(i int) bool { return l.blocks[i].last() >= s })
	if i == len(l.blocks) {
		return nil, 0
	}
	return &l.blocks[i], l.blocks[i].from(s)
}

// from returns the position of the first event numbered s or higher.
func (l *lane) from(s Seq) int {
	b, i := l.find(s)
	if b == nil {
		return l.len()
	}
	return b.before + i
}

// after returns the position behind the last event numbered s or lower.
func (l *lane) after(s Seq) int {
	if s == math.MaxUint64 {
		return l.len()
	}
	return l.from(s + 1)
}

// first returns the lowest number that is s or higher.
func (l *lane) first(s Seq) (Seq, bool) {
	b, i := l.find(s)
	if b == nil {
		return 0, false
	}
	return b.at(i), true
}

func (l *lane) has(s Seq) bool {
	first, ok := l.first(s)
	return ok && first == s
}

// gap says whether an event lies strictly between a and b.
func (l *lane) gap(a, b Seq) bool {
	first, ok := l.first(a + 1)
	return ok && first < b
}

// since are the numbers from s on. The lane must not change meanwhile.
func (l *lane) since(s Seq) iter.Seq[Seq] {
	return func(yield func(Seq) bool) {
		i := sort.Search(len(l.blocks), func(i int) bool { return l.blocks[i].last() >= s })
		for ; i < len(l.blocks); i++ {
			b := &l.blocks[i]
			for j := b.from(s); j < len(b.far); j++ {
				if !yield(b.at(j)) {
					return
				}
			}
		}
	}
}

// list appends to out the n numbers from s on.
func (l *lane) list(s Seq, n int, out []Seq) []Seq {
	for s := range l.since(s) {
		if n--; n < 0 {
			break
		}
		out = append(out, s)
	}
	return out
}

// drop takes out the numbers given, rising: most often the oldest, but one event that waits long holds up no other.
func (l *lane) drop(seqs []Seq) {
	if len(seqs) == 0 {
		return // as in most commits, while many blocks may stand here
	}
	kept := l.blocks[:0]
	for _, b := range l.blocks {
		if seqs = b.drop(seqs); len(b.far) > 0 {
			kept = append(kept, b)
		}
	}
	clear(l.blocks[len(kept):])
	l.blocks = kept
	l.recount()
}

// drop returns those of seqs that are higher than all of b.
func (b *block) drop(seqs []Seq) []Seq {
	n := 0
	for n < len(b.far) && n < len(seqs) && b.at(n) == seqs[n] {
		n++
	}
	b.far, seqs = b.far[n:], seqs[n:]
	if len(b.far) == 0 || len(seqs) == 0 || seqs[0] > b.last() {
		return seqs
	}
	last, kept := b.last(), b.far[:0]
	for _, d := range b.far {
		s := b.base + Seq(d)
		for len(seqs) > 0 && seqs[0] < s {
			seqs = seqs[1:]
		}
		if len(seqs) == 0 || seqs[0] != s {
			kept = append(kept, d)
		}
	}
	b.far = kept
	for len(seqs) > 0 && seqs[0] <= last {
		seqs = seqs[1:]
	}
	return seqs
}

func (l *lane) check(last Seq) error {
	for s := range l.since(0) {
		if s == 0 || s > last {
			return fmt.Errorf("event %d, but the last number given out is %d", s, last)
		}
	}
	return nil
}

func (l *lane) equal(o *lane) bool {
	return slices.Equal(slices.Collect(l.since(0)), slices.Collect(o.since(0)))
}
