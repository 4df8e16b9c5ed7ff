package gateway

import (
	"strings"
	"unicode"
)

// Printable makes somebody else's text fit for a line of a log: most characters of it, each one that can be seen.
func Printable(s string, most int) string {
	out := []rune{}
	for _, r := range strings.ToValidUTF8(s, "?") {
		if len(out) == most {
			return string(out) + " ..."
		}
		if !unicode.IsPrint(r) {
			r = ' '
		}
		out = append(out, r)
	}
	return strings.TrimSpace(string(out))
}
