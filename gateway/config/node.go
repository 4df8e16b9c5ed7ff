package config

import (
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"longlane/radio/node"
	"longlane/radio/route"
)

// Node is the whole configuration of a node on a board, or of a relay. As returned by LoadNode and ParseNode, Modem is set and may
// send, and there is at least one Input unless it is a relay, each with exactly one of Command and GPIO.
type Node struct {
	// Card is the full path of the file that enrolment made: who this node is, and its key.
	Card string `toml:"card"`
	// State is the one directory that holds what must outlive the process, of this node alone. A full path.
	State string `toml:"state"`
	// Relay has the node pass on what others send. It may watch contacts as well.
	Relay bool `toml:"relay"`
	// Supply is mains or battery.
	Supply string `toml:"supply"`
	// LogLevel is debug, info, warn or error.
	LogLevel string  `toml:"log_level"`
	Modem    *Modem  `toml:"modem,omitempty"`
	Input    []Input `toml:"input,omitempty"`
	Tamper   *Tamper `toml:"tamper,omitempty"`
	Measure  Measure `toml:"measure"`
	// TestEvery is how often a test trip of each input is made, 10 min to 168 h; 0: only on demand.
	TestEvery Duration `toml:"test_every"`
	// Checkin is what holds until the gateway's receipts say otherwise.
	Checkin Checkin `toml:"checkin"`
}

// Input is one contact that the node watches.
type Input struct {
	// Number is which input of the node's it is, 0 to 15; enrolment ties it to a zone.
	Number         int  `toml:"number"`
	NormallyClosed bool `toml:"normally_closed"` // opening it is the trip
	// Debounce is 1 ms to 1 s, MinDwell 5 ms to 1 min.
	Debounce Duration `toml:"debounce"`
	MinDwell Duration `toml:"min_dwell"`
	// Command is a program and its arguments: it prints open or closed, a line each, and cut and short as well if Supervised.
	Command    []string `toml:"command,omitempty"`
	Supervised bool     `toml:"supervised"`
	// Alive is the longest silence of a Command that works, 1 s to 1 h; 0: it may be silent for ever.
	Alive Duration `toml:"alive"`
	// GPIO is a pin that is active while the contact is closed. Wire, beside it, is one that is active while the wire is whole.
	GPIO *Pin `toml:"gpio,omitempty"`
	Wire *Pin `toml:"wire,omitempty"`
}

// Tamper is the switch that tells whether the case is open.
type Tamper struct {
	NormallyClosed bool     `toml:"normally_closed"` // closed while the case is
	Command        []string `toml:"command,omitempty"`
	Alive          Duration `toml:"alive"`
	GPIO           *Pin     `toml:"gpio,omitempty"`
}

// Pin is a line of a GPIO chip.
type Pin struct {
	Chip      string `toml:"chip"` // a full path, such as /dev/gpiochip0
	Line      int    `toml:"line"` // 0 to 1023
	ActiveLow bool   `toml:"active_low"`
	Bias      string `toml:"bias"` // pull-up, pull-down, none or as-is
}

// Measure says where the board measures itself; all of it may be left out.
type Measure struct {
	// BatteryFile holds a number that, times BatteryUnit, is the supply in volts. LowBattery is when to report it; 0: never.
	BatteryFile string  `toml:"battery_file"`
	BatteryUnit float64 `toml:"battery_unit"`
	LowBattery  float64 `toml:"low_battery"`
	// TemperatureFile holds thousandths of a degree Celsius.
	TemperatureFile string `toml:"temperature_file"`
}

// DefaultNode returns every default of a node's file, in the way of Default.
func DefaultNode() *Node {
	m := Default().Modem[0]
	m.Unit = UnitNode
	return &Node{
		State: "/var/lib/longlane-node", Supply: "mains", LogLevel: "info", Modem: &m,
		Input: []Input{{Debounce: Duration(node.DefaultDebounce), MinDwell: Duration(node.DefaultMinDwell),
			GPIO: &Pin{ActiveLow: true, Bias: "pull-up"}}},
		Tamper:    &Tamper{NormallyClosed: true},
		Measure:   Measure{BatteryUnit: 1e-6},
		Checkin:   Default().Checkin,
		TestEvery: Duration(24 * time.Hour),
	}
}

// SetDefaults implements Defaulter.
func (in *Input) SetDefaults() {
	*in = DefaultNode().Input[0]
	in.GPIO = nil
}

