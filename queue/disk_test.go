package queue

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"
)

const mountsEnv = "LONGLANE_QUEUE_TEST_MOUNTS"

// inOwnMounts runs the test once more in a process with mounts of its own, which end with it, and says whether this is
// that process. Who is not root becomes root of a user namespace, where a tmpfs can be mounted and no disk.
func inOwnMounts(t *testing.T) bool {
	t.Helper()
	if os.Getenv(mountsEnv) != "" {
		return true
	}
	how := "-m"
	if os.Geteuid() != 0 {
		how = "-rm"
	}
	cmd := exec.Command("unshare", how, os.Args[0], "-test.v", "-test.timeout=60s", "-test.run=^"+t.Name()+"$")
	cmd.Env = append(os.Environ(), fmt.Sprintf("%s=%d", mountsEnv, os.Geteuid()))
	out, err := cmd.CombinedOutput()
	t.Logf("%s", out)
	if err != nil || !bytes.Contains(out, []byte("--- PASS: "+t.Name())) {
		t.Errorf("in a process with mounts of its own (unshare %s; needs the right to mount): %v", how, err)
	}
	return false
}

// fileSystem is a small one that is mounted for the test.
type fileSystem struct {
	name  string
	mount func(t *testing.T, dir string, bytes int)
}

func command(t *testing.T, name string, args ...string) {
	t.Helper()
	if out, err := exec.Command(name, args...).CombinedOutput(); err != nil {
		t.Fatalf("%s %s: %v: %s", name, strings.Join(args, " "), err, out)
	}
}

func mountTmpfs(t *testing.T, dir string, bytes int) {
	command(t, "mount", "-t", "tmpfs", "-o", fmt.Sprintf("size=%d", bytes), "tmpfs", dir)
}

func mountExt4(t *testing.T, dir string, bytes int) {
	image := filepath.Join(t.TempDir(), "image")
	command(t, "truncate", "-s", fmt.Sprint(bytes), image)
	command(t, "mkfs.ext4", "-q", "-m", "0", "-O", "^has_journal", image)
	command(t, "mount", "-o", "loop", image, dir)
}

// onFileSystems runs fn in a directory on each kind that can be mounted.
func onFileSystems(t *testing.T, size int, fn func(t *testing.T, dir string)) {
	if !inOwnMounts(t) {
		return
	}
	kinds := []fileSystem{{"tmpfs", mountTmpfs}}
	if os.Getenv(mountsEnv) == "0" {
		kinds = append(kinds, fileSystem{"ext4", mountExt4})
	} else {
		t.Log("not root: on a tmpfs only")
	}
	for _, k := range kinds {
		t.Run(k.name, func(t *testing.T) {
			dir := t.TempDir()
			k.mount(t, dir, size)
			t.Cleanup(func() { command(t, "umount", dir) })
			fn(t, dir)
		})
	}
}

// ballast fills what a file system has left, up to so many bytes.
func ballast(t *testing.T, path string, limit int) (written int) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for _, size := range []int{64 << 10, 4096, 512} {
		block := make([]byte, size)
		for written+size <= limit {
			n, err := f.Write(block)
			written += n
			if errors.Is(err, syscall.ENOSPC) {
				break
			} else if err != nil {
				t.Fatal(err)
			}
		}
		_ = f.Sync() // delayed allocation: what is promised is taken now
	}
	return written
}

func available(t *testing.T, dir string) int64 {
	t.Helper()
	var st syscall.Statfs_t
	if err := syscall.Statfs(dir, &st); err != nil {
		t.Fatal(err)
	}
	return int64(st.Bavail) * int64(st.Bsize)
}

