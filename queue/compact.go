package queue

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"go.etcd.io/bbolt"

	"longlane/queue/datafile"
)

// A file never shrinks by itself: after a long outage it would keep the disk, and be searched for free pages at each
// start, for ever. When little is left in it, and nobody waits, what is left is copied to a new file that takes its
// place. Whenever the process is killed meanwhile, one of the two stands whole under the queue's name.
const (
	compactAbove = 32 << 20 // bytes of file
	compactBelow = 10       // percent of it in use
	compactRetry = time.Minute
)

func tempName(path string) string { return path + ".compact" }

// removeTemp removes what a compaction that was cut short has left. The caller holds the queue's lock.
func removeTemp(path string) error {
	if err := os.Remove(tempName(path)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("remove what an interrupted compaction left: %w", err)
	}
	return nil
}

// worthCompacting says whether little of a large file is in use. The committer alone calls it, or who opens.
func (q *Queue) worthCompacting() bool {
	allocated := q.disk.limit(false)
	if allocated <= q.opt.compactAbove || time.Since(q.compactFailed) < compactRetry {
		return false
	}
	used, err := inUse(q.db)
	return err == nil && used*100 < allocated*compactBelow
}

// highWater is where the pages end that were ever in use.
func highWater(db *bbolt.DB) (bytes int64, err error) {
	err = db.View(func(tx *bbolt.Tx) error {
		bytes = tx.Size()
		return nil
	})
	return bytes, err
}

// idle says whether nothing was committed since it was last asked, and nothing waits.
func (q *Queue) idle(seen *uint64) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	was := *seen
	*seen = q.stats.Commits
	return was == *seen && q.inbox.len() == 0
}

func (q *Queue) compactIdle() {
	if err := q.failure(); err != nil {
		return
	}
	if err := q.compact(); err != nil {
		q.opt.Log.Warn("the queue's file could not be made smaller; it is used as it is", "path", q.path, "err", err)
	}
}

// compact puts a compacted copy in the file's place. On an error the queue goes on with what it had, or is broken.
func (q *Queue) compact() error {
	start := time.Now()
	db, f, high, err := q.writeCompacted()
	if err != nil {
		q.compactFailed = time.Now()
		return errors.Join(err, removeTemp(q.path))
	}
	d, err := openDisk(f, high, &q.opt)
	tx := uint64(0)
	if err == nil {
		err = db.View(func(t *bbolt.Tx) error { tx = uint64(t.ID()); return nil })
	}
	if err == nil {
		err = os.Rename(tempName(q.path), q.path)
	}
	if err != nil {
		q.compactFailed = time.Now()
		return errors.Join(err, db.Close(), removeTemp(q.path))
	}
	before, stats := q.disk.limit(false), q.db.Stats()
	old := q.db
	q.views.Lock()
	q.db, q.disk, q.tx = db, d, tx
	q.views.Unlock() // from here nobody reads the old file
	q.mu.Lock()
	q.wrote += stats.TxStats.GetPageAlloc()
	q.stats.Compactions++
	q.stats.BytesFile = d.limit(false)
	q.mu.Unlock()
	err = old.Close()
	// Without this a power cut may bring back the old file, and all that is stored from now on would be gone.
	if serr := datafile.Sync(filepath.Dir(q.path)); serr != nil {
		return errors.Join(err, q.breakDown(serr))
	}
	q.opt.Log.Info("the queue's file was made smaller", "from_kib", before>>10, "to_kib", d.limit(false)>>10, "took", time.Since(start))
	return err
}

// writeCompacted makes the copy, with its reserve, on disk and locked.
func (q *Queue) writeCompacted() (db *bbolt.DB, f *os.File, high int64, err error) {
	if err := removeTemp(q.path); err != nil {
		return nil, nil, 0, err
	}
	o := boltOptions(q.opt)
	o.NoSync = true // all at once, below
	o.InitialMmapSize = int(q.opt.MaxBytes)
	o.OpenFile = func(path string, flag int, mode os.FileMode) (_ *os.File, err error) {
		f, err = os.OpenFile(path, flag, mode)
		return f, err
	}
	if db, err = bbolt.Open(tempName(q.path), fileMode, o); err != nil {
		return nil, nil, 0, err
	}
	db.AllocSize = 0
	if err = bbolt.Compact(db, q.db, growStep); err == nil {
		high, err = highWater(db)
		err = errors.Join(err, reserveNew(f, &q.opt), f.Sync())
	}
	if err != nil {
		return nil, nil, 0, errors.Join(err, db.Close())
	}
	db.NoSync = q.opt.noSync
	return db, f, high, nil
}
