package queue

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
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

// Children of the tests are this same binary, told by childEnv what to be.
const childEnv = "LONGLANE_QUEUE_TEST_CHILD"

func TestMain(m *testing.M) {
	role := os.Getenv(childEnv)
	child, ok := map[string]func() error{"kill": killChild, "workload": workloadChild, "probe": probeChild, "failing disk": failingDiskChild,
		"full disk": fullDiskChild, "refusing disk": refusingDiskChild, "compact": compactChild}[role]
	switch {
	case role == "":
		os.Exit(m.Run())
	case !ok:
		fmt.Fprintf(os.Stderr, "%s=%q: no such child\n", childEnv, role)
		os.Exit(2)
	}
	if err := child(); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(0)
}

var errOld = errors.New("counter is not new")

// highest keeps the highest counter as a mark.
func highest(dst, old []byte, counter uint32) ([]byte, error) {
	if old != nil && counter <= binary.BigEndian.Uint32(old) {
		return nil, errOld
	}
	return binary.BigEndian.AppendUint32(dst, counter), nil
}

// open opens a queue that is verified, closed and checked when the test ends.
func openTest(t testing.TB, path string, o Options) *Queue {
	t.Helper()
	if o.Advance == nil {
		o.Advance = highest
	}
	if o.MaxBytes == 0 {
		o.MaxBytes = 8 << 20
	}
	q, err := Open(path, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { closeTest(t, q) })
	return q
}

func closeTest(t testing.TB, q *Queue) {
	t.Helper()
	if err := q.Verify(); err != nil && !errors.Is(err, ErrClosed) && !errors.Is(err, ErrBroken) {
		t.Error(err)
	}
	if err := q.Close(); err != nil && !errors.Is(err, ErrBroken) {
		t.Error(err)
	}
	if err := Check(q.path); err != nil && !errors.Is(err, ErrLocked) { // the test may have opened it again
		t.Error(err)
	}
}

func tempPath(t testing.TB) string { return filepath.Join(t.TempDir(), "queue.db") }

// appendWait appends r and waits for the answer.
func appendWait(q *Queue, r Record) (Seq, error) {
	type answer struct {
		s   Seq
		err error
	}
	ch := make(chan answer, 1)
	q.Append(r, func(s Seq, err error) { ch <- answer{s, err} })
	a := <-ch
	return a.s, a.err
}

