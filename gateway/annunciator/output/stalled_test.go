package output

import (
	"bufio"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// TestStalledCard: a card that does not take a claim holds up neither the report of a sound's end nor the next sound, and a player that
// fails at once has failed all the same.
func TestStalledCard(t *testing.T) {
	dir := t.TempDir()
	answers := make(chan struct{})
	defer func(f func(*os.File, string)) { syncClaim = f }(syncClaim)
	syncClaim = func(*os.File, string) { <-answers }
	ended := make(chan struct{})
	acts := 0
	act := func(claim, script string) string {
		text, err := json.Marshal(Order{Claim: filepath.Join(dir, claim), Lock: filepath.Join(dir, "lock"), Before: Now() + time.Minute,
			Argv: []string{"/bin/sh", "-c", script}, Limit: time.Minute, Sound: true})
		if err != nil {
			t.Fatal(err)
		}
		in, out := strings.NewReader(string(text)+"\n"), pipe(t)
		acts++
		go func() {
			defer func() { ended <- struct{}{} }()
			if err := Act(in, out.w); err != nil {
				t.Error(err)
			}
		}()
		said := ""
		for lines := bufio.NewScanner(out.r); lines.Scan(); {
			var r report
			if err := json.Unmarshal(lines.Bytes(), &r); err != nil {
				t.Fatal(err)
			}
			said += r.What + r.Err + " "
			if r.What == reportEnded {
				break
			}
		}
		return said
	}
	if got := act("1", "true"); got != "begun ended " {
		t.Errorf("the first sound: %s", got)
	}
	if got := act("2", "true"); got != "begun ended " {
		t.Errorf("the second sound: %s", got)
	}
	for range 2 { // it is tried again, and not taken for one that has been played
		if got := act("3", "exit 7"); got != "begun ended/bin/sh has failed: exit status 7 " {
			t.Errorf("a player that fails: %s", got)
		}
	}
	close(answers)
	for range acts {
		<-ended
	}
}

type ends struct {
	r *io.PipeReader
	w *io.PipeWriter
}

func pipe(t *testing.T) ends {
	r, w := io.Pipe()
	t.Cleanup(func() { r.Close() })
	return ends{r, w}
}

// TestHelperHangs: a helper that never answers is given up, and what it says later is of nothing.
func TestHelperHangs(t *testing.T) {
	lag := helperLag
	helperLag = 100 * time.Millisecond
	t.Cleanup(func() { helperLag = lag })
	events := make(chan Event, 10)
	script := "read x; sleep 1; echo '{\"What\":\"begun\"}'; echo '{\"What\":\"ended\"}'"
	r := NewRunner([]string{"/bin/sh", "-c", script}, func(e Event) { events <- e })
	r.Start(Order{Claim: "c", Before: Now(), Argv: []string{"x"}, Limit: 100 * time.Millisecond})
	if e := <-events; !e.Ended || !strings.Contains(e.Err, "its helper has not answered") {
		t.Errorf("%+v", e)
	}
	r.Close()
	r.running.Wait()
	select {
	case e := <-events:
		t.Errorf("and then %+v", e)
	default:
	}
}

// TestLockHeld: nor does one that hangs with the lock silence those after it.
func TestLockHeld(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "lock")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX); err != nil {
		t.Fatal(err)
	}
	var out strings.Builder
	a := &actor{Order: Order{Claim: filepath.Join(dir, "claim"), Lock: path, Before: Now() + time.Minute, Argv: []string{"/bin/true"}, Limit: 200 * time.Millisecond, Sound: true},
		tell: json.NewEncoder(&out)}
	began := Now()
	a.act()
	if took := Now() - began; !strings.Contains(out.String(), reportBegun) || took < 200*time.Millisecond || took > 30*time.Second {
		t.Errorf("after %v: %s", took, &out)
	}
}
