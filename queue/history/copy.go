package history

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"go.etcd.io/bbolt"

	"longlane/queue/seal"
)

// A copy is a history as a stream, which any version of this format reads, whatever the file was like:
//
//	copyHead | record ... | 0, uvarint: how many records, uvarint: how many were damaged and are missing
//	record:  the place of its bucket in copyBuckets 1 byte, uvarint: key's length, key, uvarint: payload's length, payload
//
// It says itself when it is cut short. Whoever stores it guards it against damage.
const copyHead = "longlane history 1\n"

// copyBuckets is all that is copied; what else is in the file follows from it. Places are stored: one is only ever added.
var copyBuckets = [...][]byte{1: bucketBoots, 2: bucketTrips, 3: bucketFaults, 4: bucketHours, 5: bucketSpans, 6: bucketUnplaced}

const longest = 1 << 20 // bytes of a key or payload: far more than any has

// Copied says what a copy holds.
type Copied struct {
	Records int
	Damaged int // records that could not be read when it was made, and are not in it
}

var (
	// ErrCopy says that a stream is no whole copy of a history.
	ErrCopy = errors.New("no whole copy of a history")
	// ErrMoved says that a copy may lack something, and is to be made again.
	ErrMoved = errors.New("a clock was set while the history was copied, and records moved to their place in time; do it again")
)

// Copy writes all that is kept to w. The store is written to meanwhile as always: what comes after Copy has begun may be in the copy or
// not. What is damaged is left out, and counted in the copy. Errors: ErrMoved, or those of w.
func (s *Store) Copy(w io.Writer) (c Copied, err error) {
	out := bufio.NewWriterSize(w, 64<<10)
	s.mu.Lock() // a transaction that moves something counts before its commit: none may be under way now
	moved := s.moved.Load()
	s.mu.Unlock()
	if _, err := out.WriteString(copyHead); err != nil {
		return c, err
	}
	// Boots come last: without its boot a record would never find its place, nor be removed.
	for _, place := range []int{2, 3, 4, 5, 6, 1} {
		bucket := copyBuckets[place]
		damaged, err := s.scanTelling(bucket, nil, nil, func(k, v []byte) error {
			c.Records++
			head := binary.AppendUvarint([]byte{byte(place)}, uint64(len(k)))
			head = binary.AppendUvarint(append(head, k...), uint64(len(v)))
			_, err := out.Write(head)
			if err == nil {
				_, err = out.Write(v)
			}
			return err
		})
		c.Damaged += damaged
		if err != nil {
			return c, fmt.Errorf("copy history %s: %w", s.path, err)
		}
	}
	if s.moved.Load() != moved {
		return c, ErrMoved
	}
	end := binary.AppendUvarint([]byte{0}, uint64(c.Records))
	if _, err := out.Write(binary.AppendUvarint(end, uint64(c.Damaged))); err != nil {
		return c, err
	}
	return c, out.Flush()
}

// ReadCopy reads a copy to its end. Errors: ErrCopy, or those of r.
func ReadCopy(r io.Reader) (Copied, error) {
	return readCopy(r, func(_, _, _ []byte) error { return nil })
}

