package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"longlane/gateway"
	"longlane/gateway/config"
	"longlane/gateway/roster"
	"longlane/radio/node"
)

// TestEnrolQR reads the code back from the terminal's half blocks: it is square, of a size that the standard has (17+4v
// modules, ISO/IEC 18004), with a quiet zone of 4 modules and the three finder patterns in their corners.
func TestEnrolQR(t *testing.T) {
	code, card, words := cli("", "enrol", "add", "river-gate", "--zone", "river-gate", "--state", t.TempDir(), "--site", "hill-orchard", "--qr")
	if code != exitDone {
		t.Fatalf("exit code %d: %s", code, words)
	}
	if _, err := node.ParseCard([]byte(card)); err != nil {
		t.Errorf("what stands on standard output is no card: %v: %q", err, card)
	}
	if key := strings.Split(card, `"`); strings.Contains(words, key[len(key)-2]) {
		t.Error("a key stands among the words")
	}
	var dark [][]bool
	for line := range strings.Lines(words) {
		line = strings.TrimSuffix(line, "\n")
		if strings.Trim(line, "█▀▄ ") != "" || line == "" {
			continue
		}
		var upper, lower []bool
		for _, c := range line {
			upper = append(upper, c == ' ' || c == '▄')
			lower = append(lower, c == ' ' || c == '▀')
		}
		dark = append(dark, upper, lower)
	}
	if len(dark) == 0 {
		t.Fatalf("no code was printed:\n%s", words)
	}
	size := len(dark[0]) - 8
	if size < 21 || size > 177 || (size-17)%4 != 0 || len(dark) < size+4 {
		t.Fatalf("the code has %d modules across and %d lines, want 17+4v across, and as many lines", size, len(dark))
	}
	for _, corner := range [][2]int{{4, 4}, {4, 4 + size - 7}, {4 + size - 7, 4}} {
		for y := range 7 {
			for x := range 7 {
				ring := max(abs(x-3), abs(y-3))
				if want := ring != 2; dark[corner[0]+y][corner[1]+x] != want {
					t.Fatalf("the finder pattern at %v is broken at %d,%d:\n%s", corner, x, y, words)
				}
			}
		}
	}
}

func abs(n int) int { return max(n, -n) }

