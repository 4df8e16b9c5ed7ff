package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

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
	taken := filepath.Join(dir, "taken.card")
	if err := os.WriteFile(taken, []byte("something"), 0o600); err != nil {
		t.Fatal(err)
	}
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
		{[]string{"add", "mill-lane", "--zone", "mill=1", "--zone", "lane=1"}, exitFailed, "input 1 twice"},
		{[]string{"add", "mill-lane", "--zone", "Mill Lane"}, exitFailed, "small letters"},
		{[]string{"rekey", "mill-lane"}, exitFailed, "there are: river-gate"},
		{[]string{"swap", "mill-lane"}, exitFailed, "there are: river-gate"},
		{[]string{"revoke", "mill-lane"}, exitFailed, "there are: river-gate"},
		{[]string{"remove", "river-gate"}, exitUsage, "expected add, rekey, revoke, swap or list"},
		{[]string{"revoke", "river-gate", "ridge-gate"}, exitUsage, `unexpected argument "ridge-gate"`},
	} {
		code, out, errs := cli("", append(append([]string{"enrol"}, c.args...), "--state", state)...)
		if code != c.code || !strings.Contains(errs, c.want) || out != "" {
			t.Errorf("enrol %q: exit code %d, %q, %q; want %d, %q and nothing on standard output", c.args, code, errs, out, c.code, c.want)
		}
		if got := names(); len(got) != 1 {
			t.Errorf("enrol %q left the nodes %q", c.args, got)
		}
	}
	code, _, errs := cli("", "enrol", "add", "mill-lane", "--zone", "mill-lane", "--state", state, "--out", taken)
	if text, _ := os.ReadFile(taken); code != exitFailed || string(text) != "something" || !strings.Contains(errs, "exists") {
		t.Errorf("a card over another file: exit code %d, %q, the file holds %q", code, errs, text)
	}
	if err := os.Chmod(filepath.Join(state, "site.secret"), 0o644); err != nil {
		t.Fatal(err)
	}
	if code, _, errs := cli("", "enrol", "list", "--state", state); code != exitFailed || !strings.Contains(errs, "chmod 600") {
		t.Errorf("a secret that others can read: exit code %d, %q, want advice to chmod 600", code, errs)
	}
}
