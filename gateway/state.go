package gateway

import (
	"encoding/hex"
	"encoding/json"
	"time"

	"longlane/proto"
)

// A zone's states.
const (
	zoneClear     = "clear"
	zoneTripped   = "tripped"
	zoneBlocked   = "blocked"
	zoneUnwatched = "unwatched"
)

// house is the retained picture of the site: the state of each zone and the health of each node. It starts out
// unwatched, since nothing is assumed across a restart, and moves only on frames that are newer than what it knows,
// never on what was kept from earlier. The ingest goroutine owns it.
type house struct {
	g     *Gateway
	zones map[string]*zoneState
	nodes map[uint8]*nodeHealth
}

type zoneState struct {
	Zone  string `json:"zone"`
	Title string `json:"zone_title,omitempty"`
	State string `json:"state"`
	Since string `json:"since,omitempty"` // RFC 3339; absent while the clock is unset
	Why   string `json:"why,omitempty"`
	mark  uint32 // counter of the event that set it
	gen   uint8
	node  uint8
	input uint8
}

type nodeHealth struct {
	Node        string    `json:"node"`
	NodeID      uint8     `json:"node_id"`
	Verdict     string    `json:"verdict"` // heard, overdue, not heard yet
	Reason      string    `json:"reason"`
	LastHeard   string    `json:"last_heard,omitempty"`
	Boot        string    `json:"boot"`
	HeardMono   *float64  `json:"last_heard_monotonic_s,omitempty"`
	Battery     *float64  `json:"battery_v,omitempty"`
	Temperature *int      `json:"temperature_c,omitempty"`
	Restarts    *uint8    `json:"restarts,omitempty"`
	Held        *uint8    `json:"oldest_held_back,omitempty"`
	Bearer      string    `json:"bearer,omitempty"`
	Hops        []hopData `json:"hops"`
	heard       time.Duration
	everHeard   bool
}

func newHouse(g *Gateway) *house {
	h := &house{g: g, zones: map[string]*zoneState{}, nodes: map[uint8]*nodeHealth{}}
	h.reload()
	return h
}

// reload brings in zones and nodes that enrolment has added, and drops those it took away.
func (h *house) reload() {
	known, nodes := map[string]bool{}, map[uint8]bool{}
	for _, n := range h.g.o.Roster.Get().Nodes {
		if n.Revoked {
			continue
		}
		nodes[n.ID] = true
		for _, in := range n.Inputs {
			known[in.Zone] = true
		}
	}
	h.drop(known, nodes) // first: a spare has the name, and so the topic, of the node that it replaces
	for _, n := range h.g.o.Roster.Get().Nodes {
		if n.Revoked {
			continue
		}
		if h.nodes[n.ID] == nil {
			h.nodes[n.ID] = &nodeHealth{Node: n.Name, NodeID: n.ID, Verdict: "not heard yet",
				Reason: "nothing has been heard since the gateway started", Boot: hex.EncodeToString(h.g.o.Clock.Boot[:])}
			h.publishNode(n.ID)
		}
		for _, in := range n.Inputs {
			z := h.zones[in.Zone]
			if z == nil || z.node != n.ID || z.input != in.Number {
				h.zones[in.Zone] = &zoneState{Zone: in.Zone, Title: h.g.o.Titles[in.Zone], node: n.ID, input: in.Number}
				h.setZone(h.zones[in.Zone], zoneUnwatched, "its node has not been heard yet", h.g.o.Clock.Mono())
			}
		}
	}
}

func (h *house) drop(known map[string]bool, nodes map[uint8]bool) {
	for name := range h.zones {
		if !known[name] {
			delete(h.zones, name)
			h.g.retain(h.g.topic("zone", name, "state"), nil)
		}
	}
	for id, n := range h.nodes {
		if !nodes[id] {
			delete(h.nodes, id)
			h.g.retain(h.g.topic("node", n.Node, "health"), nil)
		}
	}
}

// setZone moves a zone to a state as of mono.
func (h *house) setZone(z *zoneState, state, why string, mono time.Duration) {
	if z.State == state {
		return
	}
	z.State, z.Why, z.Since = state, why, h.g.wallAt(mono)
	text, _ := json.Marshal(z) // plain fields: cannot fail
	h.g.retain(h.g.topic("zone", z.Zone, "state"), text)
}

