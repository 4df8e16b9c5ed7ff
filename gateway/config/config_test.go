package config

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	toml "github.com/pelletier/go-toml/v2"

	"longlane/gateway/webhook/body"
	"longlane/radio/lora"
	"longlane/radio/modem/lines"
)

const examples = "../../testdata/config"

// files returns the TOML files of a directory. A directory without any is a failure: a glob that has gone stale
// would otherwise pass for ever.
func files(t testing.TB, dir string) []string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, "*.toml"))
	if err != nil || len(names) == 0 {
		t.Fatalf("found no .toml files in %s (error %v)", dir, err)
	}
	return names
}

func read(t testing.TB, path string) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// nodeExample and relayExample are the examples that are a node's file; annunciatorExample is another.
const (
	nodeExample  = "node.toml"
	relayExample = "relay.toml"
)

func TestExamplesAreAccepted(t *testing.T) {
	for _, name := range files(t, examples) {
		if base := filepath.Base(name); base == nodeExample || base == relayExample || base == annunciatorExample {
			continue // TestNodeExample and TestRelayFile read them
		}
		if _, err := Parse(name, read(t, name)); err != nil {
			t.Errorf("Parse refuses an example:\n%v", err)
		}
	}
}

func TestHillOrchardShowsEveryDefault(t *testing.T) {
	c, err := Parse("hill-orchard.toml", read(t, filepath.Join(examples, "hill-orchard.toml")))
	if err != nil {
		t.Fatal(err)
	}
	want := Default()
	want.Site, want.Gateway = "hill-orchard", "house"
	want.Embedded = nil
	want.Broker.URL = "mqtts://broker.lan:8883"
	want.Broker.ClientID = "longlane-hill-orchard-house"
	want.Mirror[0].Name, want.Mirror[0].URL, want.Mirror[0].ClientID = "shop", "mqtt://shop.lan:1883", "longlane-hill-orchard-house-shop"
	want.Webhook[0].Name, want.Webhook[0].URL, want.Webhook[0].ContentType = "lights", "https://lights.lan/trip", body.Structured
	want.Modem[0].Name, want.Modem[0].Device = "mast", "/dev/serial/by-id/usb-mast-if00"
	want.Modem[0].Frequency = 869525000
	want.Pair = []Pair{{"river-gate", "river-bridge", 30}}
	want.Passage.Mover = []Mover{{"car", "vehicle", []float64{3.3, 5.5}, []float64{2, 10}, []float64{0, 30}}, {"person", "person", []float64{0.2, 0.5}, []float64{1.2, 4}, []float64{0, 9}}}
	want.LowBattery = map[string]float64{"river-gate": 3.3}
	want.Zone = map[string]Zone{"river-gate": {"River gate"}, "ridge-gate": {"Ridge gate"}, "cattle-grid": {"Cattle grid"}}
	if !reflect.DeepEqual(c, want) {
		t.Errorf("Parse(hill-orchard.toml) = %+v\nwant %+v", c, want)
	}
}

// TestExamplesShowEveryKey holds the examples complete: every key that the gateway reads stands in hill-orchard.toml, and
// those of [modem.line], which would be a mistake beside its framed modem, in line-modem.toml.
func TestExamplesShowEveryKey(t *testing.T) {
	showsEveryKey(t, "hill-orchard.toml", reflect.TypeFor[Config]())
	showsEveryKey(t, "line-modem.toml", reflect.TypeFor[lines.Config]())
	text := string(read(t, filepath.Join(examples, "hill-orchard.toml")))
	if _, section, _ := strings.Cut(text, "\n#[embedded]\n"); !strings.HasPrefix(section, "#listen = ") {
		t.Errorf("hill-orchard.toml does not show the [embedded] table as a comment")
	}
}

func showsEveryKey(t *testing.T, name string, rt reflect.Type) {
	t.Helper()
	text := string(read(t, filepath.Join(examples, name)))
	var look func(rt reflect.Type)
	look = func(rt reflect.Type) {
		for _, f := range fieldsOf(rt) {
			inner := rt.Field(f.index).Type
			for inner.Kind() == reflect.Pointer || inner.Kind() == reflect.Slice || inner.Kind() == reflect.Map {
				inner = inner.Elem()
			}
			if inner == reflect.TypeFor[lines.Config]() {
				continue
			}
			if inner.Kind() == reflect.Struct {
				look(inner)
			} else if !strings.Contains(text, "\n"+f.key+" = ") && !strings.Contains(text, "\n["+f.key+"]\n") {
				t.Errorf("%s does not show the key %q of %v", name, f.key, rt)
			}
		}
	}
	look(rt)
}

