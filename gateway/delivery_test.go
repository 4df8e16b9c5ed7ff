package gateway

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"longlane/proto"
)

// fill has the nodes make n trips, each receipted, and returns their ids in the order made.
func (w *world) fill(n int, nodes ...*testNode) []string {
	w.t.Helper()
	var ids []string
	for i := range n {
		node := nodes[i%len(nodes)]
		w.link.hear(node.open())
		ids = append(ids, node.idOf(node.next-1))
		if i%256 == 255 {
			w.wait()
		}
	}
	w.wait()
	return ids
}

// After an outage with a backlog of 10,000 a new trip goes out first. The backlog follows in order, marked delayed,
// and nothing goes out twice. Retained states come from what was heard, not from the backlog.
func TestLiveBeforeBacklog(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		river, ridge, grid := w.node("river-gate"), w.node("ridge-gate"), w.node("cattle-grid")
		w.pass(time.Second)
		w.broker.down(true)
		ids := w.fill(10_000, river, ridge, grid)
		w.hear(river.close(1, time.Second)) // the last that is known: clear
		w.pass(time.Hour)
		for _, n := range []*testNode{river, ridge, grid} {
			w.hear(n.checkIn())
		}
		w.hear(ridge.open())
		fresh := ridge.idOf(ridge.next - 1)
		before := len(w.broker.events())
		statesBefore := len(w.broker.all("/state"))
		w.broker.down(false)
		w.until(time.Minute, "all is delivered", func() bool {
			n, _ := w.g.sinks[0].cursor.Depth()
			return n == 0
		})
		got := w.broker.events()[before:]
		if len(got) != 10_002 {
			t.Errorf("%d publications, want 10,002: each event once", len(got))
		}
		if got[0].id != fresh || got[0].delayed() {
			t.Errorf("first came %s, delayed %v; want the new trip %s", got[0].id, got[0].delayed(), fresh)
		}
		last := map[string]uint32{}
		seen := map[string]bool{}
		for _, p := range got[1:] {
			var id ID
			fmt.Sscanf(p.id, "%d.%d.%d", &id.Node, &id.Gen, &id.Counter)
			node := fmt.Sprint(id.Node)
			if id.Counter <= last[node] {
				t.Fatalf("event %s came after counter %d of its node", p.id, last[node])
			}
			last[node], seen[p.id] = id.Counter, true
			if !p.delayed() || p.data["age_s"].(float64) < 3600 {
				t.Fatalf("event %s of the backlog: delayed %v, age %v", p.id, p.delayed(), p.data["age_s"])
			}
		}
		for _, id := range ids {
			if !seen[id] {
				t.Errorf("event %s of the backlog never came", id)
			}
		}
		states := map[string]int{}
		for _, p := range w.broker.all("/state")[statesBefore:] {
			states[p.topic]++
			if want := map[string]string{"river-gate": "clear", "ridge-gate": "tripped", "cattle-grid": "clear"}[p.doc["zone"].(string)]; p.doc["state"] != want {
				t.Errorf("after the outage %s is %v, want %s", p.topic, p.doc["state"], want)
			}
		}
		for topic, n := range states {
			if n != 1 {
				t.Errorf("%s was published %d times on reconnecting, want 1", topic, n)
			}
		}
	})
}

// A trip that comes while the backlog is on its way overtakes what is left of it.
func TestLiveOvertakesBacklogUnderWay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		river, ridge := w.node("river-gate"), w.node("ridge-gate")
		w.pass(time.Second)
		w.broker.down(true)
		w.fill(3000, river)
		w.pass(time.Minute)
		w.broker.set(func(b *fakeBroker) { b.latency = 50 * time.Millisecond })
		w.broker.down(false)
		w.until(10*time.Second, "the backlog is under way", func() bool { return len(w.broker.events()) > 500 })
		w.hear(ridge.open())
		w.pass(200 * time.Millisecond)
		if p := w.broker.of(ridge.idOf(1)); len(p) != 1 || p[0].second {
			t.Errorf("200 ms after a trip it was published %d times over the first session, want 1", len(p))
		}
		if n := len(w.broker.events()); n > 2000 {
			t.Fatalf("the backlog was through too early (%d): the test shows nothing", n)
		}
	})
}

