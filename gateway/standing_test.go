package gateway

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"longlane/gateway/health"
	"longlane/gateway/roster"
	"longlane/proto"
	"longlane/queue"
	"longlane/radio/lora"
)

// What is known of the health of the largest site, after weeks, is kept: it is more than one value of the queue may hold. A write that is
// cut short leaves the one before.
func TestHealthOfLargestSiteIsKept(t *testing.T) {
	w := newWorldWithoutQueue(t)
	q, err := queue.Open(w.path, queue.Options{Advance: AdvanceMark, Fault: w.onCommit})
	w.must(err)
	defer func() { w.must(q.Close()) }()
	at := health.Time{Mono: time.Hour, Wall: time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)}
	site := health.Site{Gateway: "house", Bearers: []health.Bearer{{Name: "lora", Radio: true, Settings: lora.Settings{SpreadingFactor: 9, Bandwidth: 125000, CodingRate: 5, Preamble: 8}}}}
	for i := range 239 {
		site.Nodes = append(site.Nodes, health.Node{Name: fmt.Sprintf("node-with-a-long-name-%d", i), ID: uint8(i + 1), CheckIn: 15 * time.Minute, LowBattery: 3.3})
	}
	watcher := health.New(site, at)
	rng := rand.New(rand.NewPCG(1, 1))
	for day := range 28 {
		for k := range 12 {
			at.Mono += 2 * time.Hour
			at.Wall = at.Wall.Add(2 * time.Hour)
			for _, n := range site.Nodes {
				watcher.Heard(at, health.Frame{Node: n.Name, Bearer: "lora", Sealed: at.Mono, Now: true,
					Hops: []health.Hop{{From: n.Name, To: "house", Proven: true, RSSI: -100, SNR: math.Round(40*rng.Float64()) / 4}}})
				watcher.CheckIn(at, health.CheckIn{Node: n.Name, Counter: uint32(12*day + k + 1), Body: &proto.CheckIn{Battery: proto.EncodeBattery(3.5 + rng.Float64()/5), Noise: proto.NoRSSI}})
			}
		}
	}
	began := time.Now()
	in := &ingest{g: &Gateway{}, health: &supervision{w: watcher, seen: map[string]time.Time{}}}
	text := in.healthText()
	t.Logf("%d bytes of text, made in %v", len(text), time.Since(began))
	if len(text) <= queue.MaxValue {
		t.Fatalf("%d bytes: one value would do", len(text))
	}
	before := q.Stats().BytesWrote
	set, err := putParts(OnQueue(q), healthName, text, 0)
	w.must(err)
	t.Logf("%d bytes written to the disk", q.Stats().BytesWrote-before)
	for n := range 4 { // the next write fails at each of its commits in turn
		left := n
		w.setFault(func(string) error {
			if left--; left < 0 {
				return errors.New("no room")
			}
			return nil
		})
		other := []byte(strings.Repeat(fmt.Sprint(rng.Uint64()), 20000))
		rng.Shuffle(len(other), func(i, j int) { other[i], other[j] = other[j], other[i] })
		_, err := putParts(OnQueue(q), healthName, other, set)
		w.setFault(nil)
		got, counts, errGet := getParts(OnQueue(q), healthName)
		if errGet != nil || err != nil && (!bytes.Equal(got, text) || counts != set) {
			t.Fatalf("after a write that ended with %v at commit %d: %d bytes, set %d, %v; want the %d from before", err, n, len(got), counts, errGet, len(text))
		}
		if err == nil {
			if !bytes.Equal(got, other) {
				t.Fatalf("what was written last is not read")
			}
			return
		}
	}
}

// While the disk takes nothing, the site's health is tried again each minute and not each second, and trips sound as ever; with room again
// it is written.
func TestHealthOnFullDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		w.pass(time.Second)
		w.setFault(func(string) error { return errors.New("no room") })
		tries := func() int {
			w.mu.Lock()
			defer w.mu.Unlock()
			return w.commits
		}
		idle := tries()
		w.pass(healthEvery)
		if tries() == idle {
			t.Fatal("nothing was tried within the hour")
		}
		before := tries()
		w.pass(50 * time.Second)
		if n := tries() - before; n > 0 {
			t.Errorf("%d tries within 50 s, want none", n)
		}
		w.hear(w.node("river-gate").open())
		w.pass(time.Second)
		if n := len(w.broker.all("/trip")); n == 0 {
			t.Error("a trip does not sound")
		}
		w.setFault(nil)
		stored := w.queue.Stats().Commits
		w.pass(2 * time.Minute)
		if w.queue.Stats().Commits == stored {
			t.Error("it is not written once there is room")
		}
	})
}

// A node that is shut out while something stands against it: the house is told that this has ended, and of which node.
func TestEndOfWhatStoodAgainstShutOutNode(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.hear(n.checkIn(func(b *proto.CheckIn) { b.Mains = true }), n.checkIn())
		w.pass(11 * time.Minute)
		w.hear(n.checkIn())
		w.pass(2 * time.Second)
		_, err := w.roster.Revoke("river-gate")
		w.must(err)
		w.must(w.roster.Save())
		w.pass(3 * time.Second)
		got := w.faults(string(health.MainsLost))
		if len(got) != 2 || got[1].typ != typeFaultEnded || got[1].data["node"] != "river-gate" {
			t.Errorf("told: %v, want that it began and has ended, both of river-gate", datas(got))
		}
	})
}

func datas(pubs []*pub) (list []string) {
	for _, p := range pubs {
		list = append(list, fmt.Sprint(p.typ, " ", p.data["node"], ": ", p.data["detail"]))
	}
	return list
}

