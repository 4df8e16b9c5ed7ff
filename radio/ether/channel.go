package ether

import (
	"fmt"
	"math"
	"slices"
	"time"

	"longlane/radio/ether/air"
	"longlane/radio/lane"
	"longlane/radio/lora"
	"longlane/radio/route"
)

// modemName is what pairs and interferers call the gateway's modem.
const modemName = "gateway"

// Channel is the [air] of a scenario: the settings that all stations share, and the physics. What the file leaves out has
// the values of SetDefaults.
type Channel struct {
	Region      string  `toml:"region"`       // by whose rules all stations send, each with a ledger; "": by none. A rehearsal needs it
	Frequency   float64 `toml:"frequency"`    // MHz
	AntennaGain float64 `toml:"antenna_gain"` // of every station, dBi, for what the rules count as power

	SpreadingFactor int     `toml:"spreading_factor"` // 5 to 12
	Bandwidth       int     `toml:"bandwidth"`        // Hz
	CodingRate      int     `toml:"coding_rate"`      // 5 to 8
	Preamble        int     `toml:"preamble"`         // symbols
	Power           float64 `toml:"power"`            // of every station, dBm at the antenna's connector

	ListenFirst bool `toml:"listen_first"` // all sense the carrier before they send, and wait while there is one
	// CarrierSense is for how long every modem does so by itself, for what the rules ask: as in the config of a gateway. Frames are not held up by it here.
	CarrierSense Duration `toml:"carrier_sense"`

	// Where both stations of a pair have places, and nothing else says how they hear each other, the signal falls with the
	// distance d by the log-distance law: RSSIAt1km - 10*Exponent*log10(d/1 km). Source: Rappaport, Wireless Communications,
	// 2nd ed. 2002, section 4.9. The exponent is 2 in free space and 2.7 to 3.5 in towns (its table 4.2), and 4 over flat ground
	// far beyond what the antennas' heights see (section 4.6, the two-ray model).
	Place     []float64 `toml:"place"`       // of the gateway: x and y, m; none: 0, 0
	RSSIAt1km *float64  `toml:"rssi_at_1km"` // of the channel's power, dBm, mean; -200 to 0
	Exponent  float64   `toml:"exponent"`    // 2 to 6

	NoiseFigure float64  `toml:"noise_figure"` // of every receiver, dB
	Shadowing   float64  `toml:"shadowing"`    // standard deviation around each pair's mean, dB; drawn once
	Fading      string   `toml:"fading"`       // none, rayleigh or rician
	SteadyPart  float64  `toml:"steady_part"`  // rician: power of the steady part over the scattered one, dB
	Coherence   Duration `toml:"coherence"`    // how long a draw of the fading holds
	Capture     string   `toml:"capture"`      // which published thresholds: computed (6 dB among equal factors) or measured (1 dB)
}

// SetDefaults is for whoever decodes a file.
func (c *Channel) SetDefaults() {
	*c = Channel{AntennaGain: lora.DipoleGain, SpreadingFactor: 7, Bandwidth: 125000, CodingRate: 5, Preamble: 8, Power: 14, NoiseFigure: 6,
		ListenFirst: true, Fading: "none", SteadyPart: 6, Coherence: Duration(time.Second), Capture: "computed"}
}

func (c *Channel) settings() lora.Settings {
	return lora.Settings{SpreadingFactor: c.SpreadingFactor, Bandwidth: c.Bandwidth, CodingRate: c.CodingRate, Preamble: c.Preamble}
}

// Transmitter is a station that sends frames of up to frame bytes, as the rules see it.
func (s *Scenario) Transmitter(power float64, frame int) lora.Transmitter {
	c := s.Air
	return lora.Transmitter{Settings: c.settings(), Frequency: int64(math.Round(c.Frequency * 1e6)), Power: power,
		AntennaGain: c.AntennaGain, Listen: time.Duration(c.CarrierSense), Frame: frame}
}

// Pair is how two stations hear each other, whatever their places say. Pairs of which nothing says how they do never hear each
// other.
type Pair struct {
	Of   []string `toml:"of"`   // two names; "gateway" is its modem
	RSSI float64  `toml:"rssi"` // of the channel's power, dBm, mean; -200 to 0
}

// Interferer is something on the air that is no station.
type Interferer struct {
	Level           float64            `toml:"level"`            // its power at every station, dBm
	At              map[string]float64 `toml:"at"`               // or at some, by name
	SpreadingFactor int                `toml:"spreading_factor"` // 0: plain noise
	From            Duration           `toml:"from"`
	To              Duration           `toml:"to"`    // 0: for ever
	Burst           Duration           `toml:"burst"` // 0: all the time
	Duty            float64            `toml:"duty"`
}

// SetDefaults is for whoever decodes a file.
func (i *Interferer) SetDefaults() { i.Level = math.Inf(-1) }

var fadings = map[string]air.FadingKind{"none": air.NoFading, "rayleigh": air.Rayleigh, "rician": air.Rician}

var captures = map[string]air.Matrix{"computed": air.Computed, "measured": air.Measured}