// A broker that is down from the start, acknowledges nothing, or takes all but the trips costs nothing: no event leaves
// the queue, hardly any is set aside, all come as soon as it is well again.
func TestUselessBroker(t *testing.T) {
	for name, prepare := range map[string]func(b *fakeBroker){
		"down from the start": func(b *fakeBroker) { b.refuse = true },
		"acknowledges nothing": func(b *fakeBroker) {
			b.judge = func(*fakeSession, *pub) verdict { return hold }
		},
		"ends every session at once": func(b *fakeBroker) {
			b.judge = func(*fakeSession, *pub) verdict { return kill }
		},
		"ends every session at the first event, acknowledging nothing": func(b *fakeBroker) {
			b.judge = func(_ *fakeSession, p *pub) verdict {
				if strings.HasSuffix(p.topic, "/trip") {
					return kill
				}
				return hold
			}
		},
		"takes states and refuses every event": func(b *fakeBroker) {
			b.judge = func(_ *fakeSession, p *pub) verdict {
				if p.id != "" {
					return kill
				}
				return ack
			}
		},
		"takes states and faults and refuses every trip": func(b *fakeBroker) {
			b.judge = func(_ *fakeSession, p *pub) verdict {
				if strings.HasSuffix(p.topic, "/trip") {
					return killAt
				}
				return ack
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := newWorld(t)
				w.broker.set(prepare)
				w.start()
				n := w.node("river-gate")
				ids := w.fill(100, n)
				w.pass(30 * time.Minute)
				if got := len(n.eventReceipts()); got == 0 {
					t.Errorf("no receipts: a receiver that is useless must not cost any")
				}
				waiting := map[string]bool{}
				items, err := w.g.sinks[0].cursor.Next(0, 0, 1000)
				w.must(err)
				for _, it := range items {
					e, err := parseEvent(it.Value)
					w.must(err)
					waiting[e.id()] = true
				}
				if len(waiting) != 100 {
					t.Errorf("%d trips wait in the queue, want all 100", len(waiting))
				}
				if n := w.g.SetAside("broker"); n > 2 {
					t.Errorf("%d events are set aside, want at most 2", n)
				}
				if got := len(w.broker.acknowledged()); got > 1 { // the fault that tells of it
					t.Errorf("%d events were acknowledged", got)
				}
				w.broker.set(func(b *fakeBroker) { b.refuse, b.judge = false, nil })
				w.until(2*time.Minute, "all is delivered", func() bool {
					n, _ := w.g.sinks[0].cursor.Depth()
					return n == 0
				})
				acked := w.broker.acknowledged()
				for _, id := range ids {
					if !acked[id] {
						t.Errorf("event %s never came", id)
					}
				}
			})
		})
	}
}

// poison has the receiver end the session whenever it sees the event.
func poison(id string, v verdict) func(*fakeSession, *pub) verdict {
	return func(_ *fakeSession, p *pub) verdict {
		if p.id == id {
			return v
		}
		return ack
	}
}

// A payload that the receiver refuses is set aside after five sessions, with a fault. All others come, and a new trip is
// not held up. It stays in the queue, is offered again, and comes once the receiver takes it.
func TestPoison(t *testing.T) {
	for name, v := range map[string]verdict{"ends at once": kill, "ends when its turn comes": killAt, "never acknowledges": hold} {
		for _, fresh := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, live %v", name, fresh), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					w := newWorld(t).start()
					river, ridge := w.node("river-gate"), w.node("ridge-gate")
					w.pass(time.Second)
					bad := river.idOf(20)
					w.broker.set(func(b *fakeBroker) { b.judge = poison(bad, v) })
					if !fresh {
						w.broker.down(true)
					}
					ids := w.fill(60, river)
					w.pass(20 * time.Second)
					w.broker.down(false)
					for i := range 8 { // live trips beside it
						w.pass(2500 * time.Millisecond)
						w.hear(ridge.open())
						id := ridge.idOf(ridge.next - 1)
						took := w.until(30*time.Second, "a live trip is acknowledged", func() bool { return w.broker.acknowledged()[id] })
						if took > 4*time.Second {
							t.Errorf("live trip %d took %v, want at most 4 s", i, took)
						}
					}
					depth := func() int { n, _ := w.g.sinks[0].cursor.Depth(); return n }
					w.until(5*time.Minute, "all others are delivered and the bad one is set aside", func() bool {
						return depth() == 1 && w.g.SetAside("broker") == 1
					})
					acked := w.broker.acknowledged()
					for _, id := range ids {
						if acked[id] == (id == bad) {
							t.Errorf("event %s came: %v", id, acked[id])
						}
					}
					sessions := map[int]bool{}
					for _, p := range w.broker.of(bad) {
						if !p.second {
							sessions[p.session] = true
						}
					}
					if n := len(sessions); n < refusedAfter || n > refusedAfter+2 {
						t.Errorf("the bad event was tried in %d sessions, want %d", n, refusedAfter)
					}
					notice := w.broker.all("/fault")
					if len(notice) != 1 || notice[0].data["code"] != NoticeSetAside || !strings.Contains(notice[0].data["detail"].(string), bad) {
						t.Errorf("faults %v, want one that names %s as set aside", notice, bad)
					}
					tried := len(w.broker.of(bad))
					w.pass(3 * time.Hour)
					if n := len(w.broker.of(bad)) - tried; n < 10 || n > 13 {
						t.Errorf("the bad event was offered %d times more in 3 h, want one in 15 min", n)
					}
					if depth() != 1 || len(w.broker.all("/fault")) != 1 {
						t.Errorf("after 3 h %d events wait and %d faults were told, want 1 and 1", depth(), len(w.broker.all("/fault")))
					}
					w.broker.set(func(b *fakeBroker) { b.judge = nil })
					w.until(16*time.Minute, "the receiver takes it after all", func() bool { return depth() == 0 && w.g.SetAside("broker") == 0 })
					w.pass(time.Second)
					if notice = w.broker.all("/fault"); len(notice) != 2 || notice[1].typ != typeFaultEnded {
						t.Errorf("faults %v, want an end of the first", notice)
					}
				})
			})
		}
	}
}

