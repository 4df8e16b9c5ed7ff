// Package picture draws a plan: the map of the lane with its links, of each link the profile and the budget, what each setting
// would give, the months, and who breaks the beams for how long. A page holds all of it with the report.
//
//	pictures, err := picture.Of(p)
//	err = pictures[0].Write(file, picture.SVG)
//	err = picture.WritePage(file, p)
//
// On 32-bit ARM, whose boards have little room, there are none: the library that draws is a third of the program.
//
// They are to be read in print and by those who do not tell red from green: no meaning stands in colour alone, but also in dashes,
// hatching, shape or words. The colours are of the set of Okabe and Ito, "Color Universal Design", 2008 (from memory).
package picture

import (
	"errors"
	"regexp"
)

// Format is that of a file.
type Format string

// The formats.
const (
	SVG Format = "svg"
	PNG Format = "png"
)

// ErrNone is why there are no pictures on some machines.
var ErrNone = errors.New("this program was built for a small board (32-bit ARM) and draws no pictures: make the plan on another machine, or take its figures with --json")

// Picture is one of a plan.
type Picture struct {
	Name  string // of its file, without the ending: map, profile-A-B, budget-A-B, settings, months, dwell (dwell-HEIGHT where there are several)
	Title string
	Words string // what is to be seen, for those who do not see it

	drawing
}

var names = regexp.MustCompile(`^(map|settings|months|dwell|(profile|budget|dwell)-.+)$`)

// IsName reports whether the pictures of a plan, this or another, may have such a name: see Picture.Name.
func IsName(name string) bool { return names.MatchString(name) }
