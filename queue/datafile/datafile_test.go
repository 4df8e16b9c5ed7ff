package datafile

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// TestOpen: what is no private, regular file of this process alone is refused, and none is made.
func TestOpen(t *testing.T) {
	path := filepath.Join(t.TempDir(), "data")
	open := func(flag int) error {
		f, err := Open(path, flag|os.O_CREATE, 0o600, 30*time.Millisecond)
		if err == nil {
			f.Close()
		}
		return err
	}
	made := func(mode fs.FileMode) *os.File {
		t.Helper()
		f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, mode)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { f.Close() })
		return f
	}
	if err := open(os.O_RDWR); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("no file: %v", err)
	}
	for what, mk := range map[string]func() error{"directory": func() error { return os.Mkdir(path, 0o700) }, "pipe": func() error { return syscall.Mkfifo(path, 0o600) }} {
		if err := mk(); err != nil {
			t.Fatal(err)
		}
		for _, flag := range []int{os.O_RDONLY, os.O_RDWR} {
			if err := open(flag); !errors.Is(err, ErrIrregular) {
				t.Errorf("a %s: %v, want ErrIrregular", what, err)
			}
		}
		os.Remove(path)
	}
	made(0o640)
	if err := open(os.O_RDWR); err == nil || !strings.Contains(err.Error(), "0640") || !strings.Contains(err.Error(), "chmod 600 "+path) {
		t.Errorf("one that others can read: %v", err)
	}
	os.Remove(path)
	other := made(0o600)
	for _, c := range []struct {
		held, flag int
		refused    bool
	}{{syscall.LOCK_UN, os.O_RDWR, false}, {syscall.LOCK_SH, os.O_RDONLY, false}, {syscall.LOCK_SH, os.O_RDWR, true}, {syscall.LOCK_EX, os.O_RDONLY, true}} {
		if err := Lock(other, c.held, time.Second); err != nil {
			t.Fatal(err)
		}
		if err := open(c.flag); errors.Is(err, ErrLocked) != c.refused || err != nil && !c.refused {
			t.Errorf("lock %d held, opened with %d: %v", c.held, c.flag, err)
		}
	}
}

// TestReplaced: whoever has waited for the lock of a file that was replaced meanwhile gets neither.
func TestReplaced(t *testing.T) {
	path := filepath.Join(t.TempDir(), "data")
	for _, p := range []string{path, path + ".new"} {
		if err := os.WriteFile(p, nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := Lock(f, syscall.LOCK_EX, time.Second); err != nil {
		t.Fatal(err)
	}
	opened := make(chan error)
	go func() {
		f, err := Open(path, os.O_RDWR, 0, time.Minute)
		if err == nil {
			f.Close()
		}
		opened <- err
	}()
	waits := func() bool { // whoever waits for the lock has the file open
		list, err := os.ReadDir("/proc/self/fd")
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for _, e := range list {
			if to, err := os.Readlink("/proc/self/fd/" + e.Name()); err == nil && to == path {
				n++
			}
		}
		return n == 2
	}
	look := time.NewTicker(time.Millisecond)
	defer look.Stop()
	for !waits() {
		<-look.C
	}
	if err := os.Rename(path+".new", path); err != nil {
		t.Fatal(err)
	}
	if err := Lock(f, syscall.LOCK_UN, time.Second); err != nil {
		t.Fatal(err)
	}
	if err := <-opened; !errors.Is(err, ErrLocked) {
		t.Errorf("a file that was replaced while its lock was waited for: %v, want ErrLocked", err)
	}
}
