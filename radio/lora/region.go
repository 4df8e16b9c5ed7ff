package lora

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Caution belongs beside every answer that rests on the table of bands.
const Caution = "These are planning figures from public documents, some of them from memory; each row says which. What " +
	"decides is your regulator's rule of today: band, power, time on the air, antenna, and whether the equipment may be " +
	"used at all. Who transmits without a licence must as a rule disturb nobody and put up with everybody. " +
	"Nothing here certifies anything."

// PowerKind is what a limit of power counts. The three differ by decibels and are never compared without conversion.
type PowerKind int

const (
	Conducted PowerKind = iota // at the transmitter's connector
	ERP                        // radiated in the strongest direction, beside a half-wave dipole
	EIRP                       // the same beside an isotropic radiator
)

func (k PowerKind) String() string { return [...]string{"conducted", "ERP", "EIRP"}[k] }

// DipoleGain is the gain of a half-wave dipole in dBi, and so EIRP less ERP. Source: 1.64 as a ratio, 2.15 by convention.
const DipoleGain = 2.15

// Band is one row of the rules: where, how strong and how long a transmitter may be on the air.
type Band struct {
	Region                     string        // one of Regions
	Low, High                  int64         // Hz; the whole occupied bandwidth lies within
	Limit                      float64       // dBm, counted as As says
	As                         PowerKind     //
	GainFree                   float64       // dBi of antenna above which a Conducted limit sinks, dB for dB; the others ignore it
	Density                    float64       // greatest mW in any 3 kHz, counted as As says; 0: no such limit
	DutyCycle                  float64       // share of any hour that may be spent on the air; 0: no such limit
	PerHour                    time.Duration // the same as a time, where the rule gives one; 0: none
	LongestFrame               time.Duration // one transmission; 0: none
	Pause                      time.Duration // after each transmission; 0: none
	Listen                     time.Duration // carrier sense before each transmission; 0: none
	MinBandwidth, MaxBandwidth int           // Hz; 0: none
	Channel                    int64         // Hz: from Low on the band is cut into channels this wide, and the bandwidth lies within one; 0: free
	Use                        string        // the only use that the band is for: Alarms or SocialAlarms; "": any
	Source
	Note string
}

// Source is where a figure comes from.
type Source struct {
	Document, Edition, Date string
	Verified                bool // somebody saw the figure in that document, or in what quotes it; else it is from memory
}

// Uses that some bands are kept for.
const (
	Alarms       = "alarms"
	SocialAlarms = "social alarms"
)

func milliwatts(mW float64) float64 { return 10 * math.Log10(mW) } // in dBm

var (
	en300220 = Source{"ETSI EN 300 220-2, Annex B", "V3.2.1", "2018-06", false}
	un39     = Source{"Spain's CNAF, note UN-39, after Decision (EU) 2017/1483", "as transcribed in public", "2017", true}
	cept     = Source{"CEPT ERC/REC 70-03, annex on alarms", "page of CEPT's database", "undated", true}
	cfr247   = Source{"47 CFR 15.247(a)(2), (b)(3), (b)(4), (e)", "(b) from quotes, (a)(2) and (e) from memory", "date not known", false}
	cfr249   = Source{"47 CFR 15.249(a)", "CFR of 2000", "2000", true}
	lipd     = Source{"Radiocommunications (Low Interference Potential Devices) Class Licence 2015", "first edition", "2015-09-16", false}
	gurl     = Source{"New Zealand's General User Radio Licence for Short Range Devices", "edition not known", "date not known", false}
	gsr564   = Source{"India's exemption from licence for 865-867 MHz, G.S.R. 564(E)", "first edition", "2005", false}
	later    = Source{"India's later exemption from licence for 865-868 MHz", "edition not known", "date not known", false}
	arib     = Source{"ARIB STD-T108", "edition not known", "date not known", false}
)

