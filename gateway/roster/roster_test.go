package roster

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"longlane/proto"
)

func site(t *testing.T, names ...string) (*Roster, string) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "state")
	r, err := Create(dir, "hill-orchard")
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range names {
		if _, err := r.Add(Node{Name: n, Inputs: []Input{{0, n}}}); err != nil {
			t.Fatal(err)
		}
	}
	save(t, r)
	return r, dir
}

func save(t *testing.T, r *Roster) {
	t.Helper()
	if err := r.Save(); err != nil {
		t.Fatal(err)
	}
}

// wantError checks that the error says what a person needs: each of the words.
func wantError(t *testing.T, what string, err error, words ...string) {
	t.Helper()
	if err == nil {
		t.Errorf("%s: no error", what)
		return
	}
	for _, w := range words {
		if !strings.Contains(err.Error(), w) {
			t.Errorf("%s: %q does not say %q", what, err, w)
		}
	}
}

func TestCreateAndOpen(t *testing.T) {
	r, dir := site(t, "river-gate", "ridge-gate")
	got, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	if got.Site != r.Site || got.SiteName != "hill-orchard" || len(got.Nodes) != 2 || got.Nodes[1].Name != "ridge-gate" {
		t.Errorf("Open = %+v, want what was saved", got)
	}
	for id := uint8(1); id <= 2; id++ {
		a, err1 := r.NodeKey(r.Node(id))
		b, err2 := got.NodeKey(got.Node(id))
		if err := errors.Join(err1, err2); err != nil || !bytes.Equal(a, b) || len(a) != proto.KeySize {
			t.Errorf("node %d: key %x then %x (%v)", id, a, b, err)
		}
	}
	_, err = Create(dir, "hill-orchard")
	wantError(t, "Create over a site", err, "exists already", "site.secret")
	if again, err := Open(dir); err != nil || again.Site != r.Site {
		t.Errorf("after a refused Create the site is %v, %v", again, err)
	}
}

