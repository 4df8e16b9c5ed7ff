package gateway

import (
	"time"

	"longlane/proto"
	"longlane/radio"
	"longlane/radio/route"
)

// Somebody at the gate end who measures the way asks, by a solicit for a kept receipt, how the gateway has heard a frame of
// his. He gets the receipt once more, if there is one, and a hop acknowledgement with RSSI and SNR.

const (
	askedWithin = 10 * time.Second // after the frame
	hopAckEvery = time.Second      // at most, to one sender
	hopAcksEach = 4                // at most, of one frame
	hopAckKept  = 2 * time.Second  // whoever has asked listens for no longer
	mostFrames  = 256              // frames; some 20 fit on the air in a second
	notDirectly = 0                // no node's id
	tagSize     = proto.HintSize
)

// heardKey is a frame as one sender, its node or a relay, put it on the air.
type heardKey struct {
	bearer string
	from   uint8
	tag    [tagSize]byte
}

type heardFrame struct {
	at    time.Duration
	e     *Event
	raw   proto.Raw
	p     radio.Packet
	key   windowKey
	acked int
}

func newMesh() mesh {
	return mesh{timers: map[string]*route.Trickle{}, heard: map[uint8]hint{}, frames: map[heardKey]*heardFrame{}, told: map[uint8]time.Duration{},
		named: map[uint8]bool{}}
}

// remember notes how a frame with a good MAC was heard. A relay that cannot prove that it sent it is nobody.
func (in *ingest) remember(e *Event, raw proto.Raw, p radio.Packet, key windowKey) {
	if !p.Measured {
		return
	}
	from := raw.Node
	if n := len(e.Hops); n > 0 {
		if from = notDirectly; e.Hops[n-1].Verified {
			from = e.Hops[n-1].Relay
		}
	}
	k := heardKey{p.Bearer, from, [tagSize]byte(raw.Tag())}
	f := in.mesh.frames[k]
	if f == nil {
		if len(in.mesh.frames) >= mostFrames {
			return
		}
		f = &heardFrame{}
		in.mesh.frames[k] = f
	}
	f.at, f.e, f.raw, f.p, f.key = e.Rx.Mono, e, raw, p, key
}

// forget is called every second.
func (m *mesh) forget(now time.Duration) {
	for k, f := range m.frames {
		if now-f.at > askedWithin {
			delete(m.frames, k)
		}
	}
}

// asked answers a solicit for a kept receipt. The receipt goes first.
func (in *ingest) asked(from uint8, bearer string, tag [tagSize]byte) {
	now := in.g.o.Clock.Mono()
	for k, f := range in.mesh.frames {
		if k.bearer == bearer && k.tag == tag && now-f.at <= askedWithin && in.receiptAgain(f, now) {
			break
		}
	}
	f := in.mesh.frames[heardKey{bearer, from, tag}]
	last, ok := in.mesh.told[from]
	if f == nil || now-f.at > askedWithin || f.acked >= hopAcksEach || ok && now-last < hopAckEvery {
		return
	}
	f.acked++
	in.mesh.told[from] = now
	in.sendHint(bearer, proto.TypeHopAck, &proto.HopAck{Tag: tag, Distance: 0, RSSI: proto.EncodeRSSI(f.p.RSSI),
		SNR: proto.EncodeSNR(f.p.SNR)}, outgoing{to: f.p.From, heard: now, kept: hopAckKept})
}

// receiptAgain sends the receipt for a frame once more, if it has had one and may have another.
func (in *ingest) receiptAgain(f *heardFrame, now time.Duration) bool {
	w := in.windows[f.key]
	if w == nil {
		return false
	}
	c := f.e.ID.Counter
	if a, ok := w.answered[c]; !ok || a.attempt != f.raw.Attempt || !in.mayRepeat(f.e.ID, f.e.Rx.Bearer, f.raw, w) {
		return false
	}
	if f.key.space == checkInSpace {
		in.judgeTime(f.e)
	}
	in.receipt(f.e, f.raw, f.p, w, now)
	return true
}
