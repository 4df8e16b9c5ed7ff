package gateway

import (
	"time"

	"longlane/proto"
	"longlane/radio"
)

// receiptHops is how far a receipt may travel.
const receiptHops = proto.MaxHops

// sameAnswer is how long a receipt for one attempt stands for its copies: they came by other ways, or somebody replays
// them to use up airtime. repeatEvery is the least time between receipts for one event, and with sameAnswer it bounds
// those for all events of a node that were durable before: whoever has recorded many could else play them in turn.
const (
	sameAnswer  = 10 * time.Second
	repeatEvery = time.Second
)

// mayRepeat decides whether an event that was durable before gets another receipt.
func (in *ingest) mayRepeat(id ID, attempt uint16) bool {
	now := in.g.o.Clock.Mono()
	last, ok := in.answered[id]
	since := now - last.at
	if ok && (since < repeatEvery || last.attempt == attempt && since < sameAnswer) {
		return false
	}
	if in.repeats[id.Node] >= int(sameAnswer/repeatEvery) {
		return false
	}
	in.repeats[id.Node]++
	return true
}

// forgetAnswers is called once every repeatEvery.
func (in *ingest) forgetAnswers() {
	now := in.g.o.Clock.Mono()
	for id, a := range in.answered {
		if now-a.at >= sameAnswer {
			delete(in.answered, id)
		}
	}
	for node, n := range in.repeats {
		if in.repeats[node] = n - 1; n <= 1 {
			delete(in.repeats, node)
		}
	}
}

// receipt answers a frame. It is called only once what the receipt says is true.
func (in *ingest) receipt(e *Event, raw proto.Raw, p radio.Packet, w *window) {
	g, now := in.g, in.g.o.Clock.Mono()
	if raw.Type != proto.TypeCheckIn {
		in.answered[e.ID] = answer{raw.Attempt, now}
	}
	number, err := in.epochs.take()
	if err != nil {
		g.o.Log.Error("no receipt is sent", "err", err)
		return
	}
	r := g.o.Roster.Get()
	keys, err := r.Keys(raw.Node, raw.Gen)
	if err != nil {
		return
	}
	h := proto.Header{Type: proto.TypeReceipt, HopsLeft: receiptHops, Site: r.Site, Node: raw.Node, Gen: raw.Gen,
		Counter: e.ID.Counter, Gateway: g.o.Number, Epoch: in.epochs.number, Number: number}
	b := &proto.Receipt{Time: proto.EncodeGatewayTime(in.epochs.at(now).Since)}
	if raw.Type == proto.TypeCheckIn {
		h.Type = proto.TypeCheckInReceipt
	} else {
		b.Attempt, b.Also = uint8(raw.Attempt), also(w, e.ID.Counter)
		if in.confirmWanted(e, now) {
			b.Confirm = true
		}
	}
	frame, err := proto.Seal(nil, keys, h, b)
	if err != nil {
		g.o.Log.Error("a receipt could not be made", "event", e.ID, "err", err)
		return
	}
	g.senders[p.Bearer].send(p.From, frame)
}

// also tells which of the 16 events before counter are durable.
func also(w *window, counter uint32) (bits uint16) {
	for i := range uint32(16) {
		if counter > i && w.Check(counter-1-i) == proto.Seen {
			bits |= 1 << i
		}
	}
	return bits
}
