package main

import (
	"bytes"
	"fmt"
	"io"
	"net"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"
)

// steady is a scenario with a trip about every second and no faults.
func (h *house) steady(until string) {
	h.write("scenario.toml", fmt.Sprintf("name = \"steady\"\nseed = 7\nuntil = %q\n", until)+
		tomlNode("river-gate", "", 1800)+tomlNode("cattle-grid", "", 1800))
}

// TestBrokerAbsentAtStart: the broker is not there when the gateway starts; trips are kept and receipted, and arrive
// when it comes.
func TestBrokerAbsentAtStart(t *testing.T) {
	h := newHouse(t, "river-gate", "cattle-grid")
	h.steady("6s")
	sim := h.startSim("--drain")
	h.startGateway()
	if code := sim.wait(2 * time.Minute); code != 0 {
		t.Fatalf("the simulator ended with %d", code)
	}
	if code := h.status("/readyz"); code != 503 {
		t.Errorf("/readyz answers %d without a broker, want 503", code)
	}
	if code := h.status("/healthz"); code != 200 {
		t.Errorf("/healthz answers %d without a broker, want 200: the queue works", code)
	}
	h.openHouse()
	h.checkDelivered(time.Minute)
	for id, n := range h.sub.ids() {
		if n != 1 {
			t.Errorf("event %s came %d times", id, n)
		}
	}
}

// badBroker answers CONNECT and SUBSCRIBE-less clients, and then does one bad thing.
func badBroker(t *testing.T, reads bool) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	var conns []net.Conn
	t.Cleanup(func() {
		l.Close()
		mu.Lock()
		defer mu.Unlock()
		for _, c := range conns {
			c.Close()
		}
	})
	go func() { // ends with the listener
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			mu.Lock()
			conns = append(conns, c)
			mu.Unlock()
			c.(*net.TCPConn).SetReadBuffer(4096)
			buf := make([]byte, 4096)
			c.Read(buf)                             // CONNECT
			c.Write([]byte{0x20, 0x02, 0x00, 0x00}) // CONNACK, accepted
			if reads {
				go io.Copy(io.Discard, c) // and never a word again
			}
		}
	}()
	return l.Addr().String()
}

// TestBrokerThatNeverAcknowledges: it accepts everything and acknowledges nothing, or stops reading altogether; a good
// one takes its place, and everything arrives. Nothing was taken for delivered meanwhile, nothing set aside.
func TestBrokerThatNeverAcknowledges(t *testing.T) {
	for _, reads := range []bool{true, false} {
		t.Run(fmt.Sprintf("reads=%v", reads), func(t *testing.T) {
			t.Parallel()
			h := newHouse(t, "river-gate", "cattle-grid")
			h.steady("6s")
			h.gate.lead(badBroker(t, reads))
			sim := h.startSim("--drain")
			h.startGateway()
			if code := sim.wait(2 * time.Minute); code != 0 {
				t.Fatalf("the simulator ended with %d", code)
			}
			h.openHouse()
			h.checkDelivered(time.Minute)
			if _, text := h.get("/metrics"); !strings.Contains(text, "\nlonglane_queue_set_aside_events{sink=\"mqtt\"} 0\n") {
				t.Error("events were set aside, for a broker that was merely dead")
			}
		})
	}
}