// TestEnrolRefuses: what enrolment cannot do it says in words, and what it refuses leaves no trace.
func TestEnrolRefuses(t *testing.T) {
	dir := t.TempDir()
	state := filepath.Join(dir, "state")
	if code, _, errs := cli("", "enrol", "list", "--state", state); code != exitFailed || !strings.Contains(errs, "enrol add") {
		t.Errorf("list before there is a site: exit code %d, %q", code, errs)
	}
	add := []string{"enrol", "add", "river-gate", "--zone", "river-gate", "--state", state, "--site", "hill-orchard"}
	if code, _, errs := cli("", add...); code != exitDone {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	names := func() (list []string) {
		code, out, errs := cli("", "enrol", "list", "--json", "--state", state)
		var r struct{ Nodes []struct{ Name string } }
		if err := json.Unmarshal([]byte(out), &r); err != nil || code != exitDone {
			t.Fatalf("enrol list --json: exit code %d, %v, %q, %q", code, err, out, errs)
		}
		for _, n := range r.Nodes {
			list = append(list, n.Name)
		}
		return list
	}
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"add", "river-gate", "--zone", "other"}, exitFailed, "use rekey or swap"},
		{[]string{"add", "mill-lane", "--zone", "river-gate"}, exitFailed, `zone "river-gate" is watched by "river-gate" (node 1)`},
		{[]string{"add", "mill-lane", "--zone", "mill=1", "--zone", "lane=1"}, exitUsage, "input 1 twice"},
		{[]string{"add", "mill-lane", "--zone", "mill=1", "--zone", "lane"}, exitUsage, "lane=INPUT"},
		{[]string{"add", "mill-lane", "--zone", "mill", "--zone", "mill"}, exitUsage, "a zone of its own"},
		{[]string{"add", "mill-lane", "--zone", "Mill Lane"}, exitUsage, "small letters"},
		{[]string{"add", "mill-lane", "--zone=-mill"}, exitUsage, "flag --zone"},
		{append([]string{"add", "mill-lane"}, strings.Fields(strings.Repeat("--zone z# ", 17))...), exitUsage, "16 inputs"},
		{[]string{"add", "Mill", "--zone", "mill"}, exitUsage, `node name "Mill"`},
		{[]string{"rekey", "mill-lane"}, exitFailed, "re-key: no node in use"},
		{[]string{"rekey", "mill-lane"}, exitFailed, "there are: river-gate"},
		{[]string{"swap", "mill-lane"}, exitFailed, "swap: no node in use"},
		{[]string{"revoke", "mill-lane"}, exitFailed, "revoke: no node in use"},
		{[]string{"list", "nobody"}, exitUsage, `unexpected argument "nobody"`},
		{[]string{"list", "--config", "longlane.toml"}, exitUsage, "give one of them"},
		{[]string{"add", "mill-lane", "--zone", "mill", "--site", "-a"}, exitUsage, "--site \"-a\""},
		{[]string{"add", "mill-lane", "--zone", "mill", "--site", "mill"}, exitUsage, `the site "hill-orchard", not of "mill"`},
		{[]string{"remove", "river-gate"}, exitUsage, "expected add, rekey, revoke, swap or list"},
		{[]string{"revoke", "river-gate", "ridge-gate"}, exitUsage, `unexpected argument "ridge-gate"`},
	} {
		for i, a := range c.args {
			c.args[i] = strings.Replace(a, "#", strconv.Itoa(i), 1)
		}
		code, out, errs := cli("", append(append([]string{"enrol"}, c.args...), "--state", state)...)
		if strings.Contains(errs, "roster.json") {
			t.Errorf("enrol %q reads as a damaged file: %s", c.args, errs)
		}
		if code != c.code || !strings.Contains(errs, c.want) || out != "" {
			t.Errorf("enrol %q: exit code %d, %q, %q; want %d, %q and nothing on standard output", c.args, code, errs, out, c.code, c.want)
		}
		if got := names(); len(got) != 1 {
			t.Errorf("enrol %q left the nodes %q", c.args, got)
		}
	}
	if err := os.Chmod(filepath.Join(state, "site.secret"), 0o644); err != nil {
		t.Fatal(err)
	}
	if code, _, errs := cli("", "enrol", "list", "--state", state); code != exitFailed || !strings.Contains(errs, "chmod 600") {
		t.Errorf("a secret that others can read: exit code %d, %q, want advice to chmod 600", code, errs)
	}
}

// program is longlane as a process of its own.
func program(args ...string) *exec.Cmd {
	cmd := exec.Command(os.Args[0], args...)
	cmd.Env = append(os.Environ(), beProgram+"=1")
	return cmd
}

// TestEnrolAtOnce: processes that change the roster at the same moment lose nothing of each other's, least of all a
// revocation.
func TestEnrolAtOnce(t *testing.T) {
	state := filepath.Join(t.TempDir(), "state")
	const before, more = 4, 6
	at := func(args ...string) []string { return append(append([]string{"enrol"}, args...), "--state", state) }
	var orders [][]string
	for i := range before {
		name := fmt.Sprintf("old-%d", i)
		if code, _, errs := cli("", at("add", name, "--zone", name, "--site", "hill-orchard")...); code != exitDone {
			t.Fatalf("exit code %d: %s", code, errs)
		}
		orders = append(orders, at([]string{"revoke", "swap", "rekey", "revoke"}[i], name))
	}
	for i := range more {
		name := fmt.Sprintf("new-%d", i)
		orders = append(orders, at("add", name, "--zone", name))
	}
	var all sync.WaitGroup
	for _, args := range orders {
		all.Go(func() {
			if out, err := program(args...).CombinedOutput(); err != nil {
				t.Errorf("%q: %v\n%s", args, err, out)
			}
		})
	}
	all.Wait()
	r, err := roster.Open(state)
	if err != nil {
		t.Fatal(err)
	}
	var revoked []string
	for _, n := range r.Nodes {
		if n.Revoked {
			revoked = append(revoked, n.Name)
		}
	}
	if len(r.Nodes) != before+1+more || r.GroupGen != 3 || r.Node(3).Gen != 2 || strings.Join(revoked, " ") != "old-0 old-1 old-3" {
		t.Errorf("%d nodes, group generation %d, old-2 has generation %d, shut out are %q; want %d, 3, 2 and old-0 old-1 old-3",
			len(r.Nodes), r.GroupGen, r.Node(3).Gen, revoked, before+1+more)
	}
}

