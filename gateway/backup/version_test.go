package backup

import (
	"encoding/json"
	"flag"
	"hash/crc32"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var writeGolden = flag.Bool("golden", false, "write testdata/format-1.backup anew; only when its format has never been released")

func crc(s string) uint32 { return crc32.Checksum([]byte(s), crc32.MakeTable(crc32.Castagnoli)) }

// crafted is a backup whose manifest says something else, and which may hold more.
func (s *site) crafted(more map[string][]byte, edit func(m map[string]any)) {
	s.t.Helper()
	b := s.collect()
	for name, data := range more {
		b.data[name] = data
		b.Manifest.Files = append(b.Manifest.Files, File{Name: name, Size: int64(len(data)), SHA256: sum(data)})
	}
	text, err := json.Marshal(b.Manifest)
	s.must(err)
	var m map[string]any
	s.must(json.Unmarshal(text, &m))
	edit(m)
	manifest, err := json.Marshal(m)
	s.must(err)
	inside, err := b.packWith(manifest)
	s.must(err)
	sealed, err := seal(inside, words)
	s.must(err)
	s.must(os.WriteFile(s.where, sealed, 0o600))
}

// One version up is read as far as it is known, and what is not is named.
func TestNextFormat(t *testing.T) {
	s := newSite(t)
	before := s.files()
	s.crafted(map[string][]byte{"state/history.db": []byte("years")}, func(m map[string]any) {
		m["format"], m["readable_from"], m["machine"] = 2, 1, "mast"
		m["files"].([]any)[0].(map[string]any)["owner"] = "longlane"
	})
	b, err := Open(s.where, say(words))
	s.must(err)
	if got, want := strings.Join(b.Ignored, ", "), "field files.owner, field machine, file state/history.db"; got != want {
		t.Errorf("left out: %s; want %s", got, want)
	}
	s.wipe()
	s.must(s.restore())
	s.same(before)
}

// One that says that it cannot be read is not, and the owner learns what can read it.
func TestFormatTooNew(t *testing.T) {
	s := newSite(t)
	s.crafted(nil, func(m map[string]any) { m["format"], m["readable_from"], m["version"] = 3, 3, "v9.8.7" })
	_, err := Open(s.where, say(words))
	for _, want := range []string{s.where, "found format 3", "expected one that format 1 reads", "v9.8.7"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
}

// A manifest that does not fit what stands behind it is refused, although the passphrase is right.
func TestManifestLies(t *testing.T) {
	file := func(m map[string]any, i int) map[string]any { return m["files"].([]any)[i].(map[string]any) }
	for name, c := range map[string]struct {
		edit func(m map[string]any)
		want string
	}{
		"size":       {func(m map[string]any) { file(m, 0)["size"] = 1 }, "expected 1 bytes"},
		"sum":        {func(m map[string]any) { file(m, 1)["sha256"] = "00" }, "SHA-256"},
		"absent":     {func(m map[string]any) { file(m, 1)["name"] = "other" }, "found no other"},
		"not listed": {func(m map[string]any) { m["files"] = m["files"].([]any)[1:] }, "does not list"},
		"twice":      {func(m map[string]any) { m["files"] = append(m["files"].([]any), file(m, 0)) }, "listed twice"},
		"no format":  {func(m map[string]any) { delete(m, "format") }, "expected format 1 or later"},
		"a word":     {func(m map[string]any) { m["format"] = "one" }, "expected format 1 or later"},
		"site":       {func(m map[string]any) { m["site"] = "mill-lane" }, "expected the same"},
	} {
		t.Run(name, func(t *testing.T) {
			s := newSite(t)
			s.crafted(nil, c.edit)
			if _, err := Open(s.where, say(words)); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v, want %q", err, c.want)
			}
		})
	}
}

// The golden file of format 1 is read for ever. Its paths lie under /golden, so it is opened and not restored.
func TestGolden(t *testing.T) {
	path := filepath.Join("testdata", "format-1.backup")
	if *writeGolden {
		s := newSite(t)
		b := s.collect()
		for i, f := range b.Manifest.Files {
			b.Manifest.Files[i].Path = strings.Replace(f.Path, s.dir, "/golden", 1)
		}
		text := strings.ReplaceAll(string(b.data[configName]), s.dir, "/golden")
		b.data[configName] = []byte(text)
		b.Manifest.Files[0].Size, b.Manifest.Files[0].SHA256 = int64(len(text)), sum([]byte(text))
		workFactor = 16
		s.must(b.Save(path, say(words)))
	}
	b, err := Open(path, say(words))
	if err != nil {
		t.Fatal(err)
	}
	m := b.Manifest
	if m.Format != 1 || m.ReadableFrom != 1 || m.Site != "hill-orchard" || m.Gateway != "house" || m.Version != "v1.2.3" || b.Nodes() != 2 ||
		!b.HasMarks() || len(b.Ignored) != 0 {
		t.Errorf("%+v, %d nodes, marks %v, left out %q", m, b.Nodes(), b.HasMarks(), b.Ignored)
	}
	var names []string
	for _, f := range m.Files {
		names = append(names, f.Name)
	}
	if got := strings.Join(names, " "); got != "longlane.toml embedded/password state/roster.json state/marks.copy state/site.secret" {
		t.Errorf("it holds %s", got)
	}
}