// Sessions that end at random, with any part of the window acknowledged, lose nothing and change no id.
func TestSessionsEndAtRandom(t *testing.T) {
	seeded(t, 10, func(t *testing.T, rng *rand.Rand) {
		w := newWorld(t)
		w.broker.lateDone = rng.IntN(2) == 0
		w.broker.latency = time.Duration(rng.IntN(200)) * time.Millisecond
		var kills int
		whim := rand.New(rand.NewPCG(rng.Uint64(), 2)) // under the broker's lock
		w.broker.judge = func(*fakeSession, *pub) verdict {
			if kills < 60 && whim.IntN(30) == 0 {
				kills++
				return []verdict{kill, killAt, hold}[whim.IntN(3)]
			}
			return ack
		}
		if rng.IntN(2) == 0 {
			w.opts = func(o *Options) { o.Sinks[0].Window = 1 + rng.IntN(4) }
		}
		w.start()
		nodes := []*testNode{w.node("river-gate"), w.node("ridge-gate"), w.node("cattle-grid")}
		want := map[string]bool{}
		for i := range 150 {
			n := nodes[rng.IntN(3)]
			w.hear(n.open())
			want[n.idOf(n.next-1)] = true
			w.pass(time.Duration(rng.IntN(int(400 * time.Millisecond))))
			if rng.IntN(60) == 0 {
				w.broker.cut()
			}
			if i%10 != 0 {
				continue
			}
			// only what the receiver acknowledged has moved the cursor
			waiting := map[string]bool{}
			items, err := w.g.sinks[0].cursor.Next(0, 0, 10_000)
			w.must(err)
			for _, it := range items {
				e, err := parseEvent(it.Value)
				w.must(err)
				waiting[e.id()] = true
			}
			acked := w.broker.acknowledged()
			for id := range want {
				if !waiting[id] && !acked[id] {
					t.Fatalf("event %s left the queue without an acknowledgement", id)
				}
			}
		}
		w.until(10*time.Minute, "all is delivered", func() bool {
			n, _ := w.g.sinks[0].cursor.Depth()
			return n == 0
		})
		if got := w.broker.acknowledged(); !maps.Equal(got, want) {
			t.Errorf("%d events acknowledged, want %d", len(got), len(want))
		}
		if dead, _ := w.queue.Dead(); len(dead) != 0 {
			t.Errorf("%d events were parked, want none", len(dead))
		}
		w.pass(time.Minute)
		if s := w.g.sinks[0]; len(s.flying)+len(s.live)+len(s.back)+len(s.items) != 0 {
			t.Errorf("at rest the sink still holds flying %d, live %d, back %d, items %d", len(s.flying), len(s.live), len(s.back), len(s.items))
		}
	})
}

