package paragraph

import "testing"

// Lines are as long as they may be and no longer, in characters and not in bytes; a word is never cut.
func TestWrap(t *testing.T) {
	for _, c := range []struct {
		text, first, indent string
		width               int
		want                string
	}{
		{"", "", "  ", 10, "\n"},
		{"one two three", "", "", 7, "one two\nthree\n"},
		{"one two three", "", "", 6, "one\ntwo\nthree\n"},
		{"one  two\nthree", "* ", "  ", 9, "* one two\n  three\n"},
		{"süß süß süß", "", "", 7, "süß süß\nsüß\n"},
		{"interruption of it", "", "  ", 5, "interruption\n  of\n  it\n"},
	} {
		if got := Wrap(c.text, c.first, c.indent, c.width); got != c.want {
			t.Errorf("Wrap(%q, %q, %q, %d) = %q, want %q", c.text, c.first, c.indent, c.width, got, c.want)
		}
	}
}
