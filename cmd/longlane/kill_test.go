package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"net"
	"os"
	"sync/atomic"
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

func isReceipt(r ether.Record) bool { return r.What == ether.RecordAnswer && r.Kind == "receipt" }

// dam stands between gate and broker. While it holds, only so many bytes of each connection reach the broker; what comes
// after them is taken and thrown away, as by a network that has died without a word.
type dam struct {
	addr string
	pass atomic.Int64 // bytes of the next connection that reach the broker
}

const everything = math.MaxInt64

func newDam(t *testing.T, broker string) *dam {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	d := &dam{addr: l.Addr().String()}
	d.pass.Store(everything)
	go func() { // ends with the listener
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go d.serve(c, broker)
		}
	}()
	return d
}

func (d *dam) serve(c net.Conn, broker string) {
	defer c.Close()
	b, err := net.Dial("tcp", broker)
	if err != nil {
		return
	}
	defer b.Close()
	go io.Copy(c, b) // ends when b is closed
	io.CopyN(b, c, d.pass.Load())
	io.Copy(io.Discard, c)
}

// TestKillsInTheWindow kills the gateway in the milliseconds that matter: after a trip has reached its modem, while it is
// published, stored and receipted; and as a receipt goes on the air, which must not be before the disk has the trip. In
// some of its lives what it publishes is swallowed on the way to the broker, so that only the next one can deliver it.
func TestKillsInTheWindow(t *testing.T) {
	t.Parallel()
	const kills = 60
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
	d := newDam(t, h.mos.addr)
	h.gate.lead(d.addr)
	sim := h.startSim()
	eventually(t, time.Minute, "the simulator's first record", func() bool { return len(h.records()) > 0 })
	log := h.tail()
	aimed, swallowed := 0, 0
	for i := range kills {
		d.pass.Store(everything)
		if random.IntN(2) == 0 {
			d.pass.Store(200 + random.Int64N(1500)) // as far as into the first messages
			swallowed++
		}
		gw := h.startGateway()
		log.toEnd()
		// A receipt shows that this life of the gateway works; what comes after it is to be interrupted.
		lives := log.next(20*time.Second, func(r ether.Record) bool { return r.What == ether.RecordAnswer })
		wanted, within := isTrip, 20000
		if random.IntN(3) > 0 {
			wanted, within = isReceipt, 300 // a disk is done within few milliseconds
		}
		if lives && log.next(5*time.Second, wanted) {
			aimed++
		}
		after := time.NewTimer(time.Duration(random.IntN(within)) * time.Microsecond)
		select {
		case <-after.C:
		case <-gw.done:
			t.Fatalf("the gateway ended by itself after %d kills", i)
		}
		gw.kill()
	}
	if aimed < kills*3/4 {
		t.Errorf("only %d of %d kills followed what they should", aimed, kills)
	}
	d.pass.Store(everything)
	h.startGateway()
	before := len(idsOf(h.records(), "released"))
	eventually(t, 2*time.Minute, "receipts after the last start", func() bool { return len(idsOf(h.records(), "released")) > before+20 })
	if code := sim.stop(); code != exitDone {
		t.Errorf("the simulator ended with %d", code)
	}
	h.checkDelivered(time.Minute)
	repeats := h.checkRepeatsAgree()
	t.Logf("%d kills (%d of them with what was published swallowed), %d events made, %d with a receipt, %d delivered, %d repeats",
		kills, swallowed, len(idsOf(h.records(), "made")), len(idsOf(h.records(), "released")), len(h.sub.ids()), repeats)
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
