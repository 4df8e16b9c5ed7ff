package proto

import (
	"bytes"
	"context"
	"crypto/aes"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// The vectors in testdata/frames are made by a program in another language, from PROTOCOL.md and not from this
// package. Where the two disagree one of them does not do what the page says. The format is told in make_vectors.py.

const (
	vectorDir    = "../testdata/frames"
	fewestFrames = 80
)

// vectorTables are the files that hold something else than one frame.
var vectorTables = []string{"derivations.txt", "durations.txt", "freshness.txt"}

// vectorLine is one `key: value`.
type vectorLine struct{ key, value string }

func (l vectorLine) String() string { return strings.TrimSpace(l.key + ": " + l.value) }

// readVector gives the lines of one file, after its sentence of purpose.
func readVector(t testing.TB, path string) (lines []vectorLine) {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	purpose, rest, _ := strings.Cut(string(data), "\n")
	if !strings.HasPrefix(purpose, "# ") {
		t.Fatalf("%s opens with %q, want a sentence of purpose after `# `", path, purpose)
	}
	for line := range strings.Lines(rest) {
		key, value, found := strings.Cut(strings.TrimRight(line, "\n"), ":")
		if !found {
			t.Fatalf("%s: line %q is not `key: value`", path, line)
		}
		lines = append(lines, vectorLine{key, strings.TrimSpace(value)})
	}
	if len(lines) == 0 {
		t.Fatalf("%s holds nothing", path)
	}
	return lines
}

// vectorFields takes a value such as `a=1 b=2` apart.
func vectorFields(value string) map[string]string {
	fields := map[string]string{}
	for word := range strings.FieldsSeq(value) {
		if key, v, found := strings.Cut(word, "="); found {
			fields[key] = v
		}
	}
	return fields
}

func vectorNumber[N uint8 | uint16 | uint32 | int64](t testing.TB, s string) N {
	t.Helper()
	v, err := strconv.ParseInt(strings.TrimSuffix(s, "ms"), 10, 64)
	if err != nil || int64(N(v)) != v {
		t.Fatalf("%q is not a number that fits", s)
	}
	return N(v)
}

func vectorMillis(t testing.TB, s string) time.Duration {
	t.Helper()
	return time.Duration(vectorNumber[int64](t, s)) * time.Millisecond
}

// vectorReader is what the reader of a frame knows beforehand.
type vectorReader struct {
	secret  []byte
	site    uint16
	highest uint32 // types 1 to 5
	newest  uint32 // receipts
	group   uint8  // generation of the group key held
}

// keys are those that the reader would try on r.
func (v vectorReader) keys(t testing.TB, r Raw) *Keys {
	t.Helper()
	key, err := NodeKey(v.secret, v.site, r.Node, r.Gen)
	if r.Type.Group() {
		key, err = GroupKey(v.secret, v.site, v.group)
	}
	if err != nil {
		t.Fatal(err)
	}
	return workingKeys(t, key)
}

// counter completes the counter of r; there may be none.
func (v vectorReader) counter(r Raw) (uint32, bool) {
	switch {
	case r.WholeCounter():
		return r.Counter, true
	case r.Type.Receipt():
		return ResolveBehind(uint16(r.Counter), v.newest)
	}
	return Resolve(uint16(r.Counter), v.highest), true
}

// open reads a frame the way its receiver does and gives the frame with its full counter.
func (v vectorReader) open(t testing.TB, frame []byte) (Raw, Body, error) {
	t.Helper()
	r, err := Parse(frame)
	if err != nil {
		return r, nil, err
	}
	counter, ok := v.counter(r)
	if !ok {
		return r, nil, refuse(BadMAC, "no counter that could have been answered")
	}
	body, err := r.Open(v.keys(t, r), counter)
	r.Counter = counter
	return r, body, err
}

// frameVector is one file: what the reader knows, the frame, the verdict and, if it is accepted, the fields.
type frameVector struct {
	expect string
	reader vectorReader
	frame  []byte
	fields []vectorLine
}

func parseFrameVector(t testing.TB, path string) (v frameVector) {
	t.Helper()
	for i, line := range readVector(t, path) {
		switch line.key {
		case "expect":
			v.expect = line.value
		case "secret":
			v.reader.secret = unhex(t, line.value)
		case "site":
			v.reader.site = vectorNumber[uint16](t, line.value)
		case "highest":
			if line.value != "none" {
				v.reader.highest = vectorNumber[uint32](t, line.value)
			}
		case "newest":
			v.reader.newest = vectorNumber[uint32](t, line.value)
		case "group":
			v.reader.group = vectorNumber[uint8](t, line.value)
		case "frame":
			v.frame = unhex(t, line.value)
			v.fields = readVector(t, path)[i+1:]
			return v
		default:
			t.Fatalf("%s: key %q is not known", path, line.key)
		}
	}
	t.Fatalf("%s holds no frame", path)
	return v
}

func frameVectorPaths(t testing.TB) (paths []string) {
	t.Helper()
	all, err := filepath.Glob(filepath.Join(vectorDir, "*.txt"))
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range all {
		if !slices.Contains(vectorTables, filepath.Base(path)) {
			paths = append(paths, path)
		}
	}
	if len(paths) < fewestFrames {
		t.Fatalf("%s holds %d frames, want at least %d", vectorDir, len(paths), fewestFrames)
	}
	return paths
}

func TestVectors(t *testing.T) {
	verdicts, types := map[string]int{}, map[Type]int{}
	for _, path := range frameVectorPaths(t) {
		v := parseFrameVector(t, path)
		verdicts[v.expect]++
		t.Run(strings.TrimSuffix(filepath.Base(path), ".txt"), func(t *testing.T) {
			if r, accepted := v.check(t); accepted {
				types[r.Type]++
			}
		})
	}
	for _, reason := range append([]Reason{"accept"}, Reasons...) {
		if verdicts[string(reason)] == 0 {
			t.Errorf("no vector expects %q", reason)
		}
	}
	for typ := range Type(len(layouts)) {
		if typ.Size() != 0 && types[typ] == 0 {
			t.Errorf("no accepted vector is a %s", typ)
		}
	}
}

func (v frameVector) check(t *testing.T) (r Raw, accepted bool) {
	r, body, err := v.reader.open(t, v.frame)
	if got := vectorVerdict(err); got != v.expect {
		t.Fatalf("verdict is %q (%v), the vector expects %q", got, err, v.expect)
	}
	if err != nil {
		return r, false
	}
	compareFields(t, describe(t, v.reader, r, body), v.fields)
	v.checkSeal(t, r, body)
	if got := r.Append(nil); !bytes.Equal(got, v.frame) {
		t.Errorf("Append gives\n%x, want\n%x", got, v.frame)
	}
	return r, true
}

func vectorVerdict(err error) string {
	var refusal *Error
	switch {
	case err == nil:
		return "accept"
	case errors.As(err, &refusal):
		return string(refusal.Reason)
	}
	return "error without a reason"
}

func compareFields(t *testing.T, got, want []vectorLine) {
	t.Helper()
	for i := range max(len(got), len(want)) {
		g, w := vectorLine{"nothing", ""}, vectorLine{"nothing", ""}
		if i < len(got) {
			g = got[i]
		}
		if i < len(want) {
			w = want[i]
		}
		if g != w {
			t.Errorf("field %d is %q, the vector says %q", i, g, w)
		}
	}
}

// checkSeal seals what was read again. Relays that made a good record are played again as well; behind a record that
// does not verify only the frame as its origin sealed it can be compared.
func (v frameVector) checkSeal(t *testing.T, r Raw, body Body) {
	t.Helper()
	h, good := r.Header, goodHops(t, v.reader, r)
	again := good == r.HopCount() && int(h.HopsLeft)+good <= hopsMask
	if again {
		h.HopsLeft += uint8(good)
	}
	got, err := Seal(nil, v.reader.keys(t, r), h, body)
	if err != nil {
		t.Fatalf("Seal of what was accepted: %v", err)
	}
	if !again {
		if want := v.frame[:len(v.frame)-len(r.hops)]; !bytes.Equal(got, want) {
			t.Errorf("Seal gives\n%x, want\n%x", got, want)
		}
		return
	}
	for i := range good {
		hop := r.Hop(i)
		if got, err = AppendHop(got, v.reader.relay(t, hop), hop); err != nil {
			t.Fatalf("AppendHop of the verified record %d: %v", i, err)
		}
	}
	if !bytes.Equal(got, v.frame) {
		t.Errorf("Seal and AppendHop give\n%x, want\n%x", got, v.frame)
	}
}

// relay gives the keys of the relay named in a record, nil if no node has that id.
func (v vectorReader) relay(t testing.TB, hop Hop) *Keys {
	t.Helper()
	if hop.Relay < MinNode || hop.Relay > MaxNode {
		return nil
	}
	key, err := NodeKey(v.secret, v.site, hop.Relay, hop.Gen)
	if err != nil {
		t.Fatal(err)
	}
	return workingKeys(t, key)
}

func (v vectorReader) verified(t testing.TB, r Raw, i int) bool {
	t.Helper()
	k := v.relay(t, r.Hop(i))
	return k != nil && r.VerifyHop(i, k)
}

func goodHops(t testing.TB, v vectorReader, r Raw) (n int) {
	t.Helper()
	for i := range r.HopCount() {
		if v.verified(t, r, i) {
			n++
		}
	}
	return n
}

// describe writes all fields of an accepted frame in the words of the vector files.
func describe(t testing.TB, v vectorReader, r Raw, body Body) []vectorLine {
	t.Helper()
	d := new(description)
	d.header(r.Header)
	d.body(t, body)
	for i := range r.HopCount() {
		d.hop(i, r.Hop(i), v.verified(t, r, i))
	}
	return *d
}

type description []vectorLine

func (d *description) add(key, format string, args ...any) {
	*d = append(*d, vectorLine{key, strings.TrimSpace(fmt.Sprintf(format, args...))})
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

func (d *description) header(h Header) {
	fromNode := h.Type.Event() || h.Type == TypeCheckIn
	d.add("type", "%d", h.Type)
	if fromNode {
		d.add("long-counter", "%s", yesNo(h.Long))
	}
	d.add("hops-left", "%d", h.HopsLeft)
	if h.Type.Receipt() {
		d.add("gateway", "%d", h.Gateway)
	}
	d.add("site-sent", "%d", h.Site)
	d.add("node", "%d", h.Node)
	d.add("generation", "%d", h.Gen)
	if h.Type.Receipt() {
		d.add("epoch", "%d", h.Epoch)
		d.add("number", "%d", h.Number)
	}
	d.add("counter", "%d", h.Counter)
	if fromNode {
		d.add("attempt", "%d", h.Attempt)
	}
}

func (d *description) body(t testing.TB, body Body) {
	t.Helper()
	switch b := body.(type) {
	case *TripOpened:
		d.tripOpened(b)
	case *TripClosed:
		d.tripClosed(b)
	case *TripHeld:
		d.tripHeld(b)
	case *Fault:
		d.fault(b)
	case *CheckIn:
		d.checkIn(b)
	case *Solicit:
		d.solicit(b)
	case *HopAck:
		d.hopAck(b)
	case *Beacon:
		d.beacon(b)
	case *Receipt:
		d.receipt(b)
	default:
		t.Fatalf("a body of type %T", body)
	}
}

func (d *description) tripOpened(b *TripOpened) {
	d.input(b.Input)
	d.millis("age", uint(b.Age), b.Age.Duration())
	d.send(b.Sent)
	d.battery(b.Battery)
	d.temperature(b.Temperature)
	d.add("oldest", "%d", b.Oldest)
}

func (d *description) tripClosed(b *TripClosed) {
	d.input(b.Input)
	d.millis("age", uint(b.Age), b.Age.Duration())
	d.send(b.Sent)
	d.millis("dwell", uint(b.Dwell), b.Dwell.Duration())
	d.add("opening-distance", "%d", b.Opened)
}

func (d *description) tripHeld(b *TripHeld) {
	if b.Closed {
		d.add("kind", "1 closing")
	} else {
		d.add("kind", "0 opening")
	}
	d.input(b.Input)
	d.millis("wide-age", uint(b.Age), b.Age.Duration())
	d.send(b.Sent)
	d.millis("dwell", uint(b.Dwell), b.Dwell.Duration())
	d.add("opening-distance", "%d", b.Opened)
	d.add("oldest", "%d", b.Oldest)
	d.battery(b.Battery)
}

func (d *description) fault(b *Fault) {
	code := uint8(b.Kind)
	if b.Ended {
		code += 128
	}
	d.add("kind", "%d kind=%d ended=%s", code, b.Kind, yesNo(b.Ended))
	d.input(b.Input)
	d.millis("wide-age", uint(b.Age), b.Age.Duration())
	d.send(b.Sent)
	d.add("argument", "%d", b.Argument)
	d.add("oldest", "%d", b.Oldest)
	d.battery(b.Battery)
	d.temperature(b.Temperature)
}

func (d *description) checkIn(b *CheckIn) {
	d.send(b.Sent)
	flags := int(b.Active)
	for bit, on := range map[int]bool{16: b.Restarted, 32: b.Mains, 64: b.Confirms} {
		if on {
			flags += bit
		}
	}
	d.add("flags", "%d", flags)
	d.battery(b.Battery)
	d.temperature(b.Temperature)
	d.add("next-event", "%d", b.Next)
	d.add("oldest", "%d", b.Oldest)
	d.add("restarts", "%d", b.Restarts)
	d.add("confirm", "%d", b.Confirm)
	d.millis("confirm-age", uint(b.ConfirmAge), b.ConfirmAge.Duration())
	d.rssi("rssi", b.HeardRSSI)
	d.snr(b.HeardSNR)
	d.add("settings-version", "%d", b.Settings)
	d.rssi("noise", b.Noise)
}

func (d *description) solicit(b *Solicit) {
	d.flag(b.Receipt)
	d.add("distance", "%d", b.Distance)
	d.add("heard", "%x", b.Tag)
	d.rssi("noise", b.Noise)
}

func (d *description) hopAck(b *HopAck) {
	d.add("heard", "%x", b.Tag)
	d.add("distance", "%d", b.Distance)
	d.rssi("rssi", b.RSSI)
	d.snr(b.SNR)
}

func (d *description) beacon(b *Beacon) {
	d.add("beacon-epoch", "%d", b.Epoch)
	d.gatewayTime(b.Time)
	d.add("distance", "%d", b.Distance)
	d.add("flags", "%d", b.Flags)
	d.rssi("noise", b.Noise)
	d.add("busy", "%d", b.Busy)
}

func (d *description) receipt(b *Receipt) {
	d.flag(b.Confirm)
	d.gatewayTime(b.Time)
	d.add("attempt-answered", "%d", b.Attempt)
	d.add("also-durable", "%d", b.Also)
	d.add("settings-version", "%d", b.Settings.Version)
	d.add("minimum-dwell", "%d", b.Settings.MinDwell)
	d.add("check-in-period", "%d", b.Settings.Period)
}

func (d *description) flag(on bool) {
	if on {
		d.add("flags", "1")
	} else {
		d.add("flags", "0")
	}
}

func (d *description) input(i Input) {
	code := int(i.Number) << 4
	for bit, on := range map[int]bool{1: i.Active, 2: i.Normally, 4: i.Supervised, 8: i.Test} {
		if on {
			code += bit
		}
	}
	d.add("input", "%d number=%d tripped=%s normally-closed=%s supervised=%s test=%s", code, i.Number, yesNo(i.Active),
		yesNo(i.Normally), yesNo(i.Supervised), yesNo(i.Test))
}

func (d *description) millis(key string, code uint, value time.Duration) {
	d.add(key, "%d %dms", code, value.Milliseconds())
}

func (d *description) gatewayTime(g GatewayTime) {
	d.add("gateway-time", "%d %.1fms", g, float64(g.Since())/float64(time.Millisecond))
}

func (d *description) send(s SendTime) {
	if s.Known() {
		d.add("send-seconds", "%d", s.Seconds)
	} else {
		d.add("send-seconds", "%d no-time", s.Seconds)
	}
	d.add("send-epoch", "%d", s.Epoch)
}

func (d *description) battery(b Battery) {
	if volts, ok := b.Volts(); ok {
		d.add("battery", "%d %.3fV", b, volts)
	} else {
		d.add("battery", "%d not-measured", b)
	}
}

func (d *description) temperature(c Temperature) {
	if c == NoTemperature {
		d.add("temperature", "%d not-measured", uint8(c))
	} else {
		d.add("temperature", "%d %dC", uint8(c), c)
	}
}

// measured writes a value with its unit; NaN means not measured. Adding 0 makes a negative zero positive.
func measured(format string, value float64) string {
	if math.IsNaN(value) {
		return "not-measured"
	}
	return fmt.Sprintf(format, value+0)
}

func (d *description) rssi(key string, r RSSI) {
	d.add(key, "%d %s", r, measured("%.0fdBm", r.DBm()))
}

func (d *description) snr(s SNR) { d.add("snr", "%d %s", s, measured("%.2fdB", s.DB())) }

func (d *description) hop(i int, h Hop, verified bool) {
	d.add(fmt.Sprintf("hop.%d", i), "relay=%d gen=%d rssi=%s snr=%s held=%dms verified=%s", h.Relay, h.Gen,
		measured("%.0f", h.RSSI.DBm()), measured("%.2f", h.SNR.DB()), h.Held.Duration().Milliseconds(), yesNo(verified))
}

// vectorTable reads one of the tables and hands each line to the check of its key.
func vectorTable(t *testing.T, name string, checks map[string]func(t *testing.T, value string)) {
	t.Helper()
	seen := map[string]int{}
	for _, line := range readVector(t, filepath.Join(vectorDir, name)) {
		check, known := checks[line.key]
		if !known {
			t.Fatalf("%s: key %q is not known", name, line.key)
		}
		seen[line.key]++
		check(t, line.value)
	}
	for key := range checks {
		if seen[key] == 0 {
			t.Errorf("%s has no line %q", name, key)
		}
	}
}

func TestVectorDerivations(t *testing.T) {
	vectorTable(t, "derivations.txt", map[string]func(*testing.T, string){
		"node": func(t *testing.T, value string) {
			f := vectorFields(value)
			key, err := NodeKey(unhex(t, f["secret"]), vectorNumber[uint16](t, f["site"]),
				vectorNumber[uint8](t, f["node"]), vectorNumber[uint8](t, f["generation"]))
			checkDerived(t, value, key, err)
			if got := hex.EncodeToString(workingKeys(t, key).hop.key); got != f["hop"] {
				t.Errorf("%s\nhop key is %s", value, got)
			}
		},
		"group": func(t *testing.T, value string) {
			f := vectorFields(value)
			key, err := GroupKey(unhex(t, f["secret"]), vectorNumber[uint16](t, f["site"]),
				vectorNumber[uint8](t, f["generation"]))
			checkDerived(t, value, key, err)
		},
	})
}

// checkDerived compares a key and what it expands to. The encryption key is not kept; the cipher made of it is.
func checkDerived(t *testing.T, value string, key []byte, err error) {
	t.Helper()
	f := vectorFields(value)
	if err != nil || hex.EncodeToString(key) != f["key"] {
		t.Fatalf("%s\nkey is %x, error %v", value, key, err)
	}
	k := workingKeys(t, key)
	if got := hex.EncodeToString(k.mac.key); got != f["authenticate"] {
		t.Errorf("%s\nMAC key is %s", value, got)
	}
	want, err := aes.NewCipher(unhex(t, f["encrypt"]))
	if err != nil {
		t.Fatal(err)
	}
	var a, b, zero [16]byte
	want.Encrypt(a[:], zero[:])
	k.block.Encrypt(b[:], zero[:])
	if a != b {
		t.Errorf("%s\nthe encryption key is another one", value)
	}
}

func TestVectorDurations(t *testing.T) {
	codeOf := func(t *testing.T, value string) (uint16, string) {
		code, meaning, _ := strings.Cut(value, " ")
		return vectorNumber[uint16](t, code), meaning
	}
	nearest := func(name string, encode func(time.Duration) uint16) func(*testing.T, string) {
		return func(t *testing.T, value string) {
			d, code, _ := strings.Cut(value, " ")
			if got := encode(vectorMillis(t, d)); got != vectorNumber[uint16](t, code) {
				t.Errorf("%s(%s) = %d, want the nearest code %s", name, d, got, code)
			}
		}
	}
	vectorTable(t, "durations.txt", map[string]func(*testing.T, string){
		"dur8": func(t *testing.T, value string) {
			if code, want := codeOf(t, value); Dur8(code).Duration() != vectorMillis(t, want) {
				t.Errorf("Dur8(%d) is %v, want %s", code, Dur8(code).Duration(), want)
			}
		},
		"dur16": func(t *testing.T, value string) {
			if code, want := codeOf(t, value); Dur16(code).Duration() != vectorMillis(t, want) {
				t.Errorf("Dur16(%d) is %v, want %s", code, Dur16(code).Duration(), want)
			}
		},
		"nearest8":  nearest("EncodeDur8", func(d time.Duration) uint16 { return uint16(EncodeDur8(d)) }),
		"nearest16": nearest("EncodeDur16", func(d time.Duration) uint16 { return uint16(EncodeDur16(d)) }),
		"battery": func(t *testing.T, value string) {
			code, want := codeOf(t, value)
			volts, ok := Battery(code).Volts()
			if got := fmt.Sprintf("%.4fV", volts); !ok || got != want || EncodeBattery(volts) != Battery(code) {
				t.Errorf("Battery(%d) is %s (measured: %v), want %s, and back", code, got, ok, want)
			}
		},
	})
}

func TestVectorFreshness(t *testing.T) {
	vectorTable(t, "freshness.txt", map[string]func(*testing.T, string){
		"case": func(t *testing.T, value string) {
			f := vectorFields(value)
			sent := SendTime{vectorNumber[uint32](t, f["send-seconds"]), vectorNumber[uint8](t, f["send-epoch"])}
			now := Instant{vectorNumber[uint16](t, f["epoch"]), vectorMillis(t, f["now"])}
			got, late := Judge(sent, now, vectorMillis(t, f["held"]), FreshWithin)
			if got.String() != f["verdict"] {
				t.Errorf("%s\nverdict is %s, late %v", value, got, late)
			}
			// What was sent "in the future", within the tolerance, counts as sent now.
			if got != Unproven && f["late"] != "none" && late != max(vectorMillis(t, f["late"]), 0) {
				t.Errorf("%s\nlate is %v", value, late)
			}
		},
	})
}

// madeVectors runs the program that makes the vectors, once for all repetitions of the test, and gives its files.
var madeVectors = sync.OnceValues(func() (map[string][]byte, error) {
	program := filepath.Join(vectorDir, "make_vectors.py")
	if _, err := os.Stat(program); err != nil { // looking at it makes go test forget a cached result when it changes
		return nil, err
	}
	for _, tool := range []string{"python3", "openssl"} {
		if _, err := exec.LookPath(tool); err != nil {
			return nil, fmt.Errorf("%s is needed to make the vectors again; run `make setup`: %w", tool, err)
		}
	}
	dir, err := os.MkdirTemp("", "vectors")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	out, err := exec.CommandContext(ctx, "python3", program, dir).CombinedOutput()
	if err != nil {
		return nil, fmt.Errorf("run make_vectors.py: %w\n%s", err, out)
	}
	return readTexts(dir)
})

func readTexts(dir string) (map[string][]byte, error) {
	paths, err := filepath.Glob(filepath.Join(dir, "*.txt"))
	files := map[string][]byte{}
	for _, path := range paths {
		data, readErr := os.ReadFile(path)
		err = errors.Join(err, readErr)
		files[filepath.Base(path)] = data
	}
	return files, err
}

func TestVectorsAreWhatTheirProgramMakes(t *testing.T) {
	made, err := madeVectors()
	if err != nil {
		t.Fatal(err)
	}
	kept, err := readTexts(vectorDir)
	if err != nil {
		t.Fatal(err)
	}
	if len(made) < fewestFrames {
		t.Errorf("the program makes %d files, want at least %d", len(made), fewestFrames)
	}
	for name, data := range made {
		if !bytes.Equal(kept[name], data) {
			t.Errorf("%s is not what make_vectors.py makes:\n%s\nwant\n%s", name, kept[name], data)
		}
	}
	for name := range kept {
		if _, ok := made[name]; !ok {
			t.Errorf("%s is not made by make_vectors.py", name)
		}
	}
}