func mustAppend(t testing.TB, q *Queue, r Record) Seq {
	t.Helper()
	s, err := appendWait(q, r)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func mustSink(t testing.TB, q *Queue, name string, o SinkOptions) *Cursor {
	t.Helper()
	c, err := q.Sink(name, o)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func mustNext(t testing.TB, c *Cursor, p Priority, after Seq, n int) []Item {
	t.Helper()
	items, err := c.Next(p, after, n)
	if err != nil {
		t.Fatal(err)
	}
	return items
}

func seqs(items []Item) []Seq {
	var out []Seq
	for _, it := range items {
		out = append(out, it.Seq)
	}
	return out
}

func wantSeqs(t testing.TB, c *Cursor, p Priority, want ...Seq) {
	t.Helper()
	if got := seqs(mustNext(t, c, p, 0, 1<<20)); !slices.Equal(got, want) {
		t.Errorf("sink %s waits for %v %v, want %v", c.Name(), p, got, want)
	}
}

func readMarks(t testing.TB, q *Queue) map[string]uint32 {
	t.Helper()
	out := map[string]uint32{}
	_, err := q.Marks(func(k, v []byte) error {
		out[string(k)] = binary.BigEndian.Uint32(v)
		return nil
	})
	if err != nil {
		t.Error(err)
	}
	return out
}

// An event and its mark are there after a reopen, the caller's slices were copied, and numbers go on.
func TestAppendSurvivesReopen(t *testing.T) {
	path := tempPath(t)
	q := openTest(t, path, Options{})
	mustSink(t, q, "broker", SinkOptions{Required: true})
	value, key, settle := []byte("trip at the river gate"), []byte("node-1"), []Seq{}
	done := make(chan error, 1)
	q.Append(Record{Priority: Alarm, Value: value, Mark: &Mark{key, 7}, Settle: settle}, func(_ Seq, err error) { done <- err })
	clear(value)
	clear(key)
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	id := q.ID()
	closeTest(t, q)

	q = openTest(t, path, Options{})
	if q.ID() != id || id == [16]byte{} {
		t.Errorf("id %x after reopen, want %x and not zero", q.ID(), id)
	}
	c := mustSink(t, q, "broker", SinkOptions{Required: true})
	items := mustNext(t, c, Alarm, 0, 10)
	if len(items) != 1 || string(items[0].Value) != "trip at the river gate" || items[0].Seq != 1 || items[0].Priority != Alarm {
		t.Errorf("after reopen: %+v, want the trip as 1", items)
	}
	if m := readMarks(t, q); m["node-1"] != 7 {
		t.Errorf("marks %v, want node-1 at 7", m)
	}
	if s := mustAppend(t, q, Record{Value: []byte("x")}); s != 2 {
		t.Errorf("number %d after 1", s)
	}
}

// Numbers are not given out again after everything was deleted.
func TestNumbersNeverReused(t *testing.T) {
	path := tempPath(t)
	q := openTest(t, path, Options{})
	c := mustSink(t, q, "broker", SinkOptions{})
	for range 3 {
		c.Ack(mustAppend(t, q, Record{}))
	}
	closeTest(t, q)
	q = openTest(t, path, Options{})
	if st := q.Stats(); st.Waiting[Alarm] != 0 {
		t.Errorf("%d events left, want none", st.Waiting[Alarm])
	}
	if s := mustAppend(t, q, Record{}); s != 4 {
		t.Errorf("number %d, want 4", s)
	}
}

// A refused counter stores nothing, fails alone, and the caller sees Advance's own error. Within a batch a mark sees
// what an earlier record of the same batch did to it.
func TestMarkDecidesInsideTheTransaction(t *testing.T) {
	gate := make(chan struct{})
	first := true
	q := openTest(t, tempPath(t), Options{Fault: func(string) error {
		if first {
			first = false
			<-gate // lets the requests below gather into one batch
		}
		return nil
	}})
	var mu sync.Mutex
	var errs []error
	var wg sync.WaitGroup
	note := func(_ Seq, err error) { mu.Lock(); errs = append(errs, err); mu.Unlock(); wg.Done() }
	wg.Add(5)
	q.Append(Record{Value: []byte("opens the batch before")}, note)
	for _, counter := range []uint32{1, 1, 2, 1} {
		q.Append(Record{Value: []byte{byte(counter)}, Mark: &Mark{[]byte("n"), counter}}, note)
	}
	close(gate)
	wg.Wait()
	want := []error{nil, nil, errOld, nil, errOld}
	if !slices.Equal(errs, want) {
		t.Errorf("answers %v, want %v", errs, want)
	}
	if st := q.Stats(); st.Events[Alarm] != 3 || st.Refused[RefusedMark] != 2 || st.Commits > 3 {
		t.Errorf("stats %+v, want 3 events, 2 refused by the mark, at most 3 commits", st)
	}
	if m := readMarks(t, q); m["n"] != 2 {
		t.Errorf("mark %v, want 2", m)
	}
}

func TestNoStoreAdvancesAndSettles(t *testing.T) {
	q := openTest(t, tempPath(t), Options{})
	c := mustSink(t, q, "broker", SinkOptions{})
	a := mustAppend(t, q, Record{Priority: Notice, Value: []byte("booted in 1970"), Aside: true})
	b := mustAppend(t, q, Record{Priority: Alarm, Value: []byte("and again"), Aside: true})
	items, err := q.Aside()
	if err != nil || len(items) != 2 || items[0].Seq != a || items[0].Priority != Notice || string(items[1].Value) != "and again" {
		t.Errorf("aside %+v, %v, want both events", items, err)
	}
	if s := mustAppend(t, q, Record{NoStore: true, Mark: &Mark{[]byte("n"), 5}, Settle: []Seq{a, 999}}); s != 0 {
		t.Errorf("number %d for no event, want 0", s)
	}
	mustAppend(t, q, Record{Priority: Routine, Value: []byte("correction"), Settle: []Seq{b}})
	if items, err := q.Aside(); err != nil || len(items) != 0 {
		t.Errorf("aside %+v, %v, want none", items, err)
	}
	if m := readMarks(t, q); m["n"] != 5 {
		t.Errorf("mark %v, want 5", m)
	}
	wantSeqs(t, c, Notice, a)
	wantSeqs(t, c, Alarm, b)
	wantSeqs(t, c, Routine, 3)
}

// TestMarksOfOneBatch: a mark that is advanced, and set or forgotten in the same transaction, ends as the last of these left
// it, and the next advance sees that.
func TestMarksOfOneBatch(t *testing.T) {
	key := []byte("gate")
	advance := func(counter uint32) func(b *batch) error {
		return func(b *batch) error {
			_, err := b.append(&record{noStore: true, mark: Mark{Key: key, Counter: counter}})
			return err
		}
	}
	set := func(b *batch) error { return b.setMark(key, binary.BigEndian.AppendUint32(nil, 3)) }
	forget := func(b *batch) error { return b.forgetMark(key) }
	for name, c := range map[string]struct {
		steps []func(*batch) error
		want  []byte
	}{
		"set last":       {[]func(*batch) error{advance(7), set}, []byte{0, 0, 0, 3}},
		"advanced last":  {[]func(*batch) error{advance(7), set, advance(5)}, []byte{0, 0, 0, 5}},
		"forgotten last": {[]func(*batch) error{advance(7), forget}, nil},
		"begun anew":     {[]func(*batch) error{set, advance(7), forget, advance(2)}, []byte{0, 0, 0, 2}},
	} {
		t.Run(name, func(t *testing.T) {
			q := openTest(t, tempPath(t), Options{})
			err := q.do("try", func(b *batch) (Seq, error) {
				for _, step := range c.steps {
					if err := step(b); err != nil {
						return 0, err
					}
				}
				return 0, nil
			})
			if err != nil {
				t.Fatal(err)
			}
			var got []byte
			if _, err := q.Marks(func(_, value []byte) error { got = value; return nil }); err != nil || !bytes.Equal(got, c.want) {
				t.Errorf("the mark is % x, %v; want % x", got, err, c.want)
			}
		})
	}
}

func TestForgetMark(t *testing.T) {
	q := openTest(t, tempPath(t), Options{})
	mustAppend(t, q, Record{Mark: &Mark{[]byte("n"), 5}})
	if err := q.ForgetMark([]byte("n")); err != nil {
		t.Error(err)
	}
	if err := q.ForgetMark([]byte("never there")); err != nil {
		t.Error(err)
	}
	if m := readMarks(t, q); len(m) != 0 {
		t.Errorf("marks %v, want none", m)
	}
	mustAppend(t, q, Record{Mark: &Mark{[]byte("n"), 1}})
}

func TestSettings(t *testing.T) {
	path := tempPath(t)
	q := openTest(t, path, Options{})
	if v, err := q.Get("epoch"); v != nil || err != nil {
		t.Errorf("Get before Put = %v, %v, want nil", v, err)
	}
	for _, v := range []string{"1", "", "2"} {
		if err := q.Put("epoch", []byte(v)); err != nil {
			t.Fatal(err)
		}
		if got, err := q.Get("epoch"); string(got) != v || got == nil || err != nil {
			t.Errorf("Get = %q, %v, want %q and not nil", got, err, v)
		}
	}
	closeTest(t, q)
	q = openTest(t, path, Options{})
	if got, err := q.Get("epoch"); string(got) != "2" || err != nil {
		t.Errorf("after reopen Get = %q, %v, want 2", got, err)
	}
}

func TestRefusesInvalid(t *testing.T) {
	q := openTest(t, tempPath(t), Options{})
	for _, tc := range []struct {
		what string
		r    Record
	}{
		{"priority", Record{Priority: 3}},
		{"value", Record{Value: make([]byte, MaxValue+1)}},
		{"mark without key", Record{Mark: &Mark{}}},
		{"mark with a long key", Record{Mark: &Mark{Key: make([]byte, MaxKey+1)}}},
		{"aside without event", Record{NoStore: true, Aside: true}},
	} {
		if s, err := appendWait(q, tc.r); err == nil {
			t.Errorf("append with bad %s = %d, want an error", tc.what, s)
		}
	}
	mustAppend(t, q, Record{Value: make([]byte, MaxValue), Mark: &Mark{Key: make([]byte, MaxKey)}})
	if st := q.Stats(); st.Refused[RefusedInvalid] != 5 {
		t.Errorf("refused %v, want 5 invalid", st.Refused)
	}
	for _, name := range []string{"", strings.Repeat("x", MaxKey+1)} {
		if _, err := q.Sink(name, SinkOptions{}); err == nil {
			t.Errorf("Sink(%d bytes) opened", len(name))
		}
		if err := q.Put(name, nil); err == nil {
			t.Errorf("Put(%d bytes) stored", len(name))
		}
	}
	if err := q.RemoveSink("unknown"); err == nil {
		t.Error("RemoveSink(unknown) = nil")
	}
	if _, err := Open(tempPath(t), Options{MaxBytes: 1}); err == nil {
		t.Error("Open with MaxBytes 1 = nil")
	}
}

// A new sink starts at the end unless told otherwise, is remembered by name, and one that lags holds back deletion for
// the others.
func TestSinksAtDifferentSpeeds(t *testing.T) {
	path := tempPath(t)
	q := openTest(t, path, Options{})
	fast := mustSink(t, q, "fast", SinkOptions{Required: true})
	for range 4 {
		mustAppend(t, q, Record{Value: []byte("before")})
	}
	slow := mustSink(t, q, "slow", SinkOptions{Required: true})
	if n, _ := slow.Depth(); n != 0 {
		t.Errorf("a new sink has %d waiting, want 0", n)
	}
	for s := range Seq(4) {
		fast.Ack(s + 1)
	}
	for range 3 {
		fast.Ack(mustAppend(t, q, Record{Value: []byte("after")})) // 5, 6, 7
	}
	if err := q.Flush(); err != nil {
		t.Fatal(err)
	}
	if st := q.Stats(); st.Waiting[Alarm] != 3 || st.Deleted != 4 {
		t.Errorf("%d events in the log, %d deleted, want 3 and 4", st.Waiting[Alarm], st.Deleted)
	}
	all := mustSink(t, q, "all", SinkOptions{FromStart: true})
	wantSeqs(t, all, Alarm, 5, 6, 7)
	closeTest(t, q)

	q = openTest(t, path, Options{})
	slow = mustSink(t, q, "slow", SinkOptions{Required: true})
	if again := mustSink(t, q, "slow", SinkOptions{Required: true}); again != slow {
		t.Error("the same name gave another cursor")
	}
	wantSeqs(t, slow, Alarm, 5, 6, 7)
	wantSeqs(t, mustSink(t, q, "fast", SinkOptions{Required: true}), Alarm)
	if n, oldest := slow.Depth(); n != 3 || oldest != 5 {
		t.Errorf("Depth = %d, %d, want 3, 5", n, oldest)
	}
	want := []SinkInfo{{"all", false, 3, 5, 0}, {"fast", true, 0, 0, 0}, {"slow", true, 3, 5, 0}}
	if got := q.Sinks(); !slices.Equal(got, want) {
		t.Errorf("Sinks = %+v, want %+v", got, want)
	}
	for _, name := range []string{"all", "slow"} {
		if err := q.RemoveSink(name); err != nil {
			t.Error(err)
		}
	}
	if _, err := slow.Next(Alarm, 0, 1); !errors.Is(err, ErrRemoved) {
		t.Errorf("Next of a removed sink: %v, want ErrRemoved", err)
	}
	slow.Ack(5)
	if err := q.Flush(); err != nil {
		t.Fatal(err)
	}
	if st := q.Stats(); st.Waiting[Alarm] != 0 {
		t.Errorf("%d events left after the slow sinks went, want 0", st.Waiting[Alarm])
	}
}

// Live events acknowledged behind a backlog, whatever other priorities come between, cost one span and are not
// offered again after a reopen.
func TestAcksOutOfOrder(t *testing.T) {
	path := tempPath(t)
	q := openTest(t, path, Options{})
	c := mustSink(t, q, "broker", SinkOptions{})
	var alarms []Seq
	for i := range 40 {
		alarms = append(alarms, mustAppend(t, q, Record{Priority: Alarm}))
		if i%3 == 0 {
			mustAppend(t, q, Record{Priority: Routine})
		}
	}
	for _, i := range []int{39, 35, 37, 36, 38} {
		c.Ack(alarms[i])
		c.Ack(alarms[i]) // twice does nothing
	}
	if n := len(c.places[Alarm].spans); n != 1 {
		t.Errorf("%d spans for the live events, want 1", n)
	}
	for _, i := range []int{2, 0} {
		c.Ack(alarms[i])
	}
	if !c.Acked(alarms[0]) || c.Acked(alarms[1]) || !c.Acked(alarms[2]) || c.Acked(0) || c.Acked(1<<40) {
		t.Error("Acked: want first and third alarm, and neither 0 nor the future")
	}
	if n, oldest := c.Depth(); n != 40-7+14 || oldest != 2 {
		t.Errorf("Depth = %d, %d, want %d, 2", n, oldest, 40-7+14)
	}
	want := append([]Seq{alarms[1]}, alarms[3:35]...)
	wantSeqs(t, c, Alarm, want...)
	if got := seqs(mustNext(t, c, Alarm, alarms[3], 2)); !slices.Equal(got, alarms[4:6]) {
		t.Errorf("Next after %d = %v, want %v", alarms[3], got, alarms[4:6])
	}
	closeTest(t, q)

	q = openTest(t, path, Options{})
	c = mustSink(t, q, "broker", SinkOptions{})
	wantSeqs(t, c, Alarm, want...)
	for _, s := range want {
		c.Ack(s)
	}
	if n := len(c.places[Alarm].spans); n != 0 || c.places[Alarm].floor != alarms[39] {
		t.Errorf("%d spans above floor %d, want none above %d", n, c.places[Alarm].floor, alarms[39])
	}
}

// copyOf is the file as a crash of the process would leave it now.
func copyOf(t testing.TB, q *Queue) string {
	t.Helper()
	raw, err := os.ReadFile(q.path)
	if err != nil {
		t.Fatal(err)
	}
	path := tempPath(t)
	if err := os.WriteFile(path, raw, fileMode); err != nil {
		t.Fatal(err)
	}
	return path
}

// Acknowledgements reach the disk with the next append and after 256 of them, and a note after 2 s, without a Flush.
func TestAcksArePersisted(t *testing.T) {
	fill := func(t *testing.T, n int) (*Queue, *Cursor) {
		q := openTest(t, tempPath(t), Options{})
		c := mustSink(t, q, "broker", SinkOptions{})
		for range n {
			q.Append(Record{}, nil)
		}
		mustAppend(t, q, Record{})
		return q, c
	}
	waiting := func(t *testing.T, path string) int {
		q := openTest(t, path, Options{})
		n, _ := mustSink(t, q, "broker", SinkOptions{}).Depth()
		return n
	}
	t.Run("with the next append", func(t *testing.T) {
		q, c := fill(t, 9)
		c.Ack(1)
		c.Ack(2)
		if n := waiting(t, copyOf(t, q)); n != 10 {
			t.Errorf("%d waiting on disk right after the acks, want 10", n)
		}
		mustAppend(t, q, Record{})
		if n := waiting(t, copyOf(t, q)); n != 9 {
			t.Errorf("%d waiting on disk after the next append, want 9", n)
		}
	})
	t.Run("after 256", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			q, c := fill(t, 499)
			for s := range Seq(255) {
				c.Ack(s + 1)
			}
			synctest.Wait()
			if n := waiting(t, copyOf(t, q)); n != 500 {
				t.Errorf("%d waiting on disk after 255 acks, want 500", n)
			}
			c.Ack(256)
			synctest.Wait()
			if n := waiting(t, copyOf(t, q)); n != 500-256 {
				t.Errorf("%d waiting on disk after 256 acks, want %d", n, 500-256)
			}
		})
	})
	t.Run("in an idle hour", func(t *testing.T) { // by a note, once: see TestNote
		synctest.Test(t, func(t *testing.T) {
			q, c := fill(t, 9)
			<-time.After(10 * time.Second) // an idle queue's clock must not be what saves it
			c.Ack(1)
			<-time.After(ackDelay + time.Millisecond)
			synctest.Wait()
			if n := waiting(t, both(t, q)); n != 9 {
				t.Errorf("%d waiting on disk 2 s after the ack, want 9", n)
			}
			commits := q.Stats().Commits
			<-time.After(time.Hour)
			if n := q.Stats().Commits - commits; n != 0 {
				t.Errorf("%d commits in an idle hour, want 0", n)
			}
		})
	})
}

