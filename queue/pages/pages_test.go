package pages

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"go.etcd.io/bbolt"
)

// makeFile writes a file of three buckets with the options that the queue uses: one in a single page, one of several levels
// with values longer than a page among them, one within the list of buckets.
func makeFile(t testing.TB, n int) ([]byte, map[string]string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "x.db")
	db, err := bbolt.Open(path, 0o600, &bbolt.Options{PageSize: Size, NoFreelistSync: true, NoSync: true, FreelistType: bbolt.FreelistMapType})
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]string{}
	put := func(bucket, key, value string) {
		want[bucket+"/"+key] = value
		if err := db.Update(func(tx *bbolt.Tx) error {
			b, err := tx.CreateBucketIfNotExists([]byte(bucket))
			return errors.Join(err, b.Put([]byte(key), []byte(value)))
		}); err != nil {
			t.Fatal(err)
		}
	}
	for i := range n {
		put("tall", fmt.Sprintf("%06d", i*7919%n), strings.Repeat("v", i%300+i%97/96*9000))
		put("flat", fmt.Sprint(i%9), strings.Repeat("w", 200+i))
		put("tiny", "one", fmt.Sprint(i))
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return raw, want
}

// walk returns every element, and what is wrong. It looks with one visitor and with two, which must agree.
func walk(t *testing.T, raw []byte) (map[string]string, error) {
	t.Helper()
	visitor := func(got map[string]string) func(*Element) {
		return func(e *Element) { got[string(e.Bucket)+"/"+string(e.Key)] = string(e.Value) }
	}
	got, low, high := map[string]string{}, map[string]string{}, map[string]string{}
	buckets, err := Walk(bytes.NewReader(raw), int64(len(raw)), visitor(got))
	halved, herr := Walk(bytes.NewReader(raw), int64(len(raw)), visitor(low), visitor(high))
	for name, wrong := range buckets {
		if (wrong == nil) != (halved[name] == nil) {
			t.Errorf("bucket %q: %v in one piece, %v in halves", name, wrong, halved[name])
		}
		err = errors.Join(err, wrong)
	}
	if len(halved) != len(buckets) || err == nil && (herr != nil || len(low)+len(high) != len(got)) {
		t.Errorf("%d buckets with %d elements in one piece; %d with %d and %d in halves, %v", len(buckets), len(got), len(halved), len(low), len(high), herr)
	}
	if maps.Copy(low, high); err == nil && !maps.Equal(low, got) {
		t.Error("halves and the whole have different elements")
	}
	return got, err
}

// Every element is visited, with where it stands.
func TestWalk(t *testing.T) {
	raw, want := makeFile(t, 700)
	got, err := walk(t, raw)
	if err != nil || len(got) != len(want) {
		t.Fatalf("%d elements, %v, want %d", len(got), err, len(want))
	}
	for k, v := range want {
		if got[k] != v {
			t.Errorf("%s has %d bytes, want %d", k, len(got[k]), len(v))
		}
	}
	if _, err := Walk(bytes.NewReader(raw), int64(len(raw)), func(e *Element) {
		if !bytes.Equal(raw[e.At:][:len(e.Value)], e.Value) || e.Leaf > e.At {
			t.Errorf("%s is not at %d", e.Key, e.At)
		}
	}); err != nil {
		t.Error(err)
	}
}

// The first visitor gets the lower half of a long bucket, the second the upper one, each in the order of the keys.
func TestHalves(t *testing.T) {
	raw, _ := makeFile(t, 700)
	var keys [2][]string
	visitor := func(i int) func(*Element) {
		return func(e *Element) {
			if string(e.Bucket) == "tall" {
				keys[i] = append(keys[i], string(e.Key))
			}
		}
	}
	if _, err := Walk(bytes.NewReader(raw), int64(len(raw)), visitor(0), visitor(1)); err != nil {
		t.Fatal(err)
	}
	if len(keys[0]) < 100 || len(keys[1]) < 100 || !slices.IsSorted(slices.Concat(keys[0], keys[1])) {
		t.Errorf("%d and %d keys, want two rising halves", len(keys[0]), len(keys[1]))
	}
}

