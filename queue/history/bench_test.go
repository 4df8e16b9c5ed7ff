package history

import (
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"

	"go.etcd.io/bbolt"
)

// yearOf fills a store as a site of so many nodes would in days: 20 trips a day each, check-ins each hour over two hops,
// batches as a gateway would write them.
func yearOf(b *testing.B, s *Store, nodes, days int) (trips, hours int) {
	r := rand.New(rand.NewPCG(*seed, 0))
	for h := range days * 24 {
		var batch Batch
		for n := range nodes {
			node := fmt.Sprintf("node-%02d", n)
			if h%6 != 5 { // 20 of 24 hours
				at := wall(time.Duration(h)*time.Hour + time.Duration(r.IntN(3600))*time.Second)
				t := opening(uint32(h), at)
				t.ID.Node, t.Zone, t.Node, t.Class, t.Closed, t.Dwell = uint8(n), fmt.Sprintf("river gate %02d", n), node, "vehicle", true, time.Duration(r.IntN(60))*time.Second
				batch.Trips = append(batch.Trips, t)
			}
			hour := Hour{Node: node, At: wall(time.Duration(h) * time.Hour), Count: 60, Lowest: 3.5, Battery: 3.5, Hops: []Hop{{From: node, To: "ridge"}, {From: "ridge", To: "house"}}}
			for range 60 {
				hour.Hops[0].Add(9 + 2*r.NormFloat64())
				hour.Hops[1].Add(14 + 2*r.NormFloat64())
			}
			batch.Hours = append(batch.Hours, hour)
		}
		trips, hours = trips+len(batch.Trips), hours+len(batch.Hours)
		if err := s.Write(batch); err != nil {
			b.Fatal(err)
		}
	}
	return trips, hours
}

// BenchmarkYear is a year of 50 nodes: the size of what is kept, and what it takes to read it. Give -benchtime 1x.
func BenchmarkYear(b *testing.B) {
	for range b.N {
		path := filepath.Join(b.TempDir(), File)
		s := openTest(b, path, Options{noSync: true, MaxBytes: 1 << 30})
		began := time.Now()
		trips, hours := yearOf(b, s, 50, 365)
		b.ReportMetric(time.Since(began).Seconds(), "fill-s")
		st, err := s.Stats()
		if err != nil {
			b.Fatal(err)
		}
		sizes, err := s.sizes()
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(sizes["trips"]+sizes["ids"])/float64(trips), "B/trip")
		b.ReportMetric(float64(sizes["hours"])/float64(hours), "B/hour")
		b.ReportMetric(float64(st.BytesUsed)/(1<<20), "MiB")
		s.Close()
		began = time.Now()
		s = openTest(b, path, Options{noSync: true, MaxBytes: 1 << 30})
		b.ReportMetric(time.Since(began).Seconds()*1e3, "open-ms")
		measure := func(name string, from, to time.Duration, want int) {
			began, n := time.Now(), 0
			if err := s.Trips(start.Add(from), start.Add(to), func(*Trip) error { n++; return nil }); err != nil || n != want {
				b.Fatalf("%s: %d trips, want %d, %v", name, n, want, err)
			}
			b.ReportMetric(time.Since(began).Seconds()*1e3, name+"-ms")
		}
		measure("year", 0, 366*24*time.Hour, trips)
		measure("day", 100*24*time.Hour, 101*24*time.Hour, 50*20)
		began, n := time.Now(), 0
		if err := s.Hours(start, start.Add(366*24*time.Hour), func(*Hour) error { n++; return nil }); err != nil || n != hours {
			b.Fatal(n, err)
		}
		b.ReportMetric(time.Since(began).Seconds()*1e3, "hours-ms")
		began = time.Now()
		mustWrite(b, s, Batch{Trips: []Trip{opening(1<<30, wall(366*24*time.Hour))}})
		b.ReportMetric(time.Since(began).Seconds()*1e3, "one-trip-ms")
	}
}

// sizes are the bytes of the pages of each bucket.
func (s *Store) sizes() (map[string]int, error) {
	list := map[string]int{}
	err := s.db.View(func(tx *bbolt.Tx) error {
		for _, name := range allBuckets {
			st := tx.Bucket(name).Stats()
			list[string(name)] = st.BranchAlloc + st.LeafAlloc
		}
		return nil
	})
	return list, err
}
