package queue

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"go.etcd.io/bbolt"
)

// swell makes a file large and its events few: every hundredth waits.
func swell(t *testing.T, q *Queue, bytesWanted int64) (waiting []Seq) {
	t.Helper()
	c := mustSink(t, q, "broker", SinkOptions{Required: true})
	value := make([]byte, 4000)
	var wg sync.WaitGroup
	for q.Stats().BytesFile < bytesWanted {
		wg.Add(256)
		for range 256 {
			q.Append(Record{Value: value}, func(_ Seq, err error) {
				if err != nil {
					t.Error(err)
				}
				wg.Done()
			})
		}
		wg.Wait()
	}
	for i, it := range mustNext(t, c, Alarm, 0, 1<<20) {
		if i%100 == 0 {
			waiting = append(waiting, it.Seq)
		} else {
			c.Ack(it.Seq)
		}
	}
	if err := q.SetMark([]byte("node"), []byte{0, 0, 0, 1}); err != nil {
		t.Fatal(err)
	}
	for q.Stats().Waiting[Alarm] > len(waiting) {
		if err := q.Flush(); err != nil {
			t.Fatal(err)
		}
	}
	return waiting
}

func sizeOf(t *testing.T, path string) int64 {
	t.Helper()
	st, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	return st.Size()
}

// When little is left of a large file it becomes small by itself once nobody writes, with readers at work all the time,
// and goes on as before.
func TestCompactsWhenIdle(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		path := tempPath(t)
		q := openTest(t, path, Options{MaxBytes: 64 << 20})
		waiting := swell(t, q, compactAbove+1)
		c := mustSink(t, q, "broker", SinkOptions{Required: true})
		stop := make(chan struct{})
		var readers sync.WaitGroup
		for range 3 {
			readers.Go(func() {
				for {
					select {
					case <-stop:
						return
					default:
					}
					items, err := c.Next(Alarm, 0, len(waiting))
					if err != nil || !slices.Equal(seqs(items), waiting) {
						t.Errorf("%d events, %v, while the file is made smaller; want %d", len(items), err, len(waiting))
						return
					}
					if _, err := q.Marks(func(_, _ []byte) error { return nil }); err != nil {
						t.Error(err)
						return
					}
				}
			})
		}
		// The readers leave fake time no way to pass, so the committer is asked.
		answer := make(chan error)
		q.send(request{alone: q.compact, done: func(_ Seq, err error) { answer <- err }}, nil)
		if err := <-answer; err != nil {
			t.Fatal(err)
		}
		close(stop)
		readers.Wait()
		if st := q.Stats(); st.Compactions != 1 || sizeOf(t, path) > 8<<20 || st.BytesFile != sizeOf(t, path) {
			t.Errorf("file of %d KiB, %+v", sizeOf(t, path)>>10, st)
		}
		wantSeqs(t, c, Alarm, waiting...)
		more := mustAppend(t, q, Record{Value: []byte("after")})
		closeTest(t, q)
		q = openTest(t, path, Options{})
		wantSeqs(t, mustSink(t, q, "broker", SinkOptions{Required: true}), Alarm, append(waiting, more)...)
	})
}

// A reader who is at work when the new file is ready goes on with the old one: it is let go of only then.
func TestCompactionWaitsForReaders(t *testing.T) {
	path := tempPath(t)
	q := openTest(t, path, Options{MaxBytes: 64 << 20})
	waiting := swell(t, q, 4<<20)
	before, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	answer := make(chan error, 1)
	err = q.view(func(tx *bbolt.Tx) error {
		q.send(request{alone: q.compact, done: func(_ Seq, err error) { answer <- err }}, nil)
		look := time.NewTicker(5 * time.Millisecond)
		defer look.Stop()
		for end := time.Now().Add(10 * time.Second); ; <-look.C {
			if now, err := os.Stat(path); err == nil && !os.SameFile(before, now) {
				break
			} else if time.Now().After(end) {
				return errors.New("no new file in 10 s")
			}
		}
		for range 10 {
			<-look.C
			if q.db != tx.DB() {
				return errors.New("the file was replaced under a reader")
			}
		}
		return nil
	})
	if err := errors.Join(err, <-answer); err != nil {
		t.Fatal(err)
	}
	wantSeqs(t, mustSink(t, q, "broker", SinkOptions{Required: true}), Alarm, waiting...)
}

