//go:build linux

package serialport

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/tarm/serial"
	"golang.org/x/sys/unix"
)

// patience bounds waits that on an idle machine take no time to speak of.
const patience = 30 * time.Second

func newPty(t *testing.T, link string) *Pty {
	t.Helper()
	p, err := NewPty(link)
	if err != nil {
		t.Fatalf("NewPty(%q): %v", link, err)
	}
	t.Cleanup(func() { p.Close() })
	return p
}

func openPort(t *testing.T, path string) *Port {
	t.Helper()
	p, err := Open(Options{Path: path})
	if err != nil {
		t.Fatalf("Open(%q): %v", path, err)
	}
	t.Cleanup(func() { p.Close() })
	return p
}

// within returns f's error, and fails the test if f takes too long.
func within(t *testing.T, d time.Duration, what string, f func() error) error {
	t.Helper()
	done := make(chan error, 1)
	go func() { done <- f() }()
	select {
	case err := <-done:
		return err
	case <-time.After(d):
		buf := make([]byte, 1<<16)
		t.Fatalf("%s still waits after %v\n%s", what, d, buf[:runtime.Stack(buf, true)])
		return nil
	}
}

func readFull(t *testing.T, r io.Reader, n int) []byte {
	t.Helper()
	b := make([]byte, n)
	if err := within(t, patience, "read", func() error { _, err := io.ReadFull(r, b); return err }); err != nil {
		t.Fatalf("read %d bytes: %v", n, err)
	}
	return b
}

func write(t *testing.T, w io.Writer, b []byte) {
	t.Helper()
	if err := within(t, patience, "write", func() error { _, err := w.Write(b); return err }); err != nil {
		t.Fatalf("write %d bytes: %v", len(b), err)
	}
}

// pending waits until n bytes wait to be read from the tty, of which the Pty holds a descriptor.
func pending(t *testing.T, p *Pty, n int) {
	t.Helper()
	for deadline := time.Now().Add(patience); ; runtime.Gosched() {
		var have int
		err := control(p.held, func(fd int) (err error) { have, err = unix.IoctlGetInt(fd, unix.TIOCINQ); return err })
		if err != nil {
			t.Fatalf("ask how many bytes wait: %v", err)
		}
		if have == n {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("%d bytes wait on the tty, want %d", have, n)
		}
	}
}

func TestEveryByteBothWays(t *testing.T) {
	p := newPty(t, "")
	port := openPort(t, p.Path())
	all := make([]byte, 4*256)
	for i := range all {
		all[i] = byte(i)
	}
	for name, way := range map[string]struct {
		from io.Writer
		to   io.Reader
	}{"host to modem": {port, p}, "modem to host": {p, port}} {
		write(t, way.from, all)
		if got := readFull(t, way.to, len(all)); !bytes.Equal(got, all) {
			t.Errorf("%s: bytes changed on the way", name)
		}
	}
}

func TestReadWaitsThroughTimeouts(t *testing.T) {
	p := newPty(t, "")
	port := openPort(t, p.Path())
	type result struct {
		n   int
		err error
	}
	got := make(chan result, 1)
	go func() {
		n, err := port.Read(make([]byte, 10))
		got <- result{n, err}
	}()
	select {
	case r := <-got:
		t.Fatalf("Read on a silent line returned %d, %v; want it to wait", r.n, r.err)
	case <-time.After(quiet + 2*readTimeout):
	}
	write(t, p, []byte("x"))
	if r := <-got; r.n != 1 || r.err != nil {
		t.Errorf("Read = %d, %v; want 1, nil", r.n, r.err)
	}
}

// blindTTY counts the Reads that begin though nothing is there to be read: each keeps its processor from other goroutines.
type blindTTY struct {
	io.ReadWriteCloser
	side  *side
	blind atomic.Int64
}

func (b *blindTTY) Read(to []byte) (int, error) {
	if b.side.poll(unix.POLLIN, 0) == 0 {
		b.blind.Add(1)
	}
	return b.ReadWriteCloser.Read(to)
}

