package queue

import (
	"bytes"
	"encoding/binary"
	"errors"
	"flag"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"longlane/queue/datafile"
	"longlane/queue/pages"
	"longlane/queue/seal"
)

var (
	damages    = flag.Int("damages", 0, "damaged files that TestWhateverBytes opens; 0: 5000, or 1000 under the race detector")
	damageSeed = flag.Uint64("damage-seed", 0, "seed of TestWhateverBytes; 0: a new one")
)

// pristine is a queue file and what must be in it.
type pristine struct {
	raw      []byte
	values   map[Seq]string    // every event ever appended
	waiting  map[Seq]where     // those that a sink waits for
	done     map[Seq]bool      // those acknowledged by all, as persisted
	cursors  where             // of both cursors
	marks    map[string]uint32 // as last advanced
	markAt   map[string]where  //
	settings map[string]string // as last put
}

// where are the pages that an element stands on, and its lane.
type where struct {
	first, last int64
	lane        Priority
}

// makePristine runs a life of a few hundred transactions, after which the file holds all buckets, pages in use and
// pages given back, and older versions of nearly everything.
func makePristine(t testing.TB, rng *rand.Rand, dir string) *pristine {
	path := filepath.Join(dir, "pristine.db")
	q, err := Open(path, Options{Advance: highest, MaxBytes: 8 << 20})
	if err != nil {
		t.Fatal(err)
	}
	p := &pristine{values: map[Seq]string{}, waiting: map[Seq]where{}, done: map[Seq]bool{}, marks: map[string]uint32{},
		markAt: map[string]where{}, settings: map[string]string{}}
	broker := mustSink(t, q, "broker", SinkOptions{Required: true})
	barn := mustSink(t, q, "barn", SinkOptions{FromStart: true})
	acked := map[Seq]int{}
	lanes := map[Seq]Priority{}
	nodes := 1 + rng.IntN(40)
	for range 100 + rng.IntN(200) {
		var wg sync.WaitGroup
		for range 1 + rng.IntN(8) {
			size := rng.IntN(300)
			if rng.IntN(60) == 0 {
				size = 3000 + rng.IntN(9000)
			}
			value := make([]byte, size)
			for i := range value {
				value[i] = byte(rng.Uint32())
			}
			node := fmt.Sprintf("node %d", rng.IntN(nodes))
			p.marks[node]++
			lane := Priority(rng.IntN(int(priorities)))
			wg.Add(1)
			q.Append(Record{Priority: lane, Value: value, Aside: rng.IntN(10) == 0, Mark: &Mark{[]byte(node), p.marks[node]}},
				func(s Seq, err error) {
					if err != nil {
						t.Error(err)
					}
					p.values[s], lanes[s] = string(value), lane
					wg.Done()
				})
			wg.Wait()
		}
		name := fmt.Sprintf("setting %d", rng.IntN(3))
		p.settings[name] = fmt.Sprint(rng.Uint32())
		if err := q.Put(name, []byte(p.settings[name])); err != nil {
			t.Fatal(err)
		}
		for _, c := range []*Cursor{broker, barn} {
			for lane := range Priority(priorities) {
				for _, it := range mustNext(t, c, lane, 0, rng.IntN(4)) {
					if rng.IntN(5) > 0 {
						c.Ack(it.Seq)
						acked[it.Seq]++
					}
				}
			}
		}
		if rng.IntN(10) == 0 {
			if items := mustNext(t, barn, Notice, 0, 1); len(items) > 0 {
				if err := barn.Park(items[0].Seq, "refused"); err != nil {
					t.Fatal(err)
				}
				acked[items[0].Seq]++
			}
		}
	}
	if err := errors.Join(q.Flush(), q.Flush(), q.Close()); err != nil {
		t.Fatal(err)
	}
	if p.raw, err = os.ReadFile(path); err != nil {
		t.Fatal(err)
	}
	for s := range p.values {
		p.done[s] = acked[s] == 2
	}
	at := func(e *pages.Element) where {
		return where{first: e.Leaf / pageSize, last: (e.At + int64(len(e.Value))) / pageSize}
	}
	buckets, err := pages.Walk(bytes.NewReader(p.raw), int64(len(p.raw)), func(e *pages.Element) {
		w := at(e)
		switch string(e.Bucket) {
		case "ev/0", "ev/1", "ev/2":
			s, _ := parseSeq(e.Key)
			w.lane = lanes[s]
			p.waiting[s] = w
		case "cur":
			p.cursors = w
		case "marks":
			p.markAt[string(e.Key)] = w
		}
	})
	if err := errors.Join(append(slices.Collect(maps.Values(buckets)), err)...); err != nil {
		t.Fatal(err)
	}
	for s, done := range p.done {
		if _, waits := p.waiting[s]; waits == done {
			t.Fatalf("event %d: acknowledged by all %v, in the file %v", s, done, waits)
		}
	}
	return p
}

