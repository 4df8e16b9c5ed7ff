package history

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"path/filepath"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"go.etcd.io/bbolt"
	berrors "go.etcd.io/bbolt/errors"

	"longlane/queue/seal"
)

// most records are moved or removed in one transaction, so that nobody waits for long.
const most = 512

// Store is an open history. One goroutine writes; reading is safe beside it, for any number.
type Store struct {
	db       *bbolt.DB
	o        Options
	path     string
	readOnly bool
	corrupt  atomic.Uint64
	moved    atomic.Uint64 // records that got another place in time: a copy may have missed them in both

	mu     sync.Mutex // protects what follows
	boots  map[[16]byte]*boot
	last   uint32 // the highest number of a boot
	broken bool
}

// boot is what is known of a boot's clock. Numbers rise in the order in which boots were first heard of.
type boot struct {
	number      uint32
	known       bool
	zero        time.Time // the time of mono 0
	first, last time.Duration
}

func (b *boot) encode() []byte {
	out := binary.BigEndian.AppendUint32(nil, b.number)
	out = appendTime(append(out, byte(flags(b.known))), clamp(b.zero))
	out = binary.BigEndian.AppendUint64(out, uint64(b.first))
	return binary.BigEndian.AppendUint64(out, uint64(b.last))
}

const bootSize = 4 + 1 + 8 + 8 + 8

func (b *boot) decode(v []byte) error {
	if len(v) != bootSize {
		return fmt.Errorf("boot of %d bytes, expected %d", len(v), bootSize)
	}
	b.number, b.known, b.zero = binary.BigEndian.Uint32(v), v[4]&1 != 0, parseTime(v[5:])
	b.first, b.last = time.Duration(binary.BigEndian.Uint64(v[13:])), time.Duration(binary.BigEndian.Uint64(v[21:]))
	return nil
}

// load reads what is kept in memory, and ends a move that a power cut has broken off.
func (s *Store) load() error {
	s.boots = map[[16]byte]*boot{}
	err := s.db.View(func(tx *bbolt.Tx) error {
		meta := tx.Bucket(bucketMeta)
		if meta == nil {
			return fmt.Errorf("%w: it has no bucket %s", ErrDamaged, bucketMeta)
		}
		v := meta.Get(keyFormat)
		if len(v) != 4 || binary.BigEndian.Uint32(v) != format {
			return fmt.Errorf("%w: format %x, expected %d", ErrFormat, v, format)
		}
		for _, name := range allBuckets {
			if tx.Bucket(name) == nil {
				return fmt.Errorf("%w: it has no bucket %s", ErrDamaged, name)
			}
		}
		return tx.Bucket(bucketBoots).ForEach(func(k, v []byte) error {
			p, err := seal.Unwrap(bucketBoots, k, v)
			b := &boot{}
			if err != nil || len(k) != 16 || b.decode(p) != nil {
				s.corrupt.Add(1)
				return nil
			}
			s.boots[[16]byte(k)] = b
			s.last = max(s.last, b.number)
			return nil
		})
	})
	if err != nil || s.readOnly {
		return err
	}
	for id, b := range s.boots {
		if b.known {
			if err := s.place(id); err != nil {
				return err
			}
		}
	}
	return nil
}

// Close lets go of the file. Whoever reads is waited for.
func (s *Store) Close() error { return s.db.Close() }

// Stats counts.
type Stats struct {
	Trips, Faults, Hours, Spans, Unplaced, Boots int
	Corrupt                                      uint64 // damaged records met since Open, and left out
	BytesFile, BytesUsed                         int64
}

// Stats looks at the file; it takes longer the more is in it.
func (s *Store) Stats() (st Stats, err error) {
	err = s.db.View(func(tx *bbolt.Tx) error {
		n := func(b []byte) int { return tx.Bucket(b).Stats().KeyN }
		st = Stats{Trips: n(bucketTrips), Faults: n(bucketFaults), Hours: n(bucketHours), Spans: n(bucketSpans),
			Unplaced: n(bucketUnplaced), Boots: n(bucketBoots), Corrupt: s.corrupt.Load(), BytesFile: tx.Size()}
		return nil
	})
	if st.BytesUsed = st.BytesFile; !s.readOnly {
		st.BytesUsed = s.used(st.BytesFile)
	}
	return st, err
}