func TestReadDoesNotWaitInTheKernel(t *testing.T) {
	p := newPty(t, "")
	s, err := openSide(p.Path())
	if err != nil {
		t.Fatal(err)
	}
	tty, err := serial.OpenPort(&serial.Config{Name: p.Path(), Baud: DefaultBaud, ReadTimeout: readTimeout})
	if err != nil {
		t.Fatal(err)
	}
	counted := &blindTTY{ReadWriteCloser: tty, side: s}
	port := newPort("tty", counted, s)
	defer port.Close()
	const times = 200
	for range times {
		write(t, p, []byte("x"))
		readFull(t, port, 1)
	}
	if n := counted.blind.Load(); n > times/10 { // one for each second that passes meanwhile
		t.Errorf("%d of %d Reads waited in the kernel, want next to none", n, times)
	}
}

func TestBytesFromBeforeOpenAreThrownAway(t *testing.T) {
	p := newPty(t, "")
	write(t, p, []byte("old garbage"))
	pending(t, p, len("old garbage"))
	port := openPort(t, p.Path())
	write(t, p, []byte("new"))
	if got := readFull(t, port, 3); string(got) != "new" {
		t.Errorf("first bytes read = %q, want %q", got, "new")
	}
}

func TestPtyDoesNotEcho(t *testing.T) {
	p := newPty(t, "")
	write(t, p, []byte("hello\r\n"))
	pending(t, p, len("hello\r\n")) // whole, and unchanged in length: no line discipline
	port := openPort(t, p.Path())
	write(t, port, []byte("z"))
	if got := readFull(t, p, 1); string(got) != "z" {
		t.Errorf("the Pty read %q, want %q: its own bytes came back", got, "z")
	}
}

func TestUnplug(t *testing.T) {
	for name, pull := range map[string]func(*Pty) error{"hang-up": (*Pty).HangUp, "other end closed": (*Pty).Close} {
		t.Run(name, func(t *testing.T) {
			p := newPty(t, "")
			port := openPort(t, p.Path())
			write(t, p, []byte("x"))
			readFull(t, port, 1) // the reader waits for more now
			if err := pull(p); err != nil {
				t.Fatalf("pull the plug: %v", err)
			}
			err := within(t, patience, "Read", func() error { _, err := port.Read(make([]byte, 1)); return err })
			if !errors.Is(err, ErrGone) {
				t.Errorf("Read after the plug was pulled: %v, want %v", err, ErrGone)
			}
			if _, err := port.Write([]byte("x")); !errors.Is(err, ErrGone) {
				t.Errorf("Write after the plug was pulled: %v, want %v", err, ErrGone)
			}
			if err := within(t, patience, "Close", port.Close); err != nil {
				t.Errorf("Close: %v", err)
			}
		})
	}
}

func TestUnplugIsNoticedByWrite(t *testing.T) {
	p := newPty(t, "")
	port := openPort(t, p.Path())
	p.HangUp()
	if _, err := port.Write([]byte("x")); !errors.Is(err, ErrGone) {
		t.Errorf("Write after the plug was pulled: %v, want %v", err, ErrGone)
	}
}

// deadTTY is a tty as it is after an unplug, on a kernel that has not told the side descriptor: it fails at once, and
// counts how often it is asked.
type deadTTY struct {
	reads    int
	probeErr error
	closed   chan struct{}
}

func (d *deadTTY) Read([]byte) (int, error) { d.reads++; return 0, io.EOF }
func (d *deadTTY) Write(b []byte) (int, error) {
	if len(b) == 0 {
		return 0, d.probeErr
	}
	return len(b), nil
}
func (d *deadTTY) Close() error { close(d.closed); return nil }

func TestDeadPortDoesNotSpin(t *testing.T) {
	for name, c := range map[string]struct {
		probe error
		reads int
	}{"probe fails": {unix.EIO, 1}, "probe says nothing": {nil, maxInstant}} {
		t.Run(name, func(t *testing.T) {
			p := newPty(t, "")
			s, err := openSide(p.Path())
			if err != nil {
				t.Fatal(err)
			}
			tty := &deadTTY{probeErr: c.probe, closed: make(chan struct{})}
			port := newPort("tty", tty, s)
			if _, err := port.Read(make([]byte, 1)); !errors.Is(err, ErrGone) {
				t.Errorf("Read = %v, want %v", err, ErrGone)
			}
			port.Close()
			if tty.reads != c.reads {
				t.Errorf("the dead tty was read %d times, want %d", tty.reads, c.reads)
			}
		})
	}
}

