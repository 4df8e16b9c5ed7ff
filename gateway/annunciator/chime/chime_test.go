package chime

import (
	"fmt"
	"math"
	"math/cmplx"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/dsp/fourier"
)

// pitch measures the strongest frequency of samples by a Fourier transform, between its bins by a parabola through the logarithms.
func pitch(samples []int16) float64 {
	const size = 1 << 16
	in := make([]float64, size) // zeros behind: the bins are 0.73 Hz apart
	n := min(len(samples), size)
	for i, v := range samples[:n] {
		in[i] = float64(v) * (1 - math.Cos(2*math.Pi*float64(i)/float64(n))) / 2 // von Hann's window
	}
	c := fourier.NewFFT(size).Coefficients(nil, in)
	best := 1
	for i := range c[1 : len(c)-1] {
		if cmplx.Abs(c[i+1]) > cmplx.Abs(c[best]) {
			best = i + 1
		}
	}
	l, m, r := math.Log(cmplx.Abs(c[best-1])), math.Log(cmplx.Abs(c[best])), math.Log(cmplx.Abs(c[best+1]))
	return (float64(best) + (l-r)/(2*(l-2*m+r))) * Rate / size
}

// TestPitch: what is synthesised is, by a Fourier transform that is not ours, the equal-tempered scale, within 3 cents; the frequencies are the table of
// ISO 16's scale as commonly printed (from memory).
func TestPitch(t *testing.T) {
	for name, want := range map[string]float64{"C2": 65.41, "A2": 110, "C4": 261.63, "F#4": 369.99, "Gb4": 369.99, "G4": 392.00, "A4": 440, "Bb4": 466.16, "B4": 493.88,
		"C5": 523.25, "D5": 587.33, "E5": 659.26, "G5": 783.99, "A5": 880, "C6": 1046.50, "C8": 4186.01} {
		notes, err := Parse([]string{name + " 1s"})
		if err != nil {
			t.Fatal(err)
		}
		got := pitch(Make(notes).Samples)
		if cents := 1200 * math.Log2(got/want); math.Abs(cents) > 3 {
			t.Errorf("%s sounds at %.2f Hz, want %.2f: %.1f cents off", name, got, want, cents)
		}
	}
	for _, notes := range [][]Note{ForName("river-gate"), Trouble, Deaf, Arrival(3), Departure(0)} { // each note of a pattern where it belongs
		from := 0
		samples := Make(notes).Samples
		for i, n := range notes {
			to := from + samplesIn(n.Length)
			if n.Frequency == 0 {
				from = to
				continue
			}
			if cents := 1200 * math.Log2(pitch(samples[from:to])/n.Frequency); math.Abs(cents) > 20 { // 90 ms of it may be all that there is
				t.Errorf("note %d of %v is %.1f cents off", i, notes, cents)
			}
			from = to
		}
	}
}

// TestSoft: no step in the sound is larger than the steepest of its sine; it begins and ends at nothing.
func TestSoft(t *testing.T) {
	for _, f := range []string{"C2 20ms", "A4 300ms", "C8 1s"} {
		notes, err := Parse([]string{f})
		if err != nil {
			t.Fatal(err)
		}
		s := Make(notes).Samples
		steepest := fullScale * math.MaxInt16 * 2 * math.Pi * notes[0].Frequency / Rate
		for i := range s[1:] {
			if step := math.Abs(float64(s[i+1]) - float64(s[i])); step > steepest+300 {
				t.Errorf("%s: a step of %v at sample %d, and the sine's steepest is %.0f", f, step, i, steepest)
				break
			}
		}
		if s[0] != 0 || s[len(s)-1] != 0 {
			t.Errorf("%s begins at %d and ends at %d", f, s[0], s[len(s)-1])
		}
	}
}

