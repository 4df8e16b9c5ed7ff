package main

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"go.etcd.io/bbolt"

	"longlane/queue"
)

// An event's stored bytes: about what a frame with ten hops comes to.
const eventSize = 250

// diskStats says what storing came to.
type diskStats struct {
	Commits uint64
	Pages   int64 // bytes, as the store itself counts
	IO      int64 // bytes, as the kernel counts
	File    int64 // bytes, size
}

// stored is a queue with a sink that acknowledges each event as soon as it is stored: a house in good order.
type stored struct {
	q       *queue.Queue
	c       *queue.Cursor
	counter uint32
	value   []byte
}

func newStored(dir, name string) (*stored, error) {
	q, err := openQueue(dir, name, nil)
	if err != nil {
		return nil, err
	}
	c, err := q.Sink(sinkName, queue.SinkOptions{Required: true, FromStart: true})
	if err != nil {
		return nil, errors.Join(err, q.Close())
	}
	return &stored{q: q, c: c, value: make([]byte, eventSize)}, nil
}

// append stores the next event with its replay mark.
func (s *stored) append(done func(queue.Seq, error)) {
	s.counter++
	s.q.Append(queue.Record{Value: s.value, Mark: &queue.Mark{Key: []byte{1, 1, 1}, Counter: s.counter}}, done)
}

// one stores one event and waits for it.
func (s *stored) one() (time.Duration, error) {
	done := make(chan error, 1)
	began := time.Now()
	s.append(func(seq queue.Seq, err error) {
		if err == nil {
			s.c.Ack(seq)
		}
		done <- err
	})
	err := <-done
	return time.Since(began), err
}

// many stores n events, of which 2 x wait are under way at any time: so as many wait as a commit carries. If ack is set
// the sink acknowledges them meanwhile, and the queue deletes them; otherwise they stay.
func (s *stored) many(n, wait int, ack bool) (time.Duration, error) {
	free := make(chan error, 2*wait)
	for range 2 * wait {
		free <- nil
	}
	began := time.Now()
	for range n {
		if err := <-free; err != nil {
			return 0, err
		}
		s.append(func(seq queue.Seq, err error) {
			if err == nil && ack {
				s.c.Ack(seq)
			}
			free <- err
		})
	}
	for range 2 * wait {
		if err := <-free; err != nil {
			return 0, err
		}
	}
	return time.Since(began), nil
}

// bare is a bbolt file that events are put into, and deleted from, and nothing else is done to: no marks, no cursors, no
// checksums.
type bare struct {
	db    *bbolt.DB
	next  uint64 // last number used
	gone  uint64 // last number deleted
	value []byte
}

func newBare(dir, name string) (*bare, error) {
	db, err := bbolt.Open(filepath.Join(dir, name+".db"), 0o600, &bbolt.Options{PageSize: 4096, FreelistType: bbolt.FreelistMapType,
		NoFreelistSync: true, InitialMmapSize: 1 << 30})
	if err != nil {
		return nil, err
	}
	err = db.Update(func(tx *bbolt.Tx) error {
		_, err := tx.CreateBucket([]byte("ev"))
		return err
	})
	return &bare{db: db, value: make([]byte, eventSize)}, err
}

// store puts n events in one transaction, and deletes in it as many of those from before.
func (b *bare) store(n, deleted int) (time.Duration, error) {
	began := time.Now()
	err := b.db.Update(func(tx *bbolt.Tx) error {
		bk := tx.Bucket([]byte("ev"))
		bk.FillPercent = 0.95
		for range n {
			b.next++
			if err := bk.Put(binary.BigEndian.AppendUint64(nil, b.next), b.value); err != nil {
				return err
			}
		}
		for range deleted {
			b.gone++
			if err := bk.Delete(binary.BigEndian.AppendUint64(nil, b.gone)); err != nil {
				return err
			}
		}
		return nil
	})
	return time.Since(began), err
}

// commit measures the queue beside bare transactions of the same events.
func commit(b *bench) (rows []row, err error) {
	s, err := newStored(b.dir, "own")
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, s.q.Close()) }()
	f, err := newBare(b.dir, "bare")
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, f.db.Close()) }()
	one, err := commitOne(b, s, f)
	if err != nil {
		return nil, err
	}
	rows = append(rows, one...)
	for _, wait := range []int{64, 512} {
		many, err := commitMany(b, s, f, wait)
		if err != nil {
			return nil, err
		}
		rows = append(rows, many...)
	}
	if got := s.q.Stats().Events[queue.Alarm]; got != uint64(s.counter) {
		return nil, fmt.Errorf("%d events handed over, %d stored", s.counter, got)
	}
	return rows, nil
}

