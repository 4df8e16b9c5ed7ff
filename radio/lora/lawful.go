package lora

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// Transmitter is a modem's settings with what the rules ask of the station around it.
type Transmitter struct {
	Settings
	Frequency   int64         // Hz, the channel's centre
	Power       float64       // dBm, conducted: at the modem's connector
	AntennaGain float64       // dBi
	CableLoss   float64       // dB between connector and antenna, not negative
	Listen      time.Duration // carrier sense before each transmission; 0: none
	Frame       int           // bytes of the longest frame that it will send, 0 to MaxFrame
	Use         string        // Alarms or SocialAlarms, where the installation is what the rules mean by it; else ""
}

// EIRP is what t radiates in the strongest direction, in dBm, beside an isotropic radiator.
func (t Transmitter) EIRP() float64 { return t.Power - t.CableLoss + t.AntennaGain }

// ERP is the same beside a half-wave dipole.
func (t Transmitter) ERP() float64 { return t.EIRP() - DipoleGain }

// as is the power of t counted as a limit counts it.
func (t Transmitter) as(k PowerKind) float64 {
	switch k {
	case ERP:
		return t.ERP()
	case EIRP:
		return t.EIRP()
	}
	return t.Power
}

// Check names what is wrong with t, whatever the region.
func (t Transmitter) Check() error {
	if err := t.Settings.Check(); err != nil {
		return err
	}
	for _, c := range []struct {
		name, unit       string
		x, least, utmost float64
	}{
		{"frequency", "Hz", float64(t.Frequency), 100e6, 3e9},
		{"power", "dBm", t.Power, -50, 50},
		{"antenna gain", "dBi", t.AntennaGain, -30, 30},
		{"cable loss", "dB", t.CableLoss, 0, 60},
		{"carrier sense", "s", t.Listen.Seconds(), 0, 60},
		{"longest frame", "bytes", float64(t.Frame), 0, MaxFrame},
	} {
		if !(c.x >= c.least && c.x <= c.utmost) { // so put, it refuses what is not a number
			return fmt.Errorf("%s of %v %s: expected %.0f to %.0f", c.name, c.x, c.unit, c.least, c.utmost)
		}
	}
	if !slices.Contains([]string{"", Alarms, SocialAlarms}, t.Use) {
		return fmt.Errorf("use %q: expected %q, %q or nothing", t.Use, Alarms, SocialAlarms)
	}
	return nil
}

// rounding is by how much, in dB, a power may be above its limit: documents say 25 mW, chips are set to 14 dBm, which is
// 25.1 mW, and the trade takes the two for the same.
const rounding = 0.05

// MaxPower is the most that t's modem may put out under b, in dBm conducted, with t's antenna, cable and bandwidth. The density
// is reckoned as if power were spread evenly over the bandwidth. A cable does not raise a conducted limit, although it takes
// from the antenna's gain: the careful reading.
func (b Band) MaxPower(t Transmitter) float64 {
	limit := b.Limit
	if b.Density > 0 {
		limit = min(limit, milliwatts(b.Density)+10*math.Log10(float64(t.Bandwidth)/3000))
	}
	if b.As == Conducted {
		return limit - max(0, t.AntennaGain-b.GainFree)
	}
	return limit + t.Power - t.as(b.As)
}

// Lawful finds the row under which t may send in region, or says in words why it may not and what would be lawful: the error is
// then an *Unlawful. Of several rows that admit t it is the one with the greatest Budget. What cannot be judged beforehand is
// the caller's to keep: Budget, Pause, Listen, and LongestFrame for frames longer than t.Frame. The error of t's crystal is left out: at 20 ppm it moves
// 868 MHz by 17 kHz, so a channel should keep that far from the edges.
func Lawful(region string, t Transmitter) (Band, error) {
	rows := Bands(region)
	if rows == nil {
		found := fmt.Sprintf("region %q", region)
		if region == "" {
			found = "no region"
		}
		return Band{}, fmt.Errorf("%s: expected the one whose rules hold where the antenna stands, of %s", found, strings.Join(Regions(), ", "))
	}
	if err := t.Check(); err != nil {
		return Band{}, err
	}
	if b, ok := admitting(rows, t); ok {
		return b, nil
	}
	u := &Unlawful{Region: region, Transmitter: t, Instead: instead(region, rows, t)}
	for _, b := range rows {
		if b.Low <= t.Frequency && t.Frequency <= b.High {
			u.Reasons = append(u.Reasons, Reason{b, b.objections(t)})
		}
	}
	return Band{}, u
}

