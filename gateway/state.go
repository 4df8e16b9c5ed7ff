package gateway

import (
	"encoding/hex"
	"encoding/json"
	"slices"
	"time"

	"longlane/gateway/health"
	"longlane/proto"
)

// A node's verdicts.
const (
	verdictNever   = "not heard yet"
	verdictHeard   = "heard"
	verdictOverdue = "overdue"
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
	tell  func(Notice)
}

type zoneState struct {
	Zone  string   `json:"zone"`
	Title string   `json:"zone_title,omitempty"`
	State string   `json:"state"`
	Since string   `json:"since,omitempty"` // RFC 3339; absent while the clock is unset
	Boot  string   `json:"boot"`
	Mono  *float64 `json:"since_monotonic_s"` // on the gateway's clock since that boot, as in the tick
	Why   string   `json:"why,omitempty"`
	at    time.Duration
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
	// Severity is the worst of Faults: well, watch, trouble. They are what stands against the node, its zones and the hops from it.
	Severity health.Severity `json:"severity"`
	Faults   []nodeFault     `json:"faults"`
	// Tests are what came of the last test trip of each zone.
	Tests     map[string]*testResult `json:"tests,omitempty"`
	heard     time.Duration          // or when we began to listen for it
	unproven  time.Duration          // when a frame last came that proves nothing; 0: never
	everHeard bool
	blamed    bool // it is overdue by the verdicts
	mains     bool // it runs from the mains
}

type nodeFault struct {
	Code     string          `json:"code"`
	Severity health.Severity `json:"severity"`
	Reason   string          `json:"reason"`
	Remedy   string          `json:"remedy"`
}

func newHouse(g *Gateway, tell func(Notice)) *house {
	h := &house{g: g, tell: tell, zones: map[string]*zoneState{}, nodes: map[uint8]*nodeHealth{}}
	h.reload()
	return h
}

// reload brings in zones and nodes that enrolment has added, and drops those it took away.
func (h *house) reload() {
	h.g.observeZones()
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
			h.nodes[n.ID] = &nodeHealth{Node: n.Name, NodeID: n.ID, Verdict: verdictNever,
				Reason: "nothing has been heard since the gateway started", Boot: hex.EncodeToString(h.g.o.Clock.Boot[:]),
				heard: h.g.o.Clock.Mono()}
			h.publishNode(n.ID)
		}
		for _, in := range n.Inputs {
			z := h.zones[in.Zone]
			if z == nil || z.node != n.ID || z.input != in.Number {
				h.zones[in.Zone] = &zoneState{Zone: in.Zone, Title: h.g.o.Titles[in.Zone], Boot: hex.EncodeToString(h.g.o.Clock.Boot[:]), node: n.ID, input: in.Number}
				h.setZone(h.zones[in.Zone], zoneUnwatched, "its node has not been heard yet", h.g.o.Clock.Mono())
			}
		}
	}
}

func (h *house) drop(known map[string]bool, nodes map[uint8]bool) {
	for name := range h.zones {
		if !known[name] {
			delete(h.zones, name)
			h.g.observe(ZoneIs{Zone: name, Gone: true})
			h.g.retain(h.g.topic("zone", name, "state"), nil)
		}
	}
	for id, n := range h.nodes {
		if !nodes[id] {
			delete(h.nodes, id)
			h.g.observe(NodeIs{Node: n.Node, Gone: true})
			h.g.retain(h.g.topic("node", n.Node, "health"), nil)
		}
	}
}

// setZone moves a zone to a state as of mono.
func (h *house) setZone(z *zoneState, state, why string, mono time.Duration) {
	if z.State == state && z.Why == why {
		return
	}
	if z.State != state {
		z.at = mono
	}
	if state == zoneUnwatched && z.State != "" {
		h.g.observe(Unwatched{z.Zone, why})
	}
	z.State, z.Why = state, why
	h.publishZone(z)
}

func (h *house) publishZone(z *zoneState) {
	h.g.observe(ZoneIs{Zone: z.Zone, Node: h.g.nodeName(z.node), State: z.State, Why: z.Why, Since: z.at})
	z.Since, z.Mono = h.g.wallAt(z.at), seconds(z.at)
	text, _ := json.Marshal(z) // plain fields: cannot fail
	h.g.retain(h.g.topic("zone", z.Zone, "state"), text)
}

