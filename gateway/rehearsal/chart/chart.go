// Package chart draws a rehearsal's report: how long trips took, how long stations were on the air in their worst hour against
// what is lawful, and what became of the frames that were lost.
//
//	err := chart.Write(file, report, chart.SVG)
//
// On 32-bit ARM, whose boards have little room, there is none: the library that draws is a third of the program. A rehearsal's
// JSON can be had there.
//
// It is to be read in print and by those who do not tell red from green: two colours that also differ in brightness, and no
// meaning in colour alone. They are blue and orange of the set of Okabe and Ito, "Color Universal Design", 2008 (from memory).
package chart

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"
)

// Format is that of the picture.
type Format string

// The formats.
const (
	SVG Format = "svg"
	PNG Format = "png"
)

// ErrNone is why there is no chart on some machines.
var ErrNone = errors.New("this program was built for a small board (32-bit ARM) and draws no charts: run the rehearsal on another machine, or take its figures with --json")

// FormatOf is the format that a file's name asks for.
func FormatOf(name string) (Format, error) {
	switch f := Format(strings.TrimPrefix(strings.ToLower(filepath.Ext(name)), ".")); f {
	case SVG, PNG:
		return f, nil
	}
	return "", fmt.Errorf("found %q, expected a name that ends in .svg or .png", name)
}
