package backup

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"longlane/gateway"
	"longlane/gateway/roster"
	"longlane/gateway/wholefile"
	"longlane/queue/history"
)

// How far a restore moves the epoch on. marks.copy may lag by a minute, and after the save the old gateway may have been
// started many times, each time with an epoch of its own: raiseLeast is room for those. Beyond that the number is drawn,
// so that the same backup restored a second time, years later, does not go through the epochs of the first time again.
const (
	raiseLeast = 64
	raiseMost  = 191 // of the low 8 bits, which are all that frames carry: what was recorded must not look like now
	raiseHigh  = 16  // of the high 8 bits, less than: enough are left for many restores
)

// raise draws how far.
func raise() uint16 {
	return raiseLeast + rand.N[uint16](raiseMost-raiseLeast+1) + 256*rand.N[uint16](raiseHigh)
}

// RestoreOptions say where to. Config is required.
type RestoreOptions struct {
	// Config is where the config goes; it says where everything else goes.
	Config string
	// OldIsOff is the owner's word that the old gateway is off for good, for the case that nobody can hear whether it is.
	OldIsOff bool
	// Progress is told, in words, what is being done. nil: nobody is.
	Progress func(string)

	write   func(path string) error // for tests: before each file
	connect time.Duration           // for tests: instead of connectWithin
}

const whyNotTwo = "Two gateways with one site's secret harm it: both answer the nodes, so a node may let go of a trip that only the " +
	"one has which nobody listens to, and what protects the receipts may be used twice"

// Restore writes everything to its place on this machine: never over a site, a queue or a file that differs. It refuses
// while the old gateway is heard at the broker, and where that cannot be known unless OldIsOff is set. It returns the
// paths that it has written. Cut short, it leaves no site, and can be repeated.
//
// Run by root, it leaves what it writes to the owner of the state directory, as whom the gateway runs.
func (b *Backup) Restore(ctx context.Context, o RestoreOptions) (written []string, err error) {
	if o.Progress == nil {
		o.Progress = func(string) {}
	}
	marks, err := b.marks(raise())
	if err != nil {
		return nil, fmt.Errorf("restore: %w", err)
	}
	nodes, err := b.roster.Restored()
	if err != nil {
		return nil, fmt.Errorf("restore: %w", err)
	}
	list := b.wanted(o.Config, map[string][]byte{marksName: marks, listName: nodes})
	if err := b.refuse(list); err != nil {
		return nil, fmt.Errorf("restore: %w; nothing was written", err)
	}
	if err := b.listen(ctx, o); err != nil {
		return nil, fmt.Errorf("restore: %w; nothing was written", err)
	}
	lock, err := roster.Lock(ctx, b.config.State)
	if err != nil {
		return nil, fmt.Errorf("restore: %w", err)
	}
	defer lock.Close()
	if err := b.refuse(list); err != nil { // while we listened somebody may have set up a site
		return nil, fmt.Errorf("restore: %w; nothing was written", err)
	}
	for _, w := range list {
		if w.name == secretName && b.Manifest.History != nil { // with the secret there is a site, and no second try
			path, err := b.writeHistory(ctx, o)
			if errors.Is(err, fs.ErrExist) { // of this restore, which was cut short; or the owner's, who left ours out then
				o.Progress("A history stands there already: it is left as it is.")
			} else if err != nil {
				return written, fmt.Errorf("restore: %w; there is no site here yet: put that right, then do the same again", err)
			}
			if err == nil {
				written = append(written, path)
			}
		}
		wrote, err := b.write(w, o.write)
		if err != nil {
			return written, fmt.Errorf("restore: %w; there is no site here yet: put that right, then do the same again", err)
		}
		if wrote {
			written = append(written, w.path)
		}
	}
	return written, nil
}

// want is a file to be written.
type want struct {
	part
	data []byte
	mode fs.FileMode
}