// event takes in a trip or a fault that has just been received.
func (h *house) event(e *Event) {
	there := h.heard(e) != nil
	if b, ok := e.Body.(*proto.Fault); ok {
		if b.Kind == proto.FaultBlocked {
			h.blocked(e, b, there)
		}
		return
	}
	in, ok := e.input()
	if !ok || in.Test { // nobody came
		return
	}
	state := zoneTripped
	if e.closed() {
		state = zoneClear
	}
	h.move(e, in.Number, state, "", there)
}

func (h *house) blocked(e *Event, b *proto.Fault, there bool) {
	if b.Ended {
		h.move(e, b.Input.Number, zoneClear, "", there)
	} else {
		h.move(e, b.Input.Number, zoneBlocked, "the contact has not returned", there)
	}
}

// move takes a zone to the state that an event tells of, if it is newer than what the zone's state came from. But a zone
// that nobody watches stays so until its node is proven to be there now: a frame that was held back, or may have been,
// tells of then.
func (h *house) move(e *Event, input uint8, state, why string, there bool) {
	z := h.zoneOf(e.ID.Node, input)
	if z == nil || !z.newer(e.ID) || z.State == zoneUnwatched && !there {
		return
	}
	h.setZone(z, state, why, e.Rx.Mono-e.before())
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

// checkIn takes in a check-in. One that is fresh is the last word on its inputs as they stand now: it sets their zones
// either way, and events from before it no longer do. highest is the highest event counter known of the node. One that
// came late, or may have, says nothing of now.
func (h *house) checkIn(e *Event, b *proto.CheckIn, highest uint32) {
	n := h.heard(e)
	if n == nil {
		return
	}
	n.setSupply(b.Battery, b.Temperature)
	restarts, oldest := b.Restarts, uint8(b.Oldest)
	n.Restarts, n.Held, n.mains = &restarts, &oldest, b.Mains
	last := max(proto.Resolve(b.Next, highest), 1) - 1
	for _, z := range h.zones {
		if z.node != e.ID.Node || z.gen > e.ID.Gen || z.gen == e.ID.Gen && z.mark > last {
			continue // an event that it did not know of yet has overtaken it
		}
		switch {
		case z.input > lastReported:
			if z.State == zoneUnwatched {
				h.setZone(z, zoneClear, "", e.Rx.Mono-e.before())
			}
			continue
		case b.Active>>z.input&1 == 0:
			h.setZone(z, zoneClear, "", e.Rx.Mono-e.before())
		case z.State != zoneBlocked:
			h.setZone(z, zoneTripped, "", e.Rx.Mono-e.before())
		}
		z.gen, z.mark = e.ID.Gen, last
	}
	h.publishNode(e.ID.Node)
}

// lastReported is the last input whose position a check-in tells. Of the others it shows only that the node is there,
// and would have told of a trip.
const lastReported = 3

func (n *nodeHealth) setSupply(b proto.Battery, t proto.Temperature) {
	var d tripData
	d.setSupply(b, t)
	n.Battery, n.Temperature = d.Battery, d.Temperature
}

const unprovenOnly = "frames come, but nothing proves that they were sent just now: the node does not know the gateway's time yet"

// heard notes that a node is there: that it was when it sealed the frame, however long relays, which may be stolen, have
// kept that since. A frame that was late, or may have been, or was kept for too long does not count: nil.
func (h *house) heard(e *Event) *nodeHealth {
	n := h.nodes[e.ID.Node]
	if n == nil || e.Fresh == proto.Late || e.Fresh == proto.Fresh && e.Rx.Mono-e.sealed() > h.patience() {
		return nil
	}
	if e.Fresh == proto.Unproven {
		n.unproven = e.Rx.Mono
		if n.Verdict != verdictHeard {
			n.Reason = unprovenOnly
			h.publishNode(e.ID.Node)
		}
		return nil
	}
	n.heard, n.everHeard, n.blamed = max(n.heard, e.sealed()), true, false
	n.Verdict, n.Reason = verdictHeard, "its frames arrive"
	n.LastHeard, n.HeardMono = h.g.wallAt(n.heard), seconds(n.heard)
	n.Bearer, n.Hops = e.Rx.Bearer, h.g.hopData(e)
	h.publishNode(e.ID.Node)
	return n
}

// tested notes what came of a test trip.
func (h *house) tested(id uint8, zone string, r *testResult) {
	n := h.nodes[id]
	if n == nil {
		return
	}
	if n.Tests == nil {
		n.Tests = map[string]*testResult{}
	}
	n.Tests[zone] = r
	h.publishNode(id)
}

func (h *house) publishNode(id uint8) {
	h.observeNode(id)
	if len(h.g.sinks) == 0 {
		return // in a rehearsal
	}
	n := h.nodes[id]
	if n.Hops == nil {
		n.Hops = []hopData{}
	}
	if n.Faults == nil {
		n.Faults = []nodeFault{}
	}
	text, _ := json.Marshal(n) // no NaN gets past number: cannot fail
	h.g.retain(h.g.topic("node", n.Node, "health"), text)
}

func (h *house) observeNode(id uint8) {
	if h.g.o.Observe == nil {
		return
	}
	n := h.nodes[id]
	o := NodeIs{Node: n.Node, Reason: n.Reason, Severity: n.Severity, Heard: n.heard, EverHeard: n.everHeard, Bearer: n.Bearer, Mains: n.mains, Battery: n.Battery, Temperature: n.Temperature}
	if r := h.g.o.Roster.Get().Node(id); r != nil {
		o.Relay = r.Relay
	}
	proven := true
	for _, hop := range n.Hops {
		o.Hops = append(o.Hops, HopIs{From: hop.From, To: hop.To, RSSI: hop.RSSI, SNR: hop.SNR, Margin: hop.Margin, Proven: hop.Verified && proven})
		proven = hop.Verified
	}
	h.g.observe(o)
}

// patience is how long a node may be silent.
func (h *house) patience() time.Duration { return Patience(h.g.o.CheckIn) }

// overdue finds nodes that cannot have been heard for so long that their zones are unwatched, though nobody blames them: deaf tells why
// what comes by a bearer cannot be heard; "": it can. Whom the verdicts blame, blame tells.
func (h *house) overdue(now time.Duration, deaf func(bearer string) string) {
	for id, n := range h.nodes {
		if now-n.heard <= h.patience() || n.Verdict == verdictOverdue {
			continue
		}
		why := deaf(n.Bearer)
		if why == "" {
			why = "the gateway could not hear it for a while, and has not heard it since"
		}
		h.silent(id, n, why)
	}
}

// blame tells of a node that is overdue, though it could have been heard, and returns why, in words.
func (h *house) blame(name string, v health.Verdict, now time.Duration) string {
	why := "two check-ins in a row were missed. " + v.Remedy
	for id, n := range h.nodes {
		if n.Node != name {
			continue
		}
		if n.unproven != 0 && now-n.unproven <= h.patience() {
			why = unprovenOnly
		}
		n.blamed = true
		h.silent(id, n, why)
	}
	return why
}

// passedOn notes that a relay has passed on a frame that was sealed then: it is not silent, though its own frames may be lost.
func (h *house) passedOn(name string, at time.Duration) {
	for _, n := range h.nodes {
		if n.Node == name && n.Verdict != verdictNever {
			n.heard = max(n.heard, at)
		}
	}
}

// absolve tells of a node that is there after all: if no frame of its own has told so, a relay's record of one that it passed on has.
func (h *house) absolve(name string, now time.Duration) {
	for id, n := range h.nodes {
		if n.Node == name && n.blamed {
			n.blamed, n.heard = false, now
			n.Verdict, n.Reason = verdictHeard, "it passes on what others send"
			h.publishNode(id)
		}
	}
}

// judged tells of what stands against a node, its zones, and the hops from it.
func (h *house) judged(standing []health.Verdict) {
	for id, n := range h.nodes {
		worst, faults := health.Well, []nodeFault{}
		for _, v := range standing {
			of := v.Subject.Name
			if z := h.zones[of]; v.Subject.Kind == health.KindZone && z != nil && z.node == id {
				of = n.Node
			} else if v.Subject.Kind != health.KindNode && v.Subject.Kind != health.KindHop {
				continue
			}
			if of == n.Node {
				worst = max(worst, v.Severity)
				faults = append(faults, nodeFault{string(v.Code), v.Severity, v.Reason, v.Remedy})
			}
		}
		if worst != n.Severity || !slices.Equal(faults, n.Faults) {
			n.Severity, n.Faults = worst, faults
			h.publishNode(id)
		}
	}
}

func (h *house) silent(id uint8, n *nodeHealth, why string) {
	n.Verdict, n.Reason = verdictOverdue, why
	h.publishNode(id)
	for _, z := range h.zones {
		if z.node == id {
			h.setZone(z, zoneUnwatched, "its node is overdue: "+why, h.g.o.Clock.Mono())
		}
	}
}

// clockSet tells again, with times, what was told without.
func (h *house) clockSet() {
	for _, z := range h.zones {
		h.publishZone(z)
	}
	for id, n := range h.nodes {
		if n.everHeard {
			n.LastHeard = h.g.wallAt(n.heard)
			h.publishNode(id)
		}
	}
}
