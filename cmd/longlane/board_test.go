package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"

	page "longlane/gateway/board"
	"longlane/gateway/health"
)

// laneSource is what a board shows in these tests: one gate and one fault.
type laneSource struct{}

func (laneSource) Now() page.Situation {
	return page.Situation{Site: "hill-orchard", Gateway: "house", At: time.Date(2026, 3, 1, 7, 30, 0, 0, time.UTC), Clock: page.ClockSet,
		Zones:   []page.Zone{{Name: "river-gate", Title: "River gate", Node: "river-gate", State: page.Clear}},
		Nodes:   []page.Node{{Name: "river-gate", Severity: health.Watch, Battery: page.Figure(3.61), Heard: &page.Past{Ago: 120}, Hops: []page.Hop{{From: "river-gate", To: "house", Margin: page.Figure(12)}}}},
		Faults:  []page.Fault{{ID: "river-gate.battery-fades.1", Verdict: health.Verdict{Severity: health.Watch, Reason: "The battery of river-gate runs down.", Remedy: "Clean its panel."}}},
		Bearers: []page.Bearer{{Name: "mast", Radio: true, Up: true}}}
}

func (laneSource) Trips(context.Context, time.Time, time.Time, int) ([]page.Trip, error) {
	return nil, nil
}

func (laneSource) Watched(context.Context, string, time.Time, time.Time) (page.Watched, error) {
	return page.Watched{}, nil
}

func (laneSource) Curves(context.Context, string, time.Time, time.Time) ([]page.Hour, error) {
	return nil, nil
}

func (laneSource) Acknowledge(context.Context, string) error { return page.ErrNoFault }

const boardPassword = "apples and pears"

// boardPasswordFile is made as an owner makes it.
func boardPasswordFile(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "board.pass")
	code, out, errs := cli(boardPassword+"\n", "check", "--board-password", path)
	if code != exitDone || !strings.Contains(out, fmt.Sprintf("[board]\npassword_file = %q", path)) {
		t.Fatalf("check --board-password: exit code %d, %q, %q", code, out, errs)
	}
	return path
}

func serveBoard(t *testing.T, passwordFile string) (*page.Board, string) {
	t.Helper()
	o := page.Options{Source: laneSource{}, Listen: "127.0.0.1:0"}
	if passwordFile != "" {
		hash, err := os.ReadFile(passwordFile)
		if err != nil {
			t.Fatal(err)
		}
		o.Password = strings.TrimSpace(string(hash))
	}
	b, err := page.New(o)
	if err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewServer(b)
	t.Cleanup(srv.Close)
	t.Cleanup(b.Close)
	return b, srv.URL
}

func aTrip(id string) page.Event {
	return page.Event{Kind: page.OnTrip, Trip: &page.Trip{ID: id, Title: "River gate", Delayed: true}}
}

// watchInto runs `longlane watch` until stop; what it writes comes by the reader.
func watchInto(t *testing.T, out io.WriteCloser, args ...string) (stop func() int) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	code := make(chan int, 1)
	go func() {
		code <- Main(ctx, append([]string{"watch"}, args...), strings.NewReader(""), out, io.Discard)
		out.Close()
	}()
	stop = func() int {
		cancel()
		c := <-code
		code <- c
		return c
	}
	t.Cleanup(func() { stop() })
	return stop
}

// TestWatchTerminal: on a terminal it draws what stands, and anew what happens, in its place and within its size.
func TestWatchTerminal(t *testing.T) {
	for _, plain := range []bool{false, true} {
		if plain {
			t.Setenv("NO_COLOR", "1")
		} else {
			t.Setenv("NO_COLOR", "")
		}
		t.Setenv("TERM", "xterm")
		b, url := serveBoard(t, "")
		tty, end, err := pty.Open()
		if err != nil {
			t.Fatal(err)
		}
		defer tty.Close()
		if err := pty.Setsize(end, &pty.Winsize{Rows: 24, Cols: 60}); err != nil {
			t.Fatal(err)
		}
		stop := watchInto(t, end, "--url", url)
		screen, told := "", false
		late := time.AfterFunc(time.Minute, func() { end.Close() })
		for buffer := make([]byte, 4096); ; {
			n, err := tty.Read(buffer)
			screen += string(buffer[:n])
			if !told && strings.Contains(screen, "mast works") {
				told = true
				b.Tell(aTrip("3.0.9"))
			}
			if err != nil || strings.Count(screen, "\x1b[H") > 2 && strings.HasSuffix(screen, "\x1b[J") {
				break
			}
		}
		if !late.Stop() {
			t.Fatalf("it was never drawn anew: %q", screen)
		}
		if code := stop(); code != exitDone {
			t.Errorf("exit code %d", code)
		}
		for _, want := range []string{"\x1b[H\x1b[2J", "Silence can be trusted: every gate is watched.", "The battery of river-gate runs down.", "3.61 V", "12 dB", "\x1b[K\r\n"} {
			if !strings.Contains(screen, want) {
				t.Errorf("the screen lacks %q: %q", want, screen)
			}
		}
		if got := strings.Contains(screen, "\x1b[32m"); got == plain {
			t.Errorf("NO_COLOR %v, and coloured %v", plain, got)
		}
	}
}