// fill appends of all priorities until a trip is refused, and returns in which order they were refused first.
func fill(t *testing.T, q *Queue, value []byte) (order []Priority, stored int) {
	t.Helper()
	type result struct {
		p   Priority
		err error
	}
	for refused := [priorities]bool{}; !refused[Alarm]; {
		const each = 16
		results := make(chan result, each*priorities)
		for range each {
			for p := range Priority(priorities) {
				q.Append(Record{Priority: p, Value: value}, func(_ Seq, err error) { results <- result{p, err} })
			}
		}
		for range each * priorities {
			switch r := <-results; {
			case r.err == nil:
				stored++
			case !errors.Is(r.err, ErrFull):
				t.Fatal(r.err)
			case !refused[r.p]:
				refused[r.p] = true
				order = append(order, r.p)
			}
		}
	}
	return order, stored
}

// drain acknowledges all that waits, every third first, and returns how much that was.
func drain(t *testing.T, q *Queue, c *Cursor) (n int) {
	t.Helper()
	for p := range Priority(priorities) {
		items := mustNext(t, c, p, 0, 1<<20)
		n += len(items)
		for pass := range 3 {
			for i, it := range items {
				if i%3 == pass {
					c.Ack(it.Seq)
				}
				if i%500 == 0 {
					if err := q.Flush(); err != nil {
						t.Fatal(err)
					}
				}
			}
		}
	}
	waitEmpty(t, q)
	return n
}

func waitEmpty(t *testing.T, q *Queue) {
	t.Helper()
	end := time.Now().Add(5 * time.Second)
	for st := q.Stats(); st.Waiting != [priorities]int{}; st = q.Stats() {
		if time.Now().After(end) {
			t.Fatalf("not empty: %+v", st)
		}
		if err := q.Flush(); err != nil {
			t.Fatal(err)
		}
	}
}

func acceptsWithin(t *testing.T, q *Queue, limit time.Duration, r Record) {
	t.Helper()
	retry := time.NewTicker(20 * time.Millisecond)
	defer retry.Stop()
	for end := time.Now().Add(limit); ; <-retry.C {
		_, err := appendWait(q, r)
		if err == nil {
			return
		}
		if !errors.Is(err, ErrFull) || time.Now().After(end) {
			t.Fatalf("append with room on the disk again = %v, %+v", err, q.Stats())
		}
	}
}

// A backlog fills the disk: check-ins are refused first and trips last, others keep what is to be left to them, and
// with not one free block everything can be acknowledged and deleted. What that makes free serves new events. Once
// somebody else makes room the queue takes it, without a restart.
func TestFullDisk(t *testing.T) {
	const leave = 512 << 10
	onFileSystems(t, 12<<20, func(t *testing.T, dir string) {
		ballast(t, filepath.Join(dir, "ballast"), 4<<20)
		q := openTest(t, filepath.Join(dir, "queue.db"), Options{MaxBytes: DefaultMaxBytes, LeaveFree: leave})
		c := mustSink(t, q, "broker", SinkOptions{Required: true})
		value := bytes.Repeat([]byte("v"), 500)
		order, first := fill(t, q, value)
		if want := []Priority{Routine, Notice, Alarm}; !slices.Equal(order, want) {
			t.Errorf("refused in the order %v, want %v", order, want)
		}
		st := q.Stats()
		if !st.ByDisk || st.Capacity > 8<<20 || st.Refused[RefusedFullAlarm] == 0 {
			t.Errorf("stats on a full disk: %+v", st)
		}
		if left := available(t, dir); left < leave || left > leave+growStep {
			t.Errorf("%d KiB are left to others, want %d", left>>10, leave>>10)
		}
		ballast(t, filepath.Join(dir, "last"), 1<<30)
		if n := drain(t, q, c); n != first {
			t.Errorf("%d events delivered, %d were stored", n, first)
		}
		if _, again := fill(t, q, value); again < first/2 {
			t.Errorf("%d events fit into what was deleted, before that %d", again, first)
		}
		for err := error(nil); !errors.Is(err, ErrFull); { // not a whole batch fits: up to the last one that does
			_, err = appendWait(q, Record{Value: value})
			if err != nil && !errors.Is(err, ErrFull) {
				t.Fatal(err)
			}
		}
		if err := os.Remove(filepath.Join(dir, "ballast")); err != nil {
			t.Fatal(err)
		}
		acceptsWithin(t, q, 3*time.Second, Record{Value: value})
		drain(t, q, c)
		if st := q.Stats(); st.NoRoom != 0 {
			t.Errorf("%d transactions did not fit", st.NoRoom)
		}
	})
}

