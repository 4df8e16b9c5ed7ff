package queue

import (
	"bytes"
	"fmt"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// both copies the file of q with the note beside it, as the death of the process would leave them.
func both(t testing.TB, q *Queue) string {
	t.Helper()
	path := copyOf(t, q)
	if text, err := os.ReadFile(noteName(q.path)); err == nil {
		if err := os.WriteFile(noteName(path), text, fileMode); err != nil {
			t.Fatal(err)
		}
	}
	return path
}

// waitingAt opens the queue at path and says how many events wait for the sink.
func waitingAt(t testing.TB, path string) int {
	t.Helper()
	q := openTest(t, path, Options{})
	defer closeTest(t, q)
	n, _ := mustSink(t, q, "broker", SinkOptions{Required: true}).Depth()
	return n
}

// noted makes a queue of ten events of which three are acknowledged, by a note alone.
func noted(t testing.TB, o Options) (*Queue, *Cursor) {
	t.Helper()
	q := openTest(t, tempPath(t), o)
	c := mustSink(t, q, "broker", SinkOptions{Required: true})
	for range 9 {
		q.Append(Record{}, nil)
	}
	mustAppend(t, q, Record{})
	commits := q.Stats().Commits
	for i, s := range []Seq{1, 2, 7} {
		c.Ack(s)
		<-time.After(ackDelay + time.Millisecond)
		synctest.Wait()
		if got := waitingAt(t, both(t, q)); got != 9-i {
			t.Errorf("%d waiting after %d acks and 2 s, want %d", got, i+1, 9-i)
		}
	}
	if n := q.Stats().Commits - commits; n != 0 {
		t.Errorf("%d commits for acknowledgements that nothing follows, want 0", n)
	}
	return q, c
}

// TestNote: an acknowledgement that nothing follows costs no commit, and outlives the process all the same; without the note,
// which a power cut may take, its event is offered once more.
func TestNote(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q, c := noted(t, Options{})
		if got := waitingAt(t, copyOf(t, q)); got != 10 {
			t.Errorf("%d waiting without the note, want 10", got)
		}
		path := both(t, q)
		for range 2 { // what it tells is in the file once that was used
			if got := waitingAt(t, path); got != 7 {
				t.Errorf("%d waiting, want 7", got)
			}
			if _, err := os.Stat(noteName(path)); err == nil {
				t.Error("the note is there after a good end")
			}
		}
		c.Ack(3)
		mustAppend(t, q, Record{})
		if got := waitingAt(t, copyOf(t, q)); got != 7 {
			t.Errorf("%d waiting after the next append, without the note, want 7", got)
		}
		if n := q.Stats().Deleted; n != 4 {
			t.Errorf("%d events deleted, want the 4 that were acknowledged", n)
		}
		<-time.After(time.Minute)
		c.Ack(4) // the clock starts again
		<-time.After(ackDelay + time.Millisecond)
		synctest.Wait()
		if got := waitingAt(t, both(t, q)); got != 6 {
			t.Errorf("%d waiting after a further ack, want 6", got)
		}
	})
}

// TestOldNote: a note is believed of the very state of the file that it was written for. A sink that was removed and made anew, another
// file and a file from before must not lose an event by it.
func TestOldNote(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := SinkOptions{FromStart: true, Required: true}
		fill := func() *Queue {
			q := openTest(t, tempPath(t), Options{})
			c := mustSink(t, q, "broker", o)
			mustSink(t, q, "mirror", o) // which keeps all events in the file
			for range 5 {
				mustAppend(t, q, Record{})
			}
			c.Ack(2)
			<-time.After(ackDelay + time.Millisecond)
			synctest.Wait()
			return q
		}
		q, other := fill(), fill()
		text, err := os.ReadFile(noteName(q.path))
		if err != nil {
			t.Fatal(err)
		}
		if got := waitingAt(t, both(t, q)); got != 4 {
			t.Errorf("%d waiting with the note, want 4", got)
		}
		if err := q.RemoveSink("broker"); err != nil {
			t.Fatal(err)
		}
		mustSink(t, q, "broker", o)
		for what, path := range map[string]string{"a sink made anew": copyOf(t, q), "another file": copyOf(t, other)} {
			if err := os.WriteFile(noteName(path), text, fileMode); err != nil {
				t.Fatal(err)
			}
			if got := waitingAt(t, path); got != 5 {
				t.Errorf("%s: %d waiting with a note of another state, want 5", what, got)
			}
		}
	})
}

