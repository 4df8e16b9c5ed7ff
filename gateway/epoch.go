package gateway

import (
	"crypto/rand"
	"encoding/binary"
	"fmt"
	"time"

	"longlane/proto"
	"longlane/queue"
)

// epoch keeps the gateway's own time, which is not wall-clock time, and the numbers of its receipts.
//
// Gateway time runs on Mono, so it holds within one boot, through restarts of the process. In a new boot nothing says
// how long the machine was off: the epoch moves on and every node starts without a time.
type epoch struct {
	q        *queue.Queue
	number   uint16
	base     time.Duration // Mono at which the epoch began
	next     uint32        // next receipt number
	reserved uint32        // numbers below this are on the disk as used
}

const (
	epochName    = "epoch"    // value: epoch (2), boot (16), base (8)
	receiptsName = "receipts" // value: epoch (2), first number not reserved (4)
	numberBlock  = 4096
)

func openEpoch(q *queue.Queue, c Clock) (*epoch, error) {
	e := &epoch{q: q}
	v, err := q.Get(epochName)
	if err != nil {
		return nil, fmt.Errorf("read epoch: %w", err)
	}
	known := len(v) == 26
	if known {
		e.number = binary.BigEndian.Uint16(v)
		e.base = time.Duration(binary.BigEndian.Uint64(v[18:]))
	}
	if known && [16]byte(v[2:18]) == c.Boot {
		return e, e.continueNumbers()
	}
	if known {
		e.number++
	} else {
		var b [2]byte
		rand.Read(b[:]) // a new queue, or one that was lost: most likely not an epoch used before
		e.number = binary.BigEndian.Uint16(b[:])
	}
	e.base = c.Mono()
	v = binary.BigEndian.AppendUint16(nil, e.number)
	v = append(v, c.Boot[:]...)
	v = binary.BigEndian.AppendUint64(v, uint64(e.base))
	if err := q.Put(epochName, v); err != nil {
		return nil, fmt.Errorf("move the epoch on: %w", err)
	}
	return e, nil
}

func (e *epoch) continueNumbers() error {
	v, err := e.q.Get(receiptsName)
	if err != nil {
		return fmt.Errorf("read receipt numbers: %w", err)
	}
	if len(v) == 6 && binary.BigEndian.Uint16(v) == e.number {
		e.next = binary.BigEndian.Uint32(v[2:])
		e.reserved = e.next
	}
	return nil
}

// take gives the next receipt number. Numbers are set aside on the disk a block at a time, ahead of use: one that was
// used twice would repeat a nonce.
func (e *epoch) take() (uint32, error) {
	if e.next == e.reserved {
		v := binary.BigEndian.AppendUint16(nil, e.number)
		v = binary.BigEndian.AppendUint32(v, e.reserved+numberBlock)
		if err := e.q.Put(receiptsName, v); err != nil {
			return 0, fmt.Errorf("set receipt numbers aside: %w", err)
		}
		e.reserved += numberBlock
	}
	e.next++
	return e.next - 1, nil
}

// at is mono as gateway time.
func (e *epoch) at(mono time.Duration) proto.Instant {
	return proto.Instant{Epoch: e.number, Since: max(mono-e.base, 0)}
}