func commitOne(b *bench, s *stored, f *bare) ([]row, error) {
	var own, floor []time.Duration
	for i := range b.sizes.rounds {
		from := len(own)
		for range b.sizes.commits {
			mine, err := s.one()
			if err != nil {
				return nil, err
			}
			theirs, err := f.store(1, 0)
			if err != nil {
				return nil, err
			}
			own, floor = append(own, mine), append(floor, theirs)
		}
		b.progress("one alone, round %d: %s, bare %s", i+1, ms(median(own[from:])), ms(median(floor[from:])))
	}
	rows := []row{atMost("one event: commit", over(median(own), median(floor)), 1.2, ms(median(own)), ms(median(floor))+" bare bbolt")}
	follow, err := syncs(b, 0, b.sizes.commits, 2.2, "one event at a time: syncs, cursor included")
	if err != nil {
		return nil, err
	}
	lone, err := loneSyncs(b, s)
	return append(rows, follow, lone), err
}

// quiet waits until the queue has written nothing for longer than it keeps a cursor back.
func (s *stored) quiet() (commits uint64, err error) {
	since := time.Now()
	err = await("the queue to be quiet", func() bool {
		if now := s.q.Stats().Commits; now != commits {
			commits, since = now, time.Now()
		}
		return time.Since(since) > 3*time.Second
	})
	return commits, err
}

// loneSyncs counts the commits for an event that nothing follows: its acknowledgement is noted beside the file, without a sync.
func loneSyncs(b *bench, s *stored) (row, error) {
	before, err := s.quiet()
	if err != nil {
		return row{}, err
	}
	after := before
	for range b.sizes.lone {
		if _, err := s.one(); err != nil {
			return row{}, err
		}
		if after, err = s.quiet(); err != nil {
			return row{}, err
		}
	}
	per := 2 * float64(after-before) / float64(b.sizes.lone)
	r := atMost("one event that nothing follows for seconds: syncs", per/2, 1.1, fmt.Sprintf("%.2f", per), "2.00 bare bbolt")
	r.asked = "≤ 2.2"
	r.note = "its own commit; that it was acknowledged is noted 2 s later beside the file, without a sync, and goes into it with the next commit"
	return r, nil
}

func commitMany(b *bench, s *stored, f *bare, wait int) ([]row, error) {
	stay, err := b.burst(s, f, wait, false)
	if err != nil {
		return nil, err
	}
	// What was left waiting must not be deleted in the turns that are measured next.
	if err := s.ackAll(); err != nil {
		return nil, err
	}
	f.gone = f.next
	if _, err := f.store(wait, 0); err != nil {
		return nil, err
	}
	pass, err := b.burst(s, f, wait, true)
	if err != nil {
		return nil, err
	}
	synced, err := syncs(b, wait, wait*b.sizes.batches, 0.05, fmt.Sprintf("%d waiting: syncs an event", wait))
	return []row{stay, pass, synced}, err
}

// burst stores events while as many wait as a commit carries. If pass is set they are delivered and deleted meanwhile.
func (b *bench) burst(s *stored, f *bare, wait int, pass bool) (row, error) {
	name, floorName, deleted := fmt.Sprintf("%d waiting: stored", wait), " bare bbolt, as many a transaction", 0
	if pass {
		name, floorName, deleted = fmt.Sprintf("%d waiting: stored and, once acknowledged, deleted", wait), " bare bbolt, which deletes as well", wait
	}
	var ratios, own, floor []float64
	n := wait * b.sizes.batches
	before := s.q.Stats().Commits
	for i := range b.sizes.rounds {
		mine, err := s.many(n, wait, pass)
		if err != nil {
			return row{}, err
		}
		var theirs time.Duration
		for range b.sizes.batches {
			took, err := f.store(wait, deleted)
			if err != nil {
				return row{}, err
			}
			theirs += took
		}
		own, floor = append(own, float64(n)/mine.Seconds()), append(floor, float64(n)/theirs.Seconds())
		ratios = append(ratios, own[i]/floor[i])
		b.progress("%s, round %d: %s, bare %s", name, i+1, rate(own[i]), rate(floor[i]))
	}
	r := atLeast(name, median(ratios), 0.7, rate(median(own)), rate(median(floor))+floorName)
	r.note = fmt.Sprintf("a transaction carried %.0f", float64(n*b.sizes.rounds)/float64(s.q.Stats().Commits-before))
	return r, nil
}

