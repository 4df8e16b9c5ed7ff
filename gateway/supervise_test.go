package gateway

import (
	"errors"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"longlane/gateway/health"
	"longlane/proto"
)

// fault is the one that stands with that code; nil if none does.
func (w *world) fault1(code health.Code) *Fault {
	for _, f := range w.g.Faults() {
		if f.Code == code {
			return &f
		}
	}
	return nil
}

// forge sends frames that were not made with the site's keys.
func (w *world) forge(n int) {
	rng := rand.New(rand.NewPCG(1, 2))
	good := w.node("river-gate").open()
	for range n {
		f := append([]byte(nil), good...)
		f[len(f)-1] ^= byte(1 + rng.IntN(255))
		w.hear(f)
	}
}

// A verdict is told once when it begins and once when it ends, through kills and stops between, and whoever looks is told why it is so
// and what to do.
func TestVerdictIsToldOnce(t *testing.T) {
	for name, end := range map[string]func(w *world){"stop": (*world).stop, "kill": (*world).kill} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := newWorld(t).start()
				n := w.node("river-gate")
				mains := func(on bool) {
					w.hear(n.checkIn(func(b *proto.CheckIn) { b.Mains = on }))
					w.pass(2 * time.Second) // a notice, and that it stands, is on the disk
				}
				told := func() []*pub { // a kill may have the same event come again
					return slices.CompactFunc(w.faults(string(health.MainsLost)), func(a, b *pub) bool { return a.id == b.id })
				}
				mains(true)
				mains(false)
				w.pass(9 * time.Minute)
				mains(false)
				if got := told(); len(got) != 0 {
					t.Fatalf("after nine minutes it is told: %v", got[0].data)
				}
				w.pass(time.Minute)
				mains(false)
				got := told()
				if len(got) != 1 || got[0].typ != typeFaultBegan || got[0].data["node"] != "river-gate" || !strings.Contains(got[0].data["detail"].(string), "mains") {
					t.Fatalf("%d faults, want that one began", len(got))
				}
				f := w.fault1(health.MainsLost)
				if f == nil || f.Severity != health.Watch || f.Remedy == "" || len(f.Evidence) == 0 || f.Since.Wall.IsZero() {
					t.Fatalf("whoever looks is shown %+v", f)
				}
				for range 3 {
					end(w)
					w.start()
					mains(false)
					w.pass(time.Minute)
				}
				if got := told(); len(got) != 1 {
					t.Errorf("%d faults after three restarts, want one", len(got))
				}
				if f := w.fault1(health.MainsLost); f == nil {
					t.Errorf("it is not shown any more")
				}
				mains(true)
				w.pass(61 * time.Minute)
				mains(true)
				got = told()
				if len(got) != 2 || got[1].typ != typeFaultEnded || w.fault1(health.MainsLost) != nil {
					t.Errorf("%d faults after a good hour, shown: %+v; want that it has ended", len(got), w.fault1(health.MainsLost))
				}
			})
		})
	}
}

// Frames that were not made with the site's keys are refused, and ten of them within an hour are told.
func TestForgedFramesAreTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		w.forge(9)
		w.pass(2 * time.Second)
		if got := w.faults(string(health.Forged)); len(got) != 0 {
			t.Fatalf("nine are told: %v", got[0].data)
		}
		w.forge(20)
		w.pass(10 * time.Second)
		if got := w.faults(string(health.Forged)); len(got) != 1 || got[0].typ != typeFaultBegan {
			t.Errorf("%d faults, want that one began", len(got))
		}
	})
}

// What a node tells itself is no second fault of the gateway's, but whoever looks finds it beside the others, with what to do.
func TestToldByNodeIsNotToldTwice(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.hear(n.checkIn(), n.fault(proto.FaultTamper, false))
		w.pass(5 * time.Second)
		if got := w.broker.all("/fault"); len(got) != 1 || got[0].data["code"] != "tamper" || got[0].id != n.idOf(1) {
			t.Errorf("%d faults, want the node's own", len(got))
		}
		if f := w.fault1(health.Tamper); f == nil || f.Subject.Name != "river-gate" || f.Remedy == "" {
			t.Errorf("whoever looks is shown %+v", f)
		}
		h := w.broker.last("node/river-gate/health")
		faults := h["faults"].([]any)
		if h["severity"] != "trouble" || len(faults) != 1 || faults[0].(map[string]any)["code"] != "tamper" || faults[0].(map[string]any)["remedy"] == "" {
			t.Errorf("health: %v %v", h["severity"], faults)
		}
		if h := w.broker.last("node/ridge-gate/health"); h["severity"] != "well" || len(h["faults"].([]any)) != 0 {
			t.Errorf("another node's health: %v %v", h["severity"], h["faults"])
		}
		w.hear(n.fault(proto.FaultTamper, true))
		w.pass(11 * time.Minute)
		if h := w.broker.last("node/river-gate/health"); h["severity"] != "well" || w.fault1(health.Tamper) != nil {
			t.Errorf("after its end: %v, shown %+v", h["severity"], w.fault1(health.Tamper))
		}
		if got := w.broker.all("/fault"); len(got) != 2 {
			t.Errorf("%d faults, want the node's two words", len(got))
		}
	})
}

