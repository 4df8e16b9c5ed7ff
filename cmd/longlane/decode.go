package main

import (
	"bufio"
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"longlane/gateway/roster"
	"longlane/proto"
	"longlane/radio/lora"
)

var decodeCommand = command{
	name:  "decode",
	brief: "explain frames, field by field, and say what the gateway would make of them",
	usage: "[--state DIR] [--counter N] [--sf N] [--rssi DBM] [--snr DB] [--json] [HEX...]   (without HEX: one frame a line on standard input)",
	example: "  longlane decode --state /var/lib/longlane 21071267010100000004...\n" +
		"  longlane decode --state /var/lib/longlane --sf 9 --rssi -97 --snr 4.25 21071267010100000004...\n" +
		"  longlane decode --json < frames.txt",
	run: decode,
}

// unknownCounter is no counter: those have 32 bits.
const unknownCounter = math.MaxUint64

func decode(_ context.Context, c *call) error {
	state := c.String("state", "", "the state `directory`, for the keys; without it only the clear part can be read")
	counter := uint64(unknownCounter)
	c.Func("counter", "the whole `counter`, if it is known; otherwise the low 2^20 are tried", func(s string) (err error) {
		if counter, err = strconv.ParseUint(s, 10, 32); err != nil {
			return errors.New("expected a whole number from 0 to 4294967295")
		}
		return nil
	})
	hear := hearing{rssi: math.NaN(), snr: math.NaN()}
	sf := c.Int("sf", 0, "the `spreading factor`, 5 to 12, for the margins of hops")
	bandwidth := c.Int("bandwidth", 125000, "the bandwidth in `Hz`, for the margin of a hop without SNR")
	decibelFlag(c, "rssi", "the RSSI in `dBm` at which the gateway's modem heard the frame", &hear.rssi)
	decibelFlag(c, "snr", "the SNR in `dB` at which it did", &hear.snr)
	asJSON := c.Bool("json", false, "print one line of JSON for each frame")
	words, err := c.parse(-1)
	if err != nil {
		return err
	}
	if *sf != 0 {
		hear.settings = &lora.Settings{SpreadingFactor: *sf, Bandwidth: *bandwidth, CodingRate: 5, Preamble: 8}
		if err := hear.settings.Check(); err != nil {
			return badUsage("%w", err)
		}
	}
	var r *roster.Roster
	if *state != "" {
		if r, err = roster.Open(*state); err != nil {
			return err
		}
	}
	bad := 0
	one := func(text string) error {
		f := readFrame(text, r, counter, hear)
		if !f.good {
			bad++
		}
		if *asJSON {
			return json.NewEncoder(c.out).Encode(f.json())
		}
		f.print(c)
		return nil
	}
	for _, w := range words {
		if err := one(w); err != nil {
			return err
		}
	}
	if len(words) == 0 {
		lines := bufio.NewScanner(c.in)
		for lines.Scan() {
			if t := strings.TrimSpace(lines.Text()); t != "" && !strings.HasPrefix(t, "#") {
				if err := one(t); err != nil {
					return err
				}
			}
		}
		if err := lines.Err(); err != nil {
			return fmt.Errorf("read standard input: %w", err)
		}
	}
	if bad > 0 {
		return fmt.Errorf("%d of the frames would be refused, or could not be checked", bad)
	}
	return nil
}

// explained is a frame in words.
type explained struct {
	input     string
	good      bool
	authentic bool // its MAC is good, whether or not it would be taken
	verdict   string
	fields    []field
	hops      []hopWords
}

type field struct {
	Name  string `json:"name"`
	Value string `json:"value"`
	Note  string `json:"note,omitempty"`
}

// hopWords is a hop in the order travelled. The last, to the gateway, is there if it was told how its modem heard the frame.
type hopWords struct {
	From     string   `json:"from"`
	To       string   `json:"to"`
	Relay    string   `json:"relay,omitempty"`
	Gen      uint8    `json:"generation,omitempty"`
	RSSI     *float64 `json:"rssi_dbm"`
	SNR      *float64 `json:"snr_db"`
	Margin   *float64 `json:"margin_db"` // null without --sf
	Held     float64  `json:"held_s"`
	Verified string   `json:"verified"` // yes, no, unknown: the relay's record, or in the last hop who was heard
}

