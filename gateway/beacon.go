package gateway

import (
	"fmt"
	"slices"
	"time"

	"longlane/gateway/roster"
	"longlane/proto"
	"longlane/radio"
	"longlane/radio/lora"
	"longlane/radio/route"
)

// Air is how a bearer is set that is a LoRa modem.
type Air struct {
	lora.Settings
	Sends bool           // it may transmit
	Noise func() float64 // noise floor as last reported, dBm; not a number if it is not known. nil: never
}

// mesh is the gateway's part in the relays' finding of their ways: beacons, and what is heard of theirs. What it hears are
// hints (proto/PROTOCOL.md, section 8): they make a beacon come sooner, and nothing else.
type mesh struct {
	timers map[string]*route.Trickle // by bearer; only where beacons go
	group  *groupCounter
	heard  map[uint8]hint // by sender
	frames map[heardKey]*heardFrame
	told   map[uint8]time.Duration // when a sender last got a hop acknowledgement
	named  map[uint8]bool          // nodes that pass for relays, of which the log tells
}

// hint is the last group frame of a sender.
type hint struct {
	gen     uint8
	counter uint32
	at      time.Duration
}

// hintMemory is for how long a sender's counters are refused that are not above its last. A stolen node may write the
// highest of all in another's name; that one is ignored for no longer.
const hintMemory = time.Hour

// beaconKept is how long a beacon may wait to be sent: the next one comes 4 s after it at the earliest, and its time is
// wrong by what it waits.
const beaconKept = 4 * time.Second

// beaconTimer is a timer for one bearer. It is never told of consistent beacons (RFC 6206, step 3), so nothing that is heard
// keeps the gateway's own back: nobody else says what it says, that here is the gateway, and a stolen node that sends ten
// beacons in each interval would take it off the air.
func (g *Gateway) beaconTimer(bearer string, now time.Duration) (*route.Trickle, error) {
	c := route.Defaults(g.o.Air[bearer].Settings).Beacons
	i := slices.IndexFunc(g.o.Links, func(l radio.Link) bool { return l.Name() == bearer })
	seed := g.o.Seed ^ (uint64(g.o.Roster.Get().Site)<<16 | uint64(g.o.Number)<<8 | uint64(i))
	return route.NewTrickle(c, seed, now)
}

// beacons hands a beacon to each bearer for which it is time, and tells for how long there is none to hand over; 0: until
// something changes. Beacons cost airtime, so a site without relays has none. A bearer that comes up has news: its timer
// begins anew.
func (in *ingest) beacons() (wait time.Duration) {
	g, now := in.g, in.g.o.Clock.Mono()
	relays := slices.ContainsFunc(g.o.Roster.Get().Nodes, func(n roster.Node) bool { return n.Relay && !n.Revoked })
	for _, l := range g.o.Links {
		name := l.Name()
		if !relays || !g.o.Air[name].Sends || !l.Up() {
			delete(in.mesh.timers, name)
			continue
		}
		t := in.mesh.timers[name]
		if t == nil {
			var err error
			if t, err = g.beaconTimer(name, now); err != nil {
				continue // New has tried
			}
			in.mesh.timers[name] = t
		}
		fire, wake := t.Step(now)
		if fire {
			in.beacon(name, now)
		}
		if w := max(wake-now, time.Nanosecond); wait == 0 || w < wait {
			wait = w
		}
	}
	return wait
}

func (in *ingest) beacon(bearer string, now time.Duration) {
	at := in.epochs.at(now)
	b := &proto.Beacon{Epoch: at.Epoch, Time: proto.EncodeGatewayTime(at.Since), Noise: proto.NoRSSI}
	if noise := in.g.o.Air[bearer].Noise; noise != nil {
		b.Noise = proto.EncodeRSSI(noise())
	}
	in.sendHint(bearer, proto.TypeBeacon, b, outgoing{heard: now, kept: beaconKept})
}

// sendHint seals b with the group key and hands it to a bearer.
func (in *ingest) sendHint(bearer string, typ proto.Type, b proto.Body, out outgoing) {
	g := in.g
	r := g.o.Roster.Get()
	number, err := in.mesh.group.take(g.o.Clock.Mono())
	if err == nil {
		var keys *proto.Keys
		if keys, err = r.Group(); err == nil {
			out.frame, err = proto.Seal(nil, keys, proto.Header{Type: typ, Site: r.Site, Node: proto.GatewayBase + g.o.Number,
				Gen: r.GroupGen, Counter: number}, b)
		}
	}
	if err != nil {
		g.o.Meter.Hint(bearer, typ.String(), "failed")
		g.o.Log.Debug("nothing was sent", "bearer", bearer, "what", typ, "err", err)
		return
	}
	g.senders[bearer].send(out)
}

// hint takes in a frame under the group key.
func (in *ingest) hint(raw proto.Raw, p radio.Packet, r *roster.Roster) (verdict string) {
	switch n := r.Node(raw.Node); {
	case raw.Gen != r.GroupGen:
		return "generation"
	case raw.Node == proto.GatewayBase+in.g.o.Number:
		return "direction" // a recording of its own
	case raw.Node >= proto.GatewayBase:
	case n == nil:
		return "unknown-node"
	case n.Revoked:
		return "revoked"
	}
	keys, err := r.Group()
	if err != nil {
		return "mac"
	}
	body, err := raw.Open(keys, raw.Counter)
	if err != nil {
		return reason(err)
	}
	now := in.g.o.Clock.Mono()
	if last, ok := in.mesh.heard[raw.Node]; ok && last.gen == raw.Gen && raw.Counter <= last.counter && now-last.at < hintMemory {
		return "repeat"
	}
	in.mesh.heard[raw.Node] = hint{raw.Gen, raw.Counter, now}
	lost := false
	switch b := body.(type) {
	case *proto.Beacon:
		lost = b.Distance == proto.NoDistance
		in.passesForRelay(r.Node(raw.Node))
	case *proto.Solicit:
		lost = b.Distance == proto.NoDistance || !b.Receipt
		if b.Receipt {
			in.asked(raw.Node, p.Bearer, b.Tag)
		}
	}
	if t := in.mesh.timers[p.Bearer]; t != nil && lost {
		t.Inconsistent(now)
	}
	return "hint"
}

// passesForRelay says once in a run that a node sends beacons, as relays alone do, and was not enrolled as one.
func (in *ingest) passesForRelay(n *roster.Node) {
	if n == nil || n.Relay || in.mesh.named[n.ID] {
		return
	}
	in.mesh.named[n.ID] = true
	in.g.o.Log.Warn("a node works as a relay, but was not enrolled with --relay: if no other was, the gateway sends no beacons, and it finds no way",
		"node", n.Name, "id", n.ID)
}

// checkAir refuses settings with which no beacon can be sent.
func (g *Gateway) checkAir() error {
	for name, a := range g.o.Air {
		if !a.Sends {
			continue
		}
		if err := a.Check(); err != nil {
			return fmt.Errorf("bearer %s: %w", name, err)
		}
		if _, err := g.beaconTimer(name, 0); err != nil {
			return fmt.Errorf("bearer %s: %w", name, err)
		}
	}
	return nil
}
