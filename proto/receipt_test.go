package proto

import (
	"math/rand/v2"
	"testing"
	"time"
)

func randReceipt(r *rand.Rand) Body {
	b := &Receipt{Confirm: coin(r), Time: GatewayTime(r.Uint32()), Attempt: randByte(r), Also: randWord(r)}
	if coin(r) {
		b.Settings = Settings{Version: uint8(1 + r.IntN(255)), MinDwell: randByte(r), Period: randByte(r)}
	}
	return b
}

var receiptType = frameType{
	typ:  TypeReceipt,
	body: randReceipt,
	example: &Receipt{Confirm: true, Time: 0x01020304, Attempt: 5, Also: 0x0607,
		Settings: Settings{Version: 8, MinDwell: 9, Period: 10}},
	page:    "01 01020304 05 0607 08 09 0a",
	refused: func(p []byte) bool { return p[0] > 1 || p[8] == 0 && (p[9] != 0 || p[10] != 0) },
}

var checkInReceiptType = frameType{
	typ: TypeCheckInReceipt,
	body: func(r *rand.Rand) Body {
		b := randReceipt(r).(*Receipt)
		b.Attempt, b.Also = 0, 0
		return b
	},
	example: &Receipt{Time: 0xfffefdfc, Settings: Settings{Version: 1}},
	page:    "00 fffefdfc 00 0000 01 00 00",
	refused: func(p []byte) bool { return receiptType.refused(p) || p[5] != 0 || p[6] != 0 || p[7] != 0 },
}

func TestReceipt(t *testing.T)        { testFrameType(t, receiptType) }
func TestCheckInReceipt(t *testing.T) { testFrameType(t, checkInReceiptType) }

func TestGatewayTime(t *testing.T) {
	for _, c := range []struct {
		since time.Duration
		want  GatewayTime
	}{{0, 0}, {time.Second/16 - 1, 0}, {time.Second / 16, 1}, {time.Second, 16}, {time.Hour + 999*time.Millisecond, 57615},
		{(1<<32 - 1) * time.Second / 16, 1<<32 - 1}, {(1 << 32) * (time.Second / 16), 0},
		{(1<<32 + 5) * (time.Second / 16), 5}} {
		if got := EncodeGatewayTime(c.since); got != c.want {
			t.Errorf("EncodeGatewayTime(%v) = %d, want %d", c.since, got, c.want)
		}
	}
	r := newRand(t)
	for range 1000 {
		g := GatewayTime(r.Uint32())
		late := time.Duration(r.Int64N(int64(time.Second / 16)))
		if got := EncodeGatewayTime(g.Since() + late); got != g {
			t.Errorf("EncodeGatewayTime(%v) = %d, want %d: it rounds down", g.Since()+late, got, g)
		}
	}
}
