package lines

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// Config is the table [modem.line]: all that a gateway knows of a modem that speaks lines. Compile says what may stand in
// it.
type Config struct {
	// Ending closes each line that the modem is told: "\r\n", "\n" or "\r".
	Ending string `toml:"ending"`
	// HeardEnding closes each line that the modem says. Empty: Ending.
	HeardEnding string `toml:"heard_ending"`
	// Longest is how long a line from the modem may be, in bytes without its ending, 16 to 8192. What is longer is
	// thrown away.
	Longest int `toml:"longest"`
	// Restarted is the pattern of a line by which the modem tells that it has started, or knows no settings. It need
	// not match the line's beginning: a restart can cut a line short, with the news right behind it. Empty: none.
	Restarted string `toml:"restarted"`
	// Busy is the pattern of an answer that means: not now, try again. Empty: none.
	Busy string `toml:"busy"`
	// Error is the pattern of an answer that means: no. A group named reason holds the part for people. Empty: none.
	Error string `toml:"error"`

	// Initialise is what the modem is told whenever it has been opened or has restarted, in order.
	Initialise []Step  `toml:"initialise,omitempty"`
	Receive    Receive `toml:"receive"`
	// Send may be left out where the gateway only receives.
	Send *Send `toml:"send,omitempty"`
	// Heartbeat may be left out where Reset has Silence.
	Heartbeat *Heartbeat `toml:"heartbeat,omitempty"`
	Reset     *Reset     `toml:"reset,omitempty"`
}

// Step is one line that the modem is told, and its answer.
type Step struct {
	// Line is the template of the line. The names of Radio in braces stand for their values.
	Line string `toml:"line"`
	// Reply is the pattern of the answer. Empty: no answer is waited for, and the next line follows after Timeout.
	Reply string `toml:"reply"`
	// Timeout is how long the answer may take, 50 ms to 1 min.
	Timeout Duration `toml:"timeout"`
}

// Receive says how the modem tells of a frame from the air.
type Receive struct {
	// Pattern has a group named payload, or length if the payload is raw, and best rssi and snr.
	Pattern string `toml:"pattern"`
	// Payload is the name of an Encoding.
	Payload string `toml:"payload"`
	// RSSIScale turns the modem's number into dBm, SNRScale into dB: 0.1 if it tells tenths.
	RSSIScale float64 `toml:"rssi_scale"`
	SNRScale  float64 `toml:"snr_scale"`
	// Samples are lines as the modem says them. The pattern must match each.
	Samples []string `toml:"samples,omitempty"`
}

// Send says how the modem is told to send a frame.
type Send struct {
	// Line is the template: {payload} stands for the frame, {length} for its size in bytes. With a raw payload, which
	// follows after the line, {length} must be there and {payload} must not.
	Line    string `toml:"line"`
	Payload string `toml:"payload"`
	// OK is the pattern of the answer that the frame has been sent.
	OK string `toml:"ok"`
	// Longest is the longest frame that the modem sends, 1 to 255 bytes.
	Longest int `toml:"longest"`
}

// Heartbeat is the line that asks whether the modem lives.
type Heartbeat struct {
	Line  string `toml:"line"`
	Reply string `toml:"reply"`
	// Every is 1 s to 1 h; Timeout 50 ms to 1 min, and shorter than Every.
	Every   Duration `toml:"every"`
	Timeout Duration `toml:"timeout"`
}

// Reset is what is done with a modem that has fallen silent, or that cannot be initialised.
type Reset struct {
	// Line makes the modem restart; Reply and Timeout are as in Step. Empty: none.
	Line    string   `toml:"line"`
	Reply   string   `toml:"reply"`
	Timeout Duration `toml:"timeout"`
	// Reopen closes the port first and opens it again. Without it that is done only if Line did not help.
	Reopen bool `toml:"reopen"`
	// Silence is how long nothing at all may come from the modem, 10 s to 24 h. 0: for ever; the heartbeat tells.
	Silence Duration `toml:"silence"`
}

const defaultTimeout = Duration(2 * time.Second)

// SetDefaults sets what the file may leave out.
func (c *Config) SetDefaults() {
	*c = Config{Ending: "\r\n", Longest: 2048, Receive: Receive{Payload: "hex", RSSIScale: 1, SNRScale: 1}}
}

// SetDefaults sets what the file may leave out.
func (s *Step) SetDefaults() { *s = Step{Timeout: defaultTimeout} }

// SetDefaults sets what the file may leave out.
func (s *Send) SetDefaults() { *s = Send{Payload: "hex", Longest: 255} }

// SetDefaults sets what the file may leave out.
func (h *Heartbeat) SetDefaults() {
	*h = Heartbeat{Every: Duration(30 * time.Second), Timeout: defaultTimeout}
}

// SetDefaults sets what the file may leave out.
func (r *Reset) SetDefaults() { *r = Reset{Timeout: defaultTimeout, Reopen: true} }

// Duration is a time.Duration written as text: "500ms", "30s".
type Duration time.Duration

// UnmarshalText accepts what time.ParseDuration accepts.
func (d *Duration) UnmarshalText(text []byte) error {
	v, err := time.ParseDuration(string(text))
	*d = Duration(v)
	return err
}

// MarshalText writes the form that UnmarshalText reads.
func (d Duration) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// String writes it as people do: 24h, where time.Duration has 24h0m0s.
func (d Duration) String() string {
	s := time.Duration(d).String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}

// Expected says in words what UnmarshalText accepts.
func (Duration) Expected() string { return `a duration in quotes such as "500ms" or "30s"` }

// FieldError is a field of a Config that cannot be.
type FieldError struct {
	Field                 string // such as initialise[1].reply; empty: the table itself
	Found, Expected, Hint string // Hint may be empty
}

func (e *FieldError) Error() string {
	s := fmt.Sprintf("%s: found %s, expected %s", e.Field, e.Found, e.Expected)
	if e.Hint != "" {
		s += "; " + e.Hint
	}
	return s
}

// FieldErrors returns the parts of an error of Compile.
func FieldErrors(err error) []*FieldError {
	var p problems
	if !errors.As(err, &p) {
		return nil
	}
	return p
}

// problems collects what is wrong with a Config.
type problems []*FieldError

func (p problems) Error() string {
	var words []string
	for _, e := range p {
		words = append(words, e.Error())
	}
	return strings.Join(words, "\n")
}

func (p *problems) add(field, found, expected string) {
	*p = append(*p, &FieldError{Field: field, Found: found, Expected: expected})
}

// quote quotes a text for a message, shortened where it is long.
func quote(s string) string {
	const most = 60
	if r := []rune(s); len(r) > most {
		return fmt.Sprintf("%q and more", string(r[:most]))
	}
	return fmt.Sprintf("%q", s)
}

// value is how a field is told of: what stands in it, or that nothing does.
func value(s string) string {
	if s == "" {
		return "nothing"
	}
	return quote(s)
}

func (p *problems) between(field string, v, low, high Duration) {
	if v < low || v > high {
		p.add(field, quote(Duration(v).String()), fmt.Sprintf("a duration from %q to %q", Duration(low), Duration(high)))
	}
}

func (p *problems) number(field string, v, low, high int) {
	if v < low || v > high {
		p.add(field, fmt.Sprint(v), fmt.Sprintf("a whole number from %d to %d", low, high))
	}
}

func (p *problems) encoding(field, name string) Encoding {
	e, ok := parseEncoding(name)
	if !ok {
		p.add(field, quote(name), encodingList())
	}
	return e
}
