package queue

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

const dirEnv = "LONGLANE_QUEUE_TEST_DIR"

// say writes one line at once; a pipe takes so short a write whole.
func say(format string, args ...any) {
	if _, err := fmt.Fprintf(os.Stdout, format+"\n", args...); err != nil {
		os.Exit(3) // the parent is gone
	}
}

// killChild appends and acknowledges until it is killed. It says "stored N VALUE" once the queue has answered, "acking
// N" before each acknowledgement, and "flushed" when all before are on disk.
func killChild() error {
	q, err := Open(os.Getenv(dirEnv), Options{Advance: highest})
	if err != nil {
		return err
	}
	c, err := q.Sink("broker", SinkOptions{Required: true})
	if err != nil {
		return err
	}
	say("open")
	var wg sync.WaitGroup
	stored := make(chan struct{}, 1)
	for p := range 4 {
		wg.Go(func() {
			for i := 0; ; i++ {
				value := fmt.Sprintf("%d-%d-%s", p, i, strings.Repeat("v", i%200))
				answer := make(chan struct{})
				q.Append(Record{Priority: Priority(i % priorities), Value: []byte(value)}, func(s Seq, err error) {
					if err != nil {
						panic(err)
					}
					say("stored %d %s", s, value)
					close(answer)
					select {
					case stored <- struct{}{}:
					default:
					}
				})
				<-answer
			}
		})
	}
	wg.Go(func() {
		n := 0
		for range stored {
			for p := range Priority(priorities) {
				items, err := c.Next(p, 0, 64)
				if err != nil {
					panic(err)
				}
				for _, it := range items {
					say("acking %d", it.Seq)
					c.Ack(it.Seq)
					n++
				}
			}
			if n >= 150 {
				if err := q.Flush(); err != nil {
					panic(err)
				}
				say("flushed")
				n = 0
			}
		}
	})
	wg.Wait()
	return nil
}

// ledger is what the children said.
type ledger struct {
	stored  map[Seq]string
	acked   map[Seq]bool
	flushed map[Seq]bool // acknowledged, and on disk
}

func newLedger() *ledger {
	return &ledger{stored: map[Seq]string{}, acked: map[Seq]bool{}, flushed: map[Seq]bool{}}
}

func (l *ledger) read(line string) error {
	f := strings.Fields(line)
	num := func() Seq {
		if len(f) < 2 {
			return 0
		}
		n, _ := strconv.ParseUint(f[1], 10, 64)
		return Seq(n)
	}
	switch {
	case len(f) == 3 && f[0] == "stored":
		l.stored[num()] = f[2]
	case len(f) == 2 && f[0] == "acking":
		l.acked[num()] = true
	case line == "flushed":
		for s := range l.acked {
			l.flushed[s] = true
		}
	case line == "open":
	default:
		return fmt.Errorf("child said %q", line)
	}
	return nil
}

// check compares the ledger with what waits after a crash.
func (l *ledger) check(waiting map[Seq]string) error {
	for s, v := range l.stored {
		got, there := waiting[s]
		switch {
		case !there && !l.acked[s]:
			return fmt.Errorf("LOST: event %d was stored and is not there", s)
		case there && got != v:
			return fmt.Errorf("event %d is %q, was stored as %q", s, got, v)
		}
	}
	for s := range l.flushed {
		if _, there := waiting[s]; there {
			return fmt.Errorf("BACK: event %d was acknowledged, flushed, and waits again", s)
		}
	}
	return nil
}

// The process is killed at random moments: nothing that was answered is lost, nothing that was acknowledged and
// flushed comes back.
func TestKill(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	path := tempPath(t)
	l := newLedger()
	for round := range 30 {
		runAndKill(t, path, 2+rng.IntN(900), l)
		if t.Failed() {
			return
		}
		q := openTest(t, path, Options{MaxBytes: DefaultMaxBytes})
		c := mustSink(t, q, "broker", SinkOptions{Required: true})
		waiting := map[Seq]string{}
		for p := range Priority(priorities) {
			for _, it := range mustNext(t, c, p, 0, 1<<30) {
				waiting[it.Seq] = string(it.Value)
			}
		}
		if err := l.check(waiting); err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		closeTest(t, q)
	}
	t.Logf("%d events stored, %d acknowledged", len(l.stored), len(l.acked))
	if len(l.stored) < 1000 || len(l.flushed) < 100 {
		t.Errorf("%d stored, %d flushed: the children did too little", len(l.stored), len(l.flushed))
	}
}

// runAndKill kills a child with SIGKILL after it has said some lines, and reads the rest.
func runAndKill(t *testing.T, path string, lines int, l *ledger) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childEnv+"=kill", dirEnv+"="+path)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	sc := bufio.NewScanner(out)
	for n := 1; sc.Scan(); n++ {
		if err := l.read(sc.Text()); err != nil {
			t.Error(err)
		}
		if n == lines {
			if err := cmd.Process.Kill(); err != nil {
				t.Error(err)
			}
		}
	}
	var exit *exec.ExitError
	if err := cmd.Wait(); !errors.As(err, &exit) || exit.Exited() {
		t.Errorf("child ended by itself: %v: %s", err, stderr.String())
	}
}