func TestReplugThroughLink(t *testing.T) {
	link := filepath.Join(t.TempDir(), "modem")
	for i := range 5 {
		p := newPty(t, link)
		port := openPort(t, link)
		want := fmt.Sprintf("plug %d", i)
		write(t, p, []byte(want))
		if got := readFull(t, port, len(want)); string(got) != want {
			t.Errorf("read %q, want %q", got, want)
		}
		p.HangUp()
		if _, err := Open(Options{Path: link}); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("Open while unplugged: %v, want %v", err, fs.ErrNotExist)
		}
		// The dead port is closed only after the next plug, as a host does that has not noticed yet.
		defer port.Close()
	}
}

func TestLinkIsReplacedOnlyIfItIsALink(t *testing.T) {
	dir := t.TempDir()
	link := filepath.Join(dir, "modem")
	older, newer := newPty(t, link), newPty(t, link)
	older.Close() // must leave the newer one's link alone
	if target, err := os.Readlink(link); err != nil || target != newer.Path() {
		t.Errorf("link leads to %q, %v; want %q", target, err, newer.Path())
	}
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, []byte("precious"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := NewPty(file); err == nil {
		t.Error("NewPty over a file succeeded, want an error")
	}
	if b, _ := os.ReadFile(file); string(b) != "precious" {
		t.Errorf("the file holds %q, want it untouched", b)
	}
	entries, _ := os.ReadDir(dir)
	if len(entries) != 2 {
		t.Errorf("%d entries in the folder, want 2: temporary names were left", len(entries))
	}
}

// comeAndGo opens and closes the tty again and again, with a reader at the other end all the time, as the simulator has.
func comeAndGo(t *testing.T, p *Pty) {
	t.Helper()
	got := make(chan error, 100)
	next := make(chan byte, 100)
	go func() {
		for b := make([]byte, 1); ; {
			if _, err := p.Read(b); err != nil {
				got <- err
				return
			}
			next <- b[0]
		}
	}()
	for i := range 10 {
		port := openPort(t, p.Path())
		write(t, port, []byte{byte(i)})
		select {
		case b := <-next:
			if b != byte(i) {
				t.Errorf("open %d: the Pty read %d, want %d", i, b, i)
			}
		case err := <-got:
			t.Fatalf("open %d: the Pty's Read = %v; want it to wait for the next host", i, err)
		case <-time.After(patience):
			t.Fatalf("open %d: the Pty reads nothing", i)
		}
		write(t, p, []byte{byte(i)})
		if b := readFull(t, port, 1); b[0] != byte(i) {
			t.Errorf("open %d: the host read %d, want %d", i, b[0], i)
		}
		if err := port.Close(); err != nil {
			t.Errorf("close %d: %v", i, err)
		}
	}
}

func TestPtySurvivesHost(t *testing.T) { comeAndGo(t, newPty(t, "")) }

// A terminal program that ends may hang up the tty (only root may do it on purpose); the Pty, whose own descriptor of it
// is dead then, must be of use to the next host all the same.
func TestPtySurvivesHangUpByOthers(t *testing.T) {
	p := newPty(t, "")
	err := control(p.held, func(fd int) error { return unix.IoctlSetInt(fd, unix.TIOCVHANGUP, 0) })
	t.Logf("hang-up: %v", err) // without the right to it, this shows what TestPtySurvivesHost shows
	comeAndGo(t, p)
}

func TestPtyCloseFreesRead(t *testing.T) {
	p := newPty(t, "")
	failed := make(chan error, 1)
	go func() {
		_, err := p.Read(make([]byte, 1))
		failed <- err
	}()
	if err := within(t, patience, "Close", p.Close); err != nil {
		t.Errorf("Close: %v", err)
	}
	if err := within(t, patience, "Read", func() error { return <-failed }); err == nil {
		t.Error("Read of a closed Pty succeeded, want an error")
	}
	if err := p.Close(); err != nil {
		t.Errorf("second Close: %v", err)
	}
}

func TestStuckReader(t *testing.T) {
	p := newPty(t, "") // and nobody reads from it
	port := openPort(t, p.Path())
	before := Abandoned()
	began := time.Now()
	err := within(t, patience, "Write", func() error { _, err := port.Write(make([]byte, 1<<20)); return err })
	if !errors.Is(err, ErrStuck) {
		t.Errorf("Write to a device that takes nothing: %v, want %v", err, ErrStuck)
	}
	if took := time.Since(began); took < writeTimeout {
		t.Errorf("Write gave up after %v, want not before %v", took, writeTimeout)
	}
	if _, err := port.Read(make([]byte, 1)); !errors.Is(err, ErrStuck) {
		t.Errorf("Read afterwards: %v, want %v", err, ErrStuck)
	}
	if err := within(t, patience, "Close", port.Close); err != nil {
		t.Errorf("Close: %v", err)
	}
	if n := Abandoned() - before; n != 0 {
		t.Errorf("%d ports abandoned, want 0", n)
	}
	openPort(t, p.Path()) // it is free again
}

func TestPtyWriteGivesUp(t *testing.T) {
	p := newPty(t, "")
	openPort(t, p.Path()).reading.Lock() // a host that does not read
	err := within(t, patience, "Pty.Write", func() error {
		for {
			if _, err := p.Write(make([]byte, 1<<16)); err != nil {
				return err
			}
		}
	})
	if !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("Write = %v, want %v", err, os.ErrDeadlineExceeded)
	}
}

