package main

import (
	"context"
	"fmt"
	"os"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"longlane/radio/modem"
	"longlane/radio/serialport"
)

// newLane is the air between modems on ptys, at the links, that stand in a row: each hears its neighbours alone, all alike.
func newLane(t *testing.T, links ...string) {
	t.Helper()
	row := make([]*modem.Device, len(links))
	for i := range links {
		row[i] = modem.NewDevice(modem.DeviceOptions{Transmit: func(frame []byte) (time.Duration, error) {
			for _, j := range []int{i - 1, i + 1} {
				if j >= 0 && j < len(row) {
					row[j].Receive(frame, -101, 5.5, 0) // an error: nobody is there
				}
			}
			return 70 * time.Millisecond, nil
		}})
	}
	ctx, cancel := context.WithCancel(context.Background())
	var serving sync.WaitGroup
	for i, link := range links {
		p, err := serialport.NewPty(link)
		if err != nil {
			t.Fatal(err)
		}
		serving.Go(func() { row[i].Serve(ctx, p) })
	}
	t.Cleanup(func() {
		cancel()
		serving.Wait()
	})
}

// TestRelayNode: from a contact at a gate that the house does not hear, over `longlane node` as a relay, to the subscriber, and the
// receipt back; all parts are real but the air.
func TestRelayNode(t *testing.T) {
	t.Parallel()
	g := &gateNode{house: newHouse(t, "oak-relay", "river-gate")}
	newLane(t, g.path("modem"), g.path("relay-modem"), g.path("gate-modem"))
	if err := syscall.Mkfifo(g.path("contact"), 0o600); err != nil {
		t.Fatal(err)
	}
	g.openContact()
	file := func(name, more string) {
		g.write(name+".toml", fmt.Sprintf("card = %q\nstate = %q\nlog_level = \"debug\"\n%s\n[modem]\ndevice = %q\nregion = \"europe\"\nfrequency = 869525000\n",
			g.path(map[string]string{"relay": "oak-relay", "gate": "river-gate"}[name]+".card"), g.path(name+"-state"), more, g.path(name+"-modem")))
	}
	file("relay", "relay = true")
	file("gate", "")
	f, err := os.OpenFile(g.path("gate.toml"), os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	fmt.Fprintf(f, "[[input]]\ncommand = [\"/bin/cat\", %q]\n", g.path("contact"))
	f.Close()

	g.openHouse()
	g.startGateway()
	g.ready(time.Minute)
	relay := g.start("node", "--config", g.path("relay.toml"))
	g.logged(`"neighbour":"gateway 0"`, 1)
	gate := g.start("node", "--config", g.path("gate.toml"))
	g.say("open")
	g.logged(`"position":"open"`, 1)
	g.say("closed")
	opened := g.event("longlane.trip.opened", "", 0)
	d := opened.event.Data
	if d.Zone != "river-gate" || d.Delayed || len(d.Hops) != 2 || d.Hops[0].From != "river-gate" || d.Hops[0].To != "oak-relay" || !d.Hops[0].Verified ||
		d.Hops[1].To != "house" || !d.Hops[1].Verified {
		t.Errorf("the trip is %s", opened.payload)
	}
	g.logged(`"msg":"the gateway has the event on its disk"`, 1)
	_, metrics := g.get("/metrics")
	for _, want := range []string{`longlane_hop_margin_db{from="river-gate",to="oak-relay"} 13`, `longlane_hop_margin_db{from="oak-relay",to="house"} 13`} {
		if !strings.Contains(metrics, want) {
			t.Errorf("no line %q in the metrics", want)
		}
	}
	if metric(metrics, `longlane_hints_total{bearer="mast",result="sent",what="beacon"}`) < 1 || metric(metrics, `longlane_frames_total{bearer="mast",verdict="hint"}`) < 1 {
		t.Error("beacons and hints are not counted")
	}
	for _, p := range []*process{gate, relay} {
		if code := p.stop(); code != exitDone {
			t.Errorf("SIGTERM: ended with %d", code)
		}
	}
}
