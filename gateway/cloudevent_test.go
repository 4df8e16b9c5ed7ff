package gateway

import (
	"encoding/json"
	"math"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"longlane/proto"
	"longlane/radio"
)

func writeFile(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// Every hop in the order travelled, as the relays measured it.
func TestHops(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		f := w.relay(n.open(), "barn-relay", -88, 6.25, 240*time.Millisecond)
		f = w.relay(f, "mast-relay", -110, -7.5, 40*time.Millisecond)
		w.hear(f)
		w.pass(time.Second)
		d := w.broker.of(n.idOf(1))[0].data
		want := []any{ // at SF9 12.5 dB below the noise suffice
			map[string]any{"from": "river-gate", "to": "barn-relay", "rssi_dbm": -88.0, "snr_db": 6.25, "margin_db": 18.75, "held_s": 0.24, "verified": true},
			map[string]any{"from": "barn-relay", "to": "mast-relay", "rssi_dbm": -110.0, "snr_db": -7.5, "margin_db": 5.0, "held_s": 0.04, "verified": true},
			map[string]any{"from": "mast-relay", "to": "house", "rssi_dbm": -97.5, "snr_db": 4.25, "margin_db": 16.75, "held_s": 0.0, "verified": true},
		}
		if !reflect.DeepEqual(d["hops"], want) {
			t.Errorf("hops\n%v, want\n%v", d["hops"], want)
		}
		if d["time_uncertain"] != false {
			t.Errorf("time is uncertain with all hops verified")
		}
		if h := w.broker.last("node/river-gate/health"); !reflect.DeepEqual(h["hops"], want) {
			t.Errorf("the node's health has the hops\n%v, want\n%v", h["hops"], want)
		}
		if want := []string{"river-gate>barn-relay -88 6.25 18.75 true", "barn-relay>mast-relay -110 -7.5 5 true", "mast-relay>house -97.5 4.25 16.75 true"}; !slices.Equal(w.meter.hops, want) {
			t.Errorf("metrics are told %q, want %q", w.meter.hops, want)
		}
	})
}

// Without SNR the margin is by what RSSI is above the sensitivity: at SF9 and 125 kHz -129.5 dBm, with AN1200.22's noise figure of 6 dB.
func TestMarginByRSSI(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		f := w.relay(n.open(), "barn-relay", -100, math.NaN(), 0)
		w.link.in <- radio.Packet{Frame: f, At: time.Now(), Bearer: "lora", Measured: true, RSSI: -120, SNR: math.NaN()}
		w.pass(time.Second)
		for i, want := range []float64{29.53, 9.53} {
			h := w.broker.of(n.idOf(1))[0].data["hops"].([]any)[i].(map[string]any)
			if got := f64(h["margin_db"]); math.Abs(got-want) > 0.01 || h["snr_db"] != nil {
				t.Errorf("hop %d: %v, want a margin of %v dB", i, h, want)
			}
		}
		if len(w.meter.hops) != 2 || !strings.HasPrefix(w.meter.hops[0], "river-gate>barn-relay -100 NaN 29.5") {
			t.Errorf("metrics are told %q", w.meter.hops)
		}
	})
}

// A hop counts as verified if its record is; the last one, if the record before it is: else nobody knows who was heard. Metrics have
// the figures of a hop only if both its ends are proven, and one name for all relays that somebody has made up.
func TestHopsNotVerified(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		hops := func(frame []byte) (verified []bool, told []string) {
			t.Helper()
			before := len(w.meter.hops)
			w.hear(frame)
			w.pass(time.Second)
			for _, h := range w.broker.of(n.idOf(n.next - 1))[0].data["hops"].([]any) {
				verified = append(verified, h.(map[string]any)["verified"].(bool))
			}
			return verified, w.meter.hops[before:]
		}
		size := proto.TypeTripOpened.Size()
		first := w.relay(w.relay(n.open(), "barn-relay", -88, 6.25, 0), "mast-relay", -110, -7.5, 0)
		first[size+2]++ // the first record's RSSI: the second is chained over what it was
		second := func() []byte {
			f := w.relay(w.relay(n.open(), "barn-relay", -88, 6.25, 0), "mast-relay", -110, -7.5, 0)
			f[len(f)-1] ^= 1
			return f
		}
		madeUp := func() []byte {
			f := w.relay(n.open(), "barn-relay", -88, 6.25, 0)
			f[size] = 200
			return w.relay(f, "mast-relay", -110, -7.5, 0)
		}
		for _, c := range []struct {
			what  string
			frame []byte
			want  []bool
			told  []string
		}{
			{"first record changed", first, []bool{false, false, false},
				[]string{"river-gate>barn-relay -89 6.25 18.75 false", "barn-relay>mast-relay -110 -7.5 5 false", "mast-relay>house -97.5 4.25 16.75 false"}},
			{"second record changed", second(), []bool{true, false, false},
				[]string{"river-gate>barn-relay -88 6.25 18.75 true", "barn-relay>mast-relay -110 -7.5 5 false", "mast-relay>house -97.5 4.25 16.75 false"}},
			{"first record made up", madeUp(), []bool{false, true, true},
				[]string{"river-gate>- -88 6.25 18.75 false", "->mast-relay -110 -7.5 5 false", "mast-relay>house -97.5 4.25 16.75 true"}},
		} {
			n.next = map[string]uint32{"first record changed": 2, "second record changed": 3, "first record made up": 4}[c.what]
			verified, told := hops(c.frame)
			if !slices.Equal(verified, c.want) || !slices.Equal(told, c.told) {
				t.Errorf("%s: verified %v, metrics are told %q; want %v, %q", c.what, verified, told, c.want, c.told)
			}
		}
	})
}

