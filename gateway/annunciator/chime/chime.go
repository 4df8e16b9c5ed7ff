// Package chime makes sounds out of notes: sines with a soft beginning and a slow end, as PCM in a WAV file. It also reads
// the owner's own WAV files, so that volume holds for those too.
//
// Pitches are those of the equal-tempered scale at A4 = 440 Hz (ISO 16): 440 * 2^((n-69)/12) Hz, where n counts semitones
// and A4 is 69.
package chime

import (
	"encoding/binary"
	"fmt"
	"hash/fnv"
	"math"
	"strconv"
	"strings"
	"time"
)

// Rate is the samples a second of what is made.
const Rate = 48000

// Note is a tone, or with Frequency 0 a rest.
type Note struct {
	Frequency float64 // Hz
	Length    time.Duration
}

// Bounds of what Parse takes.
const (
	MaxNotes  = 32
	shortest  = 20 * time.Millisecond
	longest   = 5 * time.Second
	lowestN   = 36 // C2, 65 Hz: below it no small loudspeaker follows
	highestN  = 108
	referN    = 69
	referHz   = 440
	fullScale = 0.8 // of what 16 bits hold: some loudspeakers rattle at the last tenth
)

var steps = map[byte]int{'C': 0, 'D': 2, 'E': 4, 'F': 5, 'G': 7, 'A': 9, 'B': 11}

// Parse reads a pattern, a note or rest each: "G4 200ms", "F#5 1s", "Bb3 120ms", "rest 80ms". The octave is 2 to 8, a length 20 ms to 5 s.
func Parse(list []string) ([]Note, error) {
	if len(list) > MaxNotes {
		return nil, fmt.Errorf("%d notes, expected at most %d", len(list), MaxNotes)
	}
	var notes []Note
	for _, s := range list {
		n, err := parse(s)
		if err != nil {
			return nil, fmt.Errorf("note %q: %w", s, err)
		}
		notes = append(notes, n)
	}
	return notes, nil
}

func parse(s string) (n Note, err error) {
	pitch, length, ok := strings.Cut(strings.TrimSpace(s), " ")
	if !ok {
		return n, fmt.Errorf("expected a pitch and a length, such as %q", "G4 200ms")
	}
	if n.Length, err = time.ParseDuration(strings.TrimSpace(length)); err != nil || n.Length < shortest || n.Length > longest {
		return n, fmt.Errorf("expected a length from %v to %v", shortest, longest)
	}
	if pitch == "rest" {
		return n, nil
	}
	semitone, err := semitoneOf(pitch)
	n.Frequency = Hertz(semitone)
	return n, err
}

func semitoneOf(pitch string) (int, error) {
	bad := fmt.Errorf("expected a pitch from C2 to C8, such as G4, F#5 or Bb3, or rest")
	if pitch == "" {
		return 0, bad
	}
	step, ok := steps[pitch[0]]
	rest := pitch[1:]
	if strings.HasPrefix(rest, "#") {
		step, rest = step+1, rest[1:]
	} else if strings.HasPrefix(rest, "b") {
		step, rest = step-1, rest[1:]
	}
	octave, err := strconv.Atoi(rest)
	n := 12*(octave+1) + step
	if !ok || err != nil || len(rest) != 1 || n < lowestN || n > highestN {
		return 0, bad
	}
	return n, nil
}

// Hertz is the pitch of a semitone, counted so that A4 is 69.
func Hertz(semitone int) float64 { return referHz * math.Pow(2, float64(semitone-referN)/12) }

// The pitches that names are given: a pentatonic scale, in which no two sound badly together, where small loudspeakers are good.
var scale = []int{67, 69, 72, 74, 76, 79, 81, 84} // G4 A4 C5 D5 E5 G5 A5 C6

// The rhythms, in units of 10 ms.
var rhythms = [][4]int{{18, 18, 18, 45}, {36, 18, 18, 36}, {18, 36, 18, 36}, {12, 12, 36, 45}, {27, 9, 27, 45}, {36, 36, 12, 24}}

