// Package pages reads the pages of a bbolt file without trusting a byte of them. bbolt itself follows page numbers and
// lengths as it finds them in the mapped file, and a wrong one ends the process, past every recover: [Walk] looks at a
// file before bbolt does, and [Scan] saves what can be read of one that bbolt must not see.
//
// The layout is bbolt's file format 2, in the machine's byte order. A page of 4096 bytes, or several in a row:
//
//	id 8 | flags 2: 1 branch, 2 leaf | count 2 | further pages 4 | count elements | keys and values
//	branch element: | position 4 | key size 4 | page 8 |            position counts from the element itself
//	leaf element:   | flags 4: 1 a bucket | position 4 | key size 4 | value size 4 |
//
// A bucket's value is its root page's number (8) and a sequence (8); if the number is 0, a leaf page of its own follows.
// Pages 0 and 1 carry the meta, of which the newer valid one counts: magic 4, version 4, page size 4, flags 4, root page
// 8, sequence 8, free list 8, page count 8, transaction 8, FNV-64a of these 8.
package pages

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"sync/atomic"
)

// Size is the size of a page. Files with another are refused.
const Size = 4096

const (
	magic      = 0xED0CDAED
	version    = 2
	noFreelist = 1<<64 - 1

	metaSize    = 64 // without its page header
	headerSize  = 16
	elementSize = 16
	bucketSize  = 16

	flagBranch = 1
	flagLeaf   = 2
	flagBucket = 1

	// maxDepth is far more than a tree of 2^32 pages has: bbolt splits pages in halves at worst.
	maxDepth = 40
)

var order = binary.NativeEndian

// meta is what a file says of itself.
type meta struct {
	root  uint64 // page of the bucket that holds the buckets
	pages uint64 // pages in use or free; the file may be longer
	tx    uint64 // the transaction that wrote it
}

// Element is a key and its value as they stand in a bucket. It and its slices are good until the call that was given it
// returns.
type Element struct {
	Bucket     []byte // its name; nil where it is not known
	Key, Value []byte
	At         int64 // where Value stands in the file
	Leaf       int64 // where the leaf begins that holds it
}

// newest returns the newer meta, by which bbolt goes. Both must be good: bbolt takes the older one if the newer is
// damaged, and what was written last would be missing without a word.
func newest(r *reader) (meta, error) {
	var best meta
	for page := range 2 {
		p, err := r.at(int64(page)*Size, headerSize+metaSize)
		if err != nil {
			return best, fmt.Errorf("not a queue file: %w", err)
		}
		m, freelist, err := parseMeta(p[headerSize:], page)
		if err != nil {
			return best, err
		}
		// bbolt writes them in turns. A copy of one in the place of the other would hide the last transaction.
		if own := order.Uint64(p); own != uint64(page) || m.tx%2 != uint64(page) {
			return best, fmt.Errorf("page %d says it is page %d of transaction %d: the newest header is missing", page, own, m.tx)
		}
		if m.tx < best.tx {
			continue
		}
		if best = m; freelist != noFreelist {
			best.pages = 0 // only the first meta of a new file has one
		}
	}
	if best.pages == 0 {
		return best, errors.New("not a queue file: another program has written to it")
	}
	if best.pages > uint64(r.size)/Size {
		return best, fmt.Errorf("file is cut short: %d bytes, its header says at least %d", r.size, best.pages*Size)
	}
	return best, nil
}

func parseMeta(b []byte, page int) (m meta, freelist uint64, err error) {
	sum := fnv.New64a()
	sum.Write(b[:56])
	if order.Uint32(b) != magic || order.Uint32(b[4:]) != version || order.Uint32(b[8:]) != Size || order.Uint64(b[56:]) != sum.Sum64() {
		return m, 0, fmt.Errorf("not a queue file, or its header is damaged: page %d is no valid meta page", page)
	}
	return meta{root: order.Uint64(b[16:]), pages: order.Uint64(b[40:]), tx: order.Uint64(b[48:])}, order.Uint64(b[32:]), nil
}

