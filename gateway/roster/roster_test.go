package roster

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"longlane/proto"
)

func site(t *testing.T) (*Roster, string) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "state")
	r, err := Create(dir, "hill-orchard")
	if err != nil {
		t.Fatal(err)
	}
	return r, dir
}

func add(t *testing.T, r *Roster, name string) *Node {
	t.Helper()
	n, err := r.Add(Node{Name: name, Inputs: []Input{{0, name}}})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// TestFiles: both files are their owner's alone, a second site is not set up over the first, and what was saved is what
// is read.
func TestFiles(t *testing.T) {
	r, dir := site(t)
	add(t, r, "river-gate")
	if err := r.Save(); err != nil {
		t.Fatal(err)
	}
	for _, f := range []string{secretFile, rosterFile} {
		path := filepath.Join(dir, f)
		st, err := os.Stat(path)
		if err != nil || st.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, %v; want mode 0600", f, st, err)
		}
		os.Chmod(path, 0o640)
		if _, err := Open(dir); err == nil || !strings.Contains(err.Error(), "chmod 600 "+path) {
			t.Errorf("Open with a readable %s: %v, want what to do", f, err)
		}
		os.Chmod(path, 0o600)
	}
	if _, err := Create(dir, "other"); err == nil {
		t.Error("a second site was set up over the first")
	}
	got, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	if got.Site != r.Site || got.SiteName != "hill-orchard" || len(got.Nodes) != 1 || got.Nodes[0].Name != "river-gate" {
		t.Errorf("Open gives %+v, want what was saved", got)
	}
	want, _ := r.NodeKey(&r.Nodes[0])
	if key, err := got.NodeKey(&got.Nodes[0]); err != nil || !bytes.Equal(key, want) {
		t.Errorf("the key after reading is another one (%v)", err)
	}
	text, _ := os.ReadFile(filepath.Join(dir, rosterFile))
	secret, _ := os.ReadFile(filepath.Join(dir, secretFile))
	if bytes.Contains(text, bytes.TrimSpace(secret)) {
		t.Error("the roster holds the secret")
	}
	if left, _ := filepath.Glob(filepath.Join(dir, ".*")); len(left) != 0 {
		t.Errorf("temporary files are left: %v", left)
	}
}

