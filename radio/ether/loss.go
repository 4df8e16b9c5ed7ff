package ether

import (
	"maps"

	"longlane/proto"
	"longlane/radio/ether/air"
)

// Loss is where and why a frame was lost.
type Loss struct{ Direction, Why string }

// Losses tells how many frames were lost, by cause. Nobody is named in a frame that he should hear it and pass it on, so a
// frame counts as lost only where nobody who could have been meant has heard it:
//
//   - an event or a check-in, by whomever it was sent, that neither the gateway nor any relay has heard, but for relays that have
//     had it before, as its records tell. Whether a relay that has heard it was of any use is not asked. The cause is that at the
//     one of them to whom it came most strongly;
//   - a receipt that its addressee has not heard, though its fading let it come near enough, and has not had from another
//     before; and one that was too weak for its addressee and that no relay has heard, as above;
//   - whatever is lost between the air and the modem's host: by chance, or while it is unplugged.
//
// What relays tell each other is meant for whoever hears it, and is never counted.
func (e *Ether) Losses() map[Loss]int { return maps.Clone(e.losses) }

func (e *Ether) lost(r Record, direction, why string) {
	e.losses[Loss{direction, why}]++
	r.What, r.Direction, r.Why = RecordLost, direction, why
	e.record(r)
}

// count counts a frame that has just ended, if it is lost.
func (e *Ether) count(from int, frame []byte) {
	raw, err := proto.Parse(frame)
	if err != nil {
		return
	}
	direction, why := toGateway, air.Heard
	switch {
	case raw.Type.Event() || raw.Type == proto.TypeCheckIn:
		why = e.upward(from, raw)
	case raw.Type.Receipt():
		direction, why = fromGateway, e.downward(from, raw)
	}
	if why == air.Heard {
		return
	}
	r := e.tell(frame)
	r.Frame = e.hex(frame)
	if from != e.modem() {
		e.by(&r, e.stations[from].spec.Name)
	}
	e.lost(r, direction, why.String())
}

// upward is why a frame on its way to the gateway was lost; air.Heard if it was not.
func (e *Ether) upward(from int, raw proto.Raw) air.Loss {
	best := e.heard[e.modem()]
	if best.Loss == air.Heard {
		return air.Heard
	}
	return e.byRelays(from, raw, best)
}

// downward is the same of a receipt.
func (e *Ether) downward(from int, raw proto.Raw) air.Loss {
	to := e.stationOf(raw)
	if to == nil || to.index == from || to.answered == [proto.TagSize]byte(raw.Tag()) {
		return air.Heard
	}
	best := e.heard[to.index]
	if best.Loss != air.TooWeak {
		return best.Loss
	}
	return e.byRelays(from, raw, best)
}

// byRelays is why none of the relays has heard a frame, and neither the one who heard it as best says; air.Heard if one has.
func (e *Ether) byRelays(from int, raw proto.Raw, best air.Reception) air.Loss {
	for i, st := range e.stations {
		if !st.spec.Relay || i == from || st.has(raw) {
			continue
		}
		got := e.heard[i]
		if got.Loss == air.Heard {
			return air.Heard
		}
		if got.Signal() > best.Signal() {
			best = got
		}
	}
	return best.Loss
}

// has reports whether a frame's records name the station, or it is the frame's origin.
func (st *station) has(raw proto.Raw) bool {
	if st.is(raw) && !raw.Type.Receipt() {
		return true
	}
	for i := range raw.HopCount() {
		if raw.Hop(i).Relay == st.card.Node {
			return true
		}
	}
	return false
}
