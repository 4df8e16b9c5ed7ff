package roster

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"
)

// TestLockLosesNothing: many change the roster at once, each from its own reading of the files, and every change stays.
func TestLockLosesNothing(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "state")
	const many = 24
	change := func(i int) error {
		lock, err := Lock(context.Background(), dir)
		if err != nil {
			return err
		}
		defer lock.Close()
		r, err := Open(dir)
		if errors.Is(err, ErrNone) {
			r, err = Create(dir, "hill-orchard")
		}
		if err != nil {
			return err
		}
		name := fmt.Sprintf("post-%d", i)
		if _, err := r.Add(Node{Name: name, Inputs: []Input{{0, name}}}); err != nil {
			return err
		}
		if i%2 == 1 {
			if _, err := r.Revoke(name); err != nil {
				return err
			}
		}
		return r.Save()
	}
	var all sync.WaitGroup
	for i := range many {
		all.Go(func() {
			if err := change(i); err != nil {
				t.Errorf("change %d: %v", i, err)
			}
		})
	}
	all.Wait()
	r, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	revoked := 0
	for _, n := range r.Nodes {
		if n.Revoked {
			revoked++
		}
	}
	if len(r.Nodes) != many || revoked != many/2 || int(r.GroupGen) != many/2 {
		t.Errorf("%d nodes, %d of them revoked, group generation %d; want %d, %d and %d", len(r.Nodes), revoked, r.GroupGen,
			many, many/2, many/2)
	}
}

// TestLockHeld: who does not get the lock hears which file it is, and is not kept for ever; the reader needs none.
func TestLockHeld(t *testing.T) {
	_, dir := site(t, "river-gate")
	lock, err := Lock(context.Background(), dir)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 50*time.Millisecond)
	defer cancel()
	second, err := Lock(ctx, dir)
	wantError(t, "a second lock", err, filepath.Join(dir, "roster.lock"), "try again")
	if second != nil {
		t.Errorf("a second lock was given beside the first")
	}
	if _, err := Follow(dir); err != nil {
		t.Errorf("reading under another's lock: %v", err)
	}
	if err := lock.Close(); err != nil {
		t.Error(err)
	}
	if lock, err = Lock(context.Background(), dir); err != nil {
		t.Fatalf("Lock after the other was closed: %v", err)
	}
	lock.Close()
}

// TestFilesBelongToTheDirectorysOwner: what root writes, too, the gateway can read, which runs as the user who owns the
// state directory. Where the tests do not run as root, the two are one user, and the check is the same.
func TestFilesBelongToTheDirectorysOwner(t *testing.T) {
	dir, uid := t.TempDir(), os.Geteuid()
	if uid == 0 {
		uid = 4711
		if err := os.Chown(dir, uid, 4712); err != nil {
			t.Fatal(err)
		}
	}
	lock, err := Lock(context.Background(), dir)
	if err != nil {
		t.Fatal(err)
	}
	defer lock.Close()
	r, err := Create(dir, "hill-orchard")
	if err != nil {
		t.Fatal(err)
	}
	for range 2 { // also a file that replaces another
		save(t, r)
		wantOwner(t, dir, uid)
	}
}

func wantOwner(t *testing.T, dir string, uid int) {
	t.Helper()
	for _, name := range []string{"site.secret", "roster.json", "roster.lock"} {
		st, err := os.Stat(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		is := st.Sys().(*syscall.Stat_t)
		if int(is.Uid) != uid || st.Mode().Perm() != 0o600 {
			t.Errorf("%s belongs to user %d with mode %04o, want %d and 0600", name, is.Uid, st.Mode().Perm(), uid)
		}
		if uid == 4711 && is.Gid != 4712 {
			t.Errorf("%s belongs to group %d, want 4712", name, is.Gid)
		}
	}
}

// TestLockGivesNothingAway: in a directory of another user's, root's lock follows no link out of it, and a second name
// of a file of root's is not given to that user.
func TestLockGivesNothingAway(t *testing.T) {
	dir := t.TempDir()
	theirs, precious := filepath.Join(dir, "state"), filepath.Join(dir, "precious")
	if err := os.WriteFile(precious, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(theirs, 0o700); err != nil {
		t.Fatal(err)
	}
	if os.Geteuid() == 0 {
		if err := os.Chown(theirs, 4711, 4712); err != nil {
			t.Fatal(err)
		}
	}
	for what, link := range map[string]func(old, new string) error{"symbolic": os.Symlink, "hard": os.Link} {
		path := filepath.Join(theirs, "roster.lock")
		if err := link(precious, path); err != nil {
			t.Fatal(err)
		}
		lock, err := Lock(context.Background(), theirs)
		if err == nil {
			lock.Close()
		}
		if what == "symbolic" && err == nil {
			t.Errorf("Lock follows a symbolic link")
		}
		st, err := os.Stat(precious)
		if err != nil {
			t.Fatal(err)
		}
		if got := st.Sys().(*syscall.Stat_t).Uid; int(got) != os.Geteuid() {
			t.Errorf("a %s link gave a file outside to user %d", what, got)
		}
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
	}
}