// SetDefaults implements Defaulter.
func (t *Tamper) SetDefaults() { *t = *DefaultNode().Tamper }

// SetDefaults implements Defaulter.
func (p *Pin) SetDefaults() { *p = *DefaultNode().Input[0].GPIO }

// LoadNode reads and checks the file at path and the card that it names. The error lists every problem, or says why the
// file could not be read.
func LoadNode(path string) (*Node, node.Card, error) {
	data, _, err := readBounded(path, maxFile)
	if err != nil {
		return nil, node.Card{}, fmt.Errorf("read config: %w", err)
	}
	c, doc, err := parseNode(path, data)
	if err != nil {
		return nil, node.Card{}, err
	}
	card := c.readCard(checker{doc: doc})
	if err := doc.Err(); err != nil {
		return nil, node.Card{}, err
	}
	return c, card, nil
}

// ParseNode checks a configuration that is already in memory, and looks at no other file.
func ParseNode(name string, data []byte) (*Node, error) {
	c, doc, err := parseNode(name, data)
	if err != nil {
		return nil, err
	}
	return c, doc.Err()
}

func parseNode(name string, data []byte) (*Node, *Document, error) {
	doc, err := Open(name, data)
	if err != nil {
		return nil, nil, err
	}
	c := DefaultNode()
	c.Modem, c.Input, c.Tamper = nil, nil, nil
	doc.Into(c)
	c.check(checker{doc: doc})
	return c, doc, nil
}

func (c *Node) readCard(k checker) (card node.Card) {
	if c.Card == "" { // refused already
		return card
	}
	const form = "the card that enrolment made, readable by its owner alone"
	text, err := ReadSecret(c.Card)
	if err != nil {
		k.file("card", err, form)
		return card
	}
	if card, err = node.ParseCard([]byte(text)); err != nil {
		k.refuse("card", c.Card+": "+err.Error(), form)
	}
	return card
}

func (c *Node) check(k checker) {
	k.path("card", c.Card, `"/etc/longlane/river-gate.card"`)
	k.path("state", c.State, `"/var/lib/longlane-node"`)
	if c.Supply != "mains" && c.Supply != "battery" {
		k.refuse("supply", quote(c.Supply), `"mains" or "battery"`)
	}
	k.level("log_level", c.LogLevel)
	c.checkModem(k)
	c.checkInputs(k)
	c.checkMeasure(k)
	if c.TestEvery != 0 {
		k.between("test_every", c.TestEvery, 10*time.Minute, 168*time.Hour)
	}
	c.Checkin.check(k)
}

// checkModem wants a modem that sends: a node that only listens announces nobody.
func (c *Node) checkModem(k checker) {
	m := c.Modem
	if m == nil {
		k.refuse("modem", "nothing", "a table [modem], or nobody hears this node")
		return
	}
	if m.Name == "" && !k.has("modem.name") {
		m.Name = "modem"
	}
	m.Unit = UnitNode
	if c.Relay {
		m.Unit = UnitRelay
	}
	at := checker{doc: k.doc, table: "modem"}
	m.check(at)
	if c.Relay && m.Settings().Check() == nil {
		if err := route.Defaults(m.Settings()).Check(); err != nil {
			at.refuse("spreading_factor", strconv.Itoa(m.SpreadingFactor)+": "+err.Error(), "a faster setting, or no relays")
		}
	}
	switch {
	case m.Region == "":
		at.refuse("region", "nothing", "the region whose rules hold where the antenna stands: no region, no transmission, and then no arrival is announced")
	case !m.Transmit:
		at.refuse("transmit", "false", "true, or the key left out: a node that does not send announces nobody")
	}
}

