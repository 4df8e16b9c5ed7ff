package planfiles

import (
	"math"
	"time"

	"longlane/radio/lane"
	"longlane/radio/lora"
	"longlane/radio/plan"
)

// transmitter is a site's modem. The plan has chosen a setting by which every one of its stations may send.
func (l *layout) transmitter(site *lane.Site) lora.Transmitter {
	t, _ := l.plan.Chosen.Transmitter(site)
	return t
}

// power is what a modem can be set to: whole dBm, never more than is lawful.
func (l *layout) power(site *lane.Site) float64 { return math.Floor(l.transmitter(site).Power) }

// level is at which one end of a way hears the other in leaf, on the average over the fading, dBm.
func (l *layout) level(w *plan.Way, from *lane.Site) float64 {
	return l.power(from) + net(w.From) + net(w.To) - w.InLeaf()
}

// margin is by how much that is above what the plan asks of a signal, dB.
func (l *layout) margin(w *plan.Way, from *lane.Site) float64 {
	return l.level(w, from) - l.plan.Chosen.Need
}

// net is an antenna with its cable, dBi.
func net(s *lane.Site) float64 { return s.AntennaGain - s.CableLoss }

// harder is by how much the plan asks more than the formula of the sensitivity says of a receiver with the plan's noise figure: how far datasheets are
// worse than that formula, dB.
func (l *layout) harder() float64 {
	return l.plan.Chosen.Sensitivity - lora.Sensitivity(l.plan.Chosen.Settings, l.plan.Options.NoiseFigure)
}

// radioSettings writes what gateway and nodes must have alike, and what the antenna of a site makes of it.
func (l *layout) radioSettings(p *page, site *lane.Site) {
	t := l.transmitter(site)
	p.set("region", quoted(l.plan.Lane.Region), "from the lane file: whose rules of the air hold there")
	p.set("frequency", itoa(int(t.Frequency)), "Hz; from the plan: "+l.plan.Chosen.Band.Range())
	p.set("bandwidth", itoa(t.Bandwidth), "Hz; from the plan, and so the next three; the same in all radios of the lane")
	p.set("spreading_factor", itoa(t.SpreadingFactor), "the one by which the plan's worst zone is heard best")
	p.set("coding_rate", itoa(t.CodingRate), "")
	p.set("preamble", itoa(t.Preamble), "symbols")
	p.set("power", itoa(int(l.power(site))), "dBm; what the plan reckoned with, and lawful with the antenna below")
	p.set("antenna_gain", decibels(site.AntennaGain), "dBi; from the lane file, [site."+site.Name+"]")
	p.set("cable_loss", decibels(site.CableLoss), "dB; likewise")
	if t.Listen > 0 {
		p.set("carrier_sense", quoted(lasting(t.Listen)), "the rules ask for it: the modem must listen for so long before it sends, by itself. Make sure that it does")
	}
}

// checkIn is the period by which the plan reckons.
func (l *layout) checkIn() time.Duration { return l.plan.Options.CheckIn }
