package queue

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"longlane/queue/datafile"
)

// RecoverOptions is what Recover must know of what it saves.
type RecoverOptions struct {
	// MergeMarks makes one mark of two versions of it that were found. It must refuse nothing that either would not.
	MergeMarks func(a, b []byte) ([]byte, error)
	// Sinks are those whose places must not be lost: for each the names that it may have, the present one first. Where
	// none of them was found, all that was saved waits for it again.
	Sinks [][]string
	// Probe opens the queue file in a process of its own, which may die of it. It is asked only if this process died
	// the last time it opened the file. nil: a file that may have killed it counts as damaged.
	Probe func(path string) error
	// Within is how long saving may take: what is not saved by then, check-ins first, stays in the file that is kept. 0: 5 s.
	Within time.Duration
}

// Recovery tells what Recover did.
type Recovery struct {
	Reason error  // why the file could not be used as it stood
	Kept   string // where it stands now
	Events [priorities]int
	Marks  int
	Sinks  []string // whose places were found
	// Whole says that the marks, and the settings beside them, are as they were last written. If not, settings are gone,
	// and marks may be older ones.
	Whole bool
	Left  int   // events not saved for want of time or room, at least
	Short error // why, if it was not time
}

// String is what happened, for people.
func (r *Recovery) String() string {
	var b strings.Builder
	reason, _, _ := strings.Cut(r.Reason.Error(), "\n") // of several things wrong the first
	if _, why, ok := strings.Cut(reason, ErrDamaged.Error()+": "); ok {
		reason = why
	}
	fmt.Fprintf(&b, "the queue's file was damaged (%s) and has been replaced; saved: %d trips, %d faults, %d check-ins", reason, r.Events[Alarm], r.Events[Notice], r.Events[Routine])
	if r.Left > 0 {
		fmt.Fprintf(&b, ", not %d more", r.Left)
		if r.Short != nil {
			fmt.Fprintf(&b, " (%v)", r.Short)
		}
	}
	if !r.Whole {
		b.WriteString(", not all of what tells old frames from new")
	}
	fmt.Fprintf(&b, "; the damaged file is kept as %s", r.Kept)
	return b.String()
}

const (
	openingSuffix = ".opening" // stands while the file is being opened
	damagedSuffix = ".damaged-"
	keptFiles     = 3 // damaged files beside the queue: a failing card must not fill up with them
	defaultWithin = 5 * time.Second
)

// Recover is Open for whatever stands at path: a file that is damaged is put aside, what can be read of it is saved in
// a new one, and the queue is opened all the same. The Recovery is nil if nothing was wrong.
//
// Saved is every event whose bytes are whole, in the tree or beside it, that some sink waits for; the marks, merged
// from all versions found; the places of sinks, the farthest of all versions found. A place that was found too early has
// events delivered once more. Settings are saved only if they and the marks are whole.
func Recover(path string, o Options, r RecoverOptions) (*Queue, *Recovery, error) {
	if real, err := filepath.EvalSymlinks(path); err == nil {
		path = real
	}
	judged, _ := os.Lstat(path) // nil: what is made now is not damaged
	q, err := openWatched(path, o, r.Probe)
	if !errors.Is(err, ErrDamaged) {
		return q, nil, err
	}
	if err := o.fill(); err != nil {
		return nil, nil, err
	}
	rec, err := replace(path, judged, o, r, err)
	if err != nil {
		return nil, nil, fmt.Errorf("replace damaged queue %s: %w", path, err)
	}
	o.Log.Error(rec.String(), "path", path)
	q, err = Open(path, o)
	return q, rec, err
}

// openWatched leaves a sign while it opens the file, so that the next start knows if this process does not survive it.
func openWatched(path string, o Options, probe func(string) error) (*Queue, error) {
	sign := path + openingSuffix
	_, died := os.Lstat(sign)
	_, there := os.Lstat(path) // it may have died before it had made the file
	if died == nil && !errors.Is(there, fs.ErrNotExist) {
		if err := probeAfterDeath(path, probe); err != nil {
			return nil, err
		}
	}
	// The sign is a second line of defence: a disk too full for it must not keep the queue closed.
	if err := os.WriteFile(sign, nil, fileMode); err == nil {
		defer os.Remove(sign)
	}
	return Open(path, o)
}

