package gateway

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"time"
)

// groupCounter numbers what the gateway sends under the group key. A number must not come twice under one key
// (proto/PROTOCOL.md, section 2.2), and it must rise, or relays take what is sent for a recording. So it never begins anew:
// not with an epoch, nor with a new group key, which a restored roster may give out a second time.
//
// Why none comes again:
//
//   - Numbers are set aside on the disk a block at a time, ahead of use, and a start goes on behind the last block.
//   - If the queue's file is lost or an old one, the second copy tells what was set aside. It may lag, by a minute if the
//     disk takes it, so the start goes on copyLag behind it: at the timer's fastest that is 97 days of beacons. A backup is
//     such a copy, and a restore moves it on once more (RaiseCopy).
//   - Wherever the wall clock is set, the start goes on no lower than the seconds since notBefore. Fewer numbers than seconds
//     are used (take sees to it; a start skips at most a block), so whatever was used before lies below: also if an image of
//     the whole disk is put back, or both files are lost.
//   - If both files are lost and no clock is set, the start is drawn in the upper half, which no clock reaches before 2094.
//
// What is left is an old image of the whole disk on a machine without a clock: until the clock is set, numbers may come
// again, and relays ignore them. It betrays nothing: beacons hold what every node may know.
type groupCounter struct {
	q        Store
	next     uint32
	reserved uint32 // numbers below this are on the disk as used
	asking   bool   // a further block is being set aside
	spent    time.Duration
}

const (
	groupName  = "group" // value: first number not reserved (4)
	groupBlock = 64
	copyLag    = 1 << 20
	upperHalf  = 1 << 31
	groupBurst = 16 // numbers in a second, if there were fewer before
)

// openGroupCounter finds where to go on, and sets the first block aside.
func openGroupCounter(q Store, c Clock, copied *secondCopy) (*groupCounter, error) {
	n := &groupCounter{q: q}
	v, _, err := setting(q, groupName, 4)
	if err != nil {
		return nil, err
	}
	if v != nil {
		n.next = binary.BigEndian.Uint32(v)
	}
	if copied != nil && copied.Group > n.next { // the queue is written first, so it was lost or is an old one
		n.next = after(copied.Group, copyLag)
	}
	if n.next == 0 && !c.Set() {
		n.next = upperHalf + rand.Uint32N(upperHalf/2)
	}
	n.next = max(n.next, n.least(c), 1)
	n.reserved = n.next
	upTo := n.block()
	if err := n.setAside(upTo); err != nil {
		return nil, err
	}
	n.reserved = upTo
	return n, nil
}

// after is n moved on by so many; it stays at the last number.
func after(n, by uint32) uint32 { return n + min(by, math.MaxUint32-n) }

// least is where numbers begin by the wall clock; 0 if it tells nothing.
func (n *groupCounter) least(c Clock) uint32 {
	if !c.Set() {
		return 0
	}
	if s := int64(c.Wall().Sub(notBefore) / time.Second); s > 0 && s < upperHalf {
		return uint32(s)
	}
	return 0
}

// clockSet goes on by a clock that has been set meanwhile.
func (n *groupCounter) clockSet(c Clock) {
	n.next = max(n.next, n.least(c))
	n.reserved = max(n.reserved, n.next)
}

// block is where the next block ends.
func (n *groupCounter) block() uint32 { return after(n.reserved, groupBlock) }

// setAside writes that numbers below upTo are used, and waits for the disk. It touches nothing in memory.
func (n *groupCounter) setAside(upTo uint32) error {
	if err := n.q.Put(groupName, binary.BigEndian.AppendUint32(nil, upTo)); err != nil {
		return fmt.Errorf("set numbers of group frames aside: %w", err)
	}
	return nil
}

// low reports whether the next block should be set aside, while half of the last is still there.
func (n *groupCounter) low() bool { return !n.asking && n.reserved-n.next <= groupBlock/2 }

var (
	errNoGroupNumber = errors.New("all numbers of group frames that were set aside are used, and the disk does not take more")
	errGroupRate     = errors.New("group frames have been sent faster than one a second")
)

// take gives the next number. It never waits.
func (n *groupCounter) take(now time.Duration) (uint32, error) {
	switch {
	case n.next == n.reserved:
		return 0, errNoGroupNumber
	case n.spent > now:
		return 0, errGroupRate
	}
	n.spent = max(n.spent, now-groupBurst*time.Second) + time.Second
	n.next++
	return n.next - 1, nil
}
