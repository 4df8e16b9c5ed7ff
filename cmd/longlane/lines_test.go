package main

import (
	"bufio"
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"longlane/radio"
	"longlane/radio/modem"
	"longlane/radio/serialport"
)

// plainEnglish is how the interpreter's words stand in a config.
const plainEnglish = `dialect = "line"
[modem.line]
ending = "\n"
restarted = 'good morning|what am i to do'
busy = 'somebody is talking'
error = 'i cannot, (?P<reason>.*)'
[[modem.line.initialise]]
line = "please listen on {frequency}"
reply = 'listening on 869525000'
[modem.line.receive]
pattern = 'heard (?P<payload>\S+) at (?P<rssi>.+), clarity (?P<snr>\S+)'
payload = "base64"
rssi_scale = 0.25
snr_scale = 0.25
samples = ["heard CgsA at -405, clarity 30", "heard CgsA at a whisper, clarity unknown"]
[modem.line.send]
line = "please say {payload}"
payload = "base64"
ok = 'said'
[modem.line.heartbeat]
line = "are you there"
reply = 'still here'
[[modem]]
name = "spare"
device = "/dev/longlane-none"
frequency = 869525000
`

// interpreter stands between the simulator's modem, which speaks the framed dialect, and a gateway that is told that its
// modem speaks lines of plain English.
type interpreter struct {
	t     *testing.T
	link  string
	radio *modem.Modem

	mu       sync.Mutex // protects what follows
	pty      *serialport.Pty
	ready    bool // it has been told what to listen on
	told     int  // frames
	restarts int
	unplugs  int
}

func interpret(t *testing.T, framed, link string) *interpreter {
	t.Helper()
	i := &interpreter{t: t, link: link}
	i.radio = modem.New(modem.Options{Name: "interpreter", Permit: func([]byte) (func(radio.Fate, time.Duration), error) {
		return func(radio.Fate, time.Duration) {}, nil // nothing is on the air
	}, BackoffMin: 10 * time.Millisecond,
		Open: func(context.Context) (io.ReadWriteCloser, error) {
			return serialport.Open(serialport.Options{Path: framed})
		},
		Parameters: modem.Parameters{Frequency: 868100000, Bandwidth: 125000, SpreadingFactor: 7, CodingRate: 5, Power: 14, Preamble: 8}})
	i.plug()
	ctx, cancel := context.WithCancel(context.Background())
	var running sync.WaitGroup
	running.Go(func() {
		i.radio.Run(ctx, func(p radio.Packet) {
			i.say(fmt.Sprintf("heard %s at %.0f, clarity %.0f\n", base64.StdEncoding.EncodeToString(p.Frame), p.RSSI*4, p.SNR*4))
		})
	})
	running.Go(func() { i.listen(ctx) })
	t.Cleanup(func() {
		cancel()
		i.mu.Lock()
		i.pty.HangUp()
		i.pty.Close()
		i.mu.Unlock()
		running.Wait()
	})
	return i
}

func (i *interpreter) plug() {
	p, err := serialport.NewPty(i.link)
	if err != nil {
		i.t.Errorf("plug in: %v", err)
		return
	}
	i.pty = p
}

// say says the line in two pieces. While the gateway is away, or does not read, it is lost, as with a real modem.
func (i *interpreter) say(line string) {
	i.mu.Lock()
	defer i.mu.Unlock()
	if !i.ready && strings.HasPrefix(line, "heard") {
		return
	}
	for _, piece := range []string{line[:len(line)/2], line[len(line)/2:]} {
		io.WriteString(i.pty, piece)
	}
}

// listen obeys until the test ends; a port that was hung up on purpose is followed by the next.
func (i *interpreter) listen(ctx context.Context) {
	for ctx.Err() == nil {
		i.mu.Lock()
		p := i.pty
		i.mu.Unlock()
		for s := bufio.NewScanner(p); s.Scan(); {
			i.obey(ctx, s.Text())
		}
	}
}

func (i *interpreter) obey(ctx context.Context, line string) {
	payload, isFrame := strings.CutPrefix(line, "please say ")
	switch {
	case line == "please listen on 869525000":
		i.mu.Lock()
		i.ready = true
		i.mu.Unlock()
		i.say("listening on 869525000\n")
	case line == "are you there":
		i.say("still here\n")
	case isFrame:
		i.say(i.send(ctx, payload))
	default:
		i.say("what am i to do\n")
	}
}