// LastTx is the transaction that was the last to reach the file. An error says that it cannot be told.
func LastTx(f io.ReaderAt) (uint64, error) {
	last := uint64(0)
	for page := range 2 {
		var b [headerSize + metaSize]byte
		if err := read(f, b[:], int64(page)*Size); err != nil {
			return 0, err
		}
		m, _, err := parseMeta(b[headerSize:], page)
		if err != nil {
			return 0, err
		}
		last = max(last, m.tx)
	}
	return last, nil
}

// Walk follows the tree of a file of size bytes from its root and calls visit, if there is one, with each element of
// each bucket. Whatever bbolt relies on is checked, and that pages are laid out as bbolt does it: a file that passes cannot
// end the process that opens it, and no wrong count hides a part of it.
//
// With two visitors a bucket of more than a page is walked in two halves at once: its lower keys go to the first visitor, the
// rest to the second, which is called in a goroutine of its own until Walk returns.
//
// It returns the buckets by name, each with what is wrong with it, nil if nothing; some elements of one that cannot be
// trusted may have been visited all the same. An error is returned if not even the list of buckets can be read.
func Walk(f io.ReaderAt, size int64, visit ...func(*Element)) (buckets map[string]error, err error) {
	t := &tree{reader: newReader(f, size)}
	m, err := newest(t.reader)
	if err != nil {
		return nil, err
	}
	t.pages, t.seen = m.pages, make([]uint64, m.pages/64+1)
	type entry struct {
		name, value []byte
		at          int64
	}
	var list []entry
	err = t.page(m.root, bounds{}, 0, func(flags uint32, e *Element) error {
		if flags != flagBucket || len(e.Value) < bucketSize {
			return fmt.Errorf("key %.40q is no bucket", e.Key)
		}
		list = append(list, entry{bytes.Clone(e.Key), bytes.Clone(e.Value), e.At})
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("list of buckets: %w", err)
	}
	buckets = map[string]error{}
	for _, b := range list {
		fn := []element{plain(b.name, nil)}
		for i, v := range visit {
			fn = append(fn[:i], plain(b.name, v))
		}
		err := t.bucket(b.value, b.at, fn)
		if err != nil {
			err = fmt.Errorf("bucket %q: %w", b.name, err)
		}
		buckets[string(b.name)] = err
	}
	return buckets, nil
}

// plain lets pass what is no bucket.
func plain(bucket []byte, visit func(*Element)) element {
	return func(flags uint32, e *Element) error {
		if flags != 0 {
			return fmt.Errorf("key %x has flags %x, expected 0", e.Key, flags)
		}
		if visit != nil {
			e.Bucket = bucket
			visit(e)
		}
		return nil
	}
}

// tree is a walk under way.
type tree struct {
	*reader
	pages     uint64
	seen      []uint64 // bit for each page: two references to one would let bbolt write over what is in use
	half      half     // of the pages right below the root
	leafDepth int      // of the bucket being walked; 0: not known yet
}

type half int

const (
	both half = iota
	lower
	upper
)

func (h half) of(count int) (first, end int) {
	switch h {
	case lower:
		return 0, count / 2
	case upper:
		return count / 2, count
	}
	return 0, count
}

// bounds are the keys that a page may hold: from lo on, below hi. nil is without bound.
type bounds struct{ lo, hi []byte }

type element func(flags uint32, e *Element) error

func (t *tree) bucket(value []byte, at int64, fn []element) error {
	root := order.Uint64(value)
	if root != 0 {
		if len(value) != bucketSize {
			return fmt.Errorf("a root page and %d bytes beside it", len(value)-bucketSize)
		}
		return t.root(root, fn)
	}
	inline := value[bucketSize:]
	if len(inline) < headerSize || order.Uint16(inline[8:]) != flagLeaf {
		return fmt.Errorf("%d bytes within the list of buckets, expected a leaf", len(inline))
	}
	return leaf(inline, at+bucketSize, bounds{}, fn[0])
}

// root walks a bucket whose pages begin with the one numbered id, its upper half meanwhile if there is somebody to visit it.
func (t *tree) root(id uint64, fn []element) error {
	if len(fn) == 1 {
		return t.page(id, bounds{}, 0, fn[0])
	}
	p, err := t.claim(id)
	if err != nil {
		return err
	}
	p = bytes.Clone(p) // both halves read it
	low := tree{reader: t.reader, pages: t.pages, seen: t.seen, half: lower}
	high := tree{reader: newReader(t.f, t.size), pages: t.pages, seen: t.seen, half: upper}
	if order.Uint16(p[8:]) != flagBranch {
		low.half = both
		return low.content(id, p, bounds{}, 0, fn[0])
	}
	done := make(chan error)
	go func() { done <- high.content(id, p, bounds{}, 0, fn[1]) }()
	err = low.content(id, p, bounds{}, 0, fn[0])
	if also := <-done; err == nil {
		err = also
	}
	if err == nil && low.leafDepth != 0 && low.leafDepth != high.leafDepth {
		err = fmt.Errorf("page %d: leaves at depth %d in its lower half, at %d in its upper", id, low.leafDepth, high.leafDepth)
	}
	return err
}

// page checks the page numbered id and all below it.
func (t *tree) page(id uint64, in bounds, depth int, fn element) error {
	if depth == 0 {
		t.leafDepth = 0
	}
	p, err := t.claim(id)
	if err != nil {
		return err
	}
	return t.content(id, p, in, depth, fn)
}

// content checks what stands in the page p, and all below it.
func (t *tree) content(id uint64, p []byte, in bounds, depth int, fn element) (err error) {
	switch flags := order.Uint16(p[8:]); {
	case flags == flagLeaf && t.leafDepth != 0 && t.leafDepth != depth+1:
		return fmt.Errorf("page %d: a leaf at depth %d, others at %d", id, depth+1, t.leafDepth)
	case flags == flagLeaf && depth > 0 && order.Uint16(p[10:]) == 0:
		return fmt.Errorf("page %d: an empty leaf", id)
	case flags == flagLeaf:
		t.leafDepth = depth + 1
		err = leaf(p, int64(id)*Size, in, fn)
	case flags == flagBranch && depth < maxDepth:
		err = t.branch(bytes.Clone(p), in, depth, fn)
	default:
		return fmt.Errorf("page %d: flags %x at depth %d, expected a branch or a leaf", id, flags, depth+1)
	}
	if err != nil {
		return fmt.Errorf("page %d: %w", id, err)
	}
	return nil
}

// claim returns the bytes of a page that nothing else refers to; they are good until the next page is read.
func (t *tree) claim(id uint64) ([]byte, error) {
	if id < 2 || id >= t.pages {
		return nil, fmt.Errorf("page %d, expected 2 to %d", id, t.pages-1)
	}
	p, err := t.at(int64(id)*Size, Size)
	if err != nil {
		return nil, fmt.Errorf("page %d: %w", id, err)
	}
	if own := order.Uint64(p); own != id {
		return nil, fmt.Errorf("page %d says it is page %d", id, own)
	}
	n := uint64(order.Uint32(p[12:])) + 1
	if id+n > t.pages {
		return nil, fmt.Errorf("page %d: %d pages long, only %d follow", id, n, t.pages-id)
	}
	for i := id; i < id+n; i++ {
		if bit := uint64(1) << (i % 64); atomic.OrUint64(&t.seen[i/64], bit)&bit != 0 {
			return nil, fmt.Errorf("page %d is referred to twice", i)
		}
	}
	if n == 1 {
		return p, nil
	}
	if p, err = t.at(int64(id)*Size, int(n)*Size); err != nil {
		return nil, fmt.Errorf("page %d: %w", id, err)
	}
	return p, nil
}

func (t *tree) branch(p []byte, in bounds, depth int, fn element) error {
	count := int(order.Uint16(p[10:]))
	body := headerSize + count*elementSize
	if count == 0 || body > len(p) {
		return fmt.Errorf("a branch of %d elements in %d bytes", count, len(p))
	}
	want := body
	key := func(i int) ([]byte, error) {
		at := headerSize + i*elementSize
		start := at + int(order.Uint32(p[at:]))
		k, err := cut(p, body, start, order.Uint32(p[at+4:]))
		if err == nil && start != want {
			err = fmt.Errorf("key at %d, expected at %d", start, want)
		}
		want = start + len(k)
		return k, err
	}
	this, err := key(0)
	if err != nil {
		return fmt.Errorf("element 0: %w", err)
	}
	if in.lo != nil && bytes.Compare(this, in.lo) < 0 {
		return errors.New("element 0: key below what the page above says")
	}
	first, end := 0, count
	if depth == 0 {
		first, end = t.half.of(count)
	}
	for i := range count {
		next := in.hi
		if i+1 < count {
			if next, err = key(i + 1); err != nil {
				return fmt.Errorf("element %d: %w", i+1, err)
			}
		}
		if next != nil && bytes.Compare(this, next) >= 0 {
			return fmt.Errorf("element %d: keys do not rise", i)
		}
		if first <= i && i < end {
			if err := t.page(order.Uint64(p[headerSize+i*elementSize+8:]), bounds{this, next}, depth+1, fn); err != nil {
				return err
			}
		}
		this = next
	}
	return nil
}

// leaf checks the leaf p, a page or one within the list of buckets, which stands in the file at the offset given.
func leaf(p []byte, at int64, in bounds, fn element) error {
	count := int(order.Uint16(p[10:]))
	body := headerSize + count*elementSize
	if body > len(p) {
		return fmt.Errorf("a leaf of %d elements in %d bytes", count, len(p))
	}
	previous, want := in.lo, body
	e := Element{Leaf: at}
	for i := range count {
		flags, key, value, end, err := leafElement(p, i, body)
		if err != nil {
			return fmt.Errorf("element %d: %w", i, err)
		}
		if start := end - len(value) - len(key); start != want {
			return fmt.Errorf("element %d: stands at %d, expected at %d", i, start, want)
		}
		want = end
		if c := bytes.Compare(previous, key); previous != nil && (c > 0 || c == 0 && i > 0) {
			return fmt.Errorf("element %d: keys do not rise", i)
		}
		e.Key, e.Value, e.At = key, value, at+int64(end-len(value))
		if err := fn(flags, &e); err != nil {
			return fmt.Errorf("element %d: %w", i, err)
		}
		previous = key
	}
	if count > 0 && in.hi != nil && bytes.Compare(previous, in.hi) >= 0 {
		return errors.New("keys above what the page above says")
	}
	return nil
}

// leafElement returns an element and where in p it ends.
func leafElement(p []byte, i, body int) (flags uint32, key, value []byte, end int, err error) {
	at := headerSize + i*elementSize
	e := p[at:][:elementSize]
	start := at + int(order.Uint32(e[4:]))
	if key, err = cut(p, body, start, order.Uint32(e[8:])); err != nil {
		return 0, nil, nil, 0, err
	}
	start += len(key)
	n := int(order.Uint32(e[12:]))
	if n < 0 || n > len(p)-start { // below 0 on a machine of 32 bits
		return 0, nil, nil, 0, fmt.Errorf("value of %d bytes at %d of %d", n, start, len(p))
	}
	return order.Uint32(e), key, p[start : start+n : start+n], start + n, nil
}

// cut returns the key of size bytes at start, which must lie behind the elements of p.
func cut(p []byte, body, start int, size uint32) ([]byte, error) {
	n := int(size)
	if start < body || start > len(p) || n <= 0 || n > len(p)-start {
		return nil, fmt.Errorf("key of %d bytes at %d of %d", size, start, len(p))
	}
	return p[start : start+n : start+n], nil
}