// A queue cannot be made on a full disk: the error says so, nothing is left behind, and with room it can.
func TestCreateOnFullDisk(t *testing.T) {
	onFileSystems(t, 6<<20, func(t *testing.T, dir string) {
		fill := filepath.Join(dir, "ballast")
		path := filepath.Join(dir, "queue.db")
		ballast(t, fill, 1<<30)
		if err := os.Truncate(fill, int64(ballast(t, fill, 1<<30)-(1<<20))); err != nil {
			t.Fatal(err)
		}
		_, err := Open(path, Options{})
		if !errors.Is(err, syscall.ENOSPC) || !strings.Contains(err.Error(), "make room on the disk") {
			t.Fatalf("Open = %v, want no space left and what to do", err)
		}
		if names, err := os.ReadDir(dir); err != nil || slices.ContainsFunc(names, func(e os.DirEntry) bool { return strings.HasPrefix(e.Name(), "queue") }) {
			t.Errorf("left behind: %v, %v", names, err)
		}
		if err := os.Remove(fill); err != nil {
			t.Fatal(err)
		}
		openTest(t, path, Options{LeaveFree: 1})
	})
}

// fullDiskChild fills its disk and goes on trying until it is killed.
func fullDiskChild() error {
	q, err := Open(os.Getenv(dirEnv), Options{Advance: highest, LeaveFree: 1})
	if err != nil {
		return err
	}
	if _, err := q.Sink("broker", SinkOptions{Required: true}); err != nil {
		return err
	}
	say("open")
	for i := 0; ; {
		const each = 32
		answers := make(chan error, each)
		for range each {
			i++
			value := fmt.Sprintf("%d-%s", i, strings.Repeat("v", i%900))
			q.Append(Record{Value: []byte(value)}, func(s Seq, err error) {
				if err == nil {
					say("stored %d %s", s, value)
				} else if errors.Is(err, ErrFull) {
					say("full")
					err = nil
				}
				answers <- err
			})
		}
		for range each {
			if err := <-answers; err != nil {
				return err
			}
		}
	}
}

// Killed in the middle of it on a full disk, and then not one block is free: the queue opens with all that was stored,
// and can be emptied.
func TestKillOnFullDisk(t *testing.T) {
	onFileSystems(t, 6<<20, func(t *testing.T, dir string) {
		path := filepath.Join(dir, "queue.db")
		ballast(t, filepath.Join(dir, "ballast"), 5<<19)
		l := newLedger()
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), childEnv+"=full disk", dirEnv+"="+path)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		text, full := []byte{}, 0
		for block := make([]byte, 4096); ; {
			n, err := out.Read(block)
			text = append(text, block[:n]...)
			if full += bytes.Count(block[:n], []byte("full")); full >= 20 || err != nil {
				break
			}
		}
		if err := cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		rest, _ := io.ReadAll(out) // ends with the child
		_ = cmd.Wait()             // it was killed
		for line := range strings.Lines(string(append(text, rest...))) {
			if line = strings.TrimSpace(line); line == "full" {
				continue
			} else if err := l.read(line); err != nil {
				t.Error(err)
			}
		}
		if len(l.stored) < 100 {
			t.Errorf("the child stored %d events", len(l.stored))
		}
		ballast(t, filepath.Join(dir, "last"), 1<<30)
		q := openTest(t, path, Options{MaxBytes: DefaultMaxBytes})
		if _, err := appendWait(q, Record{Value: make([]byte, MaxValue)}); !errors.Is(err, ErrFull) {
			t.Errorf("append on a full disk = %v, want ErrFull", err)
		}
		c := mustSink(t, q, "broker", SinkOptions{Required: true})
		waiting := map[Seq]string{}
		for _, it := range mustNext(t, c, Alarm, 0, 1<<20) {
			waiting[it.Seq] = string(it.Value)
		}
		if err := l.check(waiting); err != nil {
			t.Error(err)
		}
		drain(t, q, c)
	})
}

