package contact

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"longlane/radio/gpio"
)

// started runs s until the test ends, and gives what it emits.
func started(t *testing.T, s Source) <-chan Reading {
	ctx, cancel := context.WithCancel(context.Background())
	readings, done := make(chan Reading), make(chan struct{})
	go func() {
		defer close(done)
		s.Run(ctx, func(r Reading) {
			select {
			case readings <- r:
			case <-ctx.Done():
			}
		})
	}()
	t.Cleanup(func() {
		cancel()
		<-done
	})
	return readings
}

func expect(t *testing.T, readings <-chan Reading, want Position, why string) Reading {
	t.Helper()
	select {
	case r := <-readings:
		if r.Position != want || !strings.Contains(r.Why, why) || r.At <= 0 || r.At > Now()+time.Hour {
			t.Fatalf("%v at %v (%q), want %v because of %q", r.Position, r.At, r.Why, want, why)
		}
		return r
	case <-time.After(time.Minute):
		t.Fatalf("no reading; want %v (%q)", want, why)
	}
	return Reading{}
}

func shell(text string) *Command { return &Command{Argv: []string{"/bin/sh", "-c", text}} }

// TestCommand: each word is a position, other words are none, and a program that ends is Away and started again.
func TestCommand(t *testing.T) {
	mark := filepath.Join(t.TempDir(), "mark")
	c := shell(fmt.Sprintf(`if [ -e %[1]s ]; then echo closed; read x; fi; touch %[1]s
printf 'open\nclosed\r\n cut\nsho'; printf 'rt\nbroken pin 3\nopen\n'; printf %%3000s x; echo; echo no such pin >&2; exit 3`, mark))
	r := started(t, c)
	for _, want := range []struct {
		p   Position
		why string
	}{{Open, ""}, {Closed, ""}, {Cut, ""}, {Short, ""}, {Away, `"broken pin 3", expected open, closed, cut or short`}, {Open, ""},
		{Away, "expected open"}, {Away, "has ended: exit status 3; it said: no such pin"}, {Closed, ""}} {
		expect(t, r, want.p, want.why)
	}
}

// TestCommandMissing: a program that is not there is Away, and says so.
func TestCommandMissing(t *testing.T) {
	expect(t, started(t, &Command{Argv: []string{"/no/such/program"}}), Away, "cannot be started")
}

// TestCommandHangs: one that says nothing for longer than Alive is ended, with all that it started.
func TestCommandHangs(t *testing.T) {
	pid := filepath.Join(t.TempDir(), "pid")
	c := shell(fmt.Sprintf(`sleep 600 & echo $! > %s; echo open; wait`, pid))
	c.Alive = 300 * time.Millisecond
	r := started(t, c)
	expect(t, r, Open, "")
	text, err := os.ReadFile(pid)
	if err != nil {
		t.Fatal(err)
	}
	child, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil {
		t.Fatal(err)
	}
	expect(t, r, Away, "has said nothing for 300ms")
	if !gone(child) {
		t.Errorf("the program's own child %d lives on", child)
	}
	expect(t, r, Open, "") // started anew
}

// gone waits for the end of a process that is not ours to wait for.
func gone(pid int) bool {
	for end := time.Now().Add(time.Minute); time.Now().Before(end); {
		stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
		if err != nil || strings.Contains(string(stat), ") Z ") || errors.Is(syscall.Kill(pid, 0), syscall.ESRCH) {
			return true
		}
	}
	return false
}

// pinTwin is a pin without a chip.
type pinTwin struct {
	active bool
	edges  chan gpio.Edge
	closed chan struct{}
	fails  chan error
}

func newPin(active bool) *pinTwin {
	return &pinTwin{active, make(chan gpio.Edge), make(chan struct{}), make(chan error)}
}

func (p *pinTwin) Active() (bool, error) { return p.active, nil }
func (p *pinTwin) Close() error          { close(p.closed); return nil }
func (p *pinTwin) Read() ([]gpio.Edge, error) {
	select {
	case e := <-p.edges:
		return []gpio.Edge{e}, nil
	case err := <-p.fails:
		return nil, err
	case <-p.closed:
		return nil, os.ErrClosed
	}
}

// TestGPIO: one pin tells two positions, two tell four; edges keep the kernel's time; a pin that fails is opened again.
func TestGPIO(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		real := openPin
		defer func() { openPin = real }()
		line, wire := newPin(false), newPin(true)
		openPin = func(o gpio.Options) (pin, error) {
			switch o.Line {
			case 5:
				return line, nil
			case 6:
				return wire, nil
			}
			return nil, errors.New("no such pin")
		}
		g := &GPIO{Line: gpio.Options{Line: 5}, Wire: &gpio.Options{Line: 6}}
		if !g.Supervised() || (&GPIO{}).Supervised() {
			t.Error("Supervised() does not follow from Wire")
		}
		ctx, cancel := context.WithCancel(context.Background())
		readings, done := make(chan Reading), make(chan struct{})
		go func() {
			defer close(done)
			g.Run(ctx, func(r Reading) {
				select {
				case readings <- r:
				case <-ctx.Done():
				}
			})
		}()
		expect(t, readings, Open, "")
		ago := monotonic() - 7*time.Second
		line.edges <- gpio.Edge{Active: true, At: ago}
		r := expect(t, readings, Closed, "")
		if off := Now() - r.At - 7*time.Second; off < 0 || off > time.Minute {
			t.Errorf("an edge of 7 s ago is dated %v ago", Now()-r.At)
		}
		wire.edges <- gpio.Edge{Active: false, At: ago}
		expect(t, readings, Short, "")
		line.edges <- gpio.Edge{Active: false, At: ago}
		expect(t, readings, Cut, "")
		wire.edges <- gpio.Edge{Active: true, At: ago}
		expect(t, readings, Open, "")
		broken, last := line, wire
		line, wire = newPin(true), newPin(true)
		broken.fails <- errors.New("the chip is gone")
		expect(t, readings, Away, "the chip is gone")
		<-broken.closed
		<-last.closed
		expect(t, readings, Closed, "") // after a wait, which costs no time here
		cancel()
		<-done
	})
}
