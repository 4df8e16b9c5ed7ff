package queue

import (
	"encoding/binary"
	"fmt"

	"go.etcd.io/bbolt"

	"longlane/queue/seal"
)

// Priority is the lane of an event. A lower number is delivered first and refused last.
type Priority uint8

// The closed list of priorities.
const (
	Alarm   Priority = iota // trips
	Notice                  // faults, corrections
	Routine                 // check-ins

	priorities = 3
)

// String returns the name used in messages and metrics.
func (p Priority) String() string {
	switch p {
	case Alarm:
		return "alarm"
	case Notice:
		return "notice"
	case Routine:
		return "routine"
	}
	return fmt.Sprintf("priority(%d)", uint8(p))
}

// Seq numbers events over all priorities, from 1, always rising. No number is given to two events that were ever
// visible.
type Seq uint64

// Mark names a replay mark and the counter to advance it by; see Options.Advance.
type Mark struct {
	Key     []byte // 1 to MaxKey bytes
	Counter uint32
}

// Record is one request to the log.
type Record struct {
	Priority Priority
	Value    []byte // up to MaxValue bytes; Append copies it
	Mark     *Mark  // nil: none. Advanced in the same transaction as the event is stored
	Aside    bool   // also keep a copy aside, until a later record settles it
	Settle   []Seq  // remove these copies in the same transaction; unknown numbers are ignored
	NoStore  bool   // only advance the mark and settle; no event is stored and the answer is Seq 0
}

// Item is a stored event. The caller owns Value.
type Item struct {
	Seq      Seq
	Priority Priority
	Value    []byte
}

// DeadItem is an event that was taken out of delivery.
type DeadItem struct {
	Item
	Sink   string // who parked it; empty if its checksum failed, and Value is then the stored bytes as found
	Reason string
}

// Sizes that Append, Put and Sink accept.
const (
	MaxValue = 64 << 10 // bytes in a value
	MaxKey   = 256      // bytes in a mark's key, a setting's name or a sink's name
)

const seqSize = 8

// put seals a payload and stores it.
func put(tx *bbolt.Tx, bucket, key, payload []byte) error {
	return tx.Bucket(bucket).Put(key, seal.Wrap(bucket, key, payload))
}

func seqKey(s Seq) []byte { return binary.BigEndian.AppendUint64(nil, uint64(s)) }

func parseSeq(key []byte) (Seq, error) {
	if len(key) != seqSize {
		return 0, fmt.Errorf("key %x has %d bytes, expected %d", key, len(key), seqSize)
	}
	return Seq(binary.BigEndian.Uint64(key)), nil
}

func appendAside(p Priority, value []byte) []byte {
	return append([]byte{byte(p)}, value...)
}

func parseAside(payload []byte) (Priority, []byte, error) {
	if len(payload) < 1 || payload[0] >= priorities {
		return 0, nil, fmt.Errorf("aside record % x: expected a priority below %d", payload[:min(len(payload), 1)], priorities)
	}
	return Priority(payload[0]), payload[1:], nil
}

// maxReason keeps a peer's error text from filling the disk.
const maxReason = 512

func appendDead(p Priority, reason string, value []byte) []byte {
	reason = reason[:min(len(reason), maxReason)]
	out := binary.BigEndian.AppendUint16([]byte{byte(p)}, uint16(len(reason)))
	return append(append(out, reason...), value...)
}

func parseDead(key, payload []byte) (DeadItem, error) {
	if len(key) < seqSize || len(payload) < 3 || payload[0] >= priorities {
		return DeadItem{}, fmt.Errorf("dead record %x: expected 8 bytes of key, a priority below %d and a reason", key, priorities)
	}
	n := int(binary.BigEndian.Uint16(payload[1:]))
	if n > len(payload)-3 {
		return DeadItem{}, fmt.Errorf("dead record %x: reason of %d bytes in %d", key, n, len(payload)-3)
	}
	return DeadItem{
		Item: Item{
			Seq:      Seq(binary.BigEndian.Uint64(key)),
			Priority: Priority(payload[0]),
			Value:    append([]byte(nil), payload[3+n:]...),
		},
		Sink:   string(key[seqSize:]),
		Reason: string(payload[3 : 3+n]),
	}, nil
}

const (
	flagRequired   = 1
	cursorHeader   = 1 + 8
	cursorLaneHead = 8 + 4
	spanSize       = 16
)

// appendPlaces encodes a cursor as drawn in the package documentation.
func appendPlaces(required bool, missed uint64, lanes *[priorities]place) []byte {
	var flags byte
	if required {
		flags |= flagRequired
	}
	out := binary.BigEndian.AppendUint64([]byte{flags}, missed)
	for i := range lanes {
		out = binary.BigEndian.AppendUint64(out, uint64(lanes[i].floor))
		out = binary.BigEndian.AppendUint32(out, uint32(len(lanes[i].spans)))
		for _, s := range lanes[i].spans {
			out = binary.BigEndian.AppendUint64(out, uint64(s.lo))
			out = binary.BigEndian.AppendUint64(out, uint64(s.hi))
		}
	}
	return out
}

// parsePlaces is the inverse of appendPlaces. It refuses whatever appendPlaces would not have written.
func parsePlaces(b []byte) (required bool, missed uint64, lanes [priorities]place, err error) {
	if len(b) < cursorHeader || b[0]&^flagRequired != 0 {
		return false, 0, lanes, fmt.Errorf("cursor of %d bytes: bad header", len(b))
	}
	required, missed = b[0]&flagRequired != 0, binary.BigEndian.Uint64(b[1:])
	b = b[cursorHeader:]
	for i := range lanes {
		if b, err = lanes[i].parse(b); err != nil {
			return false, 0, lanes, fmt.Errorf("cursor lane %d: %w", i, err)
		}
	}
	if len(b) != 0 {
		return false, 0, lanes, fmt.Errorf("cursor has %d bytes too many", len(b))
	}
	return required, missed, lanes, nil
}

func (l *place) parse(b []byte) ([]byte, error) {
	if len(b) < cursorLaneHead {
		return nil, fmt.Errorf("%d bytes left, expected at least %d", len(b), cursorLaneHead)
	}
	l.floor = Seq(binary.BigEndian.Uint64(b))
	n := uint64(binary.BigEndian.Uint32(b[8:]))
	b = b[cursorLaneHead:]
	if n*spanSize > uint64(len(b)) {
		return nil, fmt.Errorf("%d spans in %d bytes", n, len(b))
	}
	prev := l.floor
	for ; n > 0; n-- {
		s := span{Seq(binary.BigEndian.Uint64(b)), Seq(binary.BigEndian.Uint64(b[8:]))}
		if s.lo <= prev || s.hi < s.lo {
			return nil, fmt.Errorf("span %d to %d after %d", s.lo, s.hi, prev)
		}
		l.spans, prev, b = append(l.spans, s), s.hi, b[spanSize:]
	}
	return b, nil
}
