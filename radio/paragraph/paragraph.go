// Package paragraph sets words for people: reports on a terminal that cannot be asked how wide it is, or that has said so.
package paragraph

import "strings"

// Wrap breaks text into lines of at most width characters, a longer word apart: the first behind first, the others behind indent. Each
// ends with a line feed.
func Wrap(text, first, indent string, width int) string {
	var b strings.Builder
	line, empty := first, true
	for word := range strings.FieldsSeq(text) {
		if !empty && len([]rune(line))+1+len([]rune(word)) > width {
			b.WriteString(line + "\n")
			line, empty = indent, true
		}
		if !empty {
			line += " "
		}
		line, empty = line+word, false
	}
	return b.String() + line + "\n"
}
