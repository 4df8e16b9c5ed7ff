package history

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"go.etcd.io/bbolt"
)

var (
	seed   = flag.Uint64("seed", 1, "seed of the random tests")
	update = flag.Bool("update", false, "write testdata/format-1.db anew; never after that format was released")
)

var start = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

func bootID(n byte) [16]byte { return [16]byte{n} }

func openTest(t testing.TB, path string, o Options) *Store {
	t.Helper()
	o.LeaveFree = max(o.LeaveFree, 1)
	s, rec, err := Open(path, o)
	if err != nil || rec != nil {
		t.Fatalf("open: %v, recovery %v", err, rec)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func newTest(t testing.TB) *Store {
	return openTest(t, filepath.Join(t.TempDir(), File), Options{noSync: true})
}

func mustWrite(t testing.TB, s *Store, b Batch) {
	t.Helper()
	if err := s.Write(b); err != nil {
		t.Fatal(err)
	}
}

// all is everything in the store's tables, by time and then without.
func all(t testing.TB, s *Store) (trips []Trip, faults []Fault, hours []Hour) {
	t.Helper()
	err := errors.Join(
		s.Trips(firstTime, lastTime, func(x *Trip) error { trips = append(trips, *x); return nil }),
		s.Faults(firstTime, lastTime, func(x *Fault) error { faults = append(faults, *x); return nil }),
		s.Hours(firstTime, lastTime, func(x *Hour) error { hours = append(hours, *x); return nil }),
		s.Unplaced(func(x *Trip) error { trips = append(trips, *x); return nil }, func(x *Fault) error { faults = append(faults, *x); return nil }))
	if err != nil {
		t.Fatal(err)
	}
	return trips, faults, hours
}

func spans(t testing.TB, s *Store, kind Kind, subject string) (list []Span) {
	t.Helper()
	if err := s.Spans(kind, subject, firstTime, lastTime, func(x *Span) error { list = append(list, *x); return nil }); err != nil {
		t.Fatal(err)
	}
	return list
}

func wall(after time.Duration) Moment { return Moment{Wall: start.Add(after)} }

func opening(id uint32, at Moment) Trip {
	return Trip{ID: TripID{7, 1, id}, At: at, Zone: "river gate", Node: "gate-post", Dwell: -1, Margin: 9.5, Opened: true, Supervised: true}
}

func closing(id uint32, at Moment, dwell time.Duration) Trip {
	t := opening(id, at)
	t.Opened, t.Closed, t.Dwell, t.Margin = false, true, dwell, 6.25
	return t
}

// Whichever of a trip's frames comes first, and however often, one record comes of them.
func TestTripIsOneRecord(t *testing.T) {
	parts := []Trip{opening(5, wall(time.Hour)), closing(5, wall(time.Hour+30*time.Millisecond), 8*time.Second),
		opening(5, wall(time.Hour)), closing(5, wall(time.Hour+30*time.Millisecond), 8*time.Second)}
	for _, order := range [][]int{{0, 1}, {1, 0}, {0, 0, 1, 1}, {1, 0, 3, 2}, {0, 1, 2, 3}} {
		s := newTest(t)
		for _, i := range order {
			mustWrite(t, s, Batch{Trips: []Trip{parts[i]}})
		}
		trips, _, _ := all(t, s)
		if len(trips) != 1 {
			t.Fatalf("order %v: %d records, want 1", order, len(trips))
		}
		got := trips[0]
		if !got.Opened || !got.Closed || got.Dwell != 8*time.Second || !got.At.Wall.Equal(start.Add(time.Hour)) || got.Margin != 6.3 {
			t.Errorf("order %v: %+v", order, got)
		}
		if st, _ := s.Stats(); st.Trips != 1 || st.Unplaced != 0 {
			t.Errorf("order %v: %+v", order, st)
		}
	}
}

// What came while the clock was unset finds its place, all of it, once the clock is known; what comes later in that boot
// finds it at once.
func TestClockLearntLater(t *testing.T) {
	path := filepath.Join(t.TempDir(), File)
	s := openTest(t, path, Options{noSync: true})
	const n = 3*most + 7
	for i := range n {
		at := Moment{Boot: bootID(2), Mono: time.Duration(i) * time.Minute}
		mustWrite(t, s, Batch{Trips: []Trip{opening(uint32(i), at)}, Faults: []Fault{{ID: fmt.Sprint("f", i), At: at, Code: "tamper", Detail: "opened"}},
			Hours: []Hour{{Node: "gate-post", At: at, Count: 1, Battery: 3.61}},
			Spans: []Span{{Kind: Watch, Subject: "river gate", From: Moment{Boot: bootID(2)}, Length: time.Duration(i) * time.Minute, Quality: EndToEnd}}})
	}
	if trips, faults, hours := all(t, s); len(trips) != n || len(faults) != n || len(hours) != 0 || !trips[9].At.Wall.IsZero() {
		t.Fatalf("%d trips, %d faults, %d hours before the clock was set; want %d, %d, 0", len(trips), len(faults), len(hours), n, n)
	}
	// A power cut in the middle of the move: the next Open ends it.
	moves := 0
	s.o.fault = func() error {
		if moves++; moves > 2 {
			return errors.New("power cut")
		}
		return nil
	}
	if err := s.ClockSet(bootID(2), start.Add(50*time.Hour), 50*time.Hour); err == nil {
		t.Fatal("the fault did not show")
	}
	s.Close()
	s = openTest(t, path, Options{noSync: true})
	mustWrite(t, s, Batch{Trips: []Trip{opening(n, Moment{Boot: bootID(2), Mono: n * time.Minute})}})
	trips, faults, hours := all(t, s)
	if len(trips) != n+1 || len(faults) != n {
		t.Fatalf("%d trips, %d faults after it, want %d and %d", len(trips), len(faults), n+1, n)
	}
	for i, tr := range trips {
		if want := start.Add(time.Duration(i) * time.Minute); !tr.At.Wall.Equal(want) || !tr.At.PutRight {
			t.Fatalf("trip %d at %+v, want %v, put right", i, tr.At, want)
		}
	}
	count := 0
	for _, h := range hours {
		count += h.Count
	}
	if count != n || hours[0].Battery != 3.61 {
		t.Errorf("%d check-ins in hours, want %d; battery %v", count, n, hours[0].Battery)
	}
	if list := spans(t, s, Watch, "river gate"); len(list) != 1 || list[0].Length != (n-1)*time.Minute || !list[0].From.Wall.Equal(start) {
		t.Errorf("spans %+v", list)
	}
	if st, _ := s.Stats(); st.Unplaced != 0 || st.Corrupt != 0 {
		t.Errorf("%+v", st)
	}
}

// A boot that never learnt the time stays between its neighbours.
func TestBootWithoutClock(t *testing.T) {
	s := newTest(t)
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(s.ClockSet(bootID(1), start, time.Minute))
	mustWrite(t, s, Batch{Trips: []Trip{opening(1, Moment{Boot: bootID(1), Mono: time.Hour})}})
	mustWrite(t, s, Batch{Trips: []Trip{opening(2, Moment{Boot: bootID(2), Mono: time.Minute})}})
	must(s.ClockSet(bootID(3), start.Add(9*time.Hour), time.Minute))
	trips, _, _ := all(t, s)
	got := trips[len(trips)-1]
	if got.ID.Counter != 2 || !got.Earliest.Equal(start.Add(59*time.Minute)) || !got.Latest.Equal(start.Add(9*time.Hour)) {
		t.Errorf("%+v", got)
	}
	// Its bounds tell when it is too old.
	s.o.KeepTrips = 24 * time.Hour
	if _, err := s.Prune(start.Add(40 * time.Hour)); err != nil {
		t.Fatal(err)
	}
	if trips, _, _ = all(t, s); len(trips) != 0 {
		t.Errorf("left after pruning: %+v", trips)
	}
	if st, _ := s.Stats(); st.Boots != 0 {
		t.Errorf("%+v", st)
	}
}

// A correction brings the time of what an earlier boot has told without.
func TestCorrectionMoves(t *testing.T) {
	s := newTest(t)
	f := Fault{ID: "gateway.1.2", At: Moment{Boot: bootID(1), Mono: time.Minute}, Code: "overdue", Detail: "x"}
	mustWrite(t, s, Batch{Trips: []Trip{opening(1, Moment{Boot: bootID(1), Mono: time.Minute})}, Faults: []Fault{f}})
	f.At = wall(time.Hour)
	for range 2 {
		mustWrite(t, s, Batch{Trips: []Trip{opening(1, wall(time.Hour))}, Faults: []Fault{f}})
	}
	f.At = Moment{Boot: bootID(1), Mono: time.Minute}
	mustWrite(t, s, Batch{Trips: []Trip{opening(1, Moment{Boot: bootID(1), Mono: time.Minute})}, Faults: []Fault{f}}) // and comes again
	trips, faults, _ := all(t, s)
	if len(trips) != 1 || len(faults) != 1 || !trips[0].At.Wall.Equal(start.Add(time.Hour)) || !faults[0].At.Wall.Equal(start.Add(time.Hour)) {
		t.Errorf("%+v %+v", trips, faults)
	}
}

// The store against a model that keeps all in a map, through restarts, pruning and clocks that are learnt late.
func TestAgainstModel(t *testing.T) {
	t.Logf("seed %d (-seed)", *seed)
	for round := range uint64(20) {
		r := rand.New(rand.NewPCG(*seed, round))
		path := filepath.Join(t.TempDir(), File)
		o := Options{noSync: true, KeepTrips: 200 * time.Hour, KeepHours: 100 * time.Hour}
		s := openTest(t, path, o)
		model := map[uint32]time.Duration{} // counter: hours after start
		checkins := map[string]int{}
		now := time.Duration(0)
		for step := range 300 {
			now += time.Duration(r.IntN(120)) * time.Minute
			b := byte(1 + now/(50*time.Hour)) // a boot lasts 50 hours, and learns the time when it is half over
			zero := time.Duration(b-1) * 50 * time.Hour
			switch r.IntN(10) {
			case 0:
				s.Close()
				s = openTest(t, path, o)
			case 1:
				if now-zero > 25*time.Hour {
					if err := s.ClockSet(bootID(b), start.Add(now), now-zero); err != nil {
						t.Fatal(err)
					}
				}
			case 2: // only what is placed can be old
				for x := byte(1); x <= b; x++ {
					at := time.Duration(x-1) * 50 * time.Hour
					if err := s.ClockSet(bootID(x), start.Add(at), 0); err != nil {
						t.Fatal(err)
					}
				}
				if _, err := s.Prune(start.Add(now)); err != nil {
					t.Fatal(err)
				}
				for id, at := range model {
					if at < now-o.KeepTrips {
						delete(model, id)
					}
				}
			default:
				id := uint32(step)
				at := Moment{Boot: bootID(b), Mono: now - zero}
				if r.IntN(3) == 0 {
					at.Wall = start.Add(now)
				}
				if r.IntN(4) == 0 && len(model) > 0 { // one that was there comes again
					for id = range model {
						break
					}
					at = Moment{Boot: bootID(byte(1 + model[id]/(50*time.Hour))), Mono: model[id] % (50 * time.Hour)}
				} else {
					model[id] = now
				}
				mustWrite(t, s, Batch{Trips: []Trip{opening(id, at)}, Hours: []Hour{{Node: "n", At: Moment{Wall: start.Add(now)}, Count: 1}}})
				checkins["n"]++
			}
		}
		for x := byte(1); x < 30; x++ {
			if err := s.ClockSet(bootID(x), start.Add(time.Duration(x-1)*50*time.Hour), 0); err != nil {
				t.Fatal(err)
			}
		}
		trips, _, _ := all(t, s)
		got := map[uint32]time.Duration{}
		for _, tr := range trips {
			got[tr.ID.Counter] = tr.At.Wall.Sub(start)
		}
		if len(trips) != len(got) || !reflect.DeepEqual(got, model) {
			t.Fatalf("round %d: store %v\nmodel %v", round, got, model)
		}
		if err := s.db.View(func(tx *bbolt.Tx) error {
			if n := tx.Bucket(bucketIDs).Stats().KeyN; n != len(model) {
				return fmt.Errorf("%d ids of %d trips", n, len(model))
			}
			return nil
		}); err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
	}
}

// However much is too old, no transaction removes more than 512 records.
func TestPruneInBoundedSteps(t *testing.T) {
	s := newTest(t)
	const n = 3000
	for i := 0; i < n; i += 500 {
		var b Batch
		for j := i; j < i+500; j++ {
			at := wall(time.Duration(j) * time.Minute)
			b.Trips = append(b.Trips, opening(uint32(j), at))
			b.Hours = append(b.Hours, Hour{Node: fmt.Sprint("node ", j), At: at, Count: 1})
			b.Spans = append(b.Spans, Span{Kind: Watch, Subject: fmt.Sprint("zone ", j%7), From: at, Length: time.Minute, Quality: EndToEnd})
		}
		mustWrite(t, s, b)
	}
	largest, before := 0, 3*n
	s.o.fault = func() error {
		now := 0
		s.db.View(func(tx *bbolt.Tx) error { // as of the last commit
			for _, b := range [][]byte{bucketTrips, bucketHours, bucketSpans} {
				now += tx.Bucket(b).Stats().KeyN
			}
			return nil
		})
		largest, before = max(largest, before-now), now
		return nil
	}
	removed, err := s.Prune(start.Add(s.o.KeepTrips + n/2*time.Minute))
	if err != nil {
		t.Fatal(err)
	}
	// Hours are kept for less long: all of them are too old.
	if want := n/2 + n + n/2; removed != want {
		t.Errorf("%d removed, want %d", removed, want)
	}
	if largest > most {
		t.Errorf("one transaction removed %d records, want at most %d", largest, most)
	}
	if trips, _, hours := all(t, s); len(trips) != n/2 || len(hours) != 0 || !trips[0].At.Wall.Equal(start.Add(n/2*time.Minute)) {
		t.Errorf("%d trips and %d hours left", len(trips), len(hours))
	}
}

// A store that has grown too large makes room by itself, the oldest first, and the file stays as it is.
func TestMaxBytes(t *testing.T) {
	s := openTest(t, filepath.Join(t.TempDir(), File), Options{noSync: true, MaxBytes: 1 << 20})
	const n = 40000
	for i := 0; i < n; i += 400 {
		var b Batch
		for j := i; j < i+400; j++ {
			b.Trips = append(b.Trips, opening(uint32(j), wall(time.Duration(j)*time.Minute)))
		}
		mustWrite(t, s, b)
	}
	st, err := s.Stats()
	if err != nil {
		t.Fatal(err)
	}
	trips, _, _ := all(t, s)
	if st.BytesFile > 2<<20 || len(trips) < 2000 || trips[len(trips)-1].ID.Counter != n-1 {
		t.Errorf("%d trips left, the file has %d bytes", len(trips), st.BytesFile)
	}
}

// A full disk is an answer, and what is there can be read.
func TestFullDisk(t *testing.T) {
	s := newTest(t)
	mustWrite(t, s, Batch{Trips: []Trip{opening(1, wall(0))}})
	s.o.LeaveFree = math.MaxInt64
	if err := s.Write(Batch{Trips: []Trip{opening(2, wall(0))}}); !errors.Is(err, ErrFull) {
		t.Errorf("write on a full disk: %v, want ErrFull", err)
	}
	s.o.LeaveFree = 1
	mustWrite(t, s, Batch{Trips: []Trip{opening(2, wall(0))}})
	if trips, _, _ := all(t, s); len(trips) != 2 {
		t.Errorf("%d trips, want 2", len(trips))
	}
}

func TestRefuses(t *testing.T) {
	s := newTest(t)
	long := strings.Repeat("x", MaxText+1)
	for name, b := range map[string]Batch{
		"no time":      {Trips: []Trip{opening(1, Moment{})}},
		"no zone":      {Trips: []Trip{{At: wall(0)}}},
		"long zone":    {Trips: []Trip{{At: wall(0), Zone: long}}},
		"zero byte":    {Spans: []Span{{Kind: Watch, Subject: "a\x00b", From: wall(0)}}},
		"unknown kind": {Spans: []Span{{Kind: 'x', Subject: "a", From: wall(0)}}},
		"no id":        {Faults: []Fault{{At: wall(0), Code: "x"}}},
		"no node":      {Hours: []Hour{{At: wall(0)}}},
	} {
		if err := s.Write(Batch{Trips: append([]Trip{opening(9, wall(0))}, b.Trips...), Faults: b.Faults, Hours: b.Hours, Spans: b.Spans}); err == nil {
			t.Errorf("%s: taken", name)
		}
	}
	if trips, _, _ := all(t, s); len(trips) != 0 {
		t.Errorf("a refused batch left %+v", trips)
	}
}

func TestLocked(t *testing.T) {
	path := filepath.Join(t.TempDir(), File)
	s := openTest(t, path, Options{})
	if _, _, err := Open(path, Options{lockTimeout: 50 * time.Millisecond}); !errors.Is(err, ErrLocked) {
		t.Errorf("second writer: %v, want ErrLocked", err)
	}
	if _, err := OpenRead(path); !errors.Is(err, ErrLocked) {
		t.Errorf("reader beside a writer: %v, want ErrLocked", err)
	}
	mustWrite(t, s, Batch{Trips: []Trip{opening(1, wall(0))}})
	s.Close()
	for range 2 { // readers do not disturb each other
		r, err := OpenRead(path)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		if trips, _, _ := all(t, r); len(trips) != 1 {
			t.Errorf("%d trips, want 1", len(trips))
		}
	}
	if _, err := OpenRead(path + "x"); !errors.Is(err, ErrNone) {
		t.Errorf("no file: %v, want ErrNone", err)
	}
	if err := os.Chmod(path, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenRead(path); err == nil || !strings.Contains(err.Error(), "0600") {
		t.Errorf("a file that others can read: %v", err)
	}
}

// Whatever is damaged, the store opens, says so, and keeps what was whole.
func TestDamage(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, File)
	s := openTest(t, path, Options{noSync: true})
	const n = 500
	for i := range n {
		mustWrite(t, s, Batch{Trips: []Trip{opening(uint32(i), wall(time.Duration(i)*time.Minute))}})
	}
	s.Close()
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	most := 0
	for page := 0; page*4096 < len(raw); page++ {
		bad := slices.Clone(raw)
		for i := page * 4096; i < page*4096+64; i++ {
			bad[i] ^= 0x5a
		}
		p := filepath.Join(dir, fmt.Sprint(page), File)
		if err := errors.Join(os.Mkdir(filepath.Dir(p), 0o700), os.WriteFile(p, bad, fileMode)); err != nil {
			t.Fatal(err)
		}
		s, rec, err := Open(p, Options{noSync: true, LeaveFree: 1})
		if err != nil {
			t.Fatalf("page %d: %v", page, err)
		}
		if rec != nil {
			kept, err := os.ReadFile(rec.Kept)
			if err != nil || !bytes.Equal(kept, bad) {
				t.Errorf("page %d: the damaged file was not kept: %v", page, err)
			}
			if trips, _, _ := all(t, s); len(trips) > rec.Saved {
				t.Errorf("page %d: %d trips, and %d records were saved", page, len(trips), rec.Saved)
			}
			most = max(most, rec.Saved)
		}
		mustWrite(t, s, Batch{Trips: []Trip{opening(77, wall(77*time.Minute))}, Faults: []Fault{{ID: "f", Code: "x", At: wall(0)}}})
		trips, _, _ := all(t, s)
		seen := map[uint32]bool{}
		for _, tr := range trips {
			if seen[tr.ID.Counter] {
				t.Errorf("page %d: trip %d is there twice", page, tr.ID.Counter)
			}
			seen[tr.ID.Counter] = true
		}
		s.Close()
		os.RemoveAll(filepath.Dir(p))
	}
	if most < n*9/10 {
		t.Errorf("at best %d of %d records were saved", most, n)
	}
	for name, content := range map[string][]byte{"empty": nil, "text": []byte("hello"), "cut short": raw[:len(raw)/3]} {
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, content, fileMode); err != nil {
			t.Fatal(err)
		}
		if _, err := OpenRead(p); !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: %v, want ErrDamaged", name, err)
		}
		s, rec, err := Open(p, Options{LeaveFree: 1})
		if err != nil || rec == nil {
			t.Errorf("%s: %v, %v", name, rec, err)
			continue
		}
		s.Close()
	}
}