// send answers. Each sixth time it restarts instead, and each 15th the plug is pulled.
func (i *interpreter) send(ctx context.Context, payload string) (answer string) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.told++
	switch {
	case i.told%15 == 0:
		i.unplugs++
		i.ready = false
		i.pty.HangUp()
		i.pty.Close()
		i.plug()
		return "good morning\n"
	case i.told%6 == 0:
		i.restarts++
		i.ready = false
		return "heard CgsAgood morning\n" // it was just saying something
	case !i.ready:
		return "what am i to do\n"
	}
	frame, err := base64.StdEncoding.DecodeString(payload)
	if err != nil {
		i.t.Errorf("the gateway wants %q sent: %v", payload, err)
	}
	i.mu.Unlock() // frames are heard meanwhile
	err = i.radio.Send(ctx, "", frame)
	i.mu.Lock()
	switch {
	case err == nil:
		return "said\n"
	case errors.Is(err, modem.ErrBusy):
		return "somebody is talking\n"
	}
	return "i cannot, " + err.Error() + "\n"
}

// TestLineModem: the whole chain with a modem that speaks lines, and restarts and is unplugged meanwhile: what has a
// receipt is delivered, with the RSSI and SNR that were on the air.
func TestLineModem(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "river-gate", "cattle-grid", "mill-lane")
	h.write("longlane.toml", strings.Replace(h.text("longlane.toml"), `/modem"`, `/lines"`, 1)+plainEnglish)
	seed := rand.Uint64() >> 1
	t.Logf("seed %d", seed)
	h.write("scenario.toml", fmt.Sprintf("name = \"lines\"\nseed = %d\nuntil = \"15s\"\n", seed)+
		tomlNode("river-gate", "", 1800)+tomlNode("cattle-grid", "", 1800)+tomlNode("mill-lane", "", 1800))
	h.openHouse()
	i := interpret(t, h.path("modem"), h.path("lines"))
	sim := h.startSim("--drain", "--for", "50s")
	h.startGateway()
	if code := sim.wait(3 * time.Minute); code != 0 {
		t.Fatalf("the simulator ended with %d", code)
	}
	h.checkDelivered(30 * time.Second)
	h.provenance().check()
	i.mu.Lock()
	defer i.mu.Unlock()
	t.Logf("%d events made, %d with a receipt; %d frames told, %d restarts, %d unplugs", len(idsOf(h.records(), "made")),
		len(idsOf(h.records(), "released")), i.told, i.restarts, i.unplugs)
	if i.restarts == 0 || i.unplugs == 0 {
		t.Errorf("%d frames were sent: too few for a restart and an unplug", i.told)
	}
}

// TestCheckTriesSamples: check shows what each group of each sample caught and what it amounts to, as text and as JSON, and
// refuses a sample that is no frame, where it stands.
func TestCheckTriesSamples(t *testing.T) {
	h := newHouse(t, "river-gate")
	good := h.text("longlane.toml") + plainEnglish
	h.write("longlane.toml", good)
	code, out, errs := cli("", "check", "--config", h.path("longlane.toml"))
	for _, want := range []string{
		`sample "heard CgsA at -405, clarity 30"`, `payload  "CgsA"`, `rssi     "-405" = -101.25 dBm`, `snr      "30" = 7.5 dB`, `frame    3 bytes: 0a 0b 00`,
		`rssi     "a whisper"`, `not measured`,
		`no line of [[modem.line.initialise]] sets bandwidth, coding_rate, power, preamble, spreading_factor, sync_word`,
	} {
		if code != exitDone || !strings.Contains(out, want) {
			t.Errorf("check: exit code %d, %s; it says\n%s\nwant %s", code, errs, out, want)
		}
	}
	code, out, _ = cli("", "check", "--json", "--config", h.path("longlane.toml"))
	var said struct {
		OK      bool
		Samples []sampleJSON
	}
	if err := json.Unmarshal([]byte(out), &said); err != nil || code != exitDone || !said.OK || len(said.Samples) != 2 {
		t.Fatalf("check --json: exit code %d, %v, %s; want it good, with 2 samples", code, err, out)
	}
	if s := said.Samples[0]; s.Modem != "mast" || s.Frame != "0a0b00" || s.RSSI == nil || *s.RSSI != -101.25 || *s.SNR != 7.5 || s.Groups["rssi"] != "-405" {
		t.Errorf("check --json: first sample %s", out)
	}
	if s := said.Samples[1]; s.RSSI != nil || s.Groups["snr"] != "unknown" {
		t.Errorf("check --json: second sample %s", out)
	}
	h.write("longlane.toml", strings.Replace(good, `"heard CgsA at -405`, `"heard Cgs at -405`, 1))
	code, out, errs = cli("", "check", "--config", h.path("longlane.toml"))
	if code != exitUsage || !strings.Contains(errs, "modem[0].line.receive.samples[0]: found \"heard Cgs at -405, clarity 30\"") || strings.Contains(out, "is good") {
		t.Errorf("check with a bad sample: exit code %d, %q, %q", code, out, errs)
	}
}
