package modem

import "testing"

// TestCountedFirst: what a dialect hands on is in the figures already, by either dialect, though many come in one read: who has a frame
// must not read figures without it.
func TestCountedFirst(t *testing.T) {
	for name, c := range map[string]struct {
		speaks  func(s *session) dialect
		read    []byte // three that are handed on
		counted func(s Stats) uint64
	}{
		"framed": {func(s *session) dialect { return newFramed(s) },
			Append(Append(Append(nil, Received{Frame: []byte{1}}), Received{Frame: []byte{2}}), Received{Frame: []byte{3}}),
			func(s Stats) uint64 { return s.Line.Packets }},
		"lines": {func(s *session) dialect { return newLined(s, talkerDialect(t, "hex", unchanged), nil) },
			[]byte("heard 01 of 1\r\nnothing to do with it\r\nheard 02 of 1\r\n"),
			func(s Stats) uint64 { return s.Text.Lines }},
	} {
		m := &Modem{}
		handed := uint64(0)
		c.speaks(&session{m: m}).parse(c.read, 0, func(any) {
			if handed++; c.counted(m.Stats()) != handed {
				t.Errorf("%s: number %d is handed on, and %d are counted", name, handed, c.counted(m.Stats()))
			}
		})
		if handed != 3 {
			t.Errorf("%s: %d were handed on, want 3", name, handed)
		}
	}
}