// TestDamagedNote: whatever stands in its place, no event is lost that was not acknowledged, and the queue opens.
func TestDamagedNote(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q, _ := noted(t, Options{})
		good, err := os.ReadFile(noteName(q.path))
		if err != nil {
			t.Fatal(err)
		}
		bad := [][]byte{nil, {1}, bytes.Repeat([]byte{0xff}, 8192), append([]byte{0, 0, 0, 0}, good...), make([]byte, 4096)}
		for i := range good {
			b := bytes.Clone(good)
			b[i] ^= 1 << (i % 8)
			bad = append(bad, b, good[:i])
		}
		raw := copyOf(t, q)
		file, err := os.ReadFile(raw)
		if err != nil {
			t.Fatal(err)
		}
		for i, text := range bad {
			if i%4 > 0 && testing.Short() {
				continue
			}
			for path, b := range map[string][]byte{raw: file, noteName(raw): text} {
				if err := os.WriteFile(path, b, fileMode); err != nil {
					t.Fatal(err)
				}
			}
			if got := waitingAt(t, raw); got != 10 {
				t.Errorf("%d waiting with the damaged note %x, want 10", got, text)
			}
		}
		if err := os.WriteFile(noteName(raw), append(good, "the rest of a longer one"...), fileMode); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(raw, file, fileMode); err != nil {
			t.Fatal(err)
		}
		if got := waitingAt(t, raw); got != 7 {
			t.Errorf("%d waiting with a note that was longer before, want 7", got)
		}
	})
}

// TestNoNote: what cannot be noted is committed, as is what is too long for a note.
func TestNoNote(t *testing.T) {
	for _, what := range []string{"a directory in its place", "too long"} {
		t.Run(what, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				q := openTest(t, tempPath(t), Options{})
				c := mustSink(t, q, "broker", SinkOptions{Required: true})
				if what == "too long" {
					for i := range 40 {
						mustSink(t, q, fmt.Sprint(i, strings.Repeat("-", 100)), SinkOptions{Required: true})
					}
				} else if err := os.Mkdir(noteName(q.path), 0o700); err != nil {
					t.Fatal(err)
				}
				mustAppend(t, q, Record{})
				for _, k := range q.cursors {
					k.Ack(1)
				}
				<-time.After(ackDelay + time.Millisecond)
				synctest.Wait()
				if got := waitingAt(t, copyOf(t, q)); got != 0 {
					t.Errorf("%d waiting 2 s after the ack, want 0", got)
				}
				if _, dirty := c.Depth(); dirty != 0 {
					t.Errorf("event %d waits", dirty)
				}
			})
		})
	}
}

// TestNoteAndCompaction: a file that compaction replaced, as the queue was opened, does not know a note of the one before; what was
// acknowledged is noted anew.
func TestNoteAndCompaction(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		small := int64(4 << 20)
		q := openTest(t, tempPath(t), Options{MaxBytes: 64 << 20})
		waiting := swell(t, q, 2*small)
		q.cursors["broker"].Ack(waiting[0])
		<-time.After(ackDelay + time.Millisecond)
		synctest.Wait()
		q = openTest(t, both(t, q), Options{compactAbove: small})
		if s := q.Stats(); s.Compactions != 1 || s.BytesFile > small {
			t.Fatalf("%d compactions, to %d bytes; want one as it was opened", s.Compactions, s.BytesFile)
		}
		<-time.After(ackDelay + time.Millisecond)
		synctest.Wait()
		if got := waitingAt(t, both(t, q)); got != len(waiting)-1 {
			t.Errorf("%d waiting, want %d", got, len(waiting)-1)
		}
	})
}
