package queue

import (
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// What the file takes of the disk is taken before it is needed, in steps, so that running out of space is an answer to
// an append and never a failure in the middle of a commit. bbolt copies what it changes: even a deletion needs free
// pages first. So part of the file, the reserve, is never given to events:
//
//	| in use and free pages, up to the high-water mark | room for events | slack | reserve |
//	                                                                             allocated ^ = the file's size
//
// Invariants: every byte of the file below allocated has its place on the disk. Events are stored only while the bytes
// in use, what they add, and slack and reserve fit below allocated. A transaction without events may use all of it. It
// is sized to what is left (trimmable), gives back as many pages as it takes, and they can be used again as soon as no
// reader is left who may still look at them; so acknowledging and deleting go on for ever.
const (
	growStep = 1 << 20 // the file grows by this much, or by what is needed if the disk has no more

	// txSlack is what any transaction may write beside the values of new events: for each of 9 buckets and the list of
	// them a way from root to leaf of at most 5 pages, and what marks and cursors take. A test measures it.
	txSlack = 64 * pageSize

	minReserve = 512 << 10
	maxReserve = 2 << 20

	// Cursors stand on pages in a row: beside the new one there may be the old one and gaps too short for it. One that
	// does not surely fit waits in memory; that takes thousands of spans, on a full disk.
	cursorSpace = 16

	defaultLeaveFree = 16 << 20
	diskPoll         = time.Second
)

// reserveFor is the reserve of a queue: 1/128 of what it may hold, and not below what one transaction takes that deletes
// the largest values.
func reserveFor(maxBytes int64) int64 {
	return min(max(maxBytes/128, minReserve), maxReserve) &^ (pageSize - 1)
}

// disk keeps account of the space that the file has and may yet get.
type disk struct {
	maxBytes, leaveFree, reserve int64

	mu        sync.Mutex // protects what follows
	file      *os.File   // the queue's file, which bbolt closes
	allocated int64
	avail     int64 // free on the file system at polled
	polled    time.Time
	short     bool // growing was refused, until there is clearly room again
	denied    bool // and that although there is said to be room: a quota
	zeros     bool // the file system cannot allocate: zeros are written instead
}

// openDisk takes the account of an open file whose pages go up to high, and gets its reserve if it can: a queue on a
// full disk opens all the same, to be emptied.
func openDisk(f *os.File, high int64, o *Options) (*disk, error) {
	d := &disk{maxBytes: o.MaxBytes, leaveFree: o.LeaveFree, reserve: reserveFor(o.MaxBytes), file: f, allocated: high}
	st, err := f.Stat()
	if err != nil {
		return nil, err
	}
	// A file that an earlier version has lengthened has holes; what was allocated already costs nothing here.
	if size := st.Size() &^ (pageSize - 1); size > high {
		err = d.extend(size)
	}
	if want := high + txSlack + d.reserve; err == nil && d.allocated < want {
		err = d.extend(want)
	}
	if isNoSpace(err) {
		o.Log.Warn("the disk is full: the queue takes no events until there is room", "path", f.Name(), "err", err)
		d.short = true
	} else if err != nil {
		return nil, err
	}
	return d, d.poll(time.Now())
}

// isNoSpace says whether err is the disk's, or the quota's, way to say that it is full.
func isNoSpace(err error) bool { return errors.Is(err, unix.ENOSPC) || errors.Is(err, unix.EDQUOT) }

// extend gives the file space on the disk up to size. If it fails nothing is lost: the file may be longer, but what
// is not allocated is not used. The caller holds mu, or is alone.
func (d *disk) extend(size int64) error {
	size = (size + pageSize - 1) &^ (pageSize - 1)
	err := unix.EOPNOTSUPP
	for !d.zeros {
		e := unix.Fallocate(int(d.file.Fd()), 0, d.allocated, size-d.allocated)
		if e == nil {
			break
		}
		if e == unix.EINTR {
			continue
		}
		if e != unix.EOPNOTSUPP && e != unix.ENOSYS {
			return fmt.Errorf("allocate %d KiB for %s: %w", size>>10, d.file.Name(), e)
		}
		d.zeros = true
	}
	if d.zeros {
		if e := writeZeros(d.file, d.allocated, size); e != nil {
			return fmt.Errorf("write zeros up to %d KiB: %w (%w)", size>>10, e, err)
		}
	}
	// The new length must be on disk before a meta page that counts on it.
	if err := d.file.Sync(); err != nil {
		return fmt.Errorf("sync after growing to %d KiB: %w", size>>10, err)
	}
	d.allocated = size
	return nil
}

// writeZeros fills the file from off to end. Only pages above the high-water mark are there: they hold nothing.
func writeZeros(f *os.File, off, end int64) error {
	var block [64 << 10]byte
	for off < end {
		n, err := f.WriteAt(block[:min(int64(len(block)), end-off)], off)
		if err != nil {
			return err
		}
		off += int64(n)
	}
	return nil
}

// poll asks the file system what is left. The caller holds mu, or is alone.
func (d *disk) poll(now time.Time) error {
	var st unix.Statfs_t
	if err := unix.Fstatfs(int(d.file.Fd()), &st); err != nil {
		return fmt.Errorf("ask for the free space of the file system of %s: %w", d.file.Name(), err)
	}
	size := max(1, int64(st.Bsize)) // some file systems in user space say 0
	d.avail, d.polled = int64(min(st.Bavail, 1<<40/uint64(size)))*size, now
	// Clearly room: two steps, so that a disk at the edge does not change its mind with each event.
	d.short = d.short && d.avail-d.leaveFree < 2*growStep
	return nil
}

// refresh polls if the last time was a while ago. The caller holds mu.
func (d *disk) refresh() {
	now := time.Now()
	if age := now.Sub(d.polled); age >= 0 && age < diskPoll {
		return
	}
	if d.poll(now) != nil { // the file system does not even answer: take nothing from it
		d.avail, d.polled, d.short = 0, now, true
	}
	if d.denied && d.avail-d.leaveFree >= growStep { // only a try can tell
		if d.denied = d.extend(d.allocated+growStep) != nil; d.denied {
			d.short = true
		} else {
			d.avail -= growStep
		}
	}
}

// capacity is how many bytes may be in use until trips are refused, as things stand: MaxBytes, or less if the disk has
// no room for that.
func (d *disk) capacity() (bytes int64, byDisk bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.refresh()
	bytes = d.allocated - d.reserve - txSlack
	if !d.short {
		bytes += max(0, d.avail-d.leaveFree)
	}
	if bytes >= d.maxBytes {
		return d.maxBytes, false
	}
	return max(0, bytes), true
}

// fits makes the file long enough for events with which so many bytes will be in use, or says no.
func (d *disk) fits(used int64) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	need := (used + txSlack + d.reserve + pageSize - 1) &^ (pageSize - 1) // as extend does
	if need <= d.allocated {
		return true
	}
	if d.refresh(); d.short {
		return false
	}
	for _, size := range []int64{d.allocated + max(growStep, need-d.allocated), need} {
		more := size - d.allocated
		if d.avail-d.leaveFree < more {
			continue
		}
		if d.extend(size) == nil {
			d.avail -= more
			return true
		}
		d.denied = true
	}
	d.refuse()
	return false
}

