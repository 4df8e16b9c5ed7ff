package output

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"syscall"
	"time"

	"longlane/radio/gpio"
)

// Contact is one that is set: by a line, which is active while it is closed, or by a command.
type Contact struct {
	Pin  *gpio.Options
	Argv []string
	Rest bool // it is closed at rest
	Safe bool // it is closed when nobody holds it
}

// commandLimit is how long a command may take to set a contact.
const commandLimit = 5 * time.Second

// answer is what a helper tells of a contact.
type answer struct {
	Closed bool
	Err    string
}

// setter sets a contact.
type setter interface {
	set(closed bool) error
	close()
}

// Hold is the whole life of a helper that holds a contact: it reads which one, then "open" and "closed", a line each, and when
// there are no more sets it to its safe position.
func Hold(in io.Reader, out io.Writer) error {
	lines := bufio.NewScanner(in)
	if !lines.Scan() {
		return nil
	}
	var c Contact
	if err := json.Unmarshal(lines.Bytes(), &c); err != nil {
		return fmt.Errorf("read which contact to hold: %w", err)
	}
	tell := json.NewEncoder(out)
	s, err := c.open()
	if err != nil {
		_ = tell.Encode(answer{c.Safe, err.Error()})
		return nil // it has been told
	}
	defer s.close()
	for lines.Scan() {
		a := answer{Closed: lines.Text() == "closed"}
		if err := s.set(a.Closed); err != nil {
			a.Err = err.Error()
		}
		_ = tell.Encode(a) // if the parent has ended, so have its lines
	}
	for try := range 3 {
		if err = s.set(c.Safe); err == nil {
			break
		}
		time.Sleep(time.Duration(try+1) * time.Second)
	}
	return err
}

func (c *Contact) open() (setter, error) {
	if c.Pin == nil {
		return command(c.Argv), nil
	}
	o, err := gpio.OpenOutput(*c.Pin, c.Rest)
	if err != nil {
		return nil, err
	}
	return line{o}, nil
}

type line struct{ *gpio.Output }

func (l line) set(closed bool) error { return l.Set(closed) }
func (l line) close()                { _ = l.Close() }

type command []string

func (c command) set(closed bool) error {
	word := "open"
	if closed {
		word = "closed"
	}
	ctx, cancel := context.WithTimeout(context.Background(), commandLimit)
	defer cancel()
	var said tail
	cmd := exec.CommandContext(ctx, c[0], append(c[1:len(c):len(c)], word)...)
	cmd.Dir, cmd.Stderr, cmd.WaitDelay = "/", &said, time.Second
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
	err := cmd.Run()
	switch {
	case err == nil || errors.Is(err, exec.ErrWaitDelay):
		return nil
	case ctx.Err() != nil:
		err = fmt.Errorf("%s %s has not ended within %v and was killed", c[0], word, commandLimit)
	default:
		err = fmt.Errorf("%s %s has failed: %w", c[0], word, err)
	}
	if s := said.String(); s != "" {
		err = fmt.Errorf("%w; it said: %s", err, s)
	}
	return err
}

func (c command) close() {}

// Holder keeps a helper that holds a contact, and tells it where the contact is to stand.
type Holder struct {
	argv    []string
	contact Contact
	deliver func(closed bool, err string)
	want    chan bool // capacity 1: the last one counts
}

// NewHolder makes a holder; argv is this program and the word that makes it a helper. What the contact's position is is delivered from
// Run's goroutine.
func NewHolder(argv []string, c Contact, deliver func(closed bool, err string)) *Holder {
	return &Holder{argv: argv, contact: c, deliver: deliver, want: make(chan bool, 1)}
}

// Set asks for a position. It never blocks. One goroutine may call it.
func (h *Holder) Set(closed bool) {
	select {
	case <-h.want:
	default:
	}
	h.want <- closed
}

// Run holds the contact until ctx ends, then has it set to its safe position and waits for that, for a bounded time. A helper that
// died is started anew, and given the position that was asked for last.
func (h *Holder) Run(ctx context.Context) {
	closed := h.contact.Rest
	for pause := time.Second; ctx.Err() == nil; pause = min(2*pause, 30*time.Second) {
		began := time.Now()
		var err error
		if closed, err = h.once(ctx, closed); ctx.Err() != nil {
			return
		}
		h.deliver(closed, err.Error())
		if time.Since(began) > time.Minute {
			pause = time.Second
		}
		wait := time.NewTimer(pause)
		select {
		case <-wait.C:
		case <-ctx.Done():
		}
		wait.Stop()
	}
}

// once goes with one helper to its end. It returns the last position that was asked for.
func (h *Holder) once(ctx context.Context, closed bool) (bool, error) {
	p, err := startHelper(h.argv)
	if err != nil {
		return closed, fmt.Errorf("no helper can be started: %w", err)
	}
	defer h.leave(p)
	answers := make(chan answer)
	go func() { // ends with the helper
		defer close(answers)
		for lines := bufio.NewScanner(p.out); lines.Scan(); {
			var a answer
			if json.Unmarshal(lines.Bytes(), &a) == nil {
				answers <- a
			}
		}
	}()
	defer func() {
		go func() {
			for range answers {
			}
		}()
	}()
	first, err := json.Marshal(h.contact)
	if err != nil {
		panic(err) // plain fields
	}
	if _, err := p.in.Write(append(first, '\n')); err != nil {
		return closed, err
	}
	ask := func() error {
		_, err := io.WriteString(p.in, map[bool]string{true: "closed\n", false: "open\n"}[closed])
		return err
	}
	const died = "the helper that holds it has died"
	last := died
	for err := ask(); err == nil; {
		select {
		case <-ctx.Done():
			return closed, ctx.Err()
		case closed = <-h.want:
			err = ask()
		case a, ok := <-answers:
			if !ok {
				return closed, errors.New(last)
			}
			h.deliver(a.Closed, a.Err)
			if last = a.Err; last == "" {
				last = died
			}
		}
	}
	return closed, errors.New(last)
}

// leave lets the helper set its contact to the safe position and end, and kills it if it does not.
func (h *Holder) leave(p *helper) {
	done := make(chan struct{})
	go func() {
		defer close(done)
		p.end()
	}()
	wait := time.NewTimer(3*commandLimit + 5*time.Second)
	defer wait.Stop()
	select {
	case <-done:
	case <-wait.C:
		_ = p.cmd.Process.Kill()
		<-done
	}
}
