package node

import (
	"fmt"
	"time"

	"longlane/proto"
	"longlane/radio/lora"
	"longlane/radio/route"
)

// Config is what a node is. Zero fields of the second half take the default that stands beside them.
type Config struct {
	Site     uint16
	Node     uint8 // 1 to 239
	Gen      uint8 // generation of Key
	Key      []byte
	GroupKey []byte // may be absent: a node that only sends trips needs none
	GroupGen uint8
	Inputs   []InputConfig
	Mains    bool   // runs from the mains: it listens all the time
	Relay    bool   // it sends other nodes' frames on; it listens all the time
	Seed     uint64 // of all jitter; it must differ from start to start and from node to node

	Modem lora.Settings // of the channel; none: spreading factor 7, 125 kHz, 4/5, 8 symbols of preamble
	Hop   HopConfig
	Route *route.Config // of a relay; nil: route.Defaults(Modem)

	CheckIn      time.Duration // 15 min; 1 s to 12 h. The gateway's settings may replace it
	HopsLeft     uint8         // 7; 1 to 15
	ReceiptWait  time.Duration // 1 s and eight hops' airtime there and back; 100 ms to 30 s: how long a receipt may take
	BlockedAfter time.Duration // 10 min; 1 s to 30 h: an input tripped for longer is blocked
	ChatterLimit int           // 30; 1 to 10,000: an input that changes more often in a minute is chattering
	LowBattery   float64       // volts; 0: the supply is not watched
}

// InputConfig is one contact.
type InputConfig struct {
	Number         uint8 // 0 to 15, each once
	NormallyClosed bool  // opening the contact is the trip
	Supervised     bool  // the wire to the contact is supervised by the board, which reports it as Trouble

	Debounce time.Duration // 30 ms; 1 ms to 1 s: a contact that has not changed for so long has settled
	MinDwell time.Duration // 75 ms; 5 ms to 1 min: a closure shorter than this is no trip. Settings may replace it
}

// Defaults.
const (
	DefaultCheckIn  = 15 * time.Minute
	DefaultDebounce = 30 * time.Millisecond
	DefaultMinDwell = 75 * time.Millisecond
)

func orDefault[T comparable](v *T, d T) {
	if *v == *new(T) {
		*v = d
	}
}

// withDefaults fills in what is zero. It copies what it changes.
func (c Config) withDefaults() Config {
	orDefault(&c.CheckIn, DefaultCheckIn)
	orDefault(&c.HopsLeft, proto.MaxHops)
	orDefault(&c.Modem, lora.Settings{SpreadingFactor: 7, Bandwidth: 125000, CodingRate: 5, Preamble: 8})
	if c.Modem.Check() == nil {
		c.Hop = c.Hop.withDefaults(c.Modem)
		orDefault(&c.ReceiptWait, receiptWait(c.Modem))
		if c.Relay && c.Route == nil {
			c.Route = new(route.Defaults(c.Modem))
		}
	}
	orDefault(&c.BlockedAfter, 10*time.Minute)
	orDefault(&c.ChatterLimit, 30)
	c.Inputs = append([]InputConfig(nil), c.Inputs...)
	for i := range c.Inputs {
		orDefault(&c.Inputs[i].Debounce, DefaultDebounce)
		orDefault(&c.Inputs[i].MinDwell, DefaultMinDwell)
	}
	return c
}

// ConfigError is a field of a Config that no node can run with.
type ConfigError struct {
	Name     string // such as "Inputs[1].Debounce"
	Found    string
	Expected string
}

func (e *ConfigError) Error() string {
	return fmt.Sprintf("%s: found %s, expected %s", e.Name, e.Found, e.Expected)
}

func between[T time.Duration | int | uint8](name string, v, low, high T) error {
	if v < low || v > high {
		return &ConfigError{name, fmt.Sprint(v), fmt.Sprintf("%v to %v", low, high)}
	}
	return nil
}

func firstError(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// check expects defaults to be filled in.
func (c Config) check() error {
	if err := c.Modem.Check(); err != nil { // others' defaults come from it
		return fmt.Errorf("settings of the modem: %w", err)
	}
	if err := firstError(
		between("Node", c.Node, proto.MinNode, proto.MaxNode),
		between("CheckIn", c.CheckIn, time.Second, 12*time.Hour),
		between("HopsLeft", c.HopsLeft, 1, 15),
		between("ReceiptWait", c.ReceiptWait, 100*time.Millisecond, 30*time.Second),
		between("BlockedAfter", c.BlockedAfter, time.Second, 30*time.Hour),
		between("ChatterLimit", c.ChatterLimit, 1, 10000),
	); err != nil {
		return err
	}
	if err := c.Hop.check(); err != nil {
		return err
	}
	if c.Relay && len(c.GroupKey) == 0 {
		return &ConfigError{"GroupKey", "none", "one: a relay tells its neighbours of its way"}
	}
	if len(c.GroupKey) != 0 && len(c.GroupKey) != proto.KeySize {
		return &ConfigError{"GroupKey", fmt.Sprintf("%d bytes", len(c.GroupKey)), fmt.Sprintf("%d, or none", proto.KeySize)}
	}
	if !(c.LowBattery >= 0 && c.LowBattery < 60) {
		return &ConfigError{"LowBattery", fmt.Sprint(c.LowBattery), "0 to 60 V"}
	}
	return c.checkInputs()
}

func (c Config) checkInputs() error {
	var seen [16]bool
	for i, in := range c.Inputs {
		at := fmt.Sprintf("Inputs[%d].", i)
		if err := firstError(
			between(at+"Number", in.Number, 0, 15),
			between(at+"Debounce", in.Debounce, time.Millisecond, time.Second),
			between(at+"MinDwell", in.MinDwell, proto.MinDwellUnit, time.Minute),
		); err != nil {
			return err
		}
		if seen[in.Number] {
			return &ConfigError{at + "Number", fmt.Sprint(in.Number), "each number once"}
		}
		seen[in.Number] = true
	}
	return nil
}
