package main

import (
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// TestDemoInterrupted: whoever ends the demo while its broker is away is not told that trips were lost. They wait in the
// queue; the demo brings the broker back, counts them, and leaves nothing behind.
func TestDemoInterrupted(t *testing.T) {
	h := newHouse(t, "river-gate")
	t.Setenv("TMPDIR", h.dir)
	p := h.start("demo", "--for", "29s")
	eventually(t, time.Minute, "the broker to go away", func() bool { return strings.Contains(h.text("demo.log"), "the broker goes away") })
	files := func() []string {
		list, _ := filepath.Glob(h.path("longlane-demo-*/sim.jsonl"))
		return list
	}
	if len(files()) != 1 {
		t.Fatalf("the demo's record of the air is in %q, want one file in TMPDIR", files())
	}
	air := func() *simCounts {
		s, err := readSim(files()[0])
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	before := air().made
	eventually(t, time.Minute, "a receipt for a trip made while the broker is away", func() bool {
		for id := range air().released {
			if !before[id] {
				return true
			}
		}
		return strings.Contains(h.text("demo.log"), "the broker comes back")
	})
	if code := p.stop(); code != exitDone {
		t.Errorf("the demo ended with %d", code)
	}
	if text := h.text("demo.log"); !strings.Contains(text, "With a receipt and not delivered: 0") {
		t.Errorf("no good summary:\n%s", text)
	}
	if left := files(); len(left) != 0 {
		t.Errorf("the demo left %q behind", left)
	}
}
