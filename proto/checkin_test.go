package proto

import (
	"math/rand/v2"
	"testing"
)

var checkInType = frameType{
	typ: TypeCheckIn,
	body: func(r *rand.Rand) Body {
		b := &CheckIn{Sent: randSend(r), Active: uint8(r.IntN(16)), Restarted: coin(r), Mains: coin(r), Confirms: coin(r),
			Battery: Battery(randByte(r)), Temperature: Temperature(randByte(r)), Next: randWord(r),
			Oldest: Oldest(randByte(r)), Restarts: randByte(r), HeardRSSI: RSSI(randByte(r)), HeardSNR: SNR(randByte(r)),
			Settings: randByte(r), Noise: RSSI(randByte(r))}
		if b.Confirms {
			b.Confirm, b.ConfirmAge = uint8(1+r.IntN(255)), Dur8(randByte(r))
		}
		return b
	},
	example: &CheckIn{Sent: SendTime{0x111213, 0x14}, Active: 5, Restarted: true, Mains: true, Confirms: true,
		Battery: 0x20, Temperature: -1, Next: 0x2122, Oldest: 0x23, Restarts: 0x24, Confirm: 0x25, ConfirmAge: 0x26,
		HeardRSSI: 0x27, HeardSNR: 0x28, Settings: 0x29, Noise: 0x2a},
	page: "11121314 75 20 ff 2122 23 24 25 26 27 28 29 2a",
	refused: func(p []byte) bool {
		if p[4]&0x40 != 0 {
			return p[4]&0x80 != 0 || p[11] == 0
		}
		return p[4]&0x80 != 0 || p[11] != 0 || p[12] != 0
	},
}

func TestCheckIn(t *testing.T) { testFrameType(t, checkInType) }

// One flag at a time, so that no two can be exchanged.
func TestCheckInFlags(t *testing.T) {
	for _, c := range []struct {
		body CheckIn
		want byte
	}{{CheckIn{Active: 1}, 0x01}, {CheckIn{Active: 8}, 0x08}, {CheckIn{Restarted: true}, 0x10},
		{CheckIn{Mains: true}, 0x20}, {CheckIn{Confirms: true, Confirm: 1}, 0x40}} {
		if got := c.body.appendBody(nil)[4]; got != c.want {
			t.Errorf("flags of %+v = %#x, want %#x", c.body, got, c.want)
		}
	}
}
