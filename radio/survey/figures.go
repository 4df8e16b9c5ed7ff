package survey

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"longlane/proto"
	"longlane/radio/lora"
)

// Name is what people call a neighbour: its node id, or proto.GatewayBase and a gateway's number.
func Name(id uint8) string {
	switch {
	case id == proto.GatewayBase:
		return "the gateway"
	case id > proto.GatewayBase:
		return fmt.Sprintf("gateway %d", id-proto.GatewayBase)
	}
	return fmt.Sprintf("node %d", id)
}

// Spread is how a figure was spread over the frames heard: half of them were better than Median, nine of ten than WorstTenth.
type Spread struct {
	Median     float64 `json:"median"`
	WorstTenth float64 `json:"worst_tenth"`
}

// Direction is how a neighbour was heard, or how it heard this place. A Spread is nil if no modem told the figure.
type Direction struct {
	Frames int     `json:"frames"` // probes sent
	Heard  int     `json:"heard"`  // of them; the package's documentation tells what that proves
	Loss   float64 `json:"loss"`   // share, at most
	RSSI   *Spread `json:"rssi_dbm,omitempty"`
	SNR    *Spread `json:"snr_db,omitempty"`
	Margin *Spread `json:"margin_db,omitempty"` // above what the spreading factor needs
	Noise  float64 `json:"noise_db,omitempty"`  // by so much SNR is worse than RSSI lets one expect, median; 0 if that cannot be told
}

// Neighbour is somebody in reach of this place.
type Neighbour struct {
	ID   uint8     `json:"id"`
	To   Direction `json:"to"`
	From Direction `json:"from"`
}

// RoundTrip is the time from the end of a probe's check-in to its receipt, in seconds.
type RoundTrip struct {
	Median float64 `json:"median"`
	Worst  float64 `json:"worst"`
}

// Figures are what a walk test has measured. Neighbours come the best to rely on first.
type Figures struct {
	Probes     int         `json:"probes"`
	Answered   int         `json:"answered"`
	RoundTrip  *RoundTrip  `json:"round_trip_s,omitempty"` // nil: nothing was answered
	Neighbours []Neighbour `json:"neighbours"`
}

// noiseFigure, dB, is that of AN1200.22, as radio/route has it.
const noiseFigure = 6

// saturated, dB: a LoRa demodulator's SNR is not to be trusted as it comes near to +10, since it rises no further whatever the
// signal does, and scatters there by a dB or two. Common practice, no source.
const saturated = 8

// margin is by how many dB a frame was above what its spreading factor needs; not a number if no figure was told. SNR decides,
// since it knows the noise of the place. Where it may have saturated, the signal's strength over thermal noise counts if that
// gives more.
func margin(s lora.Settings, rssi, snr float64) float64 {
	bySNR, byRSSI := snr-lora.RequiredSNR(s.SpreadingFactor), rssi-lora.Sensitivity(s, noiseFigure)
	switch {
	case math.IsNaN(snr):
		return byRSSI
	case snr >= saturated && byRSSI > bySNR:
		return byRSSI
	}
	return bySNR
}

// noise is by how many dB a frame's SNR was worse than its strength would give over thermal noise alone; not a number where that
// does not show: below 0 dB the strength told is that of the noise, and near saturation SNR is not to be trusted.
func noise(s lora.Settings, rssi, snr float64) float64 {
	if !(snr >= 0 && snr < saturated) {
		return math.NaN()
	}
	return rssi - lora.ThermalNoise(s.Bandwidth) - noiseFigure - snr
}

// FadingLoss is the share of frames that are lost at a mean margin of m dB if the signal fades as Rayleigh has it, which is the
// worst that a lane without line of sight does: 1 - exp(-10^(-m/10)), the chance that an exponentially distributed power is
// below the limit. Source: Goldsmith, Wireless Communications, outage under Rayleigh fading (from memory). The median that stands
// in for the mean here is 1.6 dB below it: on the safe side.
func FadingLoss(m float64) float64 { return -math.Expm1(-math.Pow(10, -m/10)) }