// refusingDiskChild says what becomes of appends whose writes the disk refuses for want of space, until 20 have been
// stored after that.
func refusingDiskChild() error {
	q, err := Open(os.Getenv(dirEnv), Options{Advance: highest})
	if err != nil {
		return err
	}
	for i, after, full := 0, 0, false; after < 20; i++ {
		value := fmt.Sprintf("event-%d", i)
		switch s, err := appendWait(q, Record{Value: []byte(value)}); {
		case err == nil:
			say("stored %d %s", s, value)
			if full || i > 1000 {
				after++
			}
		case errors.Is(err, ErrFull):
			say("full")
			full = true
		default:
			return err
		}
	}
	return q.Close()
}

// A disk that says at a commit that it is full, although the space was allocated: while the commit has left no trace the
// queue goes on by itself, with all that was stored and nothing that was refused.
func TestCommitWithoutSpace(t *testing.T) {
	strace := lookStrace(t)
	for _, inject := range []string{"pwrite64:error=ENOSPC:when=5..6", "pwrite64:error=ENOSPC:when=8..9", "pwrite64:error=EDQUOT:when=20..25"} {
		path := tempPath(t)
		q := openTest(t, path, Options{})
		mustSink(t, q, "broker", SinkOptions{Required: true})
		closeTest(t, q)
		cmd := exec.Command(strace, "-f", "-qq", "-o", os.DevNull, "-e", "trace=pwrite64", "-e", "inject="+inject, os.Args[0])
		cmd.Env = append(os.Environ(), childEnv+"=refusing disk", dirEnv+"="+path)
		var stderr bytes.Buffer
		cmd.Stderr = &stderr
		out, err := cmd.Output()
		if err != nil {
			t.Errorf("%s: %v: %s", inject, err, stderr.String())
		}
		l, full := newLedger(), 0
		for line := range strings.Lines(string(out)) {
			if line = strings.TrimSpace(line); line == "full" {
				full++
			} else if err := l.read(line); err != nil {
				t.Error(err)
			}
		}
		if full == 0 {
			t.Errorf("%s: no append was refused", inject)
		}
		q = openTest(t, path, Options{})
		items := mustNext(t, mustSink(t, q, "broker", SinkOptions{Required: true}), Alarm, 0, 1<<20)
		waiting := map[Seq]string{}
		for _, it := range items {
			waiting[it.Seq] = string(it.Value)
		}
		if err := l.check(waiting); err != nil || len(items) != len(l.stored) {
			t.Errorf("%s: %d events, %d were stored: %v", inject, len(items), len(l.stored), err)
		}
	}
}

// A commit whose meta page is written and cannot be synced may be visible: even for want of space that is the end.
func TestCommitMayBeVisible(t *testing.T) {
	q := openTest(t, tempPath(t), Options{})
	mustAppend(t, q, Record{Value: []byte("one")})
	b, err := q.begin(0)
	if err != nil {
		t.Fatal(err)
	}
	id := uint64(b.tx.ID())
	if q.visible(id) || !q.visible(id-1) || !q.visible(id-2) {
		t.Errorf("transaction %d visible: %v, the one before: %v", id, q.visible(id), q.visible(id-1))
	}
	if err := q.commitFailed(b, id-1, syscall.ENOSPC); !errors.Is(err, ErrBroken) {
		t.Errorf("a commit that is visible and failed = %v, want ErrBroken", err)
	}
}