// Deleting a large backlog takes several transactions, and none of them needs an append to come along.
func TestTrimInBulk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := openTest(t, tempPath(t), Options{})
		c := mustSink(t, q, "broker", SinkOptions{})
		for range 3500 {
			q.Append(Record{Priority: Routine, Value: []byte("check-in")}, nil)
		}
		mustAppend(t, q, Record{})
		for s := range Seq(3501) {
			c.Ack(s + 1)
		}
		if err := q.Flush(); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		if st := q.Stats(); st.Waiting != [3]int{} || st.Deleted != 3501 {
			t.Errorf("%v in the log, %d deleted, want none and 3501", st.Waiting, st.Deleted)
		}
	})
}

// A poisonous event leaves its sink's way, and only its.
func TestPark(t *testing.T) {
	path := tempPath(t)
	q := openTest(t, path, Options{})
	a, b := mustSink(t, q, "a", SinkOptions{}), mustSink(t, q, "b", SinkOptions{})
	s := mustAppend(t, q, Record{Priority: Notice, Value: []byte("too long for the broker")})
	if err := a.Park(s, "refused five times"+strings.Repeat("!", maxReason)); err != nil {
		t.Fatal(err)
	}
	if err := a.Park(s, "again"); err != nil {
		t.Errorf("parking twice: %v", err)
	}
	if !a.Acked(s) || b.Acked(s) {
		t.Errorf("acked by a %v, by b %v, want true, false", a.Acked(s), b.Acked(s))
	}
	closeTest(t, q)
	q = openTest(t, path, Options{})
	wantSeqs(t, mustSink(t, q, "a", SinkOptions{}), Notice)
	wantSeqs(t, mustSink(t, q, "b", SinkOptions{}), Notice, s)
	dead, err := q.Dead()
	if err != nil || len(dead) != 1 || dead[0].Sink != "a" || dead[0].Seq != s || dead[0].Priority != Notice ||
		string(dead[0].Value) != "too long for the broker" || !strings.HasPrefix(dead[0].Reason, "refused five times") {
		t.Errorf("Dead = %+v, %v", dead, err)
	}
}

