package lines

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"
)

// plainEnglish is a dialect made up for these tests.
func plainEnglish() Config {
	var c Config
	c.SetDefaults()
	c.Restarted = "good morning"
	c.Busy = "somebody is talking"
	c.Error = "i will not(?:, (?P<reason>.*))?"
	c.Initialise = []Step{{Line: "listen on {frequency} at {power}", Reply: "listening", Timeout: Duration(time.Second)}}
	c.Receive.Pattern = `heard (?P<payload>[0-9a-fA-F]+)(?: at (?P<rssi>\S+))?(?: and (?P<snr>\S+))?`
	c.Receive.RSSIScale = 0.1
	c.Send = &Send{Line: "say {payload} of {length}", Payload: "hex", OK: "said", Longest: 20}
	c.Heartbeat = &Heartbeat{Line: "are you there", Reply: "yes", Every: Duration(30 * time.Second), Timeout: Duration(time.Second)}
	return c
}

func compile(t testing.TB, c Config) *Dialect {
	t.Helper()
	d, err := c.Compile(Radio{"frequency": 868100000, "power": -9, "preamble": 8})
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestCompile(t *testing.T) {
	d := compile(t, plainEnglish())
	if got, want := string(d.Initialise[0].Line), "listen on 868100000 at -9\r\n"; got != want {
		t.Errorf("first line %q, want %q", got, want)
	}
	if x := d.Initialise[0]; !x.Waits() || !x.Answered([]byte("listening")) || x.Answered([]byte("listening?")) || x.Timeout != time.Second {
		t.Errorf("the first exchange does not wait for its whole answer")
	}
	if !reflect.DeepEqual(d.Unset, []string{"preamble"}) {
		t.Errorf("Unset = %q, want preamble", d.Unset)
	}
	if !d.Reopen || d.Reset != nil || d.Silence != 0 || !d.CanSend || d.Every != 30*time.Second {
		t.Errorf("dialect %+v", d)
	}
}

func TestPatternsMatchWholeLines(t *testing.T) {
	d := compile(t, plainEnglish())
	for line, want := range map[string]Answer{
		"said": OK, "said so": None, "he said": None, "somebody is talking": Busy, "i will not": Error, "i will not, no": Error, "": None,
	} {
		if got, _ := d.Judge([]byte(line)); got != want {
			t.Errorf("Judge(%q) = %v, want %v", line, got, want)
		}
	}
	for line, want := range map[string]string{"i will not": "", "i will not, too long": "too long", "i will not, " + strings.Repeat("x", 500): strings.Repeat("x", maxReason)} {
		if _, got := d.Judge([]byte(line)); got != want && !(want == "" && got == line) {
			t.Errorf("reason of %q = %q, want %q", line, got, want)
		}
	}
	// A restart may cut a line short, with the news right behind it.
	for line, want := range map[string]bool{"good morning": true, "heard 0a0bgood morning": true, "good morning to you": false} {
		if got := d.Restarted([]byte(line)); got != want {
			t.Errorf("Restarted(%q) = %v, want %v", line, got, want)
		}
	}
	c := plainEnglish()
	c.Restarted, c.Busy = "one|two", "yes|no"
	d = compile(t, c)
	if got, _ := d.Judge([]byte("yes, no")); got != None || d.Restarted([]byte("one more")) {
		t.Errorf("alternatives are not held together")
	}
}

func TestSend(t *testing.T) {
	for _, c := range []struct{ payload, line, want string }{
		{"hex", "say {payload}", "say 0aff22\n"},
		{"hex-upper", "say {payload} of {length}", "say 0AFF22 of 3\n"},
		{"base64", "{length}: {payload}", "3: Cv8i\n"},
		{"quoted", "{payload}", "\"\\x0a\\xff\\\"\"\n"},
		{"raw", "say {length}, {length} in all", "say 3, 3 in all\n\x0a\xff\""},
		{"hex", `{"say": "{payload}", {}, {1}, {X}}`, `{"say": "0aff22", {}, {1}, {X}}` + "\n"}, // braces that are no names
	} {
		cfg := plainEnglish()
		cfg.Ending = "\n"
		cfg.Send.Payload, cfg.Send.Line = c.payload, c.line
		got, err := compile(t, cfg).Send([]byte{0x0a, 0xff, 0x22})
		if err != nil || string(got) != c.want {
			t.Errorf("%s %q: Send = %q, %v; want %q", c.payload, c.line, got, err, c.want)
		}
	}
	if _, err := compile(t, plainEnglish()).Send(make([]byte, 21)); err == nil || err.Error() != "21 bytes, at most 20" {
		t.Errorf("Send of 21 bytes = %v, want it refused", err)
	}
}

func TestMeasurements(t *testing.T) {
	d := compile(t, plainEnglish())
	for line, want := range map[string]Heard{
		"heard 0a at -1012 and 7.25":  {Measured: true, RSSI: -101.2, SNR: 7.25},
		"heard 0a at -1012":           {},
		"heard 0a and 7.25":           {},
		"heard 0a":                    {},
		"heard 0a at low and 7":       {},
		"heard 0a at -1012 and NaN":   {},
		"heard 0a at -Inf and 7":      {},
		"heard 0a at -1701 and 7":     {},
		"heard 0a at -1700 and -60":   {Measured: true, RSSI: -170, SNR: -60},
		"heard 0a at -1e3 and 1e1":    {Measured: true, RSSI: -100, SNR: 10},
		"heard 0a at 9e999 and 1":     {},
		"heard 0a at -1012 and 61":    {},
		"heard 0a at -99999999 and 7": {},
	} {
		got, _ := read(d, []byte(line+"\r\n"))
		want.Frame = []byte{0x0a}
		if len(got) != 1 || !reflect.DeepEqual(got[0], want) {
			t.Errorf("%q = %+v, want %+v", line, got, want)
		}
	}
}

func TestTry(t *testing.T) {
	d := compile(t, plainEnglish())
	got, err := d.Try("heard 0AfF at -1012 and 7.25")
	want := Trial{Sample: "heard 0AfF at -1012 and 7.25", Groups: []Group{{"payload", "0AfF", ""}, {"rssi", "-1012", "-101.2 dBm"}, {"snr", "7.25", "7.25 dB"}},
		Heard: Heard{Frame: []byte{0x0a, 0xff}, Measured: true, RSSI: -101.2, SNR: 7.25}}
	if err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("Try = %+v, %v\nwant %+v", got, err, want)
	}
	if got, err := d.Try("heard 0a at -1012"); err != nil || got.Measured || len(got.Groups) != 2 {
		t.Errorf("Try without snr = %+v, %v; want it taken, not measured, with 2 groups", got, err)
	}
	for _, bad := range []string{"", "heard", "i heard 0a", "heard 0", "heard 0a at -10120 and 1"} {
		if got, err := d.Try(bad); err == nil {
			t.Errorf("Try(%q) = %+v, want an error", bad, got)
		}
	}
	c := rawEnglish()
	if got, err := compile(t, c).Try("heard 17 bytes"); err != nil || got.Raw != 17 {
		t.Errorf("Try of a raw payload's line = %+v, %v; want 17 bytes to follow", got, err)
	}
}

