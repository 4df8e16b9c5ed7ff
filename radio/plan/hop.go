package plan

import (
	"math"
	"time"
)

// Term is a line of a link budget: a level in dBm, or what is gained (above 0) or lost, dB.
type Term struct {
	Name  string
	Value float64
	Unit  string
}

// Part is something that is not known, as a standard deviation.
type Part struct {
	Name  string
	Sigma float64 // dB
}

// Hop is a way by a bearer, in the weaker of its two directions.
type Hop struct {
	*Way
	Bearer  Kind
	Setting *Setting // of LoRa, else nil
	Level   float64  // at the receiver in leaf, dBm
	Need    float64  // level that it needs, dBm
	Margin  float64  // Level - Need, dB
	Terms   []Term   // what comes before "at the receiver" adds up to it; what comes after it is taken off, and leaves Margin
	// Parts are what is not known, and Sigma is the root of the sum of their squares: as if they had nothing to do with each other.
	Parts []Part
	Sigma float64
	// Fading is the share of frames that are read at the first try, in leaf, if the margin is right; Careful if it is what nine of ten
	// such ways have; Holds is the share of such ways that have any margin.
	Fading, Careful, Holds float64
	// Months is the share of frames by month, from January, and Year its mean.
	Months [12]float64
	Year   float64
}

// The standard deviations of antennas with their cables, and of the noise of a place. Our choice, no source.
const antennaError, noiseError = 1.5, 3.0

// nine of ten are better than the mean less so many standard deviations.
const nineOfTen = 1.2816

// margin is what a setting leaves of a way in leaf: the number that decides, without the words. In this order: see Way.net.
func (s *Setting) margin(w *Way) float64 {
	return min(s.power[w.From], s.power[w.To]) + (gains(w) - w.InLeaf()) - s.Need
}

func gains(w *Way) float64 {
	return w.From.AntennaGain - w.From.CableLoss + w.To.AntennaGain - w.To.CableLoss
}

// hop is the whole budget of LoRa.
func (s *Setting) hop(w *Way) *Hop {
	power := min(s.power[w.From], s.power[w.To])
	h := &Hop{Way: w, Bearer: LoRa, Setting: s, Need: s.Need}
	h.add("power at the modem", power, "dBm")
	h.add("antenna of "+w.From.Name, w.From.AntennaGain, "dB")
	h.add("cable there", -w.From.CableLoss, "dB")
	h.add("antenna of "+w.To.Name, w.To.AntennaGain, "dB")
	h.add("cable there", -w.To.CableLoss, "dB")
	h.losses()
	h.Terms = append(h.Terms,
		Term{"noise floor", s.Noise, "dBm"},
		Term{"needed over that", s.Need - s.Noise, "dB"})
	h.judge()
	return h
}

// wifi is that of Wi-Fi, by ordinary antennas or a bridge.
func wifi(w *Way, bridge bool, o *Options) *Hop {
	h := &Hop{Way: w, Bearer: WiFi, Need: o.WiFiNeed}
	if bridge {
		h.Bearer = Bridge
		h.add("radiated (EIRP)", bridgeEIRP, "dBm")
		h.add("antenna of the other side", bridgeGain, "dB")
	} else {
		h.add("power of the radio", o.WiFiPower, "dBm")
		h.add("both antennas", o.WiFiGains, "dB")
	}
	h.losses()
	h.Terms = append(h.Terms, Term{"level that it needs", h.Need, "dBm"})
	h.judge()
	return h
}

const bridgeEIRP, bridgeGain = 20.0, 14.0

// add counts what is gained or lost up to the receiver.
func (h *Hop) add(name string, value float64, unit string) {
	h.Level += value
	if value != 0 || unit == "dBm" {
		h.Terms = append(h.Terms, Term{name, value, unit})
	}
}

func (h *Hop) losses() {
	h.add("free space", -h.Free, "dB")
	h.add("ground and hills", -h.Ground, "dB")
	h.add("buildings", -h.Buildings, "dB")
	h.add("plants in leaf", -h.Leaf, "dB")
	h.Terms = append(h.Terms, Term{"at the receiver", h.Level, "dBm"})
}

func (h *Hop) judge() {
	h.Margin = h.Level - h.Need
	h.Parts = []Part{{"formula for the ground", h.GroundError}, {"noise of the place", noiseError}, {"antennas and cables", antennaError}}
	if h.PlantError > 0 {
		h.Parts = append(h.Parts, Part{"plants", h.PlantError})
	}
	if h.WallError > 0 {
		h.Parts = append(h.Parts, Part{"walls", h.WallError})
	}
	sum := 0.0
	for _, p := range h.Parts {
		sum += p.Sigma * p.Sigma
	}
	h.Sigma = math.Sqrt(sum)
	h.Fading, h.Careful, h.Holds = Rayleigh(h.Margin), Rayleigh(h.Margin-nineOfTen*h.Sigma), LogNormal(h.Margin, h.Sigma)
	for m := range h.Months {
		h.Months[m] = Rayleigh(h.Margin + h.Leaf - h.Plants[m])
		h.Year += h.Months[m] / 12
	}
}

// in is the margin in a month.
func (h *Hop) in(m time.Month) float64 { return h.Margin + h.Leaf - h.Plants[m-1] }