// ForName draws a pattern of four notes from a name: always the same, and another for almost every name. Of 16,464 patterns
// two names rarely share one: see Same.
func ForName(name string) []Note {
	h := fnv.New64a()
	h.Write([]byte(name))
	v := mix(h.Sum64())
	draw := func(n int) int {
		d := int(v % uint64(n))
		v /= uint64(n)
		return d
	}
	rhythm := rhythms[draw(len(rhythms))]
	notes, last := make([]Note, 0, 4), -1
	for i := range 4 {
		k := draw(len(scale))
		if last >= 0 { // never the same one twice in a row
			k = (last + 1 + k%(len(scale)-1)) % len(scale)
		}
		notes = append(notes, Note{Hertz(scale[k]), time.Duration(rhythm[i]) * 10 * time.Millisecond})
		last = k
	}
	return notes
}

// mix spreads the last letters of a name over all bits: names of one place often differ in these alone. It is the end of MurmurHash3
// (Appleby, public domain).
func mix(v uint64) uint64 {
	v ^= v >> 33
	v *= 0xff51afd7ed558ccd
	v ^= v >> 33
	v *= 0xc4ceb9fe1a85ec53
	return v ^ v>>33
}

// Same reports whether two patterns cannot be told apart.
func Same(a, b []Note) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}

// The patterns of what is no zone's.
var (
	// Trouble falls, TroubleEnded rises; Deaf knocks three times, low.
	Trouble      = list(76, 150, 69, 150, 76, 150, 69, 400)
	TroubleEnded = list(69, 150, 76, 400)
	Deaf         = list(57, 250, 0, 120, 57, 250, 0, 120, 57, 500)
	DeafEnded    = list(57, 200, 64, 200, 69, 450)
)

// Arrival rises and Departure falls; each passage of a place has its own pitch.
func Arrival(passage int) []Note {
	n := 2 * (passage % 6)
	return list(64+n, 120, 68+n, 120, 71+n, 120, 76+n, 450)
}

// Departure is the counterpart of Arrival.
func Departure(passage int) []Note {
	n := 2 * (passage % 6)
	return list(76+n, 120, 71+n, 120, 68+n, 120, 64+n, 450)
}

func list(v ...int) (notes []Note) {
	for i := 0; i < len(v); i += 2 {
		n := Note{Length: time.Duration(v[i+1]) * time.Millisecond}
		if v[i] > 0 {
			n.Frequency = Hertz(v[i])
		}
		notes = append(notes, n)
	}
	return notes
}

// Sound is PCM.
type Sound struct {
	Rate, Channels int
	Samples        []int16 // of all channels in turn
}

// Length is how long it lasts.
func (s Sound) Length() time.Duration {
	return time.Duration(len(s.Samples)/s.Channels) * time.Second / time.Duration(s.Rate)
}

const (
	attack  = 12 * time.Millisecond // shorter ones click
	release = 30 * time.Millisecond
	silence = 60 * time.Millisecond // at the end: players cut the last buffer short
)

// Make synthesises a pattern.
func Make(notes []Note) Sound {
	s := Sound{Rate: Rate, Channels: 1}
	for _, n := range notes {
		s.Samples = append(s.Samples, tone(n)...)
	}
	s.Samples = append(s.Samples, make([]int16, samplesIn(silence))...)
	return s
}

func samplesIn(d time.Duration) int { return int(int64(d) * Rate / int64(time.Second)) }

// tone is a sine that begins and ends as half a cosine, and decays to a quarter in between.
func tone(n Note) []int16 {
	out := make([]int16, samplesIn(n.Length))
	rise, fall := min(samplesIn(attack), len(out)/2), min(samplesIn(release), len(out)/2)
	for i := range out {
		level := math.Pow(0.25, float64(i)/float64(len(out)))
		if i < rise {
			level *= (1 - math.Cos(math.Pi*float64(i)/float64(rise))) / 2
		}
		if left := len(out) - 1 - i; left < fall {
			level *= (1 - math.Cos(math.Pi*float64(left)/float64(fall))) / 2
		}
		out[i] = int16(math.Round(fullScale * math.MaxInt16 * level * math.Sin(2*math.Pi*n.Frequency*float64(i)/Rate)))
	}
	return out
}