// hearing is what is known of the modems: how the gateway's heard the frame, and how all are set.
type hearing struct {
	rssi, snr float64        // not a number: not told
	settings  *lora.Settings // nil: not told
}

func decibelFlag(c *call, name, usage string, p *float64) {
	c.Func(name, usage, func(s string) (err error) {
		if *p, err = strconv.ParseFloat(s, 64); err != nil || math.IsNaN(*p) || math.IsInf(*p, 0) {
			return errors.New("expected a number such as -97.5")
		}
		return nil
	})
}

func (f *explained) add(name, value, note string) {
	f.fields = append(f.fields, field{name, value, note})
}

func readFrame(text string, r *roster.Roster, counter uint64, hear hearing) *explained {
	f := &explained{input: text}
	b, err := hex.DecodeString(strings.NewReplacer(" ", "", ":", "").Replace(text))
	if err != nil {
		f.verdict = "not a frame: expected hexadecimal digits, two a byte"
		return f
	}
	raw, err := proto.Parse(b)
	if err != nil {
		f.verdict = "refused: " + err.Error()
		return f
	}
	f.clear(raw, len(b))
	if r == nil {
		f.verdict = "not checked: no keys (give --state); the body is encrypted"
		f.addHops(raw, nil, hear)
		return f
	}
	f.seal(raw, r, counter)
	f.addHops(raw, r, hear)
	return f
}

func (f *explained) clear(raw proto.Raw, n int) {
	f.add("type", raw.Type.String(), fmt.Sprintf("version %d, %d bytes", proto.Version, n))
	f.add("site", fmt.Sprint(raw.Site), "")
	switch {
	case raw.Type.Group():
		f.add("sender", fmt.Sprint(raw.Node), "")
	default:
		f.add("node", fmt.Sprint(raw.Node), "")
	}
	f.add("generation", fmt.Sprint(raw.Gen), "")
	bits := "low 16 bits"
	if raw.WholeCounter() {
		bits = "all 32 bits"
	}
	f.add("counter", fmt.Sprint(raw.Counter), bits+" travelled")
	if !raw.Type.Receipt() && !raw.Type.Group() {
		f.add("attempt", fmt.Sprint(raw.Attempt), "")
	}
	if raw.Type.Receipt() {
		f.add("gateway", fmt.Sprint(raw.Gateway), "")
		f.add("epoch", fmt.Sprint(raw.Epoch), "")
		f.add("number", fmt.Sprint(raw.Number), "of the gateway's receipts in this epoch")
	}
	f.add("hops left", fmt.Sprint(raw.HopsLeft), "not under the MAC")
}

// seal authenticates the frame and explains its body.
func (f *explained) seal(raw proto.Raw, r *roster.Roster, counter uint64) {
	if raw.Site != r.Site {
		f.verdict = fmt.Sprintf("refused: site: this site is %d", r.Site)
		return
	}
	keys, why := keysFor(raw, r)
	if keys == nil {
		f.verdict = "refused: " + why
		return
	}
	body, whole, err := open(raw, keys, counter)
	if err != nil {
		f.verdict = "refused: " + err.Error()
		return
	}
	f.good, f.authentic = true, true
	f.verdict = "authentic; whether it is new and fresh only the running gateway knows"
	if why != "" {
		f.verdict = "authentic, but " + why
		f.good = false
	}
	f.add("whole counter", fmt.Sprint(whole), "under the MAC")
	f.body(body)
}