// It happens by itself: while the queue is idle, or as it opens. Not while events come.
func TestCompactsByItself(t *testing.T) {
	for _, how := range []string{"idle", "open"} {
		synctest.Test(t, func(t *testing.T) {
			path := tempPath(t)
			q := openTest(t, path, Options{MaxBytes: 64 << 20})
			waiting := swell(t, q, compactAbove+1)
			if how == "open" {
				closeTest(t, q)
				if sizeOf(t, path) < compactAbove {
					t.Fatal("compacted while it was busy")
				}
				q = openTest(t, path, Options{MaxBytes: 64 << 20})
			} else {
				<-time.After(3 * ackDelay)
				synctest.Wait()
			}
			if st := q.Stats(); st.Compactions != 1 || sizeOf(t, path) > 8<<20 {
				t.Errorf("%s: file of %d KiB, %+v", how, sizeOf(t, path)>>10, st)
			}
			wantSeqs(t, mustSink(t, q, "broker", SinkOptions{Required: true}), Alarm, waiting...)
		})
	}
}

// compactChild opens a file that is worth compacting.
func compactChild() error {
	q, err := Open(os.Getenv(dirEnv), Options{Advance: highest, compactAbove: 1})
	if err != nil {
		return err
	}
	say("compactions %d", q.Stats().Compactions)
	return q.Close()
}

// Killed at any system call of a compaction, one good file is left, with all that waits; the next start removes the
// rest. What a power cut leaves TestPowerCut shows.
func TestKillWhileCompacting(t *testing.T) {
	strace := lookStrace(t)
	from := tempPath(t)
	q := openTest(t, from, Options{MaxBytes: 64 << 20})
	waiting := swell(t, q, 6<<20)
	closeTest(t, q)
	raw, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	killed := 0
	for _, name := range []string{"openat", "pwrite64", "fallocate", "ftruncate", "fsync", "flock", "renameat", "unlinkat", "munmap"} {
		for n := 1; ; n++ {
			path := tempPath(t)
			if err := os.WriteFile(path, raw, fileMode); err != nil {
				t.Fatal(err)
			}
			cmd := exec.Command(strace, "-f", "-qq", "-o", os.DevNull, "-P", path, "-P", tempName(path), "-e", "trace="+name,
				"-e", fmt.Sprintf("inject=%s:signal=KILL:when=%d", name, n), os.Args[0])
			cmd.Env = append(os.Environ(), childEnv+"=compact", dirEnv+"="+path)
			var stderr bytes.Buffer
			cmd.Stderr = &stderr
			out, err := cmd.Output()
			done := err == nil
			if done && !strings.Contains(string(out), "compactions 1") {
				t.Fatalf("%s %d: the child said %q", name, n, out)
			}
			q := openTest(t, path, Options{})
			wantSeqs(t, mustSink(t, q, "broker", SinkOptions{Required: true}), Alarm, waiting...)
			closeTest(t, q)
			if _, err := os.Stat(tempName(path)); err == nil {
				t.Errorf("%s %d: the copy is left", name, n)
			}
			if done {
				break
			}
			killed++
			if t.Failed() || n > 100 {
				t.Fatalf("%s %d: %v %s", name, n, err, stderr.String())
			}
		}
	}
	t.Logf("killed at %d calls", killed)
	if killed < 15 {
		t.Errorf("killed at %d calls only", killed)
	}
}

// With no room for the copy the file stays as it is, and the queue goes on; so does one that is opened like that.
func TestCompactOnFullDisk(t *testing.T) {
	const room = 256 << 10 // the copy is begun, but not ended
	onFileSystems(t, 12<<20, func(t *testing.T, dir string) {
		path := filepath.Join(dir, "queue.db")
		o := Options{LeaveFree: 1, compactAbove: 1 << 20}
		q := openTest(t, path, o)
		waiting := swell(t, q, 5<<20)
		ballast(t, filepath.Join(dir, "ballast"), int(available(t, dir))-room)
		answer := make(chan error, 1)
		q.send(request{alone: q.compact, done: func(_ Seq, err error) { answer <- err }}, nil)
		if err := <-answer; !errors.Is(err, syscall.ENOSPC) {
			t.Errorf("compact on a full disk = %v, want no space left", err)
		}
		if _, err := os.Stat(tempName(path)); err == nil {
			t.Error("the copy is left behind")
		}
		closeTest(t, q)
		q = openTest(t, path, o)
		wantSeqs(t, mustSink(t, q, "broker", SinkOptions{Required: true}), Alarm, waiting...)
	})
}
