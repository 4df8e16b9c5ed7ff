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

// tomlNode is a scenario's node with trips at random.
func tomlNode(name, path string, perHour int) string {
	return fmt.Sprintf(`
[[node]]
name = %q
card = "%s.card"
path = [%s]
rssi = -97.0
snr = 3.0
checkin = "5s"
[node.rate]
per_hour = %d.0
dwell_min = "100ms"
dwell_max = "1500ms"
`, name, name, path, perHour)
}

const tomlRelay = `
[[node]]
name = "oak-relay"
card = "oak-relay.card"
rssi = -88.0
snr = 8.5
mains = true
`

// TestChain: real parts from end to end. Gateway and simulator are processes joined by a pty, the broker is the
// system's mosquitto, and what arrives is counted by mosquitto_sub. On the air frames are lost, repeated, reordered,
// delayed, damaged and forged. Everything with a receipt arrives, nothing forged does, and each hop's RSSI and SNR are
// those that the simulator put on the air.
func TestChain(t *testing.T) {
	h := newHouse(t, "oak-relay", "river-gate", "ridge-gate", "cattle-grid")
	seed := rand.Uint64() >> 1
	t.Logf("seed %d", seed)
	h.write("scenario.toml", fmt.Sprintf("name = \"chain\"\nseed = %d\nuntil = \"15s\"\n", seed)+tomlRelay+
		tomlNode("river-gate", `"oak-relay"`, 900)+tomlNode("ridge-gate", `"oak-relay"`, 900)+tomlNode("cattle-grid", "", 1800)+`
[faults]
lose = 0.05
repeat = 0.05
reorder = 0.05
delay = 0.05
delay_max = "1s"
corrupt = 0.05
forge = 0.15
`)
	h.openHouse()
	sim := h.startSim("--drain")
	h.startGateway()
	if code := sim.wait(3 * time.Minute); code != 0 {
		t.Fatalf("the simulator ended with %d", code)
	}
	h.checkDelivered(30 * time.Second)
	h.checkHops()
	forged := 0
	for _, r := range h.records() {
		if r.What == "forged" {
			forged++
		}
	}
	if forged == 0 {
		t.Error("the simulator forged nothing, so nothing was shown about forgeries")
	}
	t.Logf("%d events made, %d with a receipt, %d forged frames, %d deliveries", len(idsOf(h.records(), "made")),
		len(idsOf(h.records(), "released")), forged, len(h.sub.all()))
}

// checkHops compares each delivery with the frames that were handed to the modem under its id and attempt.
func (h *house) checkHops() {
	h.t.Helper()
	air := map[string]map[string]bool{}
	for _, r := range h.records() {
		if r.What != "heard" || r.ID == "" {
			continue
		}
		key := fmt.Sprintf("%s/%d", r.ID, r.Attempt)
		if air[key] == nil {
			air[key] = map[string]bool{}
		}
		way := ""
		for _, hop := range r.Hops {
			way += fmt.Sprintf("%s %.2f %.2f, ", hop.Relay, hop.RSSI, hop.SNR)
		}
		air[key][way+fmt.Sprintf("house %.2f %.2f, ", r.RSSI, r.SNR)] = true
	}
	for _, d := range h.sub.all() {
		if !strings.HasSuffix(d.topic, "/trip") {
			continue
		}
		way := ""
		for _, hop := range d.event.Data.Hops {
			if hop.RSSI == nil || hop.SNR == nil || !hop.Verified {
				h.t.Errorf("event %s: a hop is not measured or not verified: %s", d.event.ID, d.payload)
				return
			}
			way += fmt.Sprintf("%s %.2f %.2f, ", hop.To, *hop.RSSI, *hop.SNR)
		}
		if key := fmt.Sprintf("%s/%d", d.event.ID, d.event.Data.Attempt); !air[key][way] {
			h.t.Errorf("event %s came by %q, on the air were %v", key, way, air[key])
		}
		if a := d.event.Data.Age; a == nil || *a < 0 || *a > 120 {
			h.t.Errorf("event %s has age %v", d.event.ID, a)
		}
	}
}

// TestKills: the gateway is killed at random moments, a hundred times, with the broker killed and started in between.
// Every event with a receipt is delivered; what comes again has the same id. (It proves nothing about power cuts: the
// kernel keeps what a killed process wrote. The queue's own tests see to those.)
func TestKills(t *testing.T) {
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