// A file of a newer version is neither read nor put aside.
func TestNewerFormat(t *testing.T) {
	path := filepath.Join(t.TempDir(), File)
	s := openTest(t, path, Options{noSync: true})
	if err := s.db.Update(func(tx *bbolt.Tx) error {
		return errors.Join(tx.Bucket(bucketMeta).Put(keyFormat, []byte{0, 0, 0, 2}), tx.DeleteBucket(bucketIDs))
	}); err != nil {
		t.Fatal(err)
	}
	s.Close()
	if _, rec, err := Open(path, Options{}); !errors.Is(err, ErrFormat) || rec != nil {
		t.Errorf("%v, %v; want ErrFormat", rec, err)
	}
}

// A record whose bytes have changed is left out and counted, and the rest is read.
func TestCorruptRecord(t *testing.T) {
	s := newTest(t)
	for i := range 3 {
		mustWrite(t, s, Batch{Trips: []Trip{opening(uint32(i), wall(time.Duration(i)*time.Minute))}})
	}
	if err := s.db.Update(func(tx *bbolt.Tx) error {
		k, v := tx.Bucket(bucketTrips).Cursor().First()
		v = bytes.Clone(v)
		v[len(v)-3] ^= 1
		return tx.Bucket(bucketTrips).Put(bytes.Clone(k), v)
	}); err != nil {
		t.Fatal(err)
	}
	trips, _, _ := all(t, s)
	if st, _ := s.Stats(); len(trips) != 2 || st.Corrupt != 1 {
		t.Errorf("%d trips, %d damaged; want 2 and 1", len(trips), st.Corrupt)
	}
	mustWrite(t, s, Batch{Trips: []Trip{opening(0, wall(0))}}) // it comes again, and mends it
	if trips, _, _ = all(t, s); len(trips) != 3 {
		t.Errorf("%d trips, want 3", len(trips))
	}
}

