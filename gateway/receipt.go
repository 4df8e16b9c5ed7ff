package gateway

import (
	"time"

	"longlane/proto"
	"longlane/radio"
)

// receiptHops is how far a receipt may travel.
const receiptHops = proto.MaxHops

// sameAnswer is how long a receipt for one attempt stands for its copies: they came by other ways, or somebody replays
// them to use up airtime. repeatEvery is the least time between receipts for events that were durable before.
const (
	sameAnswer  = 10 * time.Second
	repeatEvery = time.Second
)

// receipt answers a frame. It is called only once what the receipt says is true.
func (in *ingest) receipt(e *Event, raw proto.Raw, p radio.Packet, w *window) {
	g, now := in.g, in.g.o.Clock.Mono()
	if raw.Type != proto.TypeCheckIn {
		last, ok := in.answered[e.ID.Node]
		repeat := ok && last.id == e.ID
		if repeat && (last.attempt == raw.Attempt && now-last.at < sameAnswer || now-last.at < repeatEvery) {
			return
		}
		in.answered[e.ID.Node] = answer{e.ID, raw.Attempt, now}
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
