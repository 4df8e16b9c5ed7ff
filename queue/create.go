package queue

import (
	"crypto/rand"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"go.etcd.io/bbolt"
	berrors "go.etcd.io/bbolt/errors"
)

const (
	format   = 1
	pageSize = 4096 // fixed, so that a file moves between machines of different page sizes
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
	const poll = 20 * time.Millisecond
	for end := time.Now().Add(wait); ; time.Sleep(poll) {
		err = syscall.Flock(int(dir.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if err == nil {
			return dir, nil
		}
		switch busy := errors.Is(err, syscall.EWOULDBLOCK); {
		case !busy && !errors.Is(err, syscall.EINTR):
			err = fmt.Errorf("lock directory %s: %w", path, err)
		case time.Now().Before(end):
			continue
		default:
			err = fmt.Errorf("%w: it has been making one in %s for %v", ErrLocked, path, wait)
		}
		dir.Close()
		return nil, err
	}
}

func writeNew(temp string, o Options) error {
	db, err := bbolt.Open(temp, fileMode, boltOptions(o))
	if err != nil {
		return err
	}
	if err := errors.Join(db.Update(layOut), db.Close()); err != nil {
		return err
	}
	f, err := os.OpenFile(temp, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(reserveNew(f, &o), f.Sync(), f.Close())
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
		meta.Put(keyLast, seal(bucketMeta, keyLast, seqKey(0))),
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
// lost its contents would pass for one that never had any.
func openBolt(path string, o Options, readOnly bool) (*bbolt.DB, error) {
	bo := boltOptions(o)
	bo.ReadOnly = readOnly
	bo.InitialMmapSize = int(o.MaxBytes) // a larger map later would have to wait for every reader
	bo.OpenFile = openChecked
	db, err := bbolt.Open(path, fileMode, bo)
	if errors.Is(err, berrors.ErrTimeout) {
		return nil, fmt.Errorf("%w: waited %v for its lock; stop the other process, or give this one a state directory of its own", ErrLocked, o.LockTimeout)
	}
	if err != nil {
		return nil, err
	}
	db.AllocSize = 0 // the account of the disk lengthens the file, before bbolt would
	return db, nil
}

// openChecked opens the file for bbolt, after the checks that must come before it is mapped into memory.
func openChecked(path string, flag int, mode os.FileMode) (*os.File, error) {
	f, err := os.OpenFile(path, flag&^os.O_CREATE, mode)
	if err != nil {
		return nil, err
	}
	if err := errors.Join(checkMode(f), checkHeader(f)); err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}

func checkMode(f *os.File) error {
	st, err := f.Stat()
	if err != nil {
		return err
	}
	if !st.Mode().IsRegular() {
		return fmt.Errorf("not a regular file (%v)", st.Mode())
	}
	if st.Mode().Perm()&0o077 != 0 {
		return fmt.Errorf("mode is %04o: others could read who came and went, or change it; expected 0600 (chmod 600 %s)", st.Mode().Perm(), f.Name())
	}
	return nil
}

// Offsets within a bbolt meta page; its numbers are in the machine's byte order.
const (
	metaMagic    = 16
	metaVersion  = 20
	metaPageSize = 24
	metaPages    = 56
	metaTx       = 64
	metaSum      = 72
	metaEnd      = 80

	boltMagic   = 0xED0CDAED
	boltVersion = 2
)

// checkHeader compares the file's length with what the newer valid meta page says it must have. Reading beyond the end
// of a mapped file is a signal that Go cannot turn into an error: without this check a file cut short would kill
// the gateway at every start.
func checkHeader(f *os.File) error {
	page, pages, ok := readMeta(f)
	if !ok {
		return errors.New("not a queue file, or its header is damaged: no valid meta page")
	}
	st, err := f.Stat()
	if err != nil {
		return err
	}
	if need := pages * page; uint64(st.Size()) < need {
		return fmt.Errorf("file is cut short: %d bytes, its header says at least %d", st.Size(), need)
	}
	return nil
}

// readMeta returns page size and page count of the newer valid meta page. The first stands at 0 and the second at the
// page size, which is known for certain only if the first is valid; hence all sizes that bbolt itself tries.
func readMeta(f *os.File) (page, pages uint64, ok bool) {
	var newest uint64
	consider := func(off int64) {
		b, valid := metaPage(f, off)
		if !valid {
			return
		}
		ne := binary.NativeEndian
		if tx := ne.Uint64(b[metaTx:]); !ok || tx > newest {
			page, pages, newest, ok = uint64(ne.Uint32(b[metaPageSize:])), ne.Uint64(b[metaPages:]), tx, true
		}
	}
	if consider(0); ok {
		consider(int64(page))
		return page, pages, true
	}
	for size := int64(1024); size <= 16<<20 && !ok; size <<= 1 {
		consider(size)
	}
	return page, pages, ok
}

// metaPage reads the meta page at off and says whether its checksum holds.
func metaPage(f *os.File, off int64) (b [metaEnd]byte, ok bool) {
	if _, err := f.ReadAt(b[:], off); err != nil {
		return b, false
	}
	ne := binary.NativeEndian
	sum := fnv.New64a()
	sum.Write(b[metaMagic:metaSum])
	return b, ne.Uint32(b[metaMagic:]) == boltMagic && ne.Uint32(b[metaVersion:]) == boltVersion && ne.Uint64(b[metaSum:]) == sum.Sum64()
}
