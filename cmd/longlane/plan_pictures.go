package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"longlane/gateway/wholefile"
	"longlane/radio/plan"
	"longlane/radio/plan/picture"
)

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
	switch {
	case flag == "":
		return nil
	case between != "":
		return badUsage("%s: the pictures are of a whole plan; found --between too, expected one of the two", flag)
	case !picture.Draws:
		return badUsage("%s: %w", flag, picture.ErrNone)
	}
	return nil
}

// forAll lets everybody read a file: a plan holds no secret.
func forAll(f *os.File) error { return f.Chmod(0o644) }

// write draws. Each file stands there whole or not at all.
func (o *planPictures) write(p *plan.Plan) error {
	if o.page != "" {
		var b bytes.Buffer
		err := picture.WritePage(&b, p)
		if err == nil {
			err = wholefile.Write(o.page, b.Bytes(), wholefile.Options{Prepare: forAll})
		}
		if err != nil {
			return fmt.Errorf("--html: %w", err)
		}
	}
	return errors.Join(o.draw(p, o.svg, picture.SVG), o.draw(p, o.png, picture.PNG))
}

func (o *planPictures) draw(p *plan.Plan, dir string, f picture.Format) error {
	if dir == "" {
		return nil
	}
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
		return fmt.Errorf("--%s: %w", f, err)
	}
	return nil
}
