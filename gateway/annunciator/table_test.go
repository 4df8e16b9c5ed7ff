package annunciator

import (
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

// TestTable: the table of a unit, to the letter, and that no line is longer than a terminal, whatever the broker says.
func TestTable(t *testing.T) {
	s := newStage(t)
	s.perform(`0s wall 14:02
0s ticks
0s state river-gate clear
0s state ridge-gate unwatched
1s open river-gate 1.1.1 unproven
2s open river-gate 1.1.3
3s open yard 1.2.1 delayed
4s mute yard 3h
5s fault began tamper node=river-gate
130s until`)
	got := strings.Join(s.core.View(s.now).Table("Shop", false), "\n")
	want := strings.TrimLeft(`
Shop                          NOT WATCHED   tick 0 s ago        14:04           

zone                    state       for       last opening                      
ridge-gate              unwatched   2 min                                       
The river-gate          clear       2 min     counted 2 min ago, 1 more         
The yard                not known             muted for 2 h; silent 2 min ago   
! tamper began                                                                  
! ridge-gate is unwatched                                                       `, "\n")
	if got != want {
		t.Errorf("it shows\n%s\nwant\n%s", got, want)
	}
	coloured := strings.Join(s.core.View(s.now).Table("Shop", true), "\n")
	if !strings.Contains(coloured, "\x1b[31mNOT WATCHED   \x1b[0m") || !strings.Contains(coloured, "\x1b[31munwatched") {
		t.Errorf("coloured: %q", coloured)
	}
	v := View{Deaf: strings.Repeat("deaf ", 40), Ticked: 1e6 * time.Hour, Trouble: []string{"\x1b[2Jevil\n" + strings.Repeat("ü", 100)}, Errors: []string{strings.Repeat("x", 200)},
		Zones: []ZoneView{{Title: strings.Repeat("äö", 64), State: strings.Repeat("s", 50), For: 1e6 * time.Hour, Last: "sounded", Ago: 1e6 * time.Hour, Counted: 1e9, Unproven: true, Muted: time.Hour}}}
	for _, line := range v.Table(strings.Repeat("n", 64), false) {
		if n := utf8.RuneCountInString(line); n > Width || strings.ContainsAny(line, "\x1b\n") {
			t.Errorf("a line of %d columns: %q", n, line)
		}
	}
}
