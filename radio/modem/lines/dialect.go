package lines

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"time"

	"longlane/radio"
)

// Dialect is a Config that has been judged and made ready. It does not change and is safe for concurrent use.
type Dialect struct {
	Initialise []Exchange
	// Heartbeat is nil if there is none; then Silence is more than 0.
	Heartbeat *Exchange
	Every     time.Duration
	// Reset is nil if no line makes the modem restart.
	Reset   *Exchange
	Reopen  bool
	Silence time.Duration
	// CanSend says that the modem can be told to send a frame.
	CanSend bool
	// Unset names the settings of the radio that no line of Initialise mentions, sorted.
	Unset []string

	ending, heardEnding    string
	longest                int
	restarted, busy, error *regexp.Regexp
	receive                receive
	send                   send
}

// Exchange is a line for the modem, and its answer.
type Exchange struct {
	Text    string // for people
	Line    []byte // as the modem is told it, with its ending
	Timeout time.Duration
	reply   *regexp.Regexp
}

// Waits reports whether there is an answer to wait for.
func (x Exchange) Waits() bool { return x.reply != nil }

// Answered reports whether a line is the answer.
func (x Exchange) Answered(line []byte) bool { return matches(x.reply, line) }

func matches(re *regexp.Regexp, line []byte) bool { return re != nil && re.Match(line) }

// Answer is what a line means to a modem's host who has asked something.
type Answer uint8

// The answers.
const (
	None Answer = iota // nothing
	OK
	Busy
	Error
)

// Judge says what a line means as an answer. For an Error, reason is what the modem gave as one.
func (d *Dialect) Judge(line []byte) (a Answer, reason string) {
	switch {
	case matches(d.error, line):
		return Error, d.reason(line)
	case matches(d.busy, line):
		return Busy, ""
	case matches(d.send.ok, line):
		return OK, ""
	}
	return None, ""
}

// maxReason bounds what is kept of a modem's words, in bytes.
const maxReason = 120

func (d *Dialect) reason(line []byte) string {
	if i := d.error.SubexpIndex("reason"); i >= 0 {
		if group := d.error.FindSubmatch(line)[i]; group != nil {
			line = group
		}
	}
	return string(line[:min(len(line), maxReason)])
}

// Restarted reports whether a line says that the modem has started.
func (d *Dialect) Restarted(line []byte) bool { return matches(d.restarted, line) }

// send is how the modem is told to send.
type send struct {
	template template
	encoding Encoding
	ok       *regexp.Regexp
	longest  int
}

// TooLongError says that the modem does not send frames of that size.
type TooLongError struct{ Size, Longest int }

func (e *TooLongError) Error() string {
	return fmt.Sprintf("%d bytes, at most %d", e.Size, e.Longest)
}

// Send returns what makes the modem send a frame, the line's ending included. It returns a *TooLongError if the modem does
// not send frames of that size.
func (d *Dialect) Send(frame []byte) ([]byte, error) {
	if len(frame) > d.send.longest {
		return nil, &TooLongError{len(frame), d.send.longest}
	}
	line := d.send.template.fill(func(name string) []byte {
		if name == "length" {
			return strconv.AppendInt(nil, int64(len(frame)), 10)
		}
		return d.send.encoding.Append(nil, frame)
	})
	line = append(line, d.ending...)
	if d.send.encoding == Raw {
		line = append(line, frame...)
	}
	return line, nil
}

// receive is how the modem tells of a frame.
type receive struct {
	pattern                    *regexp.Regexp
	encoding                   Encoding
	payload, length, rssi, snr int // groups; -1: there is none
	rssiScale, snrScale        float64
}

// Heard is a frame from the air, with what the modem measured.
type Heard struct {
	Frame     []byte // 1 to radio.MaxFrame bytes
	Measured  bool   // RSSI and SNR were told, and can be
	RSSI, SNR float64
}

// found is what one line tells of a frame.
type found struct {
	Heard
	groups [][]byte // by number; nil: the group took no part
	raw    int      // this many bytes follow, and are the frame
}

var errNoMatch = errors.New("not the pattern's line")