func TestDamage(t *testing.T) {
	if _, err := Open(t.TempDir()); !errors.Is(err, ErrNone) {
		t.Errorf("Open of an empty directory: %v, want ErrNone", err)
	}
	for _, c := range []struct{ file, text, want string }{
		{secretFile, "abc", "64 hexadecimal digits"},
		{secretFile, strings.Repeat("g", 64), "64 hexadecimal digits"},
		{rosterFile, "{", rosterFile},
		{rosterFile, `{"format":2}`, "format 2"},
		{rosterFile, `{"format":1,"colour":"red"}`, "colour"},
		{rosterFile, `{"format":1,"nodes":[{"id":0,"name":"a","generation":1}]}`, "id 0"},
		{rosterFile, `{"format":1,"nodes":[{"id":240,"name":"a","generation":1}]}`, "id 240"},
		{rosterFile, `{"format":1,"nodes":[{"id":1,"name":"a","generation":1},{"id":1,"name":"b","generation":1}]}`, "two nodes"},
		{rosterFile, `{"format":1,"nodes":[{"id":1,"name":"a/b","generation":1}]}`, "node name"},
		{rosterFile, `{"format":1,"nodes":[{"id":1,"name":"a","generation":1,"inputs":[{"input":16,"zone":"z"}]}]}`, "input 16"},
		{rosterFile, `{"format":1,"nodes":[{"id":1,"name":"a","generation":1,"inputs":[{"input":1,"zone":"z"},{"input":1,"zone":"y"}]}]}`, "twice"},
	} {
		_, dir := site(t)
		if err := os.WriteFile(filepath.Join(dir, c.file), []byte(c.text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := Open(dir); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("Open with %s %q: %v, want an error that says %q", c.file, c.text, err, c.want)
		}
	}
}

// TestIdsAreNeverUsedTwice: shut out is for ever, so what follows gets a new id; names of nodes in use are unique.
func TestIdsAreNeverUsedTwice(t *testing.T) {
	r, _ := site(t)
	river, ridge := add(t, r, "river-gate").ID, add(t, r, "ridge-gate").ID
	if river != 1 || ridge != 2 {
		t.Errorf("the first ids are %d and %d, want 1 and 2", river, ridge)
	}
	if _, err := r.Add(Node{Name: "river-gate"}); err == nil {
		t.Error("two nodes in use have one name")
	}
	group := r.GroupGen
	spare, err := r.Swap("ridge-gate")
	if err != nil || spare.ID != 3 || spare.Gen != 1 || spare.Name != "ridge-gate" || spare.Zone(0) != "ridge-gate" {
		t.Errorf("Swap = %+v, %v; want node 3 with the name and zone of the old one", spare, err)
	}
	if !r.Node(2).Revoked || r.GroupGen != group+1 {
		t.Errorf("after Swap the old node is revoked: %v, the group key moved on: %v", r.Node(2).Revoked, r.GroupGen != group)
	}
	if n, err := r.Named("ridge-gate"); err != nil || n.ID != 3 {
		t.Errorf("Named gives %+v, %v; want the spare", n, err)
	}
	if _, err := r.Revoke("cattle-grid"); err == nil || !strings.Contains(err.Error(), "river-gate") {
		t.Errorf("Revoke of a node that is not there: %v, want the names there are", err)
	}
	for len(r.Nodes) < proto.MaxNode {
		r.Nodes = append(r.Nodes, Node{ID: uint8(len(r.Nodes) + 1), Name: "old", Gen: 1, Revoked: true})
	}
	if _, err := r.Add(Node{Name: "one-too-many"}); err == nil || !strings.Contains(err.Error(), "never used twice") {
		t.Errorf("Add beyond the last id: %v", err)
	}
	if err := r.Save(); err != nil {
		t.Errorf("Save: %v", err)
	}
}

func TestRekey(t *testing.T) {
	r, _ := site(t)
	before, _ := r.NodeKey(add(t, r, "river-gate"))
	now := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	n, err := r.Rekey("river-gate", now)
	if err != nil || n.Gen != 2 || !n.Rekeyed.Equal(now) {
		t.Fatalf("Rekey = %+v, %v; want generation 2 from %s", n, err, now)
	}
	after, _ := r.NodeKey(n)
	if bytes.Equal(before, after) {
		t.Error("the new generation has the old key")
	}
	n.Gen = 255
	if _, err := r.Rekey("river-gate", now); err == nil || !strings.Contains(err.Error(), "swap") {
		t.Errorf("Rekey after the last generation: %v, want what to do", err)
	}
	other, _ := r.NodeKey(add(t, r, "ridge-gate"))
	if bytes.Equal(other, before) {
		t.Error("two nodes have one key")
	}
}

// TestFollow: a running gateway sees a change without a restart; a file that cannot be read leaves the old one in force.
func TestFollow(t *testing.T) {
	r, dir := site(t)
	add(t, r, "river-gate")
	if err := r.Save(); err != nil {
		t.Fatal(err)
	}
	c, err := Follow(dir)
	if err != nil {
		t.Fatal(err)
	}
	if changed, err := c.Refresh(); changed || err != nil {
		t.Errorf("Refresh without a change = %v, %v", changed, err)
	}
	add(t, r, "ridge-gate")
	if err := r.Save(); err != nil {
		t.Fatal(err)
	}
	if changed, err := c.Refresh(); !changed || err != nil || len(c.Get().Nodes) != 2 {
		t.Errorf("Refresh after a change = %v, %v, %d nodes", changed, err, len(c.Get().Nodes))
	}
	if err := os.WriteFile(filepath.Join(dir, rosterFile), []byte("{"), 0o600); err != nil {
		t.Fatal(err)
	}
	if changed, err := c.Refresh(); changed || err == nil || len(c.Get().Nodes) != 2 {
		t.Errorf("Refresh of a damaged file = %v, %v, %d nodes in force", changed, err, len(c.Get().Nodes))
	}
}