// admitting is the row of the greatest budget that has nothing against t.
func admitting(rows []Band, t Transmitter) (best Band, ok bool) {
	for _, b := range rows {
		if t.Frequency < b.Low || t.Frequency > b.High || len(b.objections(t)) > 0 {
			continue
		}
		if !ok || b.Budget() > best.Budget() {
			best, ok = b, true
		}
	}
	return best, ok
}

// objections are what b has against t, whose centre is in it.
func (b Band) objections(t Transmitter) []string {
	var why []string
	object := func(on bool, format string, args ...any) {
		if on {
			why = append(why, fmt.Sprintf(format, args...))
		}
	}
	object(b.Use != "" && b.Use != t.Use, "is kept for %s", b.Use)
	narrow, wide := b.MinBandwidth > 0 && t.Bandwidth < b.MinBandwidth, b.MaxBandwidth > 0 && t.Bandwidth > b.MaxBandwidth
	object(narrow, "takes no less than %s kHz, so no channel of %s kHz", kilohertz(b.MinBandwidth), kilohertz(t.Bandwidth))
	object(wide, "takes at most %s kHz, so no channel of %s kHz", kilohertz(b.MaxBandwidth), kilohertz(t.Bandwidth))
	low, high := t.Frequency-int64(t.Bandwidth+1)/2, t.Frequency+int64(t.Bandwidth+1)/2
	out := low < b.Low || high > b.High
	object(out && !wide, "ends at %s and %s MHz, but the channel reaches from %s to %s MHz", megahertz(b.Low), megahertz(b.High),
		megahertz(low), megahertz(high))
	if b.Channel > 0 && !out {
		from := b.Low + (t.Frequency-b.Low)/b.Channel*b.Channel
		object(low < from || high > from+b.Channel, "is cut into channels of %s kHz, one of them from %s to %s MHz, and %s to %s MHz is not within one",
			kilohertz(int(b.Channel)), megahertz(from), megahertz(from+b.Channel), megahertz(low), megahertz(high))
	}
	if most := b.MaxPower(t); t.Power > most+rounding {
		object(true, "allows %s, which is at most %.1f dBm at the modem with this antenna and bandwidth, but it is set to %s dBm (%.2f dBm %v)",
			b.power(), most, number(t.Power), t.as(b.As), b.As)
	}
	object(t.Listen < b.Listen, "asks for carrier sense of %v before each transmission, but the modem does %v", b.Listen, t.Listen)
	object(b.LongestFrame > 0 && t.Airtime(t.Frame) > b.LongestFrame, "allows %v for one transmission, but a frame of %d bytes lasts %v",
		b.LongestFrame, t.Frame, t.Airtime(t.Frame))
	return why
}

// Unlawful says why a transmitter may not send, and what may.
type Unlawful struct {
	Region      string
	Transmitter Transmitter
	Reasons     []Reason // of the rows at that frequency; empty: there is none
	Instead     []Choice // each is lawful, and as near as one change, or two, can come
}

// Reason is what a row has against a transmitter, in words that go on from the row's name.
type Reason struct {
	Band Band
	Why  []string
}

// Choice is a transmitter that may send, and the row that says so.
type Choice struct {
	Transmitter Transmitter
	Band        Band
}