// physics is the channel as the air wants it: the scenario's nodes in their order, and behind them the gateway's modem.
func (s *Scenario) physics(seed uint64) air.Options {
	n, loss := len(s.Nodes)+1, s.losses()
	o := air.Options{Seed: seed, Stations: n, NoiseFigure: s.Air.NoiseFigure, Shadowing: s.Air.Shadowing, Capture: captures[s.Air.Capture],
		Fading: air.Fading{Kind: fadings[s.Air.Fading], K: s.Air.SteadyPart, Coherence: time.Duration(s.Air.Coherence)},
		Loss:   func(from, to int) float64 { return loss[from*n+to] }}
	for _, in := range s.Interferers {
		o.Interferers = append(o.Interferers, air.Interferer{SpreadingFactor: in.SpreadingFactor, Everywhere: true,
			From: time.Duration(in.From), To: time.Duration(in.To), Burst: time.Duration(in.Burst), Duty: in.Duty,
			Level: func(station int) float64 {
				if level, ok := in.At[s.name(station)]; ok {
					return level
				}
				return in.Level
			}})
	}
	return o
}

// losses are the mean losses between all stations, dB: from*n + to, both ways the same.
func (s *Scenario) losses() []float64 {
	modem := len(s.Nodes)
	n := modem + 1
	loss := make([]float64, n*n)
	for i := range loss {
		loss[i] = math.Inf(1)
	}
	set := func(a, b int, dB float64) { loss[a*n+b], loss[b*n+a] = dB, dB }
	for i := range s.Nodes {
		for j := range i {
			set(i, j, s.byPlace(s.Nodes[i].Place, s.Nodes[j].Place))
		}
		set(i, modem, s.byPlace(s.Nodes[i].Place, s.Air.place()))
		if rssi := s.Nodes[i].RSSI; rssi != nil {
			set(i, modem, s.power(i)-*rssi)
		}
	}
	for _, p := range s.Pairs {
		set(s.number(p.Of[0]), s.number(p.Of[1]), s.Air.Power-p.RSSI)
	}
	return loss
}

// byPlace is the mean loss between two places, dB; +Inf if one is not known. Within a metre the law says nothing, and no path
// amplifies.
func (s *Scenario) byPlace(a, b []float64) float64 {
	if len(a) == 0 || len(b) == 0 {
		return math.Inf(1)
	}
	d := max(math.Hypot(a[0]-b[0], a[1]-b[1]), 1)
	return max(s.Air.Power-*s.Air.RSSIAt1km+10*s.Air.Exponent*math.Log10(d/1000), 0)
}

func (c *Channel) place() []float64 {
	if len(c.Place) == 0 {
		return []float64{0, 0}
	}
	return c.Place
}

// power is what a station sends with, dBm.
func (s *Scenario) power(number int) float64 {
	if number < len(s.Nodes) && s.Nodes[number].Power != nil {
		return *s.Nodes[number].Power
	}
	return s.Air.Power
}

// Signals are the means, over shadowing and fading, at which the stations hear each other, dBm, by sender and hearer: the nodes
// in their order, and behind them the gateway's modem. -Inf: never.
func (s Scenario) Signals() [][]float64 {
	s = s.Filled()
	n, loss := len(s.Nodes)+1, s.losses()
	out := make([][]float64, n)
	for from := range out {
		out[from] = make([]float64, n)
		for to := range n {
			out[from][to] = s.power(from) - loss[from*n+to]
		}
	}
	return out
}

// number is a station's in the air; below 0 if there is none of that name.
func (s *Scenario) number(name string) int {
	if name == modemName {
		return len(s.Nodes)
	}
	return slices.IndexFunc(s.Nodes, func(n Node) bool { return n.Name == name })
}

func (s *Scenario) name(number int) string {
	if number == len(s.Nodes) {
		return modemName
	}
	return s.Nodes[number].Name
}

func (s *Scenario) validateAir(p *problems) {
	c := s.Air
	if err := c.settings().Check(); err != nil {
		p.add("air", err.Error(), "settings that a modem has")
	} else if s.relays() {
		if err := route.Defaults(c.settings()).Check(); err != nil {
			p.add("air", err.Error(), "faster settings, or no relays")
		}
	}
	p.number("air.power", c.Power, -30, 40)
	p.number("air.antenna_gain", c.AntennaGain, -30, 30) // what package lora reckons with
	p.duration("air.carrier_sense", c.CarrierSense, 0, Duration(time.Second))
	if c.CarrierSense != 0 && !c.ListenFirst {
		p.add("air.carrier_sense", time.Duration(c.CarrierSense).String(), "nothing beside listen_first = false: who senses the carrier listens first")
	}
	p.number("air.noise_figure", c.NoiseFigure, 0, 60)
	p.number("air.shadowing", c.Shadowing, 0, 30)
	p.number("air.steady_part", c.SteadyPart, -30, 40)
	p.duration("air.coherence", c.Coherence, Duration(time.Millisecond), longest)
	if _, ok := fadings[c.Fading]; !ok {
		p.add("air.fading", fmt.Sprintf("%q", c.Fading), `"none", "rayleigh" or "rician"`)
	}
	if _, ok := captures[c.Capture]; !ok {
		p.add("air.capture", fmt.Sprintf("%q", c.Capture), `"computed" or "measured"`)
	}
	for i, pair := range s.Pairs {
		at := fmt.Sprintf("pair[%d].", i)
		if len(pair.Of) != 2 || s.number(pair.Of[0]) < 0 || s.number(pair.Of[1]) < 0 || pair.Of[0] == pair.Of[1] {
			p.add(at+"of", fmt.Sprintf("%q", pair.Of), `the names of two nodes, or of one and "gateway"`)
		}
		p.number(at+"rssi", pair.RSSI, -200, 0)
	}
	for i := range s.Interferers {
		s.validateInterferer(p, i)
	}
}

