package gateway

import (
	"bytes"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"longlane/gateway/roster"
	"longlane/proto"
)

func (w *world) wantZone(zone, state string) {
	w.t.Helper()
	w.pass(100 * time.Millisecond)
	if got := w.broker.last("zone/" + zone + "/state")["state"]; got != state {
		w.t.Errorf("zone %s is %v, want %s", zone, got, state)
	}
}

func (w *world) wantHealth(node, verdict string) {
	w.t.Helper()
	w.pass(100 * time.Millisecond)
	if got := w.broker.last("node/" + node + "/health")["verdict"]; got != verdict {
		w.t.Errorf("node %s counts as %v, want %s", node, got, verdict)
	}
}

func TestZoneStates(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := supervised(t)
		n := w.node("river-gate")
		for _, z := range nodeNames[:3] {
			w.wantZone(z, "unwatched")
		}
		w.wantHealth("river-gate", "not heard yet")
		w.hear(n.checkIn())
		w.wantZone("river-gate", "clear")
		w.wantZone("ridge-gate", "unwatched")
		w.wantHealth("river-gate", "heard")
		w.hear(n.open())
		w.wantZone("river-gate", "tripped")
		w.hear(n.close(1, time.Second))
		w.wantZone("river-gate", "clear")
		f := n.seal(n.header(proto.TypeFault, n.next, 0), &proto.Fault{Kind: proto.FaultBlocked, Sent: n.now()})
		n.next++
		w.hear(f)
		w.wantZone("river-gate", "blocked")
		f = n.seal(n.header(proto.TypeFault, n.next, 0), &proto.Fault{Kind: proto.FaultBlocked, Ended: true, Sent: n.now()})
		n.next++
		w.hear(f)
		w.wantZone("river-gate", "clear")
		w.hear(n.fault(proto.FaultTamper, false)) // says nothing of the zone
		w.wantZone("river-gate", "clear")
		w.pass(2*checkInIn + 12*time.Second)
		w.wantZone("river-gate", "unwatched")
		w.wantHealth("river-gate", "overdue")
		w.hear(n.checkIn(func(b *proto.CheckIn) { b.Active = 1 }))
		w.wantZone("river-gate", "tripped")
		w.wantHealth("river-gate", "heard")
		for _, p := range w.broker.all("/state", "/health") {
			if !p.retain || p.qos != 1 {
				t.Fatalf("%s was published with QoS %d, retain %v; want 1, true", p.topic, p.qos, p.retain)
			}
		}
		h := w.broker.last("node/river-gate/health")
		if f64(h["battery_v"]) < 3.5 || f64(h["battery_v"]) > 3.7 || h["temperature_c"] != 11.0 || h["restarts"] != 2.0 || h["bearer"] != "lora" {
			t.Errorf("health %v", h)
		}
		if hops := h["hops"].([]any); len(hops) != 1 || hops[0].(map[string]any)["rssi_dbm"] != -97.5 {
			t.Errorf("health's hops %v", hops)
		}
		w.stop() // nothing is assumed across a restart
		w.start()
		w.wantZone("river-gate", "unwatched")
		w.wantHealth("river-gate", "not heard yet")
	})
}

// The state advances with newer counters alone: an older opening that comes after the closing changes nothing, nor does
// a repeat.
func TestStateOnlyFromNewer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		old, opened := n.open(), n.open()
		w.hear(opened)
		w.wantZone("river-gate", "tripped")
		closed := n.close(1, time.Second)
		w.hear(closed)
		w.wantZone("river-gate", "clear")
		states := len(w.broker.all("river-gate/state"))
		w.hear(old, opened)
		w.pass(2 * time.Second)
		w.hear(n.opened(2, 1, 2*time.Second), n.held(1, 300, time.Hour))
		w.wantZone("river-gate", "clear")
		if got := len(w.broker.all("river-gate/state")); got != states {
			t.Errorf("the state was published %d times more", got-states)
		}
		w.hear(n.open())
		w.wantZone("river-gate", "tripped")
	})
}

