package gateway

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"longlane/proto"
)

// withCopy has the gateway keep a second copy.
func (w *world) withCopy() (path string) {
	path = filepath.Join(w.dir, "marks.copy")
	w.opts = func(o *Options) { o.Copy = path }
	return path
}

// The queue's file is lost, and what somebody recorded before is refused all the same; the epoch is one that was never
// used.
func TestSecondCopy(t *testing.T) {
	for name, end := range map[string]func(*world){"stopped": (*world).stop, "killed": (*world).kill} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := newWorld(t)
				w.withCopy()
				w.start()
				n := w.node("river-gate")
				w.pass(2 * time.Second)
				caught := [][]byte{n.open(), n.close(1, time.Second), n.checkIn()}
				skipped := n.open() // never arrives
				w.hear(caught...)
				w.hear(n.open())
				w.pass(2 * time.Minute)
				epoch := w.g.in.epochs.number
				end(w)
				w.must(os.Remove(w.path))
				clear(w.receipted) // they went with the file
				w.start()
				w.pass(2 * time.Second)
				if got := w.g.in.epochs.number; got != epoch+1 {
					t.Errorf("epoch %d after %d", got, epoch)
				}
				for i, f := range caught {
					w.wantVerdict([]string{"opening", "closing", "check-in"}[i], "repeat", f)
				}
				w.wantVerdict("one that never came", "accepted", skipped)
				w.wantVerdict("the next", "accepted", n.open())
			})
		})
	}
}

// A machine that takes another's place goes on from a raised copy: what somebody recorded before the copy was taken is
// refused, no epoch is used again that the other has used since, the next trip gets through.
func TestRaisedCopy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		path := w.withCopy()
		w.start()
		n := w.node("river-gate")
		w.pass(2 * time.Second)
		caught := [][]byte{n.open(), n.close(1, time.Second), n.checkIn()}
		w.hear(caught...)
		w.pass(2 * time.Minute)
		text, err := os.ReadFile(path)
		w.must(err)
		saved := w.g.in.epochs.number
		var last uint16
		for boot := range 3 { // the other one goes on
			w.stop()
			w.clock = newTestClock(realTime, 5*time.Second, byte(10+boot), true)
			w.start()
			w.pass(2 * time.Second)
			last = w.g.in.epochs.number
		}
		w.stop()
		w.must(os.Remove(w.path))
		clear(w.receipted)
		raised, err := RaiseCopy(path, text, site, w.roster.Site, 64)
		w.must(err)
		w.must(os.WriteFile(path, raised, 0o600))
		w.start()
		w.pass(2 * time.Second)
		if got := w.g.in.epochs.number; got != saved+65 || int16(got-last) <= 0 {
			t.Errorf("epoch %d; the other one stood at %d when saved and went on to %d", got, saved, last)
		}
		for i, f := range caught {
			w.wantVerdict([]string{"opening", "closing", "check-in"}[i], "repeat", f)
		}
		n.timed = false
		w.wantVerdict("the next", "accepted", n.open())
		if got, err := RaiseCopy(path, text, "mill-lane", w.roster.Site, 64); got != nil || err != nil {
			t.Errorf("a copy of another site: %q, %v; want none", got, err)
		}
		text[len(text)/2] ^= 1
		if got, err := RaiseCopy(path, text, site, w.roster.Site, 64); got != nil || err == nil {
			t.Errorf("a damaged copy: %q, %v; want an error", got, err)
		}
	})
}

// A damaged mark is taken from the second copy: no fault, nothing sounds again.
func TestSecondCopyMendsAMark(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.withCopy()
		w.start()
		n := w.node("river-gate")
		w.pass(2 * time.Second)
		caught := n.open()
		w.hear(caught, n.open())
		w.pass(2 * time.Second)
		mark, err := w.g.in.windows[windowKey{eventSpace, n.id, n.gen}].MarshalBinary()
		w.must(err)
		epoch := w.g.in.epochs.number
		w.stop()
		damage(t, w.path, mark)
		w.start()
		w.pass(2 * time.Second)
		w.wantVerdict("what was recorded", "repeat", caught)
		if got := w.broker.all("/fault"); len(got) != 0 {
			t.Errorf("fault %v", got[0].data)
		}
		if got := w.g.in.epochs.number; got != epoch {
			t.Errorf("epoch %d, want %d: nothing was lost", got, epoch)
		}
	})
}

