package output

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"sync"
	"syscall"
	"time"
)

// Event is what a helper has told of an order, by its claim: one of Again, Begun, Plays and Ended. Ended comes last, also after Again.
type Event struct {
	Claim               string
	Begun, Plays, Ended bool
	Err                 string // of Ended
}

// Runner has orders carried out. Its methods are safe for concurrent use.
type Runner struct {
	argv    []string
	deliver func(Event)

	mu      sync.Mutex
	ready   *helper // stands by; nil: none does
	closed  bool
	running sync.WaitGroup
}

// NewRunner starts a helper that stands by. argv is this program and the word that makes it a helper. Events are delivered from
// goroutines of the runner's.
func NewRunner(argv []string, deliver func(Event)) *Runner {
	r := &Runner{argv: argv, deliver: deliver}
	r.refill()
	return r
}

// Start has an order carried out. It does not block.
func (r *Runner) Start(o Order) {
	r.mu.Lock()
	h := r.ready
	r.ready = nil
	closed := r.closed
	r.mu.Unlock()
	if closed {
		return
	}
	r.running.Go(func() { r.carryOut(o, h) })
}

// carryOut hands the order to h, or to a new helper if there is none or it has died while it stood by.
func (r *Runner) carryOut(o Order, h *helper) {
	o.Size = len(o.Input)
	text, err := json.Marshal(o)
	if err != nil {
		panic(err) // plain fields
	}
	text = append(append(text, '\n'), o.Input...)
	w := &watch{deliver: r.deliver}
	late := time.AfterFunc(max(min(o.Before-Now(), o.Limit), 0)+o.Limit+helperLag, func() {
		w.tell(Event{Claim: o.Claim, Ended: true, Err: fmt.Sprintf("its helper has not answered for %v longer than it may take", helperLag)})
	})
	defer late.Stop()
	if h != nil {
		if _, err := h.in.Write(text); err != nil {
			h.end()
			h = nil
		}
	}
	if h == nil {
		if h, err = r.start(); err == nil {
			_, err = h.in.Write(text)
		}
		if err != nil {
			w.tell(Event{Claim: o.Claim, Ended: true, Err: fmt.Sprintf("no helper can be started: %v", err)})
			return
		}
	}
	r.follow(o, h, w)
}

// helperLag is how much longer than its order a helper may take. One that waits for a disk that has died takes for ever, and the
// sounds after it would.
var helperLag = 10 * time.Second

// watch delivers the events of one order, and after its end none.
type watch struct {
	deliver func(Event)

	mu    sync.Mutex
	ended bool
}

func (w *watch) tell(e Event) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.ended {
		w.ended = e.Ended
		w.deliver(e)
	}
}

// follow delivers what a helper tells, until it has ended.
func (r *Runner) follow(o Order, h *helper, w *watch) {
	last := false
	for lines := bufio.NewScanner(h.out); lines.Scan(); {
		var t report
		if err := json.Unmarshal(lines.Bytes(), &t); err != nil {
			continue
		}
		e := Event{Claim: o.Claim, Err: t.Err}
		switch t.What {
		case reportAgain:
			w.tell(Event{Claim: o.Claim, Begun: true})
			e.Ended, last = true, true
		case reportBegun:
			e.Begun = true
		case reportPlays:
			e.Plays = true
			r.refill() // only now: a small board has one core, and the player wants it
		case reportEnded:
			e.Ended, last = true, true
		}
		w.tell(e)
	}
	h.end()
	if !last {
		w.tell(Event{Claim: o.Claim, Ended: true, Err: "the helper that had it has died"})
	}
	r.refill()
}

// refill has a helper stand by.
func (r *Runner) refill() {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed || r.ready != nil {
		return
	}
	if h, err := r.start(); err == nil { // else the next order tells
		r.ready = h
	}
}

// Close ends the helper that stands by. Those that have an order carry it out, and are not waited for.
func (r *Runner) Close() {
	r.mu.Lock()
	h := r.ready
	r.ready, r.closed = nil, true
	r.mu.Unlock()
	if h != nil {
		h.end()
	}
}

// helper is a process of ours.
type helper struct {
	cmd *exec.Cmd
	in  io.WriteCloser
	out io.ReadCloser
}

func (r *Runner) start() (*helper, error) { return startHelper(r.argv) }

func startHelper(argv []string) (*helper, error) {
	cmd := exec.Command(argv[0], argv[1:]...)
	cmd.Stderr = os.Stderr
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true} // neither Ctrl-C nor our own end is its end
	in, err := cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		in.Close()
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		in.Close()
		return nil, err
	}
	return &helper{cmd, in, out}, nil
}

// end closes the helper's pipes and waits for its end, which that brings about unless it carries out an order.
func (h *helper) end() {
	h.in.Close()
	_ = h.cmd.Wait()
}