// TestHalfASite: with one of the two files gone nothing is overwritten, and the error says what is there, what is missing
// and what to do.
func TestHalfASite(t *testing.T) {
	_, lostSecret := site(t, "river-gate", "ridge-gate")
	_, damaged := site(t, "river-gate")
	if err := os.WriteFile(filepath.Join(damaged, "roster.json"), []byte("{"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, lostRoster := site(t, "river-gate")
	for what, c := range map[string]struct {
		dir, gone, stays string
		words            []string
	}{
		"the secret is lost": {lostSecret, "site.secret", "roster.json",
			[]string{lostSecret, "roster.json is there and names 2 nodes", "site.secret", "is missing", "restore site.secret", "move roster.json away", "new cards"}},
		"the secret is lost and the roster damaged": {damaged, "site.secret", "roster.json",
			[]string{damaged, "roster.json is there and cannot be read", "restore site.secret"}},
		"the roster is lost": {lostRoster, "roster.json", "site.secret",
			[]string{lostRoster, "site.secret is there", "restore roster.json", "move site.secret away", "new cards"}},
	} {
		if err := os.Remove(filepath.Join(c.dir, c.gone)); err != nil {
			t.Fatal(err)
		}
		before, err := os.ReadFile(filepath.Join(c.dir, c.stays))
		if err != nil {
			t.Fatal(err)
		}
		_, err = Open(c.dir)
		wantError(t, "Open, "+what, err, c.words...)
		if errors.Is(err, ErrNone) {
			t.Errorf("%s: Open passes it for a site never set up", what)
		}
		_, err = Create(c.dir, "hill-orchard")
		wantError(t, "Create, "+what, err, c.stays)
		after, err := os.ReadFile(filepath.Join(c.dir, c.stays))
		if err != nil || !bytes.Equal(before, after) {
			t.Errorf("%s: %s was %q and is %q (%v)", what, c.stays, before, after, err)
		}
		if err := os.Rename(filepath.Join(c.dir, c.stays), filepath.Join(c.dir, "away")); err != nil {
			t.Fatal(err)
		}
		if _, err := Create(c.dir, "hill-orchard"); err != nil {
			t.Errorf("%s: the advice was followed, and Create says %v", what, err)
		}
	}
}

// TestCreateAfterACrash: what a set-up leaves that ended between its two writes does not stand in the way of the next.
func TestCreateAfterACrash(t *testing.T) {
	r, dir := site(t)
	if err := os.Rename(filepath.Join(dir, "site.secret"), filepath.Join(dir, ".site.secret-123")); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(dir); !errors.Is(err, ErrNone) {
		t.Errorf("Open after half a set-up: %v, want ErrNone", err)
	}
	again, err := Create(dir, "hill-orchard")
	if err != nil {
		t.Fatalf("Create after half a set-up: %v", err)
	}
	if got, err := Open(dir); err != nil || got.Site != again.Site || bytes.Equal(got.secret, r.secret) {
		t.Errorf("Open = %+v, %v; want the second set-up", got, err)
	}
}

func TestOpenNothing(t *testing.T) {
	_, err := Open(t.TempDir())
	if !errors.Is(err, ErrNone) {
		t.Errorf("Open = %v, want ErrNone", err)
	}
	wantError(t, "Open of an empty directory", err, "enrol add")
}

// Two sites have nothing in common.
func TestSitesDiffer(t *testing.T) {
	a, _ := site(t, "river-gate")
	b, _ := site(t, "river-gate")
	ka, _ := a.NodeKey(a.Node(1))
	kb, _ := b.NodeKey(b.Node(1))
	if bytes.Equal(ka, kb) || bytes.Equal(a.secret, b.secret) {
		t.Errorf("two sites share keys")
	}
}

// No key is in the roster, and no file is for others to read.
func TestFilesArePrivate(t *testing.T) {
	r, dir := site(t, "river-gate")
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(entries) != 2 {
		t.Errorf("%d files, want the secret and the roster", len(entries))
	}
	for _, e := range entries {
		st, err := e.Info()
		if err != nil || st.Mode().Perm() != 0o600 {
			t.Errorf("%s has mode %04o (%v), want 0600", e.Name(), st.Mode().Perm(), err)
		}
	}
	if st, err := os.Stat(dir); err != nil || st.Mode().Perm()&0o077 != 0 {
		t.Errorf("the directory has mode %v (%v)", st.Mode(), err)
	}
	text, err := os.ReadFile(filepath.Join(dir, "roster.json"))
	if err != nil {
		t.Fatal(err)
	}
	key, _ := r.NodeKey(r.Node(1))
	for _, secret := range [][]byte{r.secret, key} {
		if bytes.Contains(text, []byte(fmt.Sprintf("%x", secret))) {
			t.Errorf("the roster holds a key:\n%s", text)
		}
	}
	for _, name := range []string{"site.secret", "roster.json"} {
		path := filepath.Join(dir, name)
		for _, mode := range []os.FileMode{0o640, 0o604, 0o660} {
			if err := os.Chmod(path, mode); err != nil {
				t.Fatal(err)
			}
			_, err := Open(dir)
			wantError(t, fmt.Sprintf("%s with mode %04o", name, mode), err, "chmod 600", name)
		}
		if err := os.Chmod(path, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

func TestDamagedFiles(t *testing.T) {
	for _, c := range []struct {
		file, text string
		words      []string
	}{
		{"site.secret", "abc\n", []string{"site.secret", "64 hexadecimal digits"}},
		{"site.secret", strings.Repeat("zz", 32), []string{"site.secret", "64 hexadecimal digits"}},
		{"site.secret", "", []string{"site.secret", "64 hexadecimal digits"}},
		{"roster.json", "", []string{"roster.json"}},
		{"roster.json", "{", []string{"roster.json"}},
		{"roster.json", `{"format":1,"colour":3}`, []string{"roster.json", "colour"}},
		{"roster.json", `{"format":2}`, []string{"roster.json", "format 2"}},
		{"roster.json", `{"format":1,"nodes":[{"id":0,"name":"a","generation":1}]}`, []string{"id 0", "1 to 239"}},
		{"roster.json", `{"format":1,"nodes":[{"id":240,"name":"a","generation":1}]}`, []string{"id 240"}},
		{"roster.json", `{"format":1,"nodes":[{"id":1,"name":"A b","generation":1}]}`, []string{"A b", "small letters"}},
		{"roster.json", `{"format":1,"nodes":[{"id":1,"name":"a","generation":1},{"id":1,"name":"b","generation":1}]}`, []string{"two nodes have id 1"}},
		{"roster.json", `{"format":1,"nodes":[{"id":1,"name":"a","generation":1},{"id":2,"name":"a","generation":1}]}`, []string{"two nodes", `"a"`}},
		{"roster.json", `{"format":1,"nodes":[{"id":1,"name":"a","generation":1,"inputs":[{"input":16,"zone":"a"}]}]}`, []string{"input 16"}},
		{"roster.json", `{"format":1,"nodes":[{"id":1,"name":"a","generation":1,"inputs":[{"input":1,"zone":"#"}]}]}`, []string{"zone"}},
		{"roster.json", `{"format":1,"nodes":[{"id":1,"name":"a","generation":1,"inputs":[{"input":1,"zone":"b"},{"input":1,"zone":"c"}]}]}`, []string{"input 1 twice"}},
		{"roster.json", `{"format":1,"nodes":[{"id":1,"name":"a","generation":1,"inputs":[{"input":1,"zone":"b"},{"input":2,"zone":"b"}]}]}`, []string{`zone "b"`}},
		{"roster.json", `{"format":1,"nodes":[{"id":1,"name":"a","generation":1,"inputs":[{"input":1,"zone":"z"}]},{"id":2,"name":"b","generation":1,"inputs":[{"input":1,"zone":"z"}]}]}`, []string{`zone "z"`, `"a"`, `"b"`}},
		{"roster.json", `{"format":1,"nodes":[]}{"format":1}`, []string{"roster.json"}},
		{"roster.json", `{"format":1,"site_name":"x","nodes":[]} trailing`, []string{"roster.json"}},
	} {
		_, dir := site(t, "river-gate")
		if err := os.WriteFile(filepath.Join(dir, c.file), []byte(c.text), 0o600); err != nil {
			t.Fatal(err)
		}
		_, err := Open(dir)
		wantError(t, fmt.Sprintf("%s = %q", c.file, c.text), err, c.words...)
	}
	_, dir := site(t, "river-gate")
	if err := os.Remove(filepath.Join(dir, "roster.json")); err != nil {
		t.Fatal(err)
	}
	_, err := Open(dir)
	wantError(t, "a secret without a roster", err, "roster.json")
	if errors.Is(err, ErrNone) {
		t.Errorf("a lost roster passes for a site never set up")
	}
}

// An unsaved change that breaks the rules is refused by Save, and the file stays.
func TestSaveRefuses(t *testing.T) {
	r, dir := site(t, "river-gate")
	r.Nodes[0].Name = "River Gate"
	wantError(t, "Save", r.Save(), "River Gate")
	if got, err := Open(dir); err != nil || got.Nodes[0].Name != "river-gate" {
		t.Errorf("the file was touched: %v, %v", got, err)
	}
}

// Ids are never used twice, also not those of nodes that were revoked.
func TestIDsAreNeverUsedTwice(t *testing.T) {
	r, _ := site(t, "river-gate")
	seen := map[uint8]bool{1: true}
	for i := 2; i <= proto.MaxNode; i++ {
		if _, err := r.Revoke("river-gate"); err != nil {
			t.Fatal(err)
		}
		n, err := r.Add(Node{Name: "river-gate"})
		if err != nil {
			t.Fatal(err)
		}
		if seen[n.ID] || n.Gen != 1 {
			t.Fatalf("id %d, generation %d was given again", n.ID, n.Gen)
		}
		seen[n.ID] = true
	}
	before, group := len(r.Nodes), r.GroupGen
	_, err := r.Add(Node{Name: "one-more"})
	wantError(t, "the 240th node", err, "239")
	_, err = r.Swap("river-gate")
	wantError(t, "a spare for the 239th", err, "swap: ", "239")
	if n, err := r.Named("river-gate"); len(r.Nodes) != before || r.GroupGen != group || err != nil {
		t.Errorf("a refusal left %d nodes, group generation %d, river-gate %v (%v); want %d, %d and a node in use",
			len(r.Nodes), r.GroupGen, n, err, before, group)
	}
}

// What is refused leaves nothing behind.
func TestAddRefuses(t *testing.T) {
	r, _ := site(t, "river-gate")
	for what, c := range map[string]struct {
		n     Node
		words []string
	}{
		"a name that is taken": {Node{Name: "river-gate"}, []string{"exists already", "rekey or swap"}},
		"a bad name":           {Node{Name: "Shed!"}, []string{"Shed!"}},
		"a bad zone":           {Node{Name: "shed", Inputs: []Input{{0, "a/b"}}}, []string{"a/b"}},
		"a zone that is taken": {Node{Name: "shed", Inputs: []Input{{0, "shed"}, {1, "river-gate"}}},
			[]string{`zone "river-gate" is watched by "river-gate" (node 1)`, "enrol swap river-gate"}},
		"a zone named twice":   {Node{Name: "shed", Inputs: []Input{{0, "a"}, {1, "a"}}}, []string{`zone "a" with two inputs`}},
		"an input named twice": {Node{Name: "shed", Inputs: []Input{{1, "a"}, {1, "b"}}}, []string{"input 1 twice"}},
	} {
		_, err := r.Add(c.n)
		wantError(t, what, err, c.words...)
		if err != nil && strings.Contains(err.Error(), "roster.json") {
			t.Errorf("%s reads as a damaged file: %v", what, err)
		}
		if len(r.Nodes) != 1 {
			t.Errorf("%s: the roster has %d nodes after the refusal, want 1", what, len(r.Nodes))
			r.Nodes = r.Nodes[:1]
		}
	}
}

func TestRekeyRevokeSwap(t *testing.T) {
	r, dir := site(t, "river-gate", "ridge-gate")
	old, _ := r.NodeKey(r.Node(1))
	group, _ := r.GroupKey()
	at := time.Date(2026, 6, 1, 12, 0, 0, 123, time.Local)
	n, err := r.Rekey("river-gate", at)
	if err != nil || n.Gen != 2 || !n.Rekeyed.Equal(at) {
		t.Fatalf("Rekey = %+v, %v; want generation 2 at %v", n, err, at)
	}
	now, _ := r.NodeKey(n)
	if bytes.Equal(old, now) {
		t.Errorf("the key did not change")
	}
	save(t, r)
	if got, err := Open(dir); err != nil || got.Node(1).Gen != 2 || !got.Node(1).Rekeyed.Equal(at) {
		t.Errorf("after Save and Open: %+v, %v", got.Node(1), err)
	}
	n.Gen = 255
	_, err = r.Rekey("river-gate", at)
	wantError(t, "the 256th generation", err, "swap")

	spare, err := r.Swap("river-gate")
	if err != nil || spare.ID != 3 || spare.Gen != 1 || spare.Name != "river-gate" || len(spare.Inputs) != 1 || spare.Inputs[0].Zone != "river-gate" {
		t.Fatalf("Swap = %+v, %v; want id 3 with the same name and zone", spare, err)
	}
	if !r.Node(1).Revoked {
		t.Errorf("the old node is not revoked")
	}
	if g, _ := r.GroupKey(); bytes.Equal(g, group) {
		t.Errorf("the group key, which the old node knows, did not change")
	}
	if got, err := r.Named("river-gate"); err != nil || got.ID != 3 {
		t.Errorf("Named = %+v, %v; want the spare", got, err)
	}
	spare.Inputs[0].Zone = "other"
	if r.Node(1).Inputs[0].Zone != "river-gate" {
		t.Errorf("the two share their inputs")
	}
	if _, err := r.Revoke("ridge-gate"); err != nil {
		t.Error(err)
	}
	for what, f := range map[string]func() (*Node, error){
		"revoke": func() (*Node, error) { return r.Revoke("ridge-gate") },
		"re-key": func() (*Node, error) { return r.Rekey("ridge-gate", at) },
		"swap":   func() (*Node, error) { return r.Swap("ridge-gate") },
	} {
		_, err := f()
		wantError(t, what+" of a revoked node", err, what+": ", "ridge-gate", "river-gate")
	}
}

// TestRekeyWithoutAClock: what a clock that was never set shows is not recorded, also not in place of an earlier date.
func TestRekeyWithoutAClock(t *testing.T) {
	r, dir := site(t, "river-gate")
	set := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	for gen, c := range []struct{ at, want time.Time }{
		{set, set},
		{time.Unix(86400, 0), time.Time{}},
		{set.Add(time.Hour), set.Add(time.Hour)},
		{set.Add(-1), time.Time{}},
		{time.Time{}, time.Time{}},
	} {
		if _, err := r.Rekey("river-gate", c.at); err != nil {
			t.Fatal(err)
		}
		save(t, r)
		got, err := Open(dir)
		if err != nil {
			t.Fatal(err)
		}
		if n := got.Node(1); !n.Rekeyed.Equal(c.want) || int(n.Gen) != gen+2 {
			t.Errorf("re-keyed at %v: generation %d at %v, want %d at %v", c.at, n.Gen, n.Rekeyed, gen+2, c.want)
		}
	}
}

// The group key in use follows the group generation.
func TestGroupKeysFollow(t *testing.T) {
	r, _ := site(t, "river-gate", "ridge-gate")
	seal := func() []byte {
		k, err := r.Group()
		if err != nil {
			t.Fatal(err)
		}
		f, err := proto.Seal(nil, k, proto.Header{Type: proto.TypeBeacon, Site: r.Site, Node: 240, Counter: 1}, &proto.Beacon{})
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	before := seal()
	if _, err := r.Revoke("ridge-gate"); err != nil {
		t.Fatal(err)
	}
	if bytes.Equal(before, seal()) {
		t.Errorf("after a revocation the group's working keys are the old ones")
	}
}

func TestZone(t *testing.T) {
	n := Node{Name: "river-gate", Inputs: []Input{{2, "cattle-grid"}}}
	for in, want := range map[uint8]string{2: "cattle-grid", 0: "river-gate-input-0"} {
		if got := n.Zone(in); got != want {
			t.Errorf("Zone(%d) = %q, want %q", in, got, want)
		}
	}
}

func TestFollow(t *testing.T) {
	r, dir := site(t, "river-gate")
	c, err := Follow(dir)
	if err != nil {
		t.Fatal(err)
	}
	if changed, err := c.Refresh(); changed || err != nil {
		t.Errorf("Refresh = %v, %v with nothing changed", changed, err)
	}
	held := c.Get()
	for i := range 50 { // also within one tick of the file system's clock
		if _, err := r.Rekey("river-gate", time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)); err != nil {
			t.Fatal(err)
		}
		save(t, r)
		if changed, err := c.Refresh(); !changed || err != nil {
			t.Fatalf("change %d: Refresh = %v, %v; want true", i, changed, err)
		}
		if got := c.Get().Node(1).Gen; got != r.Node(1).Gen {
			t.Fatalf("change %d: generation %d, want %d", i, got, r.Node(1).Gen)
		}
	}
	if held.Node(1).Gen != 1 {
		t.Errorf("a roster that somebody holds was changed under him")
	}
	good := c.Get()
	path := filepath.Join(dir, "roster.json")
	if err := os.WriteFile(path, []byte("{"), 0o600); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if changed, err := c.Refresh(); changed || err == nil || c.Get() != good {
			t.Errorf("Refresh of a damaged file = %v, %v; want an error and the old roster", changed, err)
		}
	}
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	if changed, err := c.Refresh(); changed || err == nil || c.Get() != good {
		t.Errorf("Refresh without a file = %v, %v; want an error and the old roster", changed, err)
	}
	save(t, r)
	if changed, err := c.Refresh(); !changed || err != nil {
		t.Errorf("Refresh of the mended file = %v, %v; want true", changed, err)
	}
}

// A write that is interrupted leaves the old file: the new one has another name until it is whole.
func TestNoRemains(t *testing.T) {
	r, dir := site(t, "river-gate")
	for range 20 {
		save(t, r)
	}
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != 2 {
		t.Errorf("%d files (%v), want 2: temporary ones are left", len(entries), err)
	}
}

func FuzzOpen(f *testing.F) {
	dir := f.TempDir()
	if _, err := Create(dir, "hill-orchard"); err != nil {
		f.Fatal(err)
	}
	f.Add([]byte(`{"format":1,"site_name":"x","site":7,"group_generation":1,"nodes":[{"id":1,"name":"a","generation":1,"inputs":[{"input":0,"zone":"a"}]}]}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		if err := os.WriteFile(filepath.Join(dir, "roster.json"), text, 0o600); err != nil {
			t.Fatal(err)
		}
		r, err := Open(dir)
		if err != nil {
			return
		}
		if err := r.Save(); err != nil {
			t.Fatalf("what was read cannot be written: %v", err)
		}
		a, _ := os.ReadFile(filepath.Join(dir, "roster.json"))
		again, err := Open(dir)
		if err != nil {
			t.Fatalf("what was written cannot be read: %v", err)
		}
		if err := again.Save(); err != nil {
			t.Fatal(err)
		}
		if b, _ := os.ReadFile(filepath.Join(dir, "roster.json")); !bytes.Equal(a, b) {
			t.Fatalf("written\n%s\nthen\n%s", a, b)
		}
	})
}