// The reserve is enough for ever: with a file that may not grow, events of all sizes come until they are refused, are
// acknowledged in any order, and are deleted, while readers look on. No transaction without events ever fails for want
// of a page, and bbolt never reaches beyond what is allocated. Only cursors of thousands of spans have to wait.
func TestReserveLastsForEver(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for _, largest := range []int{150, 3000, MaxValue} {
		q := openTest(t, tempPath(t), Options{MaxBytes: DefaultMaxBytes, LeaveFree: 1 << 50})
		q.disk.mu.Lock() // what it has is all it gets
		err := q.disk.extend(q.disk.allocated + 1<<20)
		q.disk.mu.Unlock()
		if err != nil {
			t.Fatal(err)
		}
		allocated := q.disk.limit(false)
		sinks := []*Cursor{mustSink(t, q, "broker", SinkOptions{Required: true}), mustSink(t, q, "mirror", SinkOptions{Required: true})}
		stop, ended := make(chan struct{}), make(chan struct{})
		go func() {
			defer close(ended)
			look := time.NewTicker(time.Millisecond)
			defer look.Stop()
			for {
				select {
				case <-stop:
					return
				case <-look.C:
					if _, err := sinks[1].Next(Alarm, 0, 64); err != nil {
						t.Error(err)
						return
					}
				}
			}
		}()
		flush := func() {
			q.mu.Lock()
			_, spans := q.count()
			q.mu.Unlock()
			if err := q.Flush(); err != nil && !(errors.Is(err, ErrFull) && spans > 5000) {
				t.Fatalf("flush with %d spans = %v", spans, err)
			}
		}
		stored, counter := 0, uint32(0)
		for round := range 4 {
			for full := 0; full < 3; {
				n := 1 + rng.IntN(64)
				results := make(chan error, n)
				for range n {
					counter++
					mark := &Mark{fmt.Appendf(nil, "node %d", rng.IntN(255)), counter}
					q.Append(Record{Value: make([]byte, rng.IntN(largest)), Mark: mark, NoStore: rng.IntN(20) == 0},
						func(_ Seq, err error) { results <- err })
				}
				for range n {
					if err := <-results; err == nil {
						stored++
					} else if errors.Is(err, ErrFull) {
						full++
					} else {
						t.Fatal(err)
					}
				}
			}
			for _, c := range sinks {
				items := mustNext(t, c, Alarm, 0, 1<<20)
				rng.Shuffle(len(items), func(i, j int) { items[i], items[j] = items[j], items[i] })
				for i, it := range items[:len(items)*(round%3+1)/3] {
					c.Ack(it.Seq)
					if rng.IntN(1000) == 0 || i == len(items)-1 {
						flush()
					}
				}
			}
			flush()
			high, err := highWater(q.db)
			if st := q.Stats(); err != nil || high > allocated || st.BytesFile != allocated || st.NoRoom != 0 {
				t.Fatalf("values up to %d, round %d: high-water mark %d of %d, %+v, %v", largest, round, high, allocated, st, err)
			}
		}
		for _, c := range sinks {
			for _, it := range mustNext(t, c, Alarm, 0, 1<<20) {
				c.Ack(it.Seq)
			}
		}
		waitEmpty(t, q)
		close(stop)
		<-ended
		t.Logf("values up to %d: %d events through %d KiB", largest, stored, allocated>>10)
	}
}

