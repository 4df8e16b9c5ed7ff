package planfiles

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"

	"longlane/gateway/config"
	"longlane/radio/paragraph"
)

// page is a TOML file that is written a line at a time, with what each figure follows from beside it.
type page struct{ bytes.Buffer }

// A comment begins here, and one that would go beyond the width stands above its line instead.
const commentColumn, width = 46, 128

// say writes lines of comment, each broken where it is too long, but for those that are indented: commands are copied.
func (p *page) say(format string, args ...any) {
	for line := range strings.SplitSeq(fmt.Sprintf(format, args...), "\n") {
		switch line = plain(line); {
		case line == "":
			p.WriteString("#\n")
		case line[0] == ' ':
			p.WriteString("# " + line + "\n")
		default:
			p.WriteString(paragraph.Wrap(line, "# ", "# ", width))
		}
	}
}

func (p *page) table(name string) { p.WriteString("\n" + name + "\n") }

// set writes a key, and why it is so.
func (p *page) set(key, value, why string) {
	line := key + " = " + value
	switch with := fmt.Sprintf("%-*s # %s", commentColumn, line, plain(why)); {
	case why == "":
	case len([]rune(with)) <= width:
		line = with
	default:
		p.say("%s", why)
	}
	p.WriteString(line + "\n")
}

// plain keeps a comment on its line, whatever a path or a name holds.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return '?'
		}
		return r
	}, s)
}

// quoted is a string of TOML. JSON's escapes are among those of TOML.
func quoted(s string) string {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	_ = e.Encode(s) // a string has no error
	return strings.ReplaceAll(strings.TrimSpace(b.String()), "\x7f", `\u007f`)
}

// exact always has its point, by which TOML tells it from a whole number.
func exact(v float64) string {
	s := strconv.FormatFloat(v, 'f', -1, 64)
	if !strings.Contains(s, ".") {
		s += ".0"
	}
	return s
}

// decibels are told to a hundredth.
func decibels(v float64) string { return exact(math.Round(100*v)/100 + 0) } // + 0: no minus before a zero

// lasting is a time as the programs' own files have it: 15m, where time.Duration has 15m0s.
func lasting(d time.Duration) string { return config.Duration(d).String() }
