package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"longlane/radio/ether"
)

// tail reads the simulator's records as they are written.
type tail struct {
	t    *testing.T
	f    *os.File
	text []byte
}

func (h *house) tail() *tail {
	h.t.Helper()
	f, err := os.Open(h.path("sim.jsonl"))
	if err != nil {
		h.t.Fatal(err)
	}
	h.t.Cleanup(func() { f.Close() })
	return &tail{t: h.t, f: f}
}

// next gives the next record that is wanted, or false if none comes within the limit.
func (l *tail) next(limit time.Duration, wanted func(ether.Record) bool) bool {
	l.t.Helper()
	look := time.NewTicker(time.Millisecond)
	defer look.Stop()
	end := time.NewTimer(limit)
	defer end.Stop()
	for {
		if r, ok := l.record(); ok && wanted(r) {
			return true
		} else if ok {
			continue
		}
		select {
		case <-look.C:
		case <-end.C:
			return false
		}
	}
}

// record gives the next record, if there is a whole one.
func (l *tail) record() (r ether.Record, ok bool) {
	line, rest, whole := bytes.Cut(l.text, []byte("\n"))
	if !whole {
		more := make([]byte, 64<<10)
		n, _ := l.f.Read(more) // at the end of the file: 0 bytes
		l.text = append(l.text, more[:n]...)
		if line, rest, whole = bytes.Cut(l.text, []byte("\n")); !whole {
			return r, false
		}
	}
	if err := json.Unmarshal(line, &r); err != nil {
		l.t.Fatalf("the simulator wrote %q: %v", line, err)
	}
	l.text = rest
	return r, true
}

// toEnd throws away what has been written so far.
func (l *tail) toEnd() {
	for ok := true; ok; {
		_, ok = l.record()
	}
}

func isTrip(r ether.Record) bool {
	return r.What == ether.RecordHeard && (r.Kind == "trip opened" || r.Kind == "trip closed")
}

// TestKillsInTheWindow kills the gateway in the milliseconds that matter: after a trip has reached its modem, while it is
// published, stored and receipted. A receipt sent before the disk has the trip, or a place in the queue moved before the
// broker has it, loses trips here within a few kills.
func TestKillsInTheWindow(t *testing.T) {
	const kills = 40
	h := newHouse(t, "river-gate", "ridge-gate", "cattle-grid", "mill-lane", "north-gate", "barn-door")
	seed := rand.Uint64() >> 1
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	scenario := fmt.Sprintf("name = \"kills in the window\"\nseed = %d\n", seed)
	for _, n := range []string{"river-gate", "ridge-gate", "cattle-grid", "mill-lane", "north-gate", "barn-door"} {
		scenario += tomlNode(n, "", 1800)
	}
	h.write("scenario.toml", scenario)
	h.openHouse()
	sim := h.startSim()
	eventually(t, time.Minute, "the simulator's first record", func() bool { return len(h.records()) > 0 })
	log := h.tail()
	aimed := 0
	for i := range kills {
		gw := h.startGateway()
		log.toEnd()
		// A receipt shows that this life of the gateway works; the trip after it is the one to be interrupted.
		if log.next(20*time.Second, func(r ether.Record) bool { return r.What == ether.RecordAnswer }) && log.next(5*time.Second, isTrip) {
			aimed++
		}
		after := time.NewTimer(time.Duration(random.IntN(20000)) * time.Microsecond)
		select {
		case <-after.C:
		case <-gw.done:
			t.Fatalf("the gateway ended by itself after %d kills", i)
		}
		gw.kill()
	}
	if aimed < kills*3/4 {
		t.Errorf("only %d of %d kills followed a trip", aimed, kills)
	}
	h.startGateway()
	before := len(idsOf(h.records(), "released"))
	eventually(t, 2*time.Minute, "receipts after the last start", func() bool { return len(idsOf(h.records(), "released")) > before+20 })
	if code := sim.stop(); code != exitDone {
		t.Errorf("the simulator ended with %d", code)
	}
	h.checkDelivered(time.Minute)
	repeats := h.checkRepeatsAgree()
	t.Logf("%d kills, %d events made, %d with a receipt, %d delivered, %d repeats", kills, len(idsOf(h.records(), "made")),
		len(idsOf(h.records(), "released")), len(h.sub.ids()), repeats)
}

// checkRepeatsAgree holds that what comes twice under one id is the same event, and counts it.
func (h *house) checkRepeatsAgree() (repeats int) {
	h.t.Helper()
	first := map[string]string{}
	for _, d := range h.sub.all() {
		e := d.event
		dwell := "none"
		if e.Data.Dwell != nil {
			dwell = fmt.Sprint(*e.Data.Dwell)
		}
		what := fmt.Sprint(e.Source, e.Type, e.Subject, e.Data.Zone, e.Data.Node, e.Data.Phase, e.Data.Counter, dwell, e.Data.Code)
		was, again := first[e.ID]
		if again {
			repeats++
		}
		if again && was != what {
			h.t.Errorf("two different events came as %s:\n%s\n%s", e.ID, was, what)
		}
		first[e.ID] = what
	}
	return repeats
}
