package backup

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"

	"longlane/gateway/logbook"
	"longlane/queue/history"
)

// History says how much of it is in a backup.
type History struct {
	Records int   `json:"records"`
	Bytes   int64 `json:"bytes"`
	Damaged int   `json:"damaged"` // records that could not be read when it was saved, and are not in it
}

// findHistory notes whether there is one. It is copied when the backup is saved, for it is not read into memory.
func (b *Backup) findHistory(ctx context.Context, state string) error {
	path := filepath.Join(state, history.File)
	if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
		return nil
	} else if err != nil {
		return err
	}
	b.Manifest.History = &HistoryFrom{Path: path}
	b.copy = func(w io.Writer) error { return logbook.Copy(ctx, state, w) }
	return nil
}

// LeaveHistory leaves the history out of what Save writes or Restore puts back.
func (b *Backup) LeaveHistory() { b.Manifest.History = nil }

// measured is what write has written.
func measured(write func(io.Writer) error) (h History, err error) {
	r, w := io.Pipe()
	counted := make(chan error, 1)
	go func() { // ends with the pipe
		c, err := history.ReadCopy(&counting{r, &h.Bytes})
		h.Records, h.Damaged = c.Records, c.Damaged
		r.CloseWithError(err)
		counted <- err
	}()
	err = write(w)
	w.CloseWithError(err)
	if read := <-counted; err == nil {
		err = read
	}
	return h, err
}

// heeding ends with ctx: years of history take minutes on a small board.
type heeding struct {
	ctx context.Context
	r   io.Reader
}

func (h *heeding) Read(b []byte) (int, error) {
	if err := h.ctx.Err(); err != nil {
		return 0, fmt.Errorf("stopped: %w", err)
	}
	return h.r.Read(b)
}

type counting struct {
	r io.Reader
	n *int64
}

func (c *counting) Read(b []byte) (int, error) {
	n, err := c.r.Read(b)
	*c.n += int64(n)
	return n, err
}

// readHistory reads what stands behind the tar to the file's end, at which it is known that nothing is missing.
func (b *Backup) readHistory(inside io.Reader) error {
	if b.Manifest.History == nil {
		switch n, err := io.Copy(io.Discard, inside); {
		case err != nil:
			return err
		case n > 0:
			return fmt.Errorf("%s: found %d bytes that %s does not tell of, expected none; take another backup", b.path, n, manifestName)
		}
		return nil
	}
	c, err := history.ReadCopy(&counting{inside, &b.History.Bytes})
	b.History.Records, b.History.Damaged = c.Records, c.Damaged
	return b.asHistory(err)
}

// asHistory says of an error of the history what is to be done.
func (b *Backup) asHistory(err error) error {
	var damaged *damagedError
	switch {
	case errors.Is(err, context.Canceled):
		return fmt.Errorf("%s: %w", b.path, err)
	case errors.As(err, &damaged):
		return fmt.Errorf("%w; all but the history can be restored: add --without-history", damaged)
	case errors.Is(err, history.ErrCopy):
		return fmt.Errorf("%s: found a history that is not whole (%w), expected all of it; take another backup, or restore all but the history: add --without-history", b.path, err)
	}
	return err
}

// restoreHistory puts the history into its place. It is read from the backup a second time, which must be the same still.
func (b *Backup) restoreHistory(ctx context.Context) (path string, err error) {
	path = filepath.Join(b.config.State, history.File)
	f, err := os.Open(b.path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	same, inside, err := begin(b.path, bufio.NewReader(f), b.words)
	if err != nil {
		return "", err
	}
	if !reflect.DeepEqual(same.Manifest, b.Manifest) {
		return "", fmt.Errorf("%s: found another backup than a moment ago, expected the same; leave the file alone meanwhile", b.path)
	}
	uid, gid, err := owner(b.config.State)
	if err != nil {
		return "", err
	}
	own := func(f *os.File) error {
		if uid < 0 {
			return nil
		}
		return f.Chown(uid, gid)
	}
	if _, err := history.Restore(path, &heeding{ctx, inside}, own); err != nil {
		return "", b.asHistory(err)
	}
	return path, nil
}