// A span that has grown replaces itself, though the clock has been put right a little meanwhile; a gap of the same
// beginning stays beside it.
func TestSpanGrows(t *testing.T) {
	s := newTest(t)
	from := Moment{Boot: bootID(1), Mono: time.Hour}
	span := func(wall time.Duration, length time.Duration, q Quality) Batch {
		from.Wall = start.Add(wall)
		return Batch{Spans: []Span{{Kind: Watch, Subject: "river gate", From: from, Length: length, Quality: q, Cause: "x"}}}
	}
	mustWrite(t, s, span(0, time.Minute, EndToEnd))
	mustWrite(t, s, span(0, time.Second, Gap))
	mustWrite(t, s, span(70*time.Millisecond, time.Hour, EndToEnd))
	from.Mono += 2 * time.Hour
	mustWrite(t, s, span(2*time.Hour, time.Hour, EndToEnd))
	list := spans(t, s, Watch, "river gate")
	if len(list) != 3 || list[0].Quality != Gap || list[1].Length != time.Hour || !list[1].From.Wall.Equal(start) || list[2].Length != time.Hour {
		t.Errorf("%+v", list)
	}
	mustWrite(t, s, Batch{Spans: []Span{{Kind: Watch, Subject: "river", From: wall(0), Length: 1}, {Kind: Sound, Subject: "house", From: wall(0), Length: 1}}})
	if z, err := s.Subjects(Watch); err != nil || !slices.Equal(z, []string{"river", "river gate"}) {
		t.Errorf("zones %q, %v", z, err)
	}
}

