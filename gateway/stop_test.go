package gateway

import (
	"bytes"
	"context"
	"errors"
	"runtime/pprof"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"longlane/proto"
	"longlane/radio"
)

// running lists the goroutines of the gateway itself that are still there.
func running() []string {
	var b bytes.Buffer
	pprof.Lookup("goroutine").WriteTo(&b, 2)
	var out []string
	for _, g := range strings.Split(b.String(), "\n\n") {
		for _, f := range []string{"(*Gateway)", "(*ingest)", "(*sink)", "(*sender)"} {
			if strings.Contains(g, "longlane/gateway."+f) && !strings.Contains(g, "gateway.running") {
				out = append(out, g)
				break
			}
		}
	}
	return out
}

// Run returns within bounded time, and leaves no goroutine, whatever is stuck: a bearer that sends nothing, a receiver
// that acknowledges nothing, a dial that does not end.
func TestStop(t *testing.T) {
	for name, prepare := range map[string]func(w *world){
		"at rest":             func(*world) {},
		"bearer stuck":        func(w *world) { w.link.block = make(chan struct{}) },
		"receiver stuck":      func(w *world) { w.broker.judge = func(*fakeSession, *pub) verdict { return hold } },
		"receiver gone":       func(w *world) { w.broker.refuse = true },
		"two sessions stuck":  func(w *world) { w.broker.judge = poisonTrips },
		"receiver just ended": func(w *world) { w.broker.judge = func(*fakeSession, *pub) verdict { return kill } },
		"dial hangs": func(w *world) {
			w.opts = func(o *Options) {
				o.Sinks[0].Dial = func(ctx context.Context, _ bool) (Session, error) {
					<-ctx.Done()
					elapse(300 * time.Millisecond)
					return nil, ctx.Err()
				}
			}
		},
		"session comes as it stops": func(w *world) {
			w.opts = func(o *Options) {
				o.Sinks[0].Dial = func(ctx context.Context, second bool) (Session, error) {
					<-ctx.Done()
					elapse(300 * time.Millisecond)
					return w.broker.dial(context.Background(), second)
				}
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := newWorld(t)
				if name != "bearer stuck" {
					prepare(w)
				}
				w.start()
				if name == "bearer stuck" {
					prepare(w)
				}
				n := w.node("river-gate")
				for range 100 {
					w.link.hear(n.open())
				}
				w.pass(3 * time.Second)
				w.link.hear(n.open())
				began := time.Now()
				w.cancel()
				<-w.done
				if took := time.Since(began); took > 3*time.Second {
					t.Errorf("Run returned after %v, want at most 3 s", took)
				}
				w.wait()
				if left := running(); len(left) != 0 {
					t.Errorf("%d goroutines are left:\n%s", len(left), strings.Join(left, "\n\n"))
				}
				w.done <- nil // for the orderly end
			})
		})
	}
}

func poisonTrips(_ *fakeSession, p *pub) verdict {
	if strings.HasSuffix(p.topic, "/trip") {
		return hold
	}
	return ack
}

// What was received before the stop is stored, and what is being stored is answered.
func TestStopTakesInWhatWasReceived(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(3 * time.Second)
		release := make(chan struct{})
		w.setFault(func(string) error { <-release; return nil })
		w.fill(maxFlights, n)
		w.fill(300, n)
		w.wait()
		w.cancel()
		w.wait()
		w.setFault(nil)
		close(release)
		err := <-w.done
		w.done <- err
		if got := w.queue.Stats().Events[0]; got != maxFlights+300 {
			t.Errorf("%d events stored, want %d", got, maxFlights+300)
		}
	})
}

// What has been received as the stop comes is looked at, or it would be missing from the count.
func TestStopCountsWhatWasReceived(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		release := make(chan struct{})
		w.meter.mu.Lock()
		w.meter.block = release
		w.meter.mu.Unlock()
		const junk = 40
		for range junk {
			w.link.hear([]byte("noise"))
		}
		w.link.hear(n.open())
		w.cancel()
		w.wait()
		close(release)
		w.done <- <-w.done
		if v := w.meter.verdicts(); v["type"]+v["length"]+v["version"] != junk || v["accepted"] != 1 {
			t.Errorf("verdicts %v, want %d packets refused and one accepted", v, junk)
		}
	})
}