// A node that was re-keyed begins to count anew.
func TestStateAfterRekeying(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		n.next = 500
		kept := n.opened(498, 0, 0)
		w.hear(n.open(), n.close(1, 0))
		_, err := w.roster.Rekey("river-gate", w.clock.Wall())
		w.must(err)
		w.must(w.roster.Save())
		w.pass(2 * time.Second)
		now := w.node("river-gate")
		_ = kept
		w.hear(now.open())
		w.wantZone("river-gate", "tripped")
		delete(w.made, ID{n.id, 1, 498})
	})
}

// A check-in that was held up says nothing of now.
func TestLateCheckIn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(time.Minute)
		f := n.checkIn()
		w.pass(time.Minute)
		w.hear(f)
		w.wantZone("river-gate", "unwatched")
		w.wantHealth("river-gate", "not heard yet")
		f = n.fault(proto.FaultTamper, false)
		w.pass(time.Minute)
		w.hear(f)
		w.wantHealth("river-gate", "not heard yet") // it may be gone since
	})
}

// A receiver that lost what it kept gets all of it again with the next session.
func TestStatesGoAnewWithEachSession(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		w.hear(w.node("river-gate").open())
		w.pass(time.Second)
		before := len(w.broker.all("/state", "/health"))
		w.broker.cut()
		w.pass(5 * time.Second)
		topics := map[string]string{}
		for _, p := range w.broker.all("/state", "/health")[before:] {
			topics[p.topic] = string(p.payload)
		}
		if len(topics) != len(nodeNames)+3 {
			t.Errorf("%d states came with the new session, want those of %d nodes and 3 zones", len(topics), len(nodeNames))
		}
	})
}

// Enrolment needs no restart: zones and nodes come and go, and a spare has the health of its own.
func TestRosterChanges(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		w.hear(w.node("river-gate").open())
		change := func(f func() error) {
			t.Helper()
			w.must(f())
			w.must(w.roster.Save())
			w.pass(2 * time.Second)
		}
		change(func() error {
			_, err := w.roster.Add(roster.Node{Name: "orchard-shed", Inputs: []roster.Input{{Number: 2, Zone: "shed-door"}}})
			return err
		})
		w.wantZone("shed-door", "unwatched")
		w.wantHealth("orchard-shed", "not heard yet")
		shed := w.node("orchard-shed")
		w.hear(shed.seal(shed.header(proto.TypeTripOpened, 1, 0), &proto.TripOpened{Input: proto.Input{Number: 2}, Sent: shed.now()}))
		shed.next = 2
		w.wantZone("shed-door", "tripped")

		change(func() error { // the wire goes to another input
			n, err := w.roster.Named("orchard-shed")
			n.Inputs[0].Number = 1
			return err
		})
		w.wantZone("shed-door", "unwatched")
		w.hear(shed.seal(shed.header(proto.TypeTripOpened, 2, 0), &proto.TripOpened{Input: proto.Input{Number: 1}, Sent: shed.now()}))
		w.wantZone("shed-door", "tripped")

		change(func() error { _, err := w.roster.Swap("river-gate"); return err })
		w.wantZone("river-gate", "unwatched")
		w.wantHealth("river-gate", "not heard yet")
		if id := w.broker.last("node/river-gate/health")["node_id"]; id != float64(w.node("river-gate").id) {
			t.Errorf("health is of node %v, want the spare, %d", id, w.node("river-gate").id)
		}
		w.hear(w.node("river-gate").open())
		w.wantZone("river-gate", "tripped")

		change(func() error { _, err := w.roster.Revoke("cattle-grid"); return err })
		for _, topic := range []string{"zone/cattle-grid/state", "node/cattle-grid/health"} {
			all := w.broker.all(topic)
			if p := all[len(all)-1]; len(p.payload) != 0 || !p.retain {
				t.Errorf("%s still says %s", topic, p.payload)
			}
		}
		w.broker.cut()
		w.pass(5 * time.Second)
		for _, topic := range []string{"zone/cattle-grid/state", "node/cattle-grid/health"} {
			all := w.broker.all(topic)
			if p := all[len(all)-1]; len(p.payload) != 0 {
				t.Errorf("after a new session %s says %s", topic, p.payload)
			}
		}
		w.wantZone("river-gate", "tripped")
	})
}

