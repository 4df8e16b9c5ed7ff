package main

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"longlane/gateway/mqtt"
)

// listener speaks on the broker as an annunciator does, and confirms every opening unless it is told not to.
type listener struct {
	h    *house
	name string
	out  *mqtt.Session

	mu   sync.Mutex
	dumb bool
}

// speak opens the session by which an annunciator says that it is there, with its last will.
func (h *house) speak(name string) *mqtt.Session {
	h.t.Helper()
	state := func(s string) []byte { return fmt.Appendf(nil, `{"state":%q,"version":"test"}`, s) }
	topic := "longlane/hill-orchard/annunciator/" + name
	s, err := mqtt.Dial(context.Background(), mqtt.Options{URL: "mqtt://" + h.mos.addr, ClientID: name, Will: &mqtt.Will{Topic: topic, Payload: state("lost")}})
	if err != nil {
		h.t.Fatal(err)
	}
	h.t.Cleanup(s.Close)
	s.Publish(topic, 1, true, state("serving"), func(error) {})
	return s
}

func (h *house) newListener(name string) *listener {
	h.t.Helper()
	l := &listener{h: h, name: name, out: h.speak(name)}
	ctx, cancel := context.WithCancel(context.Background())
	done, ready := make(chan struct{}), make(chan struct{})
	granted := sync.OnceFunc(func() { close(ready) })
	go func() {
		defer close(done)
		mqtt.Subscribe(ctx, mqtt.SubscribeOptions{URL: "mqtt://" + h.mos.addr, ClientID: name + "-in", Filters: []string{"longlane/hill-orchard/zone/+/trip", "longlane/hill-orchard/zone/+/test"}, QoS: 1,
			CleanSession: true, Connected: granted}, func(_ string, payload []byte, _ bool) { l.trip(payload) })
	}()
	h.t.Cleanup(func() {
		cancel()
		<-done
	})
	<-ready
	return l
}

func (l *listener) trip(payload []byte) {
	var e struct {
		ID, Source, Type string
		Data             struct{ Test bool }
	}
	l.mu.Lock()
	dumb := l.dumb
	l.mu.Unlock()
	if json.Unmarshal(payload, &e) != nil || e.Type != "longlane.trip.opened" && e.Type != "longlane.test.opened" || dumb {
		return
	}
	what := "sounded"
	if e.Data.Test {
		what = "test"
	}
	text, _ := json.Marshal(map[string]any{"source": e.Source, "id": e.ID, "what": what, "took_ms": 3})
	l.out.Publish("longlane/hill-orchard/annunciator/"+l.name+"/heard", 1, false, text, func(error) {})
}

func (l *listener) silence(on bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.dumb = on
}

// TestHeardAtTheShop: a node, the gateway and mosquitto as processes, and who listens at the broker. A trip and a test trip are
// confirmed; then the one at the shop says nothing more, and goes.
func TestHeardAtTheShop(t *testing.T) {
	t.Parallel()
	g := newGateNode(t)
	g.write("longlane.toml", "annunciators = [\"shop\"]\n"+g.text("longlane.toml"))
	shop := g.newListener("shop")
	gateway := g.startGatewayAgain()
	g.watch()
	g.logged(`"msg":"answered"`, 1)
	eventually(t, time.Minute, "the gateway to know the shop", func() bool {
		_, text := g.get("/metrics")
		return metric(text, `longlane_annunciator_up{annunciator="shop"}`) == 1
	})

	g.say("closed")
	g.event("longlane.trip.opened", "", 0)
	g.say("open")
	g.metricIs(`longlane_heard_total{annunciator="shop",what="sounded"}`, 1)

	test := func(n float64, passed string) {
		t.Helper()
		g.node.cmd.Process.Signal(syscall.SIGUSR1)
		g.metricIs(`longlane_test_trips_total{node="river-gate",passed="`+passed+`"}`, n)
	}
	test(1, "yes")
	g.metricIs(`longlane_heard_total{annunciator="shop",what="test"}`, 1)
	health := func() (found string) {
		g.sub.mu.Lock()
		defer g.sub.mu.Unlock()
		for _, d := range g.sub.events {
			if d.topic == "longlane/hill-orchard/node/river-gate/health" {
				found = string(d.payload)
			}
		}
		return found
	}
	eventually(t, time.Minute, "the result in the node's health", func() bool {
		return strings.Contains(health(), `"tests":{"river-gate":{"event":"`) && strings.Contains(health(), `"passed":true`)
	})
	states := 0
	g.sub.mu.Lock()
	for _, d := range g.sub.events {
		if d.topic == "longlane/hill-orchard/zone/river-gate/state" && strings.Contains(string(d.payload), `"state":"tripped"`) {
			states++
		}
	}
	g.sub.mu.Unlock()
	if states != 1 {
		t.Errorf("the zone was tripped %d times, want once, by the visit", states)
	}

	shop.silence(true)
	test(1, "no")
	g.event("longlane.fault.began", "test-failed", 0)
	shop.silence(false)
	test(2, "yes")
	g.event("longlane.fault.ended", "test-failed", 0)

	shop.silence(true)
	g.say("closed")
	unheard := g.event("longlane.fault.began", "unheard", 0)
	if d := unheard.event.Data.Detail; !strings.Contains(d, "shop says that it is there") {
		t.Errorf("the fault says %q", d)
	}
	g.say("open")
	g.event("longlane.trip.closed", "", 1) // that of a visit came before
	shop.silence(false)
	g.say("closed")
	g.event("longlane.fault.ended", "unheard", 0)

	g.say("open")
	// Another client takes its name: the broker sees its connection end without a word, and publishes its will.
	s, err := mqtt.Dial(context.Background(), mqtt.Options{URL: "mqtt://" + g.mos.addr, ClientID: "shop"})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if d := g.event("longlane.fault.began", "annunciator-lost", 0).event.Data.Detail; d != "the annunciator shop is lost: its connection to the broker has ended" {
		t.Errorf("the fault says %q", d)
	}
	if code := gateway.stop(); code != exitDone {
		t.Errorf("the gateway ended with %d", code)
	}
}

func (h *house) metricIs(name string, want float64) {
	h.t.Helper()
	eventually(h.t, time.Minute, fmt.Sprintf("%s to be %v", name, want), func() bool {
		_, text := h.get("/metrics")
		return metric(text, name) == want
	})
}