func TestCloseFreesRead(t *testing.T) {
	p := newPty(t, "")
	port := openPort(t, p.Path())
	failed := make(chan error, 1)
	go func() {
		_, err := port.Read(make([]byte, 1))
		failed <- err
	}()
	if err := within(t, patience, "Close", port.Close); err != nil {
		t.Errorf("Close: %v", err)
	}
	if err := within(t, patience, "Read", func() error { return <-failed }); !errors.Is(err, fs.ErrClosed) {
		t.Errorf("Read = %v, want %v", err, fs.ErrClosed)
	}
	if err := port.Close(); err != nil {
		t.Errorf("second Close: %v", err)
	}
	if _, err := port.Write([]byte("x")); !errors.Is(err, fs.ErrClosed) {
		t.Errorf("Write = %v, want %v", err, fs.ErrClosed)
	}
}

// hungTTY never returns from anything, as a driver that hangs.
type hungTTY struct{ free chan struct{} }

func (h hungTTY) Read([]byte) (int, error)    { <-h.free; return 0, io.EOF }
func (h hungTTY) Write(b []byte) (int, error) { <-h.free; return 0, io.EOF }
func (h hungTTY) Close() error                { <-h.free; return nil }

func TestHungKernelIsAbandoned(t *testing.T) {
	p := newPty(t, "")
	s, err := openSide(p.Path())
	if err != nil {
		t.Fatal(err)
	}
	hung := hungTTY{make(chan struct{})}
	defer close(hung.free)
	port := newPort("tty", hung, s)
	before := Abandoned()
	if err := within(t, patience, "Write", func() error { _, err := port.Write([]byte("x")); return err }); !errors.Is(err, ErrStuck) {
		t.Errorf("Write = %v, want %v", err, ErrStuck)
	}
	if err := within(t, patience, "Close", port.Close); err == nil {
		t.Error("Close of a port that hangs succeeded, want an error")
	}
	if n := Abandoned() - before; n != 1 {
		t.Errorf("%d ports abandoned, want 1", n)
	}
	openPort(t, p.Path()) // the lock is free
}

func TestSecondOpenIsRefused(t *testing.T) {
	p := newPty(t, "")
	first := openPort(t, p.Path())
	_, err := Open(Options{Path: p.Path(), Baud: 9600})
	if !errors.Is(err, ErrInUse) {
		t.Fatalf("second Open: %v, want %v", err, ErrInUse)
	}
	if want := fmt.Sprintf("pid %d", os.Getpid()); !strings.Contains(err.Error(), want) {
		t.Errorf("error %q does not name the holder (%q)", err, want)
	}
	var speed uint32
	control(p.held, func(fd int) error {
		tio, err := unix.IoctlGetTermios(fd, unix.TCGETS)
		if err == nil {
			speed = tio.Cflag & unix.CBAUD
		}
		return err
	})
	if speed != unix.B115200 {
		t.Errorf("the refused Open changed the speed to %#x", speed)
	}
	first.Close()
	openPort(t, p.Path())
}

// holdEnv makes this test binary, run as another process, hold the tty that it names until it is killed.
const holdEnv = "LONGLANE_TEST_HOLD"

