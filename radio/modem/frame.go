package modem

import "encoding/binary"

// Sizes of a packet, in bytes. A packet before stuffing is
//
//	0      1        3          3+n      5+n
//	+------+--------+----------+--------+
//	| type | length | body     | CRC-16 |     length n counts the body alone; numbers are big-endian
//	+------+--------+----------+--------+
//
// and goes over the line as 00, the stuffed packet, 00.
const (
	headerSize = 3
	crcSize    = 2
	maxBody    = receivedFixed + 255 // the longest message is a received frame of 255 bytes
	maxPacket  = headerSize + maxBody + crcSize
	maxStuffed = maxPacket + 3 // one code byte for each 254 begun, and the empty block some encoders add
	delimiter  = 0x00
)

// crc16 is CRC-16/IBM-3740 of the CRC catalogue: polynomial 1021, initial value FFFF, not reflected, no final
// exclusive-or. Over "123456789" it gives 29B1.
func crc16(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, c := range b {
		crc = crc<<8 ^ crcTable[byte(crc>>8)^c]
	}
	return crc
}

var crcTable = func() (t [256]uint16) {
	for i := range t {
		crc := uint16(i) << 8
		for range 8 {
			top := crc & 0x8000
			crc <<= 1
			if top != 0 {
				crc ^= 0x1021
			}
		}
		t[i] = crc
	}
	return t
}()

// Append appends m to dst as it goes over the line: delimiter, stuffed packet, delimiter. The delimiter in front makes
// the receiver throw away whatever noise stood on the line before it, instead of the message.
func Append(dst []byte, m Message) []byte {
	var room [maxPacket]byte
	p := append(room[:0], m.kind(), 0, 0)
	p = m.appendBody(p)
	binary.BigEndian.PutUint16(p[1:], uint16(len(p)-headerSize))
	p = binary.BigEndian.AppendUint16(p, crc16(p))
	dst = appendStuffed(append(dst, delimiter), p)
	return append(dst, delimiter)
}

// LineCounts says what became of the packets on the line.
type LineCounts struct {
	Packets  uint64 // whole packets with a right CRC
	Stuffing uint64 // not the stuffed form of anything
	Length   uint64 // too short for a packet, or not as long as the length field says
	CRC      uint64 // wrong CRC
	Overflow uint64 // no delimiter within the length of the longest packet
}

func (c *LineCounts) add(d LineCounts) {
	c.Packets += d.Packets
	c.Stuffing += d.Stuffing
	c.Length += d.Length
	c.CRC += d.CRC
	c.Overflow += d.Overflow
}

// A Deframer finds packets in a stream of bytes, however it is cut up. The zero value is ready: it throws away
// everything up to the first delimiter, since it cannot know what came before. It never allocates, and never holds more
// than one packet. It is not safe for concurrent use.
type Deframer struct {
	Counts LineCounts

	buf    [maxStuffed]byte
	n      int
	inStep bool // buf[:n] begins right after a delimiter
}

// Push reads the stream's next bytes and calls packet for each whole packet with a right CRC. The body is valid only
// during the call.
func (d *Deframer) Push(b []byte, packet func(kind byte, body []byte)) {
	for _, c := range b {
		switch {
		case c == delimiter:
			d.end(packet)
			d.n, d.inStep = 0, true
		case !d.inStep:
		case d.n == len(d.buf):
			d.Counts.Overflow++
			d.inStep = false
		default:
			d.buf[d.n] = c
			d.n++
		}
	}
}

// end judges what stood between two delimiters.
func (d *Deframer) end(packet func(kind byte, body []byte)) {
	if !d.inStep || d.n == 0 {
		return // thrown away already, or two delimiters in a row
	}
	n, ok := unstuff(d.buf[:d.n])
	p := d.buf[:n]
	switch {
	case !ok:
		d.Counts.Stuffing++
	case n < headerSize+crcSize || n != headerSize+crcSize+int(binary.BigEndian.Uint16(p[1:])):
		d.Counts.Length++
	case crc16(p[:n-crcSize]) != binary.BigEndian.Uint16(p[n-crcSize:]):
		d.Counts.CRC++
	default:
		d.Counts.Packets++
		packet(p[0], p[headerSize:n-crcSize])
	}
}
