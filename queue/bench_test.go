package queue

import (
	"encoding/binary"
	"fmt"
	"sync"
	"testing"

	"go.etcd.io/bbolt"
)

// The queue beside a bare bbolt transaction that stores the same values: what checksums, marks, cursors and the
// hand-over to the committer cost. 250-byte values.
func BenchmarkAppend(b *testing.B) {
	value := make([]byte, 250)
	for _, n := range []int{1, 64} {
		b.Run(fmt.Sprintf("queue/%d", n), func(b *testing.B) { benchQueue(b, n, Record{Value: value}) })
		b.Run(fmt.Sprintf("bare/%d", n), func(b *testing.B) { benchBare(b, n, value) })
	}
	b.Run("queue with mark/1", func(b *testing.B) {
		benchQueue(b, 1, Record{Value: value, Mark: &Mark{Key: []byte("node")}})
	})
}

func benchQueue(b *testing.B, n int, r Record) {
	q := openTest(b, tempPath(b), Options{MaxBytes: 1 << 30, Advance: func(dst, _ []byte, c uint32) ([]byte, error) {
		return binary.BigEndian.AppendUint32(dst, c), nil
	}})
	var wg sync.WaitGroup
	b.ResetTimer()
	for range b.N {
		wg.Add(n)
		for range n {
			q.Append(r, func(_ Seq, err error) {
				if err != nil {
					b.Error(err)
				}
				wg.Done()
			})
		}
		wg.Wait()
	}
	b.StopTimer()
	st := q.Stats()
	b.ReportMetric(float64(st.Commits)/float64(b.N), "commits/op")
	b.ReportMetric(float64(b.N*n)/b.Elapsed().Seconds(), "events/s")
}

func benchBare(b *testing.B, n int, value []byte) {
	db, err := bbolt.Open(tempPath(b), fileMode, boltOptions(Options{}))
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	var next Seq
	b.ResetTimer()
	for range b.N {
		err := db.Update(func(tx *bbolt.Tx) error {
			bk, err := tx.CreateBucketIfNotExists([]byte("ev"))
			if err != nil {
				return err
			}
			bk.FillPercent = fillPercent
			for range n {
				next++
				if err := bk.Put(seqKey(next), value); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			b.Fatal(err)
		}
	}
	b.StopTimer()
	b.ReportMetric(float64(b.N*n)/b.Elapsed().Seconds(), "events/s")
}

// What a sink does: fetch a window, acknowledge it.
func BenchmarkDrain(b *testing.B) {
	q := openTest(b, tempPath(b), Options{MaxBytes: 1 << 30})
	c := mustSink(b, q, "broker", SinkOptions{Required: true})
	value := make([]byte, 250)
	for range b.N {
		q.Append(Record{Value: value}, nil)
	}
	if err := q.Flush(); err != nil {
		b.Fatal(err)
	}
	b.ResetTimer()
	for left := b.N; left > 0; {
		items, err := c.Next(Alarm, 0, 256)
		if err != nil {
			b.Fatal(err)
		}
		for _, it := range items {
			c.Ack(it.Seq)
		}
		left -= len(items)
	}
	if err := q.Flush(); err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "events/s")
}