// The header of a WAV file: RIFF, WAVE, fmt and data chunks (Microsoft, IBM: Multimedia Programming Interface and Data
// Specifications 1.0, 1991).
const headerSize = 44

// WAV is the sound as a file, at a volume in percent: 50 is half the amplitude, 6 dB less.
func (s Sound) WAV(volume int) []byte {
	size := 2 * len(s.Samples)
	b := make([]byte, 0, headerSize+size)
	le := binary.LittleEndian
	b = append(b, "RIFF"...)
	b = le.AppendUint32(b, uint32(headerSize-8+size))
	b = append(b, "WAVEfmt "...)
	b = le.AppendUint32(b, 16)
	b = le.AppendUint16(b, 1) // PCM
	b = le.AppendUint16(b, uint16(s.Channels))
	b = le.AppendUint32(b, uint32(s.Rate))
	b = le.AppendUint32(b, uint32(s.Rate*s.Channels*2))
	b = le.AppendUint16(b, uint16(s.Channels*2))
	b = le.AppendUint16(b, 16)
	b = append(b, "data"...)
	b = le.AppendUint32(b, uint32(size))
	volume = min(max(volume, 0), 100)
	for _, v := range s.Samples {
		b = le.AppendUint16(b, uint16(int16(int(v)*volume/100)))
	}
	return b
}

// MaxLength is the longest sound that is read.
const MaxLength = time.Minute

// ReadWAV reads a WAV file of 16-bit PCM, mono or stereo.
func ReadWAV(b []byte) (s Sound, err error) {
	le := binary.LittleEndian
	if len(b) < 12 || string(b[:4]) != "RIFF" || string(b[8:12]) != "WAVE" {
		return s, fmt.Errorf("no WAV file: expected RIFF and WAVE at its beginning")
	}
	for b = b[12:]; len(b) >= 8; {
		id, size := string(b[:4]), int64(le.Uint32(b[4:]))
		body := b[8:]
		if id == "data" && size > int64(len(body)) { // as recorders leave it that were cut short
			size = int64(len(body))
		}
		if size > int64(len(body)) {
			return s, fmt.Errorf("a WAV file cut short: its chunk %q wants %d bytes, and %d are there", id, size, len(body))
		}
		body = body[:size]
		switch id {
		case "fmt ":
			if err := s.format(body); err != nil {
				return s, err
			}
		case "data":
			if s.Rate == 0 {
				return s, fmt.Errorf("a WAV file whose data come before their format")
			}
			for ; len(body) >= 2*s.Channels; body = body[2*s.Channels:] {
				for k := range s.Channels {
					s.Samples = append(s.Samples, int16(le.Uint16(body[2*k:])))
				}
			}
			switch {
			case len(s.Samples) == 0:
				return s, fmt.Errorf("a WAV file without a sample")
			case s.Length() > MaxLength:
				return s, fmt.Errorf("a WAV file of %v, expected at most %v", s.Length().Round(time.Second), MaxLength)
			}
			return s, nil
		}
		b = b[min(int64(len(b)), 8+size+size%2):] // chunks are padded to even sizes
	}
	return s, fmt.Errorf("a WAV file without data")
}

func (s *Sound) format(b []byte) error {
	const want = "expected 16-bit PCM, mono or stereo, 8000 to 192000 samples a second"
	if len(b) < 16 {
		return fmt.Errorf("a WAV file with a format of %d bytes; %s", len(b), want)
	}
	le := binary.LittleEndian
	kind, channels, rate, bits := le.Uint16(b), le.Uint16(b[2:]), le.Uint32(b[4:]), le.Uint16(b[14:])
	if kind == 0xfffe && len(b) >= 26 { // extensible: the kind stands first in its GUID
		kind = le.Uint16(b[24:])
	}
	if kind != 1 || bits != 16 || channels < 1 || channels > 2 || rate < 8000 || rate > 192000 {
		return fmt.Errorf("a WAV file of kind %d, %d channels, %d samples a second, %d bits; %s", kind, channels, rate, bits, want)
	}
	s.Rate, s.Channels = int(rate), int(channels)
	return nil
}
