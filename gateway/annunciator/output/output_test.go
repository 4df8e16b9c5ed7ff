package output

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"longlane/radio/gpio"
)

// be makes the test's own program a helper, or a parent that is to be killed.
const be = "LONGLANE_TEST_BE"

func TestMain(m *testing.M) {
	signal.Ignore(syscall.SIGPIPE)
	fail := func(err error) {
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	switch os.Getenv(be) {
	case "act":
		fail(Act(os.Stdin, os.Stdout))
	case "hold":
		fail(Hold(os.Stdin, os.Stdout))
	case "parent": // of a sound and a contact; it waits to be killed
		os.Setenv(be, "act")
		r := NewRunner([]string{os.Args[0]}, func(e Event) { fmt.Printf("%+v\n", e) })
		r.Start(Order{Claim: os.Args[1], Before: Now() + time.Minute, Argv: []string{"/bin/sh", "-c", os.Args[2]}, Limit: time.Minute, Sound: true})
		os.Setenv(be, "hold")
		h := NewHolder([]string{os.Args[0]}, Contact{Argv: []string{"/bin/sh", "-c", os.Args[3], "sh"}}, func(closed bool, err string) { fmt.Println("contact", closed, err) })
		h.Set(true)
		h.Run(context.Background())
	default:
		os.Exit(m.Run())
	}
}

const patience = time.Minute

// troupe is a runner and what it was told.
type troupe struct {
	*testing.T
	*Runner
	dir    string
	events chan Event
}

func newTroupe(t *testing.T) *troupe {
	tr := &troupe{T: t, dir: t.TempDir(), events: make(chan Event, 100)}
	t.Setenv(be, "act")
	tr.Runner = NewRunner([]string{os.Args[0]}, func(e Event) { tr.events <- e })
	t.Cleanup(func() {
		tr.Close()
		tr.running.Wait()
	})
	return tr
}

func (tr *troupe) path(name string) string { return filepath.Join(tr.dir, name) }

func (tr *troupe) text(name string) string {
	b, _ := os.ReadFile(tr.path(name))
	return string(b)
}

func (tr *troupe) sound(claim, script string) Order {
	return Order{Claim: tr.path(claim), Before: Now() + patience, Argv: []string{"/bin/sh", "-c", script}, Limit: patience, Sound: true, Settle: patience}
}

// finish gives the events of one order, in words.
func (tr *troupe) finish() string {
	tr.Helper()
	text := ""
	for {
		e := tr.next()
		switch {
		case e.Begun:
			text += "begun "
		case e.Plays:
			text += "plays "
		case e.Ended:
			return text + "ended " + e.Err
		}
	}
}

func (tr *troupe) next() Event {
	tr.Helper()
	select {
	case e := <-tr.events:
		return e
	case <-time.After(patience):
		tr.Fatal("nothing is told")
		return Event{}
	}
}

func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	look, end := time.NewTicker(5*time.Millisecond), time.NewTimer(patience)
	defer look.Stop()
	defer end.Stop()
	for !ok() {
		select {
		case <-look.C:
		case <-end.C:
			t.Fatalf("waited in vain: %s", what)
		}
	}
}

// TestOnce: a claim is played once, whoever asks for it, now or later; another claim is another sound.
func TestOnce(t *testing.T) {
	tr := newTroupe(t)
	play := tr.sound("a", "cat >> "+tr.path("heard"))
	play.Input = []byte("ding ")
	for i, want := range []string{"begun ended ", "begun ended ", "begun ended "} {
		tr.Start(play)
		if got := tr.finish(); got != want {
			t.Errorf("time %d: %q, want %q", i, got, want)
		}
	}
	if got := tr.text("heard"); got != "ding " {
		t.Errorf("heard %q, want one ding", got)
	}
	play.Claim = tr.path("b")
	tr.Start(play)
	tr.finish()
	if got := tr.text("heard"); got != "ding ding " {
		t.Errorf("heard %q, want another ding", got)
	}
}

// TestTwoAtOnce: of two helpers with one claim at the same moment one plays.
func TestTwoAtOnce(t *testing.T) {
	tr := newTroupe(t)
	for i := range 20 {
		play := tr.sound(fmt.Sprint("claim", i), fmt.Sprintf("echo %d >> %s", i, tr.path("heard")))
		tr.Start(play)
		tr.Start(play)
		for range 2 {
			for e := tr.next(); !e.Ended; e = tr.next() {
			}
		}
	}
	want := ""
	for i := range 20 {
		want += fmt.Sprintln(i)
	}
	if got := tr.text("heard"); got != want {
		t.Errorf("heard %q, want %q", got, want)
	}
}

