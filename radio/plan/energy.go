package plan

import (
	"math"
	"time"

	"longlane/radio/lane"
)

// Energy is what keeps a unit going.
type Energy struct {
	Site  *lane.Site
	Watts float64 // on the average
	// Battery is how long the battery of the options lasts without sun; 0: it runs from the mains.
	Battery time.Duration
	// Panel is the least that a panel must have, W, so that the worst month does not empty the battery, and Reserve how long the battery of the options
	// lasts without any sun; both only where there is a place for one.
	Panel float64
}

const (
	usable = 0.8  // of a battery's charge. Common practice, no source
	yield  = 0.65 // of a panel: dirt, heat, regulator, battery. Common practice, no source
)

// energy reckons a unit at a site; airtime is of an hour.
func energy(s *lane.Site, beams int, relay, wifi bool, airtime time.Duration, o *Options) Energy {
	c := o.Consumption
	e := Energy{Site: s, Watts: c.Board + float64(beams)*c.Beam}
	switch {
	case wifi:
		e.Watts += c.WiFi
	default:
		e.Watts += c.Transmit * airtime.Hours()
		if relay { // a gate's node listens only after it has sent
			e.Watts += c.Receive
		}
	}
	if s.Power == lane.PowerMains || e.Watts == 0 {
		return e
	}
	e.Battery = life(e.Watts, o)
	if s.Power == lane.PowerSolar {
		e.Panel = math.Inf(1)
		if o.SunHours > 0 {
			e.Panel = e.Watts * 24 / (o.SunHours * yield)
		}
	}
	return e
}

// nodeEnergy is that of the unit which watches the zones of a site; s is of LoRa, and nil without.
func nodeEnergy(l *lane.Lane, site *lane.Site, by Kind, s *Setting, o *Options) Energy {
	beams := 0
	for _, z := range l.Zones {
		if z.Site == site.Name {
			beams += max(len(z.Beams), 1)
		}
	}
	return energy(site, beams, false, by != LoRa, s.busiest(1, receiptSize, o), o)
}

// relayEnergy is that of a unit which carries for so many gates.
func relayEnergy(site *lane.Site, by Kind, gates int, s *Setting, o *Options) Energy {
	return energy(site, 0, true, by != LoRa, s.busiest(gates, 2*receiptSize, o), o)
}

// busiest is the airtime of the busiest hour, if so many gates have a zone each and frames are of a size; none without a setting.
func (s *Setting) busiest(gates, size int, o *Options) time.Duration {
	if s == nil {
		return 0
	}
	per := 2*o.TripsPerHour + float64(time.Hour)/float64(o.CheckIn)
	return time.Duration(float64(gates) * per * repeats * float64(s.Airtime(size)))
}

// life is how long the battery lasts.
func life(watts float64, o *Options) time.Duration {
	const longest = 10 * 365 * 24 // h; nobody should count on more, since batteries age
	return time.Duration(min(o.Battery*usable/watts, longest) * float64(time.Hour))
}

// Clearness is the share of the sun's radiation above the air that reaches the ground in a grey month. Common practice, no source.
const Clearness = 0.35

// WorstSun is the peak-sun hours of a day in the darkest month at a latitude, on a level panel: the radiation above the air at the
// solstice, times Clearness. A steep panel that looks to the sun has half as much again. Source: FAO Irrigation and Drainage Paper 56,
// equations 21 to 25.
func WorstSun(latitude float64) float64 {
	const june, december = 172, 355
	return Clearness * min(daily(latitude, june), daily(latitude, december))
}

// daily is the radiation above the air on a level square metre on a day of the year, kWh.
func daily(latitude float64, day int) float64 {
	j := 2 * math.Pi * float64(day) / 365
	phi, declination := latitude*math.Pi/180, 0.409*math.Sin(j-1.39)
	sunset := math.Acos(min(max(-math.Tan(phi)*math.Tan(declination), -1), 1))
	mj := 24 * 60 / math.Pi * 0.0820 * (1 + 0.033*math.Cos(j)) *
		(sunset*math.Sin(phi)*math.Sin(declination) + math.Cos(phi)*math.Cos(declination)*math.Sin(sunset))
	return max(mj/3.6, 0)
}

// Backup is the battery that keeps gateway, broker and switch up, Wh: what they need over the outage, over what an inverter leaves
// (85 %, common practice, no source) and what is used of the charge.
func Backup(watts float64, outage time.Duration) float64 {
	return watts * outage.Hours() / (0.85 * usable)
}