func (u *Unlawful) Error() string {
	t := u.Transmitter
	var s strings.Builder
	fmt.Fprintf(&s, "unlawful in the region %s: SF%d, %s kHz wide, at %s MHz with %s dBm (%.2f dBm ERP, %.2f dBm EIRP): ", u.Region, t.SpreadingFactor,
		kilohertz(t.Bandwidth), megahertz(t.Frequency), number(t.Power), t.ERP(), t.EIRP())
	for i, r := range u.Reasons {
		if i > 0 {
			s.WriteString("; ")
		}
		fmt.Fprintf(&s, "%s %s [%v]", r.Band.Range(), strings.Join(r.Why, ", and "), r.Band.Source)
	}
	if u.Reasons == nil {
		var ranges []string
		for _, b := range Bands(u.Region) {
			if b.Use == "" && !slices.Contains(ranges, b.Range()) {
				ranges = append(ranges, b.Range())
			}
		}
		fmt.Fprintf(&s, "no row of the rules covers that frequency; they cover %s", strings.Join(ranges, ", "))
	}
	for i, c := range u.Instead {
		if i == 0 {
			s.WriteString(". Lawful instead: ")
		} else {
			s.WriteString("; or ")
		}
		s.WriteString(c.changes(t))
	}
	return s.String()
}

// changes says in what c differs from t, and under which conditions it is lawful.
func (c Choice) changes(t Transmitter) string {
	var parts []string
	add := func(on bool, format string, args ...any) {
		if on {
			parts = append(parts, fmt.Sprintf(format, args...))
		}
	}
	n := c.Transmitter
	add(n.Frequency != t.Frequency, "%s MHz", megahertz(n.Frequency))
	add(n.Power != t.Power, "%s dBm", number(n.Power))
	add(n.Bandwidth != t.Bandwidth, "%s kHz wide", kilohertz(n.Bandwidth))
	add(n.SpreadingFactor != t.SpreadingFactor, "SF%d", n.SpreadingFactor)
	add(n.Listen != t.Listen, "carrier sense of %v", n.Listen)
	if limits := c.Band.times(); len(limits) > 0 {
		return strings.Join(parts, ", ") + " (" + strings.Join(limits, ", ") + ")"
	}
	return strings.Join(parts, ", ")
}

// leastPower is the lowest that is proposed, in dBm: chips go no lower.
const leastPower = -9

// instead looks for lawful transmitters near t: for each setting the best change of it alone; if there is none, for each two
// settings the best change of both; else the region's default with t's antenna. The best come first.
func instead(region string, rows []Band, t Transmitter) []Choice {
	kinds := []func([]Band, Transmitter) []Transmitter{frequencies, powers, widths, factors, senses}
	var found []Choice
	better := func(a, b Choice) int { return nearer(t, a, b) }
	keep := func(candidates []Transmitter) {
		var lawful []Choice
		for _, n := range candidates {
			if b, ok := admitting(rows, n); ok && n.Settings.Check() == nil {
				lawful = append(lawful, Choice{n, b})
			}
		}
		if lawful != nil {
			found = append(found, slices.MinFunc(lawful, better))
		}
	}
	for _, kind := range kinds {
		keep(kind(rows, t))
	}
	if found == nil {
		for i, kind := range kinds {
			for _, second := range kinds[i+1:] {
				var both []Transmitter
				for _, n := range kind(rows, t) {
					both = append(both, second(rows, n)...)
				}
				keep(both)
			}
		}
	}
	if found == nil {
		n := Default(region)
		n.Family, n.AntennaGain, n.CableLoss = t.Family, t.AntennaGain, t.CableLoss
		keep(append(powers(rows, n), n))
	}
	slices.SortStableFunc(found, better)
	return found
}