// TestClaims: what a claim that is there already means.
func TestClaims(t *testing.T) {
	tr := newTroupe(t)
	for _, c := range []struct {
		what   string
		make   func(path string)
		played bool
	}{
		{"of a sound that had begun", func(p string) { os.WriteFile(p, []byte("begun\n"), 0o600) }, false},
		{"of a helper that died before it had begun", func(p string) { os.WriteFile(p, nil, 0o600) }, true},
		{"of a helper that lives", func(p string) {
			f, err := os.Create(p)
			if err != nil {
				t.Fatal(err)
			}
			if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX); err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { f.Close() })
		}, false},
		{"that cannot be made", func(p string) { os.Mkdir(p, 0o700) }, true},
	} {
		os.Remove(tr.path("heard"))
		c.make(tr.path(c.what))
		tr.Start(tr.sound(c.what, "echo x > "+tr.path("heard")))
		told := tr.finish()
		if got := tr.text("heard") != ""; got != c.played {
			t.Errorf("a claim %s: played %v (%s), want %v", c.what, got, told, c.played)
		}
		if strings.Contains(c.what, "cannot") && !strings.Contains(told, "claim a sound") {
			t.Errorf("a claim %s: %q says nothing of it", c.what, told)
		}
	}
}

// TestFailures: what fails at once may be played again; what failed later, and a command, may not.
func TestFailures(t *testing.T) {
	tr := newTroupe(t)
	for _, c := range []struct {
		name, script string
		command      bool
		again        bool
		want         string
	}{
		{"at once", "echo no such device >&2; exit 3", false, true, "begun ended /bin/sh has failed: exit status 3; it said: no such device"},
		{"later", "sleep 0.6; exit 3", false, false, "begun plays ended /bin/sh has failed: exit status 3"},
		{"command", "exit 3", true, false, "begun ended /bin/sh has failed: exit status 3"},
	} {
		o := tr.sound(c.name, "echo x >> "+tr.path("ran "+strings.Fields(c.name)[0])+"; "+c.script)
		o.Argv[2] = strings.ReplaceAll(o.Argv[2], "ran ", "ran-")
		o.Sound = !c.command
		if c.name == "later" {
			o.Settle = 100 * time.Millisecond
		}
		tr.Start(o)
		if got := tr.finish(); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
		tr.Start(o)
		tr.finish()
		want := "x\n"
		if c.again {
			want = "x\nx\n"
		}
		if got := tr.text("ran-" + strings.Fields(c.name)[0]); got != want {
			t.Errorf("%s, and asked for again: it ran %q, want %q", c.name, got, want)
		}
	}
	missing := tr.sound("missing", "")
	missing.Argv = []string{"/no/such/player", "-q"}
	tr.Start(missing)
	if got := tr.finish(); !strings.HasPrefix(got, "ended /no/such/player cannot be started") {
		t.Errorf("no player: %q", got)
	}
	if _, err := os.Stat(tr.path("missing")); err == nil {
		t.Error("its claim is still there")
	}
}

// TestLimit: what hangs is killed with all that it has started; what ends is not survived by what it has left.
func TestLimit(t *testing.T) {
	tr := newTroupe(t)
	child := func() int {
		pid, err := strconv.Atoi(strings.TrimSpace(tr.text("child")))
		if err != nil {
			t.Fatal(err)
		}
		return pid
	}
	o := tr.sound("hangs", "sleep 600 & echo $! > "+tr.path("child")+"; wait")
	o.Limit, o.Settle = 2*time.Second, 100*time.Millisecond
	tr.Start(o)
	if got := tr.finish(); !strings.Contains(got, "plays ended /bin/sh has not ended within 2s and was killed") {
		t.Errorf("a player that hangs: %q", got)
	}
	eventually(t, "the child of what hung ends", func() bool { return gone(child()) })
	o = tr.sound("leaves", "sleep 600 & echo $! > "+tr.path("child")+"; exit 0")
	o.Sound = false
	tr.Start(o)
	if got := tr.finish(); got != "begun ended " { // it waits a second for who holds its pipes
		t.Errorf("a command that forks and ends: %q", got)
	}
	eventually(t, "what a command left behind ends", func() bool { return gone(child()) })
}

func gone(pid int) bool {
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	return err != nil || strings.Contains(string(stat), ") Z ")
}

