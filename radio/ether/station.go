package ether

import (
	"encoding/hex"
	"fmt"
	"math"
	"time"

	"longlane/proto"
	"longlane/radio/ether/air"
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

	index   int  // in the air
	relays  bool // it stands in another's path
	dead    bool
	died    string // why
	battery battery

	checkIns uint64 // made, each counted once

	node     *node.Node
	boot     int           // starts so far: what was planned for an earlier one is void
	bootAt   time.Duration // the node's zero
	listens  interval      // a node on a battery hears what begins within it, in the ether's time
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
	st := &station{e: e, spec: spec, index: len(e.stations), battery: newBattery(spec), card: card, keys: keys, freq: math.Round(e.rand.NormFloat64() * 400), saved: node.FirstSaved()}
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
	for _, in := range st.spec.Contacts() {
		c.Inputs = append(c.Inputs, node.InputConfig{Number: in.Number, NormallyClosed: in.NormallyClosed,
			Debounce: time.Duration(in.Debounce), MinDwell: time.Duration(in.MinDwell)})
	}
	hops := time.Duration(len(st.spec.Path) + 1)
	// A receipt needs the way there and back: for each hop the longest frames, and the relays' pauses.
	longest := st.e.Airtime(proto.MaxSize) + st.e.Airtime(proto.TypeReceipt.Size())
	c.ReceiptWait = min(time.Second+hops*(longest+2*holdMost), 30*time.Second)
	c.Seed = st.e.rand.Uint64()
	return c
}

// start is the power coming (back). The configuration was tried in newStation.
func (st *station) start(first bool) {
	e := st.e
	if st.dead {
		return
	}
	if !first {
		e.record(Record{What: RecordRestart, Node: st.spec.Name})
	}
	st.boot++
	st.bootAt, st.listens, st.planned = e.now, interval{}, never
	n, err := node.New(st.config(), st.saved, 0)
	if err != nil {
		panic("ether: " + err.Error())
	}
	st.node = n
	st.measure()
	for _, in := range st.spec.Contacts() {
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
	if st.dead {
		return
	}
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
		st.listen(st.global(o.Until))
	case node.Transmit:
		st.transmit(o)
	case node.Observed:
		st.observed(o)
	}
}