// TestMetrics: the exposition of a running gateway is good in the eyes of Prometheus' own tool, its counters agree with
// what the simulator did, and readiness goes with modem and broker.
func TestMetrics(t *testing.T) {
	h := newHouse(t, "river-gate", "cattle-grid")
	h.steady("5s")
	h.openHouse()
	sim := h.startSim("--drain", "--for", "1m")
	h.startGateway()
	h.ready(time.Minute)
	if code := sim.wait(2 * time.Minute); code != 0 {
		t.Fatalf("the simulator ended with %d", code)
	}
	h.checkDelivered(30 * time.Second)
	eventually(t, 30*time.Second, "/readyz to notice that the modem is gone", func() bool { return h.status("/readyz") == 503 })
	_, text := h.get("/metrics")
	cmd := exec.Command(programPath(t, "promtool"), "check", "metrics")
	cmd.Stdin = strings.NewReader(text)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("promtool check metrics: %v\n%s", err, bytes.TrimSpace(out))
	}
	heard := 0
	for _, r := range h.records() {
		if r.What == "heard" {
			heard++
		} else if r.What == "lost" && strings.HasPrefix(r.Why, "the host did not get it") {
			heard-- // the gateway had not set its modem up yet
		}
	}
	accepted, repeats := metric(text, `longlane_frames_total{bearer="mast",verdict="accepted"}`), metric(text, `longlane_frames_total{bearer="mast",verdict="repeat"}`)
	inFlight := metric(text, `longlane_frames_total{bearer="mast",verdict="in-flight"}`)
	if int(accepted+repeats+inFlight) != heard {
		t.Errorf("%v accepted, %v repeats, %v in flight; the modem was handed %d frames", accepted, repeats, inFlight, heard)
	}
	for name, want := range map[string]float64{`longlane_bearer_up{bearer="mast"}`: 0, `longlane_sink_up{sink="mqtt"}`: 1,
		`longlane_queue_waiting_events{sink="mqtt"}`: 0, "longlane_commit_failures_total": 0} {
		if got := metric(text, name); got != want {
			t.Errorf("%s is %v, want %v", name, got, want)
		}
	}
	h.breakBroker()
	eventually(t, 30*time.Second, "the broker's absence to show", func() bool {
		_, text := h.get("/metrics")
		return metric(text, `longlane_sink_up{sink="mqtt"}`) == 0
	})
}

// metric reads one value from an exposition; -1 if it is not there.
func metric(text, name string) float64 {
	for line := range strings.Lines(text) {
		if rest, ok := strings.CutPrefix(line, name+" "); ok {
			var v float64
			fmt.Sscan(rest, &v)
			return v
		}
	}
	return -1
}

// TestTwoGateways: the second on one state directory, or on one tty, says so.
func TestTwoGateways(t *testing.T) {
	h := newHouse(t, "river-gate", "cattle-grid")
	h.steady("1h")
	h.openHouse()
	h.startSim()
	gw := h.startGateway()
	h.ready(time.Minute)
	h.http = ""
	first := h.path("longlane.toml")
	h.configure("mqtt://" + h.gate.addr)
	code, _, errs := cli("", "run", "--config", first)
	if code != exitFailed || !strings.Contains(errs, "another") {
		t.Errorf("a second gateway on the same state directory: exit code %d, %q", code, errs)
	}
	other, text := h.startSecond()
	if want := fmt.Sprintf("in use by another program: process %d", gw.cmd.Process.Pid); !strings.Contains(text, want) {
		t.Errorf("a second gateway on the same tty does not say %q:\n%s", want, text)
	}
	gw.kill()
	eventually(t, time.Minute, "the second gateway to get the modem, now that the first is gone", func() bool {
		return strings.Contains(other.text("run.log"), "modem is up")
	})
}

// startSecond runs a gateway with a state of its own on the first one's tty, until it has spoken of the modem.
func (h *house) startSecond() (other *house, log string) {
	h.t.Helper()
	other = newHouse(h.t, "river-gate")
	other.http = ""
	toml := fmt.Sprintf("site = \"hill-orchard\"\ngateway = \"barn\"\nstate = %q\nhttp = \"\"\n[broker]\nurl = %q\n[[modem]]\n"+
		"name = \"mast\"\ndevice = %q\nfrequency = 868100000\n", other.path("state"), "mqtt://"+h.gate.addr, h.path("modem"))
	other.write("longlane.toml", toml)
	other.startGateway()
	eventually(h.t, time.Minute, "the second gateway to speak of the modem", func() bool {
		log = other.text("run.log")
		return strings.Contains(log, "modem") && strings.Contains(log, "err")
	})
	return other, log
}
