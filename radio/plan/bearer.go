package plan

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"longlane/radio/lane"
	"longlane/radio/lora"
)

// Sizes of frames, bytes. Source: proto/PROTOCOL.md, sections 3 and 13; a test holds them against package proto.
const (
	tripSize    = 26
	hopSize     = 9
	receiptSize = 33
	longestSize = 35 // of a node's own frame, without hop records
)

// MaxHops is how many hops the frame of a gate may take, the gateway's included.
const MaxHops = 4

// Kind is a bearer.
type Kind string

// The bearers. A bridge is Wi-Fi by two directional antennas that look at each other.
const (
	LoRa   Kind = "lora"
	WiFi   Kind = "wifi"
	Bridge Kind = "wifi-bridge"
)

// Title is a bearer as people call it.
func (k Kind) Title() string {
	switch k {
	case LoRa:
		return "LoRa"
	case Bridge:
		return "Wi-Fi bridge"
	}
	return "Wi-Fi"
}

// Setting is a modem's settings that the region allows with the antennas of this lane, or why it is refused.
type Setting struct {
	lora.Settings
	Frequency float64 // Hz
	Band      lora.Band
	// Budget is the airtime of an hour that is lawful; Gateway is what the gateway needs of it in the busiest hour for receipts, and Relay
	// what a relay needs that carries the frames and receipts of all gates, over the most hops.
	Budget, Gateway, Relay time.Duration
	// Need is the level, dBm, that a frame needs in a receiver without fading: Sensitivity, and what the noise of the place adds.
	Noise, Sensitivity, Need float64
	// Margin is what each of n hops must have, dB, so that the goal is met: Margin[n-1]; infinite if none is enough.
	Margin [MaxHops]float64
	// Refused is why it must not be used; empty: it may.
	Refused string

	region string
	base   lora.Transmitter       // with the region's usual antenna
	power  map[*lane.Site]float64 // dBm at the modem's connector
}

// Name is such as "SF7, 125 kHz".
func (s *Setting) Name() string {
	return fmt.Sprintf("SF%d, %d kHz", s.SpreadingFactor, s.Bandwidth/1000)
}

// LeastPower is that of the site which may put out least with its antenna, dBm.
func (s *Setting) LeastPower() float64 {
	least := math.Inf(1)
	for _, w := range s.power {
		least = min(least, w)
	}
	return least
}

// usable reports whether a lane may run on it over so many hops.
func (s *Setting) usable(hops int) bool {
	return s.Refused == "" && !math.IsInf(s.Margin[hops-1], 1) && (hops == 1 || s.Relay <= s.Budget)
}

// implementation is by how much datasheets are worse than the formula of the sensitivity, at the most: see lora.Sensitivity.
func implementation(bandwidth int) float64 {
	if bandwidth >= 500_000 {
		return 2.5
	}
	return 1.5
}

// settings are all that the chips have from spreading factor 7 and 125 kHz on, each with the reason if it is refused.
func settings(l *lane.Lane, sites []*lane.Site, zones int, o *Options) ([]*Setting, error) {
	base := lora.Default(l.Region)
	if base.Frequency == 0 {
		return nil, fmt.Errorf("region: found %q, expected one of %v", l.Region, lora.Regions())
	}
	if o.Frequency != 0 {
		base.Frequency = int64(math.Round(o.Frequency))
	}
	if o.Power != nil {
		base.Power = *o.Power
	}
	if o.Listen != 0 {
		base.Listen = o.Listen
	}
	var all []*Setting
	for _, bw := range lora.Bandwidths() {
		if bw < 125_000 {
			continue // a crystal of 20 ppm leaves such a channel: see lora.Lawful
		}
		for sf := 7; sf <= 12; sf++ {
			t := base
			t.SpreadingFactor, t.Bandwidth, t.Frame = sf, bw, longestSize+MaxHops*hopSize
			s := &Setting{Settings: t.Settings, Frequency: float64(t.Frequency), region: l.Region, base: t, power: map[*lane.Site]float64{}}
			all = append(all, s)
			s.law(sites)
			s.Noise = lora.ThermalNoise(bw) + o.NoiseFigure + o.NoiseRise
			s.Sensitivity = lora.Sensitivity(t.Settings, o.NoiseFigure) + implementation(bw)
			s.Need = s.Sensitivity + o.NoiseRise
			s.load(zones, o)
			s.need(o)
		}
	}
	return all, lawful(l.Region, all, o)
}

