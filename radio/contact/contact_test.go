package contact

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
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
	child := childOf(t, pid)
	expect(t, r, Away, "has said nothing for 300ms")
	if !gone(child) {
		t.Errorf("the program's own child %d lives on", child)
	}
	expect(t, r, Open, "") // started anew
}

// TestCommandSilence: a program has 10 s for its first word, and then as long as Alive says from word to word.
func TestCommandSilence(t *testing.T) {
	for _, c := range []struct {
		alive time.Duration
		words []time.Duration // when it speaks; the last time, it ends
		ended time.Duration
		why   string
	}{
		{0, nil, 10 * time.Second, "nothing for 10s"},
		{time.Minute, nil, 10 * time.Second, "nothing for 10s"},
		{5 * time.Second, []time.Duration{9 * time.Second, 13 * time.Second, 17 * time.Second, time.Hour}, 22 * time.Second, "nothing for 5s"},
		{0, []time.Duration{9 * time.Second, 100 * time.Hour}, 100 * time.Hour, ""},
	} {
		synctest.Test(t, func(t *testing.T) {
			ctx, cancel := context.WithCancelCause(context.Background())
			said, ended := &lines{to: make(chan string), done: make(chan struct{})}, make(chan error, 1)
			began := time.Now()
			go func() {
				for i, at := range c.words {
					select {
					case <-time.After(at - time.Since(began)):
					case <-ctx.Done():
					}
					if ctx.Err() != nil || i == len(c.words)-1 {
						break
					}
					said.to <- "open"
				}
				if c.words == nil {
					<-ctx.Done()
				}
				ended <- nil
			}()
			(&Command{Alive: c.alive}).listen(said, ended, cancel, func(Reading) {})
			cause := ""
			if err := context.Cause(ctx); err != nil {
				cause = err.Error()
			}
			if took := time.Since(began); took != c.ended || !strings.Contains(cause, c.why) || (cause == "") != (c.why == "") {
				t.Errorf("alive %v, words %v: it was over after %v (%q), want %v (%q)", c.alive, c.words, took, cause, c.ended, c.why)
			}
			cancel(nil)
		})
	}
}

// childOf gives the process whose number a program has written to a file.
func childOf(t *testing.T, path string) int {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	child, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil {
		t.Fatal(err)
	}
	return child
}

// TestCommandLeavesNothing: what a program has started ends with it.
func TestCommandLeavesNothing(t *testing.T) {
	pid := filepath.Join(t.TempDir(), "pid")
	r := started(t, shell(fmt.Sprintf(`sleep 600 >/dev/null 2>&1 & echo $! > %s; echo open`, pid)))
	expect(t, r, Open, "")
	child := childOf(t, pid)
	expect(t, r, Away, "has ended")
	if !gone(child) {
		t.Errorf("the program's own child %d lives on", child)
	}
}

const orphanEnv = "LONGLANE_TEST_ORPHAN" // where the program that is to be orphaned writes its number

// TestCommandEndsWithUs: a program does not outlive this process, even if that is killed.
func TestCommandEndsWithUs(t *testing.T) {
	if pid := os.Getenv(orphanEnv); pid != "" { // the process that is killed
		r := started(t, shell(fmt.Sprintf(`echo $$ > %s; echo open; exec sleep 600`, pid)))
		expect(t, r, Open, "")
		fmt.Println("started")
		<-r
		return
	}
	pid := filepath.Join(t.TempDir(), "pid")
	us := exec.Command(os.Args[0], "-test.run=^TestCommandEndsWithUs$")
	us.Env = append(os.Environ(), orphanEnv+"="+pid)
	out, err := us.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := us.Start(); err != nil {
		t.Fatal(err)
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	us.Process.Kill()
	us.Wait()
	if line != "started\n" {
		t.Fatalf("it said %q (%v), want that it has started", line, err)
	}
	if child := childOf(t, pid); !gone(child) {
		syscall.Kill(child, syscall.SIGKILL)
		t.Errorf("the program %d lives on", child)
	}
}

// TestLongLine: of a line without an end no more is kept than is looked at.
func TestLongLine(t *testing.T) {
	l := &lines{to: make(chan string, 1), done: make(chan struct{})}
	for range 100 {
		l.Write([]byte(strings.Repeat("x", 100)))
	}
	l.Write([]byte("\n"))
	if n := len(<-l.to); n != longest {
		t.Errorf("of 10,000 bytes %d were kept, want %d", n, longest)
	}
}

// TestBackoff: the waits double from 1 s to 5 min, and begin anew after an attempt that lasted a minute.
func TestBackoff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var b backoff
		for i, c := range []struct{ took, want time.Duration }{{0, 1}, {0, 2}, {59, 4}, {0, 8}, {0, 16}, {0, 32}, {0, 64}, {0, 128}, {0, 256},
			{0, 300}, {0, 300}, {60, 1}, {0, 2}} {
			began := time.Now()
			b.sleep(context.Background(), c.took*time.Second)
			if got := time.Since(began); got != c.want*time.Second {
				t.Errorf("wait %d lasts %v, want %v", i, got, c.want*time.Second)
			}
		}
	})
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