func keysFor(raw proto.Raw, r *roster.Roster) (*proto.Keys, string) {
	if raw.Type.Group() {
		if raw.Gen != r.GroupGen {
			return nil, fmt.Sprintf("generation: the group key in force is of generation %d", r.GroupGen)
		}
		k, err := r.Group()
		if err != nil {
			return nil, err.Error()
		}
		return k, ""
	}
	n := r.Node(raw.Node)
	if n == nil {
		return nil, fmt.Sprintf("unknown-node: no node %d was enrolled", raw.Node)
	}
	k, err := r.Keys(raw.Node, raw.Gen)
	if err != nil {
		return nil, err.Error()
	}
	switch {
	case n.Revoked:
		return k, fmt.Sprintf("refused: revoked: %s is shut out for ever", n.Name)
	case raw.Gen != n.Gen:
		return k, fmt.Sprintf("its generation is %d, in force is %d: accepted only until the first frame of that, at most 7 days",
			raw.Gen, n.Gen)
	}
	return k, ""
}

// open tries the counters that a frame may mean. Away from the gateway's marks there are many.
func open(raw proto.Raw, k *proto.Keys, counter uint64) (proto.Body, uint32, error) {
	if raw.WholeCounter() {
		b, err := raw.Open(k, raw.Counter)
		return b, raw.Counter, err
	}
	if counter <= math.MaxUint32 {
		b, err := raw.Open(k, uint32(counter))
		return b, uint32(counter), err
	}
	var first error
	for high := range uint32(16) {
		whole := high<<16 | raw.Counter
		b, err := raw.Open(k, whole)
		var pe *proto.Error
		if err == nil || errors.As(err, &pe) && pe.Reason != proto.BadMAC {
			return b, whole, err
		}
		if first == nil {
			first = err
		}
	}
	return nil, 0, first
}

func sendTime(s proto.SendTime) (string, string) {
	if !s.Known() {
		return "none", "the node does not know the gateway's time: the frame counts as unproven"
	}
	return (time.Duration(s.Seconds) * time.Second).String(), fmt.Sprintf("of gateway time; low byte of the epoch %d", s.Epoch)
}

func (f *explained) input8(i proto.Input) {
	words := []string{}
	for _, w := range []struct {
		on   bool
		word string
	}{{i.Active, "tripped now"}, {i.Normally, "normally closed"}, {i.Supervised, "wire supervised"}, {i.Test, "TEST"}} {
		if w.on {
			words = append(words, w.word)
		}
	}
	f.add("input", fmt.Sprint(i.Number), strings.Join(words, ", "))
}

func (f *explained) supply(b proto.Battery, t proto.Temperature) {
	if v, ok := b.Volts(); ok {
		f.add("battery", fmt.Sprintf("%.2f V", v), "")
	} else {
		f.add("battery", "not measured", "")
	}
	if t == proto.NoTemperature {
		f.add("temperature", "not measured", "")
	} else {
		f.add("temperature", fmt.Sprintf("%d °C", t), "")
	}
}

func (f *explained) sent(s proto.SendTime) {
	v, note := sendTime(s)
	f.add("send time", v, note)
}

func dwellWords(d proto.Dur16) string {
	if d == proto.Dur16Max {
		return "not known"
	}
	return d.Duration().String()
}

func (f *explained) body(b proto.Body) {
	switch b := b.(type) {
	case *proto.TripOpened:
		f.input8(b.Input)
		f.add("age", b.Age.Duration().String(), "since the contact's first edge, as sealed")
		f.sent(b.Sent)
		f.supply(b.Battery, b.Temperature)
		f.add("oldest held", fmt.Sprintf("%d back", b.Oldest), "")
	case *proto.TripClosed:
		f.input8(b.Input)
		f.add("age", b.Age.Duration().String(), "since the contact returned, as sealed")
		f.sent(b.Sent)
		f.add("dwell", dwellWords(b.Dwell), "")
		f.add("opening", fmt.Sprintf("%d back", b.Opened), "0: not known")
	case *proto.TripHeld:
		kind := "an opening"
		if b.Closed {
			kind = "a closing"
		}
		f.add("held", kind, "")
		f.input8(b.Input)
		f.add("age", b.Age.Duration().String(), "as sealed")
		f.sent(b.Sent)
		if b.Closed {
			f.add("dwell", dwellWords(b.Dwell), "")
			f.add("opening", fmt.Sprintf("%d back", b.Opened), "0: not known")
		}
		f.add("oldest held", fmt.Sprintf("%d back", b.Oldest), "")
		f.supply(b.Battery, proto.NoTemperature)
	case *proto.Fault:
		what := "began"
		if b.Ended {
			what = "ended"
		}
		f.add("fault", b.Kind.String(), what)
		f.input8(b.Input)
		f.add("argument", fmt.Sprint(b.Argument), "")
		f.add("age", b.Age.Duration().String(), "as sealed")
		f.sent(b.Sent)
		f.add("oldest held", fmt.Sprintf("%d back", b.Oldest), "")
		f.supply(b.Battery, b.Temperature)
	case *proto.CheckIn:
		f.checkIn(b)
	default:
		f.fromGatewayOrGroup(b)
	}
}