// A node that is overdue when the gateway is killed is overdue afterwards, told once, and its return ends it once.
func TestOverdueThroughRestart(t *testing.T) {
	for name, end := range map[string]func(w *world){"stop": (*world).stop, "kill": (*world).kill} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := supervised(t)
				n := w.node("river-gate")
				of := func() (list []string) {
					for _, p := range w.faults(NoticeOverdue) {
						if p.data["node"] == "river-gate" {
							list = append(list, p.typ)
						}
					}
					return list
				}
				w.pass(5 * time.Minute)
				end(w)
				w.start()
				w.pass(5 * time.Minute)
				if got := of(); len(got) != 1 || got[0] != typeFaultBegan {
					t.Fatalf("faults %v, want that one began", got)
				}
				w.hear(n.checkIn())
				w.pass(2 * time.Second)
				if got := of(); len(got) != 2 || got[1] != typeFaultEnded {
					t.Errorf("faults %v, want that it has ended", got)
				}
			})
		})
	}
}

// A relay whose own check-ins are lost is not overdue while its records show that it passes on what others send.
func TestRecordsShowThatARelayIsThere(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := supervised(t)
		n := w.node("river-gate")
		for range 10 {
			w.hear(w.relay(n.checkIn(), "barn-relay", -80, 5, 0))
			w.pass(checkInIn)
		}
		for _, p := range w.faults(NoticeOverdue) {
			if p.data["node"] == "barn-relay" || p.data["node"] == "river-gate" {
				t.Errorf("%s is told to be overdue", p.data["node"])
			}
		}
		w.hear(w.node("barn-relay").checkIn())
		for range 5 {
			w.hear(w.relay(n.checkIn(), "barn-relay", -80, 5, 0))
			w.pass(checkInIn)
			w.wantHealth("barn-relay", "heard")
		}
		w.pass(3 * checkInIn)
		w.wantHealth("barn-relay", "overdue")
		w.hear(w.relay(n.checkIn(), "barn-relay", -80, 5, 0))
		w.pass(2 * time.Second)
		w.wantHealth("barn-relay", "heard")
	})
}

// Whoever has seen a fault has said so for as long as it stands, through restarts as well, and it stands all the same.
func TestSeen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := supervised(t)
		w.pass(5 * time.Minute)
		f := w.fault1(health.Overdue)
		if f == nil || !f.Seen.IsZero() {
			t.Fatalf("shown: %+v", f)
		}
		if err := w.g.Seen("overdue node/nobody"); !errors.Is(err, ErrNoFault) {
			t.Errorf("what does not stand: %v, want ErrNoFault", err)
		}
		at := w.clock.Wall()
		w.must(w.g.Seen(f.ID))
		w.pass(10 * time.Second)
		w.must(w.g.Seen(f.ID))
		for range 2 {
			if got := w.fault1(f.Code); got == nil || !got.Seen.Equal(at) {
				t.Fatalf("shown: %+v, want seen at %v", got, at)
			}
			w.kill()
			w.start()
			w.pass(2 * time.Second)
		}
		name := f.Subject.Name
		w.hear(w.node(name).checkIn())
		w.pass(2 * time.Second)
		if err := w.g.Seen(f.ID); !errors.Is(err, ErrNoFault) {
			t.Errorf("after its end: %v, want ErrNoFault", err)
		}
		w.pass(5 * time.Minute)
		if got := w.fault1(f.Code); got == nil || !got.Seen.IsZero() {
			t.Errorf("it has come again: shown %+v, want not seen", got)
		}
	})
}

// What the gateway finds by other means is shown beside the verdicts, with the words that the house was told, after a restart as well.
func TestOtherFaultsAreShown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.opts = func(o *Options) { o.Silent = map[string]string{"lora": "no region is set for it"} }
		w.start()
		for range 2 {
			w.pass(2 * time.Second)
			f := w.fault1(health.Code(NoticeReceiveOnly))
			if f == nil || f.Subject.Kind != health.KindBearer || f.Subject.Name != "lora" || !strings.Contains(f.Reason, "no region") || f.Since.Wall.IsZero() {
				t.Fatalf("shown: %+v", f)
			}
			w.kill()
			w.start()
		}
	})
}