// When a sink goes that held back everything, and what may be deleted stands between what may not, one transaction
// could not hold all of that: it takes as much as fits.
func TestDeletionsFitTheReserve(t *testing.T) {
	q := openTest(t, tempPath(t), Options{MaxBytes: 64 << 20, LeaveFree: 1 << 50})
	q.disk.mu.Lock()
	err := q.disk.extend(q.disk.allocated + 4<<20)
	q.disk.mu.Unlock()
	if err != nil {
		t.Fatal(err)
	}
	allocated := q.disk.limit(false)
	c, holder := mustSink(t, q, "broker", SinkOptions{Required: true}), mustSink(t, q, "holder", SinkOptions{Required: true})
	for full := 0; full == 0; {
		results := make(chan error, 64)
		for range 64 {
			q.Append(Record{Value: make([]byte, 900)}, func(_ Seq, err error) { results <- err })
		}
		for range 64 {
			if err := <-results; errors.Is(err, ErrFull) {
				full++
			} else if err != nil {
				t.Fatal(err)
			}
		}
	}
	items := mustNext(t, c, Alarm, 0, 1<<20)
	for i, it := range items {
		if i%3 != 0 {
			c.Ack(it.Seq)
		}
	}
	if err := errors.Join(q.Flush(), q.RemoveSink(holder.Name())); err != nil {
		t.Fatal(err)
	}
	want := (len(items) + 2) / 3
	for range 100 {
		if err := q.Flush(); err != nil {
			t.Fatal(err)
		}
	}
	high, err := highWater(q.db)
	if st := q.Stats(); err != nil || st.Waiting[Alarm] != want || st.NoRoom != 0 || high > allocated || st.BytesFile != allocated {
		t.Errorf("%d of %d events are left, want %d; high-water mark %d of %d, %+v, %v", st.Waiting[Alarm], len(items), want, high, allocated, st, err)
	}
}

// Where the file system cannot allocate, zeros are written: the file has its space all the same.
func TestWithoutAllocation(t *testing.T) {
	if !inOwnMounts(t) {
		return
	}
	dir := t.TempDir()
	command(t, "mount", "-t", "ramfs", "-o", "mode=0700", "ramfs", dir)
	t.Cleanup(func() { command(t, "umount", dir) })
	path := filepath.Join(dir, "queue.db")
	q := openTest(t, path, Options{LeaveFree: 1})
	if q.disk.extend(q.disk.allocated+growStep) != nil || !q.disk.zeros {
		t.Errorf("the file system of this test was to refuse to allocate")
	}
	st, err := os.Stat(path)
	if err != nil || st.Size() != q.disk.allocated || st.Sys().(*syscall.Stat_t).Blocks*512 < st.Size() {
		t.Errorf("size %d, blocks %d, want %d: %v", st.Size(), st.Sys().(*syscall.Stat_t).Blocks*512, q.disk.allocated, err)
	}
}

// A damaged file on a disk that has room for its events but not for the reserve: without it nothing of them could be
// deleted. So some of them stay in the file that is kept, and the queue goes on with the others and with new ones.
func TestRecoverOnFullDisk(t *testing.T) {
	onFileSystems(t, 12<<20, func(t *testing.T, dir string) {
		path := filepath.Join(dir, "queue.db")
		q := openTest(t, path, Options{LeaveFree: 1})
		mustSink(t, q, "broker", SinkOptions{Required: true})
		for q.Stats().BytesUsed < 3<<20 {
			for range 100 {
				mustAppend(t, q, Record{Value: make([]byte, 4000)})
			}
		}
		used := q.Stats().BytesUsed
		closeTest(t, q)
		f, err := os.OpenFile(path, os.O_RDWR, 0)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := f.WriteAt([]byte{0}, 16); err != nil { // where the first meta page begins
			t.Fatal(err)
		}
		f.Close()
		ballast(t, filepath.Join(dir, "ballast"), int(available(t, dir)-used-used/10))
		q, rec, err := Recover(path, Options{LeaveFree: 1, MaxBytes: 8 << 20}, RecoverOptions{Sinks: [][]string{{"broker"}}, Within: time.Hour})
		if err != nil {
			t.Fatal(err)
		}
		defer q.Close()
		ballast(t, filepath.Join(dir, "last"), 1<<30)
		if rec.Events[Alarm] == 0 || rec.Left == 0 || rec.Events[Alarm]+rec.Left != 800 {
			t.Errorf("%v, want as many of 800 trips as there is room for", rec)
		}
		if _, err := appendWait(q, Record{Value: []byte("live")}); err != nil {
			t.Errorf("a trip after it: %v, %+v", err, q.Stats())
		}
		drain(t, q, mustSink(t, q, "broker", SinkOptions{Required: true}))
	})
}