// TestEnrolKilled: a set-up killed as soon as it has written something can be done again, or had been done.
func TestEnrolKilled(t *testing.T) {
	for round := range 8 {
		state := filepath.Join(t.TempDir(), "state")
		args := []string{"enrol", "add", "river-gate", "--zone", "river-gate", "--state", state, "--site", "hill-orchard"}
		cmd := program(args...)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		ended := make(chan error, 1)
		go func() { ended <- cmd.Wait() }()
		there := func(name string) bool { _, err := os.Stat(filepath.Join(state, name)); return err == nil }
	watch:
		for !there("roster.json") && !there("site.secret") {
			select {
			case err := <-ended:
				if err != nil {
					t.Fatalf("round %d: the set-up ended by itself: %v", round, err)
				}
				ended <- nil
				break watch
			default: // no pause: what is to be hit takes a millisecond
			}
		}
		cmd.Process.Kill() // it may have ended
		<-ended
		t.Logf("round %d: roster %v, secret %v", round, there("roster.json"), there("site.secret"))
		code, _, errs := cli("", args...)
		if code != exitDone && !strings.Contains(errs, "exists already") {
			t.Errorf("round %d: after the kill: exit code %d, %s", round, code, errs)
		}
		if r, err := roster.Open(state); err != nil || len(r.Nodes) != 1 {
			t.Errorf("round %d: the roster is %+v, %v; want one node", round, r, err)
		}
	}
}

// TestEnrolAsRoot: the files that enrolment makes belong to the owner of the state directory, as whom the gateway runs.
// Where the tests do not run as root, that is the user of the tests.
func TestEnrolAsRoot(t *testing.T) {
	state, uid := t.TempDir(), os.Geteuid()
	if uid == 0 {
		uid = 4711
		if err := os.Chown(state, uid, uid); err != nil {
			t.Fatal(err)
		}
	}
	for _, args := range [][]string{
		{"add", "river-gate", "--zone", "river-gate", "--site", "hill-orchard"},
		{"rekey", "river-gate"},
		{"revoke", "river-gate"},
	} {
		if code, _, errs := cli("", append(append([]string{"enrol"}, args...), "--state", state)...); code != exitDone {
			t.Fatalf("enrol %q: exit code %d, %s", args, code, errs)
		}
		files, err := os.ReadDir(state)
		if err != nil || len(files) != 3 {
			t.Errorf("after %q: %d files (%v), want secret, roster and lock", args, len(files), err)
		}
		for _, f := range files {
			st, err := f.Info()
			if err != nil {
				t.Fatal(err)
			}
			if is := st.Sys().(*syscall.Stat_t); int(is.Uid) != uid || st.Mode().Perm() != 0o600 {
				t.Errorf("after %q: %s belongs to %d with mode %04o, want %d and 0600", args, f.Name(), is.Uid, st.Mode().Perm(), uid)
			}
		}
	}
}

// enrolAt is enrolment under a clock of the test's, zero if it has not been set.
func enrolAt(at time.Time, out io.Writer, args ...string) (words string, err error) {
	var e bytes.Buffer
	c := &call{FlagSet: flag.NewFlagSet("enrol", flag.ContinueOnError), args: args, out: out, err: &e}
	c.SetOutput(io.Discard)
	err = enrol(context.Background(), c, func() (time.Time, error) { return at, nil })
	return e.String(), err
}