func TestDeadIsBounded(t *testing.T) {
	q := openTest(t, tempPath(t), Options{})
	c := mustSink(t, q, "a", SinkOptions{})
	const n = maxDead + 3
	errs := make(chan error, n)
	for range n {
		q.Append(Record{}, nil)
	}
	mustAppend(t, q, Record{})
	for s := range Seq(n) {
		s := s + 1
		q.send(request{ // as Park does, without waiting for each
			apply: func(b *batch) (Seq, error) { return 0, b.park(c, s, "poison") },
			done:  func(_ Seq, err error) { errs <- err },
		}, nil)
	}
	for range n {
		if err := <-errs; err != nil {
			t.Fatal(err)
		}
	}
	dead, err := q.Dead()
	if err != nil || len(dead) != maxDead || dead[0].Seq != 4 {
		t.Errorf("%d dead (%v), want %d from 4", len(dead), err, maxDead)
	}
	if st := q.Stats(); st.DeadDropped != 3 || st.Parked != n {
		t.Errorf("%d dropped, %d parked, want 3, %d", st.DeadDropped, st.Parked, n)
	}
}

// As the file fills, check-ins are refused first and trips last; acknowledgements make room again, without a
// restart, and a refused event leaves no mark.
func TestFullByPriority(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := openTest(t, tempPath(t), Options{MaxBytes: 1 << 20})
		c := mustSink(t, q, "broker", SinkOptions{Required: true})
		value := bytes.Repeat([]byte("x"), 1000)
		var order []Priority
		counter := uint32(0)
		for refused := [priorities]bool{}; !refused[Alarm]; {
			for p := Routine; p < priorities; p-- { // wraps around below Alarm
				counter++
				_, err := appendWait(q, Record{Priority: p, Value: value, Mark: &Mark{[]byte("n"), counter}})
				switch {
				case err == nil && refused[p]:
					t.Fatalf("%v accepted after it was refused, without an ack between", p)
				case errors.Is(err, ErrFull) && !refused[p]:
					refused[p] = true
					order = append(order, p)
				case err != nil && !errors.Is(err, ErrFull):
					t.Fatal(err)
				}
			}
		}
		if want := []Priority{Routine, Notice, Alarm}; !slices.Equal(order, want) {
			t.Errorf("refused in the order %v, want %v", order, want)
		}
		if m := readMarks(t, q); m["n"] >= counter {
			t.Errorf("mark is at %d, although %d was refused", m["n"], counter)
		}
		st := q.Stats()
		if st.BytesUsed < 1<<20*9/10 || st.BytesUsed > 1<<20*11/10 || st.Refused[RefusedFullRoutine] == 0 ||
			st.Refused[RefusedFullNotice] == 0 || st.Refused[RefusedFullAlarm] != 1 {
			t.Errorf("stats when full: %+v", st)
		}
		if s := mustAppend(t, q, Record{NoStore: true, Mark: &Mark{[]byte("n"), counter + 1}}); s != 0 {
			t.Errorf("a mark alone got number %d", s)
		}
		for p := range Priority(priorities) {
			for _, it := range mustNext(t, c, p, 0, 1<<20) {
				c.Ack(it.Seq)
			}
		}
		synctest.Wait()
		for p := range Priority(priorities) {
			mustAppend(t, q, Record{Priority: p, Value: value})
		}
	})
}

