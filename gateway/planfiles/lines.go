package planfiles

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"time"
	"unicode"
)

// page is a TOML file that is written a line at a time, with what each figure follows from beside it.
type page struct{ bytes.Buffer }

const commentColumn = 46

// say writes lines of comment.
func (p *page) say(format string, args ...any) {
	for line := range strings.SplitSeq(fmt.Sprintf(format, args...), "\n") {
		p.WriteString(strings.TrimRight("# "+plain(line), " ") + "\n")
	}
}

func (p *page) table(name string) { p.WriteString("\n" + name + "\n") }

// set writes a key. A why of more than one line goes on below itself.
func (p *page) set(key, value, why string) {
	line := key + " = " + value
	for i, w := range strings.Split(why, "\n") {
		if i > 0 {
			line = ""
		}
		if w != "" {
			line = fmt.Sprintf("%-*s # %s", commentColumn, line, plain(w))
		}
		p.WriteString(line + "\n")
	}
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

// number always has its point, by which TOML tells it from a whole number.
func number(v float64) string {
	s := fmt.Sprintf("%.2f", v)
	if t := strings.TrimSuffix(s, "0"); s != "-0.00" {
		return t
	}
	return "0.0"
}

// lasting is a time without the zeros that Go writes behind it: 15m and not 15m0s.
func lasting(d time.Duration) string {
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}