// What was acknowledged in the last moment of a session neither goes again nor blocks the window.
func TestAcknowledgedAfterTheEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.broker.lateDone = true
		w.opts = func(o *Options) { o.Sinks[0].Window = 1 }
		w.start()
		n := w.node("river-gate")
		w.pass(time.Second)
		w.broker.set(func(b *fakeBroker) { b.latency = 10 * time.Second })
		w.hear(n.open())
		w.pass(100 * time.Millisecond)
		w.broker.set(func(b *fakeBroker) { b.latency = 5 * time.Millisecond })
		w.broker.cut()
		w.pass(5 * time.Second)
		w.hear(n.open())
		w.pass(time.Second)
		if !w.broker.acknowledged()[n.idOf(2)] {
			t.Errorf("the trip after a session that acknowledged late never came: the window is blocked")
		}
		if s := w.g.sinks[0]; len(s.flying) != 0 {
			t.Errorf("%d events count as flying, want none", len(s.flying))
		}
	})
}

// A live event that is not acknowledged in 2 s goes over a second session, whatever the first is full of.
func TestHedge(t *testing.T) {
	for name, backlog := range map[string]int{"idle": 0, "window full of backlog": 100} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := newWorld(t).start()
				river, ridge := w.node("river-gate"), w.node("ridge-gate")
				w.pass(time.Second)
				if backlog > 0 {
					w.broker.down(true)
					w.fill(backlog, river)
					w.pass(time.Minute)
				}
				w.broker.set(func(b *fakeBroker) {
					b.judge = func(s *fakeSession, p *pub) verdict {
						if s.second || !strings.HasSuffix(p.topic, "/trip") {
							return ack
						}
						return hold
					}
				})
				w.broker.down(false)
				w.pass(3 * time.Second)
				w.hear(ridge.open())
				took := w.until(30*time.Second, "the trip is acknowledged", func() bool { return w.broker.acknowledged()[ridge.idOf(1)] })
				if took < hedgeAfter || took > 3*time.Second {
					t.Errorf("the trip was acknowledged after %v, want 2 to 3 s", took)
				}
				second := slices.DeleteFunc(w.broker.all("/trip"), func(p *pub) bool { return !p.second })
				if len(second) != 1 {
					t.Errorf("%d trips went over the second session, want 1: the live one", len(second))
				}
				if n, _ := w.g.sinks[0].cursor.Depth(); n != backlog {
					t.Errorf("%d events wait, want %d", n, backlog)
				}
				w.broker.set(func(b *fakeBroker) { b.judge = nil })
				w.until(time.Minute, "the rest is delivered", func() bool {
					n, _ := w.g.sinks[0].cursor.Depth()
					return n == 0
				})
				w.pass(2 * time.Minute)
				if s := w.g.sinks[0]; s.second != nil {
					t.Errorf("the second session is still open")
				}
			})
		})
	}
}

// A live event that went over the second session does not go over the first as well once that has room.
func TestHedgedEventGoesOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		river, ridge := w.node("river-gate"), w.node("ridge-gate")
		w.pass(time.Second)
		w.broker.down(true)
		w.fill(200, river)
		w.pass(time.Minute)
		w.broker.set(func(b *fakeBroker) { b.latency, b.fast = 4*time.Second, true })
		w.broker.down(false)
		w.until(3*time.Second, "the window is full", func() bool { return len(w.broker.events()) >= 32 })
		w.hear(ridge.open())
		w.pass(time.Minute)
		if p := w.broker.of(ridge.idOf(1)); len(p) != 1 || !p[0].second {
			t.Errorf("published %d times, want once, over the second session", len(p))
		}
	})
}

// One session that ends with a new trip under way says little against it: it goes first again, before the backlog.
func TestOneEndDemotesNobody(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		river, ridge := w.node("river-gate"), w.node("ridge-gate")
		w.pass(time.Second)
		w.broker.down(true)
		w.fill(2000, river)
		w.pass(time.Minute)
		w.hear(ridge.open())
		id, kills := ridge.idOf(1), 0
		w.broker.set(func(b *fakeBroker) {
			b.latency = 100 * time.Millisecond
			b.judge = func(_ *fakeSession, p *pub) verdict {
				if p.id == id && kills == 0 {
					kills++
					return killAt
				}
				return ack
			}
		})
		w.broker.down(false)
		took := w.until(time.Minute, "the trip is acknowledged", func() bool { return w.broker.acknowledged()[id] })
		if took > 4*time.Second {
			t.Errorf("the trip took %v, want at most 4 s: it waited for the backlog", took)
		}
	})
}

