package proto

import "encoding/binary"

// Version is the protocol version this package speaks.
const Version = 1

// Sizes on the wire, in bytes.
const (
	TagSize  = 8 // MAC of everything but the short hints
	HintSize = 4 // MAC of a hop acknowledgement and of a solicit
	HopSize  = 9 // one hop record
	MaxHops  = 7 // most hop records a frame may carry

	// MaxSize is the longest frame: a held trip, fault or check-in with the long counter and all hop records.
	MaxSize = 35 + MaxHops*HopSize
)

// Type is the kind of a frame.
type Type uint8

// The frame types of version 1.
const (
	TypeTripOpened     Type = 1  // a zone's contact held for the minimum dwell: announced at once
	TypeTripClosed     Type = 2  // the same trip ended; carries the dwell
	TypeTripHeld       Type = 3  // an opening or closing kept so long that its age or attempt needs wider fields
	TypeFault          Type = 4  // something is wrong with the node, or no longer is
	TypeCheckIn        Type = 5  // periodic supervision, with a counter of its own
	TypeSolicit        Type = 8  // a node asks its neighbours for a parent
	TypeHopAck         Type = 9  // a relay tells the sender that it has the frame
	TypeBeacon         Type = 10 // epoch, time and distance to the gateway, a hint
	TypeReceipt        Type = 12 // the gateway has the event on its disk
	TypeCheckInReceipt Type = 13 // the gateway heard the check-in; promises nothing
)

// class is the shape of a frame's clear part and the key it is sealed with.
type class uint8

const (
	classNone    class = iota
	classEvent         // node keys, event counter
	classCheckIn       // node keys, check-in counter
	classGroup         // group keys, the sender's group counter
	classReceipt       // node keys, from the gateway
)

type layout struct {
	name    string
	class   class
	clear   int // clear bytes with the short counter
	body    int // encrypted bytes
	tag     int
	attempt int // bytes of attempt in the clear part
}

var layouts = [32]layout{
	TypeTripOpened:     {"trip opened", classEvent, 9, 9, TagSize, 1},
	TypeTripClosed:     {"trip closed", classEvent, 9, 9, TagSize, 1},
	TypeTripHeld:       {"trip held", classEvent, 10, 15, TagSize, 2},
	TypeFault:          {"fault", classEvent, 10, 15, TagSize, 2},
	TypeCheckIn:        {"check-in", classCheckIn, 8, 17, TagSize, 0},
	TypeSolicit:        {"solicit", classGroup, 10, 8, HintSize, 0},
	TypeHopAck:         {"hop acknowledgement", classGroup, 10, 8, HintSize, 0},
	TypeBeacon:         {"beacon", classGroup, 10, 11, TagSize, 0},
	TypeReceipt:        {"receipt", classReceipt, 14, 11, TagSize, 0},
	TypeCheckInReceipt: {"check-in receipt", classReceipt, 14, 11, TagSize, 0},
}

func (t Type) layout() layout {
	if int(t) >= len(layouts) {
		return layout{}
	}
	return layouts[t]
}

// String names the type as people read it.
func (t Type) String() string {
	if n := t.layout().name; n != "" {
		return n
	}
	return "unknown type"
}

// Event reports whether frames of this type carry the event counter and are kept until receipted.
func (t Type) Event() bool { return t.layout().class == classEvent }

// Group reports whether frames of this type are sealed with the group key. They are hints.
func (t Type) Group() bool { return t.layout().class == classGroup }

// Receipt reports whether frames of this type come from the gateway to one node.
func (t Type) Receipt() bool { return t.layout().class == classReceipt }

// Size is the length in bytes of a frame of this type with the short counter and no hop records; 0 if unknown.
func (t Type) Size() int { l := t.layout(); return l.clear + l.body + l.tag }

// Node ids. A gateway speaks in group frames as GatewayBase + its number.
const (
	MinNode     = 1
	MaxNode     = 239
	GatewayBase = 240
	MaxGateways = 16
)

// Header is the clear part of a frame.
type Header struct {
	Type     Type
	Long     bool  // all 32 bits of the counter travel (events and check-ins only)
	HopsLeft uint8 // 0 to 15; outside the MAC
	Site     uint16
	Node     uint8 // origin; in a receipt the addressee; in group frames the sender
	Gen      uint8 // generation of the node's key, or of the group key
	// Counter is the event, check-in or group counter; in a receipt the counter answered. After Parse only the bits
	// that travelled are set: see Raw.WholeCounter.
	Counter uint32
	Attempt uint16 // which sealing of the same event this is; 0 where the type has none
	// The rest is for receipts only.
	Gateway uint8  // gateway number, 0 to 15
	Epoch   uint16 // the gateway's epoch
	Number  uint32 // the gateway's receipt number, never repeated within an epoch
}

const (
	flagLong    = 0x10
	flagsMask   = 0xf0
	hopsMask    = 0x0f
	versionBits = 5
)

// appendClear writes the clear part. For the MAC (wide) the counter has all its bits and hops left is zero.
func (h Header) appendClear(dst []byte, wide bool) []byte {
	l := h.Type.layout()
	b1 := h.HopsLeft & hopsMask
	if wide {
		b1 = 0
	}
	if l.class == classReceipt {
		b1 |= h.Gateway << 4
	} else if h.Long {
		b1 |= flagLong
	}
	dst = append(dst, Version<<versionBits|byte(h.Type), b1)
	dst = binary.BigEndian.AppendUint16(dst, h.Site)
	dst = append(dst, h.Node, h.Gen)
	if l.class == classReceipt {
		dst = binary.BigEndian.AppendUint16(dst, h.Epoch)
		dst = binary.BigEndian.AppendUint32(dst, h.Number)
	}
	if wide || h.Long || l.class == classGroup {
		dst = binary.BigEndian.AppendUint32(dst, h.Counter)
	} else {
		dst = binary.BigEndian.AppendUint16(dst, uint16(h.Counter))
	}
	switch l.attempt {
	case 1:
		dst = append(dst, byte(h.Attempt))
	case 2:
		dst = binary.BigEndian.AppendUint16(dst, h.Attempt)
	}
	return dst
}