// A roster that cannot be read changes nothing.
func TestDamagedRosterKeepsTheOld(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		var log bytes.Buffer
		w.log = &log
		w.start()
		n := w.node("river-gate")
		writeFile(t, w.dir+"/roster.json", "{")
		w.pass(30 * time.Second)
		if got := strings.Count(log.String(), "the roster cannot be read"); got != 1 {
			t.Errorf("in half a minute the log complains %d times, want once", got)
		}
		w.hear(n.open())
		w.wantZone("river-gate", "tripped")
		w.must(w.roster.Save())
	})
}

// A zone that nobody watches stays so until its node is proven to be there: what was held back, or may have been, sounds
// or is recorded, and moves nothing.
func TestUnwatchedUntilProven(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := supervised(t)
		n := w.node("river-gate")
		w.hear(n.open())
		w.wantZone("river-gate", "tripped")
		caught := n.close(1, time.Second)
		w.pass(2*checkInIn + 12*time.Second)
		w.wantZone("river-gate", "unwatched")
		w.hear(caught)
		w.wantZone("river-gate", "unwatched")
		n.timed = false
		w.hear(n.open(), n.close(1, time.Second), n.fault(proto.FaultBlocked, false), n.checkIn())
		w.wantZone("river-gate", "unwatched")
		w.wantHealth("river-gate", "overdue")
		if why, _ := w.broker.last("node/river-gate/health")["reason"].(string); !strings.Contains(why, "nothing proves") {
			t.Errorf("the reason is %q, want that frames come and prove nothing", why)
		}
		n.timed = true
		w.hear(n.checkIn())
		w.wantZone("river-gate", "clear")
		w.wantHealth("river-gate", "heard")
	})
}

// Check-ins that a thief of the node recorded keep neither node nor zone alive.
func TestUnprovenCheckInsKeepNobodyAlive(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := supervised(t)
		n := w.node("river-gate")
		w.hear(n.checkIn())
		w.wantZone("river-gate", "clear")
		n.timed = false
		for range 10 {
			w.pass(checkInIn / 2)
			w.hear(n.checkIn())
		}
		w.wantZone("river-gate", "unwatched")
		w.wantHealth("river-gate", "overdue")
		got := n.receipts()
		if last := got[len(got)-1]; !last.Confirm || got[0].Confirm {
			t.Errorf("the receipts ask for another check-in: the first %v, the last %v; want false, true", got[0].Confirm, last.Confirm)
		}
	})
}

// A check-in is the last word on its inputs: a closing that was lost leaves no zone tripped, and an opening that has
// not come yet shows. But an event that it did not know of stands.
func TestCheckInSettles(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.hear(n.open())
		w.wantZone("river-gate", "tripped")
		closing := n.close(1, time.Second)
		w.hear(n.checkIn())
		w.wantZone("river-gate", "clear")
		opening := n.open()
		w.hear(n.checkIn(func(b *proto.CheckIn) { b.Active = 1; b.Oldest = 2 }))
		w.wantZone("river-gate", "tripped")
		w.hear(closing) // the node held it until now
		w.wantZone("river-gate", "tripped")
		w.hear(opening, n.close(1, time.Second))
		w.wantZone("river-gate", "clear")
		before := n.checkIn()
		w.hear(n.open(), before)
		w.wantZone("river-gate", "tripped")
		w.hear(n.fault(proto.FaultBlocked, false), n.checkIn(func(b *proto.CheckIn) { b.Active = 1 }))
		w.wantZone("river-gate", "blocked")
		w.hear(n.checkIn())
		w.wantZone("river-gate", "clear")
		n.next = 0 // a node that has made no event yet
		w.hear(n.checkIn())
		n.next = 20
		w.hear(n.open())
		w.wantZone("river-gate", "tripped")
	})
}