// When the second session dies too, the event gets a third.
func TestHedgeAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(time.Second)
		tried := 0
		w.broker.set(func(b *fakeBroker) {
			b.judge = func(s *fakeSession, p *pub) verdict {
				switch {
				case !strings.HasSuffix(p.topic, "/trip"):
					return ack
				case !s.second:
					return hold
				}
				if tried++; tried == 1 {
					return kill
				}
				return ack
			}
		})
		w.hear(n.open())
		if took := w.until(30*time.Second, "the trip is acknowledged", func() bool { return w.broker.acknowledged()[n.idOf(1)] }); took > 8*time.Second {
			t.Errorf("it took %v, want at most 8 s", took)
		}
	})
}

// A second session that cannot be had is not asked for without pause.
func TestSecondDialPauses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(time.Second)
		w.broker.set(func(b *fakeBroker) {
			b.refuse, b.deadline = true, time.Hour
			b.judge = func(*fakeSession, *pub) verdict { return hold }
		})
		before := w.broker.dials
		w.hear(n.open())
		w.pass(time.Minute)
		if got := w.broker.dials - before; got < 10 || got > 80 {
			t.Errorf("in a minute the receiver was dialled %d times, want about one a second", got)
		}
		w.broker.set(func(b *fakeBroker) { b.refuse, b.judge, b.deadline = false, nil, 20*time.Second })
		w.broker.cut()
		w.pass(time.Minute)
	})
}

// More live trips than the lane holds all arrive, from the disk if need be.
func TestLiveLaneOverflows(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n, other := w.node("river-gate"), w.node("ridge-gate")
		w.pass(time.Second)
		w.broker.set(func(b *fakeBroker) { b.latency = 100 * time.Millisecond })
		ids := w.fill(1500, n)
		w.hear(other.open())
		w.until(5*time.Minute, "all is delivered", func() bool {
			n, _ := w.g.sinks[0].cursor.Depth()
			return n == 0
		})
		for _, id := range append(ids, other.idOf(1)) {
			if p := w.broker.of(id); len(p) != 1 {
				t.Errorf("event %s was published %d times, want 1", id, len(p))
			}
		}
	})
}

// A short outage: what waited in the live lane and is still young goes out first and is not marked delayed.
func TestShortOutage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(time.Second)
		w.broker.down(true)
		w.hear(n.open())
		w.pass(8 * time.Second)
		w.hear(n.open())
		w.pass(4 * time.Second)
		w.broker.down(false)
		w.pass(2 * time.Second)
		got := w.broker.all("/trip")
		if len(got) != 2 || got[0].id != n.idOf(2) || got[0].delayed() || !got[1].delayed() {
			t.Errorf("published %d trips, want the young one first, and the one of 12 s ago after it and delayed", len(got))
		}
	})
}

// The tick comes every 5 s while there is a session, with the clock's state.
func TestTick(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		w.pass(61 * time.Second)
		ticks := w.broker.all("/tick")
		if len(ticks) < 12 || len(ticks) > 14 {
			t.Errorf("%d ticks in a minute, want 12 or 13", len(ticks))
		}
		for i, p := range ticks {
			if p.qos != 0 || p.retain || p.doc["clock"] != "set" {
				t.Errorf("tick %d: QoS %d, retain %v, %v", i, p.qos, p.retain, p.doc)
			}
			if mono := time.Duration(p.doc["monotonic_s"].(float64) * 1e9); (mono - w.clock.mono - p.at.Sub(w.clock.start)).Abs() > time.Millisecond {
				t.Errorf("tick %d gives monotonic time %v", i, mono)
			}
		}
	})
}

// The gateway says that it serves, and that it stops.
func TestStatus(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		w.pass(time.Second)
		if s := w.broker.last("/gateway/house"); s["state"] != "serving" {
			t.Errorf("status %v, want serving", s)
		}
		w.stop()
		if s := w.broker.last("/gateway/house"); s["state"] != "stopped" {
			t.Errorf("status %v, want stopped", s)
		}
		for _, p := range w.broker.all("/gateway/house") {
			if !p.retain || p.qos != 1 {
				t.Errorf("status was published with QoS %d, retain %v", p.qos, p.retain)
			}
		}
	})
}