func TestLeastConfig(t *testing.T) {
	c, err := Parse("x.toml", []byte("site = \"s\"\ngateway = \"g\"\n[wifi]\n"))
	if err != nil {
		t.Fatal(err)
	}
	want := Default()
	want.Site, want.Gateway, want.Broker, want.Mirror, want.Webhook, want.Modem = "s", "g", nil, nil, nil, nil
	if !reflect.DeepEqual(c, want) {
		t.Errorf("Parse(least config) = %+v\nwant %+v", c, want)
	}
	if c.Modem != nil || c.Broker != nil {
		t.Errorf("a section that is not in the file was made up: %+v", c)
	}
}

// TestLineModemShowsDefaults: what the line example leaves out and what it shows as a default is what the code has.
func TestLineModemShowsDefaults(t *testing.T) {
	c, err := Parse("line-modem.toml", read(t, filepath.Join(examples, "line-modem.toml")))
	if err != nil {
		t.Fatal(err)
	}
	var d lines.Config
	var step lines.Step
	var send lines.Send
	var beat lines.Heartbeat
	var reset lines.Reset
	d.SetDefaults()
	step.SetDefaults()
	send.SetDefaults()
	beat.SetDefaults()
	reset.SetDefaults()
	l := c.Modem[0].Line
	for name, pair := range map[string][2]any{
		"ending": {l.Ending, d.Ending}, "heard_ending": {l.HeardEnding, d.HeardEnding}, "longest": {l.Longest, d.Longest},
		"receive.payload": {l.Receive.Payload, d.Receive.Payload}, "initialise[1].timeout": {l.Initialise[1].Timeout, step.Timeout},
		"initialise[0].timeout": {l.Initialise[0].Timeout, step.Timeout}, "send.payload": {l.Send.Payload, send.Payload},
		"send.longest": {l.Send.Longest, send.Longest}, "heartbeat.every": {l.Heartbeat.Every, beat.Every},
		"heartbeat.timeout": {l.Heartbeat.Timeout, beat.Timeout}, "reset.timeout": {l.Reset.Timeout, reset.Timeout},
		"reset.reopen": {l.Reset.Reopen, reset.Reopen}, "reset.silence": {l.Reset.Silence, reset.Silence},
	} {
		if pair[0] != pair[1] {
			t.Errorf("line-modem.toml has %s = %v, the default is %v", name, pair[0], pair[1])
		}
	}
	if d.Receive.RSSIScale != 1 || d.Receive.SNRScale != 1 {
		t.Errorf("scales start at %v and %v, want 1", d.Receive.RSSIScale, d.Receive.SNRScale)
	}
}

// TestModemStartsSilent: nothing is ever transmitted unless the owner has said so in the file.
func TestModemStartsSilent(t *testing.T) {
	c, err := Parse("x.toml", []byte("site=\"s\"\ngateway=\"g\"\n[[modem]]\nname=\"m\"\ndevice=\"/dev/x\"\nfrequency=868100000"))
	if err != nil {
		t.Fatal(err)
	}
	if got := c.Modem[0].Silent(); got != "no region" {
		t.Errorf("Silent = %q, want \"no region\"", got)
	}
}

// TestBadFiles compares each bad file's messages with its "# want:" lines, all of them and in order.
func TestBadFiles(t *testing.T) {
	badFiles(t, "bad", func(name string, data []byte) error {
		_, err := Parse(name, data)
		return err
	})
}

func badFiles(t *testing.T, dir string, parse func(name string, data []byte) error) {
	t.Helper()
	for _, name := range files(t, filepath.Join(examples, dir)) {
		data := read(t, name)
		var want []string
		for line := range strings.Lines(string(data)) {
			if w, ok := strings.CutPrefix(line, "# want: "); ok {
				want = append(want, strings.TrimSpace(w))
			}
		}
		if !strings.HasPrefix(string(data), "# ") || strings.HasPrefix(string(data), "# want") || len(want) == 0 {
			t.Errorf("%s: must open with its purpose and have at least one \"# want: \" line", name)
		}
		err := parse(filepath.Base(name), data)
		if err == nil {
			t.Errorf("%s: accepted", name)
		} else if got := strings.Split(err.Error(), "\n"); !reflect.DeepEqual(got, want) {
			t.Errorf("%s:\n got %s\nwant %s", name, strings.Join(got, "\n     "), strings.Join(want, "\n     "))
		}
	}
}