func rawEnglish() Config {
	c := plainEnglish()
	c.Ending = "\n"
	c.Receive.Payload, c.Receive.Pattern = "raw", "heard (?P<length>[0-9]+) bytes"
	return c
}

// read pushes a stream through a reader in one piece.
func read(d *Dialect, stream []byte) (frames []Heard, counts Counts) {
	r := NewReader(d)
	r.Push(stream, 0, func(h Heard) { frames = append(frames, h) }, func([]byte) {})
	return frames, r.Counts
}

// transcript is all that a reader makes of a stream that is cut up by next, and what it counts.
func transcript(d *Dialect, stream []byte, next func() int) string {
	var out strings.Builder
	r := NewReader(d)
	for len(stream) > 0 {
		n := min(max(next(), 1), len(stream))
		r.Push(stream[:n], 0,
			func(h Heard) { fmt.Fprintf(&out, "%x %v %v %v\n", h.Frame, h.Measured, h.RSSI, h.SNR) },
			func(line []byte) { fmt.Fprintf(&out, "%q\n", line) })
		stream = stream[n:]
	}
	fmt.Fprintf(&out, "%+v", r.Counts)
	return out.String()
}

// TestEveryChunking: however the stream is cut, the reader finds the same.
func TestEveryChunking(t *testing.T) {
	stream := "heard 0a0b at -1012 and 7.5\r\nsaid\r\n\r\n\x00\x00good morning\r\nheard 0\r\nheard ff\r\nwait"
	raw := "heard 3 bytes\nab\n\nsaid\nheard 0 bytes\nheard 256 bytes\nheard 5 bytes\r\nheard\nyes\n"
	for name, c := range map[string]struct {
		d      *Dialect
		stream string
		want   string
	}{
		"hex": {compile(t, plainEnglish()), stream, "0a0b true -101.2 7.5\n\"said\"\n\"good morning\"\nff false 0 0\n" + `{Lines:5 BadPayload:1 Overflow:0 Cut:0}`},
		"raw": {compile(t, rawEnglish()), raw, "61620a false 0 0\n\"said\"\n" + "6865617264 false 0 0\n\"yes\"\n" + `{Lines:6 BadPayload:2 Overflow:0 Cut:0}`},
	} {
		stream := []byte(c.stream)
		if got := transcript(c.d, stream, func() int { return len(stream) }); got != c.want {
			t.Errorf("%s in one piece:\n%s\nwant\n%s", name, got, c.want)
		}
		for size := 1; size < len(stream); size++ {
			if got := transcript(c.d, stream, func() int { return size }); got != c.want {
				t.Errorf("%s in pieces of %d:\n%s\nwant\n%s", name, size, got, c.want)
			}
		}
		for at := 1; at < len(stream); at++ { // one cut, everywhere
			first := at
			if got := transcript(c.d, stream, func() int { n := first; first = len(stream); return n }); got != c.want {
				t.Errorf("%s cut at %d:\n%s\nwant\n%s", name, at, got, c.want)
			}
		}
	}
}

