package gateway

import (
	"encoding/hex"
	"encoding/json"
	"time"
)

// Status is the retained publication of the gateway's own state: serving since it started, stopped since now, or lost,
// its last will, which can only tell when it last connected.
func (g *Gateway) Status(state string) Message {
	now := g.o.Clock.Mono()
	since := now
	if state == statusServing {
		since = g.started
	}
	status := map[string]any{"gateway": g.o.Name, "state": state, "boot": hex.EncodeToString(g.o.Clock.Boot[:])}
	if state == StatusLost {
		putTime(status, "last_connected", g.wallAt(now), now)
	} else {
		putTime(status, "since", g.wallAt(since), since)
	}
	text, _ := json.Marshal(status) // plain values: cannot fail
	return Message{Topic: g.topic("gateway", g.o.Name), QoS: 1, Retain: true, Payload: text}
}

// putTime leaves the wall time out while the clock is unset.
func putTime(m map[string]any, name, wall string, mono time.Duration) {
	m[name+"_monotonic_s"] = mono.Seconds()
	if wall != "" {
		m[name] = wall
	}
}

// The gateway's states. StatusLost is for the last will.
const (
	statusServing = "serving"
	statusStopped = "stopped"
	StatusLost    = "lost"
)

// tick is the beat by which listeners know that they would hear a trip, and reckon ages.
func (g *Gateway) tick() Message {
	c := g.o.Clock
	tick := map[string]any{"gateway": g.o.Name, "boot": hex.EncodeToString(c.Boot[:]), "monotonic_s": c.Mono().Seconds(),
		"clock": c.quality()}
	if t := g.wallAt(c.Mono()); t != "" {
		tick["time"] = t
	}
	text, _ := json.Marshal(tick) // plain values: cannot fail
	return Message{Topic: g.topic("tick"), Payload: text}
}