// refuse has events refused until there is clearly room, and for as long as a poll lasts at the least. The caller
// holds mu.
func (d *disk) refuse() { d.short, d.polled = true, time.Now() }

// tight has events refused: a transaction did not fit although the account had said so.
func (d *disk) tight() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.refuse()
}

// lastResort takes from what is left free for others, for a transaction without events that does not fit.
func (d *disk) lastResort() {
	d.mu.Lock()
	defer d.mu.Unlock()
	_ = d.extend(d.allocated + d.reserve) // if it fails the transaction waits
}

// limit is up to where bbolt may use the file. It is the last line: bbolt then fails before it has written anything.
func (d *disk) limit(events bool) int64 {
	d.mu.Lock()
	defer d.mu.Unlock()
	if events {
		return d.allocated - d.reserve
	}
	return d.allocated
}

// reserveNew gives a file that is being made its reserve: without it nothing in it could ever be deleted.
func reserveNew(f *os.File, o *Options) error {
	st, err := f.Stat()
	if err != nil {
		return err
	}
	d := &disk{file: f, allocated: st.Size() &^ (pageSize - 1)}
	want := st.Size() + txSlack + reserveFor(o.MaxBytes)
	if err := d.extend(want); err != nil {
		return fmt.Errorf("it needs %d KiB to begin with; make room on the disk: %w", want>>10, err)
	}
	return nil
}
