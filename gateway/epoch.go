package gateway

import (
	"crypto/rand"
	"encoding/binary"
	"errors"
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
	q        Store
	number   uint16
	base     time.Duration // Mono at which the epoch began
	next     uint32        // next receipt number
	reserved uint32        // numbers below this are on the disk as used
	asking   bool          // a further block is being set aside
	damaged  bool          // a setting was, so this epoch was begun
}

const (
	epochName    = "epoch"    // value: epoch (2), boot (16), base (8)
	receiptsName = "receipts" // value: epoch (2), first number not reserved (4)
	numberBlock  = 4096
)

// openEpoch goes on with the epoch and the numbers that are stored. It moves the epoch on in a new boot; if fresh is
// asked for, since replay marks were lost; if one of the two settings is damaged, for then the time or the numbers are;
// and if the second copy shows that the queue's file is lost or an old one. copied is nil if there is none.
func openEpoch(q Store, c Clock, fresh bool, copied *secondCopy) (*epoch, error) {
	e := &epoch{q: q}
	stored, lostEpoch, err := setting(q, epochName, 26)
	if err != nil {
		return nil, err
	}
	numbers, lostNumbers, err := setting(q, receiptsName, 6)
	if err != nil {
		return nil, err
	}
	// An epoch that is ahead of the queue's has been in use: the queue's file is an old one.
	old := copied != nil && stored != nil && int16(copied.Epoch-binary.BigEndian.Uint16(stored)) > 0
	if stored != nil && [16]byte(stored[2:18]) == c.Boot && !fresh && !lostNumbers && !old {
		e.number, e.base = binary.BigEndian.Uint16(stored), time.Duration(binary.BigEndian.Uint64(stored[18:]))
		if numbers != nil && binary.BigEndian.Uint16(numbers) == e.number {
			e.next = binary.BigEndian.Uint32(numbers[2:])
			e.reserved = e.next
		}
		return e, e.firstBlock()
	}
	e.damaged = lostEpoch || lostNumbers
	switch {
	case copied != nil && (stored == nil || old):
		e.number = copied.Epoch + 1
	case stored != nil:
		e.number = binary.BigEndian.Uint16(stored) + 1
	case numbers != nil:
		e.number = binary.BigEndian.Uint16(numbers) + 1
	default:
		var b [2]byte
		rand.Read(b[:]) // a new queue, or one that was lost: most likely not an epoch used before
		e.number = binary.BigEndian.Uint16(b[:])
	}
	e.base, e.next = c.Mono(), firstNumber()
	v := binary.BigEndian.AppendUint16(nil, e.number)
	v = append(v, c.Boot[:]...)
	v = binary.BigEndian.AppendUint64(v, uint64(e.base))
	if err := q.Put(epochName, v); err != nil {
		return nil, fmt.Errorf("move the epoch on: %w", err)
	}
	return e, e.firstBlock()
}

// firstNumber is where the receipt numbers of an epoch begin. A copy may lag, a backup may be old or be restored twice:
// should an epoch have been in use before without the queue knowing, its numbers were others, and no nonce repeats. It
// leaves 2^31 numbers to use.
func firstNumber() uint32 {
	var b [4]byte
	rand.Read(b[:])
	return binary.BigEndian.Uint32(b[:]) >> 1
}

// setting reads one of size bytes; nil if there is none. One that is damaged is lost.
func setting(q Store, name string, size int) (v []byte, lost bool, err error) {
	v, err = q.Get(name)
	switch {
	case errors.Is(err, queue.ErrCorruptSetting):
		return nil, true, nil
	case err != nil:
		return nil, false, fmt.Errorf("read %s: %w", name, err)
	case v != nil && len(v) != size:
		return nil, true, nil
	}
	return v, false, nil
}

// Numbers are set aside on the disk a block at a time, ahead of use: one that was used twice would repeat a nonce.

func (e *epoch) firstBlock() error {
	if err := e.setAside(e.next + numberBlock); err != nil {
		return err
	}
	e.reserved = e.next + numberBlock
	return nil
}

// setAside writes that numbers below upTo are used, and waits for the disk. It touches nothing in memory.
func (e *epoch) setAside(upTo uint32) error {
	v := binary.BigEndian.AppendUint16(nil, e.number)
	v = binary.BigEndian.AppendUint32(v, upTo)
	if err := e.q.Put(receiptsName, v); err != nil {
		return fmt.Errorf("set receipt numbers aside: %w", err)
	}
	return nil
}

// low reports whether the next block should be set aside, while half of the last is still there.
func (e *epoch) low() bool { return !e.asking && e.reserved-e.next <= numberBlock/2 }

// take gives the next receipt number. It never waits: there is none while the disk does not take the next block.
func (e *epoch) take() (uint32, error) {
	if e.next == e.reserved {
		return 0, errors.New("all receipt numbers that were set aside are used, and the disk does not take more")
	}
	e.next++
	return e.next - 1, nil
}

// at is mono as gateway time.
func (e *epoch) at(mono time.Duration) proto.Instant {
	return proto.Instant{Epoch: e.number, Since: max(mono-e.base, 0)}
}