func (f *explained) checkIn(b *proto.CheckIn) {
	f.sent(b.Sent)
	f.add("inputs tripped", fmt.Sprintf("%04b", b.Active), "bit 0 is input 0")
	f.add("restarted", fmt.Sprint(b.Restarted), fmt.Sprintf("%d restarts, modulo 256", b.Restarts))
	f.add("mains", fmt.Sprint(b.Mains), "")
	f.supply(b.Battery, b.Temperature)
	f.add("next event", fmt.Sprint(b.Next), "low 16 bits of the counter")
	f.add("oldest held", fmt.Sprintf("%d back", b.Oldest), "0: nothing is held")
	if b.Confirms {
		age := b.ConfirmAge.Duration().String()
		if b.ConfirmAge == proto.Dur8Max {
			age += " or more"
		}
		f.add("confirms", fmt.Sprintf("%d back", b.Confirm), "its age is "+age)
	}
	f.add("heard receipt at", decibels(b.HeardRSSI.DBm(), "dBm"), "SNR "+decibels(b.HeardSNR.DB(), "dB"))
	f.add("settings", fmt.Sprintf("version %d", b.Settings), "")
	f.add("noise floor", decibels(b.Noise.DBm(), "dBm"), "at the node")
}

func (f *explained) fromGatewayOrGroup(b proto.Body) {
	switch b := b.(type) {
	case *proto.Receipt:
		f.add("gateway time", b.Time.Since().String(), "since the epoch began")
		f.add("attempt answered", fmt.Sprint(b.Attempt), "")
		f.add("also durable", fmt.Sprintf("%016b", b.Also), "bit 0 is the counter before the one answered")
		f.add("confirm", fmt.Sprint(b.Confirm), "")
		if s := b.Settings; s.Version != 0 {
			f.add("settings", fmt.Sprintf("version %d", s.Version), fmt.Sprintf("minimum dwell %s, check-in period %s",
				time.Duration(s.MinDwell)*proto.MinDwellUnit, time.Duration(s.Period)*proto.PeriodUnit))
		}
	case *proto.Beacon:
		f.add("epoch", fmt.Sprint(b.Epoch), "a hint")
		f.add("gateway time", b.Time.Since().String(), "a hint")
		f.add("distance", distance(b.Distance), "expected airtime to the gateway")
		f.add("noise floor", decibels(b.Noise.DBm(), "dBm"), "")
		f.add("channel busy", fmt.Sprintf("%.0f %%", float64(b.Busy)/2.55), "of the last hour")
	case *proto.HopAck:
		f.add("has frame", hex.EncodeToString(b.Tag[:]), "first bytes of its MAC")
		f.add("distance", distance(b.Distance), "")
		f.add("heard at", decibels(b.RSSI.DBm(), "dBm"), "SNR "+decibels(b.SNR.DB(), "dB"))
	case *proto.Solicit:
		if b.Receipt {
			f.add("asks for", "a kept receipt", "of the frame whose MAC begins with "+hex.EncodeToString(b.Tag[:]))
		} else {
			f.add("asks for", "a parent", "")
		}
		f.add("distance", distance(b.Distance), "")
		f.add("noise floor", decibels(b.Noise.DBm(), "dBm"), "")
	}
}