// bands is the whole table. A row that nobody saw in its document is not Verified and leans to the careful side.
// Left out on purpose is whatever asks for hopping or for changing the channel unasked, which Longlane does not do:
// 47 CFR 15.247(a)(1), and polite spectrum access with frequency agility in EN 300 220-1.
var bands = []Band{
	// Short-range devices in the states of the CEPT, the United Kingdom among them; some have restrictions of their own.
	{Region: "europe", Low: 863e6, High: 865e6, Limit: milliwatts(25), As: ERP, DutyCycle: 0.001,
		Source: en300220, Note: "band K"},
	{Region: "europe", Low: 865e6, High: 868e6, Limit: milliwatts(25), As: ERP, DutyCycle: 0.01,
		Source: en300220, Note: "band L"},
	{Region: "europe", Low: 868e6, High: 868.6e6, Limit: milliwatts(25), As: ERP, DutyCycle: 0.01, Source: un39},
	{Region: "europe", Low: 868.6e6, High: 868.7e6, Limit: milliwatts(10), As: ERP, DutyCycle: 0.01,
		MaxBandwidth: 100_000, Use: Alarms, Source: cept, Note: "channels of 25 kHz, or the whole band as one"},
	{Region: "europe", Low: 868.7e6, High: 869.2e6, Limit: milliwatts(25), As: ERP, DutyCycle: 0.001, Source: un39},
	{Region: "europe", Low: 869.2e6, High: 869.25e6, Limit: milliwatts(10), As: ERP, DutyCycle: 0.001,
		MaxBandwidth: 25_000, Use: SocialAlarms, Source: cept},
	{Region: "europe", Low: 869.25e6, High: 869.3e6, Limit: milliwatts(10), As: ERP, DutyCycle: 0.001,
		MaxBandwidth: 25_000, Use: Alarms, Source: cept},
	{Region: "europe", Low: 869.3e6, High: 869.4e6, Limit: milliwatts(10), As: ERP, DutyCycle: 0.01,
		MaxBandwidth: 25_000, Use: Alarms, Source: cept},
	{Region: "europe", Low: 869.4e6, High: 869.65e6, Limit: milliwatts(500), As: ERP, DutyCycle: 0.1, Source: un39},
	{Region: "europe", Low: 869.65e6, High: 869.7e6, Limit: milliwatts(25), As: ERP, DutyCycle: 0.1,
		MaxBandwidth: 25_000, Use: Alarms, Source: cept},
	{Region: "europe", Low: 869.7e6, High: 870e6, Limit: milliwatts(5), As: ERP,
		Source: en300220, Note: "band Q: no limit of time at this power"},
	{Region: "europe", Low: 869.7e6, High: 870e6, Limit: milliwatts(25), As: ERP, DutyCycle: 0.01,
		Source: en300220, Note: "band R"},

	{Region: "united-states", Low: 902e6, High: 928e6, Limit: milliwatts(1000), As: Conducted, GainFree: 6,
		Density: math.Pow(10, 0.8), MinBandwidth: 500_000, Source: cfr247, Note: "digital modulation: 8 dBm in any 3 kHz; " +
			"that LoRa of 500 kHz has the 6 dB bandwidth of 500 kHz is common practice, no source"},
	{Region: "united-states", Low: 902e6, High: 928e6, Limit: milliwatts(0.75), As: EIRP,
		Source: cfr249, Note: "50 mV/m at 3 m, which is 0.75 mW; harmonics 500 uV/m"},

	{Region: "australia", Low: 915e6, High: 928e6, Limit: milliwatts(1000), As: EIRP, Density: 25,
		MinBandwidth: 500_000, Source: lipd, Note: "digital modulation"},
	{Region: "australia", Low: 915e6, High: 928e6, Limit: milliwatts(3), As: EIRP, Source: lipd, Note: "low power"},

	{Region: "new-zealand", Low: 920e6, High: 928e6, Limit: milliwatts(1000), As: EIRP, Density: 25,
		MinBandwidth: 500_000, Source: gurl, Note: "one of the least sure rows: its limits are Australia's"},
	{Region: "new-zealand", Low: 915e6, High: 928e6, Limit: milliwatts(3), As: EIRP,
		Source: gurl, Note: "one of the least sure rows: its limit is Australia's"},

	// 1 W conducted and 4 W ERP, which is 38.17 dBm EIRP: antennas above 8.17 dBi cost power.
	{Region: "india", Low: 865e6, High: 867e6, Limit: milliwatts(1000), As: Conducted, GainFree: 8.17,
		MaxBandwidth: 200_000, Source: gsr564, Note: "1 W conducted, 4 W ERP"},
	{Region: "india", Low: 865e6, High: 868e6, Limit: milliwatts(1000), As: Conducted, GainFree: 8.17,
		MaxBandwidth: 200_000, Source: later, Note: "1 W conducted, 4 W ERP"},

	{Region: "japan", Low: 920.5e6, High: 923.5e6, Limit: milliwatts(20), As: Conducted, GainFree: 3,
		Channel: 200e3, Listen: 5 * time.Millisecond, LongestFrame: 4 * time.Second, Pause: 50 * time.Millisecond,
		Source: arib, Note: "long carrier sense; which channels it is for, and 3 dBi, are the least sure"},
	{Region: "japan", Low: 922.3e6, High: 928.1e6, Limit: milliwatts(20), As: Conducted, GainFree: 3,
		Channel: 200e3, Listen: 128 * time.Microsecond, LongestFrame: 400 * time.Millisecond, Pause: 2 * time.Millisecond,
		PerHour: 360 * time.Second, Source: arib, Note: "short carrier sense; which channels it is for, the pause, and 3 dBi, are the least sure"},
}

