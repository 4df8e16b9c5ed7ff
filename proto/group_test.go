package proto

import (
	"math/rand/v2"
	"testing"
)

var solicitType = frameType{
	typ: TypeSolicit,
	body: func(r *rand.Rand) Body {
		b := &Solicit{Receipt: coin(r), Distance: randWord(r), Noise: RSSI(randByte(r))}
		if b.Receipt {
			b.Tag = randTag(r)
		}
		return b
	},
	example: &Solicit{Receipt: true, Distance: 0x0102, Tag: [4]byte{3, 4, 5, 6}, Noise: 7},
	page:    "01 0102 03040506 07",
	refused: func(p []byte) bool { return p[0] > 1 || p[0] == 0 && [4]byte(p[3:]) != [4]byte{} },
}

var hopAckType = frameType{
	typ: TypeHopAck,
	body: func(r *rand.Rand) Body {
		return &HopAck{Tag: randTag(r), Distance: randWord(r), RSSI: RSSI(randByte(r)), SNR: SNR(randByte(r))}
	},
	example: &HopAck{Tag: [4]byte{1, 2, 3, 4}, Distance: 0x0506, RSSI: 7, SNR: 8},
	page:    "01020304 0506 07 08",
	refused: nothingRefused,
}

var beaconType = frameType{
	typ: TypeBeacon,
	body: func(r *rand.Rand) Body {
		return &Beacon{Epoch: randWord(r), Time: GatewayTime(r.Uint32()), Distance: randWord(r), Noise: RSSI(randByte(r)),
			Busy: randByte(r)}
	},
	example: &Beacon{Epoch: 0x0102, Time: 0x03040506, Distance: 0x0708, Noise: 9, Busy: 10},
	page:    "0102 03040506 0708 00 09 0a",
	refused: func(p []byte) bool { return p[8] != 0 },
}

func TestSolicit(t *testing.T) { testFrameType(t, solicitType) }
func TestHopAck(t *testing.T)  { testFrameType(t, hopAckType) }
func TestBeacon(t *testing.T)  { testFrameType(t, beaconType) }
