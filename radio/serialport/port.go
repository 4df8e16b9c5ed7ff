//go:build linux

package serialport

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"github.com/tarm/serial"
)

// DefaultBaud is the speed of a line for which none is given, in bits per second.
const DefaultBaud = 115200

const (
	readTimeout  = 200 * time.Millisecond // never 0: a Read without a timeout would make Close hang until the next byte
	instant      = 100 * time.Millisecond // a Read that returns nothing sooner than this did not time out
	instantPause = 50 * time.Millisecond  // after such a Read, so that a dead port does not keep a core busy
	quiet        = time.Second            // without bytes, after which the tty is read all the same
	maxInstant   = 3                      // such Reads in a row, and the port is dead
	chunk        = 64                     // bytes a Write: a tty that says it takes bytes takes that many without blocking
	writeTimeout = 2 * time.Second        // for a whole Write
	pollSlice    = 100 * time.Millisecond // how long a wait may go on before it looks whether the port was closed
	closeTimeout = time.Second            // after which a Close that hangs is abandoned
)

// Errors that end a Port's life, and the one that ends an Open because somebody else has the tty.
var (
	ErrGone  = errors.New("the device is gone (unplugged?)")
	ErrStuck = fmt.Errorf("the device took no bytes for %v", writeTimeout)
	ErrInUse = errors.New("the serial port is in use by another program")
)

// abandoned counts ports whose Close hung.
var abandoned atomic.Uint64

// Abandoned returns how many ports this process has given up because the kernel did not let go of them within a second of
// Close. Each costs a descriptor and a thread for as long as it hangs.
func Abandoned() uint64 { return abandoned.Load() }

// Options says which tty to open.
type Options struct {
	Path string
	Baud int // bits per second; 0 means DefaultBaud
}

// Port is an open tty: 8 data bits, no parity, 1 stop bit, no flow control. Read, Write and Close may be called from
// different goroutines; one Read and one Write run at a time.
type Port struct {
	path string
	tty  io.ReadWriteCloser // of tarm/serial; used by the goroutines read and write, and by Close
	side *side

	reading sync.Mutex // held by the one Read that runs; protects left
	left    []byte     // received and not yet returned
	reads   chan []byte
	reader  chan struct{} // closed when the goroutine read has ended
	writing sync.Mutex    // held by the one Write that runs
	writes  chan []byte
	written chan writeResult // capacity 1
	writer  chan struct{}    // closed when the goroutine write has ended

	closing   chan struct{}
	closeOnce sync.Once
	closeErr  error

	failOnce sync.Once
	dead     chan struct{} // closed by fail
	cause    error         // set before dead is closed
}

type writeResult struct {
	n   int
	err error
}

// Open opens and locks the tty, and throws away what had arrived before. The error says what can be done about it; it
// wraps ErrInUse, or the system's error.
func Open(o Options) (*Port, error) {
	p, err := open(o)
	if err != nil {
		return nil, fmt.Errorf("open serial port %s: %w", o.Path, err)
	}
	return p, nil
}

func open(o Options) (*Port, error) {
	// Both descriptors are opened by the resolved path, lest a link that moves between the two lead them to two devices.
	path, err := filepath.EvalSymlinks(o.Path)
	if err != nil {
		return nil, explain(o.Path, err)
	}
	s, err := openSide(path)
	if err != nil {
		return nil, explain(path, err)
	}
	// Only now that the tty is locked may tarm/serial change its speed, which another program may rely on.
	baud := cmp.Or(o.Baud, DefaultBaud)
	tty, err := serial.OpenPort(&serial.Config{Name: path, Baud: baud, ReadTimeout: readTimeout})
	if err != nil {
		s.close()
		return nil, explainTarm(path, baud, err)
	}
	s.exclusive(true)
	s.flush()
	return newPort(o.Path, tty, s), nil
}

func explainTarm(path string, baud int, err error) error {
	var pathErr *fs.PathError
	if errors.As(err, &pathErr) {
		return explain(path, err)
	}
	// The module has no error value for a speed that it does not know.
	return fmt.Errorf("set up at %d baud: %w (usual speeds are 9600, 57600, 115200, 230400, 460800, 921600)", baud, err)
}

func newPort(path string, tty io.ReadWriteCloser, s *side) *Port {
	p := &Port{
		path: path, tty: tty, side: s,
		reads: make(chan []byte), reader: make(chan struct{}),
		writes: make(chan []byte), written: make(chan writeResult, 1), writer: make(chan struct{}),
		closing: make(chan struct{}), dead: make(chan struct{}),
	}
	go p.read()
	go p.write()
	return p
}

// Read waits for at least one byte. It returns an error when the device is gone, when the Port has failed otherwise, and
// when it is closed; the error then wraps fs.ErrClosed.
func (p *Port) Read(b []byte) (int, error) {
	if len(b) == 0 {
		return 0, nil
	}
	p.reading.Lock()
	defer p.reading.Unlock()
	if len(p.left) == 0 {
		select {
		case p.left = <-p.reads:
		case <-p.closing:
			return 0, p.state()
		case <-p.dead:
			return 0, p.state()
		}
	}
	n := copy(b, p.left)
	p.left = p.left[n:]
	return n, nil
}

// read does the reading, so that Read can be given up even if the kernel hangs. It ends with the port's death or Close.
// Two buffers are enough: Read asks for the second only when it has used up the first.
func (p *Port) read() {
	defer close(p.reader)
	var buffers [2][1024]byte
	for i := 0; ; i ^= 1 {
		n, err := p.await(buffers[i][:])
		if err != nil {
			return
		}
		select {
		case p.reads <- buffers[i][:n]:
		case <-p.closing:
			return
		case <-p.dead:
			return
		}
	}
}

