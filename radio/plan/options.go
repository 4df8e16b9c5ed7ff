package plan

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"longlane/radio/beam"
	"longlane/radio/lane"
)

// Goal is what an arrangement must keep.
type Goal struct {
	Share  float64       // of the trips, 0.5 to 0.99999
	Within time.Duration // from the contact to the ear, 200 ms to 10 s
	Margin float64       // of each hop in leaf, dB, 0 to 40
	// Service is how long a battery must last where a relay has nothing else, 1 day or more.
	Service time.Duration
}

// Costs are what each piece costs, in whatever currency; only their proportions decide. The defaults are common practice, no source.
type Costs struct {
	Modem     float64 // LoRa modem of the gateway
	Node      float64 // a gate's unit with LoRa modem
	WiFiNode  float64 // a gate's unit on Wi-Fi
	Bridge    float64 // two directional antennas on Wi-Fi, on top of that
	Relay     map[lane.Power]float64
	Installed float64 // a relay that stands already
}

// Consumption is what units need, W. The defaults are common practice, no source, but for the radio (SX1262 datasheet, from memory: 5 mA
// and 45 mA at 3.3 V) and the beam (25 mA at 12 V for each).
type Consumption struct {
	Board, Receive, Transmit, Beam, WiFi float64
}

// Options say what is asked and what is assumed. Zero fields take the default that stands beside them.
type Options struct {
	Goal  Goal  // 99.9 % within 2 s, 10 dB, 60 days
	Costs Costs // all zero: DefaultCosts

	// Of every LoRa modem, the gateway's and the nodes': the most that it puts out, dBm, and the channel, Hz, which must be lawful in the lane's region, the power
	// by the antenna of one site at the least; and for how long it listens before it sends. Nil and 0: those of lora.Default.
	Power       *float64
	Frequency   float64
	Listen      time.Duration
	NoiseFigure float64 // of a LoRa receiver, dB: 6 (AN1200.22)
	NoiseRise   float64 // of the place over that, dB: 3, common practice, no source. None: -1

	// TripsPerHour are those of each zone in the busiest hour: 12. CheckIn is the period: 15 min.
	TripsPerHour float64
	CheckIn      time.Duration

	// WiFiFrequency is 2.44 GHz. WiFiPower is that of the weaker side's radio, 15 dBm; the antennas are a house's with 2 dBi and a board's
	// own with 0; the bridge's have 14 dBi each, and radiate 20 dBm (EIRP) as the law has it in Europe (ETSI EN 300 328, from memory).
	// WiFiNeed is the level below which it does not hold, -75 dBm: the -82 dBm that every receiver must have at 6 Mbit/s (IEEE 802.11,
	// clause 17.3.10.2, from memory) and 7 dB for a band that everybody uses, chosen
	// so that the plan agrees with what is common practice, no source: comfortable at 60 m in the clear, given out at about 90.
	WiFiFrequency, WiFiPower, WiFiGains, WiFiNeed float64

	Consumption Consumption // all zero: DefaultConsumption
	Battery     float64     // Wh: 240 (12 V, 20 Ah), of which 80 % are used
	// SunHours are the peak-sun hours of a day in the worst month, on the panel: by the latitude if the lane has an origin (WorstSun), else 1.
	SunHours float64

	// Outage is for how long gateway, broker and switch are to run without the mains: 8 h. House is what they need together, W: 15.
	Outage time.Duration
	House  float64

	Cable Cable // of a sensor; none

	// Movers are who passes the gates, and BeamWidth that of a beam where it is crossed, m: those that the gateway judges by unless its configuration says
	// otherwise, beam.DefaultMovers and beam.UsualWidth. No width: -1.
	Movers    []beam.Mover
	BeamWidth float64

	// Progress is told the share that is done, 0 to 1, now and then; nil: nobody.
	Progress func(share float64)
}

// DefaultCosts are common practice, no source.
func DefaultCosts() Costs {
	return Costs{Modem: 40, Node: 80, WiFiNode: 50, Bridge: 140,
		Relay: map[lane.Power]float64{lane.PowerMains: 120, lane.PowerSolar: 220, lane.PowerBattery: 160}}
}

// DefaultConsumption is what a small Linux board that never sleeps needs, and what hangs on it.
func DefaultConsumption() Consumption {
	return Consumption{Board: 0.7, Receive: 0.017, Transmit: 0.15, Beam: 0.3, WiFi: 0.4}
}

func def[T comparable](v *T, d T) {
	if zero := *new(T); *v == zero {
		*v = d
	}
}

