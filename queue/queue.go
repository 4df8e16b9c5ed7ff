package queue

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"go.etcd.io/bbolt"
	berrors "go.etcd.io/bbolt/errors"

	"longlane/queue/datafile"
	"longlane/queue/seal"
)

// Errors that callers branch on; test with errors.Is.
var (
	// ErrFull refuses an event for which there is no room left. Nothing of it is stored, its mark included.
	ErrFull = errors.New("queue is full")
	// ErrBroken refuses every write after a commit failed in the operating system. End the process.
	ErrBroken = errors.New("queue file can no longer be trusted after a failed write: restart the gateway and check the disk")
	// ErrClosed refuses what comes after Close.
	ErrClosed = errors.New("queue is closed")
	// ErrLocked is returned by Open and Check while another process holds the file.
	ErrLocked = errors.New("another gateway holds the queue file")
	// ErrDamaged is returned by Open and Check for a file that is not as the queue wrote it; see Recover.
	ErrDamaged = errors.New("queue file is damaged")
	// ErrRemoved is returned by a cursor whose sink was removed.
	ErrRemoved = errors.New("sink was removed from the queue")
	// ErrCorruptMark is returned for a mark whose stored value fails its checksum. The mark stays unusable until
	// ForgetMark, so that a damaged disk does not silently open the door to replays.
	ErrCorruptMark = errors.New("stored replay mark is damaged")
	// ErrCorruptSetting is returned for a setting whose stored value fails its checksum. The next Put mends it.
	ErrCorruptSetting = errors.New("stored setting is damaged")
)

const (
	// DefaultMaxBytes suits a memory card and the address space of a 32-bit machine.
	DefaultMaxBytes = 256 << 20
	minMaxBytes     = 64 << 10
	maxMaxBytes     = 1 << 30

	defaultLockTimeout = 2 * time.Second
)

// Options says how to open a queue. The zero value is usable, except that records with a mark need Advance.
type Options struct {
	// Advance appends to dst a mark's new value, computed from its old one and a counter, or refuses the counter: the
	// record is then not stored and the error comes back as it is. old is nil the first time, and must be neither kept,
	// changed nor returned. It runs within the transaction, sees marks advanced earlier in it, and must depend on
	// nothing else.
	Advance func(dst, old []byte, counter uint32) ([]byte, error)

	LockTimeout time.Duration // how long to wait for another process to let go of the file; 0: 2 s
	MaxBytes    int64         // bytes in use above which alarms are refused, 64 KiB to 1 GiB, less if the disk is full; 0: DefaultMaxBytes

	// LeaveFree is how many bytes of the file system are left to others: events do not take them. 0: 16 MiB.
	LeaveFree int64

	// Fault, for tests, is called before each commit with "append" (requests in it) or "acks" (only cursors and
	// deletions). An error makes the commit fail as if it had never been tried.
	Fault func(op string) error

	Log *slog.Logger // nil: no log

	noSync       bool  // only for the test that shows what a queue without sync loses
	compactAbove int64 // for tests; 0: compactAbove
}

