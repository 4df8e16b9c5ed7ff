package proto

import "encoding/binary"

// Group frames are sealed with a key that every node holds, so a stolen node can make any of them. They may steer
// routing and timers and nothing else.

// NoDistance is the distance of a node that knows no way to the gateway.
const NoDistance uint16 = 65535

// Beacon tells neighbours of a way to the gateway.
type Beacon struct {
	Epoch    uint16
	Time     GatewayTime
	Distance uint16 // expected airtime to the gateway, ms; 0 at the gateway; NoDistance
	Flags    uint8  // reserved, 0
	Noise    RSSI   // noise floor where the beacon was sent
	Busy     uint8  // share of the last hour for which the channel was busy, in 1/255
}

func (*Beacon) fits(t Type) bool { return t == TypeBeacon }

func (b *Beacon) appendBody(dst []byte) []byte {
	dst = binary.BigEndian.AppendUint16(dst, b.Epoch)
	dst = binary.BigEndian.AppendUint32(dst, uint32(b.Time))
	dst = binary.BigEndian.AppendUint16(dst, b.Distance)
	return append(dst, b.Flags, byte(b.Noise), b.Busy)
}

func (b *Beacon) parseBody(p []byte) error {
	*b = Beacon{Epoch: binary.BigEndian.Uint16(p), Time: GatewayTime(binary.BigEndian.Uint32(p[2:])),
		Distance: binary.BigEndian.Uint16(p[6:]), Flags: p[8], Noise: RSSI(p[9]), Busy: p[10]}
	if b.Flags != 0 {
		return refuse(BadReserved, "flags %#x of a beacon", b.Flags)
	}
	return nil
}

// HopAck tells the sender of a frame that a neighbour has it. It frees nothing: only a receipt does.
type HopAck struct {
	Tag      [4]byte // first bytes of the MAC of the frame heard
	Distance uint16  // the acknowledger's, as in Beacon
	RSSI     RSSI    // at which it heard the frame
	SNR      SNR
}

func (*HopAck) fits(t Type) bool { return t == TypeHopAck }

func (b *HopAck) appendBody(dst []byte) []byte {
	dst = append(dst, b.Tag[:]...)
	dst = binary.BigEndian.AppendUint16(dst, b.Distance)
	return append(dst, byte(b.RSSI), byte(b.SNR))
}

func (b *HopAck) parseBody(p []byte) error {
	*b = HopAck{Tag: [4]byte(p), Distance: binary.BigEndian.Uint16(p[4:]), RSSI: RSSI(p[6]), SNR: SNR(p[7])}
	return nil
}

// Solicit asks the neighbours for a parent, or for a receipt that they may have kept.
type Solicit struct {
	Receipt  bool    // asks for a receipt for the frame named by Tag; else for a parent, and Tag is zero
	Distance uint16  // the asker's, as in Beacon
	Tag      [4]byte // first bytes of the MAC of the frame whose receipt is awaited
	Noise    RSSI    // noise floor at the asker
}

func (*Solicit) fits(t Type) bool { return t == TypeSolicit }

func (b *Solicit) appendBody(dst []byte) []byte {
	flags := byte(0)
	if b.Receipt {
		flags = 1
	}
	dst = binary.BigEndian.AppendUint16(append(dst, flags), b.Distance)
	dst = append(dst, b.Tag[:]...)
	return append(dst, byte(b.Noise))
}

func (b *Solicit) parseBody(p []byte) error {
	*b = Solicit{Receipt: p[0] == 1, Distance: binary.BigEndian.Uint16(p[1:]), Tag: [4]byte(p[3:]), Noise: RSSI(p[7])}
	if p[0] > 1 || !b.Receipt && b.Tag != [4]byte{} {
		return refuse(BadReserved, "flags %#x and name %x of a solicit", p[0], b.Tag)
	}
	return nil
}
