package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"longlane/radio/plan/picture"
)

// TestPlanPictureMistakes: what cannot be drawn or written is told by its flag and leaves nothing behind, and nothing is printed.
func TestPlanPictureMistakes(t *testing.T) {
	dir, lane := t.TempDir(), filepath.Join(lanes, "hill-orchard.toml")
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, []byte("kept"), 0o600); err != nil {
		t.Fatal(err)
	}
	cases := []struct {
		args []string
		want string
	}{
		{[]string{"--between", "river-gate,house", "--html", filepath.Join(dir, "a.html")}, "--html: the pictures are of a whole plan"},
		{[]string{"--between", "river-gate,house", "--svg", dir}, "--svg: the pictures are of a whole plan"},
		{[]string{"--between", "river-gate,house", "--png", dir}, "--png: the pictures are of a whole plan"},
	}
	for _, flag := range []string{"--html", "--svg", "--png"} {
		cases = append(cases, struct {
			args []string
			want string
		}{[]string{flag, "-"}, flag + `: found "-", expected the name of a file or directory`})
	}
	if picture.Draws {
		cases = append(cases, []struct {
			args []string
			want string
		}{
			{[]string{"--html", filepath.Join(dir, "nowhere", "a.html")}, "--html: write " + filepath.Join(dir, "nowhere", "a.html")},
			{[]string{"--html", dir}, "--html: found " + dir + ", a directory, expected the name of a file"},
			{[]string{"--html", file}, "--html: found " + file + ", a file that is no page"},
			{[]string{"--svg", file}, "--svg: mkdir " + file},
			{[]string{"--png", filepath.Join(file, "below")}, "--png: mkdir " + file},
		}...)
	} else {
		for _, flag := range []string{"--html", "--svg", "--png"} {
			cases = append(cases, struct {
				args []string
				want string
			}{[]string{flag, filepath.Join(dir, "a")}, flag + ": " + picture.ErrNone.Error()})
		}
	}
	for _, c := range cases {
		if code, out, errs := cli("", append([]string{"plan", lane}, c.args...)...); code != exitUsage || out != "" || !strings.Contains(errs, c.want) {
			t.Errorf("longlane plan %q: exit code %d, %q; want %d and %q", c.args, code, errs, exitUsage, c.want)
		}
	}
	entries, err := os.ReadDir(dir)
	if b, _ := os.ReadFile(file); err != nil || len(entries) != 1 || string(b) != "kept" {
		t.Errorf("left behind: %v, %v", entries, err)
	}
}