// A sink that is not required loses its oldest check-ins beyond its greatest lag, and is told how many. A required one
// loses nothing.
func TestGreatestLag(t *testing.T) {
	path := tempPath(t)
	q := openTest(t, path, Options{})
	opt := SinkOptions{MaxLag: 5}
	c, req := mustSink(t, q, "screen", opt), mustSink(t, q, "broker", SinkOptions{Required: true, MaxLag: 5})
	for range 4 {
		mustAppend(t, q, Record{Priority: Alarm})   // 1 3 5 7
		mustAppend(t, q, Record{Priority: Routine}) // 2 4 6 8
	}
	wantSeqs(t, c, Alarm, 1, 3, 5, 7)
	wantSeqs(t, c, Routine, 8)
	for range 3 {
		mustAppend(t, q, Record{Priority: Alarm}) // 9 10 11
	}
	wantSeqs(t, c, Alarm, 5, 7, 9, 10, 11)
	if n, _ := req.Depth(); n != 11 || c.Missed() != 6 || req.Missed() != 0 {
		t.Errorf("required: %d waiting, %d missed; the other missed %d; want 11, 0, 6", n, req.Missed(), c.Missed())
	}
	closeTest(t, q)
	q = openTest(t, path, Options{})
	if n := mustSink(t, q, "screen", opt).Missed(); n != 6 {
		t.Errorf("missed %d after reopen, want 6", n)
	}
}

// The k-th commit fails, for k = 0, 1, 2, ... until a run needs no more: no event or mark of it is left, the caller
// is told, and what comes afterwards works.
func TestCommitFailsAtEveryStep(t *testing.T) {
	errInjected := errors.New("injected")
	for k := 0; ; k++ {
		n, hit := 0, false
		q := openTest(t, tempPath(t), Options{Fault: func(string) error {
			n++
			if n-1 == k {
				hit = true
				return errInjected
			}
			return nil
		}})
		stored := map[Seq]string{}
		marks := map[string]uint32{}
		var c *Cursor
		for c == nil {
			var err error
			if c, err = q.Sink("broker", SinkOptions{}); err != nil && !errors.Is(err, errInjected) {
				t.Fatal(err)
			}
		}
		for i := range 6 {
			counter, value := uint32(i+1), fmt.Sprint("event ", i)
			s, err := appendWait(q, Record{Value: []byte(value), Mark: &Mark{[]byte("n"), counter}, Aside: true})
			if errors.Is(err, errInjected) {
				if m := readMarks(t, q); m["n"] != marks["n"] {
					t.Fatalf("k=%d: mark %d after the failed commit, want %d", k, m["n"], marks["n"])
				}
				s, err = appendWait(q, Record{Value: []byte(value), Mark: &Mark{[]byte("n"), counter}, Aside: true})
			}
			if err != nil {
				t.Fatalf("k=%d: %v", k, err)
			}
			stored[s], marks["n"] = value, counter
			if i == 2 {
				c.Ack(s)
				delete(stored, s)
				if err := q.Flush(); err != nil && !errors.Is(err, errInjected) {
					t.Fatal(err)
				}
			}
		}
		items := mustNext(t, c, Alarm, 0, 100)
		for _, it := range items {
			if stored[it.Seq] != string(it.Value) {
				t.Errorf("k=%d: event %d is %q, want %q", k, it.Seq, it.Value, stored[it.Seq])
			}
		}
		aside, _ := q.Aside()
		if len(items) != len(stored) || len(aside) != 6 {
			t.Errorf("k=%d: %d events, %d aside, want %d, 6", k, len(items), len(aside), len(stored))
		}
		select {
		case <-q.Broken():
			t.Fatalf("k=%d: an injected fault broke the queue", k)
		default:
		}
		closeTest(t, q)
		if !hit {
			if k < 8 {
				t.Errorf("the run had %d commits, want at least 8", k)
			}
			return
		}
	}
}

// A commit that fails in the operating system ends all writing: what the file holds is no longer known.
func TestBrokenAfterRealFailure(t *testing.T) {
	path := tempPath(t)
	q := openTest(t, path, Options{MaxBytes: minMaxBytes, Fault: func(op string) error { return nil }})
	mustSink(t, q, "broker", SinkOptions{})
	mustAppend(t, q, Record{Value: []byte("good")})
	// TestDiskFails has a real disk fail; this is what bbolt hands on of it.
	err := q.do("write", func(b *batch) (Seq, error) { _ = b.note(syscall.EIO); return 0, nil })
	if !errors.Is(err, ErrBroken) {
		t.Fatalf("append = %v, want ErrBroken", err)
	}
	select {
	case <-q.Broken():
	default:
		t.Error("Broken is not closed")
	}
	if _, err := appendWait(q, Record{Value: []byte("later")}); !errors.Is(err, ErrBroken) {
		t.Errorf("append after it = %v, want ErrBroken", err)
	}
	if err := q.Flush(); !errors.Is(err, ErrBroken) {
		t.Errorf("Flush = %v, want ErrBroken", err)
	}
	if err := q.Put("x", nil); !errors.Is(err, ErrBroken) {
		t.Errorf("Put = %v, want ErrBroken", err)
	}
	if err := q.Close(); !errors.Is(err, ErrBroken) {
		t.Errorf("Close = %v, want ErrBroken", err)
	}
	q = openTest(t, path, Options{})
	items := mustNext(t, mustSink(t, q, "broker", SinkOptions{}), Alarm, 0, 1)
	if len(items) != 1 || string(items[0].Value) != "good" {
		t.Errorf("after reopen %v, want the good event", items)
	}
}

