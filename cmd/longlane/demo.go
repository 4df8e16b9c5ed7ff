package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"golang.org/x/term"

	"longlane/gateway/config"
	"longlane/gateway/roster"
)

var demoCommand = command{
	name:    "demo",
	brief:   "the main job in one command: an invented orchard, its gates, and a house that hears them",
	usage:   "[--for DURATION] [--keep]",
	example: "  longlane demo --for 30s",
	run: func(ctx context.Context, c *call) error {
		d := &demo{c: c}
		c.duration(&d.length, "for", "end by itself after this `time`, with a summary (10s or more); without it: when interrupted")
		keep := c.Bool("keep", false, "keep the directory with the demo's files")
		if _, err := c.parse(0); err != nil {
			return err
		}
		if d.length != 0 && d.length < 10*time.Second {
			return badUsage("--for %s: expected 10s or more, or 0", d.length)
		}
		dir, err := os.MkdirTemp("", "longlane-demo-")
		if err != nil {
			return err
		}
		if *keep {
			fmt.Fprintln(c.out, "files are kept in", dir)
		} else {
			defer os.RemoveAll(dir)
		}
		d.dir = dir
		return d.run(ctx)
	},
}

// demo plays the whole house: a simulator and a gateway, each a process of its own, joined by a pty; a broker in this
// process, reached by the gateway through a forwarder so that the subscriber is back before the gateway is; and the
// subscriber, at which everything is counted.
type demo struct {
	c      *call
	dir    string
	length time.Duration
	tally  tally
	color  bool
	page   string // address of the gateway's HTTP
}

// demoScenario has trips until the last quarter of the demo, so that the last have time to arrive.
const demoScenario = `name  = "the hill orchard"
seed  = %d
until = "%s"

[air]
fading = "rician"

[[node]]
name = "oak-relay"
card = "oak-relay.card"
relay = true
rssi = -88.0
mains = true

[[node]]
name = "river-gate"
card = "river-gate.card"
drift_ppm = 40.0
checkin = "20s"
trips = [{ at = "1s", for = "900ms" }]
[node.rate]
per_hour = 600.0
dwell_min = "300ms"
dwell_max = "3s"

[[node]]
name = "ridge-gate"
card = "ridge-gate.card"
drift_ppm = -25.0
checkin = "20s"
[node.rate]
per_hour = 450.0
dwell_min = "300ms"
dwell_max = "3s"

[[node]]
name = "cattle-grid"
card = "cattle-grid.card"
rssi = -94.0
checkin = "20s"
trips = [{ at = "3s", for = "2s" }]
[node.rate]
per_hour = 600.0
dwell_min = "1s"
dwell_max = "4s"

[[pair]]
of = ["river-gate", "oak-relay"]
rssi = -101.0

[[pair]]
of = ["ridge-gate", "oak-relay"]
rssi = -108.0

[faults]
lose    = 0.04
repeat  = 0.04
corrupt = 0.02
forge   = 0.05

[[unplug]]
at  = "%s"
for = "2s"
`

// demoLane is where things stand in the hill orchard; testdata/lane/hill-orchard.toml has all of it.
const demoLane = `name = "hill-orchard"
region = "europe"
course = ["1450 m E, 180 m N", "1210 m E, 60 m N", "1000 m E, 20 m N", "780 m E, 210 m N", "420 m E, 120 m N", "0 m E, 0 m N"]
[terrain]
height = "412 m"
[site.house]
role = "gateway"
at = "0 m E, 0 m N"
antenna_height = "9 m"
power = "mains"
[site.cattle-grid]
role = "gate"
at = "420 m E, 130 m N"
antenna_height = "2 m"
power = "battery"
[site.oak-relay]
role = "relay"
at = "780 m E, 260 m N"
antenna_height = "6 m"
power = "mains"
[site.river-gate]
role = "gate"
at = "1450 m E, 180 m N"
antenna_height = "2.5 m"
power = "solar"
[site.ridge-gate]
role = "gate"
at = "1180 m E, 900 m N"
antenna_height = "2.5 m"
power = "battery"
[zone.cattle-grid]
site = "cattle-grid"
[zone.river-gate]
site = "river-gate"
[zone.ridge-gate]
site = "ridge-gate"
`

const demoConfig = `site = "hill-orchard"
lane = %q
gateway = "house"
state = %q
http = %q
log_level = "warn"
[broker]
url = "mqtt://%s"
[[modem]]
name = "mast"
device = %q
region = "europe"
frequency = 869525000
[zone.river-gate]
title = "River gate"
[zone.ridge-gate]
title = "Ridge gate"
[zone.cattle-grid]
title = "Cattle grid"
`

