package lora

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"
)

// home returns a region's default, changed.
func home(region string, change func(*Transmitter)) Transmitter {
	t := Default(region)
	change(&t)
	return t
}

func TestDefault(t *testing.T) {
	for _, region := range Regions() {
		tx := Default(region)
		if b, err := Lawful(region, tx); err != nil || b.Region != region {
			t.Errorf("Default(%q) = %+v: %v %v", region, tx, b, err)
		}
		// A receipt of 33 bytes, and 20 ppm of crystal either way, must have room.
		for _, off := range []int64{-20, 20} {
			far := tx
			far.Frequency += far.Frequency / 1e6 * off
			far.Frame = 33
			if _, err := Lawful(region, far); err != nil {
				t.Errorf("Default(%q) %d ppm off: %v", region, off, err)
			}
		}
	}
	if got := Default("united-states").Bandwidth; got != 500000 { // the rule asks a single channel for 500 kHz
		t.Errorf("the United States' default is %d Hz wide, want 500000", got)
	}
	if got := Default("atlantis"); got != (Transmitter{}) {
		t.Errorf("Default of no region = %+v", got)
	}
}

func TestLawful(t *testing.T) {
	for _, c := range []struct {
		what   string
		region string
		tx     Transmitter
		low    int64 // of the row that admits it; 0: none
		budget time.Duration
		says   []string // in the error
	}{
		{"10 % of the time", "europe", Default("europe"), 869.4e6, 360 * time.Second, nil},
		{"500 mW in that band", "europe", home("europe", func(t *Transmitter) { t.Power = 27 }), 869.4e6, 360 * time.Second, nil},
		{"14 dBm for 25 mW", "europe", home("europe", func(t *Transmitter) { t.Frequency = 868.3e6 }), 868e6, 36 * time.Second, nil},
		{"a better antenna", "europe", home("europe", func(t *Transmitter) { t.Frequency, t.AntennaGain = 868.3e6, 5.15 }), 0, 0,
			[]string{"868-868.6 MHz", "25 mW ERP", "11.0 dBm", "17.00 dBm ERP", "Spain's CNAF", "2017", "verified", "; or 11 dBm", "869.525 MHz"}},
		{"a better antenna on a long cable", "europe", home("europe", func(t *Transmitter) { t.Frequency, t.AntennaGain, t.CableLoss = 868.3e6, 5.15, 3 }),
			868e6, 36 * time.Second, nil},
		{"at the very edge", "europe", home("europe", func(t *Transmitter) { t.Frequency = 868.5375e6 }), 868e6, 36 * time.Second, nil},
		{"over the edge", "europe", home("europe", func(t *Transmitter) { t.Frequency = 868.5376e6 }), 0, 0,
			[]string{"ends at 868 and 868.6 MHz", "868.4751 to 868.6001 MHz"}},
		{"little power, all the time", "europe", home("europe", func(t *Transmitter) { t.Frequency, t.Power = 869.85e6, 7 }), 869.7e6, time.Hour, nil},
		{"more power, 1 %", "europe", home("europe", func(t *Transmitter) { t.Frequency, t.Power = 869.85e6, 8 }), 869.7e6, 36 * time.Second, nil},
		{"social alarms", "europe", home("europe", func(t *Transmitter) { t.Frequency = 869.225e6 }), 0, 0,
			[]string{"kept for social alarms", "at most 25 kHz, so no channel of 125 kHz", "CEPT ERC/REC 70-03", "869.525 MHz"}},
		{"alarms, but 125 kHz", "europe", home("europe", func(t *Transmitter) { t.Frequency, t.Power, t.Use = 868.65e6, 10, Alarms }), 0, 0,
			[]string{"at most 100 kHz, so no channel of 125 kHz", "62.5 kHz wide"}},
		{"alarms, whole band as one", "europe", home("europe", func(t *Transmitter) {
			t.Frequency, t.Power, t.Use, t.Bandwidth = 868.65e6, 10, Alarms, 62500
		}), 868.6e6, 36 * time.Second, nil},
		{"alarms, but 31.25 kHz in 25", "europe", home("europe", func(t *Transmitter) {
			t.Frequency, t.Power, t.Use, t.Bandwidth = 869.35e6, 10, Alarms, 31250
		}), 0, 0, []string{"at most 25 kHz", "20.83 kHz wide"}},
		{"narrow enough for an alarm's channel, but no alarm", "europe", home("europe", func(t *Transmitter) {
			t.Frequency, t.Power, t.Bandwidth = 869.35e6, 10, 20830
		}), 0, 0, []string{"kept for alarms"}},
		{"another continent's frequency", "europe", home("europe", func(t *Transmitter) { t.Frequency = 915e6 }), 0, 0,
			[]string{"no row of the rules covers that frequency", "868-868.6 MHz", "869.525 MHz"}},

		{"500 kHz", "united-states", home("united-states", func(t *Transmitter) { t.Power = 30 }), 902e6, time.Hour, nil},
		{"6 dBi are free", "united-states", home("united-states", func(t *Transmitter) { t.Power, t.AntennaGain = 30, 6 }), 902e6, time.Hour, nil},
		{"8 dBi are not", "united-states", home("united-states", func(t *Transmitter) { t.Power, t.AntennaGain = 30, 8 }), 0, 0,
			[]string{"1000 mW conducted", "above 6 dBi", "28.0 dBm", "15.247", "not verified", "Lawful instead: 28 dBm"}},
		{"125 kHz, no hopping", "united-states", home("united-states", func(t *Transmitter) { t.Bandwidth = 125000 }), 0, 0,
			[]string{"no less than 500 kHz", "15.247", "0.75 mW EIRP", "15.249", "Lawful instead: 500 kHz wide; or -4 dBm"}},
		{"125 kHz at the power of 15.249", "united-states", home("united-states", func(t *Transmitter) { t.Bandwidth, t.Power = 125000, -4 }), 902e6, time.Hour, nil},

		{"narrow", "australia", home("australia", func(t *Transmitter) { t.Bandwidth = 125000 }), 0, 0, []string{"Low Interference Potential", "500 kHz wide"}},
		{"EIRP", "australia", home("australia", func(t *Transmitter) { t.Power, t.AntennaGain = 25, 6 }), 0, 0, []string{"31.00 dBm EIRP", "24 dBm"}},
		{"below 920", "new-zealand", home("new-zealand", func(t *Transmitter) { t.Frequency = 918e6 }), 0, 0, []string{"3 mW EIRP", "921.5 MHz"}},
		{"250 kHz", "india", home("india", func(t *Transmitter) { t.Bandwidth = 250000 }), 0, 0, []string{"at most 200 kHz", "125 kHz wide"}},
		{"4 W ERP", "india", home("india", func(t *Transmitter) { t.Power, t.AntennaGain = 30, 12.17 }), 0, 0, []string{"26.0 dBm"}},

		{"does not listen", "japan", home("japan", func(t *Transmitter) { t.Listen = 0 }), 0, 0, []string{"carrier sense of 5ms", "ARIB STD-T108"}},
		{"listens briefly", "japan", home("japan", func(t *Transmitter) { t.Listen, t.Frequency = 128*time.Microsecond, 922.4e6 }), 922.3e6, 360 * time.Second, nil},
		{"listens long", "japan", home("japan", func(t *Transmitter) { t.Frequency = 922.4e6 }), 920.5e6, time.Hour, nil},
		{"between two channels", "japan", home("japan", func(t *Transmitter) { t.Frequency = 922.1e6 }), 0, 0, []string{"channels of 200 kHz"}},
		{"too slow", "japan", home("japan", func(t *Transmitter) { t.Frequency, t.SpreadingFactor, t.Frame = 925e6, 10, 33 }), 0, 0,
			[]string{"allows 400ms", "33 bytes lasts 452.608ms", "SF9"}},
	} {
		b, err := Lawful(c.region, c.tx)
		if c.low != 0 {
			if err != nil || b.Low != c.low || b.Budget() != c.budget {
				t.Errorf("%s: %s: %v, %v; want the row from %d with %v an hour", c.region, c.what, b, err, c.low, c.budget)
			}
			continue
		}
		var u *Unlawful
		if !errors.As(err, &u) {
			t.Errorf("%s: %s: %v, %v; want it unlawful", c.region, c.what, b, err)
			continue
		}
		for _, text := range c.says {
			if !strings.Contains(err.Error(), text) {
				t.Errorf("%s: %s: the error does not say %q: %v", c.region, c.what, text, err)
			}
		}
	}
}

