package ether

import (
	"encoding/hex"
	"fmt"
	"time"

	"longlane/proto"
)

// Record is one thing that happened, as one line of JSON. What decides which fields are there.
type Record struct {
	T         float64  `json:"t"` // seconds since the ether began
	What      What     `json:"what"`
	Site      uint16   `json:"site"`
	Node      string   `json:"node,omitempty"`      // name, of the origin or the addressee
	By        string   `json:"by,omitempty"`        // name of the station that sent or received the frame, if that is another
	ID        string   `json:"id,omitempty"`        // of an event: node.generation.counter, as the house knows it
	Input     *uint8   `json:"input,omitempty"`     // of a contact or an event
	Kind      string   `json:"kind,omitempty"`      // opening, closing or fault; of a frame, its type
	Fault     string   `json:"fault,omitempty"`     // of an event that is one
	Ended     bool     `json:"ended,omitempty"`     // of a fault
	Active    *bool    `json:"active,omitempty"`    // of a contact: now in its tripped position
	Age       *float64 `json:"age,omitempty"`       // seconds since the edge, by the node's clock
	Dwell     *float64 `json:"dwell,omitempty"`     // seconds, of a closing that was made
	Counter   *uint32  `json:"counter,omitempty"`   // of a frame; of a receipt, the counter answered
	Attempt   *uint16  `json:"attempt,omitempty"`   // of a frame
	Frame     string   `json:"frame,omitempty"`     // hex
	Hops      []Hop    `json:"hops,omitempty"`      // as they stand in the frame, in the order travelled
	RSSI      *float64 `json:"rssi,omitempty"`      // dBm, at whoever heard the frame
	SNR       *float64 `json:"snr,omitempty"`       // dB
	Direction string   `json:"direction,omitempty"` // "to the gateway" or "from the gateway"
	Why       string   `json:"why,omitempty"`       // of lost, withheld, dropped, damaged, forged
	Unplugged *bool    `json:"unplugged,omitempty"` // of a plug
}

// What a Record tells.
type What string

// The kinds of Record.
const (
	RecordContact  What = "contact"  // a contact moved, bouncing left out
	RecordMade     What = "made"     // the node made an event of it: a trip, its closing, a fault
	RecordSent     What = "sent"     // a node began to send a frame of its own
	RecordRelayed  What = "relayed"  // a node began to send a frame of another's, or of the gateway's
	RecordWithheld What = "withheld" // a node wanted to send a frame, and did not
	RecordHeard    What = "heard"    // a frame was handed to the modem
	RecordAnswer   What = "answer"   // the modem began to send a frame
	RecordReceived What = "received" // a node received a frame
	RecordReleased What = "released" // a node let an event go: it has its receipt
	RecordDropped  What = "dropped"  // a node lost an event
	RecordLost     What = "lost"     // a frame was lost
	RecordDamaged  What = "damaged"  // bits of a frame were flipped
	RecordForged   What = "forged"   // a frame that nobody genuine has sent, or not now, was put in
	RecordRestart  What = "restart"  // a node lost its power, and has it again
	RecordPlug     What = "plug"     // the modem's plug went out or in
	RecordDied     What = "died"     // a node is gone for good
	RecordStolen   What = "stolen"   // somebody has a node, with its keys
)

// Hop is a relay's record as it stands in a frame.
type Hop struct {
	Relay string  `json:"relay"` // name; "" if there is none of that id
	Node  uint8   `json:"node"`  // id
	RSSI  float64 `json:"rssi"`
	SNR   float64 `json:"snr"`
	Held  float64 `json:"held"` // seconds
}

const (
	toGateway   = "to the gateway"
	fromGateway = "from the gateway"
)

func (e *Ether) record(r Record) {
	if e.o.Record == nil {
		return
	}
	r.T, r.Site = e.now.Seconds(), e.site
	e.o.Record(r)
}

func secondsOf(d time.Duration) *float64 { return new(d.Seconds()) }

func (e *Ether) hex(frame []byte) string {
	if e.o.Record == nil {
		return ""
	}
	return hex.EncodeToString(frame)
}

// by notes who sent or received a frame.
func (e *Ether) by(r *Record, name string) {
	if r.Node != name {
		r.By = name
	}
}

// tell is what a frame says of itself, if anybody wants to know: whose it is, and which way it came. What no node of the
// scenario has sealed has no counter.
func (e *Ether) tell(frame []byte) (r Record) {
	if e.o.Record == nil {
		return r
	}
	r.Kind = kindOf(frame)
	raw, err := proto.Parse(frame)
	if err != nil {
		return r
	}
	st := e.stationOf(raw)
	switch {
	case raw.Type.Group() && raw.Node >= proto.GatewayBase:
		r.Node = modemName
	case st != nil:
		r.Node = st.spec.Name
	}
	for i := range raw.HopCount() {
		hop := raw.Hop(i)
		r.Hops = append(r.Hops, Hop{e.nameOf(hop.Relay), hop.Relay, hop.RSSI.DBm(), hop.SNR.DB(), hop.Held.Duration().Seconds()})
	}
	switch {
	case raw.Type.Group():
		r.Counter = new(raw.Counter)
		if _, err := raw.Open(e.group, raw.Counter); err != nil {
			r.Why = unsealed
		}
	case st != nil:
		st.tell(&r, raw)
	}
	return r
}

// unsealed is why a frame is not what it says.
const unsealed = "nobody with the key has sealed it"

// tell names the event or check-in of a frame of this station's, or of a receipt for it, if it is genuine.
func (st *station) tell(r *Record, raw proto.Raw) {
	highest := st.highest[checkIns]
	if raw.Type.Event() || raw.Type == proto.TypeReceipt {
		highest = st.highest[events]
	}
	counter := raw.Counter
	switch {
	case raw.Type.Receipt():
		counter, _ = proto.ResolveBehind(uint16(counter), highest)
	case !raw.WholeCounter():
		counter = proto.Resolve(uint16(counter), highest)
	}
	if _, err := raw.Open(st.keys, counter); err != nil {
		r.Why = unsealed
		return
	}
	r.Counter = new(counter)
	if !raw.Type.Receipt() {
		r.Attempt = new(raw.Attempt)
	}
	if raw.Type.Event() {
		r.ID = fmt.Sprintf("%d.%d.%d", raw.Node, raw.Gen, counter)
	}
}

// nameOf is the name of a node; "" if there is none.
func (e *Ether) nameOf(id uint8) string {
	for _, st := range e.stations {
		if st.card.Node == id {
			return st.spec.Name
		}
	}
	return ""
}

func kindOf(frame []byte) string {
	raw, err := proto.Parse(frame)
	if err != nil {
		return "no frame"
	}
	return raw.Type.String()
}