func (st *station) observed(o node.Observed) {
	if st.e.o.Observed != nil {
		st.e.o.Observed(st.e.now, st.spec.Name, o)
	}
	if st.e.o.Record == nil {
		return
	}
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

// listen has a node on a battery hear until then.
func (st *station) listen(until time.Duration) {
	if st.listens.to < st.e.now {
		st.listens.from = st.e.now
	}
	if !st.always() {
		st.battery.receiving(until - max(st.listens.to, st.e.now))
	}
	st.listens.to = max(st.listens.to, until)
}

// always reports whether the receiver is never off.
func (st *station) always() bool { return st.spec.Mains || st.relays }

// hear works out how a frame that ends now came to this station.
func (st *station) hear(f *air.Frame) air.Reception {
	since := st.listens.from
	switch {
	case st.always():
		since = 0
	case f.At > st.listens.to || st.listens.to == 0:
		since = never
	}
	if st.dead {
		since = never
	}
	return st.e.air.Heard(f, st.index, since)
}

func (st *station) transmit(t node.Transmit) {
	e, boot := st.e, st.boot
	if t.Type == proto.TypeCheckIn && t.Attempt == 0 {
		st.checkIns++
	}
	sent := st.claim(e.now, e.Airtime(len(t.Frame)))
	var r Record
	if e.o.Record != nil {
		r = Record{What: RecordSent, Node: st.spec.Name, Kind: t.Type.String(), Counter: new(t.Counter), Attempt: new(t.Attempt)}
		if t.Type.Event() {
			r.ID = fmt.Sprintf("%d.%d.%d", st.card.Node, st.card.Gen, t.Counter)
		}
	}
	e.onAir(st, sent, func() {
		if e.o.Record != nil {
			sending := r
			sending.Frame = hex.EncodeToString(t.Frame)
			e.record(sending)
		}
	}, func() {
		if st.boot == boot {
			st.step(node.TxDone{})
		}
		e.ascend(st.path, t.Frame, r, sent)
	})
}

// onAir sends a frame of a station's during the interval that it has claimed. ended is called once all know how they heard it.
func (e *Ether) onAir(st *station, during interval, begun, ended func()) {
	e.at(during.from, func() {
		if st.dead {
			return
		}
		st.battery.sending(during.to - during.from)
		f := e.send(st.index, during, st.power())
		if begun != nil {
			begun()
		}
		e.at(during.to, func() {
			e.listen(f)
			ended()
		})
	})
}

func (st *station) power() float64 {
	if st.spec.Power != nil {
		return *st.spec.Power
	}
	return st.e.s.Air.Power
}

// quarters are what modems measure in.
func quarters(v, low, high float64) float64 { return math.Round(4*min(max(v, low), high)) / 4 }

// measured is what a modem says of a reception. A demodulator does not tell more than some 12 dB of SNR (common practice, no
// source).
func measured(r air.Reception) (rssi, snr float64) {
	return quarters(r.RSSI(), -140, 0), quarters(r.SNR(), -25, 12)
}

// The time for which a relay holds a frame before it sends it on.
const (
	holdLeast = 15 * time.Millisecond
	holdMost  = 45 * time.Millisecond
)

// ascend brings a frame that has just been sent to the next station on the way to the gateway, and to the gateway itself if
// that hears it.
func (e *Ether) ascend(path []*station, frame []byte, r Record, sent interval) {
	gateway := e.heard[e.modem()]
	if len(path) == 0 || gateway.Loss == air.Heard {
		e.arrive(frame, r, gateway)
	}
	if len(path) == 0 {
		return
	}
	relay := path[0]
	got := e.heard[relay.index]
	if got.Loss != air.Heard {
		e.lost(r, toGateway, got.Loss.String())
		return
	}
	onward := relay.claim(e.now+e.between(holdLeast, holdMost), e.Airtime(len(frame)+proto.HopSize))
	rssi, snr := measured(got)
	hop := proto.Hop{Relay: relay.card.Node, Gen: relay.card.Gen, RSSI: proto.EncodeRSSI(rssi), SNR: proto.EncodeSNR(snr),
		Held: proto.EncodeDur8(onward.from - sent.to)}
	frame, err := proto.AppendHop(frame, relay.keys, hop)
	if err != nil {
		e.lost(r, toGateway, err.Error())
		return
	}
	if e.o.Record != nil {
		r.Hops = append(r.Hops[:len(r.Hops):len(r.Hops)], Hop{relay.spec.Name, hop.Relay, hop.RSSI.DBm(), hop.SNR.DB(),
			hop.Held.Duration().Seconds()})
	}
	e.onAir(relay, onward, nil, func() { e.ascend(path[1:], frame, r, onward) })
}

// arrive brings a frame to the gateway's antenna.
func (e *Ether) arrive(frame []byte, r Record, got air.Reception) {
	if got.Loss != air.Heard {
		e.lost(r, toGateway, got.Loss.String())
		return
	}
	rssi, snr := measured(got)
	r.RSSI, r.SNR = &rssi, &snr
	freq := math.Round(e.rand.NormFloat64() * 20)
	if st := e.origin(frame); st != nil {
		freq += st.freq
	}
	e.distort(up, frame, r, func(f []byte, r Record) { e.hand(f, r, freq) })
}

// hand passes a frame to the modem.
func (e *Ether) hand(frame []byte, r Record, freq float64) {
	if e.unplugged {
		e.lost(r, toGateway, "the modem is unplugged")
		return
	}
	if e.o.Record != nil {
		r.What, r.Frame = RecordHeard, hex.EncodeToString(frame)
		e.record(r)
	}
	e.out = append(e.out, Event{At: e.now, Frame: frame, RSSI: *r.RSSI, SNR: *r.SNR, Freq: freq})
}

// descend brings a frame from the gateway on its way to st: st.path[next] has heard it as got says, or st itself if next is
// below 0.
func (e *Ether) descend(st *station, next int, frame []byte, got air.Reception) {
	if next < 0 {
		e.receive(st, frame, got)
		return
	}
	relay, r := st.path[next], Record{Node: st.spec.Name, Kind: kindOf(frame)}
	switch {
	case got.Loss != air.Heard:
		e.lost(r, fromGateway, got.Loss.String())
		return
	case len(frame) < 2 || frame[1]&0x0f == 0:
		e.lost(r, fromGateway, "no hops are left")
		return
	}
	frame = append([]byte(nil), frame...)
	frame[1]-- // the low nibble, which is not 0
	sent := relay.claim(e.now+e.between(holdLeast, holdMost), e.Airtime(len(frame)))
	e.onAir(relay, sent, nil, func() {
		to := st
		if next > 0 {
			to = st.path[next-1]
		}
		e.descend(st, next-1, frame, e.heard[to.index])
	})
}

// receive brings a frame to the node, if it has heard it.
func (e *Ether) receive(st *station, frame []byte, got air.Reception) {
	if got.Loss != air.Heard {
		e.lost(Record{Node: st.spec.Name, Kind: kindOf(frame), Frame: e.hex(frame)}, fromGateway, got.Loss.String())
		return
	}
	rssi, snr := measured(got)
	if e.o.Record != nil {
		r := Record{What: RecordReceived, Node: st.spec.Name, Kind: kindOf(frame), Frame: e.hex(frame), RSSI: &rssi, SNR: &snr}
		if raw, err := proto.Parse(frame); err == nil && raw.Type.Receipt() {
			r.Counter = new(raw.Counter) // its low 16 bits
		}
		e.record(r)
	}
	st.step(node.Received{Frame: frame, RSSI: rssi, SNR: snr})
}

func (e *Ether) hex(frame []byte) string {
	if e.o.Record == nil {
		return ""
	}
	return hex.EncodeToString(frame)
}

// origin is the station whose frame this is.
func (e *Ether) origin(frame []byte) *station {
	raw, err := proto.Parse(frame)
	if err != nil {
		return nil
	}
	for _, st := range e.stations {
		if st.card.Node == raw.Node {
			return st
		}
	}
	return nil
}

func kindOf(frame []byte) string {
	raw, err := proto.Parse(frame)
	if err != nil {
		return "no frame"
	}
	return raw.Type.String()
}

func (e *Ether) lost(r Record, direction, why string) {
	e.losses[Loss{direction, why}]++
	r.What, r.Direction, r.Why = RecordLost, direction, why
	e.record(r)
}
