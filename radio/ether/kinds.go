package ether

import (
	"maps"
	"time"

	"longlane/proto"
)

// Purpose is what made a frame necessary.
type Purpose uint8

// The purposes.
const (
	ForWays     Purpose = iota // so that relays know their ways, and all else
	ForCheckIns                // check-ins, their receipts, and what tells that somebody has them
	ForEvents                  // trips and faults, and the same of them
)

func (p Purpose) String() string {
	return [...]string{"finding ways", "check-ins", "trips and faults"}[p]
}

// Kind is a sort of frame.
type Kind struct {
	Type proto.Type // 0: no frame of the protocol
	For  Purpose
}

// Sum is frames and the time that they were on the air.
type Sum struct {
	Frames  int64
	Airtime time.Duration
}

// Kinds tells what all stations and the modem have sent so far, by kind.
func (e *Ether) Kinds() map[Kind]Sum { return maps.Clone(e.kinds) }

// Circulating is how many frames were sent whose records name a relay twice, or their origin as a relay: none ever should be.
func (e *Ether) Circulating() int { return e.circulating }

// recent are the purposes of the frames sent last, by the part of their MAC that an acknowledgement names.
type recent struct {
	of   map[[4]byte]Purpose
	ring [512][4]byte
	next int
}

func (r *recent) note(tag [4]byte, p Purpose) {
	if r.of == nil {
		r.of = map[[4]byte]Purpose{}
	}
	if _, known := r.of[tag]; known {
		return
	}
	delete(r.of, r.ring[r.next])
	r.of[tag], r.ring[r.next] = p, tag
	r.next = (r.next + 1) % len(r.ring)
}

// tally counts a frame that is sent.
func (e *Ether) tally(frame []byte, airtime time.Duration) {
	raw, err := proto.Parse(frame)
	k := Kind{}
	if err == nil {
		k = Kind{raw.Type, e.purpose(raw)}
		if circulates(raw) {
			e.circulating++
		}
	}
	s := e.kinds[k]
	e.kinds[k] = Sum{s.Frames + 1, s.Airtime + airtime}
}

func (e *Ether) purpose(raw proto.Raw) Purpose {
	switch {
	case raw.Type.Event():
		e.recent.note([4]byte(raw.Tag()), ForEvents)
		return ForEvents
	case raw.Type == proto.TypeCheckIn:
		e.recent.note([4]byte(raw.Tag()), ForCheckIns)
		return ForCheckIns
	case raw.Type == proto.TypeReceipt:
		return ForEvents
	case raw.Type == proto.TypeCheckInReceipt:
		return ForCheckIns
	case raw.Type == proto.TypeBeacon:
		return ForWays
	}
	body, err := raw.Open(e.group, raw.Counter)
	if err != nil {
		return ForWays
	}
	switch b := body.(type) {
	case *proto.HopAck:
		return e.recent.of[b.Tag]
	case *proto.Solicit:
		if b.Receipt {
			return e.recent.of[b.Tag]
		}
	}
	return ForWays
}

// circulates reports whether a frame has been where it was before.
func circulates(raw proto.Raw) bool {
	for i := range raw.HopCount() {
		relay := raw.Hop(i).Relay
		if relay == raw.Node {
			return true
		}
		for j := range i {
			if raw.Hop(j).Relay == relay {
				return true
			}
		}
	}
	return false
}