func TestEndings(t *testing.T) {
	for _, c := range []struct{ ending, heard, stream string }{
		{"\r\n", "", "heard 0a\r\nheard 0b\r\n"},
		{"\n", "", "heard 0a\nheard 0b\n"},
		{"\r", "", "heard 0a\rheard 0b\r"},
		{"\n", "", "heard 0a\r\nheard 0b\r\n"}, // a line from the modem may have more
		{"\r", "", "heard 0a\r\nheard 0b\r\n"}, // at either end
		{"\r\n", "", "heard 0a\nheard 0b\n"},   // or less
		{"\n", "\r", "heard 0a\rheard 0b\r"},   // or quite another
		{"\r", "\r\n", "heard 0a\r\nheard 0b\r\n"},
	} {
		cfg := plainEnglish()
		cfg.Ending, cfg.HeardEnding = c.ending, c.heard
		d := compile(t, cfg)
		frames, _ := read(d, []byte(c.stream))
		if len(frames) != 2 || frames[0].Frame[0] != 0x0a || frames[1].Frame[0] != 0x0b {
			t.Errorf("ending %q, heard_ending %q: %q = %v, want 0a and 0b", c.ending, c.heard, c.stream, frames)
		}
		if line, _ := d.Send([]byte{1}); !strings.HasSuffix(string(line), "of 1"+c.ending) {
			t.Errorf("ending %q: the modem is told %q", c.ending, line)
		}
	}
}

