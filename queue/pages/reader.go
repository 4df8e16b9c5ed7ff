package pages

import (
	"fmt"
	"io"
)

const (
	chunkSize = 64 << 10
	chunks    = 8
)

// reader reads a file in chunks and keeps the last few. The queue's pages lie mostly in the order of the tree, so a walk
// reads the file nearly from front to back; mapping it costs more, a fault for each page, and a disk that does not
// give a page would be a signal instead of an error.
type reader struct {
	f      io.ReaderAt
	size   int64
	kept   [chunks]chunk
	oldest int
	last   int
	long   []byte // what lies across chunks
}

type chunk struct {
	number int64 // from 1; 0: nothing is kept here
	data   []byte
}

func newReader(f io.ReaderAt, size int64) *reader { return &reader{f: f, size: size} }

// at returns n bytes at offset, good until the next call.
func (r *reader) at(offset int64, n int) ([]byte, error) {
	if offset < 0 || n < 0 || offset+int64(n) > r.size {
		return nil, fmt.Errorf("%d bytes at %d of a file of %d", n, offset, r.size)
	}
	if offset/chunkSize == (offset+int64(n)-1)/chunkSize {
		if c := r.chunk(offset/chunkSize + 1); c != nil {
			return c[offset%chunkSize:][:n:n], nil
		}
	}
	if cap(r.long) < n {
		r.long = make([]byte, n)
	}
	if err := read(r.f, r.long[:n], offset); err != nil {
		return nil, err
	}
	return r.long[:n:n], nil
}

// chunk returns nil for one that cannot be read in full: the part that is wanted may be readable all the same.
func (r *reader) chunk(number int64) []byte {
	if c := &r.kept[r.last]; c.number == number {
		return c.data
	}
	for i := range r.kept {
		if r.kept[i].number == number {
			r.last = i
			return r.kept[i].data
		}
	}
	c := &r.kept[r.oldest]
	if c.data == nil {
		c.data = make([]byte, chunkSize)
	}
	start := (number - 1) * chunkSize
	c.number = 0
	if read(r.f, c.data[:min(chunkSize, r.size-start)], start) != nil {
		return nil
	}
	c.number, r.last = number, r.oldest
	r.oldest = (r.oldest + 1) % chunks
	return c.data
}

func read(f io.ReaderAt, b []byte, offset int64) error {
	if n, err := f.ReadAt(b, offset); n < len(b) {
		return fmt.Errorf("read %d bytes at %d: %w", len(b), offset, err)
	}
	return nil
}
