package backup

import (
	"archive/tar"
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var writeGolden = flag.Bool("golden", false, "write the golden file of the newest format anew; only when that has never been released")

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
	s.must(os.WriteFile(s.where, sealed(s.t, inside), 0o600))
}

// One version up is read as far as it is known, and what is not is named.
func TestNextFormat(t *testing.T) {
	s := newSite(t)
	before := s.files()
	s.crafted(map[string][]byte{"state/ledger": []byte("years")}, func(m map[string]any) {
		m["format"], m["readable_from"], m["machine"] = 3, 1, "mast"
		m["files"].([]any)[0].(map[string]any)["owner"] = "longlane"
	})
	b, err := Open(s.t.Context(), s.where, say(words))
	s.must(err)
	if got, want := strings.Join(b.Ignored, ", "), "field files.owner, field machine, file state/ledger"; got != want {
		t.Errorf("left out: %s; want %s", got, want)
	}
	s.wipe()
	s.must(s.restore())
	s.same(before)
}

// One that says that it cannot be read is not, and the owner learns what can read it.
func TestFormatTooNew(t *testing.T) {
	s := newSite(t)
	s.crafted(nil, func(m map[string]any) { m["format"], m["readable_from"], m["version"] = 4, 4, "v9.8.7" })
	_, err := Open(s.t.Context(), s.where, say(words))
	for _, want := range []string{s.where, "found format 4", "expected one that format 2 reads", "v9.8.7"} {
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
			if _, err := Open(s.t.Context(), s.where, say(words)); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v, want %q", err, c.want)
			}
		})
	}
}

// The golden files of each format are read for ever. Their paths lie under /golden, so they are opened and not restored.
func TestGolden(t *testing.T) {
	if *writeGolden {
		s := newSite(t)
		s.history(3)
		b := s.collect()
		for i, f := range b.Manifest.Files {
			b.Manifest.Files[i].Path = strings.Replace(f.Path, s.dir, "/golden", 1)
		}
		b.Manifest.History.Path = strings.Replace(b.Manifest.History.Path, s.dir, "/golden", 1)
		text := strings.ReplaceAll(string(b.data[configName]), s.dir, "/golden")
		b.data[configName] = []byte(text)
		b.Manifest.Files[0].Size, b.Manifest.Files[0].SHA256 = int64(len(text)), sum([]byte(text))
		workFactor = 16
		s.must(b.Save(t.Context(), goldenFile(Format), say(words)))
	}
	for format, records := range []int{1: 0, 2: 4} {
		if format == 0 {
			continue
		}
		b, err := Open(t.Context(), goldenFile(format), say(words))
		if err != nil {
			t.Fatal(err)
		}
		m := b.Manifest
		if m.Format != format || m.ReadableFrom != 1 || m.Site != "hill-orchard" || m.Gateway != "house" || m.Version != "v1.2.3" || b.Nodes() != 2 ||
			!b.HasMarks() || len(b.Ignored) != 0 || b.History.Records != records {
			t.Errorf("%+v, %d nodes, marks %v, left out %q, history %+v", m, b.Nodes(), b.HasMarks(), b.Ignored, b.History)
		}
		var names []string
		for _, f := range m.Files {
			names = append(names, f.Name)
		}
		if got := strings.Join(names, " "); got != "longlane.toml embedded/password state/roster.json state/marks.copy state/site.secret" {
			t.Errorf("format %d: it holds %s", format, got)
		}
	}
}

func goldenFile(format int) string {
	return filepath.Join("testdata", fmt.Sprintf("format-%d.backup", format))
}

// TestOlderReader: what a reader of format 1 did with a file still does for one with a history: the tar, and what is behind it ignored.
func TestOlderReader(t *testing.T) {
	s := newSite(t)
	s.history(3)
	s.save()
	f, err := os.Open(s.where)
	s.must(err)
	defer f.Close()
	inside, err := decrypt(s.where, f, words)
	s.must(err)
	all, err := io.ReadAll(inside)
	s.must(err)
	r := tar.NewReader(bytes.NewReader(all))
	names, manifest := []string{}, struct {
		ReadableFrom int `json:"readable_from"`
		Files        []File
	}{}
	for h, err := r.Next(); err != io.EOF; h, err = r.Next() {
		s.must(err)
		if len(names) == 0 {
			s.must(json.NewDecoder(r).Decode(&manifest))
		}
		names = append(names, h.Name)
	}
	if manifest.ReadableFrom != 1 || len(names) != len(manifest.Files)+1 || len(names) != 6 {
		t.Errorf("readable from %d; the tar holds %q", manifest.ReadableFrom, names)
	}
}
