package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"longlane/radio/modem"
	"longlane/radio/serialport"
)

// meadow is the air between two modems, on ptys, of which one is the gateway's and one the gate's.
type meadow struct {
	mu     sync.Mutex
	broken bool // nothing from the gate is heard
	// How each hears the other: dBm, and dB above the noise.
	house, gate [2]float64
}

// strength sets how the house and the gate hear each other.
func (f *meadow) strength(house, gate [2]float64) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.house, f.gate = house, gate
}

func (f *meadow) breakAir(broken bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.broken = broken
}

// later has a frame arrive once its sender knows that it is sent, as it is in the air.
func (f *meadow) later(arrive func()) {
	time.AfterFunc(10*time.Millisecond, func() {
		f.mu.Lock()
		defer f.mu.Unlock()
		arrive()
	})
}

func newMeadow(t *testing.T, houseLink, gateLink string) *meadow {
	t.Helper()
	f := &meadow{house: [2]float64{-97.25, 6.5}, gate: [2]float64{-101, 5.5}}
	var house, gate *modem.Device
	house = modem.NewDevice(modem.DeviceOptions{Transmit: func(frame []byte) (time.Duration, error) {
		f.later(func() { gate.Receive(frame, f.gate[0], f.gate[1], 0) }) // an error: the node is not there
		return 70 * time.Millisecond, nil
	}})
	gate = modem.NewDevice(modem.DeviceOptions{Transmit: func(frame []byte) (time.Duration, error) {
		f.later(func() {
			if !f.broken {
				house.Receive(frame, f.house[0], f.house[1], 0) // an error: the gateway is not there
			}
		})
		return 70 * time.Millisecond, nil
	}})
	ctx, cancel := context.WithCancel(context.Background())
	var serving sync.WaitGroup
	for device, link := range map[*modem.Device]string{house: houseLink, gate: gateLink} {
		p, err := serialport.NewPty(link)
		if err != nil {
			t.Fatal(err)
		}
		serving.Go(func() { device.Serve(ctx, p) })
	}
	t.Cleanup(func() {
		cancel()
		serving.Wait()
	})
	return f
}

// gateNode is a house whose river gate is `longlane node`, as a process; its contact is read by a command, cat, from a FIFO.
type gateNode struct {
	*house
	air  *meadow
	fifo *os.File
	node *process

	gateway *process
}

func newGateNode(t *testing.T) *gateNode {
	t.Helper()
	g := &gateNode{house: newHouse(t, "river-gate")}
	g.air = newMeadow(t, g.path("modem"), g.path("gate-modem"))
	if err := syscall.Mkfifo(g.path("contact"), 0o600); err != nil {
		t.Fatal(err)
	}
	g.openContact()
	g.write("node.toml", fmt.Sprintf(`card = %q
state = %q
log_level = "debug"
[modem]
device = %q
region = "europe"
frequency = 869525000
[[input]]
command = ["/bin/cat", %q]
`, g.path("river-gate.card"), g.path("node-state"), g.path("gate-modem"), g.path("contact")))
	g.openHouse()
	g.gateway = g.startGateway()
	g.ready(time.Minute)
	return g
}

// startGatewayAgain has the gateway read its config anew.
func (g *gateNode) startGatewayAgain() *process {
	g.t.Helper()
	g.gateway.kill()
	g.gateway = g.startGateway()
	g.ready(time.Minute)
	return g.gateway
}

// openContact holds the FIFO open, so that cat does not end.
func (g *gateNode) openContact() {
	g.t.Helper()
	f, err := os.OpenFile(g.path("contact"), os.O_RDWR, 0)
	if err != nil {
		g.t.Fatal(err)
	}
	g.fifo = f
	g.t.Cleanup(func() { f.Close() })
}

func (g *gateNode) say(word string) {
	g.t.Helper()
	if _, err := g.fifo.WriteString(word + "\n"); err != nil {
		g.t.Fatal(err)
	}
}

func (g *gateNode) startNode() { g.node = g.start("node", "--config", g.path("node.toml")) }

// watch starts the node, which then has seen its contact open.
func (g *gateNode) watch() {
	g.t.Helper()
	g.startNode()
	g.say("open")
	g.logged(`"position":"open"`, 1)
}

// event waits for an event of this type and, of a fault, with this code, beyond the first skip of them.
func (g *gateNode) event(typ, code string, skip int) (found delivery) {
	g.t.Helper()
	eventually(g.t, time.Minute, typ+" "+code, func() bool {
		n := 0
		for _, d := range g.sub.all() {
			if d.event.Type == typ && (code == "" || d.event.Data.Code == code) {
				if n++; n > skip {
					found = d
					return true
				}
			}
		}
		return false
	})
	return found
}

// logged waits until the node's log has text n times.
func (g *gateNode) logged(text string, n int) {
	g.t.Helper()
	eventually(g.t, time.Minute, fmt.Sprintf("%d times in the node's log: %s", n, text), func() bool { return strings.Count(g.text("node.log"), text) >= n })
}