// TestForName: the same name, the same pattern, here as on any machine; names that differ in a letter differ in their pattern.
func TestForName(t *testing.T) {
	if got := ForName("river-gate"); !Same(got, ForName("river-gate")) || len(got) != 4 {
		t.Errorf("river-gate: %v", got)
	}
	const fixed = "880.00 360ms, 783.99 180ms, 523.25 180ms, 392.00 360ms"
	var words []string
	for _, n := range ForName("river-gate") {
		words = append(words, fmt.Sprintf("%.2f %v", n.Frequency, n.Length))
	}
	if got := strings.Join(words, ", "); got != fixed {
		t.Errorf("river-gate has got another chime: %s, and people know %s", got, fixed)
	}
	names, same := []string{}, 0
	for _, place := range []string{"gate", "yard", "barn", "lane", "river", "ridge", "mill"} {
		for i := range 10 {
			names = append(names, fmt.Sprintf("%s-%d", place, i))
		}
	}
	for i, a := range names {
		for _, b := range names[:i] {
			if Same(ForName(a), ForName(b)) {
				same++
			}
		}
	}
	if same > 2 { // 2,415 pairs of 16,464 patterns: 0.15 are to be expected
		t.Errorf("of 70 names %d pairs sound the same", same)
	}
}

func TestParseErrors(t *testing.T) {
	for note, want := range map[string]string{"G4": "a pitch and a length", "H4 200ms": "a pitch from C2", "G4 200": "a length from", "G4 1ms": "a length from",
		"G4 6s": "a length from", "G1 1s": "a pitch from", "C#8 1s": "a pitch from", "G44 1s": "a pitch from", "g4 1s": "a pitch from", " 1s": "", "": "a pitch and"} {
		if _, err := Parse([]string{note}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", note, err, want)
		}
	}
	if _, err := Parse(make([]string, 33)); err == nil {
		t.Error("33 notes are taken")
	}
}

// TestWAV: what is written is read, by us and by a program that is not ours, and volume halves what it should.
func TestWAV(t *testing.T) {
	s := Make([]Note{{440, 500 * time.Millisecond}})
	back, err := ReadWAV(s.WAV(50))
	if err != nil || back.Rate != Rate || back.Channels != 1 || len(back.Samples) != len(s.Samples) || back.Length() != 560*time.Millisecond {
		t.Fatalf("read back: %d samples of %d, %d a second, %v", len(back.Samples), len(s.Samples), back.Rate, err)
	}
	for i, v := range s.Samples {
		if back.Samples[i] != v/2 {
			t.Fatalf("sample %d is %d at half the volume, and %d at full", i, back.Samples[i], v)
		}
	}
	path := filepath.Join(t.TempDir(), "a.wav")
	if err := os.WriteFile(path, s.WAV(100), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("python3", "-c", "import wave, sys; w = wave.open(sys.argv[1]); print(w.getparams()[:4], len(w.readframes(1 << 30)))", path).CombinedOutput()
	if want := fmt.Sprintf("(1, 2, 48000, %d) %d\n", len(s.Samples), 2*len(s.Samples)); err != nil || string(out) != want {
		t.Errorf("python's wave module reads %q (%v), want %q", out, err, want)
	}
}

func TestBadWAV(t *testing.T) {
	good := Make([]Note{{440, 100 * time.Millisecond}}).WAV(100)
	change := func(at int, b ...byte) []byte {
		c := append([]byte(nil), good...)
		copy(c[at:], b)
		return c
	}
	for name, c := range map[string]struct {
		file []byte
		want string
	}{
		"empty": {nil, "no WAV"}, "text": {[]byte("RIFF and more text"), "no WAV"}, "compressed": {change(20, 85, 0), "kind 85"}, "8 bits": {change(34, 8, 0), "8 bits"},
		"3 channels": {change(22, 3, 0), "3 channels"}, "no samples": {change(40, 0, 0, 0, 0), "without a sample"}, "no data": {change(36, 'j'), "without data"},
		"cut in its head": {good[:24], "cut short"}, "format last": {change(12, 'x'), "before their format"}, "slow": {change(24, 1, 0, 0, 0), "1 samples a second"},
		"long": {Sound{8000, 1, make([]int16, 8000*61)}.WAV(100), "1m1s"},
	} {
		if _, err := ReadWAV(c.file); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
	if s, err := ReadWAV(good[:len(good)-101]); err != nil || len(s.Samples) == 0 {
		t.Errorf("cut within its samples: %d samples, %v; want what is there", len(s.Samples), err)
	}
}

func FuzzReadWAV(f *testing.F) {
	f.Add(Make([]Note{{440, 20 * time.Millisecond}}).WAV(100))
	f.Fuzz(func(t *testing.T, b []byte) {
		if s, err := ReadWAV(b); err == nil {
			if again, err := ReadWAV(s.WAV(100)); err != nil || len(again.Samples) != len(s.Samples) {
				t.Errorf("it was read, and what was written of it is not: %v", err)
			}
		}
	})
}
