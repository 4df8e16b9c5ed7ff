// Package wholefile writes files whole or not at all: after a power cut the old one stands there or the new one, and never
// a part.
package wholefile

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"
)

// Options say how. The zero value replaces what stands there by a file of mode 0600.
type Options struct {
	// New refuses to replace anything: the error is fs.ErrExist then.
	New bool
	// Prepare may change owner and mode of the file, which is not yet in its place.
	Prepare func(f *os.File) error
	// Verify looks at the file once it is on the disk, before it is put in its place.
	Verify func(name string) error
}

// Write returns when the file and its name are on the disk. On an error nothing has changed at path, but for one of the
// directory's sync, of which nothing can be known.
func Write(path string, data []byte, o Options) error {
	return Fill(path, func(w io.Writer) error {
		_, err := w.Write(data)
		return err
	}, o)
}

// Fill is Write for what is too large for memory: fill writes it.
func Fill(path string, fill func(io.Writer) error, o Options) error {
	if err := write(path, fill, o); err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	return nil
}

func write(path string, fill func(io.Writer) error, o Options) error {
	dir := filepath.Dir(path)
	f, err := os.CreateTemp(dir, "."+filepath.Base(path)+"-*") // mode 0600
	if err != nil {
		return err
	}
	defer os.Remove(f.Name())
	err = fill(f)
	if err == nil && o.Prepare != nil {
		err = o.Prepare(f)
	}
	err = errors.Join(err, f.Sync())
	// What is read back is to come from the medium and not from memory. If the kernel keeps it, nothing is lost but that.
	_ = unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED)
	err = errors.Join(err, f.Close())
	if err == nil && o.Verify != nil {
		err = o.Verify(f.Name())
	}
	if err == nil {
		err = rename(f.Name(), path, o.New)
	}
	if err != nil {
		return err
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

func rename(from, to string, isNew bool) error {
	if !isNew {
		return os.Rename(from, to)
	}
	err := unix.Renameat2(unix.AT_FDCWD, from, unix.AT_FDCWD, to, unix.RENAME_NOREPLACE)
	if errors.Is(err, unix.EINVAL) || errors.Is(err, unix.ENOSYS) { // a file system that cannot promise it
		if _, err := os.Lstat(to); err == nil {
			return fs.ErrExist
		}
		return os.Rename(from, to)
	}
	return err // EEXIST is fs.ErrExist
}