// TestGarbageIsBounded: a stream without line ends costs one line of memory, and the line after it is read.
func TestGarbageIsBounded(t *testing.T) {
	cfg := plainEnglish()
	cfg.Longest = 16
	d := compile(t, cfg)
	r := NewReader(d)
	var frames int
	push := func(b []byte) {
		r.Push(b, 0, func(Heard) { frames++ }, func(line []byte) { t.Errorf("said %q", line) })
	}
	seed := rand.Uint64()
	rng := rand.New(rand.NewPCG(seed, 0))
	for range 10000 {
		b := make([]byte, 100)
		for i := range b {
			b[i] = byte(rng.Uint32()) | 0x80
		}
		push(b)
		if cap(r.line) > 64 {
			t.Fatalf("seed %d: the reader holds %d bytes of a line that may have 16", seed, cap(r.line))
		}
	}
	push([]byte("\r\nheard 0123456789\r\n")) // exactly 16 bytes
	if r.Counts.Overflow != 1 || frames != 1 {
		t.Errorf("%d overflows, %d frames; want 1 and 1", r.Counts.Overflow, frames)
	}
	push([]byte("heard 0123456789ab\r\nheard 0a\r\n"))
	if r.Counts.Overflow != 2 || frames != 2 {
		t.Errorf("%d overflows, %d frames; want 2 and 2", r.Counts.Overflow, frames)
	}
}

// TestSilenceWithinALine: a modem that restarts within a line or a raw payload begins anew.
func TestSilenceWithinALine(t *testing.T) {
	for name, c := range map[string]struct {
		cfg   Config
		begun string
	}{"line": {plainEnglish(), "heard 0a0"}, "raw": {rawEnglish(), "heard 20 bytes\nabc"}, "overlong": {plainEnglish(), strings.Repeat("x", 3000)}} {
		for waited, cut := range map[time.Duration]bool{cutAfter: true, cutAfter - 1: false} {
			r := NewReader(compile(t, c.cfg))
			var said []string
			push := func(s string, waited time.Duration) {
				r.Push([]byte(s), waited, func(Heard) {}, func(line []byte) { said = append(said, string(line)) })
			}
			push(c.begun, 0)
			push("", 100*cutAfter) // a Read that returned nothing tells nothing
			push("hello\r\n", waited)
			if got := len(said) == 1 && said[0] == "hello"; got != cut || r.Counts.Cut != map[bool]uint64{true: 1}[cut] {
				t.Errorf("%s: after %v it heard %q, counts %+v; want it cut: %v", name, waited, said, r.Counts, cut)
			}
		}
	}
}

// TestSlicesAreGivenAway: what the reader handed out does not change with what it reads next.
func TestSlicesAreGivenAway(t *testing.T) {
	for name, c := range map[string]struct {
		cfg    Config
		stream string
		want   string
	}{
		"hex": {plainEnglish(), "heard 0a0b\r\nsaid\r\nheard 0c0d\r\nyes!\r\n", "0a0b 73616964 0c0d 79657321 "},
		"raw": {rawEnglish(), "heard 2 bytes\nabsaid\nheard 2 bytes\ncdyes!\n", "6162 73616964 6364 79657321 "},
	} {
		var got [][]byte
		r := NewReader(compile(t, c.cfg))
		r.Push([]byte(c.stream), 0, func(h Heard) { got = append(got, h.Frame) }, func(line []byte) { got = append(got, line) })
		out := ""
		for _, b := range got {
			out += fmt.Sprintf("%x ", b)
		}
		if out != c.want {
			t.Errorf("%s: after all was read the slices hold %s, want %s", name, out, c.want)
		}
	}
}