// flip changes one byte of a stored value behind the queue's back.
func flip(t testing.TB, path string, bucket, key []byte) {
	t.Helper()
	db, err := bbolt.Open(path, fileMode, boltOptions(Options{}))
	if err != nil {
		t.Fatal(err)
	}
	err = db.Update(func(tx *bbolt.Tx) error {
		v := bytes.Clone(tx.Bucket(bucket).Get(key))
		v[len(v)-1] ^= 1
		return tx.Bucket(bucket).Put(key, v)
	})
	if err := errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
}

// A damaged event is found, does not stop those behind it, is counted once and kept among the dead.
func TestDamagedEvent(t *testing.T) {
	path := tempPath(t)
	q := openTest(t, path, Options{})
	mustSink(t, q, "a", SinkOptions{})
	b := mustSink(t, q, "b", SinkOptions{})
	for i := range 3 {
		b.Ack(mustAppend(t, q, Record{Priority: Notice, Value: []byte{'0' + byte(i)}}))
	}
	closeTest(t, q)
	flip(t, path, bucketEv[Notice], seqKey(2))
	if err := Check(path); err == nil {
		t.Error("Check found nothing")
	}
	q = openTest(t, path, Options{})
	c := mustSink(t, q, "a", SinkOptions{})
	if err := q.Verify(); err == nil {
		t.Error("Verify found nothing")
	}
	if got := seqs(mustNext(t, c, Notice, 0, 2)); !slices.Equal(got, []Seq{1, 3}) {
		t.Errorf("Next = %v, want 1 and 3", got)
	}
	if err := q.Flush(); err != nil { // behind the quarantine
		t.Fatal(err)
	}
	dead, err := q.Dead()
	if err != nil || len(dead) != 1 || dead[0].Seq != 2 || dead[0].Sink != "" || !strings.Contains(dead[0].Reason, "checksum") {
		t.Errorf("Dead = %+v, %v", dead, err)
	}
	if n, _ := c.Depth(); n != 2 || q.Stats().Corrupt != 1 {
		t.Errorf("%d waiting, %d corrupt, want 2, 1", n, q.Stats().Corrupt)
	}
	c.Ack(1)
	c.Ack(3)
	if n := len(c.places[Notice].spans); n != 0 {
		t.Errorf("%d spans around the hole, want none", n)
	}
}

// A damaged mark refuses, so that disk damage does not let replays in; and it can be forgotten.
func TestDamagedMark(t *testing.T) {
	path := tempPath(t)
	q := openTest(t, path, Options{})
	mustAppend(t, q, Record{Mark: &Mark{[]byte("n"), 5}})
	mustAppend(t, q, Record{Mark: &Mark{[]byte("m"), 6}})
	closeTest(t, q)
	flip(t, path, bucketMarks, []byte("n"))
	q = openTest(t, path, Options{})
	if _, err := appendWait(q, Record{Mark: &Mark{[]byte("n"), 6}}); !errors.Is(err, ErrCorruptMark) {
		t.Errorf("append = %v, want ErrCorruptMark", err)
	}
	var seen []string
	damaged, err := q.Marks(func(k, _ []byte) error { seen = append(seen, string(k)); return nil })
	if err != nil || !slices.Equal(seen, []string{"m"}) || len(damaged) != 1 || string(damaged[0]) != "n" {
		t.Errorf("Marks saw %v, damaged %q, %v; want m, damaged n", seen, damaged, err)
	}
	if err := q.ForgetMark([]byte("n")); err != nil {
		t.Fatal(err)
	}
	mustAppend(t, q, Record{Mark: &Mark{[]byte("n"), 1}})
}

// A damaged setting is told from one that was never put, and the next Put mends it.
func TestDamagedSetting(t *testing.T) {
	path := tempPath(t)
	q := openTest(t, path, Options{})
	if err := q.Put("epoch", []byte("12345678")); err != nil {
		t.Fatal(err)
	}
	closeTest(t, q)
	flip(t, path, bucketSet, []byte("epoch"))
	q = openTest(t, path, Options{})
	if v, err := q.Get("epoch"); !errors.Is(err, ErrCorruptSetting) || v != nil {
		t.Errorf("Get = %q, %v, want ErrCorruptSetting", v, err)
	}
	if err := q.Put("epoch", []byte("2")); err != nil {
		t.Fatal(err)
	}
	if v, err := q.Get("epoch"); err != nil || string(v) != "2" {
		t.Errorf("after Put, Get = %q, %v", v, err)
	}
}

// Group commit: many producers share transactions, each is answered after its own commit, and each producer's events
// keep their order.
func TestManyProducers(t *testing.T) {
	q := openTest(t, tempPath(t), Options{})
	c := mustSink(t, q, "broker", SinkOptions{})
	const producers, each = 32, 50
	var wg sync.WaitGroup
	for p := range producers {
		wg.Go(func() {
			prev := Seq(0)
			for i := range each {
				s, err := appendWait(q, Record{Value: fmt.Append(nil, p, " ", i), Mark: &Mark{fmt.Append(nil, p), uint32(i)}})
				if err != nil || s <= prev {
					t.Errorf("producer %d: number %d after %d, %v", p, s, prev, err)
				}
				prev = s
			}
		})
	}
	wg.Wait()
	items := mustNext(t, c, Alarm, 0, 1<<20)
	if len(items) != producers*each || items[len(items)-1].Seq != producers*each {
		t.Errorf("%d events, want %d without a gap", len(items), producers*each)
	}
	st := q.Stats()
	if st.Commits > producers*each/2 {
		t.Errorf("%d commits for %d events: no group commit", st.Commits, producers*each)
	}
	t.Logf("%d events in %d commits", producers*each, st.Commits)
}