func (o *Options) fill() error {
	if o.LockTimeout == 0 {
		o.LockTimeout = defaultLockTimeout
	}
	if o.MaxBytes == 0 {
		o.MaxBytes = DefaultMaxBytes
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.MaxBytes < minMaxBytes || o.MaxBytes > maxMaxBytes {
		return fmt.Errorf("MaxBytes is %d, expected %d to %d", o.MaxBytes, minMaxBytes, maxMaxBytes)
	}
	if o.compactAbove == 0 {
		o.compactAbove = compactAbove
	}
	if o.LeaveFree == 0 {
		o.LeaveFree = defaultLeaveFree
	}
	if o.LeaveFree < 0 {
		return fmt.Errorf("LeaveFree is %d, expected more than 0", o.LeaveFree)
	}
	if o.LockTimeout < 0 {
		return fmt.Errorf("LockTimeout is %v, expected more than 0", o.LockTimeout)
	}
	return nil
}

// Queue is an open log. All methods are safe for concurrent use.
type Queue struct {
	path string
	id   [16]byte
	opt  Options

	// The committer alone replaces db and disk, and holds views for it; readers hold it to read.
	views sync.RWMutex
	db    *bbolt.DB
	disk  *disk

	compactFailed time.Time // the committer's, as the next two
	notes         *os.File  // nil: no note was written in this run
	tx            uint64    // number of the last transaction

	inbox   *inbox
	kick    chan struct{} // there is work for the committer; capacity 1, never blocks the sender
	stopped chan struct{} // the committer has ended
	broken  chan struct{}

	closeOnce sync.Once
	closeErr  error

	mu      sync.Mutex // protects what follows, and all fields of the cursors
	last    Seq        // written by the committer alone, which therefore reads it without mu
	lanes   [priorities]lane
	cursors map[string]*Cursor
	suspect map[Seq]bool // on their way to the dead bucket
	unsaved int          // acknowledgements in memory that no commit has taken along
	noted   int          // as many of them as the note tells of
	debt    bool         // more may be deleted than the last transaction took
	failed  error        // why the queue is broken
	stats   Stats
	wrote   int64 // pages written to files that compaction has replaced, in bytes
}

// Open opens the queue file at path and creates it if there is none. The file is locked until Close.
//
// Errors say what to do about a file that another process holds ([ErrLocked]), that others can read, that is damaged
// ([ErrDamaged]), or that is of a newer format (likewise).
func Open(path string, o Options) (*Queue, error) {
	q, err := open(path, o)
	if err != nil {
		return nil, fmt.Errorf("open queue %s: %w", path, err)
	}
	return q, nil
}

func open(path string, o Options) (*Queue, error) {
	if err := o.fill(); err != nil {
		return nil, err
	}
	if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
		if err := create(path, o); err != nil {
			return nil, fmt.Errorf("create: %w", err)
		}
	}
	// Each time: a process that was killed right after the rename left a file that looks like any other, and would be gone after a
	// power cut with all that was stored since.
	if err := datafile.Sync(filepath.Dir(path)); err != nil {
		return nil, err
	}
	var lanes [priorities]lane
	db, f, err := openBolt(path, o, false, &lanes)
	if err != nil {
		return nil, err
	}
	q := &Queue{
		path: path, opt: o, db: db, lanes: lanes,
		inbox:   newInbox(),
		kick:    make(chan struct{}, 1),
		stopped: make(chan struct{}),
		broken:  make(chan struct{}),
		cursors: map[string]*Cursor{},
		suspect: map[Seq]bool{},
	}
	if err := q.start(f); err != nil {
		return nil, errors.Join(err, q.db.Close())
	}
	go q.run()
	return q, nil
}