// TestLengthIsHeld: where a line tells the payload's length, a payload that lost a part is refused.
func TestLengthIsHeld(t *testing.T) {
	cfg := plainEnglish()
	cfg.Receive.Pattern = `heard (?P<length>[0-9]+): (?P<payload>[0-9a-f]+)`
	d := compile(t, cfg)
	frames, counts := read(d, []byte("heard 2: 0a0b\r\nheard 3: 0a0b\r\nheard 1: 0a0b\r\nheard 99999999999999999999: 0a\r\n"))
	if len(frames) != 1 || counts.BadPayload != 3 {
		t.Errorf("%d frames, %+v; want 1, and 3 refused", len(frames), counts)
	}
	long, counts := read(d, fmt.Appendf(nil, "heard 255: %s\r\nheard 256: %s\r\n", strings.Repeat("0a", 255), strings.Repeat("0a", 256)))
	if len(long) != 1 || len(long[0].Frame) != 255 || counts.BadPayload != 1 {
		t.Errorf("%d frames, %+v; want that of 255 bytes and not that of 256", len(long), counts)
	}
}

// TestConfigMistakes: what testdata/config/bad does not show.
func TestConfigMistakes(t *testing.T) {
	for _, c := range []struct {
		field string
		spoil func(c *Config)
	}{
		{"ending", func(c *Config) { c.Ending = "" }},
		{"heard_ending", func(c *Config) { c.HeardEnding = "\n\r" }},
		{"restarted", func(c *Config) { c.Restarted = "a)(b" }},
		{"busy", func(c *Config) { c.Busy = strings.Repeat("x", maxPattern+1) }},
		{"error", func(c *Config) { c.Error = "(x{1000}){1000}" }},
		{"initialise[0].line", func(c *Config) { c.Initialise[0].Line = "" }},
		{"initialise[0].line", func(c *Config) { c.Initialise[0].Line = "say {payload}" }},
		{"initialise[0].timeout", func(c *Config) { c.Initialise[0].Timeout = 0 }},
		{"receive.pattern", func(c *Config) { c.Receive.Pattern = "" }},
		{"receive.pattern", func(c *Config) { c.Receive.Pattern = "(?P<playload>.*)" }},
		{"receive.snr_scale", func(c *Config) { c.Receive.SNRScale = 1e6 }},
		{"receive.samples[0]", func(c *Config) { c.Receive.Samples = []string{"hush"} }},
		{"send.line", func(c *Config) { c.Send.Line = "say {payload} {payload}" }},
		{"send.line", func(c *Config) { c.Send.Line = "say {payload} {lenght}" }},
		{"send.line", func(c *Config) { c.Send.Line = "say\n{payload}" }},
		{"heartbeat.line", func(c *Config) { c.Heartbeat.Line = "are you there {frequency}" }},
		{"heartbeat.timeout", func(c *Config) { c.Heartbeat.Timeout = c.Heartbeat.Every }},
		{"heartbeat", func(c *Config) { c.Heartbeat = nil }},
		{"heartbeat", func(c *Config) { c.Heartbeat, c.Reset = nil, &Reset{Reopen: true} }},
		{"reset.silence", func(c *Config) { c.Reset = &Reset{Reopen: true, Silence: -1} }},
	} {
		cfg := plainEnglish()
		c.spoil(&cfg)
		_, err := cfg.Compile(Radio{"frequency": 1, "power": 1})
		if es := FieldErrors(err); len(es) != 1 || es[0].Field != c.field || es[0].Found == "" || es[0].Expected == "" {
			t.Errorf("Compile = %v, want one problem with %s", err, c.field)
		}
	}
	cfg := plainEnglish()
	cfg.Heartbeat, cfg.Reset, cfg.Send = nil, &Reset{Reopen: true, Silence: Duration(time.Minute)}, nil
	if d := compile(t, cfg); d.CanSend || d.Heartbeat != nil || d.Silence != time.Minute {
		t.Errorf("a modem that only receives gave %+v", d)
	}
}

