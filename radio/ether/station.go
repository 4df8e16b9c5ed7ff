package ether

import (
	"encoding/hex"
	"fmt"
	"math"
	"time"

	"longlane/proto"
	"longlane/radio/node"
)

// station is a node in the air, and a relay where a path says so.
type station struct {
	antenna
	e    *Ether
	spec *Node
	card node.Card
	keys *proto.Keys
	path []*station
	freq float64 // of its crystal, Hz

	node     *node.Node
	boot     int           // starts so far: what was planned for an earlier one is void
	bootAt   time.Duration // the node's zero
	listens  time.Duration // until then, in the ether's time
	planned  time.Duration // its next wake
	saved    []byte
	contacts [16]bool // in their tripped position
}

func (e *Ether) newStation(spec *Node, field string) (*station, error) {
	card, err := e.o.Card(spec.Card)
	if err != nil {
		return nil, &FieldError{field, fmt.Sprintf("%q (%v)", spec.Card, err), "a card that enrolment made"}
	}
	keys, err := proto.NewKeys(card.Key[:])
	if err != nil {
		return nil, err
	}
	if len(e.stations) > 0 && card.Site != e.site {
		return nil, &FieldError{field, fmt.Sprintf("a card of site %d", card.Site), fmt.Sprintf("one of site %d, as the first node's", e.site)}
	}
	e.site = card.Site
	for _, st := range e.stations {
		if st.card.Node == card.Node {
			return nil, &FieldError{field, fmt.Sprintf("a card of node %d, as %s has", card.Node, st.spec.Name), "each node once"}
		}
	}
	st := &station{e: e, spec: spec, card: card, keys: keys, freq: math.Round(e.rand.NormFloat64() * 400), saved: node.FirstSaved()}
	if saved, ok := e.o.Saved[spec.Name]; ok {
		st.saved = saved
	}
	if _, err := node.New(st.config(), st.saved, 0); err != nil {
		return nil, &FieldError{field, err.Error(), "a node that can run"}
	}
	return st, nil
}

func (st *station) config() node.Config {
	c := st.card.Config()
	c.Mains, c.CheckIn = st.spec.Mains, time.Duration(st.spec.CheckIn)
	for _, in := range st.spec.inputs() {
		c.Inputs = append(c.Inputs, node.InputConfig{Number: in.Number, NormallyClosed: in.NormallyClosed,
			Debounce: time.Duration(in.Debounce), MinDwell: time.Duration(in.MinDwell)})
	}
	hops := time.Duration(len(st.spec.Path) + 1)
	// A receipt needs the way there and back: for each hop the longest frames, and the relays' pauses.
	longest := st.e.o.Airtime(35+proto.MaxHops*proto.HopSize) + st.e.o.Airtime(33)
	c.ReceiptWait = min(time.Second+hops*(longest+2*holdMost), 30*time.Second)
	c.Seed = st.e.rand.Uint64()
	return c
}

// start is the power coming (back). The configuration was tried in newStation.
func (st *station) start(first bool) {
	e := st.e
	if !first {
		e.record(Record{What: RecordRestart, Node: st.spec.Name})
	}
	st.boot++
	st.bootAt, st.listens, st.planned = e.now, 0, never
	n, err := node.New(st.config(), st.saved, 0)
	if err != nil {
		panic("ether: " + err.Error())
	}
	st.node = n
	st.step(node.Measured{Battery: 3.6, Temperature: 8, Noise: -117})
	for _, in := range st.spec.inputs() {
		st.step(node.Edge{Input: in.Number, Closed: st.contacts[in.Number] != in.NormallyClosed})
	}
}

func (st *station) pace() float64 { return 1 + st.spec.DriftPPM*1e-6 }

// local is the node's own time at t.
func (st *station) local(t time.Duration) time.Duration {
	return time.Duration(float64(t-st.bootAt) * st.pace())
}