// lawful refuses a channel that the region leaves no setting, and a power that it leaves no site by any: what is asked for could not be done at all. That
// a better antenna lowers the power of its own site is no mistake.
func lawful(region string, all []*Setting, o *Options) error {
	megahertz := fmt.Sprintf("%.3f MHz", all[0].Frequency/1e6)
	if !slices.ContainsFunc(all, func(s *Setting) bool {
		_, err := lora.Lawful(region, s.weakest())
		return err == nil
	}) {
		var ranges []string
		for _, b := range lora.Bands(region) {
			if b.Use == "" && !slices.Contains(ranges, b.Range()) {
				ranges = append(ranges, b.Range())
			}
		}
		expected := fmt.Sprintf("a channel that the rules of %s allow; they cover %s", region, strings.Join(ranges, ", "))
		if why := reasons(region, all[0].weakest()); why != "" {
			expected += "; here " + why
		}
		return &OptionError{"frequency", megahertz, expected}
	}
	most := math.Inf(-1)
	for _, s := range all {
		for _, power := range s.power {
			most = max(most, power)
		}
	}
	if o.Power != nil && most < *o.Power && !math.IsInf(most, -1) {
		return &OptionError{"power", fmt.Sprintf("%v dBm", *o.Power),
			fmt.Sprintf("%v dBm or less: no more is lawful in %s at %s with any antenna of this lane", most, region, megahertz)}
	}
	return nil
}

// weakest is its modem with a power and antenna that no limit of power refuses.
func (s *Setting) weakest() lora.Transmitter {
	t := s.base
	t.Power, t.AntennaGain, t.CableLoss = leastPower, lane.DipoleGain, 0
	return t
}

// leastPower is that of the usual chips, dBm.
const leastPower = -9

// law finds the power of each site, and why there is none.
func (s *Setting) law(sites []*lane.Site) {
	region := s.region
	for _, site := range sites {
		t := s.base
		t.AntennaGain, t.CableLoss = site.AntennaGain, site.CableLoss
		band, err := lora.Lawful(region, t)
		for ; err != nil && t.Power > leastPower; t.Power-- { // a better antenna than the region's default may need less power
			weaker := t
			weaker.Power--
			if band, err = lora.Lawful(region, weaker); err == nil {
				t = weaker
				break
			}
		}
		if err != nil {
			s.Refused = fmt.Sprintf("not lawful in %s at %.3f MHz at any power", region, float64(t.Frequency)/1e6)
			if why := reasons(region, t); why != "" {
				s.Refused += ": " + why
			}
			return
		}
		s.power[site] = t.Power
		if s.Budget == 0 || band.Budget() < s.Budget {
			s.Band, s.Budget = band, band.Budget()
		}
	}
}

// reasons is what the rows of a region have against t.
func reasons(region string, t lora.Transmitter) string {
	_, err := lora.Lawful(region, t)
	if u, ok := err.(*lora.Unlawful); ok && len(u.Reasons) > 0 && len(u.Reasons[0].Why) > 0 {
		return u.Reasons[0].Band.Range() + " " + u.Reasons[0].Why[0]
	}
	return ""
}

// repeats is how much more airtime frames, receipts and acknowledgements take than the least: rehearsals of four hops measured 1.36
// to 1.48 (README, What the mesh does).
const repeats = 1.5

// load reckons the airtime of the busiest hour. The gateway answers every frame.
func (s *Setting) load(zones int, o *Options) {
	frames := float64(zones) * (2*o.TripsPerHour + float64(time.Hour)/float64(o.CheckIn))
	of := func(size int) float64 { return frames * repeats * float64(s.Airtime(size)) }
	s.Gateway = time.Duration(of(receiptSize))
	s.Relay = s.Gateway + time.Duration(of(receiptSize+(MaxHops-1)*hopSize))
	if s.Refused == "" && s.Gateway > s.Budget {
		s.Refused = fmt.Sprintf("its receipts cannot be lawful: the gateway would answer %.0f frames in the busiest hour, which is %v of airtime; %v are allowed",
			frames, s.Gateway.Round(time.Second), s.Budget.Round(time.Second))
	}
}

// need finds the margins that meet the goal.
func (s *Setting) need(o *Options) {
	best := 0.0
	for h := 1; h <= MaxHops; h++ {
		s.Margin[h-1] = max(o.Goal.Margin, neededMargin(byLoRa(&s.Settings), h, o))
		if h == 1 {
			best = timing(byLoRa(&s.Settings), []float64{math.Inf(1)}, o)
		}
	}
	if s.Refused == "" && math.IsInf(s.Margin[0], 1) {
		s.Refused = fmt.Sprintf("too slow: a trip's frame lasts %v, and %v after the contact even a perfect hop has told of %.1f %% of the trips",
			s.Airtime(tripSize).Round(time.Millisecond), o.Goal.Within, 100*best)
	}
}
