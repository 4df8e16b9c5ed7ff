package history

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"go.etcd.io/bbolt"
)

func copyOf(t testing.TB, s *Store) []byte {
	t.Helper()
	var out bytes.Buffer
	n, err := s.Copy(&out)
	if err != nil {
		t.Fatal(err)
	}
	if read, err := ReadCopy(bytes.NewReader(out.Bytes())); err != nil || read != n {
		t.Fatalf("%d records were copied, %d read, %v", n, read, err)
	}
	return out.Bytes()
}

// told is all that a store tells.
func told(t testing.TB, s *Store) string {
	t.Helper()
	trips, faults, hours := all(t, s)
	return fmt.Sprintf("%+v\n%+v\n%+v\n%+v\n%+v", trips, faults, hours, spans(t, s, Watch, "river gate"), spans(t, s, Sound, "house"))
}

// TestCopy: what comes back from a copy tells the same, and goes on the same: records are known by their ids, and find their place in
// time once their boot's clock is known.
func TestCopy(t *testing.T) {
	s := newTest(t)
	for _, b := range goldenBatches() {
		mustWrite(t, s, b)
	}
	for i := range 5000 { // more than one transaction of a restore
		if i%500 == 0 {
			mustWrite(t, s, Batch{Hours: []Hour{{Node: "ridge", At: wall(time.Duration(i) * time.Hour), Count: i}}})
		}
		mustWrite(t, s, Batch{Trips: []Trip{opening(uint32(100+i), wall(time.Duration(i)*time.Minute))}})
	}
	stream := copyOf(t, s)
	path := filepath.Join(t.TempDir(), File)
	if err := os.WriteFile(path, []byte("another one"), fileMode); err != nil {
		t.Fatal(err)
	}
	if _, err := Restore(path, bytes.NewReader(stream), nil); !errors.Is(err, fs.ErrExist) {
		t.Errorf("over another one: %v, want ErrExist", err)
	}
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	n, err := Restore(path, bytes.NewReader(stream), func(f *os.File) error { return f.Chmod(0o400) })
	if err != nil {
		t.Fatal(err)
	}
	if st, err := os.Stat(path); err != nil || st.Mode().Perm() != 0o400 || os.Chmod(path, fileMode) != nil {
		t.Errorf("%v, %v: the file was not prepared", st, err)
	}
	again := openTest(t, path, Options{noSync: true})
	st, err := again.Stats()
	if sum := st.Trips + st.Faults + st.Hours + st.Spans + st.Unplaced + st.Boots; err != nil || sum != n.Records || st.Unplaced == 0 || st.Boots == 0 {
		t.Errorf("%+v, %v; %d records were restored", st, err, n.Records)
	}
	if old, err := s.Stats(); err != nil || st.BytesUsed > old.BytesUsed*11/10 {
		t.Errorf("%d bytes are used after, %d before, %v: it would be pruned sooner", st.BytesUsed, old.BytesUsed, err)
	}
	for _, both := range []*Store{s, again} { // the same from here on
		mustWrite(t, both, Batch{Trips: []Trip{closing(101, wall(time.Minute), time.Second)}})
		if err := both.ClockSet(bootID(9), start.Add(10*time.Hour), 0); err != nil {
			t.Fatal(err)
		}
	}
	if got, want := told(t, again), told(t, s); got != want || len(want) < 100_000 {
		t.Errorf("%d bytes, and they differ from the %d before", len(got), len(want))
	}
}

// TestCopyCut: a copy that is cut anywhere, or of another kind, is refused, and nothing is left at the path.
func TestCopyCut(t *testing.T) {
	s := newTest(t)
	for _, b := range goldenBatches() {
		mustWrite(t, s, b)
	}
	stream := copyOf(t, s)
	path := filepath.Join(t.TempDir(), File)
	refused := func(what string, stream []byte) {
		t.Helper()
		if _, err := ReadCopy(bytes.NewReader(stream)); !errors.Is(err, ErrCopy) {
			t.Errorf("%s: %v, want ErrCopy", what, err)
		}
	}
	for n := range stream {
		refused(fmt.Sprintf("cut to %d of %d bytes", n, len(stream)), stream[:n])
	}
	refused("a byte more", append(slices.Clone(stream), 0))
	refused("another version", bytes.Replace(stream, []byte("history 1"), []byte("history 2"), 1))
	later := slices.Clone(stream)
	later[len(copyHead)] = 99
	refused("an unknown kind", later)
	huge := append([]byte(copyHead), 2, 0xff, 0xff, 0xff, 0xff, 0x0f)
	refused("a key of 4 GiB", huge)
	if _, err := Restore(path, bytes.NewReader(stream[:len(stream)-1]), nil); !errors.Is(err, ErrCopy) || !strings.Contains(err.Error(), path) {
		t.Errorf("%v, want ErrCopy and the path", err)
	}
	if left, _ := os.ReadDir(filepath.Dir(path)); len(left) != 0 {
		t.Errorf("left behind: %v", left)
	}
}

