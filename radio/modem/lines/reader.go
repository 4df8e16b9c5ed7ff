package lines

import (
	"bytes"
	"errors"
	"time"
)

// Counts says what became of what a modem said.
type Counts struct {
	Lines      uint64 // whole lines with something in them
	BadPayload uint64 // lines that tell of a frame that cannot be
	Overflow   uint64 // lines thrown away because they were too long
	Cut        uint64 // lines and raw payloads thrown away because the rest did not come
}

// Add adds d.
func (c *Counts) Add(d Counts) {
	c.Lines += d.Lines
	c.BadPayload += d.BadPayload
	c.Overflow += d.Overflow
	c.Cut += d.Cut
}

// cutAfter is how long a modem may hesitate within a line or a raw payload. A modem that restarts there begins anew, and
// its first words must not be taken for the rest.
const cutAfter = 3 * time.Second

// Reader finds lines and frames in a stream of bytes, however it is cut up. It holds no more than one line. It is not safe
// for concurrent use.
type Reader struct {
	Counts Counts

	d    *Dialect
	end  byte // the last byte of a line's ending
	most int  // how long a line may be, with all but the last byte of its ending
	line []byte
	over bool  // the line is too long, and thrown away up to its end
	raw  int   // size of the raw payload that line is now, 0: line is a line
	with Heard // what was told of that payload
}

// NewReader returns a Reader at the beginning of a line.
func NewReader(d *Dialect) *Reader {
	end := d.heardEnding
	return &Reader{d: d, end: end[len(end)-1], most: d.longest + len(end) - 1}
}

// Push reads the stream's next bytes, for which was waited so long, and calls heard for each frame and said for every other
// line that has something in it, in order. The slices belong to those who are called.
func (r *Reader) Push(b []byte, waited time.Duration, heard func(Heard), said func(line []byte)) {
	if len(b) > 0 && waited >= cutAfter {
		r.cut()
	}
	for len(b) > 0 {
		if r.raw > 0 {
			b = r.payload(b, heard)
			continue
		}
		i := bytes.IndexByte(b, r.end)
		if i < 0 {
			r.add(b)
			return
		}
		r.add(b[:i])
		b = b[i+1:]
		r.endLine(heard, said)
	}
}

// cut forgets what has begun.
func (r *Reader) cut() {
	if r.raw > 0 || r.over || len(r.line) > 0 {
		r.Counts.Cut++
	}
	r.line, r.over, r.raw = r.line[:0], false, 0
}

func (r *Reader) add(b []byte) {
	if !r.over && len(r.line)+len(b) > r.most {
		r.Counts.Overflow++
		r.over, r.line = true, r.line[:0]
	}
	if !r.over {
		r.line = append(r.line, b...)
	}
}

func (r *Reader) payload(b []byte, heard func(Heard)) (rest []byte) {
	n := min(r.raw-len(r.line), len(b))
	r.line = append(r.line, b[:n]...)
	if len(r.line) == r.raw {
		r.with.Frame = bytes.Clone(r.line)
		r.line, r.raw = r.line[:0], 0
		heard(r.with)
	}
	return b[n:]
}

func (r *Reader) endLine(heard func(Heard), said func(line []byte)) {
	line := clean(r.line)
	r.line, r.over = r.line[:0], false
	if len(line) == 0 { // of one that was too long nothing is left
		return
	}
	r.Counts.Lines++
	f, err := r.d.receive.find(line)
	switch {
	case errors.Is(err, errNoMatch):
		said(bytes.Clone(line))
	case err != nil:
		r.Counts.BadPayload++
	case f.raw > 0:
		r.raw, r.with = f.raw, f.Heard
	default:
		heard(f.Heard)
	}
}
