//go:build linux

package serialport

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

// ptyWriteTimeout is how long a Pty's Write waits for a host that does not read.
const ptyWriteTimeout = time.Second

// Pty is a serial line without hardware. A host opens Path (or the link) as it would a modem's tty, and may close it and
// open it again; the Pty stays. Read, Write and Close may be called from different goroutines.
type Pty struct {
	master *os.File
	// held is the tty, held open: while nobody has it open, reading the other end fails at once, for ever. It does that
	// even after somebody has hung up the tty, as a terminal program may that ends, and can be used for nothing else then.
	held *os.File
	path string
	link string

	mu     sync.Mutex // protects closed
	closed bool
}

// NewPty makes a line. If link is not empty, it becomes a symbolic link to the tty, replacing in one step the link that may
// stand there; anything else that stands there is left alone, and is an error.
func NewPty(link string) (*Pty, error) {
	master, slave, err := pty.Open()
	if err != nil {
		return nil, fmt.Errorf("make a pseudoterminal: %w", err)
	}
	master, err = pollable(master)
	if err != nil {
		slave.Close()
		return nil, fmt.Errorf("make a pseudoterminal: %w", err)
	}
	p := &Pty{master: master, path: slave.Name(), link: link, held: slave}
	if err = control(slave, makeRaw); err == nil {
		err = makeLink(p.path, link)
	}
	if err != nil {
		p.link = ""
		p.Close()
		return nil, fmt.Errorf("make a pseudoterminal: %w", err)
	}
	return p, nil
}

// pollable returns the same open file under a descriptor that knows deadlines and whose Close frees a blocked Read: the
// pty module leaves its own in blocking mode, outside the runtime's poller. It closes f.
func pollable(f *os.File) (*os.File, error) {
	defer f.Close()
	fd, err := unix.FcntlInt(f.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil {
		return nil, fmt.Errorf("duplicate descriptor: %w", err)
	}
	if err := unix.SetNonblock(fd, true); err != nil {
		unix.Close(fd)
		return nil, fmt.Errorf("set non-blocking: %w", err)
	}
	return os.NewFile(uintptr(fd), f.Name()), nil
}

// control calls f with the descriptor of a file without taking the file out of the runtime's poller, as Fd would.
func control(f *os.File, call func(fd int) error) error {
	raw, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var callErr error
	if err := raw.Control(func(fd uintptr) { callErr = call(int(fd)) }); err != nil {
		return err
	}
	return callErr
}

// makeRaw turns off all that a terminal does to bytes: with echo on, whatever comes before a host has set up its end would
// come straight back.
func makeRaw(fd int) error {
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS)
	if err != nil {
		return fmt.Errorf("read terminal settings: %w", err)
	}
	t.Iflag, t.Oflag, t.Lflag = unix.IGNPAR, 0, 0
	t.Cflag = t.Cflag&^(unix.CSIZE|unix.PARENB) | unix.CS8 | unix.CREAD | unix.CLOCAL
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	if err := unix.IoctlSetTermios(fd, unix.TCSETS, t); err != nil {
		return fmt.Errorf("set terminal to raw: %w", err)
	}
	return nil
}

func makeLink(target, link string) error {
	if link == "" {
		return nil
	}
	if st, err := os.Lstat(link); err == nil && st.Mode()&os.ModeSymlink == 0 {
		return fmt.Errorf("link %s: something that is no link stands there already; remove it, or choose another name", link)
	}
	temp := fmt.Sprintf("%s.%d.%s", link, os.Getpid(), filepath.Base(target))
	os.Remove(temp) // of an earlier process with our number that died between the two calls below
	if err := os.Symlink(target, temp); err != nil {
		return fmt.Errorf("link %s: %w", link, err)
	}
	if err := os.Rename(temp, link); err != nil {
		os.Remove(temp)
		return fmt.Errorf("link %s: %w", link, err)
	}
	return nil
}

// Path returns the path of the tty.
func (p *Pty) Path() string { return p.path }

// Read waits for bytes from the host, through its closing and opening the tty as often as it likes. It returns an error
// only once the Pty is closed.
func (p *Pty) Read(b []byte) (int, error) { return p.master.Read(b) }

// Write writes to the host. If the host does not read, and the kernel's buffer is full, it fails after one second with an
// error that wraps os.ErrDeadlineExceeded; some of b may have been written. The Pty can be used on.
func (p *Pty) Write(b []byte) (int, error) {
	if err := p.master.SetWriteDeadline(time.Now().Add(ptyWriteTimeout)); err != nil {
		return 0, err
	}
	return p.master.Write(b)
}

// HangUp does to the host what pulling the plug does, and closes the Pty: the host's tty is dead, the link leads nowhere.
// As root it goes the kernel's own way for a lost serial line (TIOCVHANGUP), which a host sees as an end of file; else the
// other end is just closed, which a host sees as an input error. To plug it in again, make a new Pty with the same link.
func (p *Pty) HangUp() error {
	p.mu.Lock()
	if !p.closed {
		control(p.held, func(fd int) error { return unix.IoctlSetInt(fd, unix.TIOCVHANGUP, 0) }) // refused unless root
	}
	p.mu.Unlock()
	return p.Close()
}

// Close removes the link, if it is still this Pty's, and ends the line. A Read or Write that waits returns an error.
func (p *Pty) Close() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		return nil
	}
	p.closed = true
	if target, err := os.Readlink(p.link); err == nil && target == p.path {
		os.Remove(p.link)
	}
	return errors.Join(p.master.Close(), p.held.Close())
}