// runs reports whether a process has this argument.
func runs(argument string) bool {
	list, _ := filepath.Glob("/proc/[0-9]*/cmdline")
	for _, path := range list {
		if text, err := os.ReadFile(path); err == nil && strings.Contains(string(text), argument+"\x00") {
			return true
		}
	}
	return false
}

// TestGateNode: from a contact at the gate to the subscriber, all parts real but the air: a trip, a program that ends, a kill
// with an event held, a restart, an orderly end.
func TestGateNode(t *testing.T) {
	t.Parallel()
	g := newGateNode(t)
	g.watch()
	g.logged(`"msg":"answered"`, 1) // the first check-in
	came := time.Now()
	g.say("closed")
	opened := g.event("longlane.trip.opened", "", 0)
	t.Logf("from the contact to the subscriber: %v, of which 75 ms are the minimum dwell", opened.at.Sub(came).Round(time.Millisecond))
	if d := opened.event.Data; d.Zone != "river-gate" || d.Counter != 1 || d.Delayed || len(d.Hops) != 1 || d.Hops[0].RSSI == nil || *d.Hops[0].RSSI != -97 && *d.Hops[0].RSSI != -97.25 {
		t.Errorf("the trip is %s", opened.payload)
	}
	g.say("open")
	closed := g.event("longlane.trip.closed", "", 0)
	if d := closed.event.Data.Dwell; d == nil || *d <= 0 {
		t.Errorf("the closing is %s", closed.payload)
	}
	g.logged(`"msg":"the gateway has the event on its disk"`, 2)
	if list, err := os.ReadDir(g.path("node-state")); err != nil || len(list) != 3 { // memory, ledger, and the list of ledgers
		t.Errorf("the state directory has %v, %v", list, err)
	}

	// The program that reads the contact ends, and comes back.
	g.fifo.Close()
	g.event("longlane.fault.began", "input wire", 0)
	g.openContact()
	g.say("open")
	g.event("longlane.fault.ended", "input wire", 0)

	// An arrival that finds no gateway, and then the power fails: it is lost, and the node says so when it is back.
	g.logged(`"msg":"the gateway has the event on its disk"`, 4)
	g.air.breakAir(true)
	g.say("closed")
	g.logged(`"msg":"event made","counter":5,"event":"opening"`, 1)
	g.node.kill()
	eventually(t, time.Minute, "the contact's command ends with the node that was killed", func() bool { return !runs(g.path("contact")) })
	g.air.breakAir(false)
	g.startNode()
	g.say("open")
	lost := g.event("longlane.fault.began", "events lost", 0)
	g.say("closed")
	again := g.event("longlane.trip.opened", "", 1)
	for _, d := range []delivery{lost, again} {
		var id [3]int
		if _, err := fmt.Sscanf(d.event.ID, "%d.%d.%d", &id[0], &id[1], &id[2]); err != nil || id[2] <= 5 {
			t.Errorf("after the restart the node makes event %s; the one that was lost had counter 5", d.event.ID)
		}
	}
	for id, n := range g.sub.ids() {
		if strings.HasSuffix(id, ".5") && !strings.HasPrefix(id, "gateway.") {
			t.Errorf("event %s arrived %d times: it was never heard", id, n)
		}
	}
	if code := g.node.stop(); code != exitDone {
		t.Errorf("SIGTERM: the node ended with %d", code)
	}
	if !strings.HasSuffix(strings.TrimSpace(g.text("node.log")), `"msg":"stopped"}`) {
		t.Error("the log does not end with \"stopped\"")
	}
}

// TestNodeHoldsOn: what the air swallowed is announced once it is clear, and the gateway's own absence loses nothing.
func TestNodeHoldsOn(t *testing.T) {
	t.Parallel()
	g := newGateNode(t)
	g.watch()
	g.air.breakAir(true)
	made := func(kind string) string { return `"event":"` + kind + `","age"` } // as the log tells of one that is made
	for i := range 3 {
		g.say("closed")
		g.logged(made("opening"), i+1)
		g.say("open")
		g.logged(made("closing"), i+1)
	}
	g.air.breakAir(false)
	g.logged(`"msg":"the gateway has the event on its disk"`, 6)
	eventually(t, time.Minute, "six events", func() bool { return len(g.sub.ids()) >= 6 })
	for id, n := range g.sub.ids() {
		if n != 1 {
			t.Errorf("event %s arrived %d times", id, n)
		}
	}
}