// await reads at least one byte from the tty. It waits for it in the runtime's poller: a Read that blocks in the kernel keeps
// its processor from other goroutines for up to 10 ms (runtime.retake), and where there is one processor only, what had just
// been read waited for that long. What the poller does not tell within the time quiet, a Read does.
func (p *Port) await(b []byte) (int, error) {
	for instants := 0; ; {
		p.side.due(quiet) // before it is known that the port lives, so that it does not undo the waking of who ends it
		if err := p.state(); err != nil {
			return 0, err
		}
		if instants == 0 {
			p.side.awaitInput()
		}
		if err := p.state(); err != nil {
			return 0, err
		}
		began := time.Now()
		n, err := p.tty.Read(b)
		timedOut := time.Since(began) >= instant && (err == nil || errors.Is(err, io.EOF))
		switch {
		case n > 0:
			return n, nil
		case p.side.gone():
			return 0, p.fail(ErrGone)
		case timedOut:
			instants = 0
			continue
		}
		// An unplugged device looks the same as a timeout (no bytes, end of file), only sooner. Writing nothing tells them
		// apart: it fails on a dead port and does nothing on a living one.
		instants++
		if _, probe := p.tty.Write(nil); probe != nil || instants == maxInstant {
			return 0, p.fail(ErrGone)
		}
		p.pause(instantPause)
	}
}

// pause waits, but not beyond Close.
func (p *Port) pause(d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-p.closing:
	}
}

// Write writes all of b within two seconds, or fails; the Port is dead then. The bytes have left the process, not
// necessarily the computer.
func (p *Port) Write(b []byte) (int, error) {
	p.writing.Lock()
	defer p.writing.Unlock()
	if err := p.state(); err != nil {
		return 0, err
	}
	// The goroutine may hang in the kernel with the bytes after Write has returned: they must not be the caller's.
	copied := append([]byte(nil), b...)
	deadline := time.NewTimer(writeTimeout + pollSlice)
	defer deadline.Stop()
	select {
	case p.writes <- copied:
	case <-p.closing:
		return 0, p.state()
	case <-p.dead:
		return 0, p.state()
	}
	select {
	case r := <-p.written:
		return r.n, r.err
	case <-p.closing:
		return 0, p.state()
	case <-deadline.C:
		return 0, p.fail(ErrStuck)
	}
}

// write does the writing, so that Write can give up on it. It ends with the port's death, with Close, or, if the kernel
// holds on to it, later.
func (p *Port) write() {
	defer close(p.writer)
	for {
		select {
		case b := <-p.writes:
			n, err := p.writeChunks(b, time.Now().Add(writeTimeout))
			p.written <- writeResult{n, err}
			if err != nil {
				return
			}
		case <-p.closing:
			return
		case <-p.dead:
			return
		}
	}
}

func (p *Port) writeChunks(b []byte, deadline time.Time) (int, error) {
	done := 0
	for done < len(b) {
		if err := p.awaitRoom(deadline); err != nil {
			return done, err
		}
		n, err := p.tty.Write(b[done:min(done+chunk, len(b))])
		done += n
		if err != nil {
			return done, p.fail(fmt.Errorf("%w: %w", ErrGone, err))
		}
	}
	return done, nil
}

// awaitRoom returns nil once the tty takes bytes.
func (p *Port) awaitRoom(deadline time.Time) error {
	for {
		if err := p.state(); err != nil {
			return err
		}
		left := time.Until(deadline)
		if left <= 0 {
			return p.fail(ErrStuck)
		}
		switch room, gone := p.side.room(min(left, pollSlice)); {
		case gone:
			return p.fail(ErrGone)
		case room:
			return nil
		}
	}
}

// fail makes the port dead, for err if it is the first to be told, and returns what Read and Write return from now on.
func (p *Port) fail(err error) error {
	p.failOnce.Do(func() {
		p.cause = fmt.Errorf("serial port %s: %w", p.path, err)
		close(p.dead)
		p.side.wake()
	})
	return p.state()
}

// state returns nil while the port lives.
func (p *Port) state() error {
	select {
	case <-p.closing:
		return fmt.Errorf("serial port %s: %w", p.path, fs.ErrClosed)
	default:
	}
	select {
	case <-p.dead:
		return p.cause
	default:
		return nil
	}
}

// Close lets go of the tty, and throws away what has not been sent: the kernel would otherwise hold the caller for up to
// half a minute while it tries to send it. If the kernel holds on all the same, Close returns an error after one second,
// and the port counts as abandoned; the tty is free for another Open even so.
func (p *Port) Close() error {
	p.closeOnce.Do(func() {
		close(p.closing)
		p.side.wake()
		p.closeErr = p.close()
	})
	return p.closeErr
}

func (p *Port) close() error {
	p.side.exclusive(false)
	p.side.flush()
	closed := make(chan error, 1)
	go func() {
		err := p.tty.Close() // waits for a read in progress: at most readTimeout, unless the kernel hangs
		<-p.reader
		<-p.writer
		p.side.close()
		closed <- err
	}()
	watchdog := time.NewTimer(closeTimeout)
	defer watchdog.Stop()
	select {
	case err := <-closed:
		if err != nil {
			return fmt.Errorf("close serial port %s: %w", p.path, err)
		}
		return nil
	case <-watchdog.C:
		abandoned.Add(1)
		p.side.close()
		return fmt.Errorf("close serial port %s: the kernel did not let go of it within %v; it is abandoned", p.path, closeTimeout)
	}
}
