package proto

import (
	"encoding/binary"
	"math"
	"time"
)

// Input is which of a node's inputs, 0 to 15, and how it stands.
type Input struct {
	Number     uint8
	Active     bool // the contact stands in its tripped position as the frame is sealed
	Normally   bool // the contact is normally closed: opening it is the trip
	Supervised bool // the wire to the contact is supervised, so silence from it means something
	Test       bool // a test trip: travels the whole way, sounds only where asked for
}

func (i Input) append(dst []byte) []byte {
	b := i.Number << 4
	for n, on := range []bool{i.Active, i.Normally, i.Supervised, i.Test} {
		if on {
			b |= 1 << n
		}
	}
	return append(dst, b)
}

func parseInput(b byte) Input {
	return Input{Number: b >> 4, Active: b&1 != 0, Normally: b&2 != 0, Supervised: b&4 != 0, Test: b&8 != 0}
}

// Battery is a voltage code: 2^(code/64) volts, 1.00 V to 15.7 V in steps of 1.1 %. NoBattery: not measured.
type Battery uint8

// NoBattery means that the voltage is not measured.
const NoBattery Battery = 255

// EncodeBattery gives the code nearest to volts, within 1.00 to 15.7 V.
func EncodeBattery(volts float64) Battery {
	if !(volts > 0) {
		return NoBattery
	}
	return Battery(min(max(math.Round(64*math.Log2(volts)), 0), 254))
}

// Volts is the code's value; ok is false if the voltage is not measured.
func (b Battery) Volts() (v float64, ok bool) { return math.Exp2(float64(b) / 64), b != NoBattery }

// Temperature is in whole degrees Celsius. NoTemperature: not measured.
type Temperature int8

// NoTemperature means that the temperature is not measured.
const NoTemperature Temperature = -128

// Oldest is how far behind a frame's own counter (in a check-in: behind Next) the oldest event still held lies. In an
// event frame 0 means that nothing older is held. What lies before it and never arrived is lost.
type Oldest uint8

func appendSend(dst []byte, s SendTime) []byte { return append(append24(dst, s.Seconds), s.Epoch) }

func parseSend(b []byte) SendTime { return SendTime{Seconds: be24(b), Epoch: b[3]} }

// TripOpened announces a trip, at once, when the contact has held for the minimum dwell.
type TripOpened struct {
	Input       Input
	Age         Dur8 // since the contact's first edge, as the frame is sealed; never Dur8Max
	Sent        SendTime
	Battery     Battery
	Temperature Temperature
	Oldest      Oldest
}

func (*TripOpened) fits(t Type) bool { return t == TypeTripOpened }

func (b *TripOpened) appendBody(dst []byte) []byte {
	dst = append(b.Input.append(dst), byte(b.Age))
	dst = appendSend(dst, b.Sent)
	return append(dst, byte(b.Battery), byte(b.Temperature), byte(b.Oldest))
}

func (b *TripOpened) parseBody(p []byte) error {
	*b = TripOpened{Input: parseInput(p[0]), Age: Dur8(p[1]), Sent: parseSend(p[2:]),
		Battery: Battery(p[6]), Temperature: Temperature(p[7]), Oldest: Oldest(p[8])}
	return tooOldForShort(b.Age)
}

func tooOldForShort(a Dur8) error {
	if a == Dur8Max {
		return refuse(BadReserved, "age code 255 belongs in a %s", TypeTripHeld)
	}
	return nil
}

// TripClosed completes a trip.
type TripClosed struct {
	Input  Input
	Age    Dur8 // since the contact returned, as the frame is sealed; never Dur8Max
	Sent   SendTime
	Dwell  Dur16 // how long the contact held
	Opened uint8 // how far behind this frame's counter the opening's lies; 0: not known
}

func (*TripClosed) fits(t Type) bool { return t == TypeTripClosed }

func (b *TripClosed) appendBody(dst []byte) []byte {
	dst = append(b.Input.append(dst), byte(b.Age))
	dst = appendSend(dst, b.Sent)
	dst = binary.BigEndian.AppendUint16(dst, uint16(b.Dwell))
	return append(dst, b.Opened)
}

func (b *TripClosed) parseBody(p []byte) error {
	*b = TripClosed{Input: parseInput(p[0]), Age: Dur8(p[1]), Sent: parseSend(p[2:]),
		Dwell: Dur16(binary.BigEndian.Uint16(p[6:])), Opened: p[8]}
	return tooOldForShort(b.Age)
}

// WideAge is an age in tenths of a second, up to 13.6 years.
type WideAge uint32

// EncodeWideAge rounds d to tenths of a second.
func EncodeWideAge(d time.Duration) WideAge {
	return WideAge(min(max(d, 0).Round(100*time.Millisecond)/(100*time.Millisecond), math.MaxUint32))
}

// Duration is the age.
func (a WideAge) Duration() time.Duration { return time.Duration(a) * 100 * time.Millisecond }

// TripHeld is an opening or a closing, under the counter it always had, that has been kept for so long, or tried so
// often, that it needs wider fields.
type TripHeld struct {
	Closed  bool // a closing; else an opening
	Input   Input
	Age     WideAge // of the edge that the frame is about
	Sent    SendTime
	Dwell   Dur16 // of a closing; 0 in an opening
	Opened  uint8 // of a closing, as in TripClosed; 0 in an opening
	Oldest  Oldest
	Battery Battery
}

func (*TripHeld) fits(t Type) bool { return t == TypeTripHeld }

func (b *TripHeld) appendBody(dst []byte) []byte {
	kind := byte(0)
	if b.Closed {
		kind = 1
	}
	dst = b.Input.append(append(dst, kind))
	dst = binary.BigEndian.AppendUint32(dst, uint32(b.Age))
	dst = appendSend(dst, b.Sent)
	dst = binary.BigEndian.AppendUint16(dst, uint16(b.Dwell))
	return append(dst, b.Opened, byte(b.Oldest), byte(b.Battery))
}

func (b *TripHeld) parseBody(p []byte) error {
	*b = TripHeld{Closed: p[0] == 1, Input: parseInput(p[1]), Age: WideAge(binary.BigEndian.Uint32(p[2:])),
		Sent: parseSend(p[6:]), Dwell: Dur16(binary.BigEndian.Uint16(p[10:])), Opened: p[12],
		Oldest: Oldest(p[13]), Battery: Battery(p[14])}
	switch {
	case p[0] > 1:
		return refuse(BadReserved, "kind %d of a held trip, 0 or 1 is known", p[0])
	case !b.Closed && (b.Dwell != 0 || b.Opened != 0):
		return refuse(BadReserved, "a held opening with a dwell")
	}
	return nil
}