// slow is what a reader without raw payloads must find in a stream: a model that has all of it before its eyes.
func slow(d *Dialect, stream []byte) string {
	var out strings.Builder
	var counts Counts
	most := d.longest + len(d.heardEnding) - 1
	pieces := bytes.SplitAfter(stream, []byte(d.heardEnding[len(d.heardEnding)-1:]))
	for i, p := range pieces {
		whole := i < len(pieces)-1
		if whole {
			p = p[:len(p)-1]
		}
		if len(p) > most {
			counts.Overflow++
			continue
		}
		line := bytes.Trim(p, "\r\n\x00")
		if !whole || len(line) == 0 {
			continue
		}
		counts.Lines++
		switch f, err := d.receive.find(line); err {
		case nil:
			fmt.Fprintf(&out, "%x %v %v %v\n", f.Frame, f.Measured, f.RSSI, f.SNR)
		case errNoMatch:
			fmt.Fprintf(&out, "%q\n", line)
		default:
			counts.BadPayload++
		}
	}
	fmt.Fprintf(&out, "%+v", counts)
	return out.String()
}

// FuzzReader: any bytes, cut up in any way, are read as the model reads them in one piece; a frame is 1 to 255 bytes.
func FuzzReader(f *testing.F) {
	cfg := plainEnglish()
	cfg.Longest = 40
	hexed := compile(f, cfg)
	raw := compile(f, rawEnglish())
	f.Add([]byte("heard 0a0b at -1012 and 7.5\r\nsaid\r\ngood morning\r\nheard 0\r\n"), uint64(1))
	f.Add([]byte("heard 3 bytes\nab\n\nsaid\nheard 0 bytes\nheard 256 bytes\n"), uint64(2))
	f.Add(bytes.Repeat([]byte("x"), 100), uint64(3))
	f.Fuzz(func(t *testing.T, stream []byte, seed uint64) {
		rng := rand.New(rand.NewPCG(seed, 0))
		cut := func() int { return 1 + rng.IntN(10) }
		if got, want := transcript(hexed, stream, cut), slow(hexed, stream); got != want {
			t.Errorf("%q:\n%s\nwant\n%s", stream, got, want)
		}
		one := transcript(raw, stream, func() int { return len(stream) })
		if got := transcript(raw, stream, cut); got != one {
			t.Errorf("%q with raw payloads:\n%s\nin one piece\n%s", stream, got, one)
		}
		frames, _ := read(raw, stream)
		for _, h := range frames {
			if n := len(h.Frame); n < 1 || n > 255 {
				t.Errorf("%q: a frame of %d bytes", stream, n)
			}
		}
	})
}

// FuzzCompile: whatever stands in the patterns and templates, Compile returns; what it takes can be used.
func FuzzCompile(f *testing.F) {
	f.Add("heard (?P<payload>.*)", "say {payload}", "heard 0a")
	f.Add("(?P<length>a)|(?P<payload>b)", "{payload}{length}", "b")
	f.Add("(?P<payload>", "{", "")
	f.Fuzz(func(t *testing.T, pattern, line, sample string) {
		c := plainEnglish()
		c.Receive.Pattern, c.Send.Line, c.Receive.Samples = pattern, line, []string{sample}
		d, err := c.Compile(Radio{"frequency": 1, "power": 1})
		if err != nil {
			for _, e := range FieldErrors(err) {
				if e.Field == "" || e.Found == "" || e.Expected == "" || strings.ContainsAny(e.Error(), "\n\r\x00\x1b") {
					t.Errorf("a message with a hole or a line break: %q", e)
				}
			}
			return
		}
		told, err := d.Send([]byte{0x0a})
		if err != nil || bytes.IndexByte(told, '\n') != len(told)-1 {
			t.Errorf("%q: the modem would be told %q, %v; want one line", line, told, err)
		}
		if trial, err := d.Try(sample); err != nil || len(trial.Frame) < 1 || len(trial.Frame) > 255 {
			t.Errorf("Try(%q) = %+v, %v after Compile had taken it", sample, trial, err)
		}
	})
}