// TestCopyTellsOfDamage: what could not be read is not in a copy, and the copy says how many records that were.
func TestCopyTellsOfDamage(t *testing.T) {
	s := openTest(t, filepath.Join(t.TempDir(), File), Options{noSync: true})
	for i := range uint32(5) {
		mustWrite(t, s, Batch{Trips: []Trip{opening(i+1, wall(time.Duration(i)*time.Minute))}})
	}
	if err := s.db.Update(func(tx *bbolt.Tx) error {
		c := tx.Bucket(bucketTrips).Cursor()
		for k, v := c.First(); k != nil; k, v = c.Next() {
			if k[len(k)-1]%2 == 0 { // by the event's id, which ends the key
				continue
			}
			bad := bytes.Clone(v)
			bad[len(bad)-1] ^= 1
			if err := c.Bucket().Put(bytes.Clone(k), bad); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	trips, _, _ := all(t, s)
	if len(trips) == 0 || len(trips) == 5 {
		t.Fatalf("%d of 5 trips are whole, expected some", len(trips))
	}
	stream := copyOf(t, s)
	if c, err := ReadCopy(bytes.NewReader(stream)); err != nil || c.Damaged != 5-len(trips) {
		t.Errorf("%+v, %v: %d trips of 5 are damaged", c, err, 5-len(trips))
	}
	path := filepath.Join(t.TempDir(), File)
	if c, err := Restore(path, bytes.NewReader(stream), nil); err != nil || c.Damaged != 5-len(trips) {
		t.Errorf("%+v, %v: %d trips of 5 were damaged", c, err, 5-len(trips))
	}
	if back, _, _ := all(t, openTest(t, path, Options{noSync: true})); len(back) != len(trips) {
		t.Errorf("%d trips came back, want %d", len(back), len(trips))
	}
}

// TestRestoreLeavesRoom: a restored history does not take what the disk must leave to the queue, and leaves nothing behind.
func TestRestoreLeavesRoom(t *testing.T) {
	s := openTest(t, filepath.Join(t.TempDir(), File), Options{noSync: true})
	mustWrite(t, s, Batch{Trips: []Trip{opening(1, wall(0))}})
	stream := copyOf(t, s)
	path := filepath.Join(t.TempDir(), File)
	if _, err := restore(path, bytes.NewReader(stream), Options{LeaveFree: 1 << 60}); !errors.Is(err, ErrFull) {
		t.Errorf("%v, want ErrFull", err)
	}
	if left, err := os.ReadDir(filepath.Dir(path)); err != nil || len(left) != 0 {
		t.Errorf("%v, %v: it left something", left, err)
	}
}

// TestCopyBeside: whoever writes goes on while a copy is made. All that was there before is in it, and the copy that may have missed
// what moved says so.
func TestCopyBeside(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	s := newTest(t)
	const before = 3000
	for i := range before {
		mustWrite(t, s, Batch{Trips: []Trip{opening(uint32(i), wall(time.Duration(random.IntN(1e6))*time.Second))}})
	}
	more := uint32(before)
	beside := writerFunc(func(b []byte) (int, error) { // whoever takes the copy in is slow, and trips come
		for range 20 {
			more++
			mustWrite(t, s, Batch{Trips: []Trip{opening(more, wall(time.Duration(random.IntN(1e6))*time.Second))}})
		}
		return len(b), nil
	})
	var out bytes.Buffer
	if _, err := s.Copy(io.MultiWriter(&out, beside)); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), File)
	if _, err := Restore(path, &out, nil); err != nil {
		t.Fatal(err)
	}
	trips, _, _ := all(t, openTest(t, path, Options{noSync: true}))
	seen := map[uint32]int{}
	for _, tr := range trips {
		seen[tr.ID.Counter]++
	}
	for i := range uint32(before) {
		if seen[i] != 1 {
			t.Errorf("trip %d is %d times in the copy", i, seen[i])
		}
	}
	if more == before {
		t.Error("nothing was written beside the copy")
	}
	mustWrite(t, s, Batch{Trips: []Trip{opening(1, Moment{Boot: bootID(3), Mono: time.Hour}), opening(more+1, Moment{Boot: bootID(3), Mono: time.Hour})}})
	_, err := s.Copy(writerFunc(func(b []byte) (int, error) { return len(b), s.ClockSet(bootID(3), start, 0) }))
	if !errors.Is(err, ErrMoved) {
		t.Errorf("a clock was set: %v, want ErrMoved", err)
	}
}

type writerFunc func([]byte) (int, error)

func (f writerFunc) Write(b []byte) (int, error) { return f(b) }