func TestMedian(t *testing.T) {
	var h Hop
	if !math.IsNaN(h.Median()) || !math.IsNaN(h.Lowest()) {
		t.Error("nothing measured has a median")
	}
	for _, m := range []float64{9, 3.4, 3.6, math.NaN(), 12, 500} {
		h.Add(m)
	}
	if h.Median() != 9 || h.Lowest() != 3 || h.Margins[127] != 1 {
		t.Errorf("median %v, lowest %v, %v", h.Median(), h.Lowest(), h.Margins)
	}
}

const golden = "testdata/format-1.db"

// goldenBatches use each bucket and each field of the format.
func goldenBatches() []Batch {
	held := closing(4, Moment{Boot: bootID(9), Mono: time.Minute}, 90*time.Minute)
	held.Test, held.Uncertain, held.Delayed, held.Unproven, held.Class, held.Margin = true, true, true, true, "vehicle", math.NaN()
	return []Batch{
		{Trips: []Trip{opening(3, wall(time.Hour)), held}},
		{Faults: []Fault{{ID: "gateway.0a0b.1.2", At: wall(2 * time.Hour), Code: "overdue", Zone: "river gate", Node: "gate-post", Detail: "two check-ins in a row were missed", Ended: true}}},
		{Hours: []Hour{{Node: "gate-post", At: wall(3 * time.Hour), Count: 60, Lowest: 3.41, Battery: 3.5,
			Hops: []Hop{{From: "gate-post", To: "ridge", Margins: map[int8]int{-3: 1, 8: 59}}, {From: "ridge", To: "house"}}}}},
		{Spans: []Span{{Kind: Watch, Subject: "river gate", From: Moment{Wall: start, Boot: bootID(8), Mono: 5}, Length: 6 * time.Hour, Quality: EndToEnd},
			{Kind: Watch, Subject: "river gate", From: Moment{Wall: start.Add(6 * time.Hour), Boot: bootID(8), Mono: 9}, Length: time.Hour, Quality: Gap, Cause: "ridge relay silent"},
			{Kind: Sound, Subject: "house", From: Moment{Boot: bootID(9), Mono: 5}, Length: time.Hour, Quality: RadioOnly}}},
	}
}