// TestNodeCheck: it says plainly what is not supervised, and refuses with file, line and column.
func TestNodeCheck(t *testing.T) {
	h := newHouse(t, "river-gate")
	text := fmt.Sprintf(`card = %q
state = %q
supply = "battery"
[modem]
device = "/dev/ttyUSB0"
region = "europe"
frequency = 869525000
[[input]]
command = ["/bin/cat", "contact"]
[[input]]
number = 1
normally_closed = true
[input.gpio]
chip = "/dev/gpiochip77"
line = 4
[[input]]
number = 2
supervised = true
alive = "1m"
command = ["/no/such"]
[[input]]
number = 3
[input.gpio]
chip = "/dev/gpiochip78"
line = 4
[input.wire]
chip = "/dev/gpiochip78"
line = 5
`, h.path("river-gate.card"), h.path("node-state"))
	h.write("node.toml", text)
	code, out, errs := cli("", "node", "--check", "--config", h.path("node.toml"))
	for _, want := range []string{"node.toml is good: node 1 (river-gate)", "a frame takes 77.1ms", "up to 4671 an hour",
		"input 0: the command /bin/cat contact; closing it is the trip, after 75ms\n    radio only: ", "of one that is cut no arrival is heard",
		"if the command hangs without ending, nobody notices",
		"input 1: /dev/gpiochip77 line 4; opening it is the trip, after 75ms\n    radio only: ", "of one that is shorted no arrival is heard", "there is no /dev/gpiochip77",
		"input 2: the command /no/such; closing it is the trip, after 75ms\n    its wire is supervised", "note: there is no /no/such: until",
		"input 3: /dev/gpiochip78 line 4; closing it is the trip, after 75ms\n    its wire is supervised by /dev/gpiochip78 line 5: a cut",
		"tamper: none; nobody hears of an opened box", "hears all the time: size the battery",
	} {
		if code != exitDone || !strings.Contains(out, want) {
			t.Errorf("node --check: exit code %d, %s; it says\n%s\nwant %q", code, errs, out, want)
		}
	}
	if n := strings.Count(out, "radio only"); n != 2 {
		t.Errorf("\"radio only\" stands there %d times, want twice:\n%s", n, out)
	}
	if n := strings.Count(out, "there is no /dev/gpiochip78"); n != 1 {
		t.Errorf("it says %d times that one chip is missing, want once:\n%s", n, out)
	}
	if _, err := os.Stat(h.path("node-state")); !os.IsNotExist(err) {
		t.Error("--check has made the state directory")
	}
	h.write("node.toml", strings.Replace(text, `region = "europe"`, "", 1))
	code, _, errs = cli("", "node", "--config", h.path("node.toml"))
	if code != exitUsage || !strings.Contains(errs, "node.toml:4:2: modem.region: found nothing") || !strings.Contains(errs, "no region, no transmission") {
		t.Errorf("without a region: exit code %d, %s", code, errs)
	}
	code, out, _ = cli("", "node", "--check", "--json", "--config", h.path("node.toml"))
	var said struct {
		OK       bool
		Problems []problemJSON
	}
	if err := json.Unmarshal([]byte(out), &said); err != nil || code != exitUsage || said.OK || len(said.Problems) != 1 || said.Problems[0].Line != 4 {
		t.Errorf("--check --json: exit code %d, %v, %s", code, err, out)
	}
	if code, _, errs = cli("", "node", "--json", "--config", h.path("node.toml")); code != exitUsage || !strings.Contains(errs, "--check") {
		t.Errorf("--json alone: exit code %d, %s", code, errs)
	}
	if code, _, errs = cli("", "node", "--config", h.path("nowhere")); code != exitUsage || !strings.Contains(errs, "testdata/config/node.toml") {
		t.Errorf("no file: exit code %d, %s", code, errs)
	}
}

// TestRelayCheck: what a relay would do, how much of it is lawful, and what listening costs where there are no mains.
func TestRelayCheck(t *testing.T) {
	h := newHouse(t, "oak-relay", "river-gate")
	for supply, want := range map[string]string{"mains": "a modem on a serial port hears all the time\n", "battery": "CAUTION: a relay listens all the time, and this one lives on a battery"} {
		h.write("node.toml", fmt.Sprintf(`card = %q
state = %q
relay = true
supply = %q
[modem]
device = "/dev/ttyUSB0"
region = "europe"
frequency = 869525000
`, h.path("oak-relay.card"), h.path("relay-state"), supply))
		code, out, errs := cli("", "node", "--check", "--config", h.path("node.toml"))
		// 98 bytes at SF7, 125 kHz are 12.25 + 8 + 29*5 symbols of 1.024 ms (formula: SX1276 datasheet): 169.2 ms, of 360 s an hour.
		for _, want := range []string{"node.toml is good: relay 1 (oak-relay)", "a frame with all its hop records takes 169.2ms", "up to 2127 an hour",
			"relay: passes on what other nodes send; node 1 must be enrolled with --relay", want} {
			if code != exitDone || !strings.Contains(out, want) {
				t.Errorf("node --check: exit code %d, %s; it says\n%s\nwant %q", code, errs, out, want)
			}
		}
	}
}
