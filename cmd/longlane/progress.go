package main

import (
	"fmt"
	"io"
	"os"
	"strings"
	"time"
	"unicode/utf8"

	"golang.org/x/term"
)

// progress is a bar on a terminal for work that takes longer than a second; elsewhere it writes nothing. It is plain text
// without colour.
type progress struct {
	w     io.Writer // nil: no terminal
	width int       // of the terminal, in characters
	what  string
	began time.Time
	shown int // characters of the line that stands there
}

// barAfter is how long work may take before it shows a bar.
const barAfter = time.Second

func newProgress(w io.Writer, what string) *progress {
	p := &progress{what: what, began: time.Now()}
	f, ok := w.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) || os.Getenv("TERM") == "dumb" {
		return p
	}
	p.w, p.width = w, 80
	if width, _, err := term.GetSize(int(f.Fd())); err == nil && width > 0 {
		p.width = width
	}
	return p
}

// show puts the share that is done, 0 to 1, in the place of the last one.
func (p *progress) show(share float64) {
	took := time.Since(p.began)
	if p.w == nil || took < barAfter {
		return
	}
	left := ""
	if share > 0 {
		left = fmt.Sprintf(", %v left", (time.Duration(float64(took) * (1 - share) / share)).Round(time.Second))
	}
	p.write(p.line(share, left))
}

// line fits into the terminal: one that wraps could not be overwritten.
func (p *progress) line(share float64, left string) string {
	tail := fmt.Sprintf(" %3.0f %%%s", 100*share, left)
	const least = 10 // of the bar, with its brackets
	room := p.width - 1 - utf8.RuneCountInString(tail)
	what := p.what + " "
	if utf8.RuneCountInString(what)+least > room {
		what = ""
	}
	cells := min(room-utf8.RuneCountInString(what)-2, 40)
	if cells < least-2 {
		return strings.TrimSpace(tail)
	}
	done := int(share * float64(cells))
	return what + "[" + strings.Repeat("#", done) + strings.Repeat(".", cells-done) + "]" + tail
}

func (p *progress) write(line string) {
	n := utf8.RuneCountInString(line)
	fmt.Fprint(p.w, "\r"+line+strings.Repeat(" ", max(0, p.shown-n)))
	p.shown = n
}

// clear takes the bar away.
func (p *progress) clear() {
	if p.shown > 0 {
		p.write("")
		fmt.Fprint(p.w, "\r")
	}
}
