package queue

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
)

// openHeld opens a queue with a sink. hold has its committer stand within the commit of one more event until release.
func openHeld(t *testing.T, o Options) (q *Queue, c *Cursor, hold func() (release func())) {
	t.Helper()
	var gate atomic.Pointer[chan struct{}]
	o.Fault = func(string) error {
		if g := gate.Load(); g != nil {
			<-*g
		}
		return nil
	}
	q = openTest(t, tempPath(t), o)
	c = mustSink(t, q, "broker", SinkOptions{Required: true})
	return q, c, func() func() {
		g := make(chan struct{})
		gate.Store(&g)
		q.Append(Record{Value: []byte("held")}, nil)
		synctest.Wait()
		return func() { gate.Store(nil); close(g) }
	}
}

// longMark keeps the last counters, the newest first: where the new value grows over the old one, it is seen.
func longMark(dst, old []byte, counter uint32) ([]byte, error) {
	return append(binary.BigEndian.AppendUint32(dst, counter), old[:min(len(old), 400)]...), nil
}

// TestInbox: Append blocks once 4096 requests wait. All are answered, in order and in full transactions, and stored as
// they were handed in, although their owner uses its buffers again at once and the queue its own.
func TestInbox(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const n = queueLength + 1500
		q, c, hold := openHeld(t, Options{MaxBytes: 32 << 20, Advance: longMark})
		release := hold()
		var seqs []Seq
		var handed atomic.Int64
		done := make(chan struct{})
		go func() {
			defer close(done)
			var buf []byte
			key := make([]byte, 1)
			for i := range n {
				buf, key[0] = append(buf[:0], inboxValue(i)...), byte(i%3)
				q.Append(Record{Value: buf, Mark: &Mark{Key: key, Counter: uint32(i)}}, func(s Seq, err error) {
					if err != nil {
						t.Errorf("event %d: %v", i, err)
					}
					seqs = append(seqs, s)
				})
				handed.Add(1)
			}
		}()
		synctest.Wait()
		if h, waiting := handed.Load(), q.Stats().Requests; h != queueLength || waiting != queueLength {
			t.Errorf("%d handed in, %d wait, want %d", h, waiting, queueLength)
		}
		before := q.Stats().Commits
		release()
		<-done
		if err := q.Flush(); err != nil {
			t.Fatal(err)
		}
		if commits := q.Stats().Commits - before; commits < n/maxBatch+1 || commits > 30 {
			t.Errorf("%d commits, want at least %d and not many more", commits, n/maxBatch+1)
		}
		items := mustNext(t, c, Alarm, 1, n+1)
		if len(items) != n || len(seqs) != n {
			t.Fatalf("%d stored, %d answers, want %d", len(items), len(seqs), n)
		}
		marks := map[string][]byte{}
		for i, it := range items {
			if it.Seq != seqs[i] || !bytes.Equal(it.Value, inboxValue(i)) {
				t.Fatalf("event %d: stored as %d, answered %d, with %.20q, want %.20q", i, it.Seq, seqs[i], it.Value, inboxValue(i))
			}
			key := string([]byte{byte(i % 3)})
			marks[key], _ = longMark(nil, marks[key], uint32(i))
		}
		_, err := q.Marks(func(key, value []byte) error {
			if !bytes.Equal(value, marks[string(key)]) {
				t.Errorf("mark %x is % x, want % x", key, value, marks[string(key)])
			}
			delete(marks, string(key))
			return nil
		})
		if err != nil || len(marks) != 0 {
			t.Errorf("%d marks missing (%v)", len(marks), err)
		}
	})
}

// inboxValue is of a length that fills some parcels before they are full, so that what is left has memory of its own.
func inboxValue(i int) []byte {
	size := 80
	if i%64 == 0 {
		size = parcelBytes / 16
	}
	return bytes.Repeat(fmt.Appendf(nil, "%06d", i), size/6)
}

// TestCloseWhileAppendBlocks: whoever waits for room as the queue is closed is answered as well.
func TestCloseWhileAppendBlocks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q, _, hold := openHeld(t, Options{})
		release := hold()
		const n = queueLength + 10
		answers := make(chan error, n)
		for range n {
			go q.Append(Record{}, func(_ Seq, err error) { answers <- err })
		}
		synctest.Wait()
		closed := make(chan error)
		go func() { closed <- q.Close() }()
		synctest.Wait()
		for range n - queueLength {
			if err := <-answers; !errors.Is(err, ErrClosed) {
				t.Errorf("one that waited for room: %v, want ErrClosed", err)
			}
		}
		release()
		if err := <-closed; err != nil {
			t.Fatal(err)
		}
		for range queueLength {
			if err := <-answers; err != nil {
				t.Errorf("one that was let in: %v", err)
			}
		}
	})
}

// TestCommitOfCursorsTakesRequests: acknowledgements that are due for a commit of their own, and what waits, share one.
func TestCommitOfCursorsTakesRequests(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q, c, hold := openHeld(t, Options{})
		const rounds = 8
		for range rounds * ackBatch {
			q.Append(Record{}, nil)
		}
		if err := q.Flush(); err != nil {
			t.Fatal(err)
		}
		for range rounds {
			items := mustNext(t, c, Alarm, 0, ackBatch)
			release := hold()
			before := q.Stats().Commits
			for _, it := range items {
				c.Ack(it.Seq)
			}
			for range 3 {
				q.Append(Record{}, nil)
			}
			release()
			if err := q.Flush(); err != nil {
				t.Fatal(err)
			}
			if n := q.Stats().Commits - before; n != 2 {
				t.Errorf("%d commits, want 2: the one held, and one for acknowledgements and events", n)
			}
		}
	})
}

// TestEmptyMark: a mark that was advanced to nothing is empty for the next event of the batch too.
func TestEmptyMark(t *testing.T) {
	var olds []int
	q := openTest(t, tempPath(t), Options{Advance: func(dst, old []byte, counter uint32) ([]byte, error) {
		olds = append(olds, len(old))
		return append(dst, make([]byte, counter)...), nil
	}})
	mustAppend(t, q, Record{Mark: &Mark{Key: []byte("n"), Counter: 3}})
	err := q.do("try", func(b *batch) (Seq, error) {
		for _, counter := range []uint32{0, 0, 2} {
			if _, err := b.append(&record{noStore: true, mark: Mark{Key: []byte("n"), Counter: counter}}); err != nil {
				return 0, err
			}
		}
		return 0, nil
	})
	if want := []int{0, 3, 0, 0}; err != nil || !slices.Equal(olds, want) {
		t.Errorf("old values of %v bytes (%v), want %v", olds, err, want)
	}
}