// TestEnrolRekeyClock: the seven days are counted from a clock that has been set, or by nobody, and then it says so.
func TestEnrolRekeyClock(t *testing.T) {
	state := t.TempDir()
	if _, err := enrolAt(time.Time{}, io.Discard, "add", "river-gate", "--zone", "river-gate", "--state", state, "--site", "hill-orchard"); err != nil {
		t.Fatal(err)
	}
	set := time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		now, recorded time.Time
		says, not     string
	}{
		{set, set, "at most 7 days", "clock"},
		{time.Time{}, time.Time{}, "clock has not been set", "new one, at most"},
		{time.Unix(3600, 0), time.Time{}, "clock has not been set", "new one, at most"},
	} {
		words, err := enrolAt(c.now, io.Discard, "rekey", "river-gate", "--state", state)
		if err != nil || !strings.Contains(words, c.says) || strings.Contains(words, c.not) || !strings.Contains(words, "Do not re-key it again") {
			t.Errorf("re-keyed at %v: %v, %q; want %q and no %q", c.now, err, words, c.says, c.not)
		}
		r, err := roster.Open(state)
		if err != nil {
			t.Fatal(err)
		}
		if got := r.Node(1).Rekeyed; !got.Equal(c.recorded) {
			t.Errorf("re-keyed at %v: %v was recorded, want %v", c.now, got, c.recorded)
		}
	}
	clock, err := gateway.SystemClock()
	if err != nil {
		t.Fatal(err)
	}
	at, err := setTime()
	if err != nil || at.IsZero() == clock.Set() || clock.Set() && time.Since(at).Abs() > time.Minute {
		t.Errorf("setTime = %v, %v; want the time if the gateway says that the clock is set (%v), or else none", at, err, clock.Set())
	}
}

type closedPipe struct{}

func (closedPipe) Write([]byte) (int, error) { return 0, syscall.EPIPE }

// TestEnrolCardFile: a card file that cannot be made leaves the roster as it was, and what is refused leaves no card
// file.
func TestEnrolCardFile(t *testing.T) {
	dir := t.TempDir()
	state, taken, card := filepath.Join(dir, "state"), filepath.Join(dir, "taken.card"), filepath.Join(dir, "new.card")
	if err := os.WriteFile(taken, []byte("something"), 0o600); err != nil {
		t.Fatal(err)
	}
	first := []string{"enrol", "add", "river-gate", "--zone", "river-gate", "--state", state, "--site", "hill-orchard", "--out"}
	if code, _, errs := cli("", append(first, taken)...); code != exitFailed || !strings.Contains(errs, "nothing was changed") {
		t.Errorf("a first card over another file: exit code %d, %q", code, errs)
	}
	if _, err := os.Stat(state); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a refused first card leaves a state directory (%v)", err)
	}
	if code, _, errs := cli("", append(first, filepath.Join(dir, "first.card"))...); code != exitDone {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	roster := func() string {
		text, err := os.ReadFile(filepath.Join(state, "roster.json"))
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	before := roster()
	for _, args := range [][]string{
		{"add", "mill-lane", "--zone", "mill-lane", "--out", taken},
		{"add", "mill-lane", "--zone", "mill-lane", "--out", filepath.Join(dir, "nowhere", "new.card")},
		{"add", "mill-lane", "--zone", "river-gate", "--out", card},
		{"rekey", "river-gate", "--out", taken},
		{"rekey", "mill-lane", "--out", card},
		{"swap", "river-gate", "--out", taken},
		{"swap", "mill-lane", "--out", card},
	} {
		code, _, errs := cli("", append(append([]string{"enrol"}, args...), "--state", state)...)
		if code != exitFailed || roster() != before {
			t.Errorf("enrol %q: exit code %d, %q, and the roster is\n%s", args, code, errs, roster())
		}
		if text, _ := os.ReadFile(taken); string(text) != "something" {
			t.Errorf("enrol %q: the other file holds %q", args, text)
		}
		if _, err := os.Stat(card); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("enrol %q leaves a card file (%v)", args, err)
		}
	}
	if code, out, errs := cli("", "enrol", "rekey", "river-gate", "--out", card, "--state", state); code != exitDone || out != "" {
		t.Errorf("rekey into a file: exit code %d, %q, %s", code, out, errs)
	}
	text, err := os.ReadFile(card)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := node.ParseCard(text); err != nil || got.Gen != 2 || got.Name != "river-gate" {
		t.Errorf("the card file holds %v, %v; want generation 2 of river-gate", got, err)
	}
	_, err = enrolAt(time.Time{}, closedPipe{}, "rekey", "river-gate", "--state", state)
	if err == nil || !strings.Contains(err.Error(), "longlane enrol rekey river-gate --state "+state) {
		t.Errorf("a card that could not be shown: %v, want the command that makes another", err)
	}
}