// event takes in a trip or a fault that has just been received.
func (h *house) event(e *Event) {
	h.heard(e)
	if b, ok := e.Body.(*proto.Fault); ok {
		if z := h.zoneOf(e.ID.Node, b.Input.Number); z != nil && b.Kind == proto.FaultBlocked && z.newer(e.ID) {
			if b.Ended {
				h.setZone(z, zoneClear, "", e.Rx.Mono-e.before())
			} else {
				h.setZone(z, zoneBlocked, "the contact has not returned", e.Rx.Mono-e.before())
			}
		}
		return
	}
	in, ok := e.input()
	if !ok {
		return
	}
	z := h.zoneOf(e.ID.Node, in.Number)
	if z == nil || !z.newer(e.ID) {
		return
	}
	state := zoneTripped
	if e.closed() {
		state = zoneClear
	}
	h.setZone(z, state, "", e.Rx.Mono-e.before())
}

// newer notes id and reports whether it is newer than what the zone's state came from.
func (z *zoneState) newer(id ID) bool {
	if z.gen == id.Gen && id.Counter <= z.mark && z.mark != 0 || id.Gen < z.gen {
		return false
	}
	z.gen, z.mark = id.Gen, id.Counter
	return true
}

func (h *house) zoneOf(node, input uint8) *zoneState {
	for _, z := range h.zones {
		if z.node == node && z.input == input {
			return z
		}
	}
	return nil
}

// checkIn takes in a check-in that is fresh: one that came late says nothing of now.
func (h *house) checkIn(e *Event, b *proto.CheckIn) {
	n := h.heard(e)
	if n == nil {
		return
	}
	n.setSupply(b.Battery, b.Temperature)
	restarts, oldest := b.Restarts, uint8(b.Oldest)
	n.Restarts, n.Held = &restarts, &oldest
	for _, z := range h.zones {
		if z.node != e.ID.Node || z.input > 3 || z.State != zoneUnwatched {
			continue
		}
		state := zoneClear
		if b.Active>>z.input&1 == 1 {
			state = zoneTripped
		}
		h.setZone(z, state, "", e.Rx.Mono)
	}
	h.publishNode(e.ID.Node)
}

func (n *nodeHealth) setSupply(b proto.Battery, t proto.Temperature) {
	var d tripData
	d.setSupply(b, t)
	n.Battery, n.Temperature = d.Battery, d.Temperature
}

// heard notes that a node was heard just now. A frame that was late does not count.
func (h *house) heard(e *Event) *nodeHealth {
	n := h.nodes[e.ID.Node]
	if n == nil || e.Fresh == proto.Late {
		return nil
	}
	n.heard, n.everHeard = e.Rx.Mono, true
	n.Verdict, n.Reason = "heard", "its frames arrive"
	n.LastHeard, n.HeardMono = h.g.wallAt(e.Rx.Mono), seconds(e.Rx.Mono)
	n.Bearer, n.Hops = e.Rx.Bearer, h.g.hopData(e)
	h.publishNode(e.ID.Node)
	return n
}

func (h *house) publishNode(id uint8) {
	n := h.nodes[id]
	if n.Hops == nil {
		n.Hops = []hopData{}
	}
	text, _ := json.Marshal(n) // no NaN gets past number: cannot fail
	h.g.retain(h.g.topic("node", n.Node, "health"), text)
}

// overdue finds nodes that have missed two check-ins, and says that their zones are unwatched.
func (h *house) overdue(now time.Duration) {
	limit := 2*h.g.o.CheckIn + 10*time.Second
	for id, n := range h.nodes {
		if !n.everHeard || n.Verdict == "overdue" || now-n.heard <= limit {
			continue
		}
		n.Verdict = "overdue"
		n.Reason = "two check-ins in a row were missed: look at its battery, antenna and relay"
		h.publishNode(id)
		for _, z := range h.zones {
			if z.node == id {
				h.setZone(z, zoneUnwatched, "its node is overdue", now)
			}
		}
		h.g.o.Log.Warn("node is overdue", "node", n.Node, "last_heard", n.LastHeard)
	}
}