// Close answers everything that was handed in before it, and refuses what comes after, again and again.
func TestClose(t *testing.T) {
	q := openTest(t, tempPath(t), Options{})
	var mu sync.Mutex
	answers := 0
	for range 200 {
		q.Append(Record{}, func(_ Seq, err error) {
			mu.Lock()
			defer mu.Unlock()
			answers++
			if err != nil {
				t.Errorf("append before Close: %v", err)
			}
		})
	}
	if err := errors.Join(q.Close(), q.Close()); err != nil {
		t.Error(err)
	}
	if answers != 200 {
		t.Errorf("%d answers, want 200", answers)
	}
	if _, err := appendWait(q, Record{}); !errors.Is(err, ErrClosed) {
		t.Errorf("append after Close: %v, want ErrClosed", err)
	}
	if _, err := q.Get("x"); !errors.Is(err, ErrClosed) {
		t.Errorf("Get after Close: %v, want ErrClosed", err)
	}
}

// Closing while producers append: each of them gets exactly one answer, stored or ErrClosed.
func TestCloseUnderLoad(t *testing.T) {
	path := tempPath(t)
	q := openTest(t, path, Options{})
	mustSink(t, q, "broker", SinkOptions{})
	var mu sync.Mutex
	stored := 0
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			for {
				_, err := appendWait(q, Record{})
				if errors.Is(err, ErrClosed) {
					return
				}
				mu.Lock()
				stored++
				mu.Unlock()
			}
		})
	}
	for q.Stats().LastSeq < 100 {
		mustAppendBusy(q)
	}
	if err := q.Close(); err != nil {
		t.Error(err)
	}
	wg.Wait()
	q = openTest(t, path, Options{})
	if n, _ := mustSink(t, q, "broker", SinkOptions{}).Depth(); n < stored {
		t.Errorf("%d events, want at least the %d that were answered", n, stored)
	}
}

func mustAppendBusy(q *Queue) { _, _ = appendWait(q, Record{}) }

func TestOpenRefuses(t *testing.T) {
	good := tempPath(t)
	closeTest(t, openTest(t, good, Options{}))
	raw, err := os.ReadFile(good)
	if err != nil {
		t.Fatal(err)
	}
	if st, err := os.Stat(good); err != nil || st.Mode().Perm() != 0o600 {
		t.Errorf("a new file has mode %v, %v, want 0600", st.Mode(), err)
	}
	for _, tc := range []struct {
		what, want string
		make       func(path string) error
	}{
		{"others can read it", "chmod 600", func(p string) error {
			return errors.Join(os.WriteFile(p, raw, 0o600), os.Chmod(p, 0o640))
		}},
		{"empty", "not a queue file", func(p string) error { return os.WriteFile(p, nil, 0o600) }},
		{"text", "not a queue file", func(p string) error { return os.WriteFile(p, []byte(strings.Repeat("hello\n", 9999)), 0o600) }},
		{"cut short", "cut short", func(p string) error { return os.WriteFile(p, raw[:3*pageSize], 0o600) }},
		{"directory", "", func(p string) error { return os.Mkdir(p, 0o700) }},
		{"another program's file", "not a queue file", func(p string) error {
			db, err := bbolt.Open(p, 0o600, nil)
			return errors.Join(err, db.Close())
		}},
		{"newer format", "disk format 2", func(p string) error {
			if err := os.WriteFile(p, raw, 0o600); err != nil {
				return err
			}
			db, err := bbolt.Open(p, 0o600, boltOptions(Options{}))
			if err != nil {
				return err
			}
			return errors.Join(db.Update(func(tx *bbolt.Tx) error {
				return tx.Bucket(bucketMeta).Put(keyFormat, []byte{0, 0, 0, 2})
			}), db.Close())
		}},
	} {
		path := tempPath(t)
		if err := tc.make(path); err != nil {
			t.Fatal(err)
		}
		q, err := Open(path, Options{MaxBytes: 1 << 20})
		if err == nil {
			q.Close()
			t.Errorf("%s: opened, want an error", tc.what)
		} else if !strings.Contains(err.Error(), tc.want) || !strings.Contains(err.Error(), path) {
			t.Errorf("%s: %q, want %q and the path in it", tc.what, err, tc.want)
		}
	}
	if _, err := Open(filepath.Join(t.TempDir(), "no", "such", "dir"), Options{}); err == nil {
		t.Error("opened in a directory that does not exist")
	}
}

// Every truncation gives an error or a queue that verifies, never a signal.
func TestEveryTruncation(t *testing.T) {
	path := tempPath(t)
	q := openTest(t, path, Options{MaxBytes: minMaxBytes})
	mustAppend(t, q, Record{Value: make([]byte, 6000)})
	high, err := highWater(q.db)
	if err != nil {
		t.Fatal(err)
	}
	closeTest(t, q)
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	opened := 0
	cut := tempPath(t)
	for n := 0; n <= len(raw); n += 512 {
		if n > int(high)+pageSize && n < len(raw)-pageSize {
			continue // in the space that nothing was written to yet
		}
		if err := os.WriteFile(cut, raw[:n], fileMode); err != nil {
			t.Fatal(err)
		}
		q, err := Open(cut, Options{MaxBytes: minMaxBytes})
		if err != nil {
			continue
		}
		opened++
		if err := errors.Join(q.Verify(), q.Close()); err != nil {
			t.Errorf("cut at %d: opened, but %v", n, err)
		}
	}
	if opened == 0 {
		t.Error("not even the whole file opened")
	}
}

func TestLocked(t *testing.T) {
	path := tempPath(t)
	openTest(t, path, Options{})
	_, err := Open(path, Options{LockTimeout: 60 * time.Millisecond})
	if !errors.Is(err, ErrLocked) || !strings.Contains(err.Error(), "another gateway") {
		t.Errorf("second Open = %v, want ErrLocked that says who", err)
	}
}

// Two that start together on a new directory: one gets the queue, the other an error, never two files.
func TestCreatedOnce(t *testing.T) {
	for range 5 {
		path := tempPath(t)
		var wg sync.WaitGroup
		queues := make(chan *Queue, 4)
		for range 4 {
			wg.Go(func() {
				q, err := Open(path, Options{LockTimeout: 100 * time.Millisecond})
				if err == nil {
					queues <- q
				} else if !errors.Is(err, ErrLocked) {
					t.Errorf("Open = %v, want ErrLocked", err)
				}
			})
		}
		wg.Wait()
		if len(queues) != 1 {
			t.Fatalf("%d of 4 opened the queue, want 1", len(queues))
		}
		closeTest(t, <-queues)
		if files, err := os.ReadDir(filepath.Dir(path)); err != nil || len(files) != 1 {
			t.Errorf("files %v, %v, want the queue alone", files, err)
		}
	}
}

