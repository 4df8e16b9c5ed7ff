package ether

import (
	"encoding/hex"
	"math"
	"slices"
	"time"

	"longlane/proto"
	"longlane/radio/ether/air"
	"longlane/radio/node"
)

type interval struct{ from, to time.Duration }

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
func (st *station) always() bool { return st.spec.Mains || st.spec.Relay }

// hear works out how a frame that ends now came to this station.
func (st *station) hear(f *air.Frame) air.Reception {
	since := st.listens.from
	switch {
	case st.dead:
		since = never
	case st.always():
		since = st.bootAt
	case f.At > st.listens.to || st.listens.to == 0:
		since = never
	}
	return st.e.air.Heard(f, st.index, since)
}

// listen works out how a frame that ends now came to every station, the gateway's modem last.
func (e *Ether) listen(f *air.Frame) {
	e.heard = e.heard[:0]
	for _, st := range e.stations {
		e.heard = append(e.heard, st.hear(f))
	}
	e.heard = append(e.heard, e.air.Heard(f, e.modem(), 0))
}

// quarters are what modems measure in.
func quarters(v, low, high float64) float64 { return math.Round(4*min(max(v, low), high)) / 4 }

// measured is what a modem says of a reception. A demodulator does not tell more than some 12 dB of SNR (common practice, no
// source).
func measured(r air.Reception) (rssi, snr float64) {
	return quarters(r.RSSI(), -140, 0), quarters(r.SNR(), -25, 12)
}

// fromStation brings a frame of a station's that has just ended to all who heard it.
func (e *Ether) fromStation(from *station, frame []byte) {
	if got := e.heard[e.modem()]; got.Loss == air.Heard {
		e.arrive(from, frame, got)
	}
	for i, st := range e.stations {
		if got := e.heard[i]; got.Loss == air.Heard {
			st.receive(frame, got)
		}
	}
}

// fromGateway brings a frame of the modem's that has just ended to all who heard it.
func (e *Ether) fromGateway(frame []byte) {
	heard := slices.Clone(e.heard) // it may come late
	e.distort(down, frame, e.tell(frame), func(f []byte, _ Record) {
		for i, st := range e.stations {
			if heard[i].Loss == air.Heard {
				st.receive(f, heard[i])
			}
		}
	})
}

// arrive brings a frame that the gateway's antenna has heard to the modem.
func (e *Ether) arrive(from *station, frame []byte, got air.Reception) {
	r := e.tell(frame)
	e.by(&r, from.spec.Name)
	rssi, snr := measured(got)
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
	if e.o.Record != nil {
		r.What, r.Frame = RecordHeard, hex.EncodeToString(frame)
		e.record(r)
	}
	e.out = append(e.out, Event{At: e.now, Frame: frame, RSSI: *r.RSSI, SNR: *r.SNR, Freq: freq})
}

// receive brings a frame to the node.
func (st *station) receive(frame []byte, got air.Reception) {
	rssi, snr := measured(got)
	if st.e.o.Record != nil {
		r := st.e.tell(frame)
		st.e.by(&r, st.spec.Name)
		r.What, r.Frame, r.RSSI, r.SNR = RecordReceived, hex.EncodeToString(frame), &rssi, &snr
		st.e.record(r)
	}
	if raw, err := proto.Parse(frame); err == nil && raw.Type.Receipt() && st.is(raw) {
		st.answered = [proto.TagSize]byte(raw.Tag())
	}
	if st.thief != nil {
		st.thief.hear(frame)
	}
	st.step(node.Received{Frame: frame, RSSI: rssi, SNR: snr})
}

// is reports whether a frame names this station as its origin or addressee.
func (st *station) is(raw proto.Raw) bool {
	return raw.Site == st.card.Site && raw.Node == st.card.Node
}

// stationOf is the station that a frame names; nil if there is none.
func (e *Ether) stationOf(raw proto.Raw) *station {
	for _, st := range e.stations {
		if st.is(raw) {
			return st
		}
	}
	return nil
}
