package rehearsal

import (
	"fmt"
	"slices"
	"testing"

	"longlane/radio/ether"
)

// TestWays: a frame is taken to go where it needs the fewest sendings. A relay uses no link of less than 3 dB to spare (what it wants
// of its own neighbours), unless for what it makes itself.
func TestWays(t *testing.T) {
	const floor = -124.53
	for _, c := range []struct {
		what           string
		fading         string
		gate, mill, to float64 // above the floor: the gate at the gateway, the gate at the mill's relay, that at the gateway
		want           []int   // relays on the gate's way; nil: none
	}{
		{"straight", "none", 1, 20, 20, []int{}},
		{"too weak straight", "none", -1, 20, 20, []int{1}},
		{"a good link beats two", "rayleigh", 10, 20, 20, []int{}},          // 1.11 sendings and not 2.02
		{"two good links beat a bad one", "rayleigh", -3, 20, 20, []int{1}}, // 7.4 sendings and not 2.02
		{"two bad ones do not", "rayleigh", -1, 0, 3.1, []int{}},            // 3.5 sendings, and 4.3
		{"the relay has too little to spare", "none", -1, 20, 2.9, nil},
		{"and just enough", "none", -1, 20, 3.1, []int{1}},
		{"the relay does not hear it", "none", -1, -1, 20, nil},
	} {
		s := meadow(1, 1)
		s.Air.Fading = c.fading
		s.Nodes[0].RSSI = new(floor + c.gate)
		s.Nodes = append(s.Nodes, ether.Node{Name: "mill-relay", Relay: true, RSSI: new(floor + c.to)})
		s.Pairs = []ether.Pair{{Of: []string{"gate-0", "mill-relay"}, RSSI: floor + c.mill}}
		w := waysOf(&s)
		if !slices.Equal(w.way[0], c.want) || (w.way[0] == nil) != (c.want == nil) {
			t.Errorf("%s: by %v, want %v", c.what, w.way[0], c.want)
		}
		if w.way[1] == nil || len(w.way[1]) > 0 { // its own frames the gateway hears in any case
			t.Errorf("%s: the relay's own way goes by %v", c.what, w.way[1])
		}
	}

	// A line of six: each relay carries for all behind it.
	s := meadow(1, 1)
	s.Nodes[0].RSSI = nil
	before := "gate-0"
	for i := range 6 {
		name := fmt.Sprintf("relay-%d", i)
		s.Nodes = append(s.Nodes, ether.Node{Name: name, Relay: true})
		s.Pairs = append(s.Pairs, ether.Pair{Of: []string{before, name}, RSSI: -100})
		before = name
	}
	s.Nodes[6].RSSI = new(-100.0)
	w := waysOf(&s)
	if !slices.Equal(w.way[0], []int{1, 2, 3, 4, 5, 6}) || !slices.Equal(w.way[4], []int{5, 6}) {
		t.Errorf("along a line the ways are %v", w.way)
	}
	for i := 2; i <= 6; i++ {
		if w.reckoned(i) <= w.reckoned(i-1) {
			t.Errorf("relay %d sends for %v in an hour, the one behind it for %v", i, w.reckoned(i), w.reckoned(i-1))
		}
	}
}
