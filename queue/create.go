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
// when it is complete on disk. That the name lasts is left to syncDir. The lock on the directory keeps two gateways that start together from replacing each
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

// syncDir makes the file's name durable. Open does it every time: a process that was killed right after the rename left
// a file that looks like any other, and would be gone after a power cut with all that was stored since.
func syncDir(path string) error {
	dir, err := os.Open(path)
	if err != nil {
		return err
	}
	if err := errors.Join(dir.Sync(), dir.Close()); err != nil {
		return fmt.Errorf("sync directory: %w", err)
	}
	return nil
}

func lockDir(path string, wait time.Duration) (*os.File, error) {
	dir, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	err = flock(dir, syscall.LOCK_EX, wait)
	if err == nil {
		return dir, nil
	}
	if errors.Is(err, syscall.EWOULDBLOCK) {
		err = fmt.Errorf("%w: it has been making one in %s for %v", ErrLocked, path, wait)
	}
	dir.Close()
	return nil, err
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

// openChecked opens the file for bbolt, takes its lock, which bbolt takes once more on the same descriptor, and makes sure
// under it that bbolt cannot come to grief over what stands there.
func openChecked(path string, flag int, mode os.FileMode, wait time.Duration, lanes *[priorities]lane) (*os.File, error) {
	// Without O_NONBLOCK a pipe would be waited for.
	f, err := os.OpenFile(path, flag&^os.O_CREATE|syscall.O_NONBLOCK, mode)
	if errors.Is(err, syscall.EISDIR) || errors.Is(err, syscall.ENXIO) {
		return nil, fmt.Errorf("%w: not a regular file (%w)", ErrDamaged, err)
	}
	if err != nil {
		return nil, err
	}
	how := syscall.LOCK_EX
	if flag&(os.O_WRONLY|os.O_RDWR) == 0 {
		how = syscall.LOCK_SH
	}
	err = checkMode(f)
	if err == nil {
		err = lock(f, how, wait)
	}
	if err == nil {
		err = sameFile(path, f)
	}
	if err == nil {
		err = checkPages(f, lanes)
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}

// sameFile refuses a file that another gateway has replaced while its lock was waited for: what would be written to it is
// lost.
func sameFile(path string, f *os.File) error {
	now, err := os.Stat(path)
	if err != nil {
		return err
	}
	was, err := f.Stat()
	if err != nil {
		return err
	}
	if !os.SameFile(now, was) {
		return fmt.Errorf("%w: it has replaced the file meanwhile", ErrLocked)
	}
	return nil
}

// lock takes the lock that bbolt takes as well.
func lock(f *os.File, how int, wait time.Duration) error {
	err := flock(f, how, wait)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return fmt.Errorf("%w: waited %v for its lock; stop the other process, or give this one a state directory of its own", ErrLocked, wait)
	}
	return err
}

func flock(f *os.File, how int, wait time.Duration) error {
	const poll = 20 * time.Millisecond
	for end := time.Now().Add(wait); ; time.Sleep(poll) {
		err := syscall.Flock(int(f.Fd()), how|syscall.LOCK_NB)
		switch {
		case err == nil:
			return nil
		case !errors.Is(err, syscall.EWOULDBLOCK) && !errors.Is(err, syscall.EINTR):
			return fmt.Errorf("lock %s: %w", f.Name(), err)
		case !time.Now().Before(end):
			return syscall.EWOULDBLOCK
		}
	}
}

func checkMode(f *os.File) error {
	st, err := f.Stat()
	if err != nil {
		return err
	}
	if !st.Mode().IsRegular() {
		return fmt.Errorf("%w: not a regular file (%v)", ErrDamaged, st.Mode())
	}
	if st.Mode().Perm()&0o077 != 0 {
		return fmt.Errorf("mode is %04o: others could read who came and went, or change it; expected 0600 (chmod 600 %s)", st.Mode().Perm(), f.Name())
	}
	return nil
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
