package main

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

const passphrase = "plum ladder seven harbour"

// typist runs this program in a terminal and types what it asks for.
type typist struct {
	h      *house
	p      *process
	tty    *os.File
	read   chan struct{}
	mu     sync.Mutex
	screen bytes.Buffer
}

func (h *house) inTerminal(args ...string) *typist {
	h.t.Helper()
	cmd := exec.Command(os.Args[0], args...)
	cmd.Env = append(os.Environ(), beProgram+"=1")
	tty, terminal, err := pty.Open()
	if err != nil {
		h.t.Fatal(err)
	}
	defer terminal.Close()
	cmd.Stdin, cmd.Stdout, cmd.Stderr = terminal, terminal, terminal
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true, Setctty: true} // so that Ctrl-C is a signal
	y := &typist{h: h, p: startProcess(h.t, cmd), tty: tty, read: make(chan struct{})}
	go func() { // ends with the process, whose end of the terminal closes then
		defer close(y.read)
		for b := make([]byte, 4096); ; {
			n, err := tty.Read(b)
			y.mu.Lock()
			y.screen.Write(b[:n])
			y.mu.Unlock()
			if err != nil {
				return
			}
		}
	}()
	h.t.Cleanup(func() {
		y.p.kill()
		<-y.read
		tty.Close()
	})
	return y
}

func (y *typist) text() string {
	y.mu.Lock()
	defer y.mu.Unlock()
	return y.screen.String()
}

// echoes reports whether the terminal shows what is typed.
func (y *typist) echoes() bool {
	y.h.t.Helper()
	st, err := unix.IoctlGetTermios(int(y.tty.Fd()), unix.TCGETS)
	if err != nil {
		y.h.t.Fatal(err)
	}
	return st.Lflag&unix.ECHO != 0
}

// answer waits for a question, and until nothing shows what is typed, and types.
func (y *typist) answer(question, with string) {
	y.h.t.Helper()
	eventually(y.h.t, time.Minute, "to be asked for "+question, func() bool {
		return strings.HasSuffix(y.text(), question) && !y.echoes()
	})
	if _, err := y.tty.Write([]byte(with)); err != nil {
		y.h.t.Fatal(err)
	}
}

func (y *typist) wait() (code int, text string) {
	y.h.t.Helper()
	code = y.p.wait(time.Minute)
	<-y.read
	if strings.Contains(y.text(), passphrase) {
		y.h.t.Errorf("the passphrase stands on the screen:\n%s", y.text())
	}
	return code, y.text()
}

// epochIn is the epoch of a marks.copy.
func epochIn(t *testing.T, path string) uint16 {
	t.Helper()
	_, rest, _ := strings.Cut(readFile(t, path), "\n")
	var c struct{ Epoch uint16 }
	if err := json.Unmarshal([]byte(rest), &c); err != nil {
		t.Fatal(err)
	}
	return c.Epoch
}