// StandAt gives the nodes without a place that of the site of their name, and the gateway that of the only site with its role.
// Whoever has a place, an rssi or a pair keeps it; those who have no site stay where they are. The error, a *FieldError, tells
// that the lane does not say where the gateway is, which Scenario.Air then must.
func (s *Scenario) StandAt(l *lane.Lane) error {
	if s.Air == nil {
		*s = s.Filled()
	}
	for i := range s.Nodes {
		n := &s.Nodes[i]
		if site := l.Site(n.Name); site != nil && len(n.Place) == 0 {
			n.Place = []float64{site.At.East, site.At.North}
		}
	}
	if len(s.Air.Place) > 0 {
		return nil
	}
	for _, site := range l.Sites {
		if site.Role != lane.RoleGateway {
			continue
		}
		if len(s.Air.Place) > 0 {
			return &FieldError{"lane", "a lane with several gateways", "the place of the one that is simulated: place = [x, y] under [air]"}
		}
		s.Air.Place = []float64{site.At.East, site.At.North}
	}
	return nil
}

// place is a place if there is one: anywhere within a million metres.
func (p *problems) place(field string, at []float64) {
	const far = 1e6
	if len(at) != 0 && len(at) != 2 {
		p.add(field, fmt.Sprintf("%d numbers", len(at)), "two, x and y in metres, such as [-350.0, 1200.0]")
	}
	for _, v := range at {
		p.number(field, v, -far, far)
	}
}

// validateReach holds that places can be reckoned with, and that everybody is heard by somebody.
func (s *Scenario) validateReach(p *problems) {
	c := s.Air
	p.place("air.place", c.Place)
	if slices.ContainsFunc(s.Nodes, func(n Node) bool { return len(n.Place) > 0 }) {
		if c.RSSIAt1km == nil {
			p.add("air.rssi_at_1km", "nothing", "the dBm at which stations 1 km apart hear each other, since nodes have places")
		}
		p.number("air.exponent", c.Exponent, 2, 6)
	}
	if c.RSSIAt1km != nil {
		p.number("air.rssi_at_1km", *c.RSSIAt1km, -200, 0)
	}
	if len(*p) > 0 {
		return
	}
	for from, heard := range s.Signals()[:len(s.Nodes)] {
		if !slices.ContainsFunc(heard, func(dBm float64) bool { return !math.IsInf(dBm, -1) }) {
			p.add(fmt.Sprintf("node[%d].rssi", from), "nothing, and no place and no [[pair]]",
				fmt.Sprintf("one of them, since nobody ever hears %s", s.Nodes[from].Name))
		}
	}
}

// relays reports whether there are any.
func (s *Scenario) relays() bool {
	return slices.ContainsFunc(s.Nodes, func(n Node) bool { return n.Relay })
}

func (s *Scenario) validateInterferer(p *problems, i int) {
	in, at := &s.Interferers[i], fmt.Sprintf("interferer[%d].", i)
	if math.IsInf(in.Level, -1) && len(in.At) == 0 {
		p.add(at+"level", "nothing", "its power in dBm, or [interferer.at] with its power at some stations")
	}
	if !(in.Level <= 30) {
		p.add(at+"level", fmt.Sprint(in.Level), "at most 30")
	}
	for name, level := range in.At {
		if s.number(name) < 0 {
			p.add(at+"at", fmt.Sprintf("%q", name), `the name of a node, or "gateway"`)
		}
		p.number(at+"at", level, -200, 30)
	}
	if sf := in.SpreadingFactor; sf != 0 && (sf < 5 || sf > 12) {
		p.add(at+"spreading_factor", fmt.Sprint(sf), "5 to 12, or none for plain noise")
	}
	p.duration(at+"from", in.From, 0, longest)
	if in.To != 0 {
		p.duration(at+"to", in.To, in.From+1, longest)
	}
	if in.Burst != 0 {
		p.duration(at+"burst", in.Burst, Duration(time.Millisecond), Duration(time.Hour))
		p.number(at+"duty", in.Duty, 1e-6, 1)
		if every := float64(in.Burst) / in.Duty; every > float64(longest) {
			p.add(at+"duty", fmt.Sprintf("%v, so that bursts of %v come once in %.0f years", in.Duty, time.Duration(in.Burst), every/float64(longest/10)),
				"one burst in ten years or more")
		}
	} else if in.Duty != 0 {
		p.add(at+"duty", fmt.Sprint(in.Duty), "the length of a burst beside it")
	}
}
