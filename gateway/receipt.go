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
// has recorded.
//
// An attempt is answered when it first comes. A node that has had no receipt tries again under the next, repeatEvery later
// at the earliest. A relay that has not overheard the receipt sends the same attempt again, after a quarter of a second (at SF7) to two: that
// is answered as well, againMost times and within againWithin of the first answer, when he who listens for it still does. A
// recording that is played later gets nothing. Of an event from before a restart nothing is known of attempts, so each is
// answered once, for it may be a recording. In all, repeatBurst and one each repeatEvery is what a node gets.
const (
	repeatEvery = time.Second
	repeatBurst = 10
	againWithin = 10 * time.Second
	againMost   = 4
)

// againAfter is how long after an answer the same attempt may have another. Sooner, the last receipt is still on its way, or the
// frame has come by a second way.
func (g *Gateway) againAfter(bearer string) time.Duration {
	d := 100 * time.Millisecond
	if a, ok := g.o.Air[bearer]; ok {
		d += 2 * a.Airtime(proto.TypeReceipt.Size())
	}
	return d
}

// answer is the newest attempt that was answered, since when, when last, and how often after the first time.
type answer struct {
	attempt   uint16
	first, at time.Duration
	again     int
	earlier   bool // the event is from before this run
}

// mayRepeat decides whether a frame that is no news gets a receipt, since its event was durable before, or it is a check-in.
func (in *ingest) mayRepeat(id ID, bearer string, raw proto.Raw, w *window) bool {
	now := in.g.o.Clock.Mono()
	last, ok := w.answered[id.Counter]
	switch {
	case in.repeats[id.Node] >= repeatBurst:
		return false
	case !ok && raw.Type == proto.TypeCheckIn: // none that is worth an answer is older than the last
		return false
	case !ok:
		w.answered[id.Counter] = answer{attempt: raw.Attempt, earlier: true}
	case raw.Attempt < last.attempt:
		return false
	case raw.Attempt > last.attempt && now-last.at < repeatEvery:
		return false
	case raw.Attempt == last.attempt &&
		(last.earlier || now-last.at < in.g.againAfter(bearer) || now-last.first > againWithin || last.again >= againMost):
		return false
	}
	in.repeats[id.Node]++
	return true
}

// note remembers that an attempt was answered, for as long as the window tells the event from an old one. Of check-ins the
// last will do.
func (w *window) note(raw proto.Raw, counter uint32, now time.Duration) {
	a, ok := w.answered[counter]
	if ok && a.attempt == raw.Attempt {
		a.again++
	} else {
		a = answer{attempt: raw.Attempt, first: now, earlier: a.earlier}
	}
	a.at = now
	switch {
	case raw.Type == proto.TypeCheckIn:
		clear(w.answered)
	case len(w.answered) >= 2*proto.WindowSize:
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

// receipt answers a frame, or who asked for that at asked. It is called only once what the receipt says is true.
func (in *ingest) receipt(e *Event, raw proto.Raw, p radio.Packet, w *window, asked time.Duration) {
	g, now := in.g, in.g.o.Clock.Mono()
	w.note(raw, e.ID.Counter, now)
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
	in.receipted[raw.Node] = now
	out := outgoing{to: p.From, heard: asked, answers: p.From + string(raw.Tag())}
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
