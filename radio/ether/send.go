package ether

import (
	"encoding/hex"
	"time"

	"longlane/proto"
	"longlane/radio/ether/air"
	"longlane/radio/node"
)

// Sensing is how long a station senses the carrier before it sends; 0 if it does not.
func (e *Ether) Sensing() time.Duration {
	if !e.s.Air.ListenFirst {
		return 0
	}
	return air.Sensing(e.s.Air.settings())
}

// busy reports whether a station that would begin to send now has found the channel in use.
func (e *Ether) busy(index int) bool {
	return e.s.Air.ListenFirst && e.air.Busy(index, e.now, 0, e.s.Air.settings())
}

// Airtime is how long a frame of n bytes is on the air.
func (e *Ether) Airtime(n int) time.Duration { return e.s.Air.settings().Airtime(n) }

// transmit sends a frame of a node's once it has sensed the carrier, or tells it that it cannot.
func (e *Ether) transmit(st *station, t node.Transmit) {
	boot := st.boot
	if st.thief != nil && !st.thief.own(t) {
		st.e.at(e.now, func() { st.step(node.TxDone{}) }) // as if it had been sent
		return
	}
	e.at(e.now+e.Sensing(), func() {
		if st.dead || st.boot != boot {
			return
		}
		if e.now < st.until || e.busy(st.index) { // its own frame, from before it lost its power, keeps it from sending too
			e.withhelds.Busy++
			e.withheld(st, t.Frame, "the channel is in use")
			st.step(node.TxDone{Failed: true, Busy: true})
			return
		}
		if st.lawful != nil && !st.lawful.permit(st.moment(), t.Frame, e.Airtime(len(t.Frame))) {
			e.withhelds.Short++
			e.withheld(st, t.Frame, "no airtime is left that is lawful")
			st.step(node.TxDone{Failed: true})
			return
		}
		e.begin(st, t)
	})
}

func (e *Ether) withheld(st *station, frame []byte, why string) {
	if e.o.Record == nil {
		return
	}
	r := e.tell(frame)
	e.by(&r, st.spec.Name)
	r.What, r.Why = RecordWithheld, why
	e.record(r)
}

// begin puts a station's frame on the air.
func (e *Ether) begin(st *station, t node.Transmit) {
	boot := st.boot
	airtime := e.onAir(st.index, t.Frame, func() {
		if st.boot == boot {
			st.step(node.TxDone{})
		}
		e.fromStation(st, t.Frame)
	})
	st.until = e.now + airtime
	st.battery.sending(airtime)
	st.sent(t)
}

// onAir puts a frame on the air that begins now. over is called at its end, when all have heard it or not.
func (e *Ether) onAir(from int, frame []byte, over func()) (airtime time.Duration) {
	airtime = e.Airtime(len(frame))
	e.tally(frame, airtime)
	f := e.air.Send(air.Sending{From: from, At: e.now, Until: e.now + airtime, Power: e.s.power(from), Settings: e.s.Air.settings()})
	e.at(e.now+airtime, func() {
		e.listen(f)
		e.count(from, frame)
		over()
	})
	return airtime
}

// sent notes what the station is sending.
func (st *station) sent(t node.Transmit) {
	e := st.e
	raw, err := proto.Parse(t.Frame)
	what := RecordRelayed
	if own := err == nil && st.is(raw) && !raw.Type.Receipt() && raw.HopCount() == 0; own {
		what = RecordSent
		switch {
		case raw.Type.Event():
			st.highest[events] = max(st.highest[events], t.Counter)
		case raw.Type == proto.TypeCheckIn:
			if t.Counter > st.highest[checkIns] { // else it is the same again
				st.checkIns++
				st.highest[checkIns] = t.Counter
			}
		}
	}
	if e.o.Record == nil {
		return
	}
	r := e.tell(t.Frame)
	e.by(&r, st.spec.Name)
	r.What, r.Frame = what, hex.EncodeToString(t.Frame)
	e.record(r)
}