func (c *Node) checkInputs(k checker) {
	if len(c.Input) == 0 {
		c.Input = nil
		if !c.Relay {
			k.refuse("input", "nothing", "at least one table [[input]], or the node watches nothing; a relay, which may do without, says relay = true")
		}
	}
	numbers, pins := map[int]int{}, map[string]string{}
	for i := range c.Input {
		in := &c.Input[i]
		at := checker{doc: k.doc, table: element("input", i)}
		at.number("number", in.Number, 0, 15, "")
		if j, twice := numbers[in.Number]; twice {
			at.refuse("number", strconv.Itoa(in.Number)+" again", "a number that differs from that of "+element("input", j))
		}
		numbers[in.Number] = i
		at.between("debounce", in.Debounce, time.Millisecond, time.Second)
		at.between("min_dwell", in.MinDwell, 5*time.Millisecond, time.Minute)
		at.contact(&in.Command, in.Alive, in.GPIO, pins)
		if in.Supervised && in.GPIO != nil {
			at.refuse("supervised", "true beside a pin", "a table [input.wire] for the pin that tells whether the wire is whole")
		}
		switch {
		case in.Wire != nil && in.GPIO == nil:
			at.refuse("wire", "[input.wire] without [input.gpio]", "both, or neither; a command tells by itself: supervised = true")
		case in.Wire != nil:
			at.pin("wire", in.Wire, pins)
		}
	}
	if t := c.Tamper; t != nil {
		checker{doc: k.doc, table: "tamper"}.contact(&t.Command, t.Alive, t.GPIO, pins)
	}
}

// contact checks how a contact is read. It also drops an empty command, so that equal configurations compare equal.
func (k checker) contact(command *[]string, alive Duration, pin *Pin, pins map[string]string) {
	argv := *command
	if len(argv) == 0 {
		*command = nil
	}
	const path = `a program by its full path, then its arguments: ["/usr/local/bin/contact", "--pin", "4"]`
	switch {
	case len(argv) > 0 && pin != nil:
		k.refuse("command", "a command beside a pin", "one of the two")
	case len(argv) == 0 && pin == nil:
		k.refuse("gpio", "neither a pin nor a command", "a table gpio with chip and line, or a command: how the contact is read")
	case len(argv) > 0 && (!filepath.IsAbs(argv[0]) || slices.ContainsFunc(argv, func(a string) bool { return len(a) > 1024 || strings.Contains(a, "\x00") })):
		k.refuse("command", quote(strings.Join(argv, " ")), path)
	}
	switch {
	case alive == 0:
	case len(argv) == 0:
		k.refuse("alive", quote(alive.String()), "no such key beside a pin: the kernel tells when it cannot be read")
	default:
		k.between("alive", alive, time.Second, time.Hour)
	}
	if pin != nil {
		k.pin("gpio", pin, pins)
	}
}

// pin also brings about that no two contacts share a pin: the kernel would refuse the second.
func (k checker) pin(field string, p *Pin, pins map[string]string) {
	at := checker{doc: k.doc, table: k.at(field)}
	at.path("chip", p.Chip, `"/dev/gpiochip0"`)
	if p.Line == 0 && !at.has("line") {
		at.refuse("line", "nothing", "the pin's offset in the chip, which `gpioinfo` lists; it is not the number on the connector")
	}
	at.number("line", p.Line, 0, 1023, "")
	if _, ok := Biases[p.Bias]; !ok {
		at.refuse("bias", quote(p.Bias), `"pull-up", "pull-down", "none" or "as-is"`)
	}
	name := fmt.Sprintf("%s %d", p.Chip, p.Line)
	if other, twice := pins[name]; twice && p.Chip != "" {
		at.refuse("line", strconv.Itoa(p.Line)+" again", "a line that differs from that of "+other)
		return
	}
	pins[name] = at.table
}

// Biases are the words for what the chip's own resistor does to a pin.
var Biases = map[string]struct{}{"pull-up": {}, "pull-down": {}, "none": {}, "as-is": {}}

func (c *Node) checkMeasure(k checker) {
	at := checker{doc: k.doc, table: "measure"}
	for field, path := range map[string]string{"battery_file": c.Measure.BatteryFile, "temperature_file": c.Measure.TemperatureFile} {
		if path != "" {
			at.path(field, path, `"/sys/class/thermal/thermal_zone0/temp"`)
		}
	}
	if u := c.Measure.BatteryUnit; !(u > 0 && u <= 60) {
		at.refuse("battery_unit", fmt.Sprint(u), "volts for one count, above 0 and at most 60")
	}
	switch low := c.Measure.LowBattery; {
	case !(low >= 0 && low < 60):
		at.refuse("low_battery", fmt.Sprint(low), "0 to 60 V; 0 watches nothing")
	case low > 0 && c.Measure.BatteryFile == "":
		at.refuse("battery_file", "nothing", "the file that tells the voltage, since low_battery is set")
	}
}

// Level returns LogLevel in the terms of log/slog.
func (c *Node) Level() slog.Level { return levels[c.LogLevel] }