// ackAll acknowledges what waits, and lets the queue delete it.
func (s *stored) ackAll() error {
	for {
		items, err := s.c.Next(queue.Alarm, 0, 4096)
		if err != nil {
			return err
		}
		if len(items) == 0 {
			break
		}
		for _, it := range items {
			s.c.Ack(it.Seq)
		}
	}
	if err := s.q.Flush(); err != nil {
		return err
	}
	return await("the queue to delete what was acknowledged", func() bool { return s.q.Stats().Waiting[queue.Alarm] == 0 })
}

// syncs has strace count the syncs of a process that stores n events; without strace, two a commit. What opening and
// closing the file take is counted with one that stores none, and taken off.
func syncs(b *bench, wait, n int, bar float64, name string) (row, error) {
	dir, err := os.MkdirTemp(b.dir, "syncs-")
	if err != nil {
		return row{}, err
	}
	o := order{What: "store", Dir: dir, N: n, Wait: wait}
	floor := 2.0
	if wait > 0 {
		floor = 2 / float64(wait)
	}
	r := func(per float64, note string) row {
		r := atMost(name, per/floor, bar/floor, fmt.Sprintf("%.3f", per), fmt.Sprintf("%.3f bare bbolt", floor))
		r.asked, r.note = fmt.Sprintf("≤ %g", bar), note
		return r
	}
	if _, err := exec.LookPath("strace"); err != nil {
		done, err := oneReport(o)
		return r(2*float64(done.Stats.Commits)/float64(n), "two a commit; strace is not there to count them"), err
	}
	all, done, err := straced(o)
	if err != nil {
		return row{}, err
	}
	o.Dir, o.N = filepath.Join(dir, "none"), 0
	if err := os.Mkdir(o.Dir, 0o700); err != nil {
		return row{}, err
	}
	none, _, err := straced(o)
	if err != nil {
		return row{}, err
	}
	return r(float64(all-none)/float64(n), fmt.Sprintf("fdatasync and fsync counted by strace: %d for %d events in %d commits", all-none, n, done.Stats.Commits)), nil
}

func straced(o order) (calls int, done report, err error) {
	table := filepath.Join(o.Dir, "strace")
	if done, err = oneReport(o, "strace", "-f", "-c", "-e", "trace=fsync,fdatasync", "-o", table); err != nil {
		return 0, done, err
	}
	text, err := os.ReadFile(table)
	if err != nil {
		return 0, done, err
	}
	for line := range strings.Lines(string(text)) { // % time, seconds, usecs/call, calls, errors, syscall
		f := strings.Fields(line)
		if len(f) < 5 || f[len(f)-1] != "fsync" && f[len(f)-1] != "fdatasync" {
			continue
		}
		n, err := strconv.Atoi(f[3])
		if err != nil {
			return 0, done, fmt.Errorf("read strace's table: %q", line)
		}
		calls += n
	}
	return calls, done, nil
}

// storeWork stores events in the queue.
func storeWork(o order, out *json.Encoder) error {
	s, err := newStored(o.Dir, "queue")
	if err != nil {
		return err
	}
	before, err := written("self")
	if err != nil {
		return err
	}
	st := s.q.Stats()
	if o.Wait > 0 && o.N > 0 {
		_, err = s.many(o.N, o.Wait, true)
	}
	for i := 0; err == nil && o.Wait == 0 && i < o.N; i++ {
		if _, err = s.one(); err == nil && o.Alone {
			_, err = s.quiet()
		}
	}
	if err != nil {
		return err
	}
	after, err := written("self")
	if err != nil {
		return err
	}
	now := s.q.Stats()
	return errors.Join(out.Encode(report{What: "done", Events: int(s.counter), Stats: diskStats{Commits: now.Commits - st.Commits,
		Pages: now.BytesWrote - st.BytesWrote, IO: after - before, File: now.BytesFile}}), s.q.Close())
}

// bareWork puts events into a bare bbolt file, one a transaction.
func bareWork(o order, out *json.Encoder) error {
	b, err := newBare(o.Dir, "bare")
	if err != nil {
		return err
	}
	before, err := written("self")
	if err != nil {
		return err
	}
	for range o.N {
		if _, err := b.store(1, 0); err != nil {
			return err
		}
	}
	after, err := written("self")
	if err != nil {
		return err
	}
	return errors.Join(out.Encode(report{What: "done", Events: o.N, Stats: diskStats{Commits: uint64(o.N), IO: after - before}}), b.db.Close())
}
