package node

import (
	"math"
	"time"

	"longlane/proto"
)

// Trouble is an Input: what the board itself finds wrong, or right again: a tamper switch, the wire to a supervised
// input. Only changes count: a Trouble that says what was said before makes no event.
type Trouble struct {
	Kind     proto.FaultKind // FaultTamper or FaultInput
	Input    uint8           // 0 where no input is concerned
	Ended    bool
	Argument uint16 // as in proto.Fault
}

// fault is a Trouble with its time, of whatever kind.
type fault struct {
	Trouble
	at time.Duration
}

// faultKey is what can be faulty on its own.
type faultKey struct {
	kind  proto.FaultKind
	input uint8
}

func blockedFault(c *contact, at, dwell time.Duration) fault {
	return fault{Trouble{Kind: proto.FaultBlocked, Input: c.Number, Argument: seconds(dwell)}, at}
}

func chatterFault(c *contact, at time.Duration, edges int, ended bool) fault {
	return fault{Trouble{proto.FaultChatter, c.Number, ended, uint16(min(edges, math.MaxUint16))}, at}
}

func seconds(d time.Duration) uint16 { return uint16(min(d/time.Second, math.MaxUint16)) }

// fault makes an event of f if it is news.
func (n *Node) fault(now time.Duration, f fault) {
	key := faultKey{f.Kind, f.Input}
	if n.faulty[key] == !f.Ended {
		return
	}
	if f.Ended {
		delete(n.faulty, key)
	} else {
		n.faulty[key] = true
	}
	n.hold(event{kind: FaultEvent, input: f.Input, at: min(f.at, now), fault: f.Kind, ended: f.Ended, argument: f.Argument})
}

// trouble takes only kinds that the node does not find by itself.
func (n *Node) trouble(now time.Duration, t Trouble) {
	switch t.Kind {
	case proto.FaultTamper:
		t.Input, t.Argument = 0, 0 // neither means anything
	case proto.FaultInput:
		t.Input &= 0x0f
	default:
		return
	}
	n.fault(now, fault{t, now})
}

// batteryRecovers is how far above the limit a supply must come to count as good again.
const batteryRecovers = 1.03

func (n *Node) measured(now time.Duration, m Measured) {
	n.battery = proto.EncodeBattery(m.Battery)
	n.temperature = proto.NoTemperature
	if !math.IsNaN(m.Temperature) {
		n.temperature = proto.Temperature(min(max(math.Round(m.Temperature), -127), 127))
	}
	n.noise = proto.EncodeRSSI(m.Noise)
	if !(m.Battery > 0) || n.LowBattery == 0 {
		return
	}
	t := Trouble{Kind: proto.FaultBattery, Argument: uint16(min(math.Round(m.Battery*1000), math.MaxUint16))}
	switch {
	case m.Battery < n.LowBattery:
		n.fault(now, fault{t, now})
	case m.Battery >= n.LowBattery*batteryRecovers:
		t.Ended = true
		n.fault(now, fault{t, now})
	}
}