// figures are those of whole probes.
func figures(s lora.Settings, probes []Probe) Figures {
	f := Figures{Probes: len(probes), Neighbours: []Neighbour{}}
	var trips []float64
	to, from, seen := map[uint8]*tally{}, map[uint8]*tally{}, map[uint8]bool{}
	count := func(in map[uint8]*tally, p *Probe, list []Heard) {
		for _, h := range list {
			if seen[h.Neighbour] = true; in[h.Neighbour] == nil {
				in[h.Neighbour] = &tally{}
			}
			in[h.Neighbour].add(p, h)
		}
	}
	for i := range probes {
		p := &probes[i]
		count(to, p, p.HeardBy)
		count(from, p, p.Heard)
		if p.Answered > 0 {
			trips = append(trips, p.Answered-p.Sent)
		}
	}
	if f.Answered = len(trips); f.Answered > 0 {
		f.RoundTrip = &RoundTrip{Median: rounded(median(trips), 1000), Worst: rounded(slices.Max(trips), 1000)}
	}
	for id := range seen {
		f.Neighbours = append(f.Neighbours, Neighbour{ID: id, To: to[id].direction(s, len(probes)), From: from[id].direction(s, len(probes))})
	}
	slices.SortFunc(f.Neighbours, func(a, b Neighbour) int { return f.compare(&a, &b) })
	return f
}

// tally collects what was heard in one direction.
type tally struct {
	heard   int // probes
	probe   *Probe
	samples []Heard
}

func (t *tally) add(p *Probe, h Heard) {
	if t.probe != p {
		t.probe = p
		t.heard++
	}
	t.samples = append(t.samples, h)
}

func (t *tally) direction(s lora.Settings, probes int) Direction {
	if t == nil {
		return Direction{Frames: probes, Loss: 1}
	}
	var rssi, snr, margins, noises []float64
	for _, h := range t.samples {
		r, q := known(h.RSSI), known(h.SNR)
		rssi, snr = append(rssi, r), append(snr, q)
		margins, noises = append(margins, rounded(margin(s, r, q), 100)), append(noises, rounded(noise(s, r, q), 100))
	}
	d := Direction{Frames: probes, Heard: t.heard, Loss: float64(probes-t.heard) / float64(probes),
		RSSI: spreadOf(rssi), SNR: spreadOf(snr), Margin: spreadOf(margins)}
	if n := spreadOf(noises); n != nil {
		d.Noise = n.Median
	}
	return d
}

// hears reports whether the neighbour is known to hear this place. A gateway that answers hears it, unless a relay may have brought
// it what it answers; a gateway that tells how it hears leaves no doubt.
func (f *Figures) hears(n *Neighbour) bool {
	if n.To.Heard > 0 {
		return true
	}
	return n.ID >= proto.GatewayBase && n.From.Heard > 0 && f.Answered > 0 &&
		!slices.ContainsFunc(f.Neighbours, func(o Neighbour) bool { return o.ID < proto.GatewayBase && o.To.Heard > 0 })
}

// weak is the worse of a neighbour's two directions, by its median margin; nil: none is known.
func (n *Neighbour) weak() (d *Direction, to bool) {
	t, r := n.To.Margin, n.From.Margin
	switch {
	case t != nil && (r == nil || t.Median <= r.Median):
		return &n.To, true
	case r != nil:
		return &n.From, false
	}
	return nil, false
}

// compare puts first whoever is the best to rely on.
func (f *Figures) compare(a, b *Neighbour) int {
	worth := func(n *Neighbour) float64 {
		w := math.Inf(-1)
		if d, _ := n.weak(); d != nil {
			w = d.Margin.Median
		}
		if !f.hears(n) {
			w -= 1000
		}
		return w
	}
	return cmp.Or(cmp.Compare(worth(b), worth(a)), cmp.Compare(a.ID, b.ID))
}

// rounded keeps as many digits as mean something.
func rounded(v, parts float64) float64 { return math.Round(v*parts) / parts }

func known(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}

// spreadOf leaves out what is not a number; nil: there is nothing else. The worst tenth is by nearest rank.
func spreadOf(v []float64) *Spread {
	v = slices.DeleteFunc(v, math.IsNaN)
	if len(v) == 0 {
		return nil
	}
	slices.Sort(v)
	return &Spread{Median: median(v), WorstTenth: v[(len(v)+9)/10-1]}
}

func median(v []float64) float64 {
	slices.Sort(v)
	return (v[(len(v)-1)/2] + v[len(v)/2]) / 2
}
