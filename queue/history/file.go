package history

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"time"

	"go.etcd.io/bbolt"

	"longlane/queue/datafile"
	"longlane/queue/pages"
	"longlane/queue/seal"
)

// File is the name of the store's file in the state directory.
const File = "history.db"

const (
	format        = 1
	fileMode      = 0o600
	damagedSuffix = ".damaged" // one is kept: years of it must not fill the card
)

var (
	bucketMeta     = []byte("meta")
	bucketBoots    = []byte("boots")
	bucketTrips    = []byte("trips")
	bucketFaults   = []byte("faults")
	bucketHours    = []byte("hours")
	bucketSpans    = []byte("spans")
	bucketUnplaced = []byte("unplaced")
	bucketIDs      = []byte("ids")
	keyFormat      = []byte("format")

	allBuckets = [][]byte{bucketMeta, bucketBoots, bucketTrips, bucketFaults, bucketHours, bucketSpans, bucketUnplaced, bucketIDs}
)

// Options says how to open a store. The zero value is usable.
type Options struct {
	KeepTrips time.Duration // and faults and spans; 0: 731 days
	KeepHours time.Duration // 0: 400 days, so that a summer can be compared with the last
	MaxBytes  int64         // in use in the file, above which the oldest goes whatever its age; 0: DefaultMaxBytes
	LeaveFree int64         // bytes of the file system that are left to others; 0: 64 MiB, more than the queue leaves
	Log       *slog.Logger  // nil: no log

	lockTimeout time.Duration          // 0: 2 s
	prepare     func(f *os.File) error // of a new file, before it gets its name; nil: nothing is done
	noSync      bool                   // for tests of what is not about the disk
	fault       func() error           // for tests: called at the end of each transaction, before its commit
}

// DefaultMaxBytes suits a memory card and the address space of a 32-bit machine, which the queue wants a part of as well.
const DefaultMaxBytes = 192 << 20

func (o *Options) fill() {
	set := func(p *int64, v int64) {
		if *p == 0 {
			*p = v
		}
	}
	set((*int64)(&o.KeepTrips), int64(731*24*time.Hour))
	set((*int64)(&o.KeepHours), int64(400*24*time.Hour))
	set(&o.MaxBytes, DefaultMaxBytes)
	set(&o.LeaveFree, 64<<20)
	set((*int64)(&o.lockTimeout), int64(2*time.Second))
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
}

// Recovery tells what became of a file that was damaged.
type Recovery struct {
	Reason error
	Kept   string // where the damaged file stands now
	Saved  int    // records that were whole
}

// String is what happened, for people.
func (r *Recovery) String() string {
	return fmt.Sprintf("the history's file was damaged (%v) and has been replaced; %d records of it were saved; the damaged file is kept as %s",
		r.Reason, r.Saved, r.Kept)
}

// Open opens the store at path for its writer, and makes it if there is none. The file is locked until Close. A damaged
// one is put aside as path.damaged, what is whole of it is saved, and the Recovery says so; otherwise that is nil.
// Opening reads the whole file once: a gateway does not wait for it.
//
// Errors: ErrLocked, ErrFormat, or what the system has to say.
func Open(path string, o Options) (*Store, *Recovery, error) {
	o.fill()
	if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
		if err := create(path, o, nil); err != nil {
			return nil, nil, fmt.Errorf("make history file %s: %w", path, err)
		}
	}
	s, err := open(path, o, false)
	var rec *Recovery
	if errors.Is(err, ErrDamaged) {
		if rec, err = replace(path, o, err); err != nil {
			return nil, nil, fmt.Errorf("replace damaged history file %s: %w", path, err)
		}
		o.Log.Error(rec.String(), "path", path)
		s, err = open(path, o, false)
	}
	if err != nil {
		return nil, nil, fmt.Errorf("open history file %s: %w", path, err)
	}
	return s, rec, nil
}

func open(path string, o Options, readOnly bool) (*Store, error) {
	db, err := openBolt(path, o, readOnly)
	if err != nil {
		return nil, err
	}
	s := &Store{db: db, o: o, path: path, readOnly: readOnly}
	if err := s.load(); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return s, nil
}

// OpenRead opens the store at path to be read while no gateway runs. While one does it holds the file, and is to be asked
// itself: ErrLocked. ErrNone: there is no file. ErrDamaged: the gateway will put it aside.
func OpenRead(path string) (*Store, error) {
	o := Options{lockTimeout: 200 * time.Millisecond} // whoever asks can ask the gateway next
	o.fill()
	if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%w: no file %s", ErrNone, path)
	}
	s, err := open(path, o, true)
	if err != nil {
		return nil, fmt.Errorf("open history file %s: %w", path, err)
	}
	return s, nil
}

func boltOptions(o Options) *bbolt.Options {
	return &bbolt.Options{Timeout: o.lockTimeout, PageSize: pages.Size, FreelistType: bbolt.FreelistMapType, NoFreelistSync: true, NoSync: o.noSync}
}