// damaged is what became of a file, and which of its pages are not what they were. Pages that only changed places count
// as whole.
type damaged struct {
	what  string
	raw   []byte
	pages map[int64]bool
	moved map[int64]bool
}

func (d *damaged) touch(from, to int) {
	for p := from / pageSize; p <= (to-1)/pageSize; p++ {
		d.pages[int64(p)] = true
	}
}

// intact says that nothing of w was touched. What stands across pages that changed places is torn.
func (d *damaged) intact(w where) bool {
	for p := w.first; p <= w.last; p++ {
		if d.pages[p] || d.moved[p] && w.first != w.last {
			return false
		}
	}
	return true
}

func random(rng *rand.Rand, b []byte) {
	for i := range b {
		b[i] = byte(rng.Uint32())
	}
}

func damage(rng *rand.Rand, p *pristine) *damaged {
	d := &damaged{raw: bytes.Clone(p.raw), pages: map[int64]bool{}, moved: map[int64]bool{}}
	all := func() { d.touch(0, len(p.raw)) }
	count := len(p.raw) / pageSize
	switch rng.IntN(11) {
	case 0:
		n := rng.IntN(20)
		d.what = fmt.Sprintf("%d random bytes", n*rng.IntN(2000))
		d.raw = make([]byte, n*rng.IntN(2000))
		random(rng, d.raw)
		all()
	case 1:
		n := rng.IntN(len(d.raw))
		if rng.IntN(2) == 0 {
			n = n / pageSize * pageSize
		}
		d.what, d.raw = fmt.Sprintf("cut to %d of %d bytes", n, len(d.raw)), d.raw[:n]
		d.touch(n, len(p.raw))
	case 2, 3:
		d.what = "bits flipped:"
		for range 1 + rng.IntN(1<<rng.IntN(7)) {
			i := rng.IntN(len(d.raw))
			d.raw[i] ^= 1 << rng.IntN(8)
			d.touch(i, i+1)
			d.what += fmt.Sprint(" ", i)
		}
	case 4: // where bbolt keeps its numbers
		d.what = "bits flipped in heads of pages:"
		for range 1 + rng.IntN(4) {
			i := rng.IntN(count)*pageSize + rng.IntN(96)
			d.raw[i] ^= 1 << rng.IntN(8)
			d.touch(i, i+1)
			d.what += fmt.Sprint(" ", i)
		}
	case 5:
		d.what = "pages swapped:"
		for range 1 + rng.IntN(4) {
			a, b := rng.IntN(count), rng.IntN(count)
			tmp := bytes.Clone(d.raw[a*pageSize:][:pageSize])
			copy(d.raw[a*pageSize:][:pageSize], d.raw[b*pageSize:][:pageSize])
			copy(d.raw[b*pageSize:], tmp)
			d.moved[int64(a)], d.moved[int64(b)] = true, true
			d.what += fmt.Sprintf(" %d and %d", a, b)
		}
	case 6:
		d.what = "pages overwritten by others:"
		for range 1 + rng.IntN(4) {
			a, b := rng.IntN(count), rng.IntN(count)
			if a != b {
				copy(d.raw[a*pageSize:][:pageSize], d.raw[b*pageSize:][:pageSize])
				d.touch(a*pageSize, a*pageSize+1)
				d.what += fmt.Sprintf(" %d by %d", a, b)
			}
		}
		// What was copied away may have been overwritten before: then the copy is all that is left.
	case 7:
		a := rng.IntN(len(d.raw))
		b := a + 1 + rng.IntN(min(len(d.raw)-a, 1<<(1+rng.IntN(17))))
		fill := []byte{0, 0xff, byte(rng.Uint32())}[rng.IntN(3)]
		for i := a; i < b; i++ {
			d.raw[i] = fill
		}
		d.what = fmt.Sprintf("bytes %d to %d are %#x", a, b, fill)
		d.touch(a, b)
	case 8:
		a := rng.IntN(len(d.raw))
		b := a + 1 + rng.IntN(min(len(d.raw)-a, 1<<(1+rng.IntN(17))))
		random(rng, d.raw[a:b])
		d.what = fmt.Sprintf("bytes %d to %d are random", a, b)
		d.touch(a, b)
	case 9: // sectors, as a card loses them
		d.what = "sectors lost:"
		for range 1 + rng.IntN(6) {
			i := rng.IntN(len(d.raw)/512) * 512
			clear(d.raw[i : i+512])
			d.touch(i, i+512)
			d.what += fmt.Sprint(" ", i)
		}
	case 10: // both headers, or one
		d.what = "headers:"
		for page := range 2 {
			if i := page*pageSize + 16 + rng.IntN(64); rng.IntN(3) > 0 {
				d.raw[i] ^= 1 << rng.IntN(8)
				d.touch(i, i+1)
				d.what += fmt.Sprint(" ", i)
			}
		}
		if rng.IntN(3) == 0 {
			extra := make([]byte, rng.IntN(50_000))
			random(rng, extra)
			d.raw = append(d.raw, extra...)
			d.what += fmt.Sprintf(" and %d bytes more", len(extra))
		}
	}
	return d
}

