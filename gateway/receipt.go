package gateway

import (
	"math"
	"time"

	"longlane/proto"
	"longlane/radio"
)

// receiptHops is how far a receipt may travel.
const receiptHops = proto.MaxHops

// Receipts for events that were durable before are bounded, or somebody could use up the airtime with frames that he
// has recorded. Each attempt is answered once: a node that has had no receipt tries again under the next. After a
// restart nothing is known of attempts, so repeatEvery is the least time between two for one event, and with
// repeatBurst it bounds those for all events of a node.
const (
	repeatEvery = time.Second
	repeatBurst = 10
)

type answer struct {
	attempt uint16
	at      time.Duration
}

// mayRepeat decides whether an event that was durable before gets another receipt.
func (in *ingest) mayRepeat(id ID, attempt uint16, w *window) bool {
	last, ok := w.answered[id.Counter]
	if ok && (attempt <= last.attempt || in.g.o.Clock.Mono()-last.at < repeatEvery) {
		return false
	}
	if in.repeats[id.Node] >= repeatBurst {
		return false
	}
	in.repeats[id.Node]++
	return true
}

// note remembers that an attempt was answered, for as long as the window tells the event from an old one.
func (w *window) note(counter uint32, a answer) {
	if len(w.answered) >= 2*proto.WindowSize {
		for c := range w.answered {
			if w.Check(c) == proto.TooOld {
				delete(w.answered, c)
			}
		}
	}
	w.answered[counter] = a
}

// easeRepeats is called once every repeatEvery.
func (in *ingest) easeRepeats() {
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
		w.note(e.ID.Counter, answer{raw.Attempt, now})
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
	out := outgoing{to: p.From, heard: e.Rx.Mono}
	b := &proto.Receipt{Settings: settings(g.o.CheckIn), Time: proto.EncodeGatewayTime(in.epochs.at(now).Since)}
	if raw.Type == proto.TypeCheckIn {
		h.Type, b.Confirm = proto.TypeCheckInReceipt, e.Fresh == proto.Unproven
	} else {
		b.Attempt, b.Also = uint8(raw.Attempt), in.also(w, e.ID)
		b.Confirm, out.sent = in.confirmWanted(e)
	}
	if out.frame, err = proto.Seal(nil, keys, h, b); err != nil {
		g.o.Log.Error("a receipt could not be made", "event", e.ID, "err", err)
		return
	}
	if s := g.senders[p.Bearer]; s != nil {
		s.send(out)
	} else {
		g.o.Log.Error("a packet came by a bearer that is not known; no receipt can be sent", "bearer", p.Bearer)
	}
}

// settings has nodes check in with the period by which the gateway judges them. The period numbers the settings too, so
// that a node knows them from others.
func settings(period time.Duration) proto.Settings {
	code := uint8(min(period/proto.PeriodUnit, math.MaxUint8))
	return proto.Settings{Version: code, Period: code}
}

// also tells which of the 16 events before id are durable. A node lets go of those. One that it must vouch for is left
// out until it has: only the receipt of its own asks for that.
func (in *ingest) also(w *window, id ID) (bits uint16) {
	for i := range uint32(16) {
		before := ID{id.Node, id.Gen, id.Counter - 1 - i}
		if _, asked := in.confirms[before]; id.Counter > i && !asked && w.Check(before.Counter) == proto.Seen {
			bits |= 1 << i
		}
	}
	return bits
}