// openBolt opens an existing file, after every page of it has been looked at under its lock: a damaged one would end the
// process, and the gateway with it.
func openBolt(path string, o Options, readOnly bool) (*bbolt.DB, error) {
	bo := boltOptions(o)
	bo.ReadOnly, bo.PreLoadFreelist = readOnly, !readOnly
	bo.OpenFile = func(path string, flag int, mode os.FileMode) (*os.File, error) {
		f, err := datafile.Open(path, flag, mode, o.lockTimeout)
		switch {
		case errors.Is(err, datafile.ErrIrregular):
			return nil, fmt.Errorf("%w: %w", ErrDamaged, err)
		case err != nil:
			return nil, asLocked(err)
		}
		if err := checkPages(f, nil); err != nil {
			return nil, errors.Join(err, f.Close())
		}
		return f, nil
	}
	db, err := bbolt.Open(path, fileMode, bo)
	if err != nil {
		return nil, err
	}
	db.AllocSize = 1 << 20 // the default of 16 MiB is much for a card
	return db, nil
}

func asLocked(err error) error {
	if errors.Is(err, datafile.ErrLocked) {
		return fmt.Errorf("%w (%w)", ErrLocked, err)
	}
	return err
}

func checkPages(f *os.File, visit func(*pages.Element)) error {
	st, err := f.Stat()
	if err != nil {
		return err
	}
	if visit == nil {
		visit = func(*pages.Element) {}
	}
	buckets, err := pages.Walk(f, st.Size(), visit)
	for _, name := range slices.Sorted(maps.Keys(buckets)) {
		err = errors.Join(err, buckets[name])
	}
	if err != nil {
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	return nil
}

// create makes the file whole under another name first: bbolt writes the first pages of a file in one write that a power
// cut can tear, after which it kills whoever opens it. fill, if there is one, writes to it.
func create(path string, o Options, fill func(*bbolt.DB) error) error {
	temp := path + ".new"
	if err := os.Remove(temp); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	db, err := bbolt.Open(temp, fileMode, boltOptions(o))
	if err != nil {
		return err
	}
	err = db.Update(func(tx *bbolt.Tx) error {
		for _, name := range allBuckets {
			if _, err := tx.CreateBucket(name); err != nil {
				return err
			}
		}
		return tx.Bucket(bucketMeta).Put(keyFormat, binary.BigEndian.AppendUint32(nil, format))
	})
	if err == nil && fill != nil {
		err = fill(db)
	}
	if err = errors.Join(err, db.Close()); err == nil && o.prepare != nil {
		err = prepare(temp, o.prepare)
	}
	if err == nil {
		err = datafile.Sync(temp)
	}
	if err != nil {
		return errors.Join(err, os.Remove(temp))
	}
	return errors.Join(os.Rename(temp, path), datafile.Sync(filepath.Dir(path)))
}

// prepare hands over the file itself and not its name, under which somebody could put another.
func prepare(path string, fn func(*os.File) error) error {
	f, err := os.OpenFile(path, os.O_RDWR|syscall.O_NOFOLLOW, 0)
	if err != nil {
		return err
	}
	return errors.Join(fn(f), f.Close())
}

// replace puts the damaged file aside, and a new one with what is whole of it in its place.
func replace(path string, o Options, reason error) (*Recovery, error) {
	rec := &Recovery{Reason: reason, Kept: path + damagedSuffix}
	salvage := func(db *bbolt.DB) error {
		f, err := os.Open(path)
		if err != nil {
			return nil // it cannot even be read: there is nothing to save
		}
		defer f.Close()
		st, err := f.Stat()
		if err != nil || !st.Mode().IsRegular() {
			return nil
		}
		if err := errors.Join(datafile.Lock(f, syscall.LOCK_EX, o.lockTimeout), datafile.Same(path, f)); err != nil {
			return asLocked(err)
		}
		var failed error
		fill := filler{db: db}
		checkPages(f, func(e *pages.Element) { // what is wrong with it is known already
			bucket, ok := sealedBucket(e.Bucket)
			if _, err := seal.Unwrap(bucket, e.Key, e.Value); !ok || err != nil || failed != nil {
				return
			}
			failed = fill.put(bucket, slices.Clone(e.Key), slices.Clone(e.Value))
		})
		if failed == nil {
			failed = fill.flush()
		}
		rec.Saved = fill.saved
		return failed
	}
	if err := os.RemoveAll(rec.Kept); err != nil {
		return nil, err
	}
	temp := path + ".saved" // create renames to it; the damaged file stays where it is until all is ready
	if err := os.RemoveAll(temp); err != nil {
		return nil, err
	}
	if err := create(temp, o, salvage); err != nil {
		return nil, err
	}
	// With two names there is no moment at which nothing stands at path, which would pass for a history that never was.
	if os.Link(path, rec.Kept) != nil {
		if err := os.Rename(path, rec.Kept); err != nil {
			return nil, err
		}
	}
	return rec, errors.Join(os.Rename(temp, path), datafile.Sync(filepath.Dir(path)))
}

func sealedBucket(name []byte) ([]byte, bool) {
	for _, b := range [][]byte{bucketBoots, bucketTrips, bucketFaults, bucketHours, bucketSpans, bucketUnplaced} {
		if string(b) == string(name) {
			return b, true
		}
	}
	return nil, false
}