// A check-in tells the position of four inputs. Of the others it shows that their node is there.
func TestInputsBeyondTheCheckIn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		n, err := w.roster.Named("river-gate")
		w.must(err)
		n.Inputs = append(n.Inputs, roster.Input{Number: 9, Zone: "cellar"})
		w.must(w.roster.Save())
		w.start()
		w.pass(2 * time.Second)
		w.wantZone("cellar", "unwatched")
		node := w.node("river-gate")
		w.hear(node.checkIn())
		w.wantZone("cellar", "clear")
		w.hear(node.seal(node.header(proto.TypeTripOpened, 1, 0), &proto.TripOpened{Input: proto.Input{Number: 9}, Sent: node.now()}))
		node.next = 2
		w.hear(node.checkIn())
		w.wantZone("cellar", "tripped")
	})
}

// A node that is silent raises a fault, whether it was ever heard or not, and its return ends it.
func TestOverdueIsAFault(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := supervised(t)
		n := w.node("river-gate")
		w.hear(n.checkIn())
		w.pass(2*checkInIn + 8*time.Second)
		if got := w.broker.all("/fault"); len(got) != 0 {
			t.Fatalf("faults %v before two check-ins were missed", got[0].data)
		}
		w.pass(5 * time.Second)
		faults := map[any]string{}
		for _, p := range w.broker.all("/fault") {
			if p.data["code"] == NoticeOverdue {
				faults[p.data["node"]] += p.typ + " "
			}
		}
		for _, name := range nodeNames {
			if faults[name] != typeFaultBegan+" " {
				t.Errorf("%s: faults %q, want that one began", name, faults[name])
			}
			w.wantHealth(name, "overdue")
		}
		w.hear(n.checkIn())
		w.pass(time.Second)
		all := w.broker.all("/fault")
		if last := all[len(all)-1]; last.typ != typeFaultEnded || last.data["node"] != "river-gate" {
			t.Errorf("the last fault is %s of %v, want the end of river-gate's", last.typ, last.data["node"])
		}
		w.pass(10 * time.Minute)
		if got := w.broker.all("/fault"); len(got) != len(all)+1 {
			t.Errorf("in ten minutes %d faults more, want river-gate's alone", len(got)-len(all))
		}
	})
}

// While the gateway itself is deaf, that is the fault, and no node is blamed; zones are unwatched all the same. When it
// hears again nodes have as long as ever.
func TestDeafGatewayBlamesNoNode(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := supervised(t)
		nodes := []*testNode{}
		for _, name := range nodeNames {
			nodes = append(nodes, w.node(name))
			w.hear(nodes[len(nodes)-1].checkIn())
		}
		w.link.unplug(true)
		w.pass(time.Minute)
		faults := w.broker.all("/fault")
		if len(faults) != 1 || faults[0].data["code"] != NoticeBearerDown || faults[0].data["about"] != "lora" || !strings.Contains(faults[0].data["detail"].(string), "lora") {
			t.Fatalf("faults %v, want one that lora is down", faults)
		}
		w.wifi.unplug(true)
		w.pass(10 * time.Minute)
		w.wantZone("river-gate", "unwatched")
		w.wantHealth("river-gate", "overdue")
		if why, _ := w.broker.last("node/river-gate/health")["reason"].(string); !strings.Contains(why, "no bearer") {
			t.Errorf("the reason is %q, want that no bearer works", why)
		}
		if got := w.broker.all("/fault"); len(got) != 2 {
			t.Errorf("%d faults, want those of two bearers", len(got))
		}
		w.link.unplug(false)
		w.wifi.unplug(false)
		w.pass(2 * time.Minute)
		silence := func() []*pub { return w.faults(NoticeBearerDown, NoticeOverdue) } // that all are silent at once is told as well
		if got := silence(); len(got) != 4 || got[3].typ != typeFaultEnded {
			t.Errorf("%d faults, want two that began and ended", len(got))
		}
		for _, n := range nodes[1:] {
			w.hear(n.checkIn())
		}
		w.wantZone("ridge-gate", "clear")
		w.pass(time.Minute)
		if got := silence(); len(got) != 5 || got[4].data["node"] != "river-gate" || got[4].data["code"] != NoticeOverdue {
			t.Errorf("%d faults, want one more, river-gate's", len(got))
		}
	})
}

