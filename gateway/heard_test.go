package gateway

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"longlane/gateway/roster"
	"longlane/proto"
)

// shop is an annunciator, as the gateway hears of it.
type shop struct {
	w    *world
	name string
}

func (a shop) says(topic string, m any) {
	text, _ := json.Marshal(m)
	if s, ok := m.(string); ok {
		text = []byte(s)
	}
	a.w.g.Annunciator("longlane/"+site+"/annunciator/"+a.name+topic, text, false)
	a.w.wait()
}

// stay passes time, of which each of these says every minute that it is there.
func (w *world) stay(d time.Duration, there ...shop) {
	for ; d > 0; d -= time.Minute {
		for _, a := range there {
			a.is("serving")
		}
		w.pass(min(d, time.Minute))
	}
}

// was is a state that the broker has kept.
func (a shop) was(state string) {
	a.w.g.Annunciator("longlane/"+site+"/annunciator/"+a.name, []byte(`{"state":"`+state+`"}`), true)
	a.w.wait()
}

func (a shop) is(state string) { a.says("", map[string]any{"state": state, "version": "x"}) }

func (a shop) hears(id, what string) {
	a.says("/heard", map[string]any{"source": "/longlane/" + site, "id": id, "what": what, "took_ms": 41})
}

// startWith starts the gateway with annunciators that it is to count on, and hears what they say.
func (w *world) startWith(names ...string) {
	w.opts = func(o *Options) { o.Annunciators = names }
	w.start()
	w.g.Listening(true)
	w.pass(2 * time.Second)
}

// withShop is a world with a gateway and the one annunciator that it counts on, which is there.
func withShop(t *testing.T) (*world, shop) {
	w := newWorld(t)
	w.startWith("shop")
	a := shop{w, "shop"}
	a.is("serving")
	return w, a
}

func (w *world) heardCount(key string) int { return w.meter.count(w.meter.heard, key) }

// testTrip is the opening of a test trip, sealed now.
func (n *testNode) testTrip() []byte {
	n.next++
	return n.seal(n.header(proto.TypeTripOpened, n.next-1, 0), &proto.TripOpened{Input: proto.Input{Test: true}, Sent: n.now(),
		Battery: proto.NoBattery, Temperature: proto.NoTemperature})
}

// testEnd is the closing of the test trip before.
func (n *testNode) testEnd() []byte {
	n.next++
	return n.seal(n.header(proto.TypeTripClosed, n.next-1, 0), &proto.TripClosed{Input: proto.Input{Test: true}, Sent: n.now(), Opened: 1})
}

// expectFaults compares the beginnings and ends of a fault.
func (w *world) expectFaults(code, want string) {
	w.t.Helper()
	if got := fmt.Sprint(w.faultsOf(code)); got != want {
		w.t.Errorf("fault %s: %s, want %s", code, got, want)
	}
}

// A trip that an annunciator confirms is no fault, whatever it did; one that nobody confirms is, once, until one is confirmed.
func TestUnheard(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.startWith("shop", "house")
		shop, house := shop{w, "shop"}, shop{w, "house"}
		shop.is("serving")
		house.is("serving")
		n := w.node("river-gate")
		for _, what := range []string{"sounded", "counted", "silent", "muted", "a thing of next year"} {
			w.hear(n.open())
			w.pass(300 * time.Millisecond)
			shop.hears(n.idOf(n.next-1), what)
			w.pass(40 * time.Second)
		}
		w.expectFaults(NoticeUnheard, "[]")
		if a, b := w.heardCount("shop sounded"), w.heardCount("other"); a != 1 || b != 1 {
			t.Errorf("counted: %d sounded at the shop, %d others; want 1, 1", a, b)
		}
		for range 3 {
			shop.is("serving")
			house.is("serving")
			w.hear(n.open())
			before := w.heardCount("unheard")
			w.pass(4 * time.Second)
			if w.heardCount("unheard") != before {
				t.Error("4 s are enough to blame somebody")
			}
			w.pass(3 * time.Second)
			if w.heardCount("unheard") != before+1 {
				t.Error("7 s are not enough to tell")
			}
			w.pass(33 * time.Second)
		}
		w.expectFaults(NoticeUnheard, "[began]")
		if n := w.heardCount("unheard"); n != 3 {
			t.Errorf("%d trips counted as unheard, want 3", n)
		}
		for _, p := range w.broker.all("/fault") {
			if p.data["code"] != NoticeUnheard {
				continue // nobody says here that it is still there
			}
			if d := fmt.Sprint(p.data["detail"]); p.data["zone"] != "river-gate" || !strings.Contains(d, n.idOf(6)+" of river-gate") || !strings.Contains(d, "house says that it is there, shop says") {
				t.Errorf("the fault says %q of %v", d, p.data["zone"])
			}
		}
		w.stop()
		w.startWith("shop", "house") // it stands
		w.pass(time.Minute)
		w.hear(n.open())
		w.pass(time.Second)
		shop.hears(n.idOf(n.next-1), "sounded")
		w.pass(time.Second)
		w.expectFaults(NoticeUnheard, "[began ended]")
	})
}

