package proto

import (
	"encoding/binary"
	"time"
)

// GatewayTime is the gateway's time in sixteenths of a second since its epoch began, modulo 2^32 (8.5 years).
type GatewayTime uint32

// EncodeGatewayTime writes since, rounding down.
func EncodeGatewayTime(since time.Duration) GatewayTime {
	return GatewayTime(uint64(since) / uint64(time.Second/16))
}

// Since is the time since the epoch began.
func (t GatewayTime) Since() time.Duration { return time.Duration(t) * (time.Second / 16) }

// Receipt is the gateway's word to one node. Answering an event it means "this event is on my disk"; answering a
// check-in it promises nothing. Only receipts carry authority: time, epoch and settings come from nowhere else.
type Receipt struct {
	Confirm  bool        // the gateway asks for a confirming check-in at once
	Time     GatewayTime // as the receipt was sealed
	Attempt  uint8       // low 8 bits of the attempt answered; 0 for a check-in
	Also     uint16      // bit i: the event with counter answered-1-i is on the disk as well; 0 for a check-in
	Settings Settings    // zero: none are sent
}

// Settings are what the gateway may change in a node.
type Settings struct {
	Version  uint8 // 1 to 255; 0: no settings
	MinDwell uint8 // in 5 ms, 1 to 255; 0 leaves it as it is
	Period   uint8 // of check-ins, in 20 s, 1 to 255 (85 min); 0 leaves it as it is
}

const (
	// MinDwellUnit is the unit of Settings.MinDwell.
	MinDwellUnit = 5 * time.Millisecond
	// PeriodUnit is the unit of Settings.Period.
	PeriodUnit = 20 * time.Second
)

// fits: a check-in is one attempt and says nothing of events.
func (b *Receipt) fits(t Type) bool {
	return t == TypeReceipt || t == TypeCheckInReceipt && b.Attempt == 0 && b.Also == 0
}

func (b *Receipt) appendBody(dst []byte) []byte {
	flags := byte(0)
	if b.Confirm {
		flags = 1
	}
	dst = append(dst, flags)
	dst = binary.BigEndian.AppendUint32(dst, uint32(b.Time))
	dst = append(dst, b.Attempt)
	dst = binary.BigEndian.AppendUint16(dst, b.Also)
	return append(dst, b.Settings.Version, b.Settings.MinDwell, b.Settings.Period)
}

func (b *Receipt) parseBody(p []byte) error {
	*b = Receipt{Confirm: p[0] == 1, Time: GatewayTime(binary.BigEndian.Uint32(p[1:])), Attempt: p[5],
		Also: binary.BigEndian.Uint16(p[6:]), Settings: Settings{Version: p[8], MinDwell: p[9], Period: p[10]}}
	switch {
	case p[0] > 1:
		return refuse(BadReserved, "flags %#x of a receipt", p[0])
	case b.Settings.Version == 0 && b.Settings != (Settings{}):
		return refuse(BadReserved, "settings without a version")
	}
	return nil
}
