package roster

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"syscall"
	"time"
)

const lockFile = "roster.lock"

// lockWait is how long Lock waits for another: a change takes milliseconds.
const lockWait = 10 * time.Second

// Lock keeps all others from changing the roster in dir, which it makes if need be, until the lock is closed. Whoever
// changes a roster holds it from Open or Create to Save: two that had read the same roster would each write back their
// own, and a revocation could be lost. It waits until ctx ends, at most 10 s, for another to be done. The lock ends with
// the process that holds it, so its file stays and needs no care.
func Lock(ctx context.Context, dir string) (io.Closer, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("lock roster: %w", err)
	}
	f, err := os.OpenFile(filepath.Join(dir, lockFile), os.O_RDWR|os.O_CREATE|syscall.O_NOFOLLOW, 0o600)
	if err != nil {
		return nil, fmt.Errorf("lock roster: %w", err)
	}
	if err := errors.Join(giveToOwner(f), await(ctx, f)); err != nil {
		return nil, fmt.Errorf("lock roster: %w", errors.Join(err, f.Close()))
	}
	return f, nil
}

func await(ctx context.Context, f *os.File) error {
	ctx, cancel := context.WithTimeout(ctx, lockWait)
	defer cancel()
	again := time.NewTicker(20 * time.Millisecond)
	defer again.Stop()
	for {
		err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if !errors.Is(err, syscall.EWOULDBLOCK) {
			return err
		}
		select {
		case <-again.C:
		case <-ctx.Done():
			return fmt.Errorf("another `longlane enrol` (or `backup`) holds %s; nothing was changed; let the other end, then try again", f.Name())
		}
	}
}

// giveToOwner gives a file that root has made to whoever owns the directory: the gateway runs as that user, and nobody
// but the owner may read these files. A file of another's making (a second name of some file of root's, put there by
// that user) stays as it is.
func giveToOwner(f *os.File) error {
	file, err := f.Stat()
	if err != nil || os.Geteuid() != 0 {
		return err
	}
	dir, err := os.Stat(filepath.Dir(f.Name()))
	if err != nil {
		return err
	}
	is, ok1 := file.Sys().(*syscall.Stat_t)
	to, ok2 := dir.Sys().(*syscall.Stat_t)
	if !ok1 || !ok2 || is.Uid != 0 || is.Nlink != 1 || is.Uid == to.Uid && is.Gid == to.Gid {
		return nil
	}
	return f.Chown(int(to.Uid), int(to.Gid))
}