// While the clock is unset a state tells no wall time, and since when by the gateway's own clock; once it is set, the
// wall time as well.
func TestStateWithoutClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.clock = newTestClock(time.Unix(50, 0), 50*time.Second, 1, false)
		w.start()
		w.pass(2 * time.Second)
		at := w.clock.Mono()
		w.hear(w.node("river-gate").checkIn())
		w.wantZone("river-gate", "clear")
		for _, topic := range []string{"zone/river-gate/state", "gateway/house", "/tick"} {
			doc := w.broker.last(topic)
			for key, v := range doc {
				if v == "" {
					t.Errorf("%s: %s is empty, should be left out", topic, key)
				}
			}
			if doc["boot"] == nil {
				t.Errorf("%s names no boot: %v", topic, doc)
			}
		}
		since := w.broker.last("zone/river-gate/state")["since_monotonic_s"]
		if since == nil || f64(since)-at.Seconds() > 0.2 || f64(since) < at.Seconds()-0.2 {
			t.Errorf("clear since %v on the monotonic clock, want %v", since, at.Seconds())
		}
		w.pass(time.Minute)
		w.clock.put(realTime, true)
		w.pass(2 * time.Second)
		got, err := time.Parse(time.RFC3339Nano, w.broker.last("zone/river-gate/state")["since"].(string))
		if want := realTime.Add(-time.Minute); err != nil || !near(got, want, time.Second) {
			t.Errorf("clear since %v (%v), want %v", got, err, want)
		}
	})
}

// A relay that keeps check-ins back, and truly says for how long, makes nobody live longer: what it lets go tells of
// when it was sent.
func TestHeldCheckInsKeepNobodyAlive(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := supervised(t)
		n := w.node("river-gate")
		var caught [][]byte
		for range 10 {
			caught = append(caught, n.checkIn())
			w.pass(checkInIn)
		}
		for _, f := range caught { // the node is dead since; each frame was held for 10 minutes
			w.hear(w.relay(f, "barn-relay", -80, 5, 10*time.Minute))
			w.pass(checkInIn)
		}
		w.wantHealth("river-gate", "overdue")
		w.wantZone("river-gate", "unwatched")
	})
}

// A frame that a relay had to keep for a while still shows that the node was there then.
func TestHeldForAMoment(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := supervised(t)
		n := w.node("river-gate")
		f := n.checkIn()
		w.pass(40 * time.Second)
		w.hear(w.relay(f, "barn-relay", -80, 5, 40*time.Second))
		w.wantHealth("river-gate", "heard")
		w.wantZone("river-gate", "clear")
		w.pass(92 * time.Second) // 132 s after it was sealed
		w.wantHealth("river-gate", "overdue")
	})
}

// A node is not blamed while the bearer that it comes by does not work, though another does. What is said of its zones
// is what is known now.
func TestDeafOnOneBearer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := supervised(t)
		river := w.node("river-gate")
		w.hear(river.checkIn())
		for _, name := range nodeNames[1:] {
			w.wifi.hear(w.node(name).checkIn())
		}
		w.link.unplug(true)
		w.pass(checkInIn)
		for _, name := range nodeNames[1:] {
			n := w.node(name)
			n.checks = 2
			w.wifi.hear(n.checkIn())
		}
		w.pass(2 * checkInIn)
		w.wantZone("river-gate", "unwatched")
		w.wantHealth("river-gate", "overdue")
		w.wantHealth("ridge-gate", "heard")
		if got := w.faults(NoticeBearerDown, NoticeOverdue); len(got) != 1 || got[0].data["code"] != NoticeBearerDown {
			t.Errorf("%d faults, want one: lora is down, and no node is to blame", len(got))
		}
		why := func(of string) string { s, _ := w.broker.last(of)["why"].(string); return s }
		if got := why("zone/river-gate/state"); !strings.Contains(got, "lora does not work") || strings.Contains(got, "battery") {
			t.Errorf("the zone is unwatched, why: %q; want that lora does not work", got)
		}
		w.link.unplug(false)
		w.pass(2*checkInIn + 15*time.Second)
		if got := why("zone/river-gate/state"); !strings.Contains(got, "battery") || strings.Contains(got, "lora") {
			t.Errorf("later the zone is unwatched, why: %q; want that check-ins were missed", got)
		}
	})
}

