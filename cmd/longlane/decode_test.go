package main

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"longlane/gateway/roster"
	"longlane/proto"
)

// decoded is a line of `longlane decode --json`.
type decoded struct {
	Frame   string
	Good    bool
	Verdict string
	Fields  []field
	Hops    []hopWords
}

func (d *decoded) field(name string) (found []field) {
	for _, f := range d.Fields {
		if f.Name == name {
			found = append(found, f)
		}
	}
	return found
}

// vector is one file of testdata/frames, which a program in another language has made. make_vectors.py tells the form.
type vector struct {
	file string
	keys []string // in order
	of   map[string]string
}

func vectors(t *testing.T) (list []vector) {
	t.Helper()
	files, err := filepath.Glob("../../testdata/frames/*.txt")
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		v := vector{file: filepath.Base(file), of: map[string]string{}}
		for line := range strings.Lines(string(text)) {
			if key, value, ok := strings.Cut(line, ":"); ok && !strings.HasPrefix(line, "#") {
				v.keys = append(v.keys, key)
				v.of[key] = strings.TrimSpace(value)
			}
		}
		if v.of["expect"] != "" {
			list = append(list, v)
		}
	}
	if len(list) < 200 {
		t.Fatalf("found %d vectors of frames, want 200 or more: is ../../testdata/frames complete?", len(list))
	}
	return list
}

