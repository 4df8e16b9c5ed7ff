package queue

import (
	"errors"
	"fmt"

	"go.etcd.io/bbolt"

	"longlane/queue/seal"
)

// Check walks the file at path, which nobody may hold: structure, every checksum, and whether cursors and events fit
// together. It changes nothing. A badly damaged file can end the process, because bbolt follows its pages in
// goroutines of its own; run it in a process that may die.
func Check(path string) error {
	var o Options
	if err := o.fill(); err != nil {
		return err
	}
	db, _, err := openBolt(path, o, true, nil)
	if err != nil {
		return fmt.Errorf("check queue %s: %w", path, err)
	}
	if err := errors.Join(db.View(verify), db.Close()); err != nil {
		return fmt.Errorf("check queue %s: %w", path, err)
	}
	return nil
}

// Probe opens the file at path as a queue does, and closes it again. It changes nothing. Run it in a process that may die
// of it.
func Probe(path string) error {
	var o Options
	if err := o.fill(); err != nil {
		return err
	}
	db, _, err := openBolt(path, o, true, nil)
	if err != nil {
		return fmt.Errorf("probe queue %s: %w", path, err)
	}
	return db.Close()
}

// Verify is Check for an open queue, and compares memory with the file as well. The committer runs it, so appends
// wait meanwhile.
func (q *Queue) Verify() error {
	answer := make(chan error, 1)
	q.send(request{
		alone: func() error { return q.db.View(q.verifyMemory) },
		done:  func(_ Seq, err error) { answer <- err },
	}, nil)
	if err := <-answer; err != nil {
		return fmt.Errorf("verify queue %s: %w", q.path, err)
	}
	return nil
}

func verify(tx *bbolt.Tx) error {
	var errs []error
	for err := range tx.Check() {
		errs = append(errs, err)
	}
	if err := errors.Join(errs...); err != nil {
		return err // records on wrong pages say nothing
	}
	if err := checkLayout(tx); err != nil {
		return err
	}
	payload, err := seal.Unwrap(bucketMeta, keyLast, tx.Bucket(bucketMeta).Get(keyLast))
	if err != nil {
		return fmt.Errorf("last sequence number: %w", err)
	}
	last, err := parseSeq(payload)
	if err != nil {
		return fmt.Errorf("last sequence number: %w", err)
	}
	return errors.Join(verifyEvents(tx, last), verifyCursors(tx, last), verifyOthers(tx, last))
}

// verifySealed calls fn for each payload of a bucket whose seal holds, and collects what is wrong.
func verifySealed(tx *bbolt.Tx, bucket []byte, fn func(key, payload []byte) error) error {
	var errs []error
	err := tx.Bucket(bucket).ForEach(func(k, v []byte) error {
		payload, err := seal.Unwrap(bucket, k, v)
		if err == nil {
			err = fn(k, payload)
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("bucket %s key %x: %w", bucket, k, err))
		}
		return nil
	})
	return errors.Join(append(errs, err)...)
}

func verifyEvents(tx *bbolt.Tx, last Seq) error {
	seen := map[Seq]bool{}
	var errs []error
	for _, bucket := range bucketEv {
		errs = append(errs, verifySealed(tx, bucket, func(k, _ []byte) error {
			s, err := parseSeq(k)
			if err != nil {
				return err
			}
			if s == 0 || s > last || seen[s] {
				return fmt.Errorf("number %d is above %d or given twice", s, last)
			}
			seen[s] = true
			return nil
		}))
	}
	return errors.Join(errs...)
}

func verifyCursors(tx *bbolt.Tx, last Seq) error {
	return verifySealed(tx, bucketCur, func(_, payload []byte) error {
		_, _, places, err := parsePlaces(payload)
		if err != nil {
			return err
		}
		for p, pl := range places {
			if top := pl.top(); top > last {
				return fmt.Errorf("lane %d is acknowledged up to %d, the last number given out is %d", p, top, last)
			}
		}
		return nil
	})
}

func verifyOthers(tx *bbolt.Tx, last Seq) error {
	none := func(_, _ []byte) error { return nil }
	return errors.Join(
		verifySealed(tx, bucketMarks, none),
		verifySealed(tx, bucketSet, none),
		verifySealed(tx, bucketAside, func(k, payload []byte) error {
			s, err := parseSeq(k)
			if err == nil && s > last {
				err = fmt.Errorf("number is above %d", last)
			}
			_, _, perr := parseAside(payload)
			return errors.Join(err, perr)
		}),
		verifySealed(tx, bucketDead, func(k, payload []byte) error {
			it, err := parseDead(k, payload)
			if err == nil && it.Seq > last {
				err = fmt.Errorf("number is above %d", last)
			}
			return err
		}),
	)
}

// verifyMemory adds to verify that the lanes mirror the file and the cursors' counts are what a recount gives.
func (q *Queue) verifyMemory(tx *bbolt.Tx) error {
	errs := []error{verify(tx)}
	q.mu.Lock()
	defer q.mu.Unlock()
	for p := range q.lanes {
		l := &q.lanes[p]
		onDisk, err := readLane(tx.Bucket(bucketEv[p]))
		if err != nil || !l.equal(&onDisk) {
			errs = append(errs, fmt.Errorf("lane %d holds %d events in memory, %d on disk (%v)", p, l.len(), onDisk.len(), err))
		}
	}
	unsaved := 0
	for _, c := range q.cursors {
		errs = append(errs, c.verify())
		unsaved += c.dirty
	}
	if unsaved != q.unsaved {
		errs = append(errs, fmt.Errorf("%d acknowledgements unsaved, the cursors say %d", q.unsaved, unsaved))
	}
	return errors.Join(errs...)
}

func readLane(b *bbolt.Bucket) (l lane, err error) {
	err = b.ForEach(func(k, _ []byte) error {
		s, err := parseSeq(k)
		l.add(s)
		return err
	})
	return l, err
}

func (c *Cursor) verify() error {
	for p := range c.places {
		pl, l := &c.places[p], &c.q.lanes[p]
		if n := pl.waiting(l); n != c.waiting[p] {
			return fmt.Errorf("sink %q lane %d: %d waiting, a recount gives %d", c.name, p, c.waiting[p], n)
		}
		prev := pl.floor
		for _, s := range pl.spans {
			if s.lo <= prev || s.hi < s.lo || !l.gap(prev, s.lo) {
				return fmt.Errorf("sink %q lane %d: span %d to %d after %d with nothing waiting between", c.name, p, s.lo, s.hi, prev)
			}
			prev = s.hi
		}
	}
	return nil
}
