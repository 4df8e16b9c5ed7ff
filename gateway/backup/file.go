package backup

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"unicode/utf8"

	"filippo.io/age"

	"longlane/gateway/wholefile"
)

// MinPassphrase is the shortest passphrase for a new backup, in characters.
const MinPassphrase = 12

// workFactor is the logarithm of scrypt's cost. With 16 one guess takes 64 MiB and about a second on a small board: 18,
// usual on a desk, would take 256 MiB, which a board of 512 MB does not have beside a running gateway.
var workFactor = 16 // tests that open a file thousands of times lower it

// maxWorkFactor is the highest that is read: a file that asks for more would take the memory of the board.
const maxWorkFactor = 18

const ageHead = "age-encryption.org/v1\n"

// Save writes the backup to a new file that only its owner can read, reads it back and verifies it. passphrase is asked
// for one as soon as nothing else stands in the way. Nothing is left of a backup that ctx ends.
func (b *Backup) Save(ctx context.Context, path string, passphrase func() (string, error)) error {
	if _, err := os.Lstat(path); err == nil {
		return fmt.Errorf("save backup: %w", existsError(path))
	} else if !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("save backup: %w", err)
	}
	if _, err := os.Stat(filepath.Dir(path)); err != nil {
		return fmt.Errorf("save backup: %w; name a directory that is there", err)
	}
	words, err := passphrase()
	if err != nil {
		return err
	}
	if n := utf8.RuneCountInString(words); n < MinPassphrase {
		return fmt.Errorf("save backup: found a passphrase of %d characters, expected %d or more, since whoever gets hold of the file "+
			"can try as many as he likes; five words that do not belong together are good", n, MinPassphrase)
	}
	files, err := b.pack()
	if err == nil && len(files) >= maxInside {
		err = fmt.Errorf("found %d bytes beside the history, expected less than %d; which file grew so large?", len(files), maxInside)
	}
	if err != nil {
		return fmt.Errorf("save backup: %w", err)
	}
	history := History{}
	written, back := sha256.New(), sha256.New()
	fill := func(to io.Writer) error {
		w, err := encrypt(to, words)
		if err != nil {
			return err
		}
		if _, err := w.Write(files); err != nil {
			return err
		}
		if b.Manifest.History != nil {
			if history, err = measured(func(h io.Writer) error { return b.copy(io.MultiWriter(w, written, h)) }); err != nil {
				return fmt.Errorf("copy the history: %w; nothing was kept; --without-history leaves it out", err)
			}
		}
		return w.Close() // which writes the end
	}
	verify := func(temporary string) error {
		stored, err := os.Open(temporary)
		if err != nil {
			return err
		}
		defer stored.Close()
		inside, err := decrypt(path, stored, words)
		got := make([]byte, len(files))
		if err == nil {
			_, err = io.ReadFull(inside, got)
		}
		if err == nil {
			_, err = io.Copy(back, &heeding{ctx, inside})
		}
		if err == nil && (!bytes.Equal(got, files) || !bytes.Equal(back.Sum(nil), written.Sum(nil))) {
			err = errors.New("something else came back")
		}
		if ctx.Err() != nil {
			return err
		}
		if err != nil {
			return fmt.Errorf("read it back: %w; nothing was kept; try another medium", err)
		}
		return nil
	}
	err = wholefile.Fill(path, fill, wholefile.Options{New: true, Verify: verify})
	if errors.Is(err, fs.ErrExist) { // made while we asked for the passphrase
		err = existsError(path)
	}
	if err != nil {
		return fmt.Errorf("save backup: %w", err)
	}
	b.History = history
	return nil
}

func existsError(path string) error {
	return fmt.Errorf("%s: found a file, expected none, for no backup is overwritten; name another file", path)
}

// Open reads and verifies a backup, and writes nothing. passphrase is asked for it as soon as the file looks like one.
func Open(ctx context.Context, path string, passphrase func() (string, error)) (*Backup, error) {
	return open(ctx, path, passphrase, true)
}