func (d *demo) path(name string) string { return filepath.Join(d.dir, name) }

func (d *demo) run(ctx context.Context) error {
	f, ok := d.c.out.(*os.File)
	d.color = ok && term.IsTerminal(int(f.Fd())) && os.Getenv("NO_COLOR") == ""
	whole := d.length
	if whole == 0 {
		whole = time.Hour
	}
	until, half := whole*3/4, whole*2/5
	if d.length == 0 {
		half = 30 * time.Second
	}
	house := &demoHouse{demo: d, outage: 11 * time.Second} // long enough for what waited to count as delayed
	if d.length != 0 && d.length < 30*time.Second {
		house.outage = whole / 4
	}
	if err := house.start(ctx); err != nil {
		return err
	}
	defer house.stop()
	if err := d.findPage(); err != nil {
		return err
	}
	if err := d.prepare(house.front.Addr().String(), until, half+house.outage); err != nil {
		return err
	}
	sim, err := d.child("sim", "--scenario", d.path("orchard.toml"), "--modem", d.path("modem"), "--out", d.path("sim.jsonl"))
	if err != nil {
		return err
	}
	defer end(sim)
	gw, err := d.child("run", "--config", d.path("longlane.toml"))
	if err != nil {
		return err
	}
	defer end(gw)
	d.say("The hill orchard: river gate and ridge gate behind the oak relay, cattle grid in sight of the house.")
	d.say("Look at it: http://%s/", d.page)
	if err := d.play(ctx, house, half, whole); err != nil {
		return err
	}
	if err := d.finish(house); err != nil {
		return err
	}
	end(gw)
	end(sim)
	d.settle() // the last thing that the gateway published may still be on its way to the subscriber
	return d.summary()
}

// findPage finds where the gateway can serve HTTP on this machine: where it does if nobody says otherwise, or else anywhere.
func (d *demo) findPage() error {
	l, err := net.Listen("tcp", config.Default().HTTP)
	if err != nil {
		l, err = net.Listen("tcp", "127.0.0.1:0")
	}
	if err != nil {
		return fmt.Errorf("find a free port on this machine: %w", err)
	}
	d.page = l.Addr().String()
	return l.Close()
}

// finish lets what has a receipt arrive. The demo may have been interrupted while the broker was away.
func (d *demo) finish(house *demoHouse) error {
	if house.away {
		d.say("-- the broker comes back, so that what waits in the queue can be counted")
		if err := house.mend(); err != nil {
			return err
		}
	}
	d.settle()
	return nil
}

// prepare enrols the nodes and writes scenario, cards and config.
func (d *demo) prepare(broker string, until, unplug time.Duration) error {
	state := d.path("state")
	r, err := roster.Create(state, "hill-orchard")
	if err != nil {
		return err
	}
	for _, n := range []roster.Node{
		{Name: "oak-relay", Relay: true},
		{Name: "river-gate", Inputs: []roster.Input{{Zone: "river-gate"}}},
		{Name: "ridge-gate", Inputs: []roster.Input{{Zone: "ridge-gate"}}},
		{Name: "cattle-grid", Inputs: []roster.Input{{Zone: "cattle-grid"}}},
	} {
		added, err := r.Add(n)
		if err != nil {
			return err
		}
		card, err := r.Card(added)
		if err != nil {
			return err
		}
		text, err := card.Marshal()
		if err == nil {
			err = os.WriteFile(d.path(n.Name+".card"), text, 0o600)
		}
		if err != nil {
			return err
		}
	}
	err = os.WriteFile(d.path("orchard.toml"), fmt.Appendf(nil, demoScenario, time.Now().UnixNano()%1e9, until, unplug), 0o600)
	return errors.Join(r.Save(), err, os.WriteFile(d.path("lane.toml"), []byte(demoLane), 0o600),
		os.WriteFile(d.path("longlane.toml"), fmt.Appendf(nil, demoConfig, d.path("lane.toml"), state, d.page, broker, d.path("modem")), 0o600))
}

// child starts this program again as another process. What it has to say goes into a file beside the demo's others.
func (d *demo) child(args ...string) (*exec.Cmd, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	log, err := os.Create(d.path(args[0] + ".log"))
	if err != nil {
		return nil, err
	}
	defer log.Close() // the child has its own
	cmd := exec.Command(self, args...)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // Ctrl-C on the terminal is for the demo, which ends them in order
	cmd.Stdout, cmd.Stderr = log, log
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("start %s: %w", args[0], err)
	}
	return cmd, nil
}