// What nobody has to confirm: a closing, an old trip, a fault, and anything at all where there is no annunciator, or only one that was put away.
func TestNothingToConfirm(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.startWith()
		n := w.node("river-gate")
		w.hear(n.open())
		w.pass(time.Minute) // nobody is there
		a := shop{w, "trial"}
		a.is("serving")
		w.hear(n.close(1, time.Second), n.fault(proto.FaultTamper, false), n.held(n.next, 3, time.Hour))
		n.next++
		w.pass(time.Minute)
		a.is("stopped")
		w.hear(n.open())
		w.pass(time.Minute)
		w.expectFaults(NoticeUnheard, "[]")
		a.is("lost") // not put away: it died
		w.hear(n.open())
		w.pass(time.Minute)
		w.expectFaults(NoticeUnheard, "[began]")
		if d := fmt.Sprint(w.broker.all("/fault")[1].data["detail"]); !strings.Contains(d, "trial is lost: its connection to the broker has ended") {
			t.Errorf("the fault says %q", d)
		}
		w.expectFaults(NoticeAnnunciatorLost, "[]") // nobody counts on it
		a.says("", "")                              // cleared
		w.hear(n.open())
		w.pass(time.Minute)
		if n := w.heardCount("unheard"); n != 1 {
			t.Errorf("%d unheard, want 1: there is no annunciator any more", n)
		}
	})
}

// That nobody has confirmed a trip ends, too, when all annunciators have been put away.
func TestUnheardPutAway(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, _ := withShop(t)
		w.hear(w.node("river-gate").open())
		w.pass(time.Minute)
		w.expectFaults(NoticeUnheard, "[began]")
		w.stop()
		w.startWith()
		shop{w, "shop"}.was("lost")
		w.pass(time.Hour)
		w.expectFaults(NoticeUnheard, "[began]") // it may come again
		w.stop()
		w.startWith()
		w.pass(20 * time.Second)
		w.expectFaults(NoticeUnheard, "[began]")
		shop{w, "shop"}.was("stopped")
		w.pass(time.Minute)
		w.expectFaults(NoticeUnheard, "[began ended]")
	})
}

// An unproven trip is to sound, so it is to be confirmed.
func TestUnprovenIsConfirmed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, _ := withShop(t)
		n := w.node("river-gate")
		n.timed = false
		w.hear(n.open())
		w.pass(10 * time.Second)
		w.expectFaults(NoticeUnheard, "[began]")
	})
}

// An annunciator that plays one sound after the other confirms the second late: it is waited for, though not for ever.
func TestBusyAnnunciator(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, a := withShop(t)
		n, m := w.node("river-gate"), w.node("ridge-gate")
		w.hear(n.open(), m.open())
		w.pass(3 * time.Second)
		a.hears(n.idOf(1), "sounded")
		w.pass(4500 * time.Millisecond)
		a.hears(m.idOf(1), "sounded")
		w.pass(time.Minute)
		w.expectFaults(NoticeUnheard, "[]")
		lost := m.open()
		for i := range 15 { // it goes on with others, and never comes to this one
			w.hear(n.open())
			if i == 0 {
				w.hear(lost)
			}
			w.pass(2 * time.Second)
			a.hears(n.idOf(n.next-1), "sounded")
			if i == 12 {
				w.expectFaults(NoticeUnheard, "[]")
			}
		}
		w.pass(5 * time.Second)
		if n := w.heardCount("unheard"); n != 1 {
			t.Errorf("%d unheard, want 1: it was never confirmed", n)
		}
	})
}

