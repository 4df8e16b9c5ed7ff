package main

import (
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"strings"
	"testing"
	"time"
)

func (h *house) get(path string) (int, string) {
	r, err := http.Get("http://" + h.http + path)
	if err != nil {
		return 0, ""
	}
	defer r.Body.Close()
	b, _ := io.ReadAll(r.Body)
	return r.StatusCode, string(b)
}

func (h *house) status(path string) int { code, _ := h.get(path); return code }

// tomlNode is a scenario's node with trips at random, which the gateway hears, or a relay alone.
func tomlNode(name, relay string, perHour int) string {
	rssi, pair := "rssi = -97.0", ""
	if relay != "" {
		rssi, pair = "", tomlPair(name, relay)
	}
	return fmt.Sprintf(`
[[node]]
name = %q
card = "%s.card"
%s
checkin = "5s"
[node.rate]
per_hour = %d.0
dwell_min = "100ms"
dwell_max = "1500ms"
%s`, name, name, rssi, perHour, pair)
}

func tomlPair(a, b string) string {
	return fmt.Sprintf("[[pair]]\nof = [%q, %q]\nrssi = -97.0\n", a, b)
}

const tomlRelay = `
[[node]]
name = "oak-relay"
card = "oak-relay.card"
relay = true
rssi = -88.0
mains = true
`

// TestChain: real parts from end to end. Gateway and simulator are processes joined by a pty, the broker is the
// system's mosquitto, and what arrives is counted by mosquitto_sub. On the air frames are lost, repeated, reordered,
// delayed, damaged and forged. Everything with a receipt arrives, nothing forged does, and each hop's RSSI and SNR are
// those that the simulator put on the air.
func TestChain(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "oak-relay", "ridge-relay", "river-gate", "ridge-gate", "cattle-grid", "mill-lane", "north-gate", "barn-door")
	seed := rand.Uint64() >> 1
	t.Logf("seed %d", seed)
	h.write("scenario.toml", fmt.Sprintf("name = \"chain\"\nseed = %d\nuntil = \"15s\"\n[air]\nfading = \"rician\"\n", seed)+tomlRelay+
		strings.NewReplacer("oak-relay", "ridge-relay", "rssi = -88.0\n", "").Replace(tomlRelay)+tomlPair("oak-relay", "ridge-relay")+
		tomlNode("river-gate", "oak-relay", 900)+tomlNode("ridge-gate", "oak-relay", 900)+
		tomlNode("north-gate", "ridge-relay", 900)+tomlNode("cattle-grid", "", 900)+
		tomlNode("mill-lane", "", 900)+tomlNode("barn-door", "", 900)+`
[faults]
lose = 0.06
repeat = 0.05
reorder = 0.05
delay = 0.05
delay_max = "1s"
corrupt = 0.1
forge = 0.5
`)
	h.openHouse()
	sim := h.startSim("--drain", "--for", "50s") // the pauses of a node with bad luck double: it need not end
	h.startGateway()
	if code := sim.wait(3 * time.Minute); code != 0 {
		t.Fatalf("the simulator ended with %d", code)
	}
	h.checkDelivered(30 * time.Second)
	altered := h.provenance().check()
	_, text := h.get("/metrics")
	h.checkRepeats(text)
	forged := 0
	for _, r := range h.records() {
		if r.What == "forged" && r.Direction == "to the gateway" {
			forged++
		}
	}
	if forged < 10 {
		t.Errorf("the simulator forged %d frames, too few to show anything about forgeries", forged)
	}
	t.Logf("%d events made, %d with a receipt, %d forged frames, %d deliveries, %d of them of altered frames",
		len(idsOf(h.records(), "made")), len(idsOf(h.records(), "released")), forged, len(h.sub.all()), altered)
}

// TestKills: the gateway is killed at random moments, a hundred times, with the broker killed and started in between.
// Every event with a receipt is delivered; what comes again has the same id. (It proves nothing about power cuts: the
// kernel keeps what a killed process wrote. The queue's own tests see to those.)
func TestKills(t *testing.T) {
	t.Parallel()
	const kills = 100
	h := newHouse(t, "river-gate", "ridge-gate", "cattle-grid", "mill-lane")
	seed := rand.Uint64() >> 1
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	h.write("scenario.toml", fmt.Sprintf("name = \"kills\"\nseed = %d\n", seed)+tomlNode("river-gate", "", 3600)+
		tomlNode("ridge-gate", "", 3600)+tomlNode("cattle-grid", "", 3600)+tomlNode("mill-lane", "", 3600)+"\n[faults]\nlose = 0.02\nrepeat = 0.05\n")
	h.openHouse()
	sim := h.startSim()
	broken := false
	for i := range kills {
		gw := h.startGateway()
		life := time.NewTimer(time.Duration(random.IntN(900)+50) * time.Millisecond)
		select {
		case <-life.C:
		case <-gw.done:
			t.Fatalf("the gateway ended by itself after %d kills", i)
		}
		gw.kill()
		switch {
		case !broken && i%12 == 7:
			h.breakBroker()
			broken = true
		case broken && i%12 == 11:
			h.openHouse()
			broken = false
		}
	}
	if broken {
		h.openHouse()
	}
	h.startGateway()
	before := len(idsOf(h.records(), "released"))
	eventually(t, 2*time.Minute, "receipts after the last start", func() bool { return len(idsOf(h.records(), "released")) > before+20 })
	sim.stop()
	h.checkDelivered(time.Minute)
	repeats := 0
	for _, n := range h.sub.ids() {
		repeats += n - 1
	}
	t.Logf("%d kills, %d events made, %d with a receipt, %d delivered, %d repeats", kills, len(idsOf(h.records(), "made")),
		len(idsOf(h.records(), "released")), len(h.sub.ids()), repeats)
}