// What is not measured is null, whatever a bearer hands in.
func TestNotMeasured(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.wifi.hear(w.relay(n.open(), "barn-relay", math.NaN(), math.NaN(), 0))
		w.link.in <- radio.Packet{Frame: n.open(), At: time.Now(), Bearer: "lora", Measured: true, RSSI: math.Inf(-1), SNR: math.NaN()}
		w.pass(time.Second)
		for c := uint32(1); c <= 2; c++ {
			p := w.broker.of(n.idOf(c))
			if len(p) != 1 {
				t.Fatalf("event %d was published %d times, want 1", c, len(p))
			}
			for _, h := range p[0].data["hops"].([]any) {
				h := h.(map[string]any)
				if h["rssi_dbm"] != nil || h["snr_db"] != nil || h["margin_db"] != nil {
					t.Errorf("hop %v, want null for what is not measured", h)
				}
			}
		}
	})
}

func TestTripFields(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.hear(n.open(), n.close(1, 1500*time.Millisecond))
		w.hear(n.seal(n.header(proto.TypeTripOpened, 3, 5), &proto.TripOpened{Input: proto.Input{Number: 4, Test: true}, Sent: n.now(),
			Battery: proto.NoBattery, Temperature: proto.NoTemperature}))
		n.next = 4
		w.hear(n.seal(n.header(proto.TypeTripHeld, 4, 700), &proto.TripHeld{Closed: true, Sent: n.now(), Dwell: proto.Dur16Max, Opened: 200, Battery: proto.NoBattery}))
		w.pass(time.Second)
		want := map[uint32]map[string]any{
			1: {"zone": "river-gate", "zone_title": "River gate", "phase": "opened", "attempt": 0.0, "input": 0.0, "test": false, "wire_supervised": true,
				"battery_v": 3.59, "temperature_c": 12.0, "opened_id": nil, "dwell_s": nil, "gateway": "house", "bearer": "lora", "node": "river-gate",
				"node_id": 1.0, "generation": 1.0, "counter": 1.0, "clock": "set", "delayed": false, "proof": "fresh"},
			2: {"phase": "closed", "dwell_s": 1.5, "opened_id": "1.1.1", "battery_v": nil},
			3: {"zone": "river-gate-input-4", "test": true, "attempt": 5.0, "battery_v": nil, "temperature_c": nil, "wire_supervised": false},
			4: {"phase": "closed", "dwell_s": nil, "opened_id": nil, "attempt": 700.0}, // a distance beyond the first counter is none
		}
		for c, fields := range want {
			p := w.broker.of(n.idOf(c))
			if len(p) != 1 {
				t.Fatalf("event %d was published %d times, want 1", c, len(p))
			}
			for k, v := range fields {
				if got := p[0].data[k]; got != v {
					t.Errorf("event %d: %s = %v, want %v", c, k, got, v)
				}
			}
			typ, topic := typeOpened, "/trip"
			switch {
			case fields["test"] == true:
				typ, topic = typeTestOpened, "/test"
			case fields["phase"] == "closed":
				typ = typeClosed
			}
			if p[0].typ != typ || p[0].topic != "longlane/hill-orchard/zone/"+p[0].data["zone"].(string)+topic || p[0].doc["subject"] != p[0].data["zone"] {
				t.Errorf("event %d: type %s, topic %s, subject %v", c, p[0].typ, p[0].topic, p[0].doc["subject"])
			}
			if !near(timeOf(t, p[0]), w.clock.Wall().Add(-time.Second), 500*time.Millisecond) {
				t.Errorf("event %d: time %v, now %v", c, p[0].doc["time"], w.clock.Wall())
			}
		}
	})
}

// The same event says the same on every delivery, but for its age and what follows from it.
func TestRedeliverySaysTheSame(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(time.Minute)
		f := w.relay(n.opened(1, 0, 700*time.Millisecond), "barn-relay", -88.0, 6.25, 240*time.Millisecond)
		n.next = 2
		w.pass(40 * time.Second)
		w.hear(f, n.fault(proto.FaultBattery, false))
		w.pass(100 * time.Millisecond)
		w.kill()
		w.start()
		w.pass(time.Second)
		for c := uint32(1); c <= 2; c++ {
			p := w.broker.of(n.idOf(c))
			if len(p) != 2 {
				t.Fatalf("event %d was published %d times, want 2", c, len(p))
			}
			for _, p := range p {
				delete(p.data, "age_s")
				delete(p.data, "delayed")
				p.data["monotonic_s"] = math.Round(f64(p.data["monotonic_s"])*100) / 100
				p.doc["time"] = timeOf(t, p).Round(time.Millisecond)
			}
			if a, b := text(p[0].doc), text(p[1].doc); a != b {
				t.Errorf("event %d first\n%s\nthen\n%s", c, a, b)
			}
		}
	})
}

func text(v any) string { b, _ := json.Marshal(v); return string(b) }

// A fault of an input tells which zone it is about.
func TestFaultOfAnInputNamesItsZone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.hear(n.fault(proto.FaultBlocked, false), n.fault(proto.FaultInput, false), n.fault(proto.FaultChatter, false), n.fault(proto.FaultTamper, false))
		w.pass(time.Second)
		for i, p := range w.broker.all("/fault") {
			want := any("river-gate")
			if i == 3 {
				want = nil // of the node as a whole
			}
			if p.data["zone"] != want {
				t.Errorf("fault %v tells of zone %v, want %v", p.data["code"], p.data["zone"], want)
			}
		}
	})
}