// find reads a line. It returns errNoMatch if the line tells of no frame, and another error if it does but the frame cannot
// be.
func (r *receive) find(line []byte) (found, error) {
	f := found{groups: r.pattern.FindSubmatch(line)}
	if f.groups == nil {
		return f, errNoMatch
	}
	f.measure(r)
	length, err := f.length(r)
	if err != nil {
		return f, err
	}
	if r.encoding == Raw {
		f.raw = length
		return f, nil
	}
	f.Frame, err = r.encoding.Decode(f.groups[r.payload])
	switch n := len(f.Frame); {
	case err != nil:
		return f, fmt.Errorf("the payload has %w", err)
	case n == 0 || n > radio.MaxFrame:
		return f, fmt.Errorf("the payload has %d bytes: expected 1 to %d", n, radio.MaxFrame)
	case r.length >= 0 && n != length:
		return f, fmt.Errorf("the payload has %d bytes, and the length is told as %d", n, length)
	}
	return f, nil
}

// length returns the size that the line tells, if it tells one.
func (f *found) length(r *receive) (int, error) {
	if r.length < 0 {
		return 0, nil
	}
	n, err := strconv.Atoi(string(f.groups[r.length]))
	if err != nil || n < 1 || n > radio.MaxFrame {
		return 0, fmt.Errorf("the length is %q: expected a number from 1 to %d", f.groups[r.length], radio.MaxFrame)
	}
	return n, nil
}

// measure fills in what was measured. One of the two alone, a word in place of a number, and a value that no receiver
// measures, all count as not measured: a wrong figure is worse than none. It returns false for the last of these, which
// means a wrong scale.
func (f *found) measure(r *receive) bool {
	if r.rssi < 0 || r.snr < 0 {
		return true
	}
	rssi, snr := scaled(f.groups[r.rssi], r.rssiScale), scaled(f.groups[r.snr], r.snrScale)
	if math.IsNaN(rssi) || math.IsNaN(snr) {
		return true
	}
	f.Measured = rssi >= lowestRSSI && rssi <= highestRSSI && snr >= lowestSNR && snr <= highestSNR
	if f.Measured {
		f.RSSI, f.SNR = rssi, snr
	}
	return f.Measured
}

// What a receiver can measure, generously: thermal noise (-174 dBm/Hz) in the narrowest LoRa channel, 7.81 kHz, is
// -135 dBm, and the highest spreading factor hears some 20 dB below noise.
const (
	lowestRSSI, highestRSSI = -170, 30
	lowestSNR, highestSNR   = -60, 60
)

// scaled returns the number that text is, times scale; NaN if it is none.
func scaled(text []byte, scale float64) float64 {
	v, err := strconv.ParseFloat(string(text), 64)
	if err != nil {
		return math.NaN()
	}
	// A scale such as 0.1 is no binary number; the product would show it far behind the point.
	return math.Round(v*scale*1000) / 1000
}

// Group is a named part of a line that a pattern has captured.
type Group struct {
	Name, Text string
	// Value is what the text amounts to, with its unit; empty if that is the text itself.
	Value string
}

// Trial is what the receive pattern makes of a sample line.
type Trial struct {
	Sample string
	Groups []Group
	Heard
	Raw int // so many bytes after the line are the frame; 0 unless the payload is raw
}

// Try lets the receive pattern at a line as the modem would say it. The error says why the line tells of no frame, or that
// it tells of something that cannot be.
func (d *Dialect) Try(sample string) (Trial, error) {
	r := &d.receive
	line := clean([]byte(sample))
	f, err := r.find(line)
	t := Trial{Sample: sample, Heard: f.Heard, Raw: f.raw}
	if errors.Is(err, errNoMatch) {
		return t, errors.New("a line that the pattern matches from its first to its last character")
	}
	for i, name := range r.pattern.SubexpNames() {
		if name != "" && f.groups[i] != nil {
			t.Groups = append(t.Groups, Group{name, string(f.groups[i]), t.value(i, r)})
		}
	}
	if err != nil {
		return t, fmt.Errorf("a line with a whole frame in it: %w", err)
	}
	if len(line) > d.longest {
		return t, fmt.Errorf("at most %d bytes (longest)", d.longest)
	}
	if !f.measure(r) {
		return t, fmt.Errorf("rssi from %d to %d dBm and snr from %d to %d dB once they are scaled; it has %q x %v and %q x %v",
			lowestRSSI, highestRSSI, lowestSNR, highestSNR, f.groups[r.rssi], r.rssiScale, f.groups[r.snr], r.snrScale)
	}
	return t, nil
}

func (t *Trial) value(group int, r *receive) string {
	switch {
	case group == r.rssi && t.Measured:
		return fmt.Sprintf("%v dBm", t.RSSI)
	case group == r.snr && t.Measured:
		return fmt.Sprintf("%v dB", t.SNR)
	}
	return ""
}

// clean takes from a line what lines are parted by, and the zeros of a line that was without power.
func clean(line []byte) []byte { return bytes.Trim(line, "\r\n\x00") }
