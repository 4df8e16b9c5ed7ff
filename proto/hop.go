package proto

import (
	"crypto/hmac"
	"math"
)

// RSSI is a received power or noise floor: its negative in dBm, 0 to -254. NoRSSI: not measured.
type RSSI uint8

// NoRSSI means not measured.
const NoRSSI RSSI = 255

// EncodeRSSI rounds dbm to whole decibels within 0 to -254 dBm; NaN is NoRSSI.
func EncodeRSSI(dbm float64) RSSI {
	if math.IsNaN(dbm) {
		return NoRSSI
	}
	return RSSI(min(max(math.Round(-dbm), 0), 254))
}

// DBm is the power; NaN if not measured.
func (r RSSI) DBm() float64 {
	if r == NoRSSI {
		return math.NaN()
	}
	return 0 - float64(r) // not -float64(r): that makes a negative zero
}

// SNR is a signal-to-noise ratio in quarters of a decibel, two's complement, -31.75 to +31.75 dB. NoSNR: not measured.
type SNR uint8

// NoSNR means not measured.
const NoSNR SNR = 0x80

// EncodeSNR rounds db to quarters of a decibel; NaN is NoSNR.
func EncodeSNR(db float64) SNR {
	if math.IsNaN(db) {
		return NoSNR
	}
	return SNR(int8(min(max(math.Round(4*db), -127), 127)))
}

// DB is the ratio; NaN if not measured.
func (s SNR) DB() float64 {
	if s == NoSNR {
		return math.NaN()
	}
	return float64(int8(s)) / 4
}

// Hop is what a relay adds to a frame: who it is, how it heard the frame, how long it held it.
//
//	0 relay  1 generation  2 RSSI  3 SNR  4 time held (Dur8)  5 MAC (4)
//
// The MAC is chained over the origin's MAC and all earlier records. A record that is forged or broken is seen and
// costs nothing but itself. That the last records were stripped cannot be seen.
type Hop struct {
	Relay uint8
	Gen   uint8
	RSSI  RSSI
	SNR   SNR
	Held  Dur8
}

const (
	hopBody = 5
	hopTag  = HopSize - hopBody
)

func (k *Keys) hopTag(site uint16, before, body []byte) []byte {
	// before is the origin's MAC and all earlier records: at least 8 bytes and then multiples of 9.
	return k.hop.of([]byte{byte(site >> 8), byte(site)}, before, body)[:hopTag]
}

// AppendHop gives frame as a relay sends it on: hops left counted down, hop appended, sealed with the relay's own
// keys. It refuses when no hops are left or no record fits.
func AppendHop(frame []byte, k *Keys, hop Hop) ([]byte, error) {
	r, err := Parse(frame)
	if err != nil {
		return nil, err
	}
	switch {
	case !r.Type.Event() && r.Type != TypeCheckIn:
		return nil, refuse(BadType, "a %s carries no hop records", r.Type)
	case r.HopsLeft == 0:
		return nil, refuse(BadReserved, "no hops are left")
	case r.HopCount() == MaxHops:
		return nil, refuse(BadLength, "%d hop records are the most", MaxHops)
	case hop.Relay < MinNode || hop.Relay > MaxNode:
		return nil, refuse(BadReserved, "relay id %d is outside %d to %d", hop.Relay, MinNode, MaxNode)
	}
	body := []byte{hop.Relay, hop.Gen, byte(hop.RSSI), byte(hop.SNR), byte(hop.Held)}
	out := append([]byte(nil), frame...)
	out[1]-- // hops left is the low nibble and not zero
	out = append(out, body...)
	return append(out, k.hopTag(r.Site, frame[len(r.clear)+len(r.cipher):], body)...), nil
}

// HopCount is how many hop records r carries.
func (r Raw) HopCount() int { return len(r.hops) / HopSize }

// Hop is the i-th record, in the order travelled, as it stands: not yet verified.
func (r Raw) Hop(i int) Hop {
	b := r.hops[i*HopSize:]
	return Hop{Relay: b[0], Gen: b[1], RSSI: RSSI(b[2]), SNR: SNR(b[3]), Held: Dur8(b[4])}
}

// VerifyHop reports whether the i-th record was made by the relay whose keys are k.
func (r Raw) VerifyHop(i int, k *Keys) bool {
	rec := r.hops[i*HopSize : (i+1)*HopSize]
	before := append(append([]byte(nil), r.tag...), r.hops[:i*HopSize]...)
	return hmac.Equal(rec[hopBody:], k.hopTag(r.Site, before, rec[:hopBody]))
}