// global is the first moment at which the node's clock shows local or later.
func (st *station) global(local time.Duration) time.Duration {
	if local > 100*365*24*time.Hour {
		return never
	}
	t := st.bootAt + time.Duration(float64(local)/st.pace())
	for st.local(t) < local {
		t += max(time.Nanosecond, local-st.local(t))
	}
	return t
}

func (st *station) step(in node.Input) {
	out, wake := st.node.Step(st.local(st.e.now), in)
	st.plan(st.global(wake))
	for _, o := range out {
		st.carryOut(o)
	}
}

// plan sees to it that the node is called at t. A plan is void once another has been made.
func (st *station) plan(t time.Duration) {
	st.planned = t
	if t == never {
		return
	}
	st.e.at(t, func() {
		if st.planned == t {
			st.planned = never
			st.step(nil)
		}
	})
}

func (st *station) carryOut(o node.Output) {
	switch o := o.(type) {
	case node.Persist:
		st.saved = o.Saved
		if st.e.o.Saves != nil {
			st.e.o.Saves(st.spec.Name, o.Saved)
		}
		st.step(node.Stored{})
	case node.Listen:
		st.listens = st.global(o.Until)
	case node.Transmit:
		st.transmit(o)
	case node.Observed:
		st.observed(o)
	}
}

func (st *station) observed(o node.Observed) {
	what, ok := map[node.What]What{node.Made: RecordMade, node.Released: RecordReleased, node.Dropped: RecordDropped}[o.What]
	if !ok {
		return
	}
	r := Record{What: what, Node: st.spec.Name, ID: fmt.Sprintf("%d.%d.%d", st.card.Node, st.card.Gen, o.Counter),
		Counter: new(o.Counter), Kind: o.Kind.String(), Input: new(o.Input), Age: secondsOf(o.Age), Why: o.Why}
	if o.Kind == node.FaultEvent {
		r.Fault, r.Ended, r.Input = o.Fault.String(), o.Ended, nil
	}
	if o.Kind == node.Closing && o.What == node.Made {
		r.Dwell = secondsOf(o.Dwell)
	}
	st.e.record(r)
}

func (st *station) transmit(t node.Transmit) {
	e, boot := st.e, st.boot
	sent := st.claim(e.now, e.o.Airtime(len(t.Frame)))
	r := Record{What: RecordSent, Node: st.spec.Name, Kind: t.Type.String(), Counter: new(t.Counter), Attempt: new(t.Attempt)}
	if t.Type.Event() {
		r.ID = fmt.Sprintf("%d.%d.%d", st.card.Node, st.card.Gen, t.Counter)
	}
	e.at(sent.from, func() {
		sending := r
		sending.Frame = hex.EncodeToString(t.Frame)
		e.record(sending)
	})
	e.at(sent.to, func() {
		if st.boot == boot {
			st.step(node.TxDone{})
		}
		e.ascend(st, st.path, t.Frame, r, sent)
	})
}

// signal draws how a station is heard by the next, in the quarters of a dB that modems measure.
func (st *station) signal() (rssi, snr float64) {
	fade := st.spec.Spread * st.e.rand.NormFloat64()
	quarters := func(v float64) float64 { return math.Round(4*v) / 4 }
	return quarters(min(max(st.spec.RSSI+fade, -140), 0)), quarters(min(max(st.spec.SNR+fade, -25), 20))
}

// The time for which a relay holds a frame before it sends it on.
const (
	holdLeast = 15 * time.Millisecond
	holdMost  = 45 * time.Millisecond
)