// As long as the gateway itself cannot hear, for a moment, nobody is blamed; if it goes on, the house is told why.
func TestGatewayCannotHear(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.opts = func(o *Options) { o.Annunciators = []string{"shop"} }
		w.start()
		n := w.node("river-gate")
		w.pass(2 * time.Second)
		w.hear(n.open())
		w.pass(10 * time.Second)
		w.expectFaults(NoticeUnheard, "[]")
		w.g.Listening(true)
		w.pass(2 * time.Second)
		a := shop{w, "shop"}
		a.is("serving")
		a.hears(n.idOf(1), "sounded") // the broker gives it late
		w.pass(time.Minute)
		w.expectFaults(NoticeUnheard, "[]")
		w.g.Listening(false)
		w.pass(time.Hour)
		w.expectFaults(NoticeAnnunciatorLost, "[]") // nobody knows
		w.hear(n.open())
		w.pass(40 * time.Second)
		w.expectFaults(NoticeUnheard, "[began]")
		if d := fmt.Sprint(w.broker.all("/fault")[0].data["detail"]); !strings.Contains(d, "the gateway cannot hear what they say") {
			t.Errorf("the fault says %q", d)
		}
	})
}

// An annunciator that is named and not there for 30 s is a fault that names it, until it is there; across restarts, and until it
// is not named any more.
func TestAnnunciatorLost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.startWith("shop", "house")
		a, house := shop{w, "shop"}, shop{w, "house"}
		a.is("serving")
		house.is("serving")
		up := func() string {
			return fmt.Sprint(w.g.AnnunciatorUp("shop"), w.g.AnnunciatorUp("house"), w.g.AnnunciatorUp("barn"))
		}
		if got := up(); got != "true true false" {
			t.Errorf("up: %s", got)
		}
		w.stay(time.Hour, a, house)
		a.is("lost")
		w.pass(25 * time.Second)
		w.stay(time.Hour, a, house) // a short outage is none
		w.expectFaults(NoticeAnnunciatorLost, "[]")
		a.is("stopped")
		w.pass(28 * time.Second)
		w.expectFaults(NoticeAnnunciatorLost, "[]")
		w.pass(5 * time.Second)
		w.expectFaults(NoticeAnnunciatorLost, "[began]")
		if d := fmt.Sprint(w.broker.all("/fault")[0].data["detail"]); d != "the annunciator shop was stopped" {
			t.Errorf("the fault says %q", d)
		}
		if got := up(); got != "false true false" {
			t.Errorf("up: %s", got)
		}
		w.stop()
		w.startWith("shop", "house")
		w.stay(time.Hour, house)
		w.expectFaults(NoticeAnnunciatorLost, "[began]")
		a.is("serving")
		w.pass(time.Second)
		w.expectFaults(NoticeAnnunciatorLost, "[began ended]")
		w.stop()
		w.startWith("shop", "house")
		w.stay(time.Hour, a) // of the house nothing is heard at all
		w.expectFaults(NoticeAnnunciatorLost, "[began ended began]")
		w.stop()
		w.startWith("shop")
		w.stay(time.Hour, a)
		w.expectFaults(NoticeAnnunciatorLost, "[began ended began ended]")
	})
}

// A broker that falls together with an annunciator publishes no last will, and keeps that it serves; nor does the connection of one end
// that has stopped to work. What counts is that it goes on saying that it is there.
func TestAnnunciatorDumb(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.startWith("shop")
		a := shop{w, "shop"}
		w.stay(time.Hour, a)
		w.g.Listening(false)
		w.pass(10 * time.Second)
		w.g.Listening(true)
		a.was("serving")
		w.pass(2 * time.Minute)
		w.expectFaults(NoticeAnnunciatorLost, "[]")
		w.pass(2 * time.Minute)
		w.expectFaults(NoticeAnnunciatorLost, "[began]")
		if d := fmt.Sprint(w.broker.all("/fault")[0].data["detail"]); !strings.Contains(d, "the annunciator shop has said nothing for 3m0s") {
			t.Errorf("the fault says %q", d)
		}
		if w.g.AnnunciatorUp("shop") {
			t.Error("it counts as up")
		}
		w.stop()
		w.startWith("shop")
		a.was("serving")
		w.pass(time.Hour)
		w.expectFaults(NoticeAnnunciatorLost, "[began]")
		w.stay(time.Hour, a)
		w.expectFaults(NoticeAnnunciatorLost, "[began ended]")
		if !w.g.AnnunciatorUp("shop") {
			t.Error("it does not count as up")
		}
	})
}

// What an annunciator sounded last stands in its retained state: a confirmation that came while the gateway could not hear is not lost.
func TestHeardByItsState(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, _ := withShop(t)
		n := w.node("river-gate")
		w.g.Listening(false)
		w.hear(n.open())
		w.pass(3 * time.Second)
		w.g.Listening(true)
		says := func(source string) {
			w.g.Annunciator("longlane/"+site+"/annunciator/shop", fmt.Appendf(nil, `{"state":"serving","sounded":{"source":%q,"id":%q,"zone":"river-gate","what":"trip"}}`, source, n.idOf(n.next-1)), true)
			w.pass(time.Minute)
		}
		says("/longlane/" + site)
		w.expectFaults(NoticeUnheard, "[]")
		w.hear(n.open())
		says("/longlane/mill-lane")
		w.expectFaults(NoticeUnheard, "[began]")
	})
}