// complete puts the defaults in.
func (o Options) complete(l *lane.Lane) *Options {
	def(&o.Goal.Share, 0.999)
	def(&o.Goal.Within, 2*time.Second)
	def(&o.Goal.Margin, 10)
	def(&o.Goal.Service, 60*24*time.Hour)
	c := &o.Costs
	if c.Relay == nil && c.Modem == 0 && c.Node == 0 && c.WiFiNode == 0 && c.Bridge == 0 && c.Installed == 0 {
		*c = DefaultCosts()
	}
	def(&o.Consumption, DefaultConsumption())
	def(&o.NoiseFigure, 6)
	def(&o.NoiseRise, 3)
	if o.NoiseRise == -1 {
		o.NoiseRise = 0
	}
	def(&o.TripsPerHour, 12)
	def(&o.CheckIn, 15*time.Minute)
	def(&o.WiFiFrequency, 2.44e9)
	def(&o.WiFiPower, 15)
	def(&o.WiFiGains, 2)
	def(&o.WiFiNeed, -75)
	def(&o.Battery, 240)
	if o.SunHours == 0 {
		o.SunHours = 1
		if l.Origin != nil {
			o.SunHours = WorstSun(l.Origin.Lat)
		}
	}
	def(&o.Outage, 8*time.Hour)
	def(&o.House, 15)
	if o.Movers == nil {
		o.Movers = beam.DefaultMovers()
	}
	def(&o.BeamWidth, beam.UsualWidth)
	if o.BeamWidth == -1 {
		o.BeamWidth = 0
	}
	if o.Progress == nil {
		o.Progress = func(float64) {}
	}
	return &o
}

// OptionError is an option with which there is no plan.
type OptionError struct{ Name, Found, Expected string }

func (e *OptionError) Error() string {
	return fmt.Sprintf("%s: found %s, expected %s", e.Name, e.Found, e.Expected)
}

// begin puts the defaults in and judges both the options and the lane.
func (o Options) begin(l *lane.Lane) (*Options, error) {
	whole := o.complete(l)
	if err := whole.check(); err != nil {
		return nil, err
	}
	var wrong []error
	for _, p := range l.Check() {
		wrong = append(wrong, p)
	}
	return whole, errors.Join(wrong...)
}

// check catches NaN too.
func (o *Options) check() error {
	hours := float64(time.Hour)
	type limit struct {
		name      string
		v         float64
		low, high float64
		unit      string
	}
	list := []limit{
		{"goal: share of trips", 100 * o.Goal.Share, 50, 99.999, "%"},
		{"goal: time", o.Goal.Within.Seconds(), 0.2, 10, "s"},
		{"goal: margin", o.Goal.Margin, 0, 40, "dB"},
		{"goal: service", float64(o.Goal.Service) / hours / 24, 1, 3650, "days"},
		{"frequency", o.Frequency, 0, 100e9, "Hz"},
		{"carrier sense", o.Listen.Seconds(), 0, 60, "s"},
		{"noise figure", o.NoiseFigure, 0, 30, "dB"},
		{"noise of the place", o.NoiseRise, 0, 60, "dB"},
		{"trips in an hour", o.TripsPerHour, 0, 3600, ""},
		{"check-in period", o.CheckIn.Seconds(), 1, 12 * 3600, "s"},
		{"Wi-Fi frequency", o.WiFiFrequency, 1e9, 10e9, "Hz"},
		{"Wi-Fi power", o.WiFiPower, -9, 36, "dBm"},
		{"Wi-Fi antennas", o.WiFiGains, -60, 60, "dB"},
		{"Wi-Fi level", o.WiFiNeed, -110, -20, "dBm"},
		{"battery", o.Battery, 0.1, 1e6, "Wh"},
		{"sun hours", o.SunHours, 0, 12, "h"},
		{"outage", o.Outage.Hours(), 0, 24 * 30, "h"},
		{"house", o.House, 0, 1e5, "W"},
		{"width of a beam", o.BeamWidth, 0, 1, "m"},
		{"cost of a modem", o.Costs.Modem, 0, 1e9, ""},
		{"cost of a node", o.Costs.Node, 0, 1e9, ""},
		{"cost of a Wi-Fi node", o.Costs.WiFiNode, 0, 1e9, ""},
		{"cost of a bridge", o.Costs.Bridge, 0, 1e9, ""},
		{"cost of a relay that stands", o.Costs.Installed, 0, 1e9, ""},
		{"consumption of a board", o.Consumption.Board, 0, 1e3, "W"},
		{"consumption of a receiver", o.Consumption.Receive, 0, 1e3, "W"},
		{"consumption of a transmitter", o.Consumption.Transmit, 0, 1e3, "W"},
		{"consumption of a beam", o.Consumption.Beam, 0, 1e3, "W"},
		{"consumption of Wi-Fi", o.Consumption.WiFi, 0, 1e3, "W"},
	}
	if o.Power != nil {
		list = append(list, limit{"power", *o.Power, -9, 30, "dBm"})
	}
	for _, x := range list {
		if !(x.v >= x.low && x.v <= x.high) {
			return &OptionError{x.name, figure(x.v, x.unit), plainly(x.low) + " to " + figure(x.high, x.unit)}
		}
	}
	if c := o.Cable; c != (Cable{}) {
		if _, err := VoltageDrop(c.Length, c.Amps, c.Section); err != nil {
			return err
		}
		if !(c.Volts >= 1 && c.Volts <= 120) {
			return &OptionError{"supply of the cable", fmt.Sprintf("%v V", c.Volts), "1 to 120 V"}
		}
	}
	for _, p := range lane.Powers {
		if v := o.Costs.Relay[p]; !(v >= 0 && v <= 1e9) {
			return &OptionError{"cost of a relay on " + string(p), plainly(v), "0 to 1000000000"}
		}
	}
	return nil
}

// plainly is a number without an exponent, which not everybody reads.
func plainly(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// figure is a number with its unit, if it has one.
func figure(v float64, unit string) string { return strings.TrimSpace(plainly(v) + " " + unit) }
