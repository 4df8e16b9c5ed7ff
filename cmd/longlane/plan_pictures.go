package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"longlane/gateway/wholefile"
	"longlane/radio/plan"
	"longlane/radio/plan/picture"
)

// pageHead is how a page begins.
const pageHead = "<!DOCTYPE html>"

// planPictures are the files that a plan is drawn into; empty: none.
type planPictures struct{ page, svg, png string }

func (o *planPictures) flags(c *call) {
	c.StringVar(&o.page, "html", "", "write a page with the plan, its pictures and the report into this `file`, which needs no other")
	c.StringVar(&o.svg, "svg", "", "draw the plan into this `directory`, each picture a file that ends in .svg; it is made if it is not there")
	c.StringVar(&o.png, "png", "", "the same into this `directory`, each a file that ends in .png")
}

// given are the flags that were.
func (o *planPictures) given() string {
	switch {
	case o.page != "":
		return "--html"
	case o.svg != "":
		return "--svg"
	case o.png != "":
		return "--png"
	}
	return ""
}

// check refuses what cannot be, before the plan is made.
func (o *planPictures) check(between string) error {
	flag := o.given()
	for name, to := range map[string]string{"--html": o.page, "--svg": o.svg, "--png": o.png} {
		if to == "-" { // which stands for standard output elsewhere, and the report goes there
			return badUsage("%s: found \"-\", expected the name of a file or directory: standard output has the report", name)
		}
	}
	switch {
	case flag == "":
		return nil
	case between != "":
		return badUsage("%s: the pictures are of a whole plan; found --between too, expected one of the two", flag)
	case !picture.Draws:
		return badUsage("%s: %w", flag, picture.ErrNone)
	}
	return mayBePage(o.page)
}

// mayBePage refuses to write a page over a file that is none: who swaps the names of page and lane file must not lose the lane. A page of
// before is written anew.
func mayBePage(path string) error {
	info, err := os.Stat(path)
	switch {
	case err == nil && info.IsDir():
		return badUsage("--html: found %s, a directory, expected the name of a file, such as plan.html", path)
	case err != nil || !info.Mode().IsRegular():
		return nil // nothing to lose; if it cannot be written, writing says why
	}
	f, err := os.Open(path)
	if err != nil {
		return badUsage("--html: %w", err)
	}
	defer func() { _ = f.Close() }()
	head, err := io.ReadAll(io.LimitReader(f, int64(len(pageHead))))
	if err != nil {
		return badUsage("--html: %w", err)
	}
	if len(head) > 0 && string(head) != pageHead {
		return badUsage("--html: found %s, a file that is no page, expected a name that is free, or a page to write anew; nothing was written", path)
	}
	return nil
}

// forAll lets everybody read a file: a plan holds no secret.
func forAll(f *os.File) error { return f.Chmod(0o644) }

// write draws. Each file stands there whole or not at all. What stood there before by a picture's name and is not of this plan is told, and left: it may be
// somebody's own.
func (o *planPictures) write(p *plan.Plan) (notes []string, err error) {
	if o.page != "" {
		var b bytes.Buffer
		err := picture.WritePage(&b, p)
		if err == nil {
			err = wholefile.Write(o.page, b.Bytes(), wholefile.Options{Prepare: forAll})
		}
		if err != nil {
			return nil, fmt.Errorf("--html: %w", err)
		}
	}
	for f, dir := range map[picture.Format]string{picture.SVG: o.svg, picture.PNG: o.png} {
		if dir == "" {
			continue
		}
		others, e := draw(p, dir, f)
		if e != nil {
			err = errors.Join(err, fmt.Errorf("--%s: %w", f, e))
		}
		if others != nil {
			notes = append(notes, fmt.Sprintf("--%s: %s holds pictures that are not of this plan: %s. They were left; delete them if they are of an earlier plan", f, dir, strings.Join(others, ", ")))
		}
	}
	slices.Sort(notes)
	return notes, err
}

// draw gives the names of what looks like a picture of a plan, and is none of this one.
func draw(p *plan.Plan, dir string, f picture.Format) (others []string, err error) {
	pictures, err := picture.Of(p)
	if err == nil {
		err = os.MkdirAll(dir, 0o755)
	}
	for i := range pictures {
		if err != nil {
			break
		}
		var b bytes.Buffer
		if err = pictures[i].Write(&b, f); err == nil {
			err = wholefile.Write(filepath.Join(dir, pictures[i].Name+"."+string(f)), b.Bytes(), wholefile.Options{Prepare: forAll})
		}
	}
	if err != nil {
		return nil, err
	}
	there, err := os.ReadDir(dir)
	for _, e := range there {
		name, ok := strings.CutSuffix(e.Name(), "."+string(f))
		if ok && picture.IsName(name) && !slices.ContainsFunc(pictures, func(q picture.Picture) bool { return q.Name == name }) {
			others = append(others, e.Name())
		}
	}
	return others, err
}