// Priorities: trips of the backlog come before faults.
func TestBacklogTripsFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(time.Second)
		w.broker.down(true)
		w.hear(n.fault(proto.FaultTamper, false), n.open(), n.open())
		w.pass(time.Minute)
		w.broker.down(false)
		w.pass(5 * time.Second)
		got := w.broker.events()
		if len(got) != 3 || got[0].id != n.idOf(2) || got[1].id != n.idOf(3) || got[2].id != n.idOf(1) {
			t.Errorf("came %v, want trips 2 and 3, then fault 1", got)
		}
		if f := got[2]; f.typ != typeFaultBegan || f.data["code"] != "tamper" || f.data["argument"] != 7.0 || f.data["node"] != "river-gate" {
			t.Errorf("fault %v %v", f.typ, f.data)
		}
	})
}

// A receiver that refuses several events in a row, such as those of one zone, still gets what lies behind them, though
// nothing new comes by that could show that it takes anything at all.
func TestPoisonInARow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		river, ridge := w.node("river-gate"), w.node("ridge-gate")
		w.pass(time.Second)
		w.broker.set(func(b *fakeBroker) {
			b.judge = func(_ *fakeSession, p *pub) verdict {
				if strings.HasSuffix(p.topic, "zone/river-gate/trip") {
					return kill
				}
				return ack
			}
		})
		w.broker.down(true)
		w.fill(6, river)
		w.hear(ridge.open())
		good := ridge.idOf(ridge.next - 1)
		w.pass(20 * time.Second)
		w.broker.down(false)
		w.until(10*time.Minute, "what lies behind is delivered", func() bool { return w.broker.acknowledged()[good] })
		w.until(10*time.Minute, "the others are set aside", func() bool { return w.g.SetAside("broker") == 6 })
		w.pass(time.Minute)
		w.broker.set(func(b *fakeBroker) { b.latency = time.Second })
		w.hear(ridge.open())
		w.pass(5 * time.Second)
		w.hear(ridge.open(), ridge.open())
		if n := len(w.broker.of(ridge.idOf(ridge.next - 1))); n != 1 {
			t.Errorf("the second of two live trips went out %d times before the first was acknowledged, want 1: nobody is under suspicion any more", n)
		}
	})
}

// A receiver that ends the session at a retained state, which comes anew with every session, still gets all events.
func TestPoisonState(t *testing.T) {
	for name, v := range map[string]verdict{"ends at once": kill, "ends when its turn comes": killAt, "never acknowledges": hold} {
		for _, fresh := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, live %v", name, fresh), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					w := newWorld(t).start()
					w.pass(time.Second)
					w.broker.set(func(b *fakeBroker) {
						b.judge = func(_ *fakeSession, p *pub) verdict {
							if strings.HasSuffix(p.topic, "zone/ridge-gate/state") {
								return v
							}
							return ack
						}
					})
					w.broker.down(!fresh)
					w.broker.cut()
					w.pass(time.Second)
					ids := w.fill(60, w.node("river-gate"))
					w.pass(20 * time.Second)
					w.broker.down(false)
					w.until(15*time.Minute, "all events are delivered", func() bool {
						acked := w.broker.acknowledged()
						return !slices.ContainsFunc(ids, func(id string) bool { return !acked[id] })
					})
					if n := w.g.SetAside("broker"); n != 0 {
						t.Errorf("%d events are set aside, and are not to blame", n)
					}
				})
			})
		}
	}
}

// A fault that something is set aside is told once, though the gateway is started anew meanwhile, and ends once the
// receiver takes it.
func TestSetAsideOutlivesARestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(time.Second)
		bad := n.idOf(3)
		w.broker.set(func(b *fakeBroker) { b.judge = poison(bad, kill) })
		w.fill(5, n)
		w.until(5*time.Minute, "it is set aside", func() bool { return w.g.SetAside("broker") == 1 })
		w.pass(5 * time.Second)
		w.stop()
		w.start()
		w.until(5*time.Minute, "it is set aside again", func() bool { return w.g.SetAside("broker") == 1 })
		w.pass(5 * time.Second)
		if got := w.broker.all("/fault"); len(got) != 1 {
			t.Errorf("%d faults, want one: it stands", len(got))
		}
		w.stop()
		w.broker.set(func(b *fakeBroker) { b.judge = nil })
		w.start()
		w.until(time.Minute, "it is delivered", func() bool { return w.broker.acknowledged()[bad] })
		w.pass(5 * time.Second)
		if got := w.broker.all("/fault"); len(got) != 2 || got[1].typ != typeFaultEnded || got[1].data["code"] != NoticeSetAside {
			t.Errorf("%d faults, want that it ended", len(got))
		}
	})
}
