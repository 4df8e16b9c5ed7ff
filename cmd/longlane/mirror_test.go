package main

import (
	"fmt"
	"maps"
	"testing"
	"time"
)

// TestMirror: two real brokers. The mirror's is away at first: the house hears every trip meanwhile, and the mirror has
// all of them once it is back.
func TestMirror(t *testing.T) {
	t.Parallel()
	h, shop := newHouse(t, "river-gate", "cattle-grid"), newHouse(t, "river-gate")
	h.write("longlane.toml", h.text("longlane.toml")+fmt.Sprintf("[[mirror]]\nname = \"shop\"\nurl = %q\nfrom_start = true\n", "mqtt://"+shop.gate.addr))
	h.openHouse()
	h.steady("8s")
	h.startGateway()
	sim := h.startSim("--drain")
	if code := sim.wait(2 * time.Minute); code != exitDone {
		t.Fatalf("the simulator ended with %d", code)
	}
	h.checkDelivered(time.Minute)
	shop.openHouse()
	want := idsOf(h.records(), "released")
	if len(want) < 4 {
		t.Fatalf("only %d trips were made", len(want))
	}
	eventually(t, time.Minute, "the mirror to have every trip", func() bool {
		got := map[string]bool{}
		for id := range shop.sub.ids() {
			got[id] = true
		}
		maps.DeleteFunc(got, func(id string, _ bool) bool { return !want[id] })
		return len(got) == len(want)
	})
	eventually(t, time.Minute, "nothing to wait for the mirror", func() bool {
		_, text := h.get("/metrics")
		return metric(text, `longlane_queue_waiting_events{sink="shop"}`) == 0 && metric(text, `longlane_sink_up{sink="shop"}`) == 1
	})
}
