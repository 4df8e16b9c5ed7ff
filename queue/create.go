package queue

import (
	"crypto/rand"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"time"

	"go.etcd.io/bbolt"

	"longlane/queue/datafile"
	"longlane/queue/pages"
)

const (
	format   = 1
	pageSize = pages.Size // fixed, so that a file moves between machines of different page sizes
	fileMode = 0o600
)

var (
	bucketMeta  = []byte("meta")
	bucketEv    = [priorities][]byte{[]byte("ev/0"), []byte("ev/1"), []byte("ev/2")}
	bucketCur   = []byte("cur")
	bucketMarks = []byte("marks")
	bucketSet   = []byte("set")
	bucketAside = []byte("aside")
	bucketDead  = []byte("dead")

	keyFormat = []byte("format")
	keyID     = []byte("id")
	keyLast   = []byte("last")

	allBuckets = [][]byte{bucketMeta, bucketEv[0], bucketEv[1], bucketEv[2], bucketCur, bucketMarks, bucketSet, bucketAside, bucketDead}
)

// create makes the file at path, whole or not at all. bbolt writes a new file's first pages in one write that a power
// cut can tear, after which the file kills whoever opens it; so it is made under another name, and gets its own only
// when it is complete on disk. That the name lasts is left to open. The lock on the directory keeps two gateways that start together from replacing each
// other's file.
func create(path string, o Options) (err error) {
	dir, err := lockDir(filepath.Dir(path), o.LockTimeout)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, dir.Close()) }()
	if _, err := os.Lstat(path); err == nil {
		return nil // the other gateway was faster; its lock decides from here
	}
	temp := path + ".new"
	if err := os.Remove(temp); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("remove what an interrupted start left: %w", err)
	}
	if err := writeNew(temp, o); err != nil {
		return errors.Join(err, os.Remove(temp)) // it may hold the last of the disk's space
	}
	return os.Rename(temp, path)
}

func lockDir(path string, wait time.Duration) (*os.File, error) {
	dir, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	if err := datafile.Lock(dir, syscall.LOCK_EX, wait); err != nil {
		dir.Close()
		if errors.Is(err, datafile.ErrLocked) {
			err = fmt.Errorf("%w: it has been making one in %s for %v", ErrLocked, path, wait)
		}
		return nil, err
	}
	return dir, nil
}

func writeNew(temp string, o Options) error {
	db, err := bbolt.Open(temp, fileMode, boltOptions(o))
	if err != nil {
		return err
	}
	if err := errors.Join(db.Update(layOut), db.Close()); err != nil {
		return err
	}
	return finishNew(temp, &o)
}

// finishNew gives a new file its reserve, and syncs it.
func finishNew(path string, o *Options) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(reserveNew(f, o), f.Sync(), f.Close())
}

func layOut(tx *bbolt.Tx) error {
	for _, name := range allBuckets {
		if _, err := tx.CreateBucket(name); err != nil {
			return err
		}
	}
	id := make([]byte, 16)
	if _, err := rand.Read(id); err != nil {
		return err
	}
	meta := tx.Bucket(bucketMeta)
	return errors.Join(
		meta.Put(keyFormat, binary.BigEndian.AppendUint32(nil, format)),
		meta.Put(keyID, id),
		put(tx, bucketMeta, keyLast, seqKey(0)),
	)
}

func boltOptions(o Options) *bbolt.Options {
	return &bbolt.Options{
		Timeout:      o.LockTimeout,
		PageSize:     pageSize,
		FreelistType: bbolt.FreelistMapType,
		// With it bbolt would write the list of all free pages in every commit: hundreds of KB after a long backlog.
		NoFreelistSync: true,
		NoSync:         o.noSync,
	}
}

// openBolt opens an existing file. Nothing here creates one: bbolt takes an empty file for a new one, and a queue that
// lost its contents would pass for one that never had any. It fills lanes, if there are any, with the numbers of the
// events in the file, since it must look at every page anyway. The file that is returned is bbolt's own, and is closed with it.
func openBolt(path string, o Options, readOnly bool, lanes *[priorities]lane) (*bbolt.DB, *os.File, error) {
	bo := boltOptions(o)
	bo.ReadOnly = readOnly
	bo.PreLoadFreelist = true
	bo.InitialMmapSize = int(o.MaxBytes) // a larger map later would have to wait for every reader
	// bbolt reads every page as it opens. Brought in by the kernel in one go they take less than page by page; what memory is
	// wanted for something else, the kernel takes back.
	bo.MmapFlags = syscall.MAP_POPULATE
	var f *os.File
	bo.OpenFile = func(path string, flag int, mode os.FileMode) (_ *os.File, err error) {
		f, err = openChecked(path, flag, mode, o.LockTimeout, lanes)
		return f, err
	}
	db, err := bbolt.Open(path, fileMode, bo)
	if err != nil {
		return nil, nil, err
	}
	db.AllocSize = 0 // the account of the disk lengthens the file, before bbolt would
	return db, f, nil
}

// openChecked opens the file for bbolt under its lock, and makes sure that bbolt cannot come to grief over what stands there.
func openChecked(path string, flag int, mode os.FileMode, wait time.Duration, lanes *[priorities]lane) (*os.File, error) {
	f, err := datafile.Open(path, flag, mode, wait)
	switch {
	case errors.Is(err, datafile.ErrIrregular):
		return nil, fmt.Errorf("%w: %w", ErrDamaged, err)
	case err != nil:
		return nil, asLocked(err)
	}
	if err := checkPages(f, lanes); err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}

// asLocked says what to do about a file that another process holds.
func asLocked(err error) error {
	if errors.Is(err, datafile.ErrLocked) {
		return fmt.Errorf("%w: %w; stop the other process, or give this one a state directory of its own", ErrLocked, err)
	}
	return err
}

// checkPages makes sure that bbolt can follow every page of the file. Where it cannot, it ends the process, in
// goroutines of its own and by signals that Go cannot turn into errors: the gateway would die at every start.
func checkPages(f *os.File, lanes *[priorities]lane) error {
	st, err := f.Stat()
	if err != nil {
		return err
	}
	if lanes == nil {
		lanes = new([priorities]lane)
	}
	var upper [priorities]lane
	buckets, err := pages.Walk(f, st.Size(), numbers(lanes), numbers(&upper))
	for p := range lanes {
		lanes[p].join(upper[p])
	}
	for _, name := range slices.Sorted(maps.Keys(buckets)) {
		err = errors.Join(err, buckets[name])
	}
	if err != nil {
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	return nil
}

// numbers gathers the numbers of the events of each lane as a file is walked.
func numbers(lanes *[priorities]lane) func(*pages.Element) {
	return func(e *pages.Element) {
		if len(e.Bucket) != len(bucketEv[0]) || string(e.Bucket[:3]) != "ev/" {
			return
		}
		if p := e.Bucket[3] - '0'; p < priorities {
			seq, _ := parseSeq(e.Key) // a key of another size is a 0, which load refuses
			lanes[p].add(seq)
		}
	}
}
