package lora

import (
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
	"time"
)

// The rows marked S1 are the chip vendor's calculator values as recorded in the unit tests of micropython-lib's LoRa
// driver; S2 to S6 are a public radio-driver library's golden data, a spreadsheet of AN1200.13, rfwireless-world.com's
// airtime page, a LoRa arithmetic crate's documentation test and an airtime script's unit tests. S2 prints two decimals
// for the rows of spreading factor 6 on the SX126x and whole milliseconds, rounded up, for those on the SX127x.
func TestAirtimePublished(t *testing.T) {
	for _, c := range []struct {
		source string
		s      string // spreading factor, kHz, coding rate, preamble, and what departs from CRC, explicit header, auto
		n      int
		ms     float64
		within float64
	}{
		{"S1", "12 500 5 8", 1, 206.848, 0.001},
		{"S1", "12 500 5 12", 64, 649.216, 0.001},
		{"S1", "12 500 5 8 nocrc", 1, 165.888, 0.001},
		{"S1", "12 500 5 12 implicit nocrc", 16, 280.576, 0.001},
		{"S1", "8 125 6 8", 1, 53.760, 0.001},
		{"S1", "8 125 6 8 127x", 1, 53.760, 0.001},
		{"S1", "8 125 6 8", 3, 66.048, 0.001},
		{"S1", "8 125 6 8 nocrc", 3, 53.760, 0.001},
		{"S1", "8 125 6 8", 253, 827.904, 0.001},
		{"S1", "8 125 6 12 implicit", 5, 61.952, 0.001},
		{"S1", "8 125 6 12 implicit 127x", 5, 61.952, 0.001},
		{"S1", "8 125 6 12 implicit", 253, 823.808, 0.001},
		{"S1", "5 500 5 2 nocrc", 1, 1.360, 0.001},
		{"S1", "5 500 5 2", 1, 1.680, 0.001},
		{"S1", "5 500 5 12 implicit", 253, 34.000, 0.001},
		{"S1", "12 7.81 8 128", 253, 287532.907, 0.001},
		{"S1", "12 7.81 8 1000", 253, 744858.387, 0.001},
		{"S2", "7 125 5 8 on", 1, 30.976, 0.001},
		{"S2", "7 125 5 8 on", 10, 46.336, 0.001},
		{"S2", "7 125 5 8 on", 50, 128.256, 0.001},
		{"S2", "7 125 5 8 on", 255, 548.096, 0.001},
		{"S2", "11 250 8 16 implicit nocrc", 5, 296.960, 0.001},
		{"S2", "11 250 8 16 implicit nocrc", 15, 362.496, 0.001},
		{"S2", "11 250 8 16 implicit nocrc", 100, 1411.072, 0.001},
		{"S2", "11 250 8 16 implicit nocrc", 200, 2590.720, 0.001},
		{"S2", "6 125 6 8", 7, 20.608, 0.005},
		{"S2", "6 125 6 8", 23, 39.040, 0.005},
		{"S2", "6 125 6 8", 98, 115.840, 0.005},
		{"S2", "6 125 6 8", 156, 174.208, 0.005},
		{"own computation", "6 125 6 8 127x", 7, 22.656, 0.001}, // the chip refuses the explicit header: arithmetic alone
		{"own computation", "6 125 6 8 127x", 23, 38.016, 0.001},
		{"own computation", "6 125 6 8 127x", 98, 114.816, 0.001},
		{"own computation", "6 125 6 8 127x", 156, 173.184, 0.001},
		{"S3", "9 125 5 8", 13, 164.864, 0.001},
		{"S4", "7 125 5 8", 10, 41.216, 0.001},
		{"S5", "9 125 5 8", 12, 144.384, 0.001},
		{"S6", "12 125 5 8 off", 64, 2465.792, 0.001},
		{"S6", "12 125 5 8", 64, 2793.472, 0.001},
		{"S6", "7 500 5 8", 255, 99.904, 0.001},
		{"S6", "7 500 5 8 on", 255, 137.024, 0.001},
		{"own computation, from 16 to 20 bytes", "12 125 5 8", 16, 1318.912, 0.001},
		{"own computation, from 16 to 20 bytes", "12 125 5 8", 20, 1318.912, 0.001},
	} {
		s := settings(t, c.s)
		if got := float64(s.Airtime(c.n)) / 1e6; math.Abs(got-c.ms) > c.within {
			t.Errorf("%s: %s: Airtime(%d) = %.6f ms, want %.3f", c.source, c.s, c.n, got, c.ms)
		}
		// Exact in quarters of a symbol: the published time is nearer to ours than to one quarter more or less.
		quarter := float64(int64(1)<<s.SpreadingFactor) / float64(s.Bandwidth) / 4 * 1e3
		if want := int64(math.Round(c.ms / quarter)); s.QuarterSymbols(c.n) != want {
			t.Errorf("%s: %s: QuarterSymbols(%d) = %d, want %d", c.source, c.s, c.n, s.QuarterSymbols(c.n), want)
		}
	}
}