// Scan finds every element without the tree, whatever else it finds.
func TestScan(t *testing.T) {
	raw, want := makeFile(t, 700)
	clear(raw[:2*Size])
	Scan(bytes.NewReader(raw), int64(len(raw)), func(e *Element) {
		for _, bucket := range []string{"tall", "flat", "tiny"} {
			if k := bucket + "/" + string(e.Key); want[k] == string(e.Value) {
				delete(want, k)
			}
		}
		if !bytes.Equal(raw[e.At:][:len(e.Value)], e.Value) {
			t.Errorf("%s is not at %d", e.Key, e.At)
		}
	})
	if len(want) > 0 {
		t.Errorf("%d elements were not found", len(want))
	}
}

// A header in the place of the other is found: what it says is whole, but not the newest.
func TestHeaderInWrongPlace(t *testing.T) {
	raw, _ := makeFile(t, 60)
	for page := range 2 {
		bad := bytes.Clone(raw)
		copy(bad[page*Size:][:Size], raw[(1-page)*Size:])
		if _, err := walk(t, bad); err == nil || !strings.Contains(err.Error(), "header") {
			t.Errorf("page %d overwritten by the other header: %v", page, err)
		}
	}
}

// Whatever Walk lets pass with everything in it as it was, bbolt can open and read; and a bit that is flipped in what tells
// bbolt where to go is found.
func TestFlips(t *testing.T) {
	raw, want := makeFile(t, 400)
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	inUse := map[int64]bool{}
	if _, err := Walk(bytes.NewReader(raw), int64(len(raw)), func(e *Element) { inUse[e.Leaf/Size] = true }); err != nil {
		t.Fatal(err)
	}
	found, let := 0, 0
	for range 1500 {
		bad := bytes.Clone(raw)
		page := int64(rng.IntN(len(raw) / Size))
		i := page*Size + int64(rng.IntN(48))
		bad[i] ^= 1 << rng.IntN(8)
		got, err := walk(t, bad)
		if err != nil {
			found++
			continue
		}
		let++
		// The number of further pages may be too large where free ones follow: nothing is lost by it.
		if len(got) != len(want) || inUse[page] && i%Size < 12 {
			t.Errorf("byte %d of page %d is flipped, and %d of %d elements are there without an error", i%Size, page, len(got), len(want))
		}
	}
	if found < 100 || let < 100 {
		t.Errorf("%d flips found, %d let pass: too few to show anything", found, let)
	}
}

// A count that is too small hides a part of the file from bbolt; Walk sees that it is wrong.
func TestCounts(t *testing.T) {
	raw, _ := makeFile(t, 700)
	tree := map[int64]bool{}
	if _, err := Walk(bytes.NewReader(raw), int64(len(raw)), func(e *Element) { tree[e.Leaf/Size] = true }); err != nil {
		t.Fatal(err)
	}
	branches, leaves := 0, 0
	for id := int64(2); id < int64(len(raw)/Size); id++ {
		p := raw[id*Size:]
		count := order.Uint16(p[10:])
		isBranch := order.Uint16(p[8:]) == flagBranch && order.Uint64(p) == uint64(id)
		if count == 0 || !tree[id] && !isBranch {
			continue
		}
		order.PutUint16(p[10:], count-1)
		_, err := walk(t, raw)
		order.PutUint16(p[10:], count)
		switch {
		case tree[id]:
			if leaves++; err == nil {
				t.Errorf("leaf %d says it has one element less, and passes", id)
			}
		case err != nil: // a branch of the tree: others are free pages
			branches++
		}
	}
	if leaves < 10 || branches < 2 {
		t.Errorf("%d leaves and %d branches were found out", leaves, branches)
	}
}