// TestEnrolHints: the commands that enrolment suggests work as they stand, names filled in.
func TestEnrolHints(t *testing.T) {
	state := filepath.Join(t.TempDir(), "state")
	suggested := func(text string) []string {
		t.Helper()
		_, command, ok := strings.Cut(text, ": longlane ")
		if !ok {
			t.Fatalf("no command is suggested: %q", text)
		}
		command, _, _ = strings.Cut(command, " (")
		command, _, _ = strings.Cut(command, "\n")
		return strings.Fields(strings.NewReplacer("NAME", "river-gate", "ZONE", "river-gate", "SITE", "hill-orchard").Replace(command))
	}
	code, _, errs := cli("", "enrol", "list", "--state", state)
	if code != exitFailed {
		t.Fatalf("list before there is a site: exit code %d, %q", code, errs)
	}
	args := suggested(errs)
	if code, _, errs = cli("", args...); code != exitDone {
		t.Fatalf("%q: exit code %d, %s", args, code, errs)
	}
	for _, what := range []string{"swap", "revoke"} {
		if code, _, errs := cli("", "enrol", "add", what, "--zone", what, "--state", state); code != exitDone {
			t.Fatalf("exit code %d: %s", code, errs)
		}
		_, out, errs := cli("", "enrol", what, what, "--state", state)
		args := suggested(out + errs)
		code, out, errs := cli("", args...)
		if code != exitDone {
			t.Fatalf("%q: exit code %d, %s", args, code, errs)
		}
		r, err := roster.Open(state)
		if err != nil {
			t.Fatal(err)
		}
		want, err := r.GroupKey()
		if err != nil {
			t.Fatal(err)
		}
		if got, err := node.ParseCard([]byte(out)); err != nil || !bytes.Equal(got.GroupKey[:], want) || got.GroupGen != r.GroupGen {
			t.Errorf("after %s, %q gives a card without the new group key (%v)", what, args, err)
		}
	}
}

// TestNamesAgree: what a configuration may call its site and its zones, enrolment may, and the other way round.
func TestNamesAgree(t *testing.T) {
	for _, name := range []string{"a", "0", "hill-orchard", "9-gates", "a-", "a--b", strings.Repeat("a", 32),
		"", "-", "-a", "--a", "A", "aB", "a b", "a/b", "a+", "#", "a_b", "a.b", "ä", "a\n", " a", strings.Repeat("a", 33)} {
		want := roster.Name.MatchString(name)
		for field, text := range map[string]string{
			"site": fmt.Sprintf("site = %q\ngateway = \"house\"\nstate = \"/s\"\n[wifi]\n", name),
			"zone": fmt.Sprintf("site = \"s\"\ngateway = \"house\"\nstate = \"/s\"\n[wifi]\n[zone.%q]\ntitle = \"x\"\n", name),
		} {
			if _, err := config.Parse("house.toml", []byte(text)); (err == nil) != want {
				t.Errorf("%s %q: config says %v, roster.Name matches: %v", field, name, err, want)
			}
		}
	}
}