// A node that falls silent while the gateway cannot hear it, and has only just been mended, is not told to be out of
// battery.
func TestJustMendedBlamesNobody(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := supervised(t)
		w.hear(w.node("river-gate").checkIn())
		w.link.unplug(true)
		w.wifi.unplug(true)
		w.pass(2 * checkInIn)
		w.link.unplug(false)
		w.wifi.unplug(false)
		w.pass(12 * time.Second)
		w.wantZone("river-gate", "unwatched")
		if why, _ := w.broker.last("zone/river-gate/state")["why"].(string); strings.Contains(why, "battery") {
			t.Errorf("the zone is unwatched, why: %q; want no blame for the node", why)
		}
	})
}

// A node that is shut out while it is overdue is nobody's fault any more.
func TestFaultOfARemovedNodeEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := supervised(t)
		w.pass(2*checkInIn + 12*time.Second)
		_, err := w.roster.Swap("river-gate")
		w.must(err)
		w.must(w.roster.Save())
		w.pass(5 * time.Second)
		all := w.broker.all("/fault")
		if last := all[len(all)-1]; last.typ != typeFaultEnded || last.data["code"] != NoticeOverdue || last.data["node"] != "river-gate" {
			t.Errorf("the last fault is %s of %v, want the end of river-gate's", last.typ, last.data["node"])
		}
	})
}

// A fault that stands while the gateway is started anew is not told a second time, and ends when it ends.
func TestFaultsOutliveARestart(t *testing.T) {
	for name, again := range map[string]func(*world){"stopped": (*world).stop, "killed": (*world).kill} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := supervised(t)
				n, gone := w.node("river-gate"), w.node("cattle-grid")
				w.pass(2*checkInIn + 15*time.Second)
				w.wifi.unplug(true)
				w.pass(15 * time.Second)
				told := len(w.broker.all("/fault"))
				if told != len(nodeNames)+1 {
					t.Fatalf("%d faults, want those of %d nodes and a bearer", told, len(nodeNames))
				}
				again(w)
				_, err := w.roster.Revoke("cattle-grid")
				w.must(err)
				w.must(w.roster.Save())
				w.start()
				w.pass(2*checkInIn + 15*time.Second)
				w.hear(n.checkIn())
				w.pass(2 * time.Second)
				ended := map[any]int{}
				for _, p := range w.broker.all("/fault")[told:] {
					if p.typ != typeFaultEnded {
						t.Errorf("told again: %v", p.data)
					}
					ended[p.data["node"]]++
				}
				if len(ended) != 3 || ended["river-gate"] != 1 || ended["cattle-grid"] != 1 || ended[nil] != 1 {
					t.Errorf("ended: %v; want river-gate's, that of %s, which is shut out, and the bearer's", ended, w.g.nodeName(gone.id))
				}
			})
		})
	}
}

// A node whose frames come, but prove nothing, is not said to have missed check-ins: its battery is not to blame.
func TestUnprovenIsNotMissed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := supervised(t)
		n := w.node("river-gate")
		n.timed = false
		for range 5 {
			w.hear(n.checkIn())
			w.pass(checkInIn / 2)
		}
		for _, p := range w.broker.all("/fault") {
			if detail, _ := p.data["detail"].(string); p.data["node"] == "river-gate" && (strings.Contains(detail, "missed") || !strings.Contains(detail, "nothing proves")) {
				t.Errorf("the fault says %q, want that nothing proves the frames", detail)
			}
		}
		if why, _ := w.broker.last("zone/river-gate/state")["why"].(string); strings.Contains(why, "missed") || !strings.Contains(why, "nothing proves") {
			t.Errorf("the zone is unwatched, why: %q; want that nothing proves the frames", why)
		}
		w.pass(3 * checkInIn) // it is as silent as the others now
		w.hear(n.checkIn())
		w.wantZone("river-gate", "unwatched")
	})
}