// ascend brings a frame that from has just sent to the next station on the way to the gateway.
func (e *Ether) ascend(from *station, path []*station, frame []byte, r Record, heard interval) {
	rssi, snr := from.signal()
	if len(path) == 0 {
		e.arrive(from, frame, r, heard, rssi, snr)
		return
	}
	relay := path[0]
	if relay.deaf(heard) {
		e.lost(r, toGateway, relay.spec.Name+" was sending")
		return
	}
	sent := relay.claim(e.now+e.between(holdLeast, holdMost), e.o.Airtime(len(frame)+proto.HopSize))
	hop := proto.Hop{Relay: relay.card.Node, Gen: relay.card.Gen, RSSI: proto.EncodeRSSI(rssi), SNR: proto.EncodeSNR(snr),
		Held: proto.EncodeDur8(sent.from - heard.to)}
	onward, err := proto.AppendHop(frame, relay.keys, hop)
	if err != nil {
		e.lost(r, toGateway, err.Error())
		return
	}
	r.Hops = append(r.Hops[:len(r.Hops):len(r.Hops)], Hop{relay.spec.Name, hop.Relay, hop.RSSI.DBm(), hop.SNR.DB(),
		hop.Held.Duration().Seconds()})
	e.at(sent.to, func() { e.ascend(relay, path[1:], onward, r, sent) })
}

// arrive brings a frame to the gateway's antenna.
func (e *Ether) arrive(from *station, frame []byte, r Record, heard interval, rssi, snr float64) {
	if e.gateway.deaf(heard) {
		e.lost(r, toGateway, "the modem was sending")
		return
	}
	r.RSSI, r.SNR = &rssi, &snr
	freq := from.freq + math.Round(e.rand.NormFloat64()*20)
	e.distort(up, frame, r, func(f []byte, r Record) { e.hand(f, r, freq) })
}

// hand passes a frame to the modem.
func (e *Ether) hand(frame []byte, r Record, freq float64) {
	if e.unplugged {
		e.lost(r, toGateway, "the modem is unplugged")
		return
	}
	r.What, r.Frame = RecordHeard, hex.EncodeToString(frame)
	e.record(r)
	e.out = append(e.out, Event{At: e.now, Frame: frame, RSSI: *r.RSSI, SNR: *r.SNR, Freq: freq})
}

// descend brings a frame, sent during heard by the station after st.path[next], on its way to st.
func (e *Ether) descend(st *station, next int, frame []byte, heard interval) {
	r := Record{Node: st.spec.Name, Kind: kindOf(frame)}
	if next < 0 {
		e.receive(st, frame, heard)
		return
	}
	relay := st.path[next]
	switch {
	case relay.deaf(heard):
		e.lost(r, fromGateway, relay.spec.Name+" was sending")
		return
	case len(frame) < 2 || frame[1]&0x0f == 0:
		e.lost(r, fromGateway, "no hops are left")
		return
	}
	frame = append([]byte(nil), frame...)
	frame[1]-- // the low nibble, which is not 0
	sent := relay.claim(e.now+e.between(holdLeast, holdMost), e.o.Airtime(len(frame)))
	e.at(sent.to, func() { e.descend(st, next-1, frame, sent) })
}

// receive brings a frame to the node, if it listens. How it hears the station that is nearest to it is how that hears it.
func (e *Ether) receive(st *station, frame []byte, heard interval) {
	r := Record{What: RecordReceived, Node: st.spec.Name, Kind: kindOf(frame), Frame: hex.EncodeToString(frame)}
	switch {
	case st.deaf(heard):
		e.lost(r, fromGateway, "the node was sending")
		return
	case !st.spec.Mains && heard.from > st.listens:
		e.lost(r, fromGateway, "the node was not listening")
		return
	}
	rssi, snr := st.signal()
	r.RSSI, r.SNR = &rssi, &snr
	if raw, err := proto.Parse(frame); err == nil && raw.Type.Receipt() {
		r.Counter = new(raw.Counter) // its low 16 bits
	}
	e.record(r)
	st.step(node.Received{Frame: frame, RSSI: rssi, SNR: snr})
}

func kindOf(frame []byte) string {
	raw, err := proto.Parse(frame)
	if err != nil {
		return "no frame"
	}
	return raw.Type.String()
}

func (e *Ether) lost(r Record, direction, why string) {
	r.What, r.Direction, r.Why = RecordLost, direction, why
	e.record(r)
}
