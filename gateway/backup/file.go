package backup

import (
	"bytes"
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
// for one as soon as nothing else stands in the way.
func (b *Backup) Save(path string, passphrase func() (string, error)) error {
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
	inside, err := b.pack()
	if err == nil && len(inside) > maxInside {
		err = fmt.Errorf("found %d bytes, expected at most %d; which file grew so large?", len(inside), maxInside)
	}
	if err != nil {
		return fmt.Errorf("save backup: %w", err)
	}
	sealed, err := seal(inside, words)
	if err != nil {
		return fmt.Errorf("save backup: %w", err)
	}
	verify := func(temporary string) error {
		stored, err := os.ReadFile(temporary)
		if err != nil {
			return err
		}
		got, err := unseal(path, stored, words)
		if err == nil && !bytes.Equal(got, inside) {
			err = errors.New("something else came back")
		}
		if err != nil {
			return fmt.Errorf("read it back: %w; nothing was kept; try another medium", err)
		}
		return nil
	}
	err = wholefile.Write(path, sealed, wholefile.Options{New: true, Verify: verify})
	if errors.Is(err, fs.ErrExist) { // made while we asked for the passphrase
		err = existsError(path)
	}
	if err != nil {
		return fmt.Errorf("save backup: %w", err)
	}
	return nil
}

func existsError(path string) error {
	return fmt.Errorf("%s: found a file, expected none, for no backup is overwritten; name another file", path)
}

// Open reads and verifies a backup, and writes nothing. passphrase is asked for it as soon as the file looks like one.
func Open(path string, passphrase func() (string, error)) (*Backup, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("open backup: %w", err)
	}
	defer f.Close()
	sealed, err := io.ReadAll(io.LimitReader(f, 2*maxInside))
	if err != nil {
		return nil, fmt.Errorf("open backup: %w", err)
	}
	return parse(path, sealed, passphrase)
}

// parse is Open without the disk.
func parse(path string, sealed []byte, passphrase func() (string, error)) (*Backup, error) {
	if !bytes.HasPrefix(sealed, []byte(ageHead)) {
		return nil, fmt.Errorf("open backup: %s: found %d bytes that do not begin as a backup does, expected a file made by `longlane backup "+
			"save`; name that file, or another copy of it", path, len(sealed))
	}
	words, err := passphrase()
	if err != nil {
		return nil, err
	}
	inside, err := unseal(path, sealed, words)
	if err != nil {
		return nil, fmt.Errorf("open backup: %w", err)
	}
	b, err := unpack(path, inside)
	if err != nil {
		return nil, fmt.Errorf("open backup: %w", err)
	}
	return b, nil
}

func seal(inside []byte, passphrase string) ([]byte, error) {
	to, err := age.NewScryptRecipient(passphrase)
	if err != nil {
		return nil, err
	}
	to.SetWorkFactor(workFactor)
	var out bytes.Buffer
	w, err := age.Encrypt(&out, to)
	if err != nil {
		return nil, err
	}
	_, err = w.Write(inside)
	err = errors.Join(err, w.Close()) // which writes the end
	return out.Bytes(), err
}

func unseal(path string, sealed []byte, passphrase string) ([]byte, error) {
	id, err := age.NewScryptIdentity(passphrase)
	if err != nil {
		return nil, fmt.Errorf("%s: found an empty passphrase, expected the one it was saved with", path)
	}
	id.SetMaxWorkFactor(maxWorkFactor)
	r, err := age.Decrypt(bytes.NewReader(sealed), id)
	var none *age.NoIdentityMatchError
	if errors.As(err, &none) {
		return nil, fmt.Errorf("%s: found another passphrase, expected the one it was saved with; type it again (if you are sure of it, "+
			"the file's head is damaged: use another copy)", path)
	} else if err != nil {
		return nil, fmt.Errorf("%s: found a damaged head (%w), expected the file as it was saved; use another copy", path, err)
	}
	inside, err := io.ReadAll(io.LimitReader(r, maxInside+1))
	switch {
	case err != nil:
		return nil, fmt.Errorf("%s: found it damaged or cut short (%w) in its %d bytes, expected the file as it was saved; use another copy",
			path, err, len(sealed))
	case len(inside) > maxInside:
		return nil, fmt.Errorf("%s: found more than %d bytes inside, expected at most so many; a later version may read it", path, maxInside)
	}
	return inside, nil
}
