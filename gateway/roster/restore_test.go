package roster

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"longlane/proto"
)

func files(t *testing.T, dir string) (secret, list []byte) {
	t.Helper()
	secret, err1 := os.ReadFile(filepath.Join(dir, SecretFile))
	list, err2 := os.ReadFile(filepath.Join(dir, ListFile))
	if err1 != nil || err2 != nil {
		t.Fatal(err1, err2)
	}
	return secret, list
}

// TestRestored: a site that is set up from copies of its files has the same nodes and keys, and gives no id that the old
// one may have given out meanwhile, so that no two nodes ever have one key.
func TestRestored(t *testing.T) {
	for _, have := range []int{0, 1, 5, 220, 237, 238, 239} {
		t.Run(fmt.Sprint(have, " nodes"), func(t *testing.T) {
			dir := t.TempDir()
			old, err := Create(dir, "hill-orchard")
			if err != nil {
				t.Fatal(err)
			}
			for i := range have {
				if _, err := old.Add(Node{Name: fmt.Sprintf("post-%d", i)}); err != nil {
					t.Fatal(err)
				}
			}
			save(t, old)
			secret, list := files(t, dir)
			copied, err := Parse(secret, list)
			if err != nil {
				t.Fatal(err)
			}
			restored, err := copied.Restored()
			if err != nil {
				t.Fatal(err)
			}
			now, err := Parse(secret, restored)
			if err != nil {
				t.Fatal(err)
			}
			if now.Site != old.Site || now.SiteName != old.SiteName || !bytes.Equal(now.secret, old.secret) {
				t.Errorf("the restored site is %q, %d", now.SiteName, now.Site)
			}
			for i := range have {
				n, err := now.Named(fmt.Sprintf("post-%d", i))
				if err != nil || old.Node(n.ID) == nil || old.Node(n.ID).Name != n.Name || n.Gen != 1 {
					t.Errorf("node %d is %+v, %v", i, n, err)
				}
			}
			after, err := now.Add(Node{Name: "new"})
			left := proto.MaxNode - have
			switch want := have + min(16, left/2) + 1; {
			case left == 0:
				if err == nil {
					t.Errorf("a node got id %d, though all are used", after.ID)
				}
			case err != nil:
				t.Errorf("no node can be added: %v", err)
			case int(after.ID) != want:
				t.Errorf("a new node gets id %d, want %d", after.ID, want)
			}
		})
	}
}

func TestParseRefuses(t *testing.T) {
	_, dir := site(t, "river-gate")
	secret, list := files(t, dir)
	for name, c := range map[string]struct {
		secret, list []byte
		want         string
	}{
		"a short secret":   {secret[:10], list, "site.secret: expected 64 hexadecimal digits"},
		"a list cut short": {secret, list[:len(list)/2], "roster.json"},
		"a format to come": {secret, bytes.Replace(list, []byte(`"format": 1`), []byte(`"format": 2`), 1), "format 2"},
	} {
		_, err := Parse(c.secret, c.list)
		wantError(t, name, err, c.want)
	}
}