// A test trip goes the whole way and moves nothing: no zone trips. What came of it is told in the node's health.
func TestTestTrips(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.startWith("shop")
		named, other := shop{w, "shop"}, shop{w, "trial"}
		named.is("serving")
		other.is("serving")
		n := w.node("river-gate")
		w.hear(n.checkIn())
		last := func() map[string]any {
			h, _ := w.broker.last("node/river-gate/health")["tests"].(map[string]any)
			r, _ := h["river-gate"].(map[string]any)
			return r
		}
		w.pass(time.Second)
		w.hear(n.testTrip(), n.testEnd())
		w.pass(200 * time.Millisecond)
		id := n.idOf(1)
		if p := w.broker.of(id); len(p) != 1 || p[0].data["test"] != true || p[0].topic != "longlane/"+site+"/zone/river-gate/test" || p[0].typ != typeTestOpened {
			t.Fatalf("the house got %d deliveries of the test: %+v", len(p), p)
		}
		if got := w.broker.last("zone/river-gate/state")["state"]; got != "clear" {
			t.Errorf("the zone is %v after a test, want clear", got)
		}
		named.hears(id, "test")
		if r := last(); r != nil {
			t.Errorf("judged before all have confirmed it: %v", r)
		}
		w.pass(time.Second)
		other.hears(id, "test")
		w.pass(100 * time.Millisecond)
		r := last()
		heard, _ := r["heard_s"].(map[string]any)
		if r["event"] != id || r["passed"] != true || r["why"] != nil || len(heard) != 2 || heard["shop"].(float64) < 0.2 || heard["trial"].(float64) < 1.2 || r["stored_s"].(float64) > 0.5 {
			t.Errorf("the result is %v", r)
		}
		w.expectFaults(NoticeUnheard, "[]")
		w.expectFaults(NoticeTestFailed, "[]")

		w.hear(n.testTrip(), n.testEnd()) // and now nobody has it but the trial, twice
		w.pass(200 * time.Millisecond)
		other.hears(n.idOf(3), "test")
		other.hears(n.idOf(3), "test")
		w.pass(20 * time.Second)
		if r := last(); r["passed"] != false || fmt.Sprint(r["missing"]) != "[shop]" || !strings.Contains(fmt.Sprint(r["why"]), "not confirmed within 5s by shop") {
			t.Errorf("the result is %v", r)
		}
		w.expectFaults(NoticeTestFailed, "[began]")
		w.hear(n.testTrip(), n.testEnd())
		w.pass(20 * time.Second)
		w.expectFaults(NoticeTestFailed, "[began]")
		w.stop()
		w.startWith("shop") // it stands; the trial has said nothing yet, and is not waited for
		named.is("serving")
		w.hear(n.testTrip(), n.testEnd())
		w.pass(time.Second)
		named.hears(n.idOf(7), "sounded")
		w.pass(time.Second)
		w.expectFaults(NoticeTestFailed, "[began ended]")
		w.expectFaults(NoticeUnheard, "[]")
		if a, b := w.heardCount("test of river-gate true"), w.heardCount("test of river-gate false"); a != 2 || b != 2 {
			t.Errorf("%d tests passed and %d failed, want 2 and 2", a, b)
		}
	})
}

// A test fails as well if it comes late, or cannot be stored.
func TestTestTripLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, a := withShop(t)
		n := w.node("river-gate")
		frame := n.testTrip()
		w.pass(time.Minute) // it is under way
		w.hear(frame)
		a.hears(n.idOf(1), "test")
		w.pass(10 * time.Second)
		w.expectFaults(NoticeTestFailed, "[began]")
		if d := fmt.Sprint(w.broker.all("/fault")[0].data["detail"]); !strings.Contains(d, "it came only 1m0s after it was made") {
			t.Errorf("the fault says %q", d)
		}
		w.hear(n.testTrip())
		a.hears(n.idOf(2), "test")
		w.pass(10 * time.Second)
		w.expectFaults(NoticeTestFailed, "[began ended]")
		w.setFault(func(string) error { return fmt.Errorf("the disk is away") })
		w.hear(n.testTrip())
		a.hears(n.idOf(3), "test")
		w.pass(10 * time.Second)
		w.setFault(nil)
		w.pass(10 * time.Second)
		w.expectFaults(NoticeTestFailed, "[began ended began]")
	})
}