func TestLoad(t *testing.T) {
	dir := t.TempDir()
	secret := filepath.Join(dir, "pass")
	text := string(read(t, filepath.Join(examples, "hill-orchard.toml")))
	text = strings.Replace(text, "\nuser = \"\"", "\nuser = \"longlane\"", 1)
	text = strings.Replace(text, "\npassword_file = \"\"", fmt.Sprintf("\npassword_file = %q", secret), 1)
	path := filepath.Join(dir, "house.toml")
	write(t, path, text, 0o644)
	write(t, secret, "open sesame\n", 0o600)
	c, err := Load(path)
	if err != nil {
		t.Fatalf("Load: %v", err)
	}
	if got, err := ReadSecret(c.Broker.PasswordFile); got != "open sesame" || err != nil {
		t.Errorf("ReadSecret = %q, %v, want \"open sesame\"", got, err)
	}

	if err := os.Chmod(secret, 0o644); err != nil {
		t.Fatal(err)
	}
	_, err = Load(path)
	var p *Problem
	if !errors.As(err, &p) || p.Field != "broker.password_file" || p.Line != 20 || p.Col != 17 {
		t.Fatalf("Load with an open secret = %v, want a problem with broker.password_file at 20:17", err)
	}
	for _, want := range []string{"mode 0644, open to others", "chmod 600 " + secret} {
		if !strings.Contains(p.Error(), want) {
			t.Errorf("message %q lacks %q", p, want)
		}
	}
}

func TestLoadNamesWhatItCannotRead(t *testing.T) {
	dir := t.TempDir()
	if _, err := Load(filepath.Join(dir, "none.toml")); !errors.Is(err, os.ErrNotExist) || !strings.Contains(err.Error(), "none.toml") {
		t.Errorf("Load of a missing file = %v", err)
	}
	if _, err := Load(dir); err == nil || !strings.Contains(err.Error(), "found a directory, expected a file") {
		t.Errorf("Load of a directory = %v", err)
	}
	big := filepath.Join(dir, "big.toml")
	write(t, big, strings.Repeat("#", maxFile+1), 0o600)
	if _, err := Load(big); err == nil || !strings.Contains(err.Error(), "more than 262144 bytes") {
		t.Errorf("Load of a big file = %v", err)
	}
}

func TestLoadChecksCertificates(t *testing.T) {
	dir := t.TempDir()
	ca := filepath.Join(dir, "ca.pem")
	write(t, ca, "not a certificate", 0o644)
	path := filepath.Join(dir, "house.toml")
	write(t, path, "site=\"s\"\ngateway=\"g\"\n[broker]\nurl=\"mqtts://b:8883\"\nca_file=\""+ca+"\"\n[wifi]\n", 0o644)
	if _, err := Load(path); err == nil || !strings.Contains(err.Error(), "found no certificate") {
		t.Errorf("Load with a ca_file that holds no certificate = %v", err)
	}
}

func TestReadSecret(t *testing.T) {
	path := filepath.Join(t.TempDir(), "secret")
	for _, c := range []struct {
		content string
		mode    os.FileMode
		want    string
		ok      bool
	}{
		{"k\n", 0o600, "k", true},
		{"k\r\n", 0o400, "k", true},
		{" spaces stay ", 0o600, " spaces stay ", true},
		{"", 0o600, "", false},
		{"\n", 0o600, "", false},
		{"two\nlines\n", 0o600, "", false},
		{"k", 0o604, "", false},
		{"k", 0o602, "", false},
		{"k", 0o620, "", false},
		{strings.Repeat("k", maxSecret+1), 0o600, "", false},
	} {
		write(t, path, c.content, c.mode)
		got, err := ReadSecret(path)
		if got != c.want || (err == nil) != c.ok {
			t.Errorf("ReadSecret(%.20q, mode %04o) = %q, %v, want %q, ok %v", c.content, c.mode, got, err, c.want, c.ok)
		}
	}
}

// TestSecretGroups: a group may read a secret only if it is root's.
func TestSecretGroups(t *testing.T) {
	for _, c := range []struct {
		gid  uint32
		mode os.FileMode
		want bool
	}{
		{0, 0o640, true}, {0, 0o440, true}, {0, 0o644, false}, {0, 0o660, false},
		{1000, 0o600, true}, {1000, 0o640, false}, {1000, 0o604, false},
	} {
		if got := c.mode&^allowedFor(c.gid) == 0; got != c.want {
			t.Errorf("mode %04o with group %d: allowed = %v, want %v", c.mode, c.gid, got, c.want)
		}
	}
}