// end stops a child and waits for it; a second call does nothing.
func end(cmd *exec.Cmd) {
	if cmd.ProcessState != nil {
		return
	}
	cmd.Process.Signal(syscall.SIGTERM)
	killer := time.AfterFunc(5*time.Second, func() { cmd.Process.Kill() })
	cmd.Wait()
	killer.Stop()
}

// play lets time pass: half-way the broker goes away, and the scenario pulls the modem's plug a little later.
func (d *demo) play(ctx context.Context, house *demoHouse, half, whole time.Duration) error {
	began := time.Now()
	wait := func(t time.Duration) bool {
		timer := time.NewTimer(time.Until(began.Add(t)))
		defer timer.Stop()
		select {
		case <-ctx.Done():
			return false
		case <-timer.C:
			return true
		}
	}
	if !wait(half) {
		return nil
	}
	d.say("-- the broker goes away for %s; trips wait in the queue", house.outage)
	if err := house.cut(); err != nil {
		return err
	}
	if !wait(half + house.outage) {
		return nil
	}
	d.say("-- the broker comes back: what is new goes first, what waited follows marked as delayed")
	d.say("-- the modem is unplugged for 2s; the gates try again until they have a receipt")
	if err := house.mend(); err != nil {
		return err
	}
	for t := half + house.outage; t < whole; t += 250 * time.Millisecond {
		if !wait(t) {
			return nil
		}
	}
	return nil
}

// settle gives what has a receipt a little more time to be counted at the subscriber.
func (d *demo) settle() {
	limit := time.NewTimer(5 * time.Second)
	defer limit.Stop()
	look := time.NewTicker(100 * time.Millisecond)
	defer look.Stop()
	for {
		s, err := readSim(d.path("sim.jsonl"))
		if err == nil && len(d.tally.missing(s.released)) == 0 {
			return
		}
		select {
		case <-limit.C:
			return
		case <-look.C:
		}
	}
}

func (d *demo) say(format string, args ...any) {
	fmt.Fprintf(d.c.out, "%s  %s\n", time.Now().Format("15:04:05"), fmt.Sprintf(format, args...))
}

// heard prints an event as it arrives.
func (d *demo) heard(_ string, payload []byte, _ bool) {
	var e struct {
		ID, Type string
		Data     struct {
			Title   string   `json:"zone_title"`
			Detail  string   `json:"detail"`
			Phase   string   `json:"phase"`
			Proof   string   `json:"proof"`
			Age     *float64 `json:"age_s"`
			Dwell   *float64 `json:"dwell_s"`
			Delayed bool     `json:"delayed"`
			Hops    []struct {
				From     string   `json:"from"`
				To       string   `json:"to"`
				RSSI     *float64 `json:"rssi_dbm"`
				SNR      *float64 `json:"snr_db"`
				Verified bool     `json:"verified"`
			} `json:"hops"`
		}
	}
	if json.Unmarshal(payload, &e) != nil {
		return
	}
	if strings.HasPrefix(e.Type, "longlane.fault") {
		d.say("fault: %s", e.Data.Detail)
		return
	}
	if !strings.HasPrefix(e.Type, "longlane.trip.opened") && !strings.HasPrefix(e.Type, "longlane.trip.closed") {
		return
	}
	repeat := d.tally.note(e.ID, e.Data.Delayed)
	way := ""
	for i, h := range e.Data.Hops {
		if i == 0 {
			way = h.From
		}
		way += " ~> " + h.To
		if h.RSSI != nil && h.SNR != nil {
			way += fmt.Sprintf(" (%.0f dBm, SNR %.1f)", *h.RSSI, *h.SNR)
		}
		if !h.Verified {
			way += " NOT VERIFIED"
		}
	}
	what := e.Data.Phase
	if e.Data.Dwell != nil {
		what += fmt.Sprintf(" after %.1f s", *e.Data.Dwell)
	}
	age := "age not known"
	if e.Data.Age != nil {
		age = fmt.Sprintf("age %.2f s", *e.Data.Age)
	}
	for _, note := range []struct {
		on   bool
		word string
	}{{e.Data.Delayed, "delayed"}, {repeat, "repeat"}, {e.Data.Proof != "fresh", e.Data.Proof}} {
		if note.on {
			age += ", " + note.word
		}
	}
	d.say("%s  %-18s %-28s %s", d.paint(e.Data.Title, e.Data.Delayed, e.Data.Phase), what, age, way)
}

// paint makes a live opening stand out.
func (d *demo) paint(title string, delayed bool, phase string) string {
	s := fmt.Sprintf("%-11s", title)
	if d.color && phase == "opened" && !delayed {
		return "\x1b[1m" + s + "\x1b[0m"
	}
	return s
}