func (s *Store) used(size int64) int64 {
	free := s.db.Stats()
	return size - int64(free.FreePageN+free.PendingPageN)*int64(s.db.Info().PageSize)
}

// Write stores a batch, of 512 records or so, in one transaction, and returns when it is on disk. Nothing of it is stored
// on an error. Hours excepted, what was stored before and comes again changes nothing.
//
// Errors: ErrFull, to be tried again later; ErrBroken, and then the store is to be opened anew; ErrRecord, with what is wrong
// with a record.
func (s *Store) Write(b Batch) error {
	if err := b.check(); err != nil {
		return fmt.Errorf("write history: %w: %w", ErrRecord, err)
	}
	if b.Len() == 0 {
		return nil
	}
	if err := s.room(); err != nil {
		return err
	}
	return s.update(func(w *writer) error {
		for i := range b.Trips {
			w.trip(b.Trips[i])
		}
		for i := range b.Faults {
			w.fault(b.Faults[i])
		}
		for i := range b.Hours {
			w.hour(b.Hours[i])
		}
		for i := range b.Spans {
			w.span(b.Spans[i])
		}
		return nil
	})
}

// update runs one transaction. Boots that it touches are taken over into memory only once they are on disk.
func (s *Store) update(fn func(*writer) error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.broken {
		return ErrBroken
	}
	var w *writer
	committing := false
	err := s.db.Update(func(tx *bbolt.Tx) error {
		w = &writer{tx: tx, s: s, boots: map[[16]byte]*boot{}, last: s.last}
		if err := fn(w); err != nil {
			return err
		}
		w.saveBoots()
		if w.err == nil && s.o.fault != nil {
			w.err = s.o.fault()
		}
		committing = w.err == nil
		return w.err
	})
	if err != nil {
		if committing { // the commit itself: nobody knows what the disk holds
			s.broken = true
			return fmt.Errorf("%w: %w", ErrBroken, err)
		}
		return fmt.Errorf("write history %s: %w", s.path, err)
	}
	for id, b := range w.boots {
		s.boots[id] = b
	}
	for _, id := range w.gone {
		delete(s.boots, id)
	}
	s.last = w.last
	return nil
}

// room makes sure that the file may grow, and removes the oldest where it has become too large.
func (s *Store) room() error {
	for range 64 { // bounded: the rest goes with the next batch
		size := int64(0)
		if err := s.db.View(func(tx *bbolt.Tx) error { size = tx.Size(); return nil }); err != nil {
			return err
		}
		if s.used(size) <= s.o.MaxBytes {
			break
		}
		n, err := s.removeOldest()
		if err != nil || n == 0 {
			return err
		}
	}
	// A transaction may take pages again that the file has; 4 MiB of them are more than a batch needs.
	if free := int64(s.db.Stats().FreePageN) * int64(s.db.Info().PageSize); free >= 4<<20 {
		return nil
	}
	return leaves(s.path, s.o.LeaveFree)
}

// leaves fails if so many bytes are not free any more on the disk of path.
func leaves(path string, bytes int64) error {
	var st syscall.Statfs_t
	if err := syscall.Statfs(filepath.Dir(path), &st); err != nil {
		return fmt.Errorf("ask for the free space of %s: %w", filepath.Dir(path), err)
	}
	if avail := int64(min(st.Bavail, 1<<40/uint64(max(1, st.Bsize)))) * int64(st.Bsize); avail < bytes {
		return fmt.Errorf("%w: %d MiB are free on the disk of %s, and %d MiB are left to the queue", ErrFull, avail>>20, path, bytes>>20)
	}
	return nil
}

func (s *Store) removeOldest() (n int, err error) {
	err = s.update(func(w *writer) error {
		n = w.removeBefore(bucketHours, nil, most/2) + w.removeBefore(bucketTrips, nil, most/2)
		if n == 0 {
			n = w.removeBefore(bucketFaults, nil, most/2)
		}
		return nil
	})
	return n, err
}