// nearer orders choices for one who wanted t: power first, then airtime, then what departs least.
func nearer(t Transmitter, a, b Choice) int {
	wider := func(c Choice) float64 {
		return math.Abs(math.Log(float64(c.Transmitter.Bandwidth) / float64(t.Bandwidth)))
	}
	moved := func(c Choice) float64 { return math.Abs(float64(c.Transmitter.Frequency - t.Frequency)) }
	return cmp.Or(cmp.Compare(b.Transmitter.Power, a.Transmitter.Power), cmp.Compare(b.Band.Budget(), a.Band.Budget()),
		cmp.Compare(wider(a), wider(b)), cmp.Compare(moved(a), moved(b)),
		cmp.Compare(b.Transmitter.SpreadingFactor, a.Transmitter.SpreadingFactor), cmp.Compare(a.Transmitter.Listen, b.Transmitter.Listen))
}

// What follows are the kinds of change: each gives t with one setting changed, whether lawful or not.

// frequencies are the middles of the rows, or of the channel there.
func frequencies(rows []Band, t Transmitter) []Transmitter {
	var out []Transmitter
	for _, b := range rows {
		n := t
		n.Frequency = (b.Low + b.High) / 2
		if b.Channel > 0 {
			n.Frequency = b.Low + (n.Frequency-b.Low)/b.Channel*b.Channel + b.Channel/2
		}
		out = append(out, n)
	}
	return out
}

// powers are what the rows allow, in whole dBm.
func powers(rows []Band, t Transmitter) []Transmitter {
	var out []Transmitter
	for _, b := range rows {
		n := t
		n.Power = math.Floor(b.MaxPower(t) + rounding)
		if n.Power < t.Power && n.Power >= leastPower {
			out = append(out, n)
		}
	}
	return out
}

func widths(_ []Band, t Transmitter) []Transmitter {
	var out []Transmitter
	for _, w := range bandwidths {
		if n := t; w != t.Bandwidth {
			n.Bandwidth = w
			out = append(out, n)
		}
	}
	return out
}

// factors are the lower spreading factors: a higher one is never lawful where a lower is not.
func factors(_ []Band, t Transmitter) []Transmitter {
	var out []Transmitter
	for sf := t.SpreadingFactor - 1; sf >= 5; sf-- {
		n := t
		n.SpreadingFactor = sf
		out = append(out, n)
	}
	return out
}

// senses are the rows' times of carrier sense.
func senses(rows []Band, t Transmitter) []Transmitter {
	var out []Transmitter
	for _, b := range rows {
		if n := t; b.Listen > t.Listen {
			n.Listen = b.Listen
			out = append(out, n)
		}
	}
	return out
}

// Default is a modest transmitter that is lawful in region, the zero one if there is no such region. It has a half-wave dipole
// and 14 dBm, which every chip gives and which a planner may raise. In Europe it stands at 869.525 MHz, not for the 500 mW that
// are allowed there but for the 10 % of the time: a gateway has to answer every frame that it hears. Where 125 kHz need hopping
// (United States, Australia, and for caution New Zealand) it is 500 kHz wide, at two spreading factors more, which gives back
// what the width costs but 1 dB. The channels outside Europe are common practice, no source: the middle of the band.
func Default(region string) Transmitter {
	t := Transmitter{Settings: Settings{SpreadingFactor: 7, Bandwidth: 125000, CodingRate: 5, Preamble: 8}, Power: 14, AntennaGain: DipoleGain}
	switch region {
	case "europe":
		t.Frequency = 869.525e6
	case "united-states":
		t.Frequency, t.Bandwidth, t.SpreadingFactor = 915e6, 500000, 9
	case "australia":
		t.Frequency, t.Bandwidth, t.SpreadingFactor = 921.5e6, 500000, 9
	case "new-zealand":
		t.Frequency, t.Bandwidth, t.SpreadingFactor = 924e6, 500000, 9
	case "india":
		t.Frequency = 866e6
	case "japan":
		t.Frequency, t.Power, t.Listen = 922e6, 13, 5*time.Millisecond
	default:
		return Transmitter{}
	}
	return t
}