func TestLawfulNonsense(t *testing.T) {
	for _, c := range []struct {
		region string
		tx     Transmitter
		says   string
	}{
		{"", Default("europe"), "no region: expected the one whose rules hold where the antenna stands, of europe, united-states"},
		{"atlantis", Default("europe"), `region "atlantis"`},
		{"europe", Transmitter{}, "spreading factor 0"},
		{"europe", home("europe", func(t *Transmitter) { t.Frequency = 869 }), "frequency of 869 Hz"},
		{"europe", home("europe", func(t *Transmitter) { t.Power = math.NaN() }), "power of NaN dBm"},
		{"europe", home("europe", func(t *Transmitter) { t.AntennaGain = math.Inf(-1) }), "antenna gain of -Inf dBi"},
		{"europe", home("europe", func(t *Transmitter) { t.CableLoss = -1 }), "cable loss of -1 dB"},
		{"europe", home("europe", func(t *Transmitter) { t.Listen = -time.Second }), "carrier sense of -1 s"},
		{"europe", home("europe", func(t *Transmitter) { t.Frame = 256 }), "longest frame of 256 bytes"},
		{"europe", home("europe", func(t *Transmitter) { t.Use = "chimes" }), `use "chimes"`},
	} {
		if b, err := Lawful(c.region, c.tx); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("Lawful(%q, %+v) = %v, %v; want an error that says %q", c.region, c.tx, b, err, c.says)
		}
	}
}