// settings reads "12 500 5 8 implicit": see TestAirtimePublished.
func settings(t *testing.T, text string) Settings {
	t.Helper()
	var s Settings
	words := strings.Fields(text)
	s.SpreadingFactor, s.CodingRate, s.Preamble = atoi(t, words[0]), atoi(t, words[2]), atoi(t, words[3])
	s.Bandwidth = atoi(t, map[string]string{"7.81": "7810", "125": "125000", "250": "250000", "500": "500000"}[words[1]])
	for _, word := range words[4:] {
		switch word {
		case "nocrc":
			s.NoCRC = true
		case "implicit":
			s.ImplicitHeader = true
		case "on":
			s.LowDataRate = LowDataRateOn
		case "off":
			s.LowDataRate = LowDataRateOff
		case "127x":
			s.Family = SX127x
		default:
			t.Fatalf("settings %q: %q is no word of theirs", text, word)
		}
	}
	return s
}

func atoi(t *testing.T, s string) int {
	t.Helper()
	n, err := strconv.Atoi(s)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// A spreadsheet's row splits the time: 28 payload symbols after a preamble of 50.176 ms. Source: S3.
func TestQuarterSymbolsSplit(t *testing.T) {
	s := settings(t, "9 125 5 8")
	if got := s.QuarterSymbols(13) - (4*8 + 17); got != 28*4 {
		t.Errorf("payload of %v quarters, want 28 symbols", got)
	}
	if got := s.duration(4*8 + 17); got != 50176*time.Microsecond {
		t.Errorf("preamble of %v, want 50.176ms", got)
	}
}

// Where low-data-rate optimisation is asked for: the first bandwidth and spreading factor of each datasheet's rule.
func TestLowDataRateAuto(t *testing.T) {
	for _, c := range []struct {
		bandwidth, first int // the lowest spreading factor that has it; 13: none
	}{{7810, 7}, {10420, 8}, {15630, 8}, {20830, 9}, {31250, 9}, {41670, 10}, {62500, 10}, {125000, 11}, {250000, 12}, {500000, 13}} {
		for sf := 7; sf <= 12; sf++ {
			s := Settings{SpreadingFactor: sf, Bandwidth: c.bandwidth, CodingRate: 5}
			if got := s.lowRate(); got != (sf >= c.first) {
				t.Errorf("SF%d at %d Hz, a symbol of %v: low data rate %v", sf, c.bandwidth, s.Symbol(), got)
			}
		}
	}
}

// The SX1276 datasheet's formula (section 4.1.1), own computation; 0.24 kbit/s and 37.5 kbit/s are the ends of the range that the
// SX1272 datasheet states on page 19 (its "4/8" for the lower one is really 4/6).
func TestBitRateAndSymbol(t *testing.T) {
	for _, c := range []struct {
		s      string
		symbol time.Duration
		rate   float64
	}{
		{"5 125 5 8", 256 * time.Microsecond, 15625},
		{"6 500 5 8", 128 * time.Microsecond, 37500},
		{"7 125 5 8", 1024 * time.Microsecond, 5468.75},
		{"9 250 5 8", 2048 * time.Microsecond, 3515.625},
		{"11 125 5 8", 16384 * time.Microsecond, 537.109375},
		{"12 500 5 8", 8192 * time.Microsecond, 1171.875},
		{"12 125 6 8", 32768 * time.Microsecond, 244.140625},
		{"12 7.81 5 8", 524455826 * time.Nanosecond, 18.3046875}, // 524.455825864 ms
	} {
		s := settings(t, c.s)
		if got := s.Symbol(); got != c.symbol {
			t.Errorf("%s: Symbol() = %v, want %v", c.s, got, c.symbol)
		}
		if got := s.BitRate(); math.Abs(got-c.rate) > 1e-9 {
			t.Errorf("%s: BitRate() = %v, want %v", c.s, got, c.rate)
		}
	}
}

func TestCheck(t *testing.T) {
	good := Settings{SpreadingFactor: 7, Bandwidth: 125000, CodingRate: 5, Preamble: 8}
	if err := good.Check(); err != nil {
		t.Errorf("Check(%+v) = %v", good, err)
	}
	change := func(f func(*Settings)) Settings { s := good; f(&s); return s }
	old := change(func(s *Settings) { s.Family, s.SpreadingFactor, s.ImplicitHeader = SX127x, 6, true })
	if err := old.Check(); err != nil {
		t.Errorf("Check(%+v) = %v", old, err)
	}
	for want, bad := range map[string]Settings{
		"spreading factor 4: expected 5 to 12":  change(func(s *Settings) { s.SpreadingFactor = 4 }),
		"spreading factor 13: expected 5 to 12": change(func(s *Settings) { s.SpreadingFactor = 13 }),
		"spreading factor 5: expected 6 to 12":  change(func(s *Settings) { s.SpreadingFactor, s.Family = 5, SX127x }),
		"implicit":                              change(func(s *Settings) { s.SpreadingFactor, s.Family = 6, SX127x }),
		"bandwidth 0 Hz":                        change(func(s *Settings) { s.Bandwidth = 0 }),
		"bandwidth 125 Hz":                      change(func(s *Settings) { s.Bandwidth = 125 }),
		"coding rate 4/4":                       change(func(s *Settings) { s.CodingRate = 4 }),
		"coding rate 4/9":                       change(func(s *Settings) { s.CodingRate = 9 }),
		"preamble of -1":                        change(func(s *Settings) { s.Preamble = -1 }),
		"preamble of 65536":                     change(func(s *Settings) { s.Preamble = 65536 }),
		"low data rate 3":                       change(func(s *Settings) { s.LowDataRate = 3 }),
		"chip family 2":                         change(func(s *Settings) { s.Family = 2 }),
	} {
		if err := bad.Check(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("Check(%+v) = %v, want an error that says %q", bad, err, want)
		}
	}
}

// anySettings returns settings that pass Check.
func anySettings(r *rand.Rand) Settings {
	for {
		s := Settings{SpreadingFactor: 5 + r.IntN(8), Bandwidth: bandwidths[r.IntN(len(bandwidths))], CodingRate: 5 + r.IntN(4),
			Preamble: r.IntN(65536), NoCRC: r.IntN(2) == 0, ImplicitHeader: r.IntN(2) == 0, LowDataRate: LowDataRate(r.IntN(3)),
			Family: Family(r.IntN(2))}
		if s.Check() == nil {
			return s
		}
	}
}

// floatSymbols is the datasheets' formula as they print it, in floating point: the judge of the integers.
func floatSymbols(s Settings, n int) float64 {
	sf, cr, crc, header, de := float64(s.SpreadingFactor), float64(s.CodingRate-4), 16.0, 20.0, 0.0
	if s.NoCRC {
		crc = 0
	}
	if s.ImplicitHeader {
		header = 0
	}
	if s.LowDataRate == LowDataRateOn || s.LowDataRate == LowDataRateAuto && math.Exp2(sf)/float64(s.Bandwidth) > 0.016 {
		de = 1
	}
	if s.Family == SX126x && sf < 7 {
		return float64(s.Preamble) + 6.25 + 8 + math.Ceil(max(8*float64(n)+crc-4*sf+header, 0)/(4*sf))*(cr+4)
	}
	return float64(s.Preamble) + 4.25 + 8 + math.Ceil(max(8*float64(n)+crc-4*sf+8+header, 0)/(4*(sf-2*de)))*(cr+4)
}

func TestAirtimeProperties(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	r := rand.New(rand.NewPCG(seed, 0))
	defer func() {
		if t.Failed() {
			t.Logf("seed %d", seed)
		}
	}()
	for range 500 {
		s := anySettings(r)
		last := int64(0)
		for n := 0; n <= MaxFrame; n++ {
			quarters := s.QuarterSymbols(n)
			if want := 4 * floatSymbols(s, n); float64(quarters) != want {
				t.Fatalf("%+v: QuarterSymbols(%d) = %d, the formula in floating point gives %v", s, n, quarters, want)
			}
			if quarters < last {
				t.Fatalf("%+v: QuarterSymbols(%d) = %d, but %d for one byte less", s, n, quarters, last)
			}
			last = quarters
			ns := float64(quarters) / 4 * math.Exp2(float64(s.SpreadingFactor)) / float64(s.Bandwidth) * 1e9
			if got := float64(s.Airtime(n)); got < ns*(1-1e-14) || got > ns*(1+1e-14)+1 {
				t.Fatalf("%+v: Airtime(%d) = %v ns, want %v rounded up", s, n, got, ns)
			}
			free := s.FreeBytes(n)
			if s.QuarterSymbols(n+free) != quarters {
				t.Fatalf("%+v: FreeBytes(%d) = %d, but they cost %d quarters", s, n, free, s.QuarterSymbols(n+free)-quarters)
			}
			if n+free > MaxFrame || n+free < MaxFrame && s.QuarterSymbols(n+free+1) == quarters {
				t.Fatalf("%+v: FreeBytes(%d) = %d, which is not all", s, n, free)
			}
		}
		whole := r.IntN(MaxFrame + 1)
		if n := s.MaxPayload(s.Airtime(whole)); n != whole+s.FreeBytes(whole) {
			t.Fatalf("%+v: MaxPayload of the airtime of %d bytes = %d, want those and the %d free ones", s, whole, n, s.FreeBytes(whole))
		}
		limit := time.Duration(r.Int64N(int64(2 * s.Airtime(MaxFrame))))
		if n := s.MaxPayload(limit); n >= 0 && s.Airtime(n) > limit || n < MaxFrame && s.Airtime(n+1) <= limit {
			t.Fatalf("%+v: MaxPayload(%v) = %d, whose airtime is %v", s, limit, n, s.Airtime(n))
		}
	}
}

// The longest frame there is. The vendor's own helper multiplies in 32 bits and loses most of it.
func TestAirtimeLongest(t *testing.T) {
	s := Settings{SpreadingFactor: 12, Bandwidth: 7810, CodingRate: 8, Preamble: 65535}
	want := floatSymbols(s, MaxFrame) * 4096 / 7810
	if got := s.Airtime(MaxFrame).Seconds(); math.Abs(got-want) > 1e-6 || got < 9*3600 {
		t.Errorf("Airtime(%d) = %v s, want %v", MaxFrame, got, want)
	}
}

func TestFreeBytes(t *testing.T) { // own computation: at SF12 every payload from 16 to 20 bytes costs 1318.912 ms
	s := settings(t, "12 125 5 8")
	for n, want := range map[int]int{16: 4, 17: 3, 20: 0, 254: 1, 255: 0, 300: 0} {
		if got := s.FreeBytes(n); got != want {
			t.Errorf("FreeBytes(%d) = %d, want %d", n, got, want)
		}
	}
}
