package node

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math/rand/v2"

	"longlane/proto"
)

// Saved is what a node's lasting memory holds. On the medium, big-endian:
//
//	 0  format, 1
//	 1  flags: bit 0 events may be held; others 0
//	 2  starts, ever (4)
//	 6  event counters below this are reserved (4)
//	10  check-in counters below this are reserved (4)
//	14  group counters below this are reserved (4)
//	18  no event below this is held (4)
//	22  events lost and not yet reported (2)
//	24  settings: version, minimum dwell, check-in period (as in a receipt)
//	27  0
//	28  CRC-32 (IEEE 802.3) of bytes 0 to 27 (4)
//
// A driver that can be interrupted while writing should keep two copies and read the newer good one.
type Saved struct {
	MayHold  bool
	Starts   uint32
	Event    uint32
	CheckIn  uint32
	Group    uint32
	HeldFrom uint32
	Lost     uint16
	Settings proto.Settings
}

// SavedSize is the length of a marshalled Saved.
const SavedSize = 32

const (
	savedFormat  = 1
	savedMayHold = 1
	savedCRC     = SavedSize - 4
)

// block is how many numbers are reserved at a time. A restart skips up to so many; a smaller block would wear the
// memory more.
const block = 64

// FirstSaved is what belongs in the memory of a unit that has never run, under this site's keys or any others. Counters
// begin at 1.
func FirstSaved() []byte {
	b, _ := Saved{Event: 1, CheckIn: 1, Group: 1, HeldFrom: 1}.MarshalBinary()
	return b
}

// MarshalBinary never fails.
func (s Saved) MarshalBinary() ([]byte, error) {
	b := make([]byte, 2, SavedSize)
	b[0] = savedFormat
	if s.MayHold {
		b[1] = savedMayHold
	}
	for _, v := range []uint32{s.Starts, s.Event, s.CheckIn, s.Group, s.HeldFrom} {
		b = binary.BigEndian.AppendUint32(b, v)
	}
	b = binary.BigEndian.AppendUint16(b, s.Lost)
	b = append(b, s.Settings.Version, s.Settings.MinDwell, s.Settings.Period, 0)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b)), nil
}

// UnmarshalBinary refuses what is damaged.
func (s *Saved) UnmarshalBinary(b []byte) error {
	switch {
	case len(b) != SavedSize:
		return fmt.Errorf("read a node's memory: found %d bytes, expected %d", len(b), SavedSize)
	case binary.BigEndian.Uint32(b[savedCRC:]) != crc32.ChecksumIEEE(b[:savedCRC]):
		return fmt.Errorf("read a node's memory: its checksum is wrong")
	case b[0] != savedFormat || b[1]&^savedMayHold != 0 || b[27] != 0:
		return fmt.Errorf("read a node's memory: found format %d, flags %#x; expected format %d", b[0], b[1], savedFormat)
	}
	word := func(at int) uint32 { return binary.BigEndian.Uint32(b[at:]) }
	*s = Saved{MayHold: b[1] == savedMayHold, Starts: word(2), Event: word(6), CheckIn: word(10), Group: word(14),
		HeldFrom: word(18), Lost: binary.BigEndian.Uint16(b[22:]),
		Settings: proto.Settings{Version: b[24], MinDwell: b[25], Period: b[26]}}
	return nil
}

// drawn is what a node whose memory is gone goes on with. See the package's promises.
func drawn(r *rand.Rand) Saved {
	draw := func() uint32 { return 1<<24 + r.Uint32N(1<<31-1<<24) }
	s := Saved{Event: draw(), CheckIn: draw(), Group: draw(), Lost: maxHeld}
	s.HeldFrom = s.Event
	return s
}

// afterRestart counts what the last run may have lost: all it may have held and all it may have made since it said so.
func (s *Saved) afterRestart() {
	if s.MayHold {
		s.Lost = uint16(min(uint32(s.Lost)+s.Event-min(s.HeldFrom, s.Event), mostLost))
	}
	s.HeldFrom, s.MayHold = s.Event, false
	s.Starts++
}

// mostLost is the most that a fault's argument reports.
const mostLost = 65534
