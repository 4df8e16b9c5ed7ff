package proto

import "encoding/binary"

// CheckIn says that a node is alive, and how it is. It has a counter of its own and is never sent twice: a repeat is a
// new check-in.
type CheckIn struct {
	Sent        SendTime
	Active      uint8 // bit i: a trip at input i (0 to 3) has been announced and not ended
	Restarted   bool  // since its last receipt for a check-in the node has restarted
	Mains       bool  // the node runs from the mains
	Confirms    bool  // Confirm and ConfirmAge are valid
	Battery     Battery
	Temperature Temperature
	Next        uint16 // low 16 bits of the counter its next event will have
	Oldest      Oldest // distance from Next to the oldest event held; 0: none is held
	Restarts    uint8  // restarts ever, modulo 256
	// A confirming check-in follows a receipt that gave a node the time. It names the event that was receipted, as
	// a distance behind Next (1 to 255), and its true age now, so that a frame that somebody held back is found out.
	Confirm    uint8
	ConfirmAge Dur8
	// How the node heard the last receipt: the way from the gateway, which only the node can measure.
	HeardRSSI RSSI
	HeardSNR  SNR
	Settings  uint8 // version of the settings in force
	Noise     RSSI  // noise floor at the node
}

const (
	checkInActive    = 0x0f
	checkInRestarted = 0x10
	checkInMains     = 0x20
	checkInConfirms  = 0x40
)

func (*CheckIn) fits(t Type) bool { return t == TypeCheckIn }

func (b *CheckIn) appendBody(dst []byte) []byte {
	flags := b.Active & checkInActive
	if b.Restarted {
		flags |= checkInRestarted
	}
	if b.Mains {
		flags |= checkInMains
	}
	if b.Confirms {
		flags |= checkInConfirms
	}
	dst = append(appendSend(dst, b.Sent), flags, byte(b.Battery), byte(b.Temperature))
	dst = binary.BigEndian.AppendUint16(dst, b.Next)
	return append(dst, byte(b.Oldest), b.Restarts, b.Confirm, byte(b.ConfirmAge),
		byte(b.HeardRSSI), byte(b.HeardSNR), b.Settings, byte(b.Noise))
}

func (b *CheckIn) parseBody(p []byte) error {
	f := p[4]
	*b = CheckIn{Sent: parseSend(p), Active: f & checkInActive, Restarted: f&checkInRestarted != 0,
		Mains: f&checkInMains != 0, Confirms: f&checkInConfirms != 0, Battery: Battery(p[5]),
		Temperature: Temperature(p[6]), Next: binary.BigEndian.Uint16(p[7:]), Oldest: Oldest(p[9]),
		Restarts: p[10], Confirm: p[11], ConfirmAge: Dur8(p[12]), HeardRSSI: RSSI(p[13]), HeardSNR: SNR(p[14]),
		Settings: p[15], Noise: RSSI(p[16])}
	switch {
	case f&0x80 != 0:
		return refuse(BadReserved, "a reserved bit of a check-in is set")
	case b.Confirms != (b.Confirm != 0), !b.Confirms && b.ConfirmAge != 0:
		return refuse(BadReserved, "a check-in confirms nothing or half a thing")
	}
	return nil
}