// A low battery that the gateway has found first and the node tells of later ends once for the house: who heard of the beginning hears of
// the end.
func TestLowBatteryFoundThenTold(t *testing.T) {
	for _, first := range []string{"gateway", "node"} {
		t.Run(first, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := newWorld(t)
				w.opts = func(o *Options) { o.LowBattery = map[string]float64{"river-gate": 3.3} }
				w.start()
				n := w.node("river-gate")
				volts := func(v float64) func(*proto.CheckIn) {
					return func(b *proto.CheckIn) { b.Battery = proto.EncodeBattery(v) }
				}
				found := func() {
					for range 3 {
						w.hear(n.checkIn(volts(3.1)))
					}
					w.pass(2 * time.Second)
				}
				if first == "gateway" {
					found()
				}
				w.hear(n.fault(proto.FaultBattery, false))
				w.pass(2 * time.Second)
				if first == "node" {
					found()
				}
				if first == "gateway" {
					w.hear(n.checkIn(volts(3.9))) // it is good by the gateway's limit first, and then by the node's own word
				}
				w.hear(n.fault(proto.FaultBattery, true), n.checkIn(volts(3.9)))
				w.pass(25 * time.Hour)
				w.hear(n.checkIn(volts(3.9)))
				w.pass(2 * time.Second)
				if w.fault1(health.BatteryLow) != nil {
					t.Fatal("it still stands")
				}
				want := 0
				if first == "gateway" {
					want = 2
				}
				if got := w.faults(string(health.BatteryLow)); len(got) != want {
					t.Errorf("told by the gateway: %v, want %d", datas(got), want)
				}
			})
		})
	}
}

// After a restart a node's health tells at once what still stands against it.
func TestNodeHealthTellsStandingFaultsAfterRestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.hear(n.checkIn(), n.fault(proto.FaultTamper, false))
		w.pass(5 * time.Second)
		w.kill()
		w.start()
		w.pass(3 * time.Second)
		if h := w.broker.last("node/river-gate/health"); h["severity"] != "trouble" || len(h["faults"].([]any)) != 1 {
			t.Errorf("health: %v %v, want the open case", h["severity"], h["faults"])
		}
	})
}

// Faults that stand are kept in lines; those from before words stood beside keys are read as well, and end.
func TestStandingWithoutWords(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		w.pass(time.Second)
		w.stop()
		q, err := queue.Open(w.path, queue.Options{Advance: AdvanceMark})
		w.must(err)
		w.must(q.Put(standingName, []byte("bearer-down lora\nunheard\nqueue-full\n")))
		w.must(q.Close())
		w.start()
		w.pass(2 * time.Second)
		if f := w.fault1(health.ModemAbsent); f == nil {
			t.Error("bearer-down is not shown")
		}
		if f := w.fault1(health.Code(NoticeUnheard)); f == nil || !f.Since.Wall.IsZero() {
			t.Errorf("unheard is shown as %+v, want since an unknown time", f)
		}
		w.pass(2 * time.Minute)
		for _, code := range []string{NoticeBearerDown, NoticeQueueFull} {
			if got := w.notices(code); !slices.Equal(got, []string{"ended"}) {
				t.Errorf("%s: told %q, want that it has ended", code, got)
			}
		}
	})
}

// Two inputs of one node whose test trips have failed are two faults, each of its zone.
func TestFailedTestsAreOfTheirZones(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.opts = func(o *Options) { o.TestEvery = time.Hour }
		gate, err := w.roster.Named("river-gate")
		w.must(err)
		gate.Inputs = append(gate.Inputs, roster.Input{Number: 1, Zone: "river-bank"})
		w.must(w.roster.Save())
		w.start()
		w.pass(2*time.Hour + time.Minute)
		of := map[health.Subject]int{}
		for _, f := range w.g.Faults() {
			if f.Code == health.Code(NoticeTestFailed) {
				of[f.Subject]++
			}
		}
		for _, zone := range []string{"river-gate", "river-bank"} {
			if of[health.Subject{Kind: health.KindZone, Name: zone}] != 1 {
				t.Errorf("failed tests: %v, want one of %s", of, zone)
			}
		}
	})
}

// What a node has told ends for the house when the node is replaced, or starts anew and does not find it again: nobody else will tell.
func TestWhatNodeHasToldEndsWithoutItsWord(t *testing.T) {
	for name, end := range map[string]func(w *world, n *testNode){
		"replaced": func(w *world, _ *testNode) {
			_, err := w.roster.Swap("river-gate")
			w.must(err)
			w.must(w.roster.Save())
		},
		"started anew": func(w *world, n *testNode) {
			for range 3 {
				w.pass(time.Second)
				w.hear(n.checkIn(func(b *proto.CheckIn) { b.Restarts = 3 }))
			}
			w.kill()
			w.start()
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := newWorld(t).start()
				n := w.node("river-gate")
				w.hear(n.checkIn(), n.fault(proto.FaultTamper, false), n.fault(proto.FaultInput, false))
				w.pass(2 * time.Second)
				end(w, n)
				w.pass(11 * time.Minute)
				for _, kind := range []proto.FaultKind{proto.FaultTamper, proto.FaultInput} {
					if got := w.notices(kind.String()); !slices.Equal(got, []string{"began", "ended"}) {
						t.Errorf("%v: told %q, want that it began and has ended", kind, got)
					}
					all := w.faults(kind.String())
					for _, p := range all {
						if p.data["node"] != all[0].data["node"] || p.data["zone"] != all[0].data["zone"] {
							t.Errorf("%v: its end is of %v %v, want of %v %v", kind, p.data["node"], p.data["zone"], all[0].data["node"], all[0].data["zone"])
						}
					}
				}
			})
		})
	}
}