// state writes a state directory for the reader that a vector speaks of: with its secret, its site, and every node there
// can be, all of them in the generation that the frame names.
func (v vector) state(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	gen, group := v.of["generation"], v.of["group"]
	if gen == "" {
		gen = "1"
	}
	if group == "" {
		group = "1"
	}
	var nodes []string
	for id := proto.MinNode; id <= proto.MaxNode; id++ {
		nodes = append(nodes, fmt.Sprintf(`{"id": %d, "name": "node-%d", "generation": %s, "relay": true}`, id, id, gen))
	}
	for name, text := range map[string]string{"site.secret": v.of["secret"], "roster.json": fmt.Sprintf(
		`{"format": 1, "site_name": "hill-orchard", "site": %s, "group_generation": %s, "nodes": [%s]}`,
		v.of["site"], group, strings.Join(nodes, ", "))} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func decodeJSON(t *testing.T, args ...string) (code int, d decoded) {
	t.Helper()
	code, out, errs := cli("", append([]string{"decode", "--json"}, args...)...)
	if err := json.Unmarshal([]byte(out), &d); err != nil {
		t.Fatalf("decode --json %q: %v in %q; it said %q", args, err, out, errs)
	}
	return code, d
}

// TestDecodeVectors: decode's verdict on each vector is the vector's own, and it explains each field that the page has.
func TestDecodeVectors(t *testing.T) {
	for _, v := range vectors(t) {
		if v.of["frame"] == "" {
			continue // no byte at all cannot be given as an argument; TestDecodeInput has it
		}
		args := []string{"--state", v.state(t), v.of["frame"]}
		if v.of["counter"] != "" {
			args = append(args, "--counter", v.of["counter"])
		}
		code, d := decodeJSON(t, args...)
		if v.of["expect"] == "accept" {
			if code != exitDone || !d.Good || !strings.HasPrefix(d.Verdict, "authentic") {
				t.Errorf("%s: exit code %d, good %v, verdict %q; want an authentic frame", v.file, code, d.Good, d.Verdict)
				continue
			}
			v.checkFields(t, &d)
			continue
		}
		if strings.HasPrefix(v.file, "counter-") || strings.HasPrefix(v.file, "answered-") {
			continue // refused for what the reader knows from before, which decode cannot
		}
		if code != exitFailed || d.Good || !strings.HasPrefix(d.Verdict, "refused: ") {
			t.Errorf("%s: exit code %d, good %v, verdict %q; want a refusal", v.file, code, d.Good, d.Verdict)
		}
		if !strings.HasPrefix(d.Verdict, "refused: "+v.of["expect"]+": ") && !v.otherReason() {
			t.Errorf("%s: verdict %q, want the reason %q", v.file, d.Verdict, v.of["expect"])
		}
	}
}

// otherReason tells of the few vectors that decode can say more about than that their MAC is wrong.
func (v vector) otherReason() bool {
	for _, part := range []string{"site", "generation", "node"} {
		if strings.Contains(v.file, "damaged") && strings.Contains(v.file, part) {
			return true
		}
	}
	return v.of["expect"] == "mac"
}

// checkFields looks for each of the vector's fields in what decode said.
func (v vector) checkFields(t *testing.T, d *decoded) {
	t.Helper()
	hops := 0
	for _, key := range v.keys {
		value := v.of[key]
		if strings.HasPrefix(key, "hop.") {
			if hops >= len(d.Hops) {
				t.Errorf("%s: decode shows %d hops, and the frame has more", v.file, len(d.Hops))
			} else if got := hopLine(d.Hops[hops]); got != value {
				t.Errorf("%s %s: decode says %q, want %q", v.file, key, got, value)
			}
			hops++
			continue
		}
		want, known := v.explained(key, value)
		if !known {
			t.Errorf("%s: this test does not know how decode shows %q", v.file, key)
			continue
		}
		for _, w := range want {
			got := d.field(w.Name)
			if len(got) != 1 || w.Value != "" && got[0].Value != w.Value || !strings.Contains(got[0].Note, w.Note) {
				t.Errorf("%s: %s is %q; decode says %q, want %q", v.file, key, value, got, w)
			}
		}
	}
	if hops != len(d.Hops) {
		t.Errorf("%s: decode shows %d hops, want %d", v.file, len(d.Hops), hops)
	}
}

func hopLine(h hopWords) string {
	rssi, snr := "not-measured", "not-measured"
	if h.RSSI != nil {
		rssi = fmt.Sprintf("%g", *h.RSSI)
	}
	if h.SNR != nil {
		snr = fmt.Sprintf("%.2f", *h.SNR)
	}
	return fmt.Sprintf("relay=%s gen=%d rssi=%s snr=%s held=%dms verified=%s", h.Relay, h.Gen, rssi, snr,
		int(h.Held*1000+0.5), h.Verified)
}

// explained is how decode shows a field of a vector: the name, the value, and what must stand in the note. Some stand in
// two places, some (such as a flag that is not set) nowhere.
func (v vector) explained(key, value string) (want []field, known bool) {
	number, meaning, _ := strings.Cut(value, " ")
	n, _ := strconv.ParseUint(number, 10, 64)
	one := func(name, value, note string) ([]field, bool) { return []field{{name, value, note}}, true }
	kind := v.of["type"]
	switch key {
	case "expect", "secret", "site", "highest", "newest", "group", "frame":
		return nil, true // of the reader
	case "type":
		return one("type", proto.Type(n).String(), "")
	case "site-sent":
		return one("site", number, "")
	case "node":
		if v.of["group"] != "" {
			return one("sender", number, "")
		}
		return one("node", number, "")
	case "generation", "gateway", "number", "epoch", "attempt":
		return one(key, number, "")
	case "beacon-epoch":
		return one("epoch", number, "")
	case "hops-left":
		return one("hops left", number, "")
	case "long-counter":
		return one("counter", "", map[string]string{"yes": "all 32 bits", "no": "low 16 bits"}[value])
	case "counter":
		return one("whole counter", number, "")
	case "input":
		return inputWords(meaning), true
	case "age", "wide-age":
		return one("age", duration(meaning), "")
	case "dwell":
		if number == "65535" {
			return one("dwell", "not known", "")
		}
		if kind == "3" && strings.HasPrefix(v.of["kind"], "0") {
			return nil, true // an opening that was held has none
		}
		return one("dwell", duration(meaning), "")
	case "opening-distance":
		if kind == "3" && strings.HasPrefix(v.of["kind"], "0") {
			return nil, true
		}
		return one("opening", number+" back", "")
	case "oldest":
		return one("oldest held", number+" back", "")
	case "send-seconds":
		if meaning == "no-time" {
			return one("send time", "none", "unproven")
		}
		return one("send time", duration(number+"s"), "low byte of the epoch "+v.of["send-epoch"])
	case "send-epoch":
		return nil, true
	case "battery":
		if meaning == "not-measured" {
			return one("battery", "not measured", "")
		}
		volts, _ := strconv.ParseFloat(strings.TrimSuffix(meaning, "V"), 64)
		return one("battery", fmt.Sprintf("%.2f V", volts), "")
	case "temperature":
		if meaning == "not-measured" {
			return one("temperature", "not measured", "")
		}
		return one("temperature", strings.TrimSuffix(meaning, "C")+" °C", "")
	case "argument":
		return one("argument", number, "")
	case "kind":
		if kind == "3" {
			return one("held", "a"+map[string]string{"opening": "n opening", "closing": " closing"}[meaning], "")
		}
		return one("fault", proto.FaultKind(n&127).String(), map[bool]string{false: "began", true: "ended"}[n&128 != 0])
	case "noise":
		return one("noise floor", decibelWords(meaning, "dBm"), "")
	case "distance":
		if n == 65535 {
			return one("distance", "no way known", "")
		}
		return one("distance", number+" ms", "")
	case "busy":
		return one("channel busy", fmt.Sprintf("%.0f %%", float64(n)/2.55), "")
	case "gateway-time":
		return one("gateway time", duration(meaning), "")
	case "also-durable":
		return one("also durable", fmt.Sprintf("%016b", n), "")
	case "attempt-answered":
		return one("attempt answered", number, "")
	case "settings-version":
		if n == 0 && v.of["attempt-answered"] != "" {
			return nil, true // a receipt without settings
		}
		return one("settings", "version "+number, "")
	case "minimum-dwell", "check-in-period":
		if v.of["settings-version"] == "0" {
			return nil, true
		}
		unit := map[string]time.Duration{"minimum-dwell": 5 * time.Millisecond, "check-in-period": 20 * time.Second}[key]
		name := map[string]string{"minimum-dwell": "minimum dwell ", "check-in-period": "check-in period "}[key]
		return one("settings", "", name+(time.Duration(n)*unit).String())
	}
	return v.explainedByType(key, number, meaning, n)
}

// explainedByType has the fields that mean something else in each type.
func (v vector) explainedByType(key, number, meaning string, n uint64) (want []field, known bool) {
	const checkIn, solicit, hopAck, beacon = "5", "8", "9", "10"
	kind := v.of["type"]
	switch {
	case key == "flags" && kind == checkIn:
		want = []field{{"inputs tripped", fmt.Sprintf("%04b", n&15), ""}, {"restarted", fmt.Sprint(n&16 != 0), ""},
			{"mains", fmt.Sprint(n&32 != 0), ""}}
		if n&64 != 0 {
			want = append(want, field{"confirms", v.of["confirm"] + " back", ""})
		}
		return want, true
	case key == "flags" && kind == solicit:
		if n == 1 {
			return []field{{"asks for", "a kept receipt", v.of["heard"]}}, true
		}
		return []field{{"asks for", "a parent", ""}}, true
	case key == "flags" && kind == beacon:
		return nil, n == 0
	case key == "flags":
		return []field{{"confirm", fmt.Sprint(n == 1), ""}}, true
	case key == "heard" && kind == hopAck:
		return []field{{"has frame", number, ""}}, true
	case key == "heard" && kind == solicit:
		return nil, true // see flags
	case key == "rssi" && kind == checkIn:
		return []field{{"heard receipt at", decibelWords(meaning, "dBm"), ""}}, true
	case key == "snr" && kind == checkIn:
		return []field{{"heard receipt at", "", "SNR " + decibelWords(meaning, "dB")}}, true
	case key == "rssi" && kind == hopAck:
		return []field{{"heard at", decibelWords(meaning, "dBm"), ""}}, true
	case key == "snr" && kind == hopAck:
		return []field{{"heard at", "", "SNR " + decibelWords(meaning, "dB")}}, true
	case key == "next-event":
		return []field{{"next event", number, ""}}, true
	case key == "restarts":
		return []field{{"restarted", "", number + " restarts"}}, true
	case key == "confirm":
		return nil, true // see flags
	case key == "confirm-age":
		if flags, _ := strconv.Atoi(v.of["flags"]); flags&64 == 0 {
			return nil, true
		}
		return []field{{"confirms", "", "its age is " + duration(meaning)}}, true
	}
	return nil, false
}

func inputWords(meaning string) (want []field) {
	f := map[string]string{}
	for word := range strings.FieldsSeq(meaning) {
		k, v, _ := strings.Cut(word, "=")
		f[k] = v
	}
	var words []string
	for _, w := range []struct{ key, word string }{{"tripped", "tripped now"}, {"normally-closed", "normally closed"},
		{"supervised", "wire supervised"}, {"test", "TEST"}} {
		if f[w.key] == "yes" {
			words = append(words, w.word)
		}
	}
	return []field{{"input", f["number"], strings.Join(words, ", ")}}
}

// duration writes a vector's "123456250.0ms" the way Go does.
func duration(text string) string {
	d, err := time.ParseDuration(text)
	if err != nil {
		return "not a duration: " + text
	}
	return d.String()
}

// decibelWords writes a vector's "-1.50dB" the way decode does.
func decibelWords(text, unit string) string {
	v, err := strconv.ParseFloat(strings.TrimSuffix(text, unit), 64)
	if err != nil {
		return "not measured"
	}
	return fmt.Sprintf("%g %s", v, unit)
}

const typicalFrame = "2103126711011171007ee9640be77de29d8849b72bb26bfe8493" // trip-opened-typical.txt

// TestDecodeInput: frames come as arguments or as lines, with blanks or colons if need be; what is no frame is said to be
// none; the exit code tells whether all were good.
func TestDecodeInput(t *testing.T) {
	var typical vector
	for _, v := range vectors(t) {
		if v.file == "trip-opened-typical.txt" {
			typical = v
		}
	}
	if typical.of["frame"] != typicalFrame {
		t.Fatalf("trip-opened-typical.txt holds the frame %q, this test expects another", typical.of["frame"])
	}
	state := typical.state(t)
	spaced := "21 03 12 67 11 01 11 71 00 7e e9 64 0b e7 7d e2 9d 88 49 b7 2b b2 6b fe 84 93"
	for _, c := range []struct {
		name  string
		args  []string
		stdin string
		code  int
		lines int
		want  string // in the output
		errs  string
	}{
		{"an argument", []string{"--state", state, typicalFrame}, "", exitDone, 0, "authentic", ""},
		{"options behind it", []string{typicalFrame, "--state", state}, "", exitDone, 0, "authentic", ""},
		{"blanks", []string{"--state", state, spaced}, "", exitDone, 0, "authentic", ""},
		{"colons", []string{"--state", state, strings.ReplaceAll(spaced, " ", ":")}, "", exitDone, 0, "authentic", ""},
		{"capitals", []string{"--state", state, strings.ToUpper(typicalFrame)}, "", exitDone, 0, "authentic", ""},
		{"lines", []string{"--state", state, "--json"}, "# a remark\n\n" + typicalFrame + "\n" + spaced + "\n", exitDone, 2, `"good":true`, ""},
		{"one bad of two", []string{"--state", state, "--json"}, typicalFrame + "\n2103\n", exitFailed, 2, "refused: length", "1 of the frames"},
		{"no keys", []string{typicalFrame}, "", exitFailed, 0, "no keys", "could not be checked"},
		{"no hexadecimal", []string{"--json", "river-gate"}, "", exitFailed, 1, "not a frame: expected hexadecimal", ""},
		{"half a byte", []string{"--json", "210"}, "", exitFailed, 1, "not a frame", ""},
		{"no byte", []string{"--json", ""}, "", exitFailed, 1, "refused: length", ""},
		{"no such state", []string{"--state", filepath.Join(state, "none"), typicalFrame}, "", exitFailed, 0, "", "enrol add"},
		{"unknown option", []string{"--keys", "x"}, "", exitUsage, 0, "", "--help"},
		{"wrong counter", []string{"--state", state, "--counter", "4465", typicalFrame}, "", exitFailed, 0, "refused: mac", ""},
	} {
		code, out, errs := cli(c.stdin, append([]string{"decode"}, c.args...)...)
		if code != c.code || !strings.Contains(out, c.want) || !strings.Contains(errs, c.errs) {
			t.Errorf("%s: exit code %d, out %q, err %q; want %d, %q, %q", c.name, code, out, errs, c.code, c.want, c.errs)
		}
		if c.lines > 0 && strings.Count(out, "\n") != c.lines {
			t.Errorf("%s: %d lines of JSON, want %d", c.name, strings.Count(out, "\n"), c.lines)
		}
	}
	if _, out, _ := cli("", "decode", "--state", state, typicalFrame); !strings.Contains(out, "4.00 V") ||
		!strings.Contains(out, "tripped now") || !strings.Contains(out, "120ms") {
		t.Errorf("the words for a typical trip lack a field:\n%s", out)
	}
}

// TestDecodeDoubts: frames that are authentic and that the gateway would refuse all the same.
func TestDecodeDoubts(t *testing.T) {
	dir := t.TempDir()
	write := func(gen, more string) {
		text := fmt.Sprintf(`{"format":1,"site_name":"o","site":4711,"group_generation":1,"nodes":[{"id":17,"name":"river-gate","generation":%s%s}]}`, gen, more)
		if err := os.WriteFile(filepath.Join(dir, "roster.json"), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	secret := "000102030405060708090a0b0c0d0e0f101112131415161718191a1b1c1d1e1f\n"
	if err := os.WriteFile(filepath.Join(dir, "site.secret"), []byte(secret), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ gen, more, want string }{
		{"1", `,"revoked":true`, "shut out"},
		{"2", `,"rekeyed":"2026-03-01T06:00:00Z"`, "its generation is 1, in force is 2"},
	} {
		write(c.gen, c.more)
		if code, d := decodeJSON(t, "--state", dir, typicalFrame); code != exitFailed || d.Good || !strings.Contains(d.Verdict, c.want) {
			t.Errorf("generation %s%s: exit code %d, verdict %q, want one with %q", c.gen, c.more, code, d.Verdict, c.want)
		}
	}
}

// TestDecodeHops: each hop in the order travelled, with its margin if the modems' spreading factor is told, and the last if it is told how
// the gateway heard it.
func TestDecodeHops(t *testing.T) {
	dir := t.TempDir()
	r, err := roster.Create(dir, "hill-orchard")
	if err != nil {
		t.Fatal(err)
	}
	keys := map[string]*proto.Keys{}
	for _, name := range []string{"river-gate", "oak-relay", "mast-relay"} {
		n, err := r.Add(roster.Node{Name: name, Relay: name != "river-gate"})
		if err != nil {
			t.Fatal(err)
		}
		if keys[name], err = r.Keys(n.ID, n.Gen); err != nil {
			t.Fatal(err)
		}
	}
	if err := r.Save(); err != nil {
		t.Fatal(err)
	}
	frame, err := proto.Seal(nil, keys["river-gate"], proto.Header{Type: proto.TypeTripOpened, HopsLeft: 7, Site: r.Site, Node: 1, Gen: 1, Counter: 1},
		&proto.TripOpened{Battery: proto.NoBattery, Temperature: proto.NoTemperature})
	if err != nil {
		t.Fatal(err)
	}
	for _, hop := range []proto.Hop{{Relay: 2, Gen: 1, RSSI: proto.EncodeRSSI(-101), SNR: proto.EncodeSNR(3.25), Held: proto.EncodeDur8(60 * time.Millisecond)},
		{Relay: 3, Gen: 1, RSSI: proto.EncodeRSSI(-120), SNR: proto.NoSNR}} {
		if frame, err = proto.AppendHop(frame, keys[map[uint8]string{2: "oak-relay", 3: "mast-relay"}[hop.Relay]], hop); err != nil {
			t.Fatal(err)
		}
	}
	good := hex.EncodeToString(frame)
	frame[len(frame)-1] ^= 1
	bad := hex.EncodeToString(frame)
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--state", dir, "--sf", "9", "--rssi", "-88", "--snr", "8.5", good},
			"river-gate heard by oak-relay (relay 2, generation 1) at -101 dBm, SNR 3.25 dB, margin 15.75 dB, held 0.06s, verified\n" +
				"oak-relay heard by mast-relay (relay 3, generation 1) at -120 dBm, SNR not measured, margin 9.53 dB, held 0s, verified\n" +
				"mast-relay heard by gateway at -88 dBm, SNR 8.5 dB, margin 21 dB, verified\n"},
		{[]string{"--state", dir, good},
			"river-gate heard by oak-relay (relay 2, generation 1) at -101 dBm, SNR 3.25 dB, held 0.06s, verified\n" +
				"oak-relay heard by mast-relay (relay 3, generation 1) at -120 dBm, SNR not measured, held 0s, verified\n"},
		{[]string{"--state", dir, "--sf", "9", "--bandwidth", "500000", "--rssi", "-88", bad},
			"river-gate heard by oak-relay (relay 2, generation 1) at -101 dBm, SNR 3.25 dB, margin 15.75 dB, held 0.06s, verified\n" +
				"oak-relay heard by mast-relay (relay 3, generation 1) at -120 dBm, SNR not measured, margin 3.51 dB, held 0s, NOT VERIFIED\n" +
				"mast-relay heard by gateway at -88 dBm, SNR not measured, margin 35.51 dB, NOT VERIFIED\n"},
		{[]string{"--snr", "-3", good},
			"1 heard by 2 (relay 2, generation 1) at -101 dBm, SNR 3.25 dB, held 0.06s, cannot be checked without keys\n" +
				"2 heard by 3 (relay 3, generation 1) at -120 dBm, SNR not measured, held 0s, cannot be checked without keys\n" +
				"3 heard by gateway at not measured, SNR -3 dB, cannot be checked without keys\n"},
	} {
		_, d := decodeJSON(t, c.args...)
		got := ""
		for _, h := range d.Hops {
			got += h.String() + "\n"
		}
		if got != c.want {
			t.Errorf("%q:\n%swant\n%s", c.args, got, c.want)
		}
		_, text, _ := cli("", append([]string{"decode"}, c.args...)...)
		for i, line := range strings.Split(strings.TrimSuffix(c.want, "\n"), "\n") {
			if !strings.Contains(text, fmt.Sprintf("  hop %-13d %s\n", i+1, line)) {
				t.Errorf("%q: no line for hop %d in\n%s", c.args, i+1, text)
			}
		}
	}
	for _, args := range [][]string{{"--sf", "13", good}, {"--sf", "9", "--bandwidth", "125", good}, {"--rssi", "NaN", good}, {"--snr", "loud", good}} {
		if code, _, errs := cli("", append([]string{"decode"}, args...)...); code != exitUsage || errs == "" {
			t.Errorf("%q: exit code %d, %q; want a refusal", args, code, errs)
		}
	}
}

// TestDecodeSimulated: each genuine frame that the simulator put on the air is authentic to decode, with the hops that the
// simulator says it travelled; none that was damaged or forged is, unless only what no MAC protects was touched.
func TestDecodeSimulated(t *testing.T) {
	t.Parallel()
	gates := []string{"river-gate", "cattle-grid", "mill-lane", "barn-door", "north-gate", "ridge-gate"}
	h := newHouse(t, append([]string{"oak-relay"}, gates...)...)
	scenario := "name = \"decode\"\nseed = 3\n" + tomlRelay
	for _, g := range gates {
		scenario += tomlNode(g, "oak-relay", 3600)
	}
	h.write("scenario.toml", scenario+"\n[faults]\ncorrupt = 0.3\nforge = 0.5\n")
	h.openHouse()
	h.startGateway() // by whose beacons the relay finds its way
	sim := h.startSim()
	eventually(t, 2*time.Minute, "frames enough to show something", func() bool {
		_, text := h.get("/metrics")
		accepted := metric(text, `longlane_frames_total{bearer="mast",verdict="accepted"}`)
		return accepted >= 8 && metric(text, `longlane_frames_total{bearer="mast",verdict="mac"}`) >= 8 && relayed.MatchString(text)
	})
	if code := sim.stop(); code != exitDone {
		t.Fatalf("the simulator ended with %d", code)
	}
	var lines strings.Builder
	heard, sent := []record{}, []record{}
	for _, r := range h.records() {
		switch r.What {
		case "sent":
			sent = append(sent, r)
		case "heard":
			heard = append(heard, r)
			fmt.Fprintln(&lines, r.Frame)
		}
	}
	_, out, errs := cli(lines.String(), "decode", "--json", "--state", h.path("state"))
	answers := json.NewDecoder(strings.NewReader(out))
	good, bad, travelled := 0, 0, 0
	for _, r := range heard {
		var d decoded
		if err := answers.Decode(&d); err != nil {
			t.Fatalf("%v after %d of %d answers; it said %s", err, good+bad, len(heard), errs)
		}
		if r.Why == "" {
			good++
			if !d.Good {
				t.Errorf("a genuine %s of %s: verdict %q", r.Kind, r.Node, d.Verdict)
			}
			travelled += len(r.Hops)
			checkDecodedHops(t, r, d)
			continue
		}
		bad++
		if whole := d.Good && allVerified(d.Hops); whole && r.Why != "forged: replayed" && !onlyHopsLeft(r.Frame, sent) {
			t.Errorf("a frame (%s) is wholly good to decode: %s", r.Why, r.Frame)
		}
	}
	if good < 5 || bad < 5 || travelled == 0 {
		t.Errorf("%d genuine frames over %d relays and %d others: too few to show anything", good, travelled, bad)
	}
}

// relayed is in the metrics once a frame has come by the relay, proven.
var relayed = regexp.MustCompile(`(?m)^longlane_hop_frames_total\{from="[^"]+",to="oak-relay",verified="yes"\} [1-9]`)

func checkDecodedHops(t *testing.T, r record, d decoded) {
	t.Helper()
	if len(d.Hops) != len(r.Hops) {
		t.Errorf("decode shows %d hops of a frame that travelled %d", len(d.Hops), len(r.Hops))
		return
	}
	for i, hop := range r.Hops {
		got := d.Hops[i]
		if got.RSSI == nil || *got.RSSI != hop.RSSI || got.SNR == nil || *got.SNR != hop.SNR || got.Verified != "yes" {
			t.Errorf("hop %d: decode says %s, on the air it was %g dBm, SNR %g", i, hopLine(got), hop.RSSI, hop.SNR)
		}
	}
}

func allVerified(hops []hopWords) bool {
	for _, h := range hops {
		if h.Verified != "yes" {
			return false
		}
	}
	return true
}

// onlyHopsLeft reports whether a damaged frame differs from one that was sent in the hops left alone, which every relay
// changes and no MAC protects.
func onlyHopsLeft(frame string, sent []record) bool {
	for _, r := range sent {
		n := len(r.Frame)
		if n <= len(frame) && r.Frame[:3] == frame[:3] && r.Frame[4:] == frame[4:n] {
			return true
		}
	}
	return false
}