// A file of format 1, written once and kept, still reads as it was meant.
func TestFormat1(t *testing.T) {
	path := filepath.Join(t.TempDir(), File)
	fresh := openTest(t, path, Options{})
	for _, b := range goldenBatches() {
		mustWrite(t, fresh, b)
	}
	if *update {
		fresh.Close()
		raw, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(golden, raw, 0o644); err != nil {
			t.Fatal(err)
		}
		fresh = openTest(t, path, Options{})
	}
	raw, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	kept := filepath.Join(t.TempDir(), File)
	if err := os.WriteFile(kept, raw, fileMode); err != nil { // a checkout does not keep 0600
		t.Fatal(err)
	}
	old := openTest(t, kept, Options{})
	wantTrips, wantFaults, wantHours := all(t, fresh)
	trips, faults, hours := all(t, old)
	for _, c := range []struct{ got, want any }{{trips, wantTrips}, {faults, wantFaults}, {hours, wantHours},
		{spans(t, old, Watch, "river gate"), spans(t, fresh, Watch, "river gate")}} {
		if got, want := fmt.Sprintf("%+v", c.got), fmt.Sprintf("%+v", c.want); got != want {
			t.Errorf("the kept file reads\n%s\nwant\n%s", got, want)
		}
	}
	// And as it was meant, not only as it is written today.
	if len(trips) != 2 || trips[1].Class != "vehicle" || trips[1].Dwell != 90*time.Minute || !math.IsNaN(trips[1].Margin) || !trips[1].Unproven ||
		trips[1].At.Boot != bootID(9) || trips[0].Margin != 9.5 || faults[0].Node != "gate-post" || !faults[0].Ended || hours[0].Hops[0].Margins[-3] != 1 || hours[0].Lowest != 3.41 {
		t.Errorf("%+v %+v %+v", trips, faults, hours)
	}
	if err := old.ClockSet(bootID(9), start.Add(10*time.Hour), 0); err != nil {
		t.Fatal(err)
	}
	if list := spans(t, old, Sound, "house"); len(list) != 1 || list[0].Quality != RadioOnly || list[0].Length != time.Hour {
		t.Errorf("%+v", list)
	}
}

// TestDocumented: the doc names each bucket.
func TestDocumented(t *testing.T) {
	doc, err := os.ReadFile("doc.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range allBuckets {
		if !bytes.Contains(doc, append([]byte("//\t"), b...)) {
			t.Errorf("doc.go does not describe bucket %s", b)
		}
	}
}
