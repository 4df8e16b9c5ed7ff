package pages

import (
	"bytes"
	"io"
)

// longest is how far a leaf may reach for Scan: several times what the queue's longest value needs.
const longest = 1 << 20

// Scan calls visit with whatever looks like an element of a leaf, anywhere in a file of size bytes: in use, or deleted
// long ago, or by chance. The caller must know what is genuine. What cannot be read is left out.
func Scan(f io.ReaderAt, size int64, visit func(*Element)) {
	r := newReader(f, size)
	for at := int64(0); at+headerSize <= size; at += Size {
		r.scan(at, visit)
	}
}

func (r *reader) scan(at int64, visit func(*Element)) {
	p, err := r.at(at, int(min(Size, r.size-at)))
	if err != nil || order.Uint16(p[8:]) != flagLeaf {
		return
	}
	// How many pages follow may be what is damaged: the elements tell by themselves how far they reach.
	if n := min(reach(p), int(min(longest, r.size-at))); n > len(p) {
		// Its last pages may be the ones that cannot be read.
		if whole, err := r.at(at, n); err == nil {
			p = bytes.Clone(whole)
		}
	}
	scanLeaf(p, at, true, visit)
}

// reach is where the last element ends of which the first page of a leaf tells, or its list of elements.
func reach(p []byte) int {
	count := int(order.Uint16(p[10:]))
	end := headerSize + count*elementSize
	for i := range min(count, (len(p)-headerSize)/elementSize) {
		at := headerSize + i*elementSize
		e := int64(at) + int64(order.Uint32(p[at+4:])) + int64(order.Uint32(p[at+8:])) + int64(order.Uint32(p[at+12:]))
		if e <= longest {
			end = max(end, int(e))
		}
	}
	return end
}

// scanLeaf visits the elements of a leaf, and of the leaves within it if there may be any: bbolt puts them one deep, and bytes
// that are forged must not lead into ever more of them.
func scanLeaf(p []byte, at int64, within bool, visit func(*Element)) {
	count := int(order.Uint16(p[10:]))
	for i := range count {
		if headerSize+(i+1)*elementSize > len(p) {
			return
		}
		flags, key, value, end, err := leafElement(p, i, headerSize)
		e := Element{Key: key, Value: value, At: at + int64(end-len(value)), Leaf: at}
		switch {
		case err != nil:
		case within && flags == flagBucket && len(value) >= bucketSize+headerSize && order.Uint64(value) == 0:
			scanLeaf(value[bucketSize:], e.At+bucketSize, false, visit)
		default:
			visit(&e)
		}
	}
}
