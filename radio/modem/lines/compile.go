package lines

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"math"
	"regexp"
	"regexp/syntax"
	"slices"
	"strings"
	"time"
	"unicode"

	"longlane/radio"
)

// Radio is how the radio is to be set: the names that may stand in braces in a line of Initialise, and their values.
type Radio map[string]int

// compiler makes a Dialect and collects what is in the way.
type compiler struct {
	problems
	radio Radio
	used  map[string]bool // names of radio that a line mentions
	d     *Dialect
}

// Compile returns the dialect of a Config. The error holds every mistake: see FieldErrors.
func (c *Config) Compile(settings Radio) (*Dialect, error) {
	k := compiler{radio: settings, used: map[string]bool{}, d: &Dialect{longest: c.Longest}}
	k.endings(c)
	k.number("longest", c.Longest, 16, 8192)
	k.d.restarted = k.pattern("restarted", c.Restarted, `(?:%s)\z`)
	k.d.busy = k.pattern("busy", c.Busy, whole)
	k.d.error = k.pattern("error", c.Error, whole, "reason")
	for i := range c.Initialise {
		k.initialise(fmt.Sprintf("initialise[%d].", i), c.Initialise[i])
	}
	k.receive(&c.Receive)
	if c.Send != nil {
		k.send(c.Send)
	}
	k.signs(c)
	if len(k.problems) == 0 {
		k.samples(c.Receive.Samples)
	}
	if len(k.problems) > 0 {
		return nil, k.problems
	}
	k.d.Unset = slices.DeleteFunc(slices.Sorted(maps.Keys(settings)), func(name string) bool { return k.used[name] })
	return k.d, nil
}

func (k *compiler) endings(c *Config) {
	k.d.ending, k.d.heardEnding = c.Ending, c.HeardEnding
	if c.HeardEnding == "" {
		k.d.heardEnding = c.Ending
	}
	for field, e := range map[string]string{"ending": k.d.ending, "heard_ending": k.d.heardEnding} {
		if e != "\r\n" && e != "\n" && e != "\r" && (field == "ending" || c.HeardEnding != "") {
			k.add(field, quote(e), `"\r\n", "\n" or "\r"`)
		}
	}
}

func (k *compiler) initialise(at string, s Step) {
	k.d.Initialise = append(k.d.Initialise, k.exchange(at, s.Line, s.Reply, s.Timeout, slices.Sorted(maps.Keys(k.radio))...))
}

// exchange takes a line that must be there, a reply that need not, and the timeout.
func (k *compiler) exchange(at, line, reply string, timeout Duration, names ...string) Exchange {
	t := k.template(at+"line", line, names...)
	k.between(at+"timeout", timeout, Duration(50*time.Millisecond), Duration(time.Minute))
	text := t.fill(func(name string) []byte {
		k.used[name] = true
		return fmt.Append(nil, k.radio[name])
	})
	return Exchange{Text: string(text), Line: append(bytes.Clone(text), k.d.ending...), Timeout: time.Duration(timeout),
		reply: k.pattern(at+"reply", reply, whole)}
}

func (k *compiler) receive(c *Receive) {
	r := &k.d.receive
	r.encoding = k.encoding("receive.payload", c.Payload)
	r.rssiScale, r.snrScale = k.scale("receive.rssi_scale", c.RSSIScale), k.scale("receive.snr_scale", c.SNRScale)
	r.pattern = k.needed("receive.pattern", c.Pattern, "payload", "length", "rssi", "snr")
	if r.pattern == nil {
		return
	}
	group := r.pattern.SubexpIndex
	r.payload, r.length, r.rssi, r.snr = group("payload"), group("length"), group("rssi"), group("snr")
	switch {
	case r.encoding == Raw && (r.length < 0 || r.payload >= 0):
		k.add("receive.pattern", quote(c.Pattern), "a group (?P<length>...) and none named payload, since a raw payload follows after the line")
	case r.encoding != Raw && r.payload < 0:
		k.add("receive.pattern", quote(c.Pattern), "a group (?P<payload>...) for what the frame's bytes are told as")
	}
}

func (k *compiler) scale(field string, v float64) float64 {
	if a := math.Abs(v); !(a >= 0.001 && a <= 1000) {
		k.add(field, fmt.Sprint(v), "a number that the modem's is to be multiplied with, such as 1 or 0.1")
	}
	return v
}

func (k *compiler) send(c *Send) {
	s := &k.d.send
	k.d.CanSend = true
	s.encoding = k.encoding("send.payload", c.Payload)
	s.longest = c.Longest
	k.number("send.longest", c.Longest, 1, radio.MaxFrame)
	s.ok = k.needed("send.ok", c.OK)
	s.template = k.template("send.line", c.Line, "length", "payload")
	if s.template == nil {
		return
	}
	payloads, lengths := s.template.count("payload"), s.template.count("length")
	switch {
	case s.encoding == Raw && (payloads > 0 || lengths == 0):
		k.add("send.line", quote(c.Line), "{length}, and no {payload}, since a raw payload follows after the line")
	case s.encoding != Raw && payloads != 1:
		k.add("send.line", quote(c.Line), "{payload} once, for the frame")
	}
}