// wanted lists what is to be written: what the backup holds, but for what must be another after a restore.
func (b *Backup) wanted(configPath string, instead map[string][]byte) (list []want) {
	modes := map[string]fs.FileMode{}
	for _, f := range b.Manifest.Files {
		modes[f.Name] = fs.FileMode(f.Mode) & 0o777
	}
	for _, p := range parts(configPath, b.config) {
		w := want{p, b.data[p.name], modes[p.name]}
		if data := instead[p.name]; data != nil {
			w.data = data
		}
		if p.state {
			w.mode = 0o600
		}
		if w.data != nil {
			list = append(list, w)
		}
	}
	return list
}

// refuse says what stands in the way.
func (b *Backup) refuse(list []want) error {
	state := b.config.State
	secret := filepath.Join(state, roster.SecretFile)
	if _, err := os.Lstat(secret); err == nil {
		return fmt.Errorf("%s: found a site, expected none, for no site is overwritten; if it is of no use any more, move the directory "+
			"away", secret)
	}
	if err := refuseQueue(filepath.Join(state, gateway.QueueFile)); err != nil {
		return err
	}
	begun := false // a restore that was cut short has left the roster
	for _, w := range list {
		found, err := os.ReadFile(w.path)
		switch {
		case errors.Is(err, fs.ErrNotExist):
		case err != nil:
			return fmt.Errorf("%w; expected a file or none; move away what is there", err)
		case w.name == marksName && begun: // its epoch was drawn, so it differs
		case !bytes.Equal(found, w.data):
			return fmt.Errorf("%s: found a file of %d bytes that differs from that in the backup (%d bytes), expected the same or none; move "+
				"it away, if it is not needed", w.path, len(found), len(w.data))
		case w.name == listName:
			begun = true
		}
	}
	path := filepath.Join(state, history.File)
	if _, err := os.Lstat(path); err == nil && b.Manifest.History != nil && !begun {
		return fmt.Errorf("%s: found a history, expected none; move it away, or keep it and add --without-history", path)
	}
	return nil
}

// refuseQueue finds out whether a gateway is at work, or was, in a directory without a secret.
func refuseQueue(path string) error {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	} else if err != nil {
		return err
	}
	defer f.Close()
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_SH|syscall.LOCK_NB); errors.Is(err, syscall.EWOULDBLOCK) {
		return fmt.Errorf("%s: found it held by a gateway that runs on this machine, expected none; stop it first", path)
	}
	return fmt.Errorf("%s: found the queue of a gateway, expected none, for its events and marks are not those of the backup; move it "+
		"away, and keep it if trips may wait in it", path)
}

func (b *Backup) writeHistory(ctx context.Context, o RestoreOptions) (path string, err error) {
	if o.write != nil {
		if err := o.write(filepath.Join(b.config.State, history.File)); err != nil {
			return "", err
		}
	}
	o.Progress(fmt.Sprintf("Restoring the history, %d records ...", b.History.Records))
	return b.restoreHistory(ctx)
}

// write puts one file in its place, unless it is there.
func (b *Backup) write(w want, before func(string) error) (wrote bool, err error) {
	if before != nil {
		if err := before(w.path); err != nil {
			return false, err
		}
	}
	if found, err := os.ReadFile(w.path); err == nil && bytes.Equal(found, w.data) {
		return false, nil
	}
	if err := os.MkdirAll(filepath.Dir(w.path), 0o755); err != nil {
		return false, err
	}
	uid, gid, err := owner(b.config.State)
	if err != nil {
		return false, err
	}
	prepare := func(f *os.File) (err error) {
		if uid >= 0 {
			err = f.Chown(uid, gid)
		}
		if w.mode != 0o600 {
			err = errors.Join(err, f.Chmod(w.mode))
		}
		return err
	}
	return true, wholefile.Write(w.path, w.data, wholefile.Options{New: w.name != marksName, Prepare: prepare})
}

// owner is whom root gives what it has written; -1 for any other user, who can give nothing.
func owner(dir string) (uid, gid int, err error) {
	var st unix.Stat_t
	if err := unix.Stat(dir, &st); err != nil {
		return -1, -1, fmt.Errorf("%s: %w", dir, err)
	}
	if os.Geteuid() != 0 {
		return -1, -1, nil
	}
	return int(st.Uid), int(st.Gid), nil
}
