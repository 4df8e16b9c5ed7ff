package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"longlane/gateway/config"
	"longlane/proto"
	"longlane/radio/contact"
	"longlane/radio/gpio"
	"longlane/radio/lora"
	"longlane/radio/modem"
	"longlane/radio/node"
	"longlane/radio/use"
)

var gateCard = node.Card{Site: 4711, Node: 7, Gen: 1, Name: "river-gate"}

// gate is a node's config; its contact closes once and stays so.
func gate(t *testing.T) *config.Node {
	t.Helper()
	dir := t.TempDir()
	cfg, err := config.ParseNode("node.toml", []byte(fmt.Sprintf(`card = "/none"
state = %q
[modem]
device = %q
region = "europe"
frequency = 869525000
[[input]]
command = ["/bin/sh", "-c", "echo closed; read x"]
[measure]
battery_file = %q
battery_unit = 0.001
temperature_file = %q
`, filepath.Join(dir, "state"), filepath.Join(dir, "modem"), filepath.Join(dir, "battery"), filepath.Join(dir, "heat"))))
	if err != nil {
		t.Fatal(err)
	}
	return cfg
}

func (b *mastBoard) frames() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.sent
}

// runNode runs the node until cond holds, and gives its log.
func runNode(t *testing.T, cfg *config.Node, what string, cond func(log string) bool) string {
	t.Helper()
	var log logBuffer
	n, err := NewNode(cfg, gateCard, slog.New(slog.NewTextHandler(&log, nil)))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- n.Run(ctx) }()
	await(t, func() (bool, string) { text := log.String(); return cond(text), what + ", and the log is\n" + text })
	cancel()
	if err := <-done; err != nil {
		t.Errorf("Run: %v", err)
	}
	return log.String()
}