// 8 dBm in 3 kHz, spread evenly, is 30.2 dBm over 500 kHz and 24.2 dBm over 125 kHz: own computation.
func TestDensity(t *testing.T) {
	b := Band{Limit: 40, As: Conducted, Density: Bands("united-states")[0].Density}
	for width, want := range map[int]float64{500000: 30.2, 125000: 24.2} {
		if got := b.MaxPower(Transmitter{Settings: Settings{Bandwidth: width}}); math.Abs(got-want) > 0.05 {
			t.Errorf("8 dBm in any 3 kHz over %d Hz: %v dBm, want %v", width, got, want)
		}
	}
}

// Whatever is refused gets an answer, every answer is lawful, and what is admitted keeps every limit of its row, reckoned
// here anew.
func TestLawfulProperties(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	r := rand.New(rand.NewPCG(seed, 0))
	defer func() {
		if t.Failed() {
			t.Logf("seed %d", seed)
		}
	}()
	admitted, refused := 0, 0
	for range 600 {
		region := Regions()[r.IntN(6)]
		tx := Transmitter{Settings: anySettings(r), Frequency: 860e6 + r.Int64N(70e6), Power: float64(r.IntN(40) - 9),
			AntennaGain: float64(r.IntN(20) - 3), CableLoss: float64(r.IntN(5)), Frame: r.IntN(40),
			Listen: time.Duration(r.IntN(3)) * 5 * time.Millisecond, Use: []string{"", Alarms, SocialAlarms}[r.IntN(3)]}
		tx.Preamble %= 20
		if r.IntN(3) > 0 { // most of the ether belongs to nobody: aim at a row
			rows := Bands(region)
			b := rows[r.IntN(len(rows))]
			tx.Frequency = b.Low + r.Int64N(b.High-b.Low)
		}
		b, err := Lawful(region, tx)
		if err == nil {
			admitted++
			if why := breaks(b, tx); why != "" {
				t.Fatalf("%+v is admitted by %v but breaks %s", tx, b, why)
			}
			continue
		}
		refused++
		var u *Unlawful
		if !errors.As(err, &u) || len(u.Instead) == 0 {
			t.Fatalf("%s: %+v: no answer in %v", region, tx, err)
		}
		for _, reason := range u.Reasons {
			if len(reason.Why) == 0 {
				t.Fatalf("%s: %+v: %v is among the reasons but has none", region, tx, reason.Band)
			}
		}
		for _, c := range u.Instead {
			if again, err := Lawful(region, c.Transmitter); err != nil || again != c.Band {
				t.Fatalf("%s: instead of %+v we offer %+v under %v, but: %v %v", region, tx, c.Transmitter, c.Band, again, err)
			}
			if why := breaks(c.Band, c.Transmitter); why != "" {
				t.Fatalf("%s: instead of %+v we offer %+v, which breaks %s", region, tx, c.Transmitter, why)
			}
		}
	}
	if admitted < 20 || refused < 20 {
		t.Errorf("%d admitted, %d refused: the draw tests one side alone", admitted, refused)
	}
}

// breaks names the first limit of b that t does not keep, "" if it keeps all.
func breaks(b Band, t Transmitter) string {
	half := float64(t.Bandwidth) / 2
	eirp := t.Power - t.CableLoss + t.AntennaGain
	power := map[PowerKind]float64{ERP: eirp - 2.15, EIRP: eirp, Conducted: t.Power + math.Max(0, t.AntennaGain-b.GainFree)}[b.As]
	switch {
	case float64(t.Frequency)-half < float64(b.Low) || float64(t.Frequency)+half > float64(b.High):
		return "the edges"
	case power > b.Limit+0.051:
		return "the power"
	case b.Density > 0 && math.Pow(10, power/10)/float64(t.Bandwidth)*3000 > b.Density*1.012:
		return "the density"
	case t.Bandwidth < b.MinBandwidth || b.MaxBandwidth > 0 && t.Bandwidth > b.MaxBandwidth:
		return "the bandwidth"
	case b.Channel > 0 && math.Floor((float64(t.Frequency-b.Low)-half)/float64(b.Channel)) != math.Ceil((float64(t.Frequency-b.Low)+half)/float64(b.Channel))-1:
		return "the channel"
	case t.Listen < b.Listen:
		return "the carrier sense"
	case b.LongestFrame > 0 && t.Airtime(t.Frame) > b.LongestFrame:
		return "the longest frame"
	case b.Use != "" && b.Use != t.Use:
		return "the use"
	}
	return ""
}