// A bearer whose settings can never work ends the gateway, and says which.
func TestBearerFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		no := errors.New("no such device class")
		w.opts = func(o *Options) { o.Links = append(o.Links, failingLink{newFakeLink("loft"), no}) }
		w.start()
		err := <-w.done
		w.done <- nil
		if !errors.Is(err, no) || !strings.Contains(err.Error(), "loft") {
			t.Errorf("Run = %v, want one that names the bearer and wraps %v", err, no)
		}
	})
}

type failingLink struct {
	*fakeLink
	err error
}

func (l failingLink) Run(context.Context, func(radio.Packet)) error { return l.err }

// A bearer that is down costs a receipt, which is counted, and nothing else.
func TestBearerDown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.link.down = true
		w.hear(n.open())
		w.pass(time.Second)
		if got := w.meter.count(w.meter.receipts, "failed"); got != 1 {
			t.Errorf("%d receipts counted as failed, want 1", got)
		}
		w.link.mu.Lock()
		w.link.down = false
		w.link.mu.Unlock()
		w.hear(n.opened(1, 1, 2*time.Second))
		w.pass(time.Second)
		if got := n.eventReceipts(); len(got) != 1 {
			t.Errorf("%d receipts once it is up, want 1", len(got))
		}
	})
}

// A bearer that takes its time drops receipts rather than memory, and holds up no alert and no other bearer.
func TestBearerBlocks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.link.block = make(chan struct{})
		for range 100 {
			w.hear(n.open())
		}
		if got := w.meter.count(w.meter.drops, "receipt"); got != 100-maxOutgoing-1 {
			t.Errorf("%d receipts dropped, want %d", got, 100-maxOutgoing-1)
		}
		w.wifi.hear(n.open())
		w.pass(100 * time.Millisecond)
		if len(w.wifi.all()) != 1 || len(w.broker.all("/trip")) != 101 {
			t.Errorf("beside a blocked bearer %d receipts went by the other and %d trips sounded, want 1 and 101", len(w.wifi.all()), len(w.broker.all("/trip")))
		}
		close(w.link.block)
		w.pass(time.Second)
	})
}

// Two bearers of one name are refused: nobody could tell where a receipt goes.
func TestTwoBearersOfOneName(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		o := w.g.o
		o.Links = []radio.Link{newFakeLink("lora"), newFakeLink("lora")}
		if _, err := New(o); err == nil || !strings.Contains(err.Error(), "lora") {
			t.Errorf("New = %v, want an error that names the bearer", err)
		}
	})
}

// What operators see: whether there is a session, how old the oldest waiting event is, whether the gateway serves.
func TestViews(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(time.Second)
		if !w.g.Ready() || w.g.Sessions()["broker"] != nil || w.g.OldestAge("broker") != 0 || w.g.Cursors()["broker"] == nil {
			t.Errorf("ready %v, connected %v, oldest %v", w.g.Ready(), w.g.Sessions(), w.g.OldestAge("broker"))
		}
		w.broker.down(true)
		w.hear(n.open())
		w.pass(time.Minute)
		w.hear(n.fault(proto.FaultTamper, false))
		if w.g.Sessions()["broker"] == nil || (w.g.OldestAge("broker")-time.Minute).Abs() > time.Second {
			t.Errorf("connected %v, oldest %v; want false, 1 min", w.g.Sessions(), w.g.OldestAge("broker"))
		}
		w.broker.down(false)
		w.pass(5 * time.Second)
		g := w.g
		w.stop()
		if g.Ready() || g.Sessions()["broker"] == nil {
			t.Errorf("after the stop ready %v, connected %v", g.Ready(), g.Sessions())
		}
	})
}