func larger(a, b []byte) ([]byte, error) {
	if len(a) != 4 || len(b) != 4 {
		return nil, errors.New("not a counter")
	}
	if bytes.Compare(a, b) > 0 {
		return a, nil
	}
	return b, nil
}

func recoverTest(path string, o Options) (*Queue, *Recovery, error) {
	if o.Advance == nil {
		o.Advance = highest
	}
	o.MaxBytes = 8 << 20
	return Recover(path, o, RecoverOptions{MergeMarks: larger, Sinks: [][]string{{"broker"}, {"barn", "shed"}}, Within: time.Hour})
}

// Whatever bytes stand at the path, the queue opens; what is damaged is kept; every event that stands on pages that were
// not touched, and that a sink waits for, is there; nothing is there that never was; a mark on a whole page is there and
// none is lower than it was while its page is whole; a setting is the last one or gone.
func TestWhateverBytes(t *testing.T) {
	seed := *damageSeed
	if seed == 0 {
		seed = rand.Uint64()
	}
	if *damages == 0 {
		if *damages = 5000; underRace {
			*damages = 1000
		}
	}
	t.Logf("-damage-seed %d -damages %d", seed, *damages)
	rng := rand.New(rand.NewPCG(seed, 0))
	var lives []*pristine
	for range 8 {
		lives = append(lives, makePristine(t, rng, memoryDir(t)))
	}
	dir := memoryDir(t)
	var next, replaced, slowest atomic.Int64
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for !t.Failed() {
				n := next.Add(1)
				if n > int64(*damages) {
					return
				}
				rng := rand.New(rand.NewPCG(seed, uint64(n)))
				p := lives[rng.IntN(len(lives))]
				path := filepath.Join(dir, fmt.Sprintf("%d.db", n))
				d := damage(rng, p)
				began := time.Now()
				err := survive(path, p, d, &replaced)
				slowest.Store(max(slowest.Load(), int64(time.Since(began))))
				if err != nil {
					t.Errorf("file %d, %s: %v", n, d.what, err)
				}
			}
		})
	}
	wg.Wait()
	t.Logf("%d of %d files were replaced; the slowest took %v to open and check", replaced.Load(), *damages, time.Duration(slowest.Load()))
	if r := replaced.Load(); r < int64(*damages)/5 || r == int64(*damages) {
		t.Errorf("%d of %d files were replaced: the damage is too harmless or too thorough to show anything", r, *damages)
	}
}