// TestWatchLines: elsewhere it writes what stands once, then a line for each event; with --json each event as it came.
func TestWatchLines(t *testing.T) {
	t.Parallel()
	b, url := serveBoard(t, "")
	for _, asJSON := range []bool{false, true} {
		args := []string{"--url", url}
		if asJSON {
			args = append(args, "--json")
		}
		r, w := io.Pipe()
		stop := watchInto(t, w, args...)
		lines := bufio.NewScanner(r)
		if !asJSON {
			for lines.Scan() && lines.Text() != "  mast works" {
			}
		} else {
			eventually(t, 20*time.Second, "it listens", func() bool { return b.Stats().Clients == 1 })
		}
		b.Tell(aTrip("3.0.9"))
		b.Tell(page.Event{Kind: page.OnFault, Fault: &page.FaultChange{Fault: laneSource{}.Now().Faults[0], Ended: true}})
		var got []string
		for len(got) < 2 && lines.Scan() {
			got = append(got, lines.Text())
		}
		go io.Copy(io.Discard, r)
		if code := stop(); code != exitDone {
			t.Errorf("json %v: exit code %d", asJSON, code)
		}
		eventually(t, 20*time.Second, "it has gone", func() bool { return b.Stats().Clients == 0 })
		if len(got) != 2 {
			t.Fatalf("json %v: it wrote %q", asJSON, got)
		}
		if !asJSON {
			if got[0] != "somebody came: time not known  River gate, told late, so it did not sound" || got[1] != "mended: The battery of river-gate runs down." {
				t.Errorf("it wrote %q", got)
			}
			continue
		}
		var trip, fault page.Event
		if json.Unmarshal([]byte(got[0]), &trip) != nil || json.Unmarshal([]byte(got[1]), &fault) != nil || trip.Trip == nil || trip.Trip.ID != "3.0.9" || fault.Fault == nil || !fault.Fault.Ended {
			t.Errorf("it wrote %q", got)
		}
	}
}

// TestWatchPassword: a locked page is watched with its password, and nothing else.
func TestWatchPassword(t *testing.T) {
	t.Parallel()
	b, url := serveBoard(t, boardPasswordFile(t))
	dir := t.TempDir()
	file := func(name, text string, mode os.FileMode) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), mode); err != nil {
			t.Fatal(err)
		}
		return path
	}
	for want, args := range map[string][]string{
		"--password-file FILE": {"--url", url},
		"this is another":      {"--url", url, "--password-file", file("wrong", "pears\n", 0o600)},
		"open to others":       {"--url", url, "--password-file", file("open", boardPassword, 0o644)},
		"no such file":         {"--password-file", filepath.Join(dir, "none")},
		"expected the page's":  {"--url", "house.lan"},
	} {
		if code, _, errs := cli("", append([]string{"watch"}, args...)...); code != exitUsage || !strings.Contains(errs, want) {
			t.Errorf("watch %q: exit code %d, %q, want %d and %q", args, code, errs, exitUsage, want)
		}
	}
	r, w := io.Pipe()
	go io.Copy(io.Discard, r)
	watchInto(t, w, "--url", url, "--json", "--password-file", file("right", boardPassword+"\n", 0o600))
	eventually(t, 20*time.Second, "it listens", func() bool { return b.Stats().Clients == 1 })
}

// TestBoardPassword: the file holds a hash that nobody else can read, and bad passwords are refused before anything is written.
func TestBoardPassword(t *testing.T) {
	t.Parallel()
	path := boardPasswordFile(t)
	info, err := os.Stat(path)
	text, _ := os.ReadFile(path)
	if err != nil || info.Mode().Perm() != 0o600 || strings.Contains(string(text), boardPassword) || page.CheckHash(strings.TrimSpace(string(text))) != nil {
		t.Errorf("the file: %v, %v, %q", err, info.Mode(), text)
	}
	none := filepath.Join(t.TempDir(), "none")
	for in, want := range map[string]string{"": "no password on standard input", "short\n": "expected 8 or more", strings.Repeat("x", 73): "72 at the most"} {
		if code, _, errs := cli(in, "check", "--board-password", none); code != exitUsage || !strings.Contains(errs, want) {
			t.Errorf("%q: exit code %d, %q, want %q", in, code, errs, want)
		}
	}
	if _, err := os.Stat(none); err == nil {
		t.Error("a refused password was written")
	}
}

// TestCheckExplainsThePage says where the page is and for whom, or why there is none.
func TestCheckExplainsThePage(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	for _, c := range []struct{ http, board, want string }{
		{"127.0.0.1:9465", "", "page: http://127.0.0.1:9465/, open to whoever uses this machine"},
		{"0.0.0.0:9465", "", "page: none: others on the network reach 0.0.0.0:9465, and there is no password for it; `longlane check --board-password FILE`"},
		{"", "", "page: none: http is switched off"},
		{"0.0.0.0:9465", fmt.Sprintf("[board]\npassword_file = %q\n", boardPasswordFile(t)), "for who knows its password, which travels unencrypted"},
	} {
		path := filepath.Join(dir, "x.toml")
		if err := os.WriteFile(path, fmt.Appendf(nil, "site=\"s\"\ngateway=\"g\"\nstate=%q\nhttp=%q\n[wifi]\n%s", dir, c.http, c.board), 0o600); err != nil {
			t.Fatal(err)
		}
		if code, out, errs := cli("", "check", "--config", path); code != exitDone || !strings.Contains(out, c.want) {
			t.Errorf("%+v: exit code %d, %s%s", c, code, out, errs)
		}
	}
}
