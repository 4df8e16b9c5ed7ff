package contact

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os/exec"
	"runtime"
	"strings"
	"syscall"
	"time"
)

// Command reads a contact by a program of the owner's, which prints a line each time the contact changes, and one when it
// starts, within 10 s: open, closed, cut or short. It is run without a shell. When it ends, or prints anything else, the contact is Away
// until it prints a position again; it is started anew, after waits of 1 s to 5 min. It must write each line out at once.
type Command struct {
	Argv []string // the program's path and its arguments
	// Words says that the program tells cut and short as well.
	Words bool
	// Alive, if it is not 0, is the longest silence of a program that works: it repeats its position so often. After a
	// longer one it is ended and started anew. Without it nobody notices a program that hangs.
	Alive time.Duration
}

// Supervised implements Source.
func (c *Command) Supervised() bool { return c.Words }

const (
	firstWord = 10 * time.Second // a program that has not said by then where the contact stands is ended
	endIn     = 2 * time.Second  // a program that was asked to end and has not by then is killed
	longest   = 256              // bytes of a line that are looked at
)

// Run implements Source. The program ends with this process, even if that is killed: the kernel sends it SIGTERM when the
// thread that started it ends, which is why the thread is kept.
func (c *Command) Run(ctx context.Context, emit func(Reading)) {
	runtime.LockOSThread() // and never unlocked: the thread ends with this goroutine
	for wait := (backoff{}); ctx.Err() == nil; {
		began := time.Now()
		why := c.once(ctx, emit)
		if ctx.Err() != nil {
			return
		}
		emit(Reading{Away, Now(), why})
		wait.sleep(ctx, time.Since(began))
	}
}

// once runs the program to its end, and says how that came.
func (c *Command) once(ctx context.Context, emit func(Reading)) (why string) {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	said := &lines{to: make(chan string), done: make(chan struct{})}
	var complaint tail
	cmd := exec.CommandContext(ctx, c.Argv[0], c.Argv[1:]...)
	cmd.Stdout, cmd.Stderr, cmd.WaitDelay = said, &complaint, endIn
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGTERM}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGTERM) }
	if err := cmd.Start(); err != nil {
		return fmt.Sprintf("%s cannot be started: %v", c.Argv[0], err)
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	c.listen(said, ended, cancel, emit)
	close(said.done) // frees a writer that nobody listens to any more
	err := <-ended
	syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) // what it has left running
	if cause := context.Cause(ctx); cause != nil && !errors.Is(cause, context.Canceled) {
		return c.Argv[0] + " " + cause.Error()
	}
	why = c.Argv[0] + " has ended"
	if err != nil {
		why += ": " + err.Error()
	}
	if s := complaint.String(); s != "" {
		why += "; it said: " + s
	}
	return why
}

// listen emits what the program says until it has ended; it puts the end back.
func (c *Command) listen(said *lines, ended chan error, cancel context.CancelCauseFunc, emit func(Reading)) {
	limit := firstWord // 0: none
	silence := time.NewTimer(limit)
	defer silence.Stop()
	for {
		select {
		case line := <-said.to:
			r := read(line)
			r.At = Now()
			silence.Stop()
			if limit = c.Alive; limit > 0 {
				silence.Reset(limit)
			}
			emit(r)
		case <-silence.C:
			cancel(fmt.Errorf("has said nothing for %v and was ended", limit))
		case err := <-ended:
			ended <- err
			return
		}
	}
}

// read is what a line means.
func read(line string) Reading {
	switch strings.TrimSpace(line) {
	case "open":
		return Reading{Position: Open}
	case "closed":
		return Reading{Position: Closed}
	case "cut":
		return Reading{Position: Cut}
	case "short":
		return Reading{Position: Short}
	}
	return Reading{Position: Away, Why: fmt.Sprintf("the command said %.40q, expected open, closed, cut or short", line)}
}

// lines takes what a program prints, and hands it on line by line.
type lines struct {
	to   chan string
	done chan struct{} // nobody listens any more
	part []byte
}

// Write is called by one goroutine, of package exec.
func (l *lines) Write(b []byte) (int, error) {
	n := len(b)
	for {
		line, rest, ok := bytes.Cut(b, []byte("\n"))
		l.part = append(l.part, line[:min(len(line), longest-len(l.part))]...)
		if !ok {
			return n, nil
		}
		select {
		case l.to <- string(l.part):
		case <-l.done:
		}
		l.part, b = l.part[:0], rest
	}
}

// tail keeps the last line that a program complains with.
type tail struct{ last []byte }

// Write is called by one goroutine, of package exec, which ends before the program's end is known.
func (t *tail) Write(b []byte) (int, error) {
	t.last = append(t.last, b...)
	if i := bytes.LastIndexByte(bytes.TrimRight(t.last, "\n"), '\n'); i >= 0 {
		t.last = t.last[i+1:]
	}
	t.last = t.last[:min(len(t.last), longest)]
	return len(b), nil
}

func (t *tail) String() string { return strings.TrimSpace(string(t.last)) }