func write(t *testing.T, path, text string, mode os.FileMode) {
	t.Helper()
	_ = os.Remove(path)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(path, mode); err != nil {
		t.Fatal(err)
	}
}

func TestLevelAndTitle(t *testing.T) {
	c := &Config{LogLevel: "warn", Zone: map[string]Zone{"river-gate": {"River gate"}, "bare": {}}}
	if got := c.Level().String(); got != "WARN" {
		t.Errorf("Level() = %s, want WARN", got)
	}
	for zone, want := range map[string]string{"river-gate": "River gate", "bare": "bare", "unlisted": "unlisted"} {
		if got := c.Title(zone); got != want {
			t.Errorf("Title(%q) = %q, want %q", zone, got, want)
		}
	}
}

// FuzzParse: whatever the bytes, Parse returns; and what it accepts, written out again, means the same.
func FuzzParse(f *testing.F) {
	for _, dir := range []string{examples, filepath.Join(examples, "bad")} {
		for _, name := range files(f, dir) {
			f.Add(read(f, name))
		}
	}
	f.Add([]byte("site='s'\ngateway='g'\nmodem=[]\n[zone]\n[wifi]\n"))
	f.Add([]byte("site='s'\ngateway='g'\n[broker]\nurl='mqtt://[::1]:1883'\n[wifi]\nlisten='[fe80::1]:0'\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := Parse("fuzz.toml", data)
		if err != nil {
			checkProblems(t, data, err)
			return
		}
		again, err := toml.Marshal(c)
		if err != nil {
			t.Fatalf("an accepted config cannot be written: %v", err)
		}
		c2, err := Parse("again.toml", again)
		if err != nil {
			t.Fatalf("an accepted config is refused when written again: %v\n%s", err, again)
		}
		if !reflect.DeepEqual(c, c2) {
			t.Fatalf("an accepted config changes when written again:\n%+v\n%+v\n%s", c, c2, again)
		}
	})
}

// checkProblems: a refusal is a Problems, each with a place inside the file and all of its parts.
func checkProblems(t *testing.T, data []byte, err error) {
	t.Helper()
	var ps Problems
	if !errors.As(err, &ps) || len(ps) == 0 {
		t.Fatalf("Parse returned %T %v, want Problems", err, err)
	}
	lines := strings.Count(string(data), "\n") + 1
	for _, p := range ps {
		if p.Line < 1 || p.Line > lines || p.Col < 1 || p.Col > len(data)+1 || p.Field == "" || p.Found == "" || p.Expected == "" {
			t.Fatalf("incomplete problem %+v", p)
		}
		if strings.ContainsAny(p.Error(), "\n\r\x00\x1b") {
			t.Fatalf("a message breaks its line: %q", p.Error())
		}
	}
}

func TestDurationText(t *testing.T) {
	for _, v := range []time.Duration{0, time.Nanosecond, 900 * time.Second, 90 * time.Minute, -time.Hour} {
		text, _ := Duration(v).MarshalText()
		var back Duration
		if err := back.UnmarshalText(text); err != nil || time.Duration(back) != v {
			t.Errorf("Duration %v as text %q = %v, %v", v, text, back, err)
		}
	}
}

// What the file may say of the modulation is what package lora can reckon with, no more and no less; the daemon relies on it.
func TestModemIsWhatLoRaAccepts(t *testing.T) {
	for _, width := range append(lora.Bandwidths(), 0, 100000, 7812, 1000000) {
		for sf := 4; sf <= 13; sf++ {
			for rate := 4; rate <= 9; rate++ {
				text := fmt.Sprintf("site = \"s\"\ngateway = \"g\"\n[embedded]\n[[modem]]\nname = \"m\"\ndevice = \"/dev/m\"\nfrequency = 868100000\n"+
					"bandwidth = %d\nspreading_factor = %d\ncoding_rate = %d\n", width, sf, rate)
				_, err := Parse("modem.toml", []byte(text))
				want := lora.Settings{SpreadingFactor: sf, Bandwidth: width, CodingRate: rate, Preamble: 8}.Check()
				if (err == nil) != (want == nil) {
					t.Errorf("SF%d, %d Hz, 4/%d: Parse says %v, lora %v", sf, width, rate, err, want)
				}
			}
		}
	}
}
