package backup

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"longlane/queue/history"
)

var harvest = time.Date(2026, 10, 3, 6, 0, 0, 0, time.UTC)

// history has a gateway keep one of so many trips, and one fault.
func (s *site) history(trips int) {
	s.t.Helper()
	h, _, err := history.Open(filepath.Join(s.state, history.File), history.Options{LeaveFree: 1})
	s.must(err)
	defer h.Close()
	b := history.Batch{Faults: []history.Fault{{ID: "1.1.9", Code: "tamper", Node: "river-gate", At: history.Moment{Wall: harvest}}}}
	for i := range trips {
		b.Trips = append(b.Trips, history.Trip{ID: history.TripID{Node: 1, Gen: 1, Counter: uint32(i)}, Zone: "river-gate", Node: "river-gate", Dwell: time.Second,
			Margin: 9, Opened: true, Closed: true, At: history.Moment{Wall: harvest.Add(time.Duration(i) * time.Minute)}})
	}
	s.must(h.Write(b))
}

// told is what the history in the state directory tells.
func (s *site) told() (list []history.Trip) {
	s.t.Helper()
	h, err := history.OpenRead(filepath.Join(s.state, history.File))
	s.must(err)
	defer h.Close()
	s.must(h.Trips(harvest, harvest.Add(1e6*time.Hour), func(t *history.Trip) error { list = append(list, *t); return nil }))
	return list
}

// The history comes back, in a file of its owner that only he can read; and it can be left out on either side.
func TestHistory(t *testing.T) {
	s := newSite(t)
	const trips = 20_000 // more than one buffer of anything on its way
	s.history(trips)
	before := s.told()
	b := s.save()
	if b.History.Records != trips+1 || b.History.Bytes < 30*trips {
		t.Errorf("saved: %+v", b.History)
	}
	opened, err := Open(s.t.Context(), s.where, say(words))
	s.must(err)
	if opened.History != b.History || len(opened.Ignored) != 0 || opened.Manifest.History.Path != filepath.Join(s.state, history.File) {
		t.Errorf("opened: %+v, %+v, left out %q; want %+v", opened.History, opened.Manifest.History, opened.Ignored, b.History)
	}
	sealed, err := os.ReadFile(s.where)
	s.must(err)
	if bytes.Contains(sealed, []byte("river-gate")) {
		t.Error("a zone stands in the clear in the backup")
	}
	s.wipe()
	s.must(os.MkdirAll(s.state, 0o700))
	uid := os.Geteuid()
	if uid == 0 {
		uid = 4711
		s.must(os.Chown(s.state, uid, uid))
	}
	s.must(s.restore())
	var st unix.Stat_t
	s.must(unix.Stat(filepath.Join(s.state, history.File), &st))
	if int(st.Uid) != uid || st.Mode&0o777 != 0o600 {
		t.Errorf("the restored history has mode %o and belongs to %d, want 600 and %d", st.Mode&0o777, st.Uid, uid)
	}
	if after := s.told(); !reflect.DeepEqual(after, before) {
		t.Errorf("%d trips came back, and they differ from the %d before", len(after), len(before))
	}
	s.wipe()
	s.write("state/history.db", "mine", 0o600)
	sealed[len(sealed)-5] ^= 1 // a bad sector in the history keeps nobody from the site's secret
	s.must(os.WriteFile(s.where, sealed, 0o600))
	if _, err := Open(s.t.Context(), s.where, say(words)); err == nil || !strings.Contains(err.Error(), "--without-history") {
		t.Errorf("damaged at its end: %v", err)
	}
	opened, err = OpenFiles(s.t.Context(), s.where, say(words))
	s.must(err)
	_, err = opened.Restore(t.Context(), RestoreOptions{Config: s.config, OldIsOff: true})
	s.must(err)
	if text, err := os.ReadFile(filepath.Join(s.state, history.File)); err != nil || string(text) != "mine" {
		t.Errorf("left out, and the history there is %q, %v", text, err)
	}
	without := s.collect() // the history that is there now is none: it would not be copied
	without.LeaveHistory()
	s.must(os.Remove(s.where))
	s.must(without.Save(s.t.Context(), s.where, say(words)))
	opened, err = Open(s.t.Context(), s.where, say(words))
	s.must(err)
	if opened.Manifest.History != nil || opened.History != (History{}) {
		t.Errorf("saved without, opened: %+v, %+v", opened.Manifest.History, opened.History)
	}
}