// TestNodeAirtime: each frame passes the ledger. One that is damaged, or went with the memory, takes the whole hour for used,
// and nothing is sent; a node that never ran sends at once, and one that has lost its memory alone goes on.
func TestNodeAirtime(t *testing.T) {
	cfg := gate(t)
	b := plug(t, cfg.Modem.Device)
	log := runNode(t, cfg, "a frame to be sent", func(string) bool { return b.frames() > 0 })
	if strings.Contains(log, "memory was missing") || strings.Contains(log, usedUp) {
		t.Errorf("a first start says\n%s", log)
	}
	ledgers, err := filepath.Glob(filepath.Join(cfg.State, "airtime%20*"))
	if err != nil || len(ledgers) != 1 {
		t.Fatalf("ledgers %v, %v", ledgers, err)
	}
	memory, ledger := filepath.Join(cfg.State, memoryFile), ledgers[0]
	damage := func(path string) {
		if err := os.WriteFile(path, []byte("x"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	log = runNode(t, cfg, "the ledger to be read", func(log string) bool { return strings.Contains(log, " used=") })
	_, text, _ := strings.Cut(log, " used=")
	if used, err := time.ParseDuration(strings.Fields(text)[0]); err != nil || used == 0 || used > time.Second {
		t.Errorf("after an orderly end %v are used, %v; want what was sent and no block", used, err)
	}
	before := b.frames()
	damage(memory)
	log = runNode(t, cfg, "a frame to be sent without memory", func(string) bool { return b.frames() > before })
	if !strings.Contains(log, "lasting memory cannot be read") || !strings.Contains(log, "memory was missing or damaged") || strings.Contains(log, usedUp) {
		t.Errorf("memory is damaged: the log says\n%s", log)
	}
	for what, harm := range map[string]func(){
		"the ledger is damaged":                     func() { damage(ledger) },
		"the ledger is gone, and memory is damaged": func() { os.Remove(ledger); damage(memory) },
		"the ledger is damaged, and memory is gone": func() { damage(ledger); os.Remove(memory) },
	} {
		harm()
		before := b.frames()
		runNode(t, cfg, what, func(log string) bool { return strings.Contains(log, usedUp) })
		if n := b.frames() - before; n != 0 {
			t.Errorf("%s: %d frames were sent", what, n)
		}
	}
}

const usedUp = "airtime that is lawful is used up"

// TestNodeState: a state directory belongs to one process; what a cut left half written is no memory, nor is a survey's record.
func TestNodeState(t *testing.T) {
	cfg := gate(t)
	if err := os.MkdirAll(cfg.State, 0o700); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{".memory-12", "survey-20260301-0612.json"} {
		if err := os.WriteFile(filepath.Join(cfg.State, name), []byte("half"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	quiet := slog.New(slog.DiscardHandler)
	n := &Node{log: quiet}
	_, saved, err := n.openState(cfg.State)
	if err != nil || string(saved) != string(node.FirstSaved()) {
		t.Errorf("a directory with nothing whole in it: % x, %v, want a first start", saved, err)
	}
	if _, err := NewNode(cfg, gateCard, quiet); !errors.Is(err, ErrNodeState) || !strings.Contains(err.Error(), cfg.State) {
		t.Errorf("a second process: %v", err)
	}
	if err := n.shut(); err != nil {
		t.Fatal(err)
	}
	second, err := NewNode(cfg, gateCard, quiet)
	if err != nil {
		t.Fatalf("after the first has ended: %v", err)
	}
	second.shut()
}

// TestNodeUse: trips and faults come first, then check-ins; and the longest of them is what the config is judged by.
func TestNodeUse(t *testing.T) {
	c := gateCard.Config()
	c.Inputs = []node.InputConfig{{}}
	n, err := node.New(c, node.FirstSaved(), 0)
	if err != nil {
		t.Fatal(err)
	}
	got := map[proto.Type]lora.Use{}
	var in node.Input = node.Edge{Closed: true}
	for at, wake := time.Duration(0), time.Duration(0); len(got) < 2 && at < time.Hour; at = wake {
		var out []node.Output
		out, wake = n.Step(at, in)
		in = nil
		for _, o := range out {
			if tx, ok := o.(node.Transmit); ok {
				got[tx.Type] = use.Of(tx.Frame)
				_, wake = n.Step(at, node.TxDone{})
			}
		}
	}
	if len(got) != 2 || got[proto.TypeTripOpened] != lora.UseTrip || got[proto.TypeCheckIn] != lora.UseHop || use.Of([]byte("x")) != lora.UseBeacon {
		t.Errorf("uses %v", got)
	}
	longest := 0
	for _, typ := range []proto.Type{proto.TypeTripOpened, proto.TypeTripClosed, proto.TypeTripHeld, proto.TypeFault, proto.TypeCheckIn} {
		longest = max(longest, typ.Size()+2) // the counter whole
	}
	if want := config.UnitNode.Longest(); longest != want {
		t.Errorf("a node's longest frame has %d bytes, the config judges it by %d", longest, want)
	}
	if want := config.UnitRelay.Longest(); longest+proto.MaxHops*proto.HopSize != want {
		t.Errorf("a relay's longest frame has %d bytes, the config judges it by %d", longest+proto.MaxHops*proto.HopSize, want)
	}
}

// TestNodeConfig: what the file says of a contact reaches what reads and judges it.
func TestNodeConfig(t *testing.T) {
	cfg, err := config.ParseNode("node.toml", []byte(`card = "/none"
supply = "battery"
[modem]
device = "/dev/x"
region = "europe"
frequency = 869525000
spreading_factor = 9
[[input]]
number = 3
normally_closed = true
debounce = "10ms"
min_dwell = "250ms"
[input.gpio]
chip = "/dev/gpiochip0"
line = 17
bias = "pull-down"
active_low = false
[input.wire]
chip = "/dev/gpiochip1"
line = 27
[[input]]
number = 4
command = ["/bin/x", "y"]
supervised = true
alive = "1m"
[[input]]
number = 5
command = ["/bin/x"]
[measure]
battery_file = "/b"
low_battery = 11.5
[checkin]
period = "5m"
`))
	if err != nil {
		t.Fatal(err)
	}
	got := nodeConfig(cfg, gateCard)
	want := gateCard.Config()
	want.CheckIn, want.LowBattery, want.Seed = 5*time.Minute, 11.5, got.Seed
	want.Modem = lora.Settings{SpreadingFactor: 9, Bandwidth: 125000, CodingRate: 5, Preamble: 8}
	want.Inputs = []node.InputConfig{{Number: 3, NormallyClosed: true, Supervised: true, Debounce: 10 * time.Millisecond, MinDwell: 250 * time.Millisecond},
		{Number: 4, Supervised: true, Debounce: node.DefaultDebounce, MinDwell: node.DefaultMinDwell},
		{Number: 5, Debounce: node.DefaultDebounce, MinDwell: node.DefaultMinDwell}}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("nodeConfig = %+v\nwant %+v", got, want)
	}
	if again := nodeConfig(cfg, gateCard); again.Seed == got.Seed {
		t.Error("two starts draw the same")
	}
	for i, want := range []contact.Source{
		&contact.GPIO{Line: gpio.Options{Chip: "/dev/gpiochip0", Line: 17, Bias: gpio.PullDown},
			Wire: &gpio.Options{Chip: "/dev/gpiochip1", Line: 27, ActiveLow: true, Bias: gpio.PullUp}},
		&contact.Command{Argv: []string{"/bin/x", "y"}, Words: true, Alive: time.Minute},
		&contact.Command{Argv: []string{"/bin/x"}},
	} {
		if got := inputSource(&cfg.Input[i]); !reflect.DeepEqual(got, want) {
			t.Errorf("input %d is read by %+v, want %+v", i, got, want)
		}
	}
}

// TestRelayConfig: a relay is one to its state machine, needs no contacts, and says what a battery means for it.
func TestRelayConfig(t *testing.T) {
	for _, supply := range []string{"mains", "battery"} {
		cfg, err := config.ParseNode("relay.toml", fmt.Appendf(nil, `card = "/none"
state = %q
relay = true
supply = %q
[modem]
device = "/none"
region = "europe"
frequency = 869525000
`, t.TempDir(), supply))
		if err != nil {
			t.Fatal(err)
		}
		if c := nodeConfig(cfg, gateCard); !c.Relay || c.Mains != (supply == "mains") || len(c.Inputs) != 0 {
			t.Errorf("on %s: %+v", supply, c)
		}
		var log strings.Builder
		n, err := NewNode(cfg, gateCard, slog.New(slog.NewTextHandler(&log, nil)))
		if err != nil {
			t.Fatal(err)
		}
		if err := n.shut(); err != nil {
			t.Error(err)
		}
		if got := log.String(); !strings.Contains(got, "this relay passes on") || strings.Contains(got, "lives on a battery") != (supply == "battery") {
			t.Errorf("on %s it logs\n%s", supply, got)
		}
	}
}

// TestBiases: each word that the config takes is known here, and means something of its own.
func TestBiases(t *testing.T) {
	if got, want := slices.Sorted(maps.Keys(biases)), slices.Sorted(maps.Keys(config.Biases)); !slices.Equal(got, want) {
		t.Errorf("biases %q, the config takes %q", got, want)
	}
	if n := len(slices.Compact(slices.Sorted(maps.Values(biases)))); n != len(biases) {
		t.Errorf("%d words mean %d things", len(biases), n)
	}
}

// TestMeasured: files become volts and degrees; what cannot be read is not measured.
func TestMeasured(t *testing.T) {
	cfg := gate(t)
	link := modem.New(modem.Options{})
	if m := measured(cfg.Measure, link); !math.IsNaN(m.Battery) || !math.IsNaN(m.Temperature) || !math.IsNaN(m.Noise) {
		t.Errorf("without files: %+v", m)
	}
	for path, text := range map[string]string{cfg.Measure.BatteryFile: "12480\n", cfg.Measure.TemperatureFile: "-3250"} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if m := measured(cfg.Measure, link); math.Abs(m.Battery-12.48) > 1e-9 || m.Temperature != -3.25 {
		t.Errorf("measured %+v, want 12.48 V and -3.25 °C", m)
	}
	if err := os.WriteFile(cfg.Measure.BatteryFile, []byte("inf"), 0o600); err != nil {
		t.Fatal(err)
	}
	if m := measured(cfg.Measure, link); !math.IsNaN(m.Battery) {
		t.Errorf("a battery of %v V", m.Battery)
	}
}