// TestInput: a command is run without a shell, with its input, of any length, on its standard input, and the environment.
func TestInput(t *testing.T) {
	tr := newTroupe(t)
	o := tr.sound("a", `cat > "$OUT"; printf ' %s %s' "$LONGLANE_TITLE" "$1" >> "$OUT"`)
	o.Argv = append(o.Argv, "sh", "$(touch /tmp/never); *")
	o.Env = []string{"LONGLANE_TITLE=River gate; `id`", "OUT=" + tr.path("got")}
	o.Input = []byte(strings.Repeat("{}", 40_000)) // more than a pipe holds
	tr.Start(o)
	tr.finish()
	if want := string(o.Input) + " River gate; `id` $(touch /tmp/never); *"; tr.text("got") != want {
		t.Errorf("it got %.100q", tr.text("got")[max(0, len(tr.text("got"))-100):])
	}
	// One that reads nothing of a long sound, and one that gets nothing.
	o = tr.sound("b", "exec <&-; sleep 0.1")
	o.Input = make([]byte, 4<<20)
	tr.Start(o)
	if got := tr.finish(); got != "begun ended " {
		t.Errorf("a player that does not read: %q", got)
	}
	o = tr.sound("c", "wc -c > "+tr.path("got"))
	tr.Start(o)
	if tr.finish(); strings.TrimSpace(tr.text("got")) != "0" {
		t.Errorf("without an input it got %s bytes", tr.text("got"))
	}
}

// TestTooLate: what has become too late is not begun, nor what had to wait for another sound until then.
func TestTooLate(t *testing.T) {
	tr := newTroupe(t)
	o := tr.sound("a", "echo x > "+tr.path("heard"))
	o.Before = Now()
	tr.Start(o)
	if got := tr.finish(); got != "ended it has become too late to begin" {
		t.Errorf("too late: %q", got)
	}
	long := tr.sound("b", "sleep 2")
	long.Lock = tr.path("lock")
	tr.Start(long)
	for e := tr.next(); !e.Begun; e = tr.next() {
	}
	second, third := o, o
	second.Claim, second.Lock, second.Before = tr.path("c"), long.Lock, Now()+200*time.Millisecond
	third.Claim, third.Lock, third.Before = tr.path("d"), long.Lock, Now()+patience
	tr.Start(second)
	tr.Start(third)
	ended := map[string]string{}
	for len(ended) < 3 {
		if e := tr.next(); e.Ended {
			ended[filepath.Base(e.Claim)] = e.Err
			if filepath.Base(e.Claim) == "c" && tr.text("heard") != "" {
				t.Error("another sound was played beside the first")
			}
		}
	}
	if !strings.Contains(ended["c"], "another sound was played") || ended["b"] != "" || ended["d"] != "" || tr.text("heard") != "x\n" {
		t.Errorf("%q, heard %q", ended, tr.text("heard"))
	}
}

// TestHelperDies: one that dies while it stands by is replaced at once; one that dies before it has begun frees the claim.
func TestHelperDies(t *testing.T) {
	tr := newTroupe(t)
	tr.ready.cmd.Process.Kill()
	eventually(t, "the helper that stands by is dead", func() bool { return gone(tr.ready.cmd.Process.Pid) })
	tr.Start(tr.sound("a", "echo x >> "+tr.path("heard")))
	if got := tr.finish(); got != "begun ended " || tr.text("heard") != "x\n" {
		t.Errorf("after a helper had died that stood by: %q, heard %q", got, tr.text("heard"))
	}
	// This one waits for the lock when it dies.
	lock, err := os.Create(tr.path("lock"))
	if err != nil {
		t.Fatal(err)
	}
	defer lock.Close()
	if err := syscall.Flock(int(lock.Fd()), syscall.LOCK_EX); err != nil {
		t.Fatal(err)
	}
	eventually(t, "another helper stands by", func() bool { tr.mu.Lock(); defer tr.mu.Unlock(); return tr.ready != nil })
	pid := tr.ready.cmd.Process.Pid
	o := tr.sound("b", "echo y >> "+tr.path("heard"))
	o.Lock = tr.path("lock")
	tr.Start(o)
	syscall.Kill(pid, syscall.SIGKILL)
	if got := tr.finish(); got != "ended the helper that had it has died" {
		t.Errorf("a helper that dies before it has begun: %q", got)
	}
	syscall.Flock(int(lock.Fd()), syscall.LOCK_UN)
	tr.Start(o)
	if got := tr.finish(); got != "begun ended " || tr.text("heard") != "x\ny\n" {
		t.Errorf("asked for again: %q, heard %q", got, tr.text("heard"))
	}
}