// A tree that leads in circles, or deeper than any, ends.
func TestCircles(t *testing.T) {
	raw, _ := makeFile(t, 400)
	for i := 2; i < len(raw)/Size; i++ {
		p := raw[i*Size:]
		if order.Uint16(p[8:]) != flagBranch {
			continue
		}
		for j := range int(order.Uint16(p[10:])) {
			order.PutUint64(p[headerSize+j*elementSize+8:], uint64(i))
		}
	}
	if _, err := walk(t, raw); err == nil || !strings.Contains(err.Error(), "twice") {
		t.Errorf("got %v, want an error that tells of two references", err)
	}
}

// failing is a file of which some pages cannot be read.
type failing struct {
	*bytes.Reader
	bad map[int64]bool
}

func (f failing) ReadAt(b []byte, at int64) (int, error) {
	for p := at / Size; p <= (at+int64(len(b))-1)/Size; p++ {
		if f.bad[p] {
			return 0, errors.New("input/output error")
		}
	}
	return f.Reader.ReadAt(b, at)
}

// What the disk refuses to give is an error for Walk, and leaves the rest to Scan.
func TestUnreadable(t *testing.T) {
	raw, _ := makeFile(t, 400)
	var leaves []int64
	if _, err := Walk(bytes.NewReader(raw), int64(len(raw)), func(e *Element) {
		if string(e.Bucket) == "tall" && (len(leaves) == 0 || leaves[len(leaves)-1] != e.Leaf/Size) {
			leaves = append(leaves, e.Leaf/Size)
		}
	}); err != nil || len(leaves) < 5 {
		t.Fatal(len(leaves), err)
	}
	f := failing{bytes.NewReader(raw), map[int64]bool{leaves[2]: true}}
	buckets, err := Walk(f, int64(len(raw)))
	if err != nil || buckets["tall"] == nil || !strings.Contains(buckets["tall"].Error(), "input/output") || buckets["flat"] != nil {
		t.Errorf("got %v, %v, want an error of the bucket concerned alone", buckets, err)
	}
	seen := map[int64]bool{}
	Scan(f, int64(len(raw)), func(e *Element) { seen[e.Leaf/Size] = true })
	for _, l := range leaves {
		if seen[l] == f.bad[l] {
			t.Errorf("leaf %d was scanned: %v", l, seen[l])
		}
	}
}

// Whatever the bytes, Walk and Scan end without harm, and bbolt opens what Walk lets pass.
func FuzzPages(f *testing.F) {
	raw, _ := makeFile(f, 60)
	f.Add(raw[:min(len(raw), 40*Size)], uint32(0), uint32(0))
	f.Add(raw[:4*Size], uint32(17), uint32(5))
	f.Fuzz(func(t *testing.T, b []byte, at, x uint32) {
		if len(b) == 0 {
			return
		}
		b = bytes.Clone(b)
		b[int(at)%len(b)] ^= byte(x)
		_, err := walk(t, b)
		Scan(bytes.NewReader(b), int64(len(b)), func(e *Element) { _ = b[e.At:][:len(e.Value)] })
		if err != nil {
			return
		}
		path := filepath.Join(t.TempDir(), "x.db")
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		db, err := bbolt.Open(path, 0o600, &bbolt.Options{PageSize: Size, NoFreelistSync: true, NoSync: true, FreelistType: bbolt.FreelistMapType})
		if err != nil {
			t.Fatalf("Walk lets it pass, bbolt does not: %v", err)
		}
		defer db.Close()
		if err := db.Update(func(tx *bbolt.Tx) error {
			return tx.ForEach(func(_ []byte, b *bbolt.Bucket) error {
				return errors.Join(b.ForEach(func(_, _ []byte) error { return nil }), b.Put([]byte("0"), []byte("new")))
			})
		}); err != nil {
			t.Errorf("bbolt on what Walk lets pass: %v", err)
		}
	})
}