func probeAfterDeath(path string, probe func(string) error) error {
	err := errors.New("it cannot be told whether the file was the cause")
	if probe != nil {
		err = probe(path)
	}
	if err == nil || errors.Is(err, ErrLocked) {
		return err
	}
	return fmt.Errorf("%w: the gateway did not survive opening it: %w", ErrDamaged, err)
}

// replace puts a new file with what can be saved in the place of the damaged one, which is kept.
func replace(path string, judged fs.FileInfo, o Options, r RecoverOptions, reason error) (rec *Recovery, err error) {
	dir, err := lockDir(filepath.Dir(path), o.LockTimeout)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, dir.Close()) }()
	rec = &Recovery{Reason: reason}
	temp := path + ".new"
	if err := os.Remove(temp); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("remove what an interrupted start left: %w", err)
	}
	if now, err := os.Lstat(path); err != nil {
		return nil, err
	} else if !os.SameFile(judged, now) {
		return nil, fmt.Errorf("%w: it has replaced the damaged file meanwhile", ErrLocked)
	}
	// Its lock is held until it has been replaced: a gateway that could open it meanwhile would write to what is put aside.
	damaged, err := lockDamaged(path, o.LockTimeout)
	if err != nil {
		return nil, err
	}
	if damaged != nil {
		defer damaged.Close()
	}
	if err := rec.save(damaged, temp, o, r); err != nil {
		return nil, err
	}
	if rec.Kept, err = keep(path); err != nil {
		return nil, err
	}
	if err := errors.Join(os.Rename(temp, path), dir.Sync()); err != nil {
		return nil, err
	}
	if err := os.Remove(path + openingSuffix); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	return rec, nil
}

// lockDamaged opens the file at path and takes its lock; nil if no file stands there that has something to save.
func lockDamaged(path string, wait time.Duration) (*os.File, error) {
	st, err := os.Lstat(path)
	if err != nil || !st.Mode().IsRegular() {
		return nil, err
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	if err := errors.Join(datafile.Lock(f, syscall.LOCK_EX, wait), datafile.Same(path, f)); err != nil {
		f.Close()
		return nil, asLocked(err)
	}
	return f, nil
}

// save writes what can be read of the damaged file f, nil if there is none, to a new one at temp.
func (rec *Recovery) save(f *os.File, temp string, o Options, r RecoverOptions) error {
	s := newSalvage(r)
	if f != nil {
		st, err := f.Stat()
		if err != nil {
			return err
		}
		s.search(f, st.Size())
	}
	within := r.Within
	if within == 0 {
		within = defaultWithin
	}
	until := time.Now().Add(within)
	for most := len(s.events[Alarm]) + len(s.events[Notice]) + len(s.events[Routine]); ; most /= 2 {
		err := s.write(temp, o, until, most, rec)
		if err == nil {
			return nil
		}
		if rerr := os.Remove(temp); !isNoSpace(err) || most == 0 || rerr != nil {
			return errors.Join(err, rerr)
		}
		// Without its events the new file needs next to nothing. What is not saved is still in the old one.
		rec.Short = err
	}
}

// keep gives what stands at path a second name, or another name if it cannot have two, and removes the oldest of those
// kept before.
func keep(path string) (string, error) {
	entries, err := os.ReadDir(filepath.Dir(path))
	if err != nil {
		return "", err
	}
	var old []int
	for _, e := range entries {
		if rest, ok := strings.CutPrefix(e.Name(), filepath.Base(path)+damagedSuffix); ok {
			if n, err := strconv.Atoi(rest); err == nil && n > 0 { // else it is not of this function's making
				old = append(old, n)
			}
		}
	}
	slices.Sort(old)
	next := 1
	if len(old) > 0 {
		next = old[len(old)-1] + 1
	}
	for ; len(old) >= keptFiles; old = old[1:] {
		if err := os.RemoveAll(path + damagedSuffix + strconv.Itoa(old[0])); err != nil {
			return "", err
		}
	}
	kept := path + damagedSuffix + strconv.Itoa(next)
	// With two names there is no moment at which nothing stands at path, which would pass for a queue that never was.
	if err := os.Link(path, kept); err == nil {
		return kept, nil
	}
	return kept, os.Rename(path, kept)
}