// An old file put in the queue's place brings back neither its epoch nor its windows.
func TestOldQueueFile(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.withCopy()
		w.start()
		n := w.node("river-gate")
		w.hear(n.open())
		w.pass(2 * time.Second)
		w.stop()
		old, err := os.ReadFile(w.path)
		w.must(err)
		w.clock = newTestClock(realTime, 5*time.Second, 9, true)
		w.start()
		caught := n.open()
		w.hear(caught)
		w.pass(2 * time.Minute)
		epoch := w.g.in.epochs.number
		w.stop()
		w.must(os.WriteFile(w.path, old, 0o600))
		clear(w.receipted)
		w.start()
		w.pass(2 * time.Second)
		if got := w.g.in.epochs.number; got != epoch+1 {
			t.Errorf("epoch %d, want %d", got, epoch+1)
		}
		w.wantVerdict("what was recorded since", "repeat", caught)
	})
}

// The power fails within the first minute of a boot and takes the queue's file with it: the epoch that this boot used is
// not used again.
func TestSecondCopyOfAShortBoot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		path := w.withCopy()
		w.start()
		w.hear(w.node("river-gate").open())
		w.pass(2 * time.Minute)
		w.stop()
		w.clock = newTestClock(realTime, 5*time.Second, 9, true)
		w.start()
		used := w.g.in.epochs.number
		left, err := os.ReadFile(path) // all that is left after the power failed here
		w.must(err)
		w.stop()
		w.must(errors.Join(os.WriteFile(path, left, 0o600), os.Remove(w.path)))
		clear(w.receipted)
		w.clock = newTestClock(realTime, 5*time.Second, 10, true)
		w.start()
		if got := w.g.in.epochs.number; int16(got-used) <= 0 {
			t.Errorf("epoch %d, and the boot before has used %d", got, used)
		}
	})
}

// A copy of another site, or one that is damaged, is left alone, and said to be so only if it is damaged.
func TestSecondCopyRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		path := w.withCopy()
		var log bytes.Buffer
		w.log = &log
		w.start()
		w.hear(w.node("river-gate").open())
		w.pass(2 * time.Second)
		w.stop()
		good, err := os.ReadFile(path)
		w.must(err)
		r := w.roster
		for name, c := range map[string]struct {
			site   string
			number uint16
			text   []byte
			bad    bool
		}{
			"as it is":             {site: site, number: r.Site, text: good},
			"of another site":      {site: "far-orchard", number: r.Site, text: good},
			"of another number":    {site: site, number: r.Site + 1, text: good},
			"cut short":            {site: site, number: r.Site, text: good[:len(good)-1], bad: true},
			"a bit turned":         {site: site, number: r.Site, text: append(bytes.Clone(good[:len(good)-9]), append([]byte{good[len(good)-9] ^ 1}, good[len(good)-8:]...)...), bad: true},
			"empty":                {site: site, number: r.Site, text: nil, bad: true},
			"of a version to come": {site: site, number: r.Site, text: bytes.Replace(good, []byte("marks 1 "), []byte("marks 2 "), 1), bad: true},
		} {
			writeFile(t, path, string(c.text))
			got, err := readCopy(path, c.site, c.number)
			if (err != nil) != c.bad || (got != nil) != (name == "as it is") {
				t.Errorf("%s: %v, %v", name, got, err)
			}
		}
		writeFile(t, path, "nonsense")
		w.start()
		w.pass(2 * time.Minute)
		if got := strings.Count(log.String(), "going on without it"); got != 1 {
			t.Errorf("the log says %d times that the copy is damaged, want once", got)
		}
		if c, err := readCopy(path, site, r.Site); c == nil || err != nil {
			t.Errorf("a minute later the copy is %v, %v; want a good one", c, err)
		}
	})
}

func TestMergeMarks(t *testing.T) {
	var a, b proto.Window
	a.Mark(5)
	b.Mark(9)
	ab, err1 := a.MarshalBinary()
	bb, err2 := b.MarshalBinary()
	got, err := MergeMarks(ab, bb)
	var w proto.Window
	if err1 != nil || err2 != nil || err != nil || w.UnmarshalBinary(got) != nil {
		t.Fatal(err1, err2, err)
	}
	if w.Check(5) != proto.Seen || w.Check(9) != proto.Seen || w.Check(7) != proto.New {
		t.Errorf("merged: 5 %v, 7 %v, 9 %v; want seen, new, seen", w.Check(5), w.Check(7), w.Check(9))
	}
	if _, err := MergeMarks(ab, []byte{1}); err == nil {
		t.Error("a mark of one byte was merged")
	}
}