// TestBackupMove: the gateway of a house moves to another card. It is saved while it runs, with a passphrase typed in a
// terminal; restored only when the old one is silent; then what was recorded before is refused, and the node, whose card is
// what it was, gets its next trip through.
func TestBackupMove(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "river-gate")
	wifi := freeUDP(t)
	h.write("pass", "orchard\n")
	// In a band without a limit of time: in others the hour counts as used after a move.
	text := strings.Replace(h.text("longlane.toml"), "frequency = 869525000", "frequency = 869850000\npower = 5", 1)
	h.write("longlane.toml", strings.Replace(text, "[[modem]]",
		fmt.Sprintf("user = \"house\"\npassword_file = %q\n[wifi]\nlisten = %q\n[[modem]]", h.path("pass"), wifi), 1))
	h.openHouse()
	gateway := h.startGateway()
	h.ready(time.Minute)
	trip := func() map[string]bool {
		t.Helper()
		h.write("scenario.toml", "name = \"one trip\"\nseed = 5\nuntil = \"7s\"\n[[node]]\nname = \"river-gate\"\ncard = \"river-gate.card\"\nrssi = -95.0\n"+
			"checkin = \"1h\"\ntrips = [{ at = \"2s\", for = \"200ms\" }]\n")
		sim := h.startSim("--drain", "--for", "40s")
		sim.wait(2 * time.Minute)
		return idsOf(h.records(), "released")
	}
	before := trip()
	if len(before) != 2 {
		t.Fatalf("%v got a receipt, want an opening and a closing", before)
	}
	var recorded [][]byte
	for _, r := range h.records() {
		if b, err := hex.DecodeString(r.Frame); err == nil && r.What == "heard" && r.Why == "" && strings.HasPrefix(r.Kind, "trip") {
			recorded = append(recorded, b)
		}
	}
	if len(recorded) < 2 {
		t.Fatalf("%d frames were recorded, want the trip's: %+v", len(recorded), h.records())
	}
	if code := gateway.stop(); code != exitDone { // at its end it writes marks.copy
		t.Fatalf("the gateway ended with %d", code)
	}
	gateway = h.startGateway()
	h.ready(time.Minute)

	save := h.inTerminal("backup", "save", "--config", h.path("longlane.toml"), "--to", h.path("site.backup"))
	save.answer("more): ", passphrase+"\n")
	save.answer("again: ", passphrase+"\n")
	code, said := save.wait()
	if code != exitDone || !strings.Contains(said, "read back and found whole") || !strings.Contains(said, "events that still wait") {
		t.Fatalf("save: exit code %d\n%s", code, said)
	}
	if st, err := os.Stat(h.path("site.backup")); err != nil || st.Mode().Perm() != 0o600 {
		t.Errorf("the backup: %v, %v; want mode 0600", st, err)
	}

	if !strings.Contains(said, "The history: ") {
		t.Errorf("nothing is said of the history:\n%s", said)
	}

	// The other machine has nothing. The old one goes on.
	for _, f := range []string{"state", "longlane.toml", "pass"} {
		if err := os.Rename(h.path(f), h.path("old-"+f)); err != nil {
			t.Fatal(err)
		}
	}
	h.write("passphrase", passphrase+"\n")
	restore := []string{"backup", "restore", h.path("site.backup"), "--config", h.path("longlane.toml"), "--passphrase-file", h.path("passphrase")}
	for _, args := range [][]string{restore, append(restore, "--old-is-off")} {
		code, out, errs := cli("", args...)
		if code != exitFailed || !strings.Contains(errs, `"house" ticks`) || !strings.Contains(errs, "nothing was written") {
			t.Errorf("%q while the old gateway ticks: exit code %d, %s%s", args[4:], code, out, errs)
		}
		for _, f := range []string{"state", "longlane.toml", "pass"} {
			if _, err := os.Stat(h.path(f)); !os.IsNotExist(err) {
				t.Fatalf("a refused restore leaves %s (%v)", f, err)
			}
		}
	}
	gateway.kill() // it has no state directory any more
	code, out, errs := cli("", restore...)
	if code != exitDone || !strings.Contains(errs, "nothing heard for") {
		t.Fatalf("restore: exit code %d, %s\n%s", code, out, errs)
	}
	for _, f := range []string{"longlane.toml", "pass", "state/site.secret"} {
		if got, want := readFile(t, h.path(f)), readFile(t, h.path("old-"+f)); got != want {
			t.Errorf("%s is %q, want %q", f, got, want)
		}
	}
	nodes, _, end := strings.Cut(readFile(t, h.path("old-state/roster.json")), "\n  ]\n}\n")
	const leftOut = ",\n    {\n      \"id\": 17,\n      \"name\": \"left-out\",\n      \"generation\": 1,\n      \"revoked\": true\n    }\n  ]\n}\n"
	if got := readFile(t, h.path("state/roster.json")); !end || got != nodes+leftOut {
		t.Errorf("the list of nodes is %q, want the old one with id 17 left out: %q", got, nodes+leftOut)
	}
	old, raised := epochIn(t, h.path("old-state/marks.copy")), epochIn(t, h.path("state/marks.copy"))
	if int16(raised-old) < 64 {
		t.Errorf("epoch %d after %d, want 64 more at the least", raised, old)
	}

	tripsOf := func() string { // the trip before the move, as the history tells it
		t.Helper()
		code, out, errs := cli("", "history", "trips", "--config", h.path("longlane.toml"), "--csv")
		if code != exitDone {
			t.Fatalf("history: exit code %d, %s%s", code, out, errs)
		}
		return out
	}
	told := tripsOf()
	if rows := strings.Split(strings.TrimSpace(told), "\n"); len(rows) != 2 || !strings.Contains(rows[1], "river-gate") {
		t.Errorf("the restored history tells of\n%s\nwant one trip", told)
	}
	gateway = h.startGateway()
	h.ready(time.Minute)
	if got := tripsOf(); got != told {
		t.Errorf("the restored gateway tells of\n%s\nwant\n%s", got, told)
	}
	c, err := net.Dial("udp", wifi)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	for _, f := range recorded {
		if _, err := c.Write(f); err != nil {
			t.Fatal(err)
		}
	}
	eventually(t, time.Minute, "the recorded frames to be refused as repeats", func() bool {
		_, text := h.get("/metrics")
		return metric(text, `longlane_frames_total{bearer="wifi",verdict="repeat"}`) == float64(len(recorded))
	})
	// For some seconds after a move the ledger keeps receipts back, and one of those that are due at once then may meet its node sending: so
	// what arrives is all that the node made, and receipts are some.
	had := h.sub.ids()
	receipts := trip()
	after := idsOf(h.records(), "made")
	for id := range before {
		delete(after, id)
		delete(receipts, id)
		if got := h.sub.ids()[id]; got != had[id] {
			t.Errorf("%s, recorded before the move, came %d times after it", id, got-had[id])
		}
	}
	if len(after) < 2 || len(receipts) == 0 {
		t.Fatalf("after the move the node made %v, want an opening and a closing at the least, and receipts came for %v", after, receipts)
	}
	eventually(t, time.Minute, "the trip after the move to arrive", func() bool {
		phases := map[string]bool{}
		for _, d := range h.sub.all() {
			if after[d.event.ID] && strings.HasSuffix(d.topic, "/zone/river-gate/trip") {
				phases[d.event.Data.Phase] = true
			}
		}
		return phases["opened"] && phases["closed"]
	})
	if code := gateway.stop(); code != exitDone {
		t.Errorf("the gateway ended with %d", code)
	}
	if last := epochIn(t, h.path("state/marks.copy")); last != raised+1 {
		t.Errorf("the restored gateway worked in epoch %d, want %d", last, raised+1)
	}
}