func TestMain(m *testing.M) {
	if path := os.Getenv(holdEnv); path != "" {
		if _, err := Open(Options{Path: path}); err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
		fmt.Println("open")
		io.Copy(io.Discard, os.Stdin) // until the parent kills this process, or has died
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// Another process that has the port is named; once it is killed, however hard, the port is free.
func TestPortOfAnotherProcess(t *testing.T) {
	p := newPty(t, "")
	other := exec.Command(os.Args[0])
	other.Env = append(os.Environ(), holdEnv+"="+p.Path())
	stdin, err := other.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	defer stdin.Close()
	stdout, err := other.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := other.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { other.Process.Kill() })
	if said := readFull(t, stdout, 5); string(said) != "open\n" {
		t.Fatalf("the other process said %q", said)
	}
	_, err = Open(Options{Path: p.Path()})
	if want := fmt.Sprintf("process %d (", other.Process.Pid); !errors.Is(err, ErrInUse) || !strings.Contains(err.Error(), want) {
		t.Errorf("Open = %v, want %v that names %q", err, ErrInUse, want)
	}
	other.Process.Kill()
	other.Wait()
	port := openPort(t, p.Path())
	write(t, port, []byte("x"))
	readFull(t, p, 1)
}

// The mark that TIOCEXCL leaves outlives a killed host for as long as the Pty is open, and would keep out a host that is
// not root.
func TestPtyIsNotMarkedExclusive(t *testing.T) {
	p := newPty(t, "")
	openPort(t, p.Path())
	var marked int
	err := control(p.held, func(fd int) (err error) { marked, err = unix.IoctlGetInt(fd, unix.TIOCGEXCL); return err })
	if err != nil || marked != 0 {
		t.Errorf("exclusive mark = %d, %v; want 0", marked, err)
	}
}

func TestIsPty(t *testing.T) {
	for _, c := range []struct {
		major, minor uint32
		want         bool
	}{{136, 0, true}, {143, 255, true}, {4, 64, false}, {188, 0, false}, {166, 0, false}, {135, 0, false}, {144, 0, false}} {
		if got := isPty(unix.Mkdev(c.major, c.minor)); got != c.want {
			t.Errorf("isPty(%d:%d) = %v, want %v", c.major, c.minor, got, c.want)
		}
	}
}

func TestOpenErrorsSayWhatToDo(t *testing.T) {
	p := newPty(t, "")
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		o    Options
		is   error
		says string
	}{
		{Options{Path: "/dev/no-such-tty"}, fs.ErrNotExist, "plugged in?"},
		{Options{Path: file}, unix.ENOTTY, "no serial port"},
		{Options{Path: p.Path(), Baud: 12345}, nil, "12345 baud"},
	} {
		_, err := Open(c.o)
		if err == nil || c.is != nil && !errors.Is(err, c.is) || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), c.o.Path) {
			t.Errorf("Open(%+v) = %v; want an error that names the path and says %q", c.o, err, c.says)
		}
	}
	openPort(t, p.Path()) // the refused speed left no lock behind
}

func TestPresentListsDevices(t *testing.T) {
	dir := t.TempDir()
	if got := present(dir); !strings.Contains(got, "nothing in "+dir) {
		t.Errorf("present(empty folder) = %q", got)
	}
	name := filepath.Join(dir, "usb-modem-if00")
	os.Symlink("/dev/null", name)
	if got := present(dir); !strings.Contains(got, name) {
		t.Errorf("present() = %q, want it to list %q", got, name)
	}
}

func TestPermissionErrorNamesGroup(t *testing.T) {
	err := explain("/dev/null", fmt.Errorf("open: %w", fs.ErrPermission))
	if !errors.Is(err, fs.ErrPermission) || !strings.Contains(err.Error(), "group root") {
		t.Errorf("explain(permission denied) = %v; want it to name the group that owns the file", err)
	}
}

func TestHolder(t *testing.T) {
	// Lines in the form that proc_locks(5) shows.
	locks := `1: POSIX  ADVISORY  WRITE 11 00:18:5 0 EOF
2: FLOCK  ADVISORY  WRITE 22 00:18:6 0 EOF
3: FLOCK  ADVISORY  WRITE 33 00:18:5 0 EOF
3: -> FLOCK  ADVISORY  WRITE 44 00:18:5 0 EOF
half a line`
	dev := unix.Mkdev(0, 0x18)
	for ino, want := range map[uint64]int{5: 33, 6: 22, 7: 0} {
		if got := holder(strings.NewReader(locks), dev, ino); got != want {
			t.Errorf("holder(inode %d) = %d, want %d", ino, got, want)
		}
	}
}