// Where tests are to come, two that did not are a fault; not of a relay without inputs, and of a node that is shut out no more.
func TestTestsMissed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.opts = func(o *Options) { o.TestEvery = time.Hour }
		w.start()
		n, m := w.node("river-gate"), w.node("ridge-gate")
		for range 3 {
			w.pass(57 * time.Minute)
			w.hear(n.testTrip(), n.testEnd())
		}
		var about []string
		for _, p := range w.broker.all("/fault") {
			about = append(about, fmt.Sprint(p.data["zone"], p.data["detail"]))
		}
		if len(about) != 2 || strings.Contains(fmt.Sprint(about), "river-gate") || strings.Contains(fmt.Sprint(about), "relay") || !strings.Contains(fmt.Sprint(about), "no test trip of ridge-gate has come for 2h0m") {
			t.Errorf("faults %q, want one of the ridge gate and one of the cattle grid", about)
		}
		w.hear(m.testTrip(), m.testEnd())
		w.pass(10 * time.Second)
		w.expectFaults(NoticeTestFailed, "[began began ended]")
		r, err := roster.Open(w.dir)
		w.must(err)
		node, err := r.Named("cattle-grid")
		w.must(err)
		_, err = r.Revoke(node.Name)
		w.must(err)
		w.must(r.Save())
		w.pass(10 * time.Second)
		w.expectFaults(NoticeTestFailed, "[began began ended ended]")
	})
}

// Whatever is said on these topics, it costs a bounded time and memory, and good words beside it are heard.
func TestAnnunciatorGarbage(t *testing.T) {
	seeded(t, 2, func(t *testing.T, rng *rand.Rand) {
		w, a := withShop(t)
		n := w.node("river-gate")
		good := `{"source":"/longlane/hill-orchard","id":"1.1.1","what":"sounded","took_ms":3}`
		topics := []string{"longlane/hill-orchard/annunciator/shop", "longlane/hill-orchard/annunciator/shop/heard", "longlane/hill-orchard/annunciator//heard",
			"longlane/hill-orchard/annunciator/", "longlane/hill-orchard/annunciator/Shop/heard", "longlane/hill-orchard/annunciator/a/b/heard",
			"longlane/mill-lane/annunciator/shop", "longlane/hill-orchard/tick", ""}
		payloads := []string{"", "{", "null", "[]", `{"state":7}`, `{"state":"dancing"}`, `{"errors":{}}`, `{"source":"/longlane/mill-lane","id":"1.1.1","what":"sounded"}`,
			`{"source":"/longlane/hill-orchard","id":"","what":"sounded"}`, strings.Repeat("[", 20000), strings.Repeat("x", 1<<20),
			`{"source":"/longlane/hill-orchard","id":"9.9.9","what":"sounded","took_ms":-1e300}`}
		bad := func() {
			topic, payload := topics[rng.IntN(len(topics))], payloads[rng.IntN(len(payloads))]
			if payload == "" && strings.HasSuffix(topic, "/shop") {
				return // it clears the state, as it should
			}
			w.g.Annunciator(topic, []byte(payload), false)
		}
		for range 500 {
			bad()
		}
		w.wait()
		w.hear(n.open())
		for range 100 {
			bad()
		}
		w.pass(2 * time.Second)
		w.g.Annunciator(topics[1], []byte(good), false)
		w.pass(time.Minute)
		w.expectFaults(NoticeUnheard, "[]")
		w.expectFaults(NoticeAnnunciatorLost, "[]")
		for i := range 10000 { // as many annunciators, and words without end
			b := shop{w, fmt.Sprint("a", i)}
			w.g.Annunciator("longlane/"+site+"/annunciator/"+b.name, []byte(`{"state":"serving","errors":["`+strings.Repeat("e", 1000)+`"]}`), false)
			if i%1000 == 0 {
				w.pass(time.Second)
			}
		}
		w.pass(time.Second)
		if got := len(w.g.in.ears.known); got > maxAnnunciators {
			t.Errorf("%d annunciators are kept in mind, want %d at the most", got, maxAnnunciators)
		}
		if w.meter.count(w.meter.drops, "heard") == 0 {
			t.Error("nothing was dropped of ten thousand words")
		}
		for range maxAwaited + 20 { // trips without end, too
			w.hear(n.open())
		}
		if got := len(w.g.in.ears.awaited); got > maxAwaited {
			t.Errorf("%d openings are waited for, want %d at the most", got, maxAwaited)
		}
		a.is("serving") // it is not looked at any more from here on, so the gateway may go on
		w.pass(2 * time.Minute)
		if got := len(w.g.in.ears.awaited); got != 0 {
			t.Errorf("%d openings are still waited for", got)
		}
	})
}
