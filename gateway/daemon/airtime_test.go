package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"longlane/gateway"
	"longlane/gateway/config"
	"longlane/gateway/roster"
	"longlane/proto"
	"longlane/radio/modem"
	"longlane/radio/serialport"
)

// mastBoard is a modem on a pty that counts what it was told to send.
type mastBoard struct {
	mu   sync.Mutex
	sent int
	*modem.Device
}

func plug(t *testing.T, link string) *mastBoard {
	t.Helper()
	p, err := serialport.NewPty(link)
	if err != nil {
		t.Fatal(err)
	}
	b := &mastBoard{}
	b.Device = modem.NewDevice(modem.DeviceOptions{Transmit: func([]byte) (time.Duration, error) {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.sent++
		return 50 * time.Millisecond, nil
	}})
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		b.Serve(ctx, p)
	}()
	t.Cleanup(func() { cancel(); p.HangUp(); <-done; p.Close() })
	return b
}

// trip has the gate opened, counter times by now, and waits until the gateway has taken it in.
func (b *mastBoard) trip(t *testing.T, d *Daemon, counter uint32) {
	t.Helper()
	r, err := roster.Open(d.cfg.State)
	if err != nil {
		t.Fatal(err)
	}
	keys, err := r.Keys(1, 1)
	if err != nil {
		t.Fatal(err)
	}
	frame, err := proto.Seal(nil, keys, proto.Header{Type: proto.TypeTripOpened, HopsLeft: 7, Site: r.Site, Node: 1, Gen: 1, Counter: counter},
		&proto.TripOpened{Input: proto.Input{Active: true}, Sent: proto.SendTime{Seconds: proto.NoTime}, Battery: proto.NoBattery, Temperature: proto.NoTemperature})
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Receive(frame, -90, 5, 0); err != nil {
		t.Fatal(err)
	}
}

// awaitMetric waits until a line of the metrics begins so.
func awaitMetric(t *testing.T, d *Daemon, line string) (text string) {
	t.Helper()
	await(t, func() (bool, string) {
		_, text = get(t, d, "/metrics")
		return strings.Contains(text, "\n"+line), fmt.Sprintf("metric %q in\n%s", line, text)
	})
	return text
}

// TestNoRegionNoTransmission: the same modem, without a region and with one.
func TestNoRegionNoTransmission(t *testing.T) {
	for _, c := range []struct {
		more, result, reason string
		sent                 int
	}{
		{"", "failed", "bearer mast: only listens: no region", 0},
		{"transmit = true\n", "failed", "bearer mast: only listens: no region", 0},
		{"region = \"europe\"\ntransmit = false\n", "failed", "bearer mast: only listens: transmit is false", 0},
		{"region = \"europe\"\n", "sent", "", 1},
	} {
		cfg := orchard(t, mast+c.more+"[embedded]\nlisten = \"127.0.0.1:0\"\n")
		b := plug(t, cfg.Modem[0].Device)
		d, log, stop := start(t, cfg)
		awaitReady(t, d, 200, health{OK: true, Reason: c.reason, Parts: map[string]bool{"queue": true, "serving": true, "bearer mast": true, "sink mqtt": true}})
		b.trip(t, d, 1)
		text := awaitMetric(t, d, `longlane_receipts_total{bearer="mast",result="`+c.result+`"} 1`)
		b.mu.Lock()
		if b.sent != c.sent {
			t.Errorf("%q: the modem was told to send %d times, want %d", c.more, b.sent, c.sent)
		}
		b.mu.Unlock()
		if used := strings.Contains(text, `longlane_airtime_budget_seconds{bearer="mast"} 36`); used != (c.sent > 0) {
			t.Errorf("%q: a budget is shown: %v", c.more, used)
		}
		if said := strings.Contains(log.String(), "this modem will only listen: "); said != (c.sent == 0) {
			t.Errorf("%q: the log says that it only listens: %v", c.more, said)
		}
		if c.sent > 0 { // what was sent is there in the next run
			if err := stop(); err != nil {
				t.Fatal(err)
			}
			d, _, _ := start(t, cfg)
			if used := d.keepers["mast"].Used(); used < 50*time.Millisecond || used > time.Second {
				t.Errorf("after an orderly restart %v are used, want what was sent", used)
			}
		}
	}
}

// TestLostQueueLosesNoAirtime: with the queue's file the ledger is gone, and then the hour counts as used, although the first
// start after that makes a new file and fails. It still counts when the modem is given another device.
func TestLostQueueLosesNoAirtime(t *testing.T) {
	cfg := orchard(t, mast+"region = \"europe\"\n[embedded]\nlisten = \"127.0.0.1:0\"\n")
	d, _, stop := start(t, cfg)
	if used := d.keepers["mast"].Used(); used != 0 {
		t.Errorf("at the very first start %v are used, want none", used)
	}
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(cfg.State + "/" + gateway.QueueFile); err != nil {
		t.Fatal(err)
	}
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	cfg.Embedded.Listen = taken.Addr().String()
	if _, err := New(cfg, slog.New(slog.DiscardHandler), nil); err == nil {
		t.Fatal("it starts where its broker cannot listen")
	}
	cfg.Embedded.Listen = "127.0.0.1:0"
	d, log, stop := start(t, cfg)
	if used := d.keepers["mast"].Used(); used != 36*time.Second {
		t.Errorf("after the queue's file was lost %v are used, want all", used)
	}
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	cfg.Modem[0].Device += "-anew"
	d, _, _ = start(t, cfg)
	if used := d.keepers["mast"].Used(); used != 36*time.Second {
		t.Errorf("at another device %v are used, want all", used)
	}
	if !strings.Contains(log.String(), "nothing is known of what this modem has sent") {
		t.Errorf("the log does not say why receipts wait: %s", log)
	}
}

// TestLongestSent: what the config is judged by is the longest that the gateway sends.
func TestLongestSent(t *testing.T) {
	got := max(proto.TypeReceipt.Size(), proto.TypeCheckInReceipt.Size(), proto.TypeBeacon.Size(), proto.TypeHopAck.Size())
	if want := config.UnitGateway.Longest(); got != want {
		t.Errorf("the longest frame of a gateway has %d bytes, the config judges it by %d", got, want)
	}
}
