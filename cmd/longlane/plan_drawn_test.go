//go:build !arm

// Of the build that draws; what the other one says is in TestPlanPictureMistakes.

package main

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"errors"
	"image/png"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// TestPlanPictures: one run writes the page and both directories, each picture whole and by its name, and prints what it prints without
// them, in text and in JSON.
func TestPlanPictures(t *testing.T) {
	dir, file := t.TempDir(), filepath.Join(lanes, "hill-orchard.toml")
	page, svg, pngs := filepath.Join(dir, "plan.html"), filepath.Join(dir, "new", "svg"), filepath.Join(dir, "png")
	for _, form := range [][]string{{"plan", file}, {"plan", "--json", file}} {
		_, plain, _ := cli("", form...)
		code, out, errs := cli("", append(form, "--html", page, "--svg", svg, "--png", pngs)...)
		if code != exitDone || errs != "" || out != plain || out == "" {
			t.Errorf("%q with pictures: exit code %d, %q, %d bytes; %d without them", form, code, errs, len(out), len(plain))
		}
	}
	var names []string
	for _, link := range []string{"cattle-grid-house", "ridge-gate-oak-relay", "oak-relay-house", "river-gate-oak-relay"} {
		names = append(names, "profile-"+link, "budget-"+link)
	}
	names = append(names, "map", "settings", "months", "dwell")
	slices.Sort(names)
	for _, c := range []struct {
		dir, ending string
		check       func([]byte) error
	}{
		{svg, ".svg", func(b []byte) error {
			for d := xml.NewDecoder(bytes.NewReader(b)); ; {
				if _, err := d.Token(); errors.Is(err, io.EOF) {
					return nil
				} else if err != nil {
					return err
				}
			}
		}},
		{pngs, ".png", func(b []byte) error { _, err := png.Decode(bytes.NewReader(b)); return err }},
	} {
		entries, err := os.ReadDir(c.dir)
		if err != nil {
			t.Fatal(err)
		}
		var found []string
		for _, e := range entries {
			found = append(found, strings.TrimSuffix(e.Name(), c.ending))
			b, err := os.ReadFile(filepath.Join(c.dir, e.Name()))
			if err == nil {
				err = c.check(b)
			}
			if err != nil {
				t.Errorf("%s: %v", e.Name(), err)
			}
		}
		if !slices.Equal(found, names) {
			t.Errorf("%s has %q, want %q", c.ending, found, names)
		}
	}
	if b, err := os.ReadFile(page); err != nil || !bytes.HasPrefix(b, []byte("<!DOCTYPE html>")) || !bytes.Contains(b, []byte("The goal can be met.")) || !bytes.HasSuffix(b, []byte("</html>\n")) {
		t.Errorf("the page: %v, %.80s", err, b)
	}
}

// TestPlanPageOverOtherFile: a page never takes the place of a file that is none, such as the lane file itself; of one that is, it does.
func TestPlanPageOverOtherFile(t *testing.T) {
	dir := t.TempDir()
	written, err := os.ReadFile(filepath.Join(lanes, "hill-orchard.toml"))
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "lane.toml")
	if err := os.WriteFile(file, written, 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, errs := cli("", "plan", file, "--html", file)
	if code != exitUsage || out != "" || !strings.Contains(errs, "--html: found "+file+", a file that is no page, expected a name that is free") {
		t.Errorf("over the lane file: exit code %d, %q, %q", code, out, errs)
	}
	if b, err := os.ReadFile(file); err != nil || !bytes.Equal(b, written) {
		t.Errorf("the lane file is another one now: %v, %.40q", err, b)
	}
	for _, before := range []string{"", "<!DOCTYPE html>\n<p>a page of before"} {
		page := filepath.Join(dir, "plan.html")
		if err := os.WriteFile(page, []byte(before), 0o600); err != nil {
			t.Fatal(err)
		}
		if code, _, errs := cli("", "plan", file, "--html", page); code != exitDone {
			t.Errorf("over %q: exit code %d, %q", before, code, errs)
		}
		if b, err := os.ReadFile(page); err != nil || !bytes.HasSuffix(b, []byte("</html>\n")) {
			t.Errorf("over %q: %v, %.40q", before, err, b)
		}
	}
}

// TestPlanPicturesOfWhatCannotBe: a goal that cannot be met is drawn all the same, with exit code 1.
func TestPlanPicturesOfWhatCannotBe(t *testing.T) {
	page := filepath.Join(t.TempDir(), "plan.html")
	code, out, _ := cli("", "plan", filepath.Join(lanes, "hill-orchard.toml"), "--json", "--goal", "99.999 %, 200ms", "--html", page)
	if b, err := os.ReadFile(page); code != exitFailed || !json.Valid([]byte(out)) || err != nil || !bytes.Contains(b, []byte("The goal cannot be met:")) {
		t.Errorf("exit code %d, page: %v", code, err)
	}
}

// TestPlanPicturesOfBefore: pictures of an earlier plan are told by name and left, as is whatever else stands there; drawing the same plan again tells nothing.
func TestPlanPicturesOfBefore(t *testing.T) {
	lane, dir := filepath.Join(lanes, "hill-orchard.toml"), t.TempDir()
	own := []string{"photo.svg", "map.txt", "profile-a-b.svg", "dwell-70cm.svg", "map-of-mine.svg"}
	for _, name := range own {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(name), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for range 2 {
		code, _, errs := cli("", "plan", lane, "--svg", dir)
		if code != exitDone || errs != "longlane plan: --svg: "+dir+" holds pictures that are not of this plan: dwell-70cm.svg, profile-a-b.svg. They were left; delete them if they are of an earlier plan\n" {
			t.Errorf("exit code %d, %q", code, errs)
		}
	}
	for _, name := range own {
		if b, err := os.ReadFile(filepath.Join(dir, name)); err != nil || string(b) != name {
			t.Errorf("%s holds %q now, %v", name, b, err)
		}
		if err := os.Remove(filepath.Join(dir, name)); err != nil {
			t.Fatal(err)
		}
	}
	if code, _, errs := cli("", "plan", lane, "--svg", dir); code != exitDone || errs != "" {
		t.Errorf("the same plan again: exit code %d, %q", code, errs)
	}
}