func distance(d uint16) string {
	if d == proto.NoDistance {
		return "no way known"
	}
	return fmt.Sprintf("%d ms", d)
}

func decibels(v float64, unit string) string {
	if math.IsNaN(v) {
		return "not measured"
	}
	return fmt.Sprintf("%g %s", v+0, unit) // + 0: no "-0"
}

func (f *explained) addHops(raw proto.Raw, r *roster.Roster, hear hearing) {
	if raw.Type.Group() || raw.Type.Receipt() {
		return // they carry no records, and come from nobody whom a path leads to
	}
	name := func(id uint8) string {
		if r != nil && r.Node(id) != nil {
			return r.Node(id).Name
		}
		return fmt.Sprint(id)
	}
	from, sender := name(raw.Node), "unknown"
	if r != nil {
		sender = map[bool]string{true: "yes", false: "no"}[f.authentic]
	}
	for i := range raw.HopCount() {
		h := raw.Hop(i)
		w := hopWords{From: from, To: name(h.Relay), Relay: fmt.Sprint(h.Relay), Gen: h.Gen, Held: h.Held.Duration().Seconds(), Verified: "unknown"}
		w.heard(h.RSSI.DBm(), h.SNR.DB(), hear.settings)
		if r != nil {
			w.Verified = "no"
			if k, err := r.Keys(h.Relay, h.Gen); err == nil && r.Node(h.Relay) != nil && raw.VerifyHop(i, k) {
				w.Verified = "yes"
			}
		}
		f.hops = append(f.hops, w)
		from, sender = w.To, w.Verified
	}
	if !math.IsNaN(hear.rssi) || !math.IsNaN(hear.snr) {
		w := hopWords{From: from, To: "gateway", Verified: sender}
		w.heard(hear.rssi, hear.snr, hear.settings)
		f.hops = append(f.hops, w)
	}
}

func (w *hopWords) heard(rssi, snr float64, s *lora.Settings) {
	known := func(v float64) *float64 {
		if math.IsNaN(v) {
			return nil
		}
		return &v
	}
	w.RSSI, w.SNR = known(rssi), known(snr)
	if s != nil {
		w.Margin = known(math.Round(100*lora.Margin(*s, rssi, snr)) / 100)
	}
}

func (f *explained) json() any {
	return map[string]any{"frame": f.input, "good": f.good, "verdict": f.verdict,
		"fields": append([]field{}, f.fields...), "hops": append([]hopWords{}, f.hops...)} // never null
}

func (f *explained) print(c *call) {
	fmt.Fprintf(c.out, "%s\n", f.input)
	for _, x := range f.fields {
		fmt.Fprintln(c.out, strings.TrimRight(fmt.Sprintf("  %-17s %-22s %s", x.Name, x.Value, x.Note), " "))
	}
	for i, h := range f.hops {
		fmt.Fprintf(c.out, "  hop %-13d %s\n", i+1, h)
	}
	fmt.Fprintf(c.out, "  verdict           %s\n\n", f.verdict)
}

func (w hopWords) String() string {
	who, margin, held := "", "", ""
	if w.Relay != "" {
		who, held = fmt.Sprintf(" (relay %s, generation %d)", w.Relay, w.Gen), fmt.Sprintf(", held %gs", w.Held)
	}
	if w.Margin != nil {
		margin = ", margin " + optional(w.Margin, "dB")
	}
	words := map[string]string{"yes": "verified", "no": "NOT VERIFIED", "unknown": "cannot be checked without keys"}[w.Verified]
	return fmt.Sprintf("%s heard by %s%s at %s, SNR %s%s%s, %s", w.From, w.To, who, optional(w.RSSI, "dBm"), optional(w.SNR, "dB"), margin, held, words)
}

func optional(v *float64, unit string) string {
	if v == nil {
		return "not measured"
	}
	return decibels(*v, unit)
}