// TestParentKilled: a sound that has begun outlives the parent, which is killed, and a contact goes to its safe position.
func TestParentKilled(t *testing.T) {
	dir := t.TempDir()
	heard, contact := filepath.Join(dir, "heard"), filepath.Join(dir, "contact")
	cmd := exec.Command(os.Args[0], filepath.Join(dir, "claim"), "sleep 1.5; echo whole > "+heard, "echo $1 >> "+contact)
	cmd.Env = append(os.Environ(), be+"=parent")
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines, begun, closed := bufio.NewScanner(out), false, false
	for (!begun || !closed) && lines.Scan() {
		begun = begun || strings.Contains(lines.Text(), "Begun:true")
		closed = closed || strings.Contains(lines.Text(), "contact true")
	}
	cmd.Process.Kill()
	go io.Copy(io.Discard, out)
	cmd.Wait()
	text := func(path string) string { b, _ := os.ReadFile(path); return string(b) }
	eventually(t, "the sound plays on to its end", func() bool { return text(heard) == "whole\n" })
	eventually(t, "the contact is set to its safe position", func() bool { return strings.HasSuffix(text(contact), "closed\nopen\n") })
}

// told is what a holder has told.
type told struct {
	mu   sync.Mutex
	list []string
}

func (l *told) add(closed bool, err string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.list = append(l.list, strings.TrimSpace(fmt.Sprintf("%v %s", closed, err)))
}

func (l *told) has(text string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Contains(strings.Join(l.list, "\n"), text)
}

func (l *told) last() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return append([]string{""}, l.list...)[len(l.list)]
}

// TestHold: a contact by a command: its rest at first, then what is asked for, and the safe position at the end and when the helper is killed.
func TestHold(t *testing.T) {
	t.Setenv(be, "hold")
	dir := t.TempDir()
	log := filepath.Join(dir, "contact")
	text := func() string { b, _ := os.ReadFile(log); return strings.ReplaceAll(string(b), "\n", " ") }
	var l told
	h := NewHolder([]string{os.Args[0]}, Contact{Argv: []string{"/bin/sh", "-c", "echo $1 >> " + log + "; [ ! -e " + dir + "/broken ] || { echo relay board gone >&2; exit 1; }", "sh"}, Rest: true}, l.add)
	ctx, cancel := context.WithCancel(context.Background())
	var running sync.WaitGroup
	running.Go(func() { h.Run(ctx) })
	eventually(t, "it is at rest", func() bool { return text() == "closed " })
	h.Set(false)
	eventually(t, "it is opened", func() bool { return text() == "closed open " })
	os.WriteFile(dir+"/broken", nil, 0o600)
	h.Set(true)
	eventually(t, "the failure is told", func() bool { return l.has("true /bin/sh closed has failed: exit status 1; it said: relay board gone") })
	os.Remove(dir + "/broken")
	h.Set(true)
	// The helper may have set it and not told of it yet; if it died now, the failure before would be told, and not its death.
	eventually(t, "it is closed, and told so", func() bool { return text() == "closed open closed closed " && l.last() == "true" })
	// The helper is killed: another one takes its place and the last position again.
	list, _ := filepath.Glob("/proc/[0-9]*/status")
	for _, path := range list {
		b, _ := os.ReadFile(path)
		if strings.Contains(string(b), fmt.Sprintf("\nPPid:\t%d\n", os.Getpid())) { // it has no other children
			pid, _ := strconv.Atoi(filepath.Base(filepath.Dir(path)))
			syscall.Kill(pid, syscall.SIGKILL)
		}
	}
	eventually(t, "its death is told", func() bool { return l.has("the helper that holds it has died") })
	eventually(t, "it is closed again", func() bool { return text() == "closed open closed closed closed " })
	cancel()
	running.Wait()
	if got := text(); got != "closed open closed closed closed open " {
		t.Errorf("at the end the contact has gone %q, want the safe position last", got)
	}
}

// TestHoldPin: a line that cannot be had is told, in words that say what to do, and asked for again.
func TestHoldPin(t *testing.T) {
	t.Setenv(be, "hold")
	var l told
	h := NewHolder([]string{os.Args[0]}, Contact{Pin: &gpio.Options{Chip: "/dev/gpiochip77", Line: 3}}, l.add)
	ctx, cancel := context.WithCancel(context.Background())
	var running sync.WaitGroup
	running.Go(func() { h.Run(ctx) })
	eventually(t, "it is told that there is no such chip", func() bool { return l.has("open /dev/gpiochip77 line 3: ") && l.has("lists the chips") })
	cancel()
	running.Wait()
}