// start loads what is kept in memory and takes account of the disk; f is the file that bbolt has opened.
func (q *Queue) start(f *os.File) error {
	if err := q.db.View(q.load); err != nil {
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	q.takeNote()
	high, err := highWater(q.db)
	if err != nil {
		return err
	}
	if q.disk, err = openDisk(f, high, &q.opt); err != nil {
		return err
	}
	q.stats.BytesFile = q.disk.allocated
	if err := removeTemp(q.path); err != nil {
		return err
	}
	if q.worthCompacting() {
		q.compactIdle()
	}
	return q.failure()
}

// load checks the lanes and reads what else is kept in memory: the cursors, not the events.
func (q *Queue) load(tx *bbolt.Tx) error {
	if err := checkLayout(tx); err != nil {
		return err
	}
	copy(q.id[:], tx.Bucket(bucketMeta).Get(keyID))
	q.tx = uint64(tx.ID())
	last, err := seal.Unwrap(bucketMeta, keyLast, tx.Bucket(bucketMeta).Get(keyLast))
	if err != nil {
		return fmt.Errorf("read the last sequence number: %w", err)
	}
	if q.last, err = parseSeq(last); err != nil {
		return fmt.Errorf("read the last sequence number: %w", err)
	}
	for p := range q.lanes {
		if err := q.lanes[p].check(q.last); err != nil {
			return fmt.Errorf("bucket %s: %w", bucketEv[p], err)
		}
	}
	return tx.Bucket(bucketCur).ForEach(q.loadCursor)
}

func checkLayout(tx *bbolt.Tx) error {
	meta := tx.Bucket(bucketMeta)
	if meta == nil {
		return errors.New("not a queue file: no bucket meta")
	}
	f := meta.Get(keyFormat)
	if len(f) != 4 {
		return fmt.Errorf("not a queue file: format % x, expected 4 bytes", f)
	}
	if v := binary.BigEndian.Uint32(f); v != format {
		return fmt.Errorf("disk format %d, this version reads %d: use the version that wrote it, or drain it there first", v, format)
	}
	if id := meta.Get(keyID); len(id) != 16 {
		return fmt.Errorf("id % x, expected 16 bytes", id)
	}
	for _, name := range allBuckets {
		if tx.Bucket(name) == nil {
			return fmt.Errorf("bucket %s is missing", name)
		}
	}
	return nil
}

func (q *Queue) loadCursor(name, stored []byte) error {
	payload, err := seal.Unwrap(bucketCur, name, stored)
	if err != nil {
		return fmt.Errorf("sink %q: %w", name, err)
	}
	c := &Cursor{q: q, name: string(name)}
	if c.required, c.missed, c.places, err = parsePlaces(payload); err != nil {
		return fmt.Errorf("sink %q: %w", name, err)
	}
	for p := range c.places {
		c.places[p].rejoin(&q.lanes[p])
		c.waiting[p] = c.places[p].waiting(&q.lanes[p])
	}
	q.cursors[c.name] = c
	return nil
}

// ID is the random identity given to the file when it was created. Kept elsewhere as well, it tells a queue that was
// replaced from one that is merely empty.
func (q *Queue) ID() [16]byte { return q.id }

// Append hands r to the committer and returns; it blocks only while 4096 requests wait. The committer calls done
// with the event's number once it is on disk, or with the error, in the order of the calls to Append. done must not
// block and must call nothing of the queue but Ack. After Close, Append itself calls done, with [ErrClosed].
//
// Errors: [ErrFull], [ErrBroken], [ErrClosed], [ErrCorruptMark], what Options.Advance or Options.Fault returned, or
// a record that breaks the limits of [Record].
func (q *Queue) Append(r Record, done func(Seq, error)) {
	if err := q.checkRecord(&r); err != nil {
		q.send(request{bad: err, done: done}, nil)
		return
	}
	q.send(request{done: done}, &r)
}

func (q *Queue) checkRecord(r *Record) error {
	switch {
	case r.Priority >= priorities:
		return fmt.Errorf("append: %v, expected below %d", r.Priority, priorities)
	case len(r.Value) > MaxValue:
		return fmt.Errorf("append: value of %d bytes, expected at most %d", len(r.Value), MaxValue)
	case r.NoStore && r.Aside:
		return errors.New("append: Aside without an event to store")
	case r.Mark != nil && q.opt.Advance == nil:
		return errors.New("append: a mark, but Options.Advance is nil")
	case r.Mark != nil:
		return checkKey("mark", r.Mark.Key)
	}
	return nil
}

func checkKey[T string | []byte](what string, key T) error {
	if len(key) == 0 || len(key) > MaxKey {
		return fmt.Errorf("%s key of %d bytes, expected 1 to %d", what, len(key), MaxKey)
	}
	return nil
}

// Marks calls fn for each mark; fn owns the slices. The keys of marks that fail their checksum are returned instead. An
// error from fn ends the walk.
func (q *Queue) Marks(fn func(key, value []byte) error) (damaged [][]byte, err error) {
	type mark struct{ key, value []byte }
	var marks []mark
	err = q.view(func(tx *bbolt.Tx) error {
		return tx.Bucket(bucketMarks).ForEach(func(k, v []byte) error {
			payload, err := seal.Unwrap(bucketMarks, k, v)
			if err != nil {
				damaged = append(damaged, bytes.Clone(k))
				return nil
			}
			marks = append(marks, mark{bytes.Clone(k), bytes.Clone(payload)})
			return nil
		})
	})
	if err != nil {
		return nil, fmt.Errorf("read marks: %w", err)
	}
	for _, m := range marks { // outside the transaction: fn may take its time
		if err := fn(m.key, m.value); err != nil {
			return nil, err
		}
	}
	return damaged, nil
}

// SetMark replaces a mark, which may be damaged, and returns once that is on disk.
func (q *Queue) SetMark(key, value []byte) error {
	if err := checkKey("mark", key); err != nil {
		return fmt.Errorf("set mark: %w", err)
	}
	if len(value) > MaxValue {
		return fmt.Errorf("set mark: %d bytes, expected at most %d", len(value), MaxValue)
	}
	key, value = bytes.Clone(key), bytes.Clone(value)
	return q.do("set mark", func(b *batch) (Seq, error) { return 0, b.setMark(key, value) })
}

// ForgetMark removes a mark; the next Advance for it sees nil. It returns once that is on disk.
func (q *Queue) ForgetMark(key []byte) error {
	if err := checkKey("mark", key); err != nil {
		return fmt.Errorf("forget mark: %w", err)
	}
	key = bytes.Clone(key)
	return q.do("forget mark", func(b *batch) (Seq, error) { return 0, b.forgetMark(key) })
}

// Get returns the setting called name, or nil if there is none.
func (q *Queue) Get(name string) ([]byte, error) {
	var out []byte
	err := q.view(func(tx *bbolt.Tx) error {
		stored := tx.Bucket(bucketSet).Get([]byte(name))
		if stored == nil {
			return nil
		}
		payload, err := seal.Unwrap(bucketSet, []byte(name), stored)
		if err != nil {
			return fmt.Errorf("%w: %w", ErrCorruptSetting, err)
		}
		out = append([]byte{}, payload...)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("get setting %q: %w", name, err)
	}
	return out, nil
}

// Put stores a small setting, up to MaxValue bytes, and returns once it is on disk.
func (q *Queue) Put(name string, v []byte) error {
	if err := checkKey("setting", name); err != nil {
		return fmt.Errorf("put setting %q: %w", name, err)
	}
	if len(v) > MaxValue {
		return fmt.Errorf("put setting %q: %d bytes, expected at most %d", name, len(v), MaxValue)
	}
	key, v := []byte(name), bytes.Clone(v)
	return q.do("put setting", func(b *batch) (Seq, error) { return 0, b.put(bucketSet, key, v) })
}

// Aside returns the events that were appended with Aside and not settled since, in order. A damaged one is left out
// and counted in Stats.Corrupt.
func (q *Queue) Aside() ([]Item, error) {
	var out []Item
	var corrupt uint64
	err := q.view(func(tx *bbolt.Tx) error {
		return tx.Bucket(bucketAside).ForEach(func(k, v []byte) error {
			it, err := asideItem(k, v)
			if err != nil {
				corrupt++
				return nil
			}
			out = append(out, it)
			return nil
		})
	})
	q.mu.Lock()
	q.stats.Corrupt += corrupt
	q.mu.Unlock()
	if err != nil {
		return nil, fmt.Errorf("read aside: %w", err)
	}
	return out, nil
}

func asideItem(k, v []byte) (Item, error) {
	payload, err := seal.Unwrap(bucketAside, k, v)
	if err != nil {
		return Item{}, err
	}
	s, err := parseSeq(k)
	if err != nil {
		return Item{}, err
	}
	p, value, err := parseAside(payload)
	return Item{Seq: s, Priority: p, Value: bytes.Clone(value)}, err
}

// Dead returns what was parked or found damaged, oldest first. At most 1000 are kept; the oldest goes first.
func (q *Queue) Dead() ([]DeadItem, error) {
	var out []DeadItem
	err := q.view(func(tx *bbolt.Tx) error {
		return tx.Bucket(bucketDead).ForEach(func(k, v []byte) error {
			payload, err := seal.Unwrap(bucketDead, k, v)
			if err != nil {
				return nil // nothing more can be done for it
			}
			it, err := parseDead(k, payload)
			out = append(out, it)
			return err
		})
	})
	if err != nil {
		return nil, fmt.Errorf("read dead: %w", err)
	}
	return out, nil
}

// Flush persists all acknowledgements made before the call, or says with [ErrFull] that they have to wait in memory.
func (q *Queue) Flush() error {
	return q.do("flush", func(b *batch) (Seq, error) {
		if b.unsaved {
			return 0, fmt.Errorf("%w: acknowledgements wait in memory", ErrFull)
		}
		return 0, nil
	})
}

// Broken is closed when a commit has failed in the operating system; see [ErrBroken].
func (q *Queue) Broken() <-chan struct{} { return q.broken }

// Close answers what was handed in, persists acknowledgements and lets go of the file. A second call returns the
// result of the first.
func (q *Queue) Close() error {
	q.closeOnce.Do(func() {
		q.inbox.close()
		q.wake()
		<-q.stopped
		q.mu.Lock()
		err := q.failed
		q.closeNotes(err == nil && q.unsaved == 0)
		if err == nil && q.unsaved > 0 {
			err = errors.New("the last acknowledgements could not be saved; their events will be offered again")
		}
		q.mu.Unlock()
		q.views.Lock() // Stats uses the file's descriptor
		defer q.views.Unlock()
		if err := errors.Join(err, q.db.Close()); err != nil {
			q.closeErr = fmt.Errorf("close queue %s: %w", q.path, err)
		}
	})
	return q.closeErr
}

// send hands r, and a copy of rec if there is one, to the committer, or answers it with ErrClosed.
func (q *Queue) send(r request, rec *Record) {
	if q.inbox.put(r, rec) {
		q.wake()
	} else if r.done != nil {
		r.done(0, ErrClosed)
	}
}

// do runs apply in the committer and waits for its commit.
func (q *Queue) do(what string, apply func(*batch) (Seq, error)) error {
	answer := make(chan error, 1)
	q.send(request{apply: apply, done: func(_ Seq, err error) { answer <- err }}, nil)
	if err := <-answer; err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	return nil
}

// view runs fn in a transaction that ends with it. fn must not wait for the committer, which may wait for it.
func (q *Queue) view(fn func(*bbolt.Tx) error) error {
	q.views.RLock()
	defer q.views.RUnlock()
	err := q.db.View(fn)
	if errors.Is(err, berrors.ErrDatabaseNotOpen) {
		return ErrClosed
	}
	return err
}

// sinkNames returns the names of all sinks in order. The caller holds mu.
func (q *Queue) sinkNames() []string { return slices.Sorted(maps.Keys(q.cursors)) }
