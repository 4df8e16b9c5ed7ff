package output

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// Order is what a helper is to run.
type Order struct {
	Claim  string        // the file that lets it be run once
	Lock   string        // a file that one helper at a time holds; empty: none
	Before time.Duration // by Now: it is not begun later
	Argv   []string
	Env    []string // beside the helper's own
	Input  []byte   `json:"-"` // its standard input; it follows the order
	Size   int      // of Input; Start sets it
	Limit  time.Duration
	// Sound has a failure within Settle set the claim free. A command that failed has been run.
	Sound bool
	// Settle is how long a player must run to count as one that plays; it may end sooner, if it says that all is well. 0: settle.
	Settle time.Duration
}

const settle = 300 * time.Millisecond

// maxInput is what is taken as standard input, in bytes: a minute of sound.
const maxInput = 64 << 20

// The reports of a helper, in the order in which they come: one of again, begun and ended first; ended or again last.
const (
	reportAgain = "again" // it had been begun before
	reportBegun = "begun"
	reportPlays = "plays"
	reportEnded = "ended"
)

type report struct {
	What string
	Err  string
}

// Now is CLOCK_BOOTTIME, as in radio/contact: it goes on while the machine sleeps.
func Now() time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts); err != nil {
		panic(err) // Linux has had it since 2.6.39
	}
	return time.Duration(ts.Nano())
}

// Act is the whole life of a helper: it reads an order and carries it out. Without one, its parent has ended, and it does too.
func Act(in io.Reader, out io.Writer) error {
	r := bufio.NewReader(in)
	text, err := r.ReadBytes('\n')
	if errors.Is(err, io.EOF) {
		return nil
	}
	var o Order
	if err == nil {
		err = json.Unmarshal(text, &o)
	}
	if err != nil || o.Size < 0 || o.Size > maxInput {
		return fmt.Errorf("read order of %d bytes: %w", o.Size, err)
	}
	o.Input = make([]byte, o.Size)
	if _, err := io.ReadFull(r, o.Input); err != nil {
		return nil // its parent has ended within the order
	}
	if o.Settle == 0 {
		o.Settle = settle
	}
	a := &actor{Order: o, tell: json.NewEncoder(out)}
	a.act()
	return nil
}

type actor struct {
	Order
	tell    *json.Encoder
	claim   *os.File       // nil: it could not be made
	syncing sync.WaitGroup // of the claim; nothing else waits for a card that is slow, or has died
}

// report fails when there is no parent any more, which is no reason to stop.
func (a *actor) report(what, err string) { _ = a.tell.Encode(report{what, err}) }

func (a *actor) act() {
	defer a.syncing.Wait() // after the lock has been let go of
	lock, err := a.lock()
	if err != nil {
		a.report(reportEnded, err.Error())
		return
	}
	defer lock.Close()
	again, err := a.take()
	if again {
		a.report(reportAgain, "")
		return
	}
	if Now() >= a.Before { // only now: the disk may have kept the claim waiting
		a.free()
		a.report(reportEnded, "it has become too late to begin")
		return
	}
	// A claim that cannot be made silences nothing; err is told at the end.
	if failed := a.run(); failed != nil {
		err = failed
	}
	text := ""
	if err != nil {
		text = err.Error()
	}
	a.report(reportEnded, text)
}

// lock waits until nobody else plays, but no longer than a sound may take: a helper that waits for a disk that has died holds it for ever.
func (a *actor) lock() (io.Closer, error) {
	if a.Lock == "" {
		return io.NopCloser(nil), nil
	}
	f, err := os.OpenFile(a.Lock, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return io.NopCloser(nil), nil // two sounds at once are better than none
	}
	for from := Now(); unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB) != nil; {
		switch now := Now(); {
		case now >= a.Before:
			f.Close()
			return nil, errors.New("another sound was played until it had become too late")
		case now-from > a.Limit:
			return f, nil
		}
		time.Sleep(10 * time.Millisecond)
	}
	return f, nil
}

// take makes the claim, or finds that somebody has it, or has begun.
func (a *actor) take() (again bool, err error) {
	f, err := os.OpenFile(a.Claim, os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o600)
	if errors.Is(err, fs.ErrExist) {
		f, err = os.OpenFile(a.Claim, os.O_RDWR, 0)
	}
	if err != nil {
		return false, fmt.Errorf("claim a sound: %w", err)
	}
	if unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB) != nil {
		f.Close()
		return true, nil
	}
	if info, err := f.Stat(); err == nil && info.Size() > 0 {
		f.Close()
		return true, nil
	}
	a.claim = f
	return false, nil
}

// note writes into the claim that it has begun. It returns when that is on the disk, or cannot be.
func (a *actor) note() {
	if a.claim == nil {
		return
	}
	_, _ = a.claim.WriteString("begun\n")
}

// syncClaim is a variable for the test of a card that does not answer.
var syncClaim = func(claim *os.File, path string) {
	if claim == nil {
		return
	}
	_ = claim.Sync()
	if dir, err := os.Open(filepath.Dir(path)); err == nil {
		_ = dir.Sync()
		dir.Close()
	}
}

// free gives the claim back.
func (a *actor) free() {
	if a.claim != nil {
		_ = os.Remove(a.Claim)
	}
}

// run runs the program to its end, and says what was wrong with it.
func (a *actor) run() error {
	var said tail
	cmd := exec.Command(a.Argv[0], a.Argv[1:]...)
	cmd.Env, cmd.Dir, cmd.Stderr, cmd.WaitDelay = append(os.Environ(), a.Env...), "/", &said, time.Second
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Stdin = bytes.NewReader(a.Input)
	if err := cmd.Start(); err != nil {
		a.free()
		return fmt.Errorf("%s cannot be started: %w", a.Argv[0], err)
	}
	began := time.Now()
	a.note()
	a.report(reportBegun, "")
	a.syncing.Go(func() { syncClaim(a.claim, a.Claim) })
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	err := a.watch(cmd, ended)
	settled := time.Since(began) >= a.Settle
	_ = syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) // what it has left running
	if err != nil && said.String() != "" {
		err = fmt.Errorf("%w; it said: %s", err, said.String())
	}
	if err != nil && a.Sound && !settled {
		a.free()
	}
	return err
}

// watch waits for the end of the program, and brings it about after the limit.
func (a *actor) watch(cmd *exec.Cmd, ended <-chan error) error {
	limit, settled := time.NewTimer(a.Limit), time.NewTimer(a.Settle)
	defer limit.Stop()
	defer settled.Stop()
	for {
		select {
		case err := <-ended:
			if err != nil && !errors.Is(err, exec.ErrWaitDelay) { // what it left running held its pipes
				return fmt.Errorf("%s has failed: %w", a.Argv[0], err)
			}
			return nil
		case <-settled.C:
			a.report(reportPlays, "")
		case <-limit.C:
			_ = syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
			<-ended
			return fmt.Errorf("%s has not ended within %v and was killed, with all that it had started", a.Argv[0], a.Limit)
		}
	}
}

// tail keeps the last line that a program complains with.
type tail struct {
	mu   sync.Mutex
	last []byte
}

const longest = 256 // bytes of it

func (t *tail) Write(b []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.last = append(t.last, b[max(0, len(b)-2*longest):]...)
	if i := bytes.LastIndexByte(bytes.TrimRight(t.last, "\n"), '\n'); i >= 0 {
		t.last = t.last[i+1:]
	}
	t.last = t.last[:min(len(t.last), longest)]
	return len(b), nil
}

func (t *tail) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return strings.TrimSpace(strings.ToValidUTF8(string(t.last), "?"))
}