// check refuses a header that cannot be written.
func (h Header) check() error {
	l := h.Type.layout()
	switch {
	case l.class == classNone:
		return refuse(BadType, "type %d is not known", h.Type)
	case h.HopsLeft > hopsMask:
		return refuse(BadReserved, "hops left is %d, at most %d can be written", h.HopsLeft, hopsMask)
	case h.Long && l.class != classEvent && l.class != classCheckIn:
		return refuse(BadReserved, "a %s has no long counter", h.Type)
	case l.attempt == 0 && h.Attempt != 0, l.attempt == 1 && h.Attempt > 255:
		return refuse(BadReserved, "attempt %d does not fit a %s", h.Attempt, h.Type)
	case l.class == classGroup && h.Node == 0, l.class != classGroup && (h.Node < MinNode || h.Node > MaxNode):
		return refuse(BadReserved, "node id %d is outside its range", h.Node)
	case h.Gateway >= MaxGateways:
		return refuse(BadReserved, "gateway number %d is above %d", h.Gateway, MaxGateways-1)
	}
	return nil
}

// nonce is the initial counter block for AES-CTR. It never repeats under one key: see PROTOCOL.md section 5.
func (h Header) nonce() (iv [16]byte) {
	iv[0] = Version<<versionBits | byte(h.Type)
	binary.BigEndian.PutUint16(iv[1:], h.Site)
	iv[3], iv[4] = h.Node, h.Gen
	if h.Type.Receipt() {
		binary.BigEndian.PutUint32(iv[5:], h.Number)
		binary.BigEndian.PutUint16(iv[9:], h.Epoch)
		iv[11] = h.Gateway
		return iv
	}
	binary.BigEndian.PutUint32(iv[5:], h.Counter)
	binary.BigEndian.PutUint16(iv[9:], h.Attempt)
	return iv
}

// Raw is a frame taken apart without any key. Its slices alias the bytes given to Parse.
type Raw struct {
	Header
	clear  []byte
	cipher []byte
	tag    []byte
	hops   []byte
}

// Parse splits b into header, encrypted body, MAC and hop records, and checks all that can be checked without a key:
// version, type, reserved bits, exact length.
func Parse(b []byte) (Raw, error) {
	if len(b) < 2 {
		return Raw{}, refuse(BadLength, "%d bytes are too few for any frame", len(b))
	}
	if v := b[0] >> versionBits; v != Version {
		return Raw{}, refuse(BadVersion, "version %d, this is version %d", v, Version)
	}
	t := Type(b[0] & (1<<versionBits - 1))
	l := t.layout()
	if l.class == classNone {
		return Raw{}, refuse(BadType, "type %d is not known", t)
	}
	r := Raw{Header: Header{Type: t, HopsLeft: b[1] & hopsMask}}
	clear := l.clear
	switch flags := b[1] & flagsMask; {
	case l.class == classReceipt:
		r.Gateway = flags >> 4
	case flags == flagLong && l.class != classGroup:
		r.Long = true
		clear += 2
	case flags != 0:
		return Raw{}, refuse(BadReserved, "flags %#x in a %s", flags, t)
	}
	if err := checkLength(t, len(b), clear+l.body+l.tag); err != nil {
		return Raw{}, err
	}
	r.readClear(b[:clear], l)
	body := clear + l.body
	r.clear, r.cipher, r.tag, r.hops = b[:clear], b[clear:body], b[body:body+l.tag], b[body+l.tag:]
	return r, r.Header.check()
}

func checkLength(t Type, n, want int) error {
	extra := n - want
	switch {
	case extra == 0:
		return nil
	case extra < 0 || !(t.Event() || t == TypeCheckIn):
		return refuse(BadLength, "%d bytes, a %s has %d", n, t, want)
	case extra%HopSize != 0 || extra/HopSize > MaxHops:
		return refuse(BadLength, "%d bytes, a %s has %d and up to %d hop records of %d", n, t, want, MaxHops, HopSize)
	}
	return nil
}

func (r *Raw) readClear(b []byte, l layout) {
	r.Site = binary.BigEndian.Uint16(b[2:])
	r.Node, r.Gen = b[4], b[5]
	b = b[6:]
	if l.class == classReceipt {
		r.Epoch = binary.BigEndian.Uint16(b)
		r.Number = binary.BigEndian.Uint32(b[2:])
		b = b[6:]
	}
	if r.Long || l.class == classGroup {
		r.Counter = binary.BigEndian.Uint32(b)
		b = b[4:]
	} else {
		r.Counter = uint32(binary.BigEndian.Uint16(b))
		b = b[2:]
	}
	switch l.attempt {
	case 1:
		r.Attempt = uint16(b[0])
	case 2:
		r.Attempt = binary.BigEndian.Uint16(b)
	}
}

// Tag is the frame's MAC. A hop acknowledgement names a frame by the first four bytes of it.
func (r Raw) Tag() []byte { return r.tag }

// WholeCounter reports whether Header.Counter holds all 32 bits as they travelled.
func (r Raw) WholeCounter() bool { return r.Long || r.Type.Group() }