// A cursor is refused or encodes again to the same bytes.
func FuzzCursor(f *testing.F) {
	var lanes [priorities]place
	f.Add(appendPlaces(true, 0, &lanes))
	lanes[1] = place{floor: 3, spans: []span{{5, 5}, {7, 90}}}
	f.Add(appendPlaces(false, 7, &lanes))
	f.Fuzz(func(t *testing.T, in []byte) {
		required, missed, lanes, err := parsePlaces(in)
		if err != nil {
			return
		}
		if out := appendPlaces(required, missed, &lanes); !bytes.Equal(in, out) {
			t.Errorf("%x decodes, but encodes to %x", in, out)
		}
	})
}

// A dead record is refused or encodes again to the same bytes.
func FuzzDead(f *testing.F) {
	f.Add(append(seqKey(7), "broker"...), appendDead(Notice, "reason", []byte("value")))
	f.Add(seqKey(1), appendDead(Alarm, "", nil))
	f.Fuzz(func(t *testing.T, key, in []byte) {
		it, err := parseDead(key, in)
		if err != nil || len(it.Reason) > maxReason {
			return
		}
		out, k := appendDead(it.Priority, it.Reason, it.Value), append(seqKey(it.Seq), it.Sink...)
		if !bytes.Equal(in, out) || !bytes.Equal(key, k) {
			t.Errorf("%x = %x decodes, but encodes to %x = %x", key, in, k, out)
		}
	})
}

// An event that waits for ever keeps nothing else in the file, for whichever sinks: what all are done with leaves.
func TestOneThatWaitsHoldsUpNoOther(t *testing.T) {
	path := tempPath(t)
	q := openTest(t, path, Options{})
	one, other := mustSink(t, q, "broker", SinkOptions{Required: true}), mustSink(t, q, "shop", SinkOptions{Required: true})
	var seqs []Seq
	for range 3000 {
		seqs = append(seqs, mustAppend(t, q, Record{Value: make([]byte, 100)}))
	}
	for i, s := range seqs {
		if i != 0 {
			one.Ack(s)
		}
		if i != 1500 {
			other.Ack(s)
		}
	}
	for range 5 {
		if err := q.Flush(); err != nil {
			t.Fatal(err)
		}
	}
	if st := q.Stats(); st.Waiting[Alarm] != 2 || st.Deleted != 2998 {
		t.Errorf("%d events in the log, %d deleted, want 2 and 2998", st.Waiting[Alarm], st.Deleted)
	}
	if err := q.Verify(); err != nil {
		t.Error(err)
	}
	closeTest(t, q)
	q = openTest(t, path, Options{})
	if got := mustNext(t, mustSink(t, q, "broker", SinkOptions{Required: true}), Alarm, 0, 10); len(got) != 1 || got[0].Seq != seqs[0] {
		t.Errorf("after a restart the broker waits for %v, want %d", got, seqs[0])
	}
	c := mustSink(t, q, "shop", SinkOptions{Required: true})
	if got := mustNext(t, c, Alarm, 0, 10); len(got) != 1 || got[0].Seq != seqs[1500] {
		t.Errorf("after a restart the shop waits for %v, want %d", got, seqs[1500])
	}
}

// A sink that is renamed goes on where it stood, in memory and after a restart.
func TestRenameSink(t *testing.T) {
	path := tempPath(t)
	q := openTest(t, path, Options{})
	old := mustSink(t, q, "shop", SinkOptions{Required: true})
	other := mustSink(t, q, "broker", SinkOptions{Required: true})
	var seqs []Seq
	for range 10 {
		seqs = append(seqs, mustAppend(t, q, Record{Value: []byte("x")}))
	}
	for _, s := range []Seq{seqs[0], seqs[1], seqs[5]} {
		old.Ack(s)
	}
	if err := q.RenameSink("shop", "barn"); err != nil {
		t.Fatal(err)
	}
	if _, err := old.Next(Alarm, 0, 10); !errors.Is(err, ErrRemoved) {
		t.Errorf("the old cursor's Next = %v, want ErrRemoved", err)
	}
	c := mustSink(t, q, "barn", SinkOptions{Required: true})
	c.Ack(seqs[2])
	if n, oldest := c.Depth(); n != 6 || oldest != seqs[3] {
		t.Errorf("%d wait from %d on, want 6 from %d on", n, oldest, seqs[3])
	}
	for _, from := range []string{"shop", "nobody"} { // nothing to do
		if err := q.RenameSink(from, "barn"); err != nil {
			t.Error(err)
		}
	}
	if err := q.RenameSink("broker", "barn"); err != nil || len(q.Sinks()) != 2 {
		t.Errorf("renaming onto another sink = %v, sinks %v; want nothing done", err, q.Sinks())
	}
	for _, s := range seqs {
		other.Ack(s)
	}
	if err := q.Verify(); err != nil {
		t.Error(err)
	}
	closeTest(t, q)
	q = openTest(t, path, Options{})
	c = mustSink(t, q, "barn", SinkOptions{Required: true})
	if n, oldest := c.Depth(); n != 6 || oldest != seqs[3] || len(q.Sinks()) != 2 {
		t.Errorf("after a restart %d wait from %d on among %v, want 6 from %d on", n, oldest, q.Sinks(), seqs[3])
	}
}

// Stats asks the file system by the file's descriptor: while Close closes it, that may be another file's already.
func TestStatsWhileClosing(t *testing.T) {
	for range 20 {
		q := openTest(t, tempPath(t), Options{})
		done := make(chan struct{})
		var reader sync.WaitGroup
		reader.Go(func() {
			for {
				q.disk.mu.Lock()
				q.disk.polled = time.Time{}
				q.disk.mu.Unlock()
				q.Stats()
				select {
				case <-done:
					return
				default:
				}
			}
		})
		err := q.Close()
		close(done)
		reader.Wait()
		if err != nil {
			t.Fatal(err)
		}
	}
}