// OpenFiles is Open for all but the history, which is not looked at: the site can be restored though that is damaged.
func OpenFiles(ctx context.Context, path string, passphrase func() (string, error)) (*Backup, error) {
	return open(ctx, path, passphrase, false)
}

func open(ctx context.Context, path string, passphrase func() (string, error), history bool) (*Backup, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("open backup: %w", err)
	}
	defer f.Close()
	return parse(ctx, path, f, passphrase, history)
}

// parse is Open without the disk.
func parse(ctx context.Context, path string, sealed io.Reader, passphrase func() (string, error), history bool) (*Backup, error) {
	in := bufio.NewReader(sealed)
	if head, err := in.Peek(len(ageHead)); string(head) != ageHead {
		if err != nil && err != io.EOF {
			return nil, fmt.Errorf("open backup: %w", err)
		}
		return nil, fmt.Errorf("open backup: %s: found a file that does not begin as a backup does, expected one made by `longlane backup "+
			"save`; name that file, or another copy of it", path)
	}
	words, err := passphrase()
	if err != nil {
		return nil, err
	}
	b, inside, err := begin(path, in, words)
	if err != nil {
		return nil, fmt.Errorf("open backup: %w", err)
	}
	b.words = words
	if !history {
		b.LeaveHistory()
		return b, nil
	}
	if err := b.readHistory(&heeding{ctx, inside}); err != nil {
		return nil, fmt.Errorf("open backup: %w", err)
	}
	return b, nil
}

// begin reads all but the history, which inside is left at.
func begin(path string, sealed io.Reader, words string) (b *Backup, inside io.Reader, err error) {
	inside, err = decrypt(path, sealed, words)
	if err != nil {
		return nil, nil, err
	}
	if b, err = unpack(path, inside); err != nil {
		return nil, nil, err
	}
	return b, inside, nil
}

// encrypt gives the writer of a file's inside, to be closed at its end.
func encrypt(sealed io.Writer, passphrase string) (io.WriteCloser, error) {
	to, err := age.NewScryptRecipient(passphrase)
	if err != nil {
		return nil, err
	}
	to.SetWorkFactor(workFactor)
	return age.Encrypt(sealed, to)
}

// decrypt gives a file's inside, every byte of which is what was saved. That it is all of it is known at its end.
func decrypt(path string, sealed io.Reader, passphrase string) (io.Reader, error) {
	id, err := age.NewScryptIdentity(passphrase)
	if err != nil {
		return nil, fmt.Errorf("%s: found an empty passphrase, expected the one it was saved with", path)
	}
	id.SetMaxWorkFactor(maxWorkFactor)
	r, err := age.Decrypt(sealed, id)
	var none *age.NoIdentityMatchError
	if errors.As(err, &none) {
		return nil, fmt.Errorf("%s: found another passphrase, expected the one it was saved with; type it again (if you are sure of it, "+
			"the file's head is damaged: use another copy)", path)
	} else if err != nil {
		return nil, fmt.Errorf("%s: found a damaged head (%w), expected the file as it was saved; use another copy", path, err)
	}
	return &guarded{r: r, path: path}, nil
}

// guarded says of damage what is to be done.
type guarded struct {
	r    io.Reader
	path string
	n    int64
}

// damagedError is for what stands behind the head.
type damagedError struct {
	path  string
	after int64
	err   error
}

func (e *damagedError) Error() string {
	return fmt.Sprintf("%s: found it damaged or cut short after %d bytes inside (%v), expected the file as it was saved; use another copy",
		e.path, e.after, e.err)
}

func (e *damagedError) Unwrap() error { return e.err }

func (g *guarded) Read(b []byte) (int, error) {
	n, err := g.r.Read(b)
	g.n += int64(n)
	if err != nil && err != io.EOF {
		err = &damagedError{g.path, g.n, err}
	}
	return n, err
}