func readCopy(r io.Reader, fn func(bucket, key, payload []byte) error) (c Copied, err error) {
	in := bufio.NewReaderSize(r, 64<<10)
	bad := func(found string, err error) error {
		if err == io.EOF {
			err = io.ErrUnexpectedEOF
		}
		if err == nil {
			return fmt.Errorf("%w: after %d records found %s", ErrCopy, c.Records, found)
		}
		return fmt.Errorf("%w: after %d records found %s: %w", ErrCopy, c.Records, found, err)
	}
	head := make([]byte, len(copyHead))
	if _, err := io.ReadFull(in, head); err != nil || string(head) != copyHead {
		return c, bad(fmt.Sprintf("%q, expected %q", head, copyHead), err)
	}
	text := func() ([]byte, error) {
		n, err := binary.ReadUvarint(in)
		if err == nil && n > longest {
			err = fmt.Errorf("a text of %d bytes, expected at most %d", n, longest)
		}
		if err != nil {
			return nil, err
		}
		b := make([]byte, n)
		_, err = io.ReadFull(in, b)
		return b, err
	}
	for {
		place, err := in.ReadByte()
		if err != nil {
			return c, bad("no end", err)
		}
		if place == 0 {
			break
		}
		if int(place) >= len(copyBuckets) {
			return c, bad(fmt.Sprintf("a record of kind %d, expected 1 to %d: a later version may read it", place, len(copyBuckets)-1), nil)
		}
		k, err := text()
		if err != nil {
			return c, bad("a record cut short", err)
		}
		v, err := text()
		if err != nil {
			return c, bad("a record cut short", err)
		}
		if err := fn(copyBuckets[place], k, v); err != nil {
			return c, err
		}
		c.Records++
	}
	if n, err := binary.ReadUvarint(in); err != nil || n != uint64(c.Records) {
		return c, bad(fmt.Sprintf("an end that tells of %d", n), err)
	}
	damaged, err := binary.ReadUvarint(in)
	if err != nil || damaged > 1<<50 {
		return c, bad("no number of what is missing", err)
	}
	c.Damaged = int(damaged)
	if _, err := in.ReadByte(); err != io.EOF {
		return c, bad("more behind its end", err)
	}
	return c, nil
}

// Restore makes the store at path from a copy. On an error path is as it was. What stands there is never replaced: fs.ErrExist; nor is
// what the disk must leave to the queue taken: ErrFull. prepare, unless it is nil, may change the owner of the file, which is not yet in
// its place.
func Restore(path string, r io.Reader, prepare func(*os.File) error) (Copied, error) {
	return restore(path, r, Options{prepare: prepare})
}

func restore(path string, r io.Reader, o Options) (c Copied, err error) {
	if _, err := os.Lstat(path); err == nil {
		return c, fmt.Errorf("restore history %s: %w", path, fs.ErrExist)
	}
	o.fill()
	err = create(path, o, func(db *bbolt.DB) (err error) {
		f := filler{db: db, before: func() error { return leaves(path, o.LeaveFree) }}
		if c, err = readCopy(r, func(bucket, key, payload []byte) error {
			return f.put(bucket, key, seal.Wrap(bucket, key, payload))
		}); err != nil {
			return err
		}
		return f.flush()
	})
	if err != nil {
		return c, fmt.Errorf("restore history %s: %w", path, err)
	}
	return c, nil
}

// filler puts sealed records into a new file, and each into the index of ids, 4,096 in a transaction.
type filler struct {
	db     *bbolt.DB
	before func() error // asked before each transaction; nil: it goes on
	batch  []sealedRecord
	saved  int
}

type sealedRecord struct{ bucket, key, value []byte }

// put keeps key and value.
func (f *filler) put(bucket, key, value []byte) error {
	f.batch = append(f.batch, sealedRecord{bucket, key, value})
	if len(f.batch) < 4096 {
		return nil
	}
	return f.flush()
}

func (f *filler) flush() error {
	if f.before != nil {
		if err := f.before(); err != nil {
			return err
		}
	}
	err := f.db.Update(func(tx *bbolt.Tx) error {
		for _, r := range f.batch {
			b := tx.Bucket(r.bucket)
			b.FillPercent = 0.9 // as writer.put: a file that grew by being restored would be pruned sooner
			if err := b.Put(r.key, r.value); err != nil {
				return err
			}
			if id := idOf(r.bucket, r.key); id != nil {
				if err := tx.Bucket(bucketIDs).Put(id, placeOf(r.bucket, r.key)); err != nil {
					return err
				}
			}
		}
		return nil
	})
	if err == nil {
		f.saved += len(f.batch)
	}
	f.batch = f.batch[:0]
	return err
}
