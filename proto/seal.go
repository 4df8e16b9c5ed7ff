package proto

import (
	"crypto/hmac"
	"encoding/binary"
	"reflect"
)

// Body is what a frame says, under the seal: one of the types of this package.
type Body interface {
	appendBody(dst []byte) []byte
	parseBody(b []byte) error
	fits(t Type) bool
}

func newBody(t Type) Body {
	switch t {
	case TypeTripOpened:
		return new(TripOpened)
	case TypeTripClosed:
		return new(TripClosed)
	case TypeTripHeld:
		return new(TripHeld)
	case TypeFault:
		return new(Fault)
	case TypeCheckIn:
		return new(CheckIn)
	case TypeSolicit:
		return new(Solicit)
	case TypeHopAck:
		return new(HopAck)
	case TypeBeacon:
		return new(Beacon)
	case TypeReceipt, TypeCheckInReceipt:
		return new(Receipt)
	}
	return nil
}

// Seal appends to dst the frame for h and body: encrypted, then authenticated. The caller must never seal two
// different bodies with the same type, node, generation, counter and attempt (for receipts: gateway, epoch, number):
// that would repeat a nonce.
func Seal(dst []byte, k *Keys, h Header, body Body) ([]byte, error) {
	if err := h.check(); err != nil {
		return nil, err
	}
	if !body.fits(h.Type) {
		return nil, refuse(BadType, "the body does not belong in a %s", h.Type)
	}
	l := h.Type.layout()
	start := len(dst)
	dst = h.appendClear(dst, false)
	clear := len(dst)
	dst = body.appendBody(dst)
	plain := dst[clear:]
	back := newBody(h.Type) // a value that the receiver would refuse, or read as another, must not leave
	if err := back.parseBody(plain); err != nil {
		return nil, err
	}
	if !reflect.DeepEqual(back, body) {
		return nil, refuse(BadReserved, "a value of the %s is outside its range", h.Type)
	}
	k.xor(h.nonce(), plain, plain)
	dst = append(dst, k.tag(h, plain)[:l.tag]...)
	if n := len(dst) - start; h.Long && n != h.Type.Size()+2 || !h.Long && n != h.Type.Size() {
		return nil, refuse(BadLength, "a %s came to %d bytes", h.Type, n)
	}
	return dst, nil
}

// Open authenticates r with k, taking counter as the full counter of which r carries at least the low bits, and
// decrypts its body.
func (r Raw) Open(k *Keys, counter uint32) (Body, error) {
	h := r.Header
	if r.WholeCounter() && counter != h.Counter || uint16(counter) != uint16(h.Counter) {
		return nil, refuse(BadMAC, "counter %d is not the one that travelled", counter)
	}
	h.Counter = counter
	if !hmac.Equal(r.tag, k.tag(h, r.cipher)[:len(r.tag)]) {
		return nil, refuse(BadMAC, "authentication of a %s from node %d failed", r.Type, r.Node)
	}
	plain := make([]byte, len(r.cipher))
	k.xor(h.nonce(), plain, r.cipher)
	body := newBody(r.Type)
	if err := body.parseBody(plain); err != nil {
		return nil, err
	}
	if !body.fits(r.Type) {
		return nil, refuse(BadReserved, "the body does not belong in a %s", r.Type)
	}
	return body, nil
}

// Append writes r again, byte for byte as it was parsed.
func (r Raw) Append(dst []byte) []byte {
	dst = append(dst, r.clear...)
	dst = append(dst, r.cipher...)
	dst = append(dst, r.tag...)
	return append(dst, r.hops...)
}

// Resolve completes a counter of which only the low 16 bits travelled, given the highest counter known: the nearest
// value not more than WindowSize behind it, and otherwise ahead. So up to 65536-WindowSize frames may be missed in a
// row; a node that has had no receipt for longer, or was reset, sends all 32 bits.
func Resolve(low uint16, highest uint32) uint32 {
	base := uint32(0)
	if highest >= WindowSize {
		base = highest - WindowSize + 1
	}
	return base + uint32(low-uint16(base))
}

// ResolveBehind completes the low 16 bits of a counter that cannot be above newest: what a node does with a receipt.
func ResolveBehind(low uint16, newest uint32) (uint32, bool) {
	back := uint32(uint16(newest) - low)
	return newest - back, back <= newest
}

func be24(b []byte) uint32 { return uint32(b[0])<<16 | uint32(binary.BigEndian.Uint16(b[1:])) }

func append24(dst []byte, v uint32) []byte { return append(dst, byte(v>>16), byte(v>>8), byte(v)) }