// A history that cannot be copied is told of, with what to do, and no half of a backup is left.
func TestHistoryDamaged(t *testing.T) {
	s := newSite(t)
	s.write("state/history.db", "no history", 0o600)
	b := s.collect()
	err := b.Save(s.t.Context(), s.where, say(words))
	if !errors.Is(err, history.ErrDamaged) || !strings.Contains(err.Error(), "--without-history") {
		t.Errorf("%v, want ErrDamaged and what to do", err)
	}
	if left, _ := filepath.Glob(filepath.Join(s.dir, "*backup*")); len(left) != 0 {
		t.Errorf("left behind: %q", left)
	}
	b.copy = func(w io.Writer) error { _, err := io.WriteString(w, "longlane history 1\n"); return err } // cut short, and nobody said so
	if err := b.Save(s.t.Context(), s.where, say(words)); !errors.Is(err, history.ErrCopy) {
		t.Errorf("%v, want ErrCopy", err)
	}
}

// How many records were damaged on the disk is told when it is saved, and whenever it is opened.
func TestHistoryTellsOfDamage(t *testing.T) {
	s := newSite(t)
	s.history(3)
	b := s.collect()
	b.copy = func(w io.Writer) error { _, err := io.WriteString(w, "longlane history 1\n\x00\x00\x03"); return err } // none, and 3 missing
	s.must(b.Save(t.Context(), s.where, say(words)))
	opened, err := Open(t.Context(), s.where, say(words))
	if err != nil || opened.History.Damaged != 3 || b.History.Damaged != 3 {
		t.Errorf("%v; told %+v and %+v, want 3 damaged", err, b.History, opened.History)
	}
}

// Whoever stops it is heeded: while the history is copied, while it is read back, and while it is opened. Nothing is left.
func TestHistoryStopped(t *testing.T) {
	s := newSite(t)
	s.history(9000)
	for what, stop := range map[string]func(b *Backup, cancel func()){
		"copy": func(b *Backup, cancel func()) { cancel() },
		"read back": func(b *Backup, cancel func()) {
			copy := b.copy
			b.copy = func(w io.Writer) error {
				err := copy(w)
				cancel()
				return err
			}
		},
	} {
		ctx, cancel := context.WithCancel(t.Context())
		b, err := Collect(ctx, s.config, "v", time.Now())
		s.must(err)
		stop(b, cancel)
		if err := b.Save(ctx, s.where, say(words)); !errors.Is(err, context.Canceled) || strings.Contains(err.Error(), "medium") {
			t.Errorf("%s: %v, want it stopped", what, err)
		}
		if left, _ := filepath.Glob(filepath.Join(s.dir, "*backup*")); len(left) != 0 {
			t.Errorf("%s: left behind: %q", what, left)
		}
		cancel()
	}
	s.save()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	if _, err := Open(ctx, s.where, func() (string, error) { cancel(); return words, nil }); !errors.Is(err, context.Canceled) || strings.Contains(err.Error(), "another") {
		t.Errorf("opened: %v, want it stopped", err)
	}
}

// Damage within the history, its end that is missing, or more behind it: nothing of such a backup is restored.
func TestHistoryCutShort(t *testing.T) {
	s := newSite(t)
	s.history(9000) // some chunks of the encryption
	s.save()
	stored, err := os.ReadFile(s.where)
	s.must(err)
	s.wipe()
	refused := func(what string, stored []byte) {
		t.Helper()
		_, err := parse(s.t.Context(), s.where, bytes.NewReader(stored), say(words), true)
		if err == nil || !strings.Contains(err.Error(), s.where) || !strings.Contains(err.Error(), "expected") || !strings.Contains(err.Error(), "another") {
			t.Errorf("%s: %v; want the file, what was found and expected, and what to do", what, err)
		}
	}
	for at := 1000; at < len(stored); at += len(stored) / 60 {
		flipped := slices.Clone(stored)
		flipped[at] ^= 4
		refused(fmt.Sprintf("a bit of byte %d of %d", at, len(stored)), flipped)
		refused(fmt.Sprintf("cut to %d of %d bytes", at, len(stored)), stored[:at])
	}
	inside, err := decrypt(s.where, bytes.NewReader(stored), words)
	s.must(err)
	all, err := io.ReadAll(inside)
	s.must(err)
	refused("an inside cut short and sealed again", sealed(t, all[:len(all)-1]))
	refused("an inside with more behind it", sealed(t, append(all, 0)))
}

// A backup that becomes another between its reading and its restoring gives no history.
func TestHistorySwapped(t *testing.T) {
	s := newSite(t)
	s.history(3)
	s.save()
	b, err := Open(s.t.Context(), s.where, say(words))
	s.must(err)
	s.history(5)
	other := s.collect()
	other.Manifest.Gateway = "shop"
	s.must(os.Remove(s.where))
	s.must(other.Save(s.t.Context(), s.where, say(words)))
	s.wipe()
	_, err = b.Restore(t.Context(), RestoreOptions{Config: s.config, OldIsOff: true})
	if err == nil || !strings.Contains(err.Error(), "found another backup") {
		t.Errorf("%v", err)
	}
	if _, err := os.Stat(filepath.Join(s.state, "site.secret")); err == nil {
		t.Error("there is a site")
	}
}