// signs takes what tells a modem that is alive from one that is not.
func (k *compiler) signs(c *Config) {
	if h := c.Heartbeat; h != nil {
		x := k.exchange("heartbeat.", h.Line, h.Reply, h.Timeout)
		k.d.Heartbeat, k.d.Every = &x, time.Duration(h.Every)
		k.between("heartbeat.every", h.Every, Duration(time.Second), Duration(time.Hour))
		switch {
		case h.Reply == "":
			k.add("heartbeat.reply", "nothing", "the pattern of the answer that shows that the modem lives")
		case h.Timeout >= h.Every:
			k.add("heartbeat.timeout", quote(x.Timeout.String()), "less than every, "+quote(k.d.Every.String()))
		}
	}
	k.d.Reopen = true
	if r := c.Reset; r != nil {
		k.reset(r)
	}
	if k.d.Heartbeat == nil && k.d.Silence == 0 {
		k.add("heartbeat", "nothing", "[modem.line.heartbeat], or reset.silence: without either a dead modem would pass for a quiet day")
	}
}

func (k *compiler) reset(r *Reset) {
	k.d.Reopen, k.d.Silence = r.Reopen, time.Duration(r.Silence)
	switch {
	case r.Line != "":
		x := k.exchange("reset.", r.Line, r.Reply, r.Timeout)
		k.d.Reset = &x
	case r.Reply != "":
		k.add("reset.line", "nothing", "the line that reset.reply answers")
	case !r.Reopen:
		k.add("reset.reopen", "false", "true, or a line that makes the modem restart")
	}
	if r.Silence != 0 {
		k.between("reset.silence", r.Silence, Duration(10*time.Second), Duration(24*time.Hour))
	}
}

func (k *compiler) samples(samples []string) {
	for i, s := range samples {
		if _, err := k.d.Try(s); err != nil {
			k.add(fmt.Sprintf("receive.samples[%d]", i), quote(s), err.Error())
		}
	}
}

// whole makes a pattern match a line from its beginning to its end: "no" must not be found in "noise".
const whole = `\A(?:%s)\z`

// maxPattern bounds a pattern or template, in bytes.
const maxPattern = 1024

// needed is pattern, and refuses that there is none.
func (k *compiler) needed(field, text string, names ...string) *regexp.Regexp {
	if text == "" {
		k.add(field, "nothing", "a regular expression for the whole line")
	}
	return k.pattern(field, text, whole, names...)
}

// pattern compiles a pattern within the frame; nil for none, and for one that is refused. Its groups may have the given
// names, or none: a name that nobody reads is most likely a slip.
func (k *compiler) pattern(field, text, frame string, names ...string) *regexp.Regexp {
	if text == "" {
		return nil
	}
	// By itself first: "a)(b" must not become right by what is put around it, and messages are to show the owner's text.
	re, err := regexp.Compile(text)
	switch {
	case len(text) > maxPattern:
		k.add(field, fmt.Sprintf("%d bytes", len(text)), fmt.Sprintf("at most %d", maxPattern))
		return nil
	case err != nil:
		k.add(field, quote(text), "a regular expression as Go knows them ("+explain(err)+")")
		return nil
	}
	seen := map[string]bool{}
	for _, name := range re.SubexpNames() {
		switch {
		case name == "":
		case seen[name]:
			k.add(field, quote(text), "the group "+name+" once")
			return nil
		case !slices.Contains(names, name):
			k.unknownGroup(field, name, names)
			return nil
		}
		seen[name] = true
	}
	framed, err := regexp.Compile(fmt.Sprintf(frame, text))
	if err != nil { // it was just within the limits of the compiler
		k.add(field, quote(text), "a smaller regular expression")
		return nil
	}
	return framed
}

func (k *compiler) unknownGroup(field, name string, names []string) {
	expected := "no named groups here"
	if len(names) > 0 {
		expected = "groups named " + strings.Join(names, ", ") + ", or (...) without a name"
	}
	k.add(field, "a group named "+quote(name), expected)
}

// explain says in words what is wrong with a pattern.
func explain(err error) string {
	var e *syntax.Error
	if errors.As(err, &e) {
		return fmt.Sprintf("%s: %s", e.Code, quote(e.Expr))
	}
	return "it cannot be compiled"
}

// template is a line with places to fill in: pieces of text, and between each two a name.
type template []piece

type piece struct {
	text string
	name string // what follows the text; empty at the end
}

var placeholder = regexp.MustCompile(`\{([a-z_]+)\}`)

// template takes a line with names in braces. A brace that is not part of such a name stands for itself.
func (k *compiler) template(field, text string, names ...string) template {
	const form = "a line of text, at most 1024 bytes, without line breaks and control characters"
	if text == "" || len(text) > maxPattern || strings.ContainsFunc(text, unicode.IsControl) {
		k.add(field, value(text), form)
		return nil
	}
	var t template
	from := 0
	for _, at := range placeholder.FindAllStringSubmatchIndex(text, -1) {
		name := text[at[2]:at[3]]
		if !slices.Contains(names, name) {
			k.unknownName(field, name, names)
			return nil
		}
		t = append(t, piece{text[from:at[0]], name})
		from = at[1]
	}
	return append(t, piece{text: text[from:]})
}

func (k *compiler) unknownName(field, name string, names []string) {
	expected := "no {name} here"
	if len(names) > 0 {
		expected = "{" + strings.Join(names, "}, {") + "}"
	}
	k.add(field, "{"+name+"}", expected)
}

func (t template) count(name string) (n int) {
	for _, p := range t {
		if p.name == name {
			n++
		}
	}
	return n
}

func (t template) fill(with func(name string) []byte) []byte {
	var line []byte
	for _, p := range t {
		line = append(line, p.text...)
		if p.name != "" {
			line = append(line, with(p.name)...)
		}
	}
	return line
}
