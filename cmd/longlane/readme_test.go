package main

import (
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"

	"longlane/proto"
	"longlane/radio/survey"
)

func readFile(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// ownTerminal begins a block of README.md that runs on while the ones after it are typed.
const ownTerminal = "# in a terminal of its own"

func sectionOf(t *testing.T, title string) string {
	t.Helper()
	_, section, ok := strings.Cut(readFile(t, "../../README.md"), "\n## "+title+"\n")
	if !ok {
		t.Fatalf("README.md has no section %q", title)
	}
	section, _, _ = strings.Cut(section, "\n## ")
	return section
}

// blocksOf are the shell blocks of a section of README.md, in order.
func blocksOf(t *testing.T, title string) (blocks []string) {
	t.Helper()
	for _, m := range regexp.MustCompile("(?ms)^```(\\w*)\n(.*?)^```$").FindAllStringSubmatch(sectionOf(t, title), -1) {
		if m[1] == "sh" {
			blocks = append(blocks, m[2])
		} else if strings.Contains(m[2], "bin/longlane") {
			t.Errorf("a block with commands in %q is %q, want sh, so that it can be run:\n%s", title, m[1], m[2])
		}
	}
	return blocks
}

// newcomer types what README.md says into an empty folder that holds only what the sources and `make build` bring.
type newcomer struct {
	t         *testing.T
	dir       string
	broker    string // address
	terminals []*terminal
}

// terminal is a block that runs on, and what it has written so far.
type terminal struct {
	cmd    *exec.Cmd
	tty    *os.File
	done   chan struct{}
	mu     sync.Mutex
	screen strings.Builder
}

func (tm *terminal) text() string {
	tm.mu.Lock()
	defer tm.mu.Unlock()
	return tm.screen.String()
}

// read ends with the process, whose end of the terminal closes then.
func (tm *terminal) read() {
	defer close(tm.done)
	for b := make([]byte, 4096); ; {
		k, err := tm.tty.Read(b)
		tm.mu.Lock()
		tm.screen.Write(b[:k])
		tm.mu.Unlock()
		if err != nil {
			break
		}
	}
	tm.cmd.Wait()
}

func newNewcomer(t *testing.T) *newcomer {
	n := &newcomer{t: t, dir: t.TempDir()}
	shim := fmt.Sprintf("#!/bin/sh\n%s=1 exec '%s' \"$@\"\n", beProgram, os.Args[0])
	for _, err := range []error{os.CopyFS(filepath.Join(n.dir, "testdata"), os.DirFS("../../testdata")), os.Mkdir(filepath.Join(n.dir, "bin"), 0o755),
		os.WriteFile(filepath.Join(n.dir, "bin/longlane"), []byte(shim), 0o755)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	t.Cleanup(func() {
		for _, tm := range n.terminals {
			tm.cmd.Process.Kill()
			<-tm.done
			tm.tty.Close()
			if t.Failed() {
				t.Logf("%s\n%s", tm.cmd.Args, tm.text())
			}
		}
	})
	return n
}

// adapt changes what a test must have otherwise than a newcomer: ports that nobody else on this machine uses.
func (n *newcomer) adapt(blocks []string) {
	text := strings.Join(blocks, "\x00")
	for _, port := range []string{"18830", "9465"} {
		_, free, _ := net.SplitHostPort(freeAddr(n.t))
		if !strings.Contains(text, port) {
			n.t.Errorf("README.md's commands do not name the port %s; this test relies on that", port)
		}
		text = strings.ReplaceAll(text, port, free)
		if n.broker == "" {
			n.broker = net.JoinHostPort("127.0.0.1", free)
		}
	}
	copy(blocks, strings.Split(text, "\x00"))
}

// run types a block and waits for its end.
func (n *newcomer) run(block string) {
	n.t.Helper()
	if strings.Contains(block, "make build ") { // what it makes is this test binary, which stands there already
		plan, err := exec.Command("make", "-C", "../..", "-n", "build").CombinedOutput()
		if err != nil || !strings.Contains(string(plan), "-o bin/longlane ") {
			n.t.Errorf("make build does not make bin/longlane: %v\n%s", err, plan)
		}
		block = strings.Replace(block, "make build ", ": ", 1)
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, "sh", "-eu", "-c", block)
	cmd.Dir, cmd.WaitDelay = n.dir, time.Second
	if out, err := cmd.CombinedOutput(); err != nil {
		n.t.Fatalf("%v: README.md says\n%s\nand it says\n%s", err, block, out)
	}
}

// open types a block, which is one command, into a terminal of its own.
func (n *newcomer) open(block string) *terminal {
	n.t.Helper()
	_, command, _ := strings.Cut(strings.TrimSpace(block), "\n")
	cmd := exec.Command("sh", "-c", "exec "+command)
	cmd.Dir = n.dir
	tty, err := pty.Start(cmd)
	if err != nil {
		n.t.Fatal(err)
	}
	tm := &terminal{cmd: cmd, tty: tty, done: make(chan struct{})}
	go tm.read()
	n.terminals = append(n.terminals, tm)
	return tm
}

// await waits until the command in a terminal has got somewhere: people read before they type on.
func (n *newcomer) await(what string, cond func() bool) {
	n.t.Helper()
	eventually(n.t, time.Minute, what, func() bool {
		for _, tm := range n.terminals {
			select {
			case <-tm.done:
				n.t.Fatalf("%s has ended: %s", tm.cmd.Args, tm.text())
			default:
			}
		}
		return cond()
	})
}

// interrupt presses Ctrl-C in a terminal.
func (n *newcomer) interrupt(tm *terminal) (code int) {
	n.t.Helper()
	if _, err := tm.tty.Write([]byte{3}); err != nil {
		n.t.Fatal(err)
	}
	select {
	case <-tm.done:
	case <-time.After(time.Minute):
		n.t.Fatalf("Ctrl-C does not end %s", tm.cmd.Args)
	}
	return tm.cmd.ProcessState.ExitCode()
}

// TestReadmeSetUp: every command of README.md's section "Setting up" works, in order, in an empty folder, and what it
// promises comes: a trip at the subscriber. At the end nothing is left, and the file to start the real thing from is good.
func TestReadmeSetUp(t *testing.T) {
	t.Parallel()
	n := newNewcomer(t)
	blocks := blocksOf(t, "Setting up")
	beside := blocksOf(t, "In every building")
	_, removed, _ := strings.Cut(sectionOf(t, "In every building"), "`rm -r")
	removed, _, _ = strings.Cut(removed, "`")
	if len(beside) != 2 {
		t.Fatalf("README.md's section on annunciators has %d blocks, want one that sets it up and one that runs it", len(beside))
	}
	all := append(blocks, beside...)
	n.adapt(all)
	blocks, beside = all[:len(blocks)], all[len(blocks):]
	typed := map[string]bool{}
	for _, block := range blocks {
		if !strings.HasPrefix(block, ownTerminal) {
			if len(n.terminals) == 3 && !typed["end"] {
				n.run(beside[0])
				n.tripAndEnd(n.open(beside[1]))
				n.run("rm -r" + removed)
				typed["end"] = true
			}
			n.run(block)
			if typed["end"] && !typed["clean"] {
				typed["clean"] = true
				if left, _ := filepath.Glob(filepath.Join(n.dir, "*")); len(left) != 2 {
					t.Errorf("the trial left %q, want only bin and testdata", left)
				}
			}
			continue
		}
		tm := n.open(block)
		switch len(n.terminals) {
		case 1:
			n.await("the gateway's broker to listen", func() bool {
				c, err := net.Dial("tcp", n.broker)
				if err == nil {
					c.Close()
				}
				return err == nil
			})
		case 2:
			n.await("the subscriber to have the retained states", func() bool { return strings.Contains(tm.text(), `"state":"serving"`) })
		}
	}
	if !typed["clean"] {
		t.Errorf("README.md opens %d terminals, want 3 and then what removes the trial's files", len(n.terminals))
	}
}

// tripAndEnd waits for what README.md promises, a trip and its chime, and ends the four terminals, the last first.
func (n *newcomer) tripAndEnd(shop *terminal) {
	n.t.Helper()
	house := n.terminals[1]
	n.await("a trip at the river gate", func() bool {
		return strings.Contains(house.text(), "longlane/hill-orchard/zone/river-gate/trip ") &&
			strings.Contains(house.text(), `"longlane.trip.opened"`)
	})
	n.await("a chime at the shop", func() bool {
		wav, err := os.ReadFile(filepath.Join(n.dir, "chime.wav"))
		return err == nil && strings.HasPrefix(string(wav), "RIFF") && strings.Contains(shop.text(), "sounded 0 s ago")
	})
	if code := n.interrupt(shop); code != exitDone {
		n.t.Errorf("the annunciator ended with %d", code)
	}
	if code := n.interrupt(n.terminals[2]); code != exitDone {
		n.t.Errorf("the simulator ended with %d", code)
	}
	n.interrupt(house)
	if code := n.interrupt(n.terminals[0]); code != exitDone {
		n.t.Errorf("the gateway ended with %d", code)
	}
}

// TestReadmeLists: README.md lists each fault and each type of event that there is.
func TestReadmeLists(t *testing.T) {
	readme := readFile(t, "../../README.md")
	for k := proto.FaultKind(1); k < proto.FaultKindsLimit; k++ {
		if !strings.Contains(readme, "\n| `"+k.String()+"` | node | ") {
			t.Errorf("README.md does not list the fault %q of a node", k)
		}
	}
	for _, c := range []struct{ file, pattern, row string }{
		{"../../gateway/event.go", `(?m)^\tNotice\w+ += "([^"]+)"`, "\n| `%s` | gateway | "},
		{"../../gateway/cloudevent.go", `(?m)^\ttype\w+ += "([^"]+)"`, "`%s`"},
	} {
		found := regexp.MustCompile(c.pattern).FindAllStringSubmatch(readFile(t, c.file), -1)
		if len(found) < 2 {
			t.Errorf("%s: %d matches of %s, want the list", c.file, len(found), c.pattern)
		}
		for _, m := range found {
			if want := fmt.Sprintf(c.row, m[1]); !strings.Contains(readme, want) {
				t.Errorf("README.md lacks %q, which stands in %s", want, c.file)
			}
		}
	}
}

// TestReadmeSurvey: README.md shows a record of the walk test as the program prints it, says where each verdict begins as it decides, and the
// same caution.
func TestReadmeSurvey(t *testing.T) {
	section := sectionOf(t, "Before you mount it: the walk test")
	const record = "testdata/survey/river-gate.json"
	code, out, errs := cli("", "survey", "--show", "../../"+record)
	if code != exitDone || !strings.Contains(section, "survey --show "+record+"\n```\n\n```\n"+out+"```\n") {
		t.Errorf("README.md does not show the record as it is printed, exit code %d, %s:\n%s", code, errs, out)
	}
	flat := strings.Join(strings.Fields(section), " ")
	for _, want := range []string{
		fmt.Sprintf("| %s | from %d dB on | from %d dB on | %.0f %% |", survey.Mount, survey.MountMargin, survey.MountWorst, 100*survey.MountAnswered),
		fmt.Sprintf("| %s | from %d dB on | any | %.0f %% |", survey.Step, survey.StepMargin, 100*survey.StepAnswered),
		fmt.Sprintf("| %s | below |", survey.Relay),
		fmt.Sprintf("Fewer than %d probes decide nothing, but for a place where there is no word of the first %d.", survey.Enough, survey.Hopeless),
		fmt.Sprintf("from %d dB on a difference", survey.PlanError),
		strings.ToLower(survey.Caution[:1]) + strings.TrimSuffix(strings.Split(survey.Caution, ":")[0][1:], ":"),
		strings.Split(survey.Caution, ". ")[1],
	} {
		if !strings.Contains(flat, want) {
			t.Errorf("README.md's section on the walk test lacks %q", want)
		}
	}
}

// TestNotProven: what no test proves is told at the end of the tests, a line each, with how to try it.
func TestNotProven(t *testing.T) {
	const file = "testdata/not-proven.txt"
	for _, of := range []string{"Makefile", ".ci/run"} {
		if !strings.Contains(readFile(t, "../../"+of), "grep '^NOT PROVEN: ' "+file+"\n") {
			t.Errorf("%s does not print %s", of, file)
		}
	}
	n := 0
	for line := range strings.Lines(readFile(t, "../../"+file)) {
		rest, ok := strings.CutPrefix(line, "NOT PROVEN: ")
		if !ok {
			continue
		}
		n++
		if what, how, ok := strings.Cut(rest, "; how to try it: "); !ok || what == "" || strings.TrimSpace(how) == "" {
			t.Errorf("%q does not say how to try it", line)
		}
	}
	if n == 0 {
		t.Errorf("%s names nothing", file)
	}
}

// TestIgnored: what the trial leaves at the top of the sources is no part of them, and nothing under testdata is ignored.
func TestIgnored(t *testing.T) {
	dir := t.TempDir()
	rules := readFile(t, "../../.gitignore")
	if err := os.WriteFile(filepath.Join(dir, ".gitignore"), []byte(rules), 0o600); err != nil {
		t.Fatal(err)
	}
	git := func(args ...string) ([]byte, error) {
		cmd := exec.Command("git", args...)
		cmd.Dir = dir
		return cmd.Output()
	}
	if _, err := git("init", "-q"); err != nil {
		t.Fatalf("git init: %v", err)
	}
	for path, want := range map[string]bool{"longlane.toml": true, "orchard.toml": true, "river-gate.card": true, "river-gate.memory": true,
		"sim.jsonl": true, "shop.toml": true, "chime.wav": true, "shop/memory": true, "state/queue.db": true, "modem": true, "bin/longlane": true,
		"testdata/config/longlane.toml": false, "testdata/sim/orchard.toml": false, "radio/node/testdata/river-gate.card": false,
		"testdata/sim.jsonl": false, "radio/modem/modem.go": false, "gateway/state.go": false, "queue/testdata/queue.db": false} {
		out, err := git("check-ignore", path)
		if got := len(out) > 0; got != want {
			t.Errorf("git ignores %s: %v (%v), want %v", path, got, err, want)
		}
	}
}
