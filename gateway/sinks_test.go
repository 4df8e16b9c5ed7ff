package gateway

import (
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"longlane/queue"
)

// withShop gives the house a second, optional sink.
func (w *world) withShop(shop *fakeBroker, edit func(*Options)) {
	w.opts = func(o *Options) {
		o.Sinks = append(o.Sinks, SinkOptions{Name: "shop", Window: 8, MaxLag: 100, Dial: shop.dial, MaxBackoff: time.Second,
			Reason: func(error) string { return "ended" }})
		if edit != nil {
			edit(o)
		}
	}
}

// A sink that is down, acknowledges nothing or refuses everything delays nobody else: the other has each trip at once.
func TestSinksAreApart(t *testing.T) {
	for name, spoil := range map[string]func(*fakeBroker){
		"down": func(b *fakeBroker) { b.refuse = true },
		"acknowledges nothing": func(b *fakeBroker) {
			b.judge = func(*fakeSession, *pub) verdict { return hold }
		},
		"ends every session": func(b *fakeBroker) {
			b.judge = func(*fakeSession, *pub) verdict { return kill }
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := newWorld(t)
				shop := newFakeBroker(t)
				shop.set(spoil)
				w.withShop(shop, nil)
				w.start()
				w.pass(2 * time.Second)
				n := w.node("river-gate")
				for range 50 {
					w.hear(n.open())
					id := n.idOf(n.next - 1)
					if took := w.until(time.Second, "the trip comes to the good sink", func() bool { return w.broker.acknowledged()[id] }); took > 100*time.Millisecond {
						t.Fatalf("trip %s took %v", id, took)
					}
					w.pass(700 * time.Millisecond)
				}
				if n, _ := w.g.sink("broker").cursor.Depth(); n != 0 {
					t.Errorf("%d events wait for the good sink, want none", n)
				}
				if n, _ := w.g.sink("shop").cursor.Depth(); n < 50 {
					t.Errorf("%d events wait for the bad sink, want 50", n)
				}
				shop.set(func(b *fakeBroker) { b.refuse, b.judge = false, nil })
				w.until(16*time.Minute, "the bad sink, well again, has all", func() bool {
					n, _ := w.g.sink("shop").cursor.Depth()
					return n == 0
				})
			})
		})
	}
}

// An optional sink that is away for too long misses the oldest, and a fault tells so, and at its end how many. The
// required one misses nothing.
func TestOptionalSinkMisses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		shop := newFakeBroker(t)
		shop.refuse = true
		w.withShop(shop, nil)
		w.start()
		w.pass(2 * time.Second)
		n := w.node("river-gate")
		w.fill(300, n)
		w.pass(5 * time.Second)
		about := func() (list []string) {
			for _, p := range w.broker.all("/fault") {
				if p.data["code"] == NoticeMissed {
					list = append(list, strings.TrimPrefix(p.typ, "longlane.fault."))
				}
			}
			return list
		}
		if got := fmt.Sprint(about()); got != "[began]" {
			t.Errorf("faults %s, want one that began", got)
		}
		w.stop()
		w.start() // it stands across a restart
		w.pass(5 * time.Second)
		shop.down(false)
		w.until(time.Minute, "the shop has what is left", func() bool { n, _ := w.g.sink("shop").cursor.Depth(); return n == 0 })
		w.pass(5 * time.Second)
		if got := fmt.Sprint(about()); got != "[began ended]" {
			t.Errorf("faults %s, want one that began and ended", got)
		}
		trips := 0
		for id := range shop.acknowledged() {
			if strings.HasPrefix(id, fmt.Sprint(n.id, ".")) {
				trips++
			}
		}
		if trips < 90 || trips > 100 {
			t.Errorf("the shop got %d trips, want the newest of them, about 100", trips)
		}
		if missed := w.g.sink("shop").cursor.Missed(); missed < 200 {
			t.Errorf("%d missed, want at least 200", missed)
		}
	})
}

// A new sink begins at the end of the log; one with a new name goes on where it stood under the old; one that the config
// does not have any more keeps what it is owed, with a fault, until it may be forgotten.
func TestSinksComeAndGo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		w.pass(2 * time.Second)
		n := w.node("river-gate")
		w.fill(5, n)
		w.pass(time.Second)
		w.stop()

		shop := newFakeBroker(t)
		w.withShop(shop, nil)
		w.start()
		w.pass(2 * time.Second)
		w.hear(n.open())
		w.pass(time.Second)
		if got := shop.acknowledged(); len(got) != 1 || !got[n.idOf(6)] {
			t.Errorf("a new sink got %v, want the one event since", got)
		}
		shop.down(true)
		w.fill(7, n)
		w.pass(time.Second)
		w.stop()

		w.withShop(shop, func(o *Options) { o.Sinks[1].Name, o.Sinks[1].Formerly = "barn", "shop" })
		shop.down(false)
		w.start()
		w.pass(5 * time.Second)
		if got := shop.acknowledged(); len(got) != 8 {
			t.Errorf("under its new name the sink has %d events, want 8", len(got))
		}
		w.stop()

		w.opts = nil
		w.start()
		w.fill(3, n)
		w.pass(5 * time.Second)
		w.stop()
		w.start() // told once
		w.pass(5 * time.Second)
		faults := w.broker.all("/fault")
		if len(faults) != 1 || faults[0].data["code"] != NoticeUnusedSink || !strings.Contains(faults[0].data["detail"].(string), "barn") {
			t.Fatalf("faults %v, want one that names barn", faults)
		}
		if s := w.queue.Stats(); s.Waiting[queue.Alarm] != 3 {
			t.Errorf("%d trips are kept, want 3", s.Waiting[queue.Alarm])
		}
		w.stop()
		w.opts = func(o *Options) { o.Forget = []string{"barn", "never-heard-of"} }
		w.start()
		w.pass(10 * time.Second)
		if faults = w.broker.all("/fault"); len(faults) != 2 || faults[1].typ != typeFaultEnded {
			t.Errorf("%d faults, want the end of the first", len(faults))
		}
		if s := w.queue.Stats(); s.Waiting[queue.Alarm] != 0 || len(w.queue.Sinks()) != 1 {
			t.Errorf("%d trips are kept for %v, want none for one sink", s.Waiting[queue.Alarm], w.queue.Sinks())
		}
	})
}