// ClockSet tells what the clock of a boot was at one moment. What is kept of that boot without a time moves to its place,
// in transactions of at most 512 records. Told again it costs nothing, unless the clock has been put right by more than a
// second: then what comes later goes by the new one.
func (s *Store) ClockSet(id [16]byte, wall time.Time, mono time.Duration) error {
	zero := clamp(wall.Add(-mono))
	s.mu.Lock()
	b := s.boots[id]
	s.mu.Unlock()
	if b != nil && b.known && b.zero.Sub(zero).Abs() <= time.Second {
		return nil
	}
	err := s.update(func(w *writer) error {
		b := w.boot(id, mono)
		b.known, b.zero = true, zero
		return nil
	})
	if err != nil {
		return err
	}
	return s.place(id)
}

// place moves what is kept of a boot to its place in time.
func (s *Store) place(id [16]byte) error {
	for {
		n := 0
		err := s.update(func(w *writer) error {
			n = w.place(id)
			return nil
		})
		if err != nil || n < most {
			return err
		}
	}
}

// Prune removes what is older than wanted, by a clock that is set, in transactions of at most 512 records. It returns how
// many records went.
func (s *Store) Prune(now time.Time) (int, error) {
	total := 0
	for {
		n := 0
		err := s.update(func(w *writer) error {
			trips := appendTime(nil, clamp(now.Add(-s.o.KeepTrips)))
			n = w.removeBefore(bucketTrips, trips, most)
			n += w.removeBefore(bucketFaults, trips, most-n)
			n += w.removeBefore(bucketHours, hourKey(now.Add(-s.o.KeepHours), ""), most-n)
			n += w.removeSpans(now.Add(-s.o.KeepTrips), most-n)
			n += w.removeBoots(now.Add(-s.o.KeepTrips), most-n)
			return nil
		})
		if total += n; err != nil || n < most {
			return total, err
		}
	}
}

// bounds are the times between which boot id was: after the last boot before it and before the first after it that had a
// clock; zero where there is none. The caller holds mu.
func (s *Store) bounds(id [16]byte) (earliest, latest time.Time) {
	me := s.boots[id]
	if me == nil {
		return
	}
	var before, after *boot
	for _, b := range s.boots {
		switch {
		case !b.known:
		case b.number < me.number && (before == nil || b.number > before.number):
			before = b
		case b.number > me.number && (after == nil || b.number < after.number):
			after = b
		}
	}
	if before != nil {
		earliest = before.zero.Add(before.last)
	}
	if after != nil {
		latest = after.zero.Add(after.first)
	}
	return earliest, latest
}

// scan calls fn with copies of what stands from key from to before key to, and not within a transaction: however long fn
// takes, the writer does not wait for it.
func (s *Store) scan(bucket, from, to []byte, fn func(key, payload []byte) error) error {
	_, err := s.scanTelling(bucket, from, to, fn)
	return err
}

// scanTelling is scan that tells how many were damaged, and left out.
func (s *Store) scanTelling(bucket, from, to []byte, fn func(key, payload []byte) error) (damaged int, err error) {
	const chunk = 1024
	type pair struct{ k, v []byte }
	next := from
	for {
		var got []pair
		err := s.db.View(func(tx *bbolt.Tx) error {
			c := tx.Bucket(bucket).Cursor()
			for k, v := c.Seek(next); k != nil && (to == nil || bytes.Compare(k, to) < 0) && len(got) < chunk; k, v = c.Next() {
				got = append(got, pair{bytes.Clone(k), bytes.Clone(v)})
			}
			return nil
		})
		if errors.Is(err, berrors.ErrDatabaseNotOpen) {
			return damaged, errors.New("the history has been closed")
		} else if err != nil {
			return damaged, err
		}
		for _, p := range got {
			payload, err := seal.Unwrap(bucket, p.k, p.v)
			if err != nil {
				s.corrupt.Add(1)
				damaged++
				continue
			}
			if err := fn(p.k, payload); err != nil {
				return damaged, err
			}
		}
		if len(got) < chunk {
			return damaged, nil
		}
		next = append(got[len(got)-1].k, 0)
	}
}
