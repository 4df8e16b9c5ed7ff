// Package datafile opens a file that holds what must not be lost, under its lock, and never makes one: an empty file in the place
// of one that is gone would pass for one that never held anything.
package datafile

import (
	"errors"
	"fmt"
	"os"
	"syscall"
	"time"
)

// Errors that callers branch on; test with errors.Is.
var (
	// ErrIrregular refuses what is no regular file.
	ErrIrregular = errors.New("not a regular file")
	// ErrLocked is returned while another process holds the lock, or if it has replaced the file while that was waited for.
	ErrLocked = errors.New("another process holds it")
)

// Open opens the file at path with these flags, but for O_CREATE, and takes its lock within wait: a shared one to read, an exclusive
// one to write, as bbolt takes once more on the same descriptor. Others than its owner may have no rights to it.
func Open(path string, flag int, mode os.FileMode, wait time.Duration) (*os.File, error) {
	// Without O_NONBLOCK a pipe would be waited for.
	f, err := os.OpenFile(path, flag&^os.O_CREATE|syscall.O_NONBLOCK, mode)
	if errors.Is(err, syscall.EISDIR) || errors.Is(err, syscall.ENXIO) {
		return nil, fmt.Errorf("%w (%w)", ErrIrregular, err)
	}
	if err != nil {
		return nil, err
	}
	how := syscall.LOCK_EX
	if flag&(os.O_WRONLY|os.O_RDWR) == 0 {
		how = syscall.LOCK_SH
	}
	if err = checkMode(f); err == nil {
		err = Lock(f, how, wait)
	}
	if err == nil {
		err = Same(path, f)
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}

func checkMode(f *os.File) error {
	st, err := f.Stat()
	switch {
	case err != nil:
		return err
	case !st.Mode().IsRegular():
		return fmt.Errorf("%w (%v)", ErrIrregular, st.Mode())
	case st.Mode().Perm()&0o077 != 0:
		return fmt.Errorf("mode is %04o: others could read who came and went, or change it; expected 0600 (chmod 600 %s)", st.Mode().Perm(), f.Name())
	}
	return nil
}

// Same refuses, once its lock is held, a file that is no longer the one at path: what would be written to one that another process
// has replaced meanwhile is lost.
func Same(path string, f *os.File) error {
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

// Lock takes the lock of an open file or directory within wait, how being syscall.LOCK_EX or LOCK_SH.
func Lock(f *os.File, how int, wait time.Duration) error {
	const poll = 20 * time.Millisecond
	for end := time.Now().Add(wait); ; time.Sleep(poll) {
		err := syscall.Flock(int(f.Fd()), how|syscall.LOCK_NB)
		switch {
		case err == nil:
			return nil
		case !errors.Is(err, syscall.EWOULDBLOCK) && !errors.Is(err, syscall.EINTR):
			return fmt.Errorf("lock %s: %w", f.Name(), err)
		case !time.Now().Before(end):
			return fmt.Errorf("%w: waited %v for its lock", ErrLocked, wait)
		}
	}
}

// Sync has what is at path, a file or the names in a directory, survive a power cut.
func Sync(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	if err := errors.Join(f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("sync %s: %w", path, err)
	}
	return nil
}