func freeUDP(t *testing.T) string {
	t.Helper()
	c, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	return c.LocalAddr().String()
}

// TestBackupPassphrase: what can go wrong with a passphrase is said in words, and leaves no file and no terminal without
// echo.
func TestBackupPassphrase(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "river-gate")
	to := h.path("site.backup")
	args := []string{"backup", "save", "--config", h.path("longlane.toml"), "--to", to}
	for _, c := range []struct {
		first, second, want string
	}{
		{passphrase, passphrase + "s", "differ"},
		{"eleven char", "eleven char", "found a passphrase of 11 characters, expected 12"},
	} {
		y := h.inTerminal(args...)
		y.answer("more): ", c.first+"\n")
		y.answer("again: ", c.second+"\n")
		if code, text := y.wait(); code != exitFailed || !strings.Contains(text, c.want) {
			t.Errorf("%q, then %q: exit code %d\n%s\nwant %q", c.first, c.second, code, text, c.want)
		}
	}
	y := h.inTerminal(args...)
	y.answer("more): ", "plum\x03")
	if code, text := y.wait(); code != exitFailed || !strings.Contains(text, "stopped before a passphrase was given") || !y.echoes() {
		t.Errorf("Ctrl-C: exit code %d, the terminal shows what is typed: %v\n%s", code, y.echoes(), text)
	}
	h.write("open", passphrase+"\n")
	if err := os.Chmod(h.path("open"), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		more []string
		want string
	}{
		{nil, "no terminal"},
		{[]string{"--passphrase-file", h.path("open")}, "chmod 600 " + h.path("open")},
		{[]string{"--passphrase-file", h.path("nowhere")}, "no such file"},
	} {
		if code, _, errs := cli("", append(args, c.more...)...); code != exitUsage || !strings.Contains(errs, c.want) {
			t.Errorf("%q: exit code %d, %q; want %d and %q", c.more, code, errs, exitUsage, c.want)
		}
	}
	if left, _ := filepath.Glob(h.path("*backup*")); len(left) != 0 {
		t.Errorf("left behind: %q", left)
	}
	h.write("right", passphrase+"\n")
	h.write("wrong", passphrase+"s\n")
	if code, _, errs := cli("", append(args, "--passphrase-file", h.path("right"))...); code != exitDone {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	if code, _, errs := cli("", "backup", "show", to, "--passphrase-file", h.path("wrong")); code != exitFailed ||
		!strings.Contains(errs, "found another passphrase") {
		t.Errorf("a wrong passphrase: exit code %d, %q", code, errs)
	}
	code, out, errs := cli("", "backup", "show", to, "--json", "--passphrase-file", h.path("right"))
	var m struct {
		Site    string
		Files   []struct{ Name string }
		Ignored []string
		Note    string
	}
	if err := json.Unmarshal([]byte(out), &m); err != nil || code != exitDone || m.Site != "hill-orchard" || len(m.Files) != 3 ||
		m.Ignored == nil || !strings.Contains(m.Note, "events that still wait") {
		t.Errorf("show --json: exit code %d, %v, %s%s", code, err, out, errs)
	}
}

// TestBackupUsage: what cannot be meant is refused before anything is read.
func TestBackupUsage(t *testing.T) {
	for _, c := range []struct {
		args []string
		want string
	}{
		{nil, "one of save, show, restore"},
		{[]string{"keep"}, "expected save, show or restore"},
		{[]string{"save"}, "give --to"},
		{[]string{"save", "x"}, "name the new file with --to"},
		{[]string{"show"}, "give its name"},
		{[]string{"show", "x", "--to", "y"}, "--to goes with save"},
		{[]string{"restore", "x", "--json"}, "--json goes with show"},
		{[]string{"show", "x", "--without-history"}, "--without-history goes with save and restore"},
		{[]string{"show", "x", "--old-is-off"}, "--old-is-off goes with restore"},
		{[]string{"save", "--to", "x", "--config", "/nowhere.toml"}, "--config"},
	} {
		if code, _, errs := cli("", append([]string{"backup"}, c.args...)...); code != exitUsage || !strings.Contains(errs, c.want) {
			t.Errorf("longlane backup %q: exit code %d, %q; want %d and %q", c.args, code, errs, exitUsage, c.want)
		}
	}
}
