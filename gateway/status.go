package gateway

import (
	"encoding/hex"
	"encoding/json"
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
		status["last_connected"], status["last_connected_monotonic_s"] = g.wallAt(now), now.Seconds()
	} else {
		status["since"], status["since_monotonic_s"] = g.wallAt(since), since.Seconds()
	}
	text, _ := json.Marshal(status) // plain values: cannot fail
	return Message{Topic: g.topic("gateway", g.o.Name), QoS: 1, Retain: true, Payload: text}
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
	text, _ := json.Marshal(map[string]any{ // plain values: cannot fail
		"gateway": g.o.Name, "boot": hex.EncodeToString(c.Boot[:]), "monotonic_s": c.Mono().Seconds(),
		"clock": c.quality(), "time": g.wallAt(c.Mono())})
	return Message{Topic: g.topic("tick"), Payload: text}
}

// notify has ingest tell the house of a fault that a sink found.
func (g *Gateway) notify(n Notice) {
	select {
	case g.notices <- n:
	default:
		g.o.Log.Error("fault", "code", n.Code, "detail", n.Detail)
	}
}
