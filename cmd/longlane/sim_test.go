package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// anotherSim runs a simulator in this process, with a memory and a record of its own, and tells what it left behind.
func (h *house) anotherSim(modem string) (code int, errs string, left []string) {
	h.t.Helper()
	memory := h.t.TempDir()
	code, _, errs = cli("", "sim", "--scenario", h.path("scenario.toml"), "--modem", modem, "--memory", memory,
		"--out", filepath.Join(memory, "second.jsonl"), "--for", "300ms")
	left, err := filepath.Glob(filepath.Join(memory, "*"))
	if err != nil {
		h.t.Fatal(err)
	}
	return code, errs, left
}

// awaitLink waits until the simulated modem is plugged in, or out, and gives what its link leads to.
func (h *house) awaitLink(there bool) (target string) {
	h.t.Helper()
	eventually(h.t, time.Minute, fmt.Sprintf("the modem's link to be there: %v", there), func() bool {
		var err error
		target, err = os.Readlink(h.path("modem"))
		return (err == nil) == there
	})
	return target
}

const oneNode = "name = \"one node\"\nseed = 1\n[[node]]\nname = \"river-gate\"\ncard = \"river-gate.card\"\nrssi = -95.0\n"

// TestSimKeepsItsModem: while a simulator lives, nobody takes its modem's name, by whatever way it is written; one that
// was killed leaves a link behind, which the next replaces and removes.
func TestSimKeepsItsModem(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "river-gate")
	h.write("scenario.toml", oneNode)
	first := h.startSim("--for", "10m")
	mine := h.awaitLink(true)
	if err := os.Symlink(h.dir, h.path("detour")); err != nil {
		t.Fatal(err)
	}
	for _, modem := range []string{h.path("modem"), h.path("detour/modem")} {
		code, errs, left := h.anotherSim(modem)
		if want := fmt.Sprintf("process %d", first.cmd.Process.Pid); code != exitFailed || !strings.Contains(errs, want) {
			t.Errorf("a second simulator at %s: exit code %d, %q; want %d and %q", modem, code, errs, exitFailed, want)
		}
		if len(left) != 0 {
			t.Errorf("a second simulator at %s was refused and wrote %q", modem, left)
		}
	}
	if now, err := os.Readlink(h.path("modem")); now != mine {
		t.Errorf("the first simulator's link leads to %q (%v) now, want %q", now, err, mine)
	}
	first.kill()
	if stale := h.awaitLink(true); stale != mine {
		t.Fatalf("the killed simulator's link leads to %q, want %q", stale, mine)
	}
	if code, errs, _ := h.anotherSim(h.path("modem")); code != exitDone {
		t.Errorf("a simulator after one that was killed: exit code %d, %q", code, errs)
	}
	h.awaitLink(false)
}

// TestSimKeepsItsModemUnplugged: the name stays taken while the scenario has pulled the plug and no link is there.
func TestSimKeepsItsModemUnplugged(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "river-gate")
	h.write("scenario.toml", oneNode+"[[unplug]]\nat = \"200ms\"\nfor = \"1h\"\n")
	first := h.startSim("--for", "10m")
	eventually(t, time.Minute, "the plug to be pulled", func() bool {
		return strings.Contains(h.text("sim.jsonl"), "unplug")
	})
	h.awaitLink(false)
	if code, errs, left := h.anotherSim(h.path("modem")); code != exitFailed || len(left) != 0 {
		t.Errorf("a second simulator while the first one's modem is unplugged: exit code %d, %q, it wrote %q", code, errs, left)
	}
	if code := first.stop(); code != exitDone {
		t.Errorf("the first simulator ended with %d", code)
	}
}

// TestSimModemRefused: a name that no link can have is refused before anything is written: no number that a node
// remembers is used up, and what stands there stays.
func TestSimModemRefused(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "river-gate")
	h.write("scenario.toml", oneNode)
	h.write("file", "precious")
	if err := os.Symlink("/dev/null", h.path("device")); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ modem, want string }{
		{h.path("nowhere/modem"), "folder cannot be used"},
		{h.path("file/modem"), "is no folder"},
		{h.path("file"), "no link stands there"},
		{h.path("device"), "leads to /dev/null"},
	} {
		code, errs, left := h.anotherSim(c.modem)
		if code != exitUsage || !strings.Contains(errs, c.want) {
			t.Errorf("sim --modem %s: exit code %d, %q; want %d and %q", c.modem, code, errs, exitUsage, c.want)
		}
		if len(left) != 0 {
			t.Errorf("sim --modem %s was refused and wrote %q", c.modem, left)
		}
	}
	if target, err := os.Readlink(h.path("device")); h.text("file") != "precious" || target != "/dev/null" {
		t.Errorf("the file holds %q, the link leads to %q (%v)", h.text("file"), target, err)
	}
}

// TestSimEndsAmongPlugs: a simulation ends in the middle of more plugging than the board keeps up with.
func TestSimEndsAmongPlugs(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "river-gate")
	var s strings.Builder
	s.WriteString(oneNode)
	for i := range 5000 {
		fmt.Fprintf(&s, "[[unplug]]\nat = \"%dus\"\nfor = \"10us\"\n", 100_000+20*i)
	}
	h.write("scenario.toml", s.String())
	code, errs, _ := h.anotherSim(h.path("modem"))
	if code != exitDone {
		t.Errorf("exit code %d, %q", code, errs)
	}
	h.awaitLink(false)
}