// Regions names the countries and groups of countries that the table has rows for.
func Regions() []string {
	var names []string
	for _, b := range bands {
		if !slices.Contains(names, b.Region) {
			names = append(names, b.Region)
		}
	}
	return names
}

// Bands returns the rows of a region, nil if there is none of that name.
func Bands(region string) []Band {
	var of []Band
	for _, b := range bands {
		if b.Region == region {
			of = append(of, b)
		}
	}
	return of
}

// Budget is the airtime that b allows within any hour: the hour itself where nothing limits it.
func (b Band) Budget() time.Duration {
	budget := time.Hour
	if b.DutyCycle > 0 {
		budget = min(budget, time.Duration(math.Round(b.DutyCycle*float64(time.Hour))))
	}
	if b.PerHour > 0 {
		budget = min(budget, b.PerHour)
	}
	return budget
}

// FramesPerHour is how many frames of n bytes b allows within any hour.
func (b Band) FramesPerHour(s Settings, n int) int {
	air := s.Airtime(n)
	return int(min(b.Budget()/air, time.Hour/(air+b.Pause)))
}

// Silence is the pause after a transmission that keeps the share of airtime within b's, if all are as long as this one.
func (b Band) Silence(airtime time.Duration) time.Duration {
	silence := time.Duration(math.Ceil(float64(airtime) * float64(time.Hour-b.Budget()) / float64(b.Budget())))
	return max(silence, b.Pause)
}

// MaxPayload is the greatest number of bytes that one frame may carry, at most 255; -1: not even an empty one is short enough.
func (b Band) MaxPayload(s Settings) int {
	if b.LongestFrame == 0 {
		return MaxFrame
	}
	return s.MaxPayload(b.LongestFrame)
}

// String says what b allows and where it comes from, for people.
func (b Band) String() string {
	parts := append([]string{b.Region + ", " + b.Range() + ": " + b.power()}, b.times()...)
	if b.MinBandwidth > 0 {
		parts = append(parts, fmt.Sprintf("at least %s kHz wide", kilohertz(b.MinBandwidth)))
	}
	if b.MaxBandwidth > 0 {
		parts = append(parts, fmt.Sprintf("at most %s kHz wide", kilohertz(b.MaxBandwidth)))
	}
	if b.Channel > 0 {
		parts = append(parts, fmt.Sprintf("within one channel of %s kHz", kilohertz(int(b.Channel))))
	}
	if b.Use != "" {
		parts = append(parts, "for "+b.Use+" alone")
	}
	if b.Note != "" {
		parts = append(parts, "note: "+b.Note)
	}
	return strings.Join(parts, "; ") + " [" + b.Source.String() + "]"
}

// power is b's limit with all that bears on it.
func (b Band) power() string {
	s := fmt.Sprintf("%s mW %v", number(math.Pow(10, b.Limit/10)), b.As)
	if b.As == Conducted {
		s += fmt.Sprintf(" less the antenna's gain above %s dBi", number(b.GainFree))
	}
	if b.Density > 0 {
		s += fmt.Sprintf(" and %s mW in any 3 kHz", number(b.Density))
	}
	return s
}

// times are b's limits of time.
func (b Band) times() []string {
	var parts []string
	if b.Budget() < time.Hour {
		parts = append(parts, fmt.Sprintf("%s s in any hour", number(b.Budget().Seconds())))
	}
	if b.LongestFrame > 0 {
		parts = append(parts, fmt.Sprintf("a transmission at most %v", b.LongestFrame))
	}
	if b.Pause > 0 {
		parts = append(parts, fmt.Sprintf("%v between transmissions", b.Pause))
	}
	if b.Listen > 0 {
		parts = append(parts, fmt.Sprintf("carrier sense of %v before each", b.Listen))
	}
	return parts
}

// Range is where b lies, as "868-868.6 MHz".
func (b Band) Range() string { return megahertz(b.Low) + "-" + megahertz(b.High) + " MHz" }

func (s Source) String() string {
	known := "from memory, not verified"
	if s.Verified {
		known = "verified"
	}
	return strings.Join([]string{s.Document, s.Edition, s.Date, known}, "; ")
}

func megahertz(hz int64) string { return strconv.FormatFloat(float64(hz)/1e6, 'f', -1, 64) }

func kilohertz(hz int) string { return strconv.FormatFloat(float64(hz)/1e3, 'f', -1, 64) }

// number writes at most two digits after the point, and no zeros at the end.
func number(x float64) string {
	return strconv.FormatFloat(math.Round(x*100)/100, 'f', -1, 64)
}