// memoryDir is a directory without a disk below it, where the system has one: thousands of files are synced for nothing else
// than to be read again.
func memoryDir(t *testing.T) string {
	dir, err := os.MkdirTemp("/dev/shm", "longlane-queue-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

func survive(path string, p *pristine, d *damaged, replaced *atomic.Int64) error {
	if err := os.WriteFile(path, d.raw, fileMode); err != nil {
		return err
	}
	q, rec, err := recoverTest(path, Options{})
	if err != nil {
		return err
	}
	defer func() {
		for _, name := range []string{path, path + damagedSuffix + "1"} {
			os.Remove(name)
		}
	}()
	err = errors.Join(p.verify(q, rec, d))
	if _, aerr := appendWait(q, Record{Value: []byte("live")}); aerr != nil {
		err = errors.Join(err, fmt.Errorf("append: %w", aerr))
	}
	err = errors.Join(err, q.Close())
	if rec == nil {
		return err
	}
	replaced.Add(1)
	kept, kerr := os.ReadFile(rec.Kept)
	if kerr != nil || !bytes.Equal(kept, d.raw) {
		err = errors.Join(err, fmt.Errorf("what stood there is not kept as it was: %v", kerr))
	}
	return errors.Join(err, Check(path))
}

func (p *pristine) verify(q *Queue, rec *Recovery, d *damaged) error {
	var errs []error
	wrong := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	broker, err := q.Sink("broker", SinkOptions{Required: true})
	if err != nil {
		return err
	}
	barn, err := q.Sink("barn", SinkOptions{})
	if err != nil {
		return err
	}
	there := map[Seq]bool{}
	for _, c := range []*Cursor{broker, barn} {
		for lane := range Priority(priorities) {
			items, err := c.Next(lane, 0, 1<<20)
			if err != nil {
				return err
			}
			for _, it := range items {
				there[it.Seq] = true
				if v, ok := p.values[it.Seq]; !ok || v != string(it.Value) {
					wrong("event %d of %d bytes was never appended", it.Seq, len(it.Value))
				}
			}
		}
	}
	for s, w := range p.waiting {
		if d.intact(w) && !there[s] {
			wrong("event %d on page %d is whole and waited for, and is gone", s, w.first)
		}
	}
	if rec != nil && d.intact(p.cursors) && rec.Events[0]+rec.Events[1]+rec.Events[2] > len(p.waiting) {
		wrong("%v events were saved, %d were waited for", rec.Events, len(p.waiting))
	}
	for s := range there {
		if p.done[s] && d.intact(p.cursors) {
			wrong("event %d was acknowledged by all, and is back", s)
		}
	}
	damagedMarks, err := q.Marks(func(key, value []byte) error {
		if n := binary.BigEndian.Uint32(value); n > p.marks[string(key)] {
			wrong("mark %q is %d, was %d", key, n, p.marks[string(key)])
		} else if d.intact(p.markAt[string(key)]) && n != p.marks[string(key)] {
			wrong("mark %q is %d, was %d on a whole page", key, n, p.marks[string(key)])
		}
		return nil
	})
	if err != nil || rec != nil && len(damagedMarks) > 0 {
		wrong("marks: %v, %d damaged", err, len(damagedMarks))
	}
	for name, want := range p.settings {
		got, err := q.Get(name)
		if err != nil && (rec != nil || !errors.Is(err, ErrCorruptSetting)) || got != nil && string(got) != want {
			wrong("setting %q is %q, %v, was %q", name, got, err, want)
		}
	}
	if rec != nil && len(errs) > 0 {
		wrong("it was: %v", rec)
	}
	return errors.Join(errs...)
}

// What is not a file at all, or is another program's, is put aside as well; and only the last few are kept.
func TestRecoverOthers(t *testing.T) {
	for what, make := range map[string]func(path string) error{
		"nothing": func(string) error { return nil },
		"empty":   func(p string) error { return os.WriteFile(p, nil, fileMode) },
		"a directory": func(p string) error {
			return errors.Join(os.Mkdir(p, 0o700), os.WriteFile(filepath.Join(p, "x"), nil, fileMode))
		},
		"a pipe":   func(p string) error { return syscall.Mkfifo(p, fileMode) },
		"a socket": func(p string) error { return syscall.Mknod(p, syscall.S_IFSOCK|fileMode, 0) },
	} {
		path := tempPath(t)
		for n := range keptFiles + 2 {
			if err := make(path); err != nil {
				t.Fatal(err)
			}
			q, rec, err := recoverTest(path, Options{})
			if err != nil {
				t.Fatalf("%s: %v", what, err)
			}
			if what == "nothing" {
				if rec != nil {
					t.Errorf("a new queue was recovered: %v", rec)
				}
			} else if want := fmt.Sprint(path, damagedSuffix, n+1); rec == nil || rec.Kept != want {
				t.Errorf("%s: %+v, want it kept as %s", what, rec, want)
			}
			mustAppend(t, q, Record{Value: []byte("live")})
			if err := errors.Join(q.Close(), os.Remove(path)); err != nil {
				t.Fatal(err)
			}
		}
		if left, _ := filepath.Glob(path + "*"); len(left) != keptFiles && what != "nothing" {
			t.Errorf("%s: %d files are left, want the last %d: %q", what, len(left), keptFiles, left)
		}
	}
}

// Another gateway's file is not damaged, and a file that others can read is the owner's to mend: neither is touched.
func TestRecoverLeavesAlone(t *testing.T) {
	path := tempPath(t)
	q := openTest(t, path, Options{})
	if _, rec, err := Recover(path, Options{LockTimeout: 50 * time.Millisecond}, RecoverOptions{}); !errors.Is(err, ErrLocked) || rec != nil {
		t.Errorf("with another gateway at work: %v, %v, want ErrLocked", rec, err)
	}
	if err := errors.Join(q.Close(), os.Chmod(path, 0o644)); err != nil {
		t.Fatal(err)
	}
	if _, rec, err := Recover(path, Options{}, RecoverOptions{}); err == nil || !strings.Contains(err.Error(), "chmod 600") || rec != nil {
		t.Errorf("readable by others: %v, %v, want to be told chmod 600", rec, err)
	}
	if err := os.Chmod(path, fileMode); err != nil {
		t.Fatal(err)
	}
	if left, _ := filepath.Glob(path + "*"); len(left) != 1 {
		t.Errorf("there are %q, want the queue alone", left)
	}
}

// A process that died while it opened the file leaves a sign: the next one has another process try first, and replaces the
// file if that one dies too.
func TestDeathOnOpening(t *testing.T) {
	for _, tc := range []struct {
		probe    func(string) error
		replaced bool
		err      error
	}{
		{probe: Probe},
		{probe: func(string) error { return errors.New("killed by a signal") }, replaced: true},
		{replaced: true},
		{probe: func(string) error { return ErrLocked }, err: ErrLocked},
	} {
		path := tempPath(t)
		q := openTest(t, path, Options{})
		mustSink(t, q, "broker", SinkOptions{Required: true})
		mustAppend(t, q, Record{Value: []byte("held")})
		if err := errors.Join(q.Close(), os.WriteFile(path+openingSuffix, nil, fileMode)); err != nil {
			t.Fatal(err)
		}
		q, rec, err := Recover(path, Options{Advance: highest}, RecoverOptions{Probe: tc.probe})
		if !errors.Is(err, tc.err) || (rec != nil) != tc.replaced {
			t.Errorf("recovered: %v, %v, want %v, %v", rec, err, tc.replaced, tc.err)
		}
		if err != nil {
			continue
		}
		if items := mustNext(t, mustSink(t, q, "broker", SinkOptions{}), Alarm, 0, 9); len(items) != 1 {
			t.Errorf("%d events, want the one that was held", len(items))
		}
		if _, err := os.Stat(path + openingSuffix); err == nil {
			t.Error("the sign still stands")
		}
		if err := q.Close(); err != nil {
			t.Error(err)
		}
	}
}

// An event whose bytes fail their seal is looked for beside the tree, where an older copy of its page may stand.
func TestRecoverOlderCopy(t *testing.T) {
	path := tempPath(t)
	q := openTest(t, path, Options{})
	mustSink(t, q, "broker", SinkOptions{Required: true})
	for i := range 100 {
		mustAppend(t, q, Record{Value: bytes.Repeat([]byte{byte(i)}, 200)})
	}
	if err := q.Close(); err != nil {
		t.Fatal(err)
	}
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	live := map[string]int64{}
	place := int64(0)
	if _, err := pages.Walk(bytes.NewReader(raw), int64(len(raw)), func(e *pages.Element) {
		switch string(e.Bucket) {
		case "ev/0":
			live[string(e.Key)] = e.At
		case "cur":
			place = e.At - int64(len(e.Key)) - 16 - 16 // the one element of a bucket within the list of buckets
		}
	}); err != nil {
		t.Fatal(err)
	}
	older := map[string]bool{}
	pages.Scan(bytes.NewReader(raw), int64(len(raw)), func(e *pages.Element) {
		if at, ok := live[string(e.Key)]; ok && at != e.At {
			if _, err := seal.Unwrap(bucketEv[Alarm], e.Key, e.Value); err == nil {
				older[string(e.Key)] = true
			}
		}
	})
	keys := slices.Sorted(maps.Keys(older))
	if len(keys) == 0 {
		t.Fatal("no event stands twice in the file")
	}
	raw[live[keys[0]]+20] ^= 1
	raw[place+8] ^= 4 // no leaf: the file is damaged, but not the list of its buckets
	if err := os.WriteFile(path, raw, fileMode); err != nil {
		t.Fatal(err)
	}
	q, rec, err := recoverTest(path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer q.Close()
	if rec == nil || rec.Events[Alarm] != 100 || !strings.Contains(rec.String(), `bucket "cur"`) {
		t.Errorf("%v, want all 100 trips of a file whose sinks' places are damaged", rec)
	}
}

// Saving ends when it must: trips are saved before check-ins, and what is left is told.
func TestRecoverInTime(t *testing.T) {
	path := tempPath(t)
	q := openTest(t, path, Options{})
	mustSink(t, q, "broker", SinkOptions{Required: true})
	for range 10 {
		mustAppend(t, q, Record{Priority: Routine, Value: []byte("check-in")})
		mustAppend(t, q, Record{Priority: Alarm, Value: []byte("trip")})
	}
	if err := q.Close(); err != nil {
		t.Fatal(err)
	}
	raw, _ := os.ReadFile(path)
	raw[20] ^= 1
	if err := os.WriteFile(path, raw, fileMode); err != nil {
		t.Fatal(err)
	}
	q, rec, err := Recover(path, Options{}, RecoverOptions{Within: 1})
	if err != nil {
		t.Fatal(err)
	}
	defer q.Close()
	if rec.Left != 20 || !strings.Contains(rec.String(), "not 20 more") || !strings.Contains(rec.String(), rec.Kept) {
		t.Errorf("%+v: %v, want 20 left", rec, rec)
	}
	mustAppend(t, q, Record{Value: []byte("live")})
}

// A process that died before it had made the file leaves a sign as well, and nothing to try.
func TestDeathOnCreating(t *testing.T) {
	path := tempPath(t)
	if err := os.WriteFile(path+openingSuffix, nil, fileMode); err != nil {
		t.Fatal(err)
	}
	q, rec, err := Recover(path, Options{}, RecoverOptions{Probe: Probe})
	if err != nil || rec != nil {
		t.Fatalf("recovered: %v, %v, want a new queue", rec, err)
	}
	closeTest(t, q)
	if _, err := os.Stat(path + openingSuffix); err == nil {
		t.Error("the sign still stands")
	}
}

// What the owner has put beside the damaged files under a name like theirs is not the queue's to remove.
func TestRecoverKeepsOwnersCopy(t *testing.T) {
	path := tempPath(t)
	copied := path + damagedSuffix + "1-copy"
	if err := os.WriteFile(copied, []byte("the owner's"), fileMode); err != nil {
		t.Fatal(err)
	}
	for range keptFiles + 1 {
		if err := os.WriteFile(path, nil, fileMode); err != nil {
			t.Fatal(err)
		}
		q, _, err := recoverTest(path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(q.Close(), os.Remove(path)); err != nil {
			t.Fatal(err)
		}
	}
	if left, _ := filepath.Glob(path + damagedSuffix + "*"); !slices.Contains(left, copied) || len(left) != keptFiles+1 {
		t.Errorf("there are %q, want the owner's copy and the last %d", left, keptFiles)
	}
}

// Two gateways are started on a damaged file. Which of them gets the lock of that file finds another in its place, and
// what one has put in its place the other leaves alone.
func TestRecoverTwice(t *testing.T) {
	path := tempPath(t)
	q := openTest(t, path, Options{})
	for i := range 20 {
		if err := q.SetMark([]byte("node"), []byte{0, 0, 0, byte(i)}); err != nil {
			t.Fatal(err)
		}
	}
	closeTest(t, q)
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := f.WriteAt([]byte{0}, 16); err != nil { // where the first meta page begins
		t.Fatal(err)
	}
	var once sync.Once
	locked := make(chan error, 1)
	merge := func(a, b []byte) ([]byte, error) {
		once.Do(func() { // Recover has the lock by now
			go func() {
				for syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB) != nil {
				}
				err := datafile.Same(path, f)
				locked <- errors.Join(err, syscall.Flock(int(f.Fd()), syscall.LOCK_UN))
			}()
		})
		return larger(a, b)
	}
	q, rec, err := Recover(path, Options{Advance: highest}, RecoverOptions{MergeMarks: merge})
	if err != nil || rec == nil {
		t.Fatalf("recovered: %v, %v", rec, err)
	}
	if err := <-locked; !errors.Is(err, datafile.ErrLocked) {
		t.Errorf("the damaged file while it stood at its path was another gateway's to write to: %v", err)
	}
	closeTest(t, q)
	if err := os.WriteFile(path+openingSuffix, nil, fileMode); err != nil {
		t.Fatal(err)
	}
	died := func(string) error {
		return errors.Join(errors.New("killed by a signal"), create(path+"2", Options{MaxBytes: minMaxBytes}), os.Rename(path+"2", path))
	}
	if _, rec, err := Recover(path, Options{}, RecoverOptions{Probe: died}); !errors.Is(err, ErrLocked) || rec != nil {
		t.Errorf("replaced by another gateway meanwhile: %v, %v, want ErrLocked", rec, err)
	}
}
