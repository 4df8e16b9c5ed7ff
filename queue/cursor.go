package queue

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"slices"

	"go.etcd.io/bbolt"

	"longlane/queue/seal"
)

// SinkOptions says how a sink holds its place.
type SinkOptions struct {
	// FromStart has a sink that is new begin with the oldest event in the log instead of the next one appended.
	FromStart bool
	// Required sinks hold events for as long as it takes.
	Required bool
	// MaxLag is how many events may wait for a sink that is not required; beyond it the oldest are passed over,
	// check-ins before faults before trips, and counted in Missed. 0: 10,000.
	MaxLag int
}

const defaultMaxLag = 10_000

// Cursor is one sink's place in the log. Methods are safe for concurrent use.
type Cursor struct {
	q    *Queue
	name string

	// protected by q.mu
	required bool
	removed  bool
	maxLag   int
	missed   uint64
	places   [priorities]place
	waiting  [priorities]int
	dirty    int // changes that no commit has taken along
}

// SinkInfo describes a sink that the queue remembers.
type SinkInfo struct {
	Name     string
	Required bool
	Waiting  int
	Oldest   Seq    // 0 if nothing waits
	Missed   uint64 // passed over because of MaxLag, since the sink was made
}

// Sink returns the cursor called name. One that the queue does not remember is made, on disk before Sink returns; it
// starts at the end of the log unless o says otherwise. The same name always gives the same cursor.
func (q *Queue) Sink(name string, o SinkOptions) (*Cursor, error) {
	if err := checkKey("sink", name); err != nil {
		return nil, fmt.Errorf("open sink %q: %w", name, err)
	}
	if o.MaxLag < 0 {
		return nil, fmt.Errorf("open sink %q: MaxLag is %d, expected 0 or more", name, o.MaxLag)
	}
	if o.MaxLag == 0 {
		o.MaxLag = defaultMaxLag
	}
	err := q.do("open sink", func(b *batch) (Seq, error) { return 0, b.sink(name, o) })
	if err != nil {
		return nil, err
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	c := q.cursors[name]
	if c == nil {
		return nil, fmt.Errorf("open sink %q: %w", name, ErrRemoved)
	}
	return c, nil
}

func (b *batch) sink(name string, o SinkOptions) error {
	q := b.q
	q.mu.Lock()
	defer q.mu.Unlock()
	c := q.cursors[name]
	if c == nil {
		return b.newSink(name, o)
	}
	c.maxLag = o.MaxLag
	if c.required == o.Required {
		return nil
	}
	b.after = append(b.after, func() { c.required = o.Required })
	return b.put(bucketCur, []byte(name), appendPlaces(o.Required, c.missed, &c.places))
}

func (b *batch) newSink(name string, o SinkOptions) error {
	c := &Cursor{q: b.q, name: name, required: o.Required, maxLag: o.MaxLag}
	if !o.FromStart {
		for p := range c.places {
			c.places[p].floor = b.last
		}
	}
	b.after = append(b.after, func() {
		if b.q.cursors[name] != nil {
			return // made twice in one batch
		}
		for p := range c.places {
			c.waiting[p] = c.places[p].waiting(&b.q.lanes[p])
		}
		b.q.cursors[name] = c
	})
	return b.put(bucketCur, []byte(name), appendPlaces(c.required, 0, &c.places))
}

// Sinks lists the sinks that the queue remembers, by name. One that is no longer in use holds back deletion for ever
// until it is removed.
func (q *Queue) Sinks() []SinkInfo {
	q.mu.Lock()
	defer q.mu.Unlock()
	var out []SinkInfo
	for _, name := range q.sinkNames() {
		c := q.cursors[name]
		n, oldest := c.depth()
		out = append(out, SinkInfo{Name: name, Required: c.required, Waiting: n, Oldest: oldest, Missed: c.missed})
	}
	return out
}

// RenameSink gives a sink's place to another name, and returns once that is on disk. It does nothing if the queue does
// not remember from, or remembers to already. A cursor of the old name then refuses with [ErrRemoved].
func (q *Queue) RenameSink(from, to string) error {
	if err := checkKey("sink", to); err != nil {
		return fmt.Errorf("rename sink %q: %w", from, err)
	}
	return q.do("rename sink", func(b *batch) (Seq, error) {
		q.mu.Lock()
		defer q.mu.Unlock()
		old := q.cursors[from]
		if old == nil || q.cursors[to] != nil {
			return 0, nil
		}
		b.after = append(b.after, func() {
			if q.cursors[from] != old || q.cursors[to] != nil {
				return // renamed twice in one batch
			}
			q.cursors[to] = old.moved(to)
			delete(q.cursors, from)
		})
		return 0, errors.Join(b.put(bucketCur, []byte(to), appendPlaces(old.required, old.missed, &old.places)), b.delete(bucketCur, []byte(from)))
	})
}

// moved hands the place over to a cursor of another name, with what was acknowledged since it was written. The caller
// holds mu.
func (c *Cursor) moved(name string) *Cursor {
	n := &Cursor{q: c.q, name: name, required: c.required, maxLag: c.maxLag, missed: c.missed, waiting: c.waiting, dirty: c.dirty}
	for p := range c.places {
		n.places[p] = place{c.places[p].floor, slices.Clone(c.places[p].spans)}
	}
	c.dirty, c.removed = 0, true
	return n
}

// RemoveSink forgets a sink and its place, and returns once that is on disk. Its cursor then refuses with
// [ErrRemoved].
func (q *Queue) RemoveSink(name string) error {
	return q.do("remove sink", func(b *batch) (Seq, error) {
		q.mu.Lock()
		defer q.mu.Unlock()
		c := q.cursors[name]
		if c == nil {
			return 0, fmt.Errorf("no sink %q; there are %q", name, q.sinkNames())
		}
		b.debt = true // what it alone held back
		b.after = append(b.after, func() {
			q.unsaved -= c.dirty
			c.dirty, c.removed = 0, true
			delete(q.cursors, name)
		})
		return 0, b.delete(bucketCur, []byte(name))
	})
}

// Name returns the sink's name.
func (c *Cursor) Name() string { return c.name }

// Next returns up to max events of one priority that are on disk, numbered above after, and not acknowledged by this
// cursor, in order of their numbers. Other events may be acknowledged meanwhile; give the last number seen as after
// to walk on, 0 to begin again with what is still not acknowledged. A damaged event is left out, counted in
// Stats.Corrupt and moved to the dead ones.
func (c *Cursor) Next(p Priority, after Seq, max int) ([]Item, error) {
	if p >= priorities {
		return nil, fmt.Errorf("next for sink %q: %v, expected below %d", c.name, p, priorities)
	}
	var out []Item
	for len(out) < max {
		seqs, err := c.candidates(p, after, max-len(out))
		if err != nil {
			return nil, fmt.Errorf("next for sink %q: %w", c.name, err)
		}
		if len(seqs) == 0 {
			break
		}
		items, bad, err := c.q.read(p, seqs)
		if err != nil {
			return nil, fmt.Errorf("next for sink %q: %w", c.name, err)
		}
		for _, s := range bad {
			c.q.quarantine(p, s)
		}
		out, after = append(out, items...), seqs[len(seqs)-1]
	}
	return out, nil
}

func (c *Cursor) candidates(p Priority, after Seq, n int) ([]Seq, error) {
	c.q.mu.Lock()
	defer c.q.mu.Unlock()
	if c.removed {
		return nil, ErrRemoved
	}
	if after == math.MaxUint64 {
		return nil, nil
	}
	return c.places[p].next(&c.q.lanes[p], after, n, nil), nil
}

// read copies the events out in one short transaction; a long one would keep freed pages from being used again.
func (q *Queue) read(p Priority, seqs []Seq) (items []Item, bad []Seq, err error) {
	err = q.view(func(tx *bbolt.Tx) error {
		bk := tx.Bucket(bucketEv[p])
		for _, s := range seqs {
			key := seqKey(s)
			stored := bk.Get(key)
			if stored == nil {
				continue // deleted since: the sink was passed over or removed
			}
			payload, err := seal.Unwrap(bucketEv[p], key, stored)
			if err != nil {
				bad = append(bad, s)
				continue
			}
			items = append(items, Item{Seq: s, Priority: p, Value: append([]byte{}, payload...)})
		}
		return nil
	})
	return items, bad, err
}

// quarantine has the committer move a damaged event to the dead ones, so that it neither ends the process nor waits
// for ever.
func (q *Queue) quarantine(p Priority, s Seq) {
	q.mu.Lock()
	known := q.suspect[s]
	q.suspect[s] = true
	q.mu.Unlock()
	if known {
		return
	}
	q.send(request{
		apply: func(b *batch) (Seq, error) {
			stored := bytes.Clone(b.tx.Bucket(bucketEv[p]).Get(seqKey(s)))
			if stored == nil {
				return 0, nil
			}
			b.after = append(b.after, func() { q.lose(p, s) })
			_ = b.bury(s, "", p, seal.ErrMismatch.Error(), stored)
			return 0, b.delete(bucketEv[p], seqKey(s))
		},
		done: func(_ Seq, err error) {
			q.mu.Lock()
			delete(q.suspect, s) // if it failed, the next reader tries again
			q.mu.Unlock()
			if err == nil {
				q.opt.Log.Error("stored event is damaged, set aside as dead", "seq", uint64(s), "priority", p.String())
			}
		},
	}, nil)
}

// lose takes one event out of memory, wherever it stands. The caller holds mu.
func (q *Queue) lose(p Priority, s Seq) {
	if !q.lanes[p].has(s) {
		return
	}
	for _, c := range q.cursors {
		if !c.places[p].covers(s) {
			c.waiting[p]--
		}
	}
	q.lanes[p].drop([]Seq{s})
	for _, c := range q.cursors {
		c.places[p].rejoin(&q.lanes[p])
	}
	q.stats.Corrupt++
}

// Ack says that the sink's receiver has the event. It counts at once, and is persisted with the next commit or after
// 256 of them or 2 s. Acknowledging twice, or an event that is gone, does nothing.
func (c *Cursor) Ack(s Seq) {
	c.q.mu.Lock()
	defer c.q.mu.Unlock()
	if p, ok := c.waits(s); ok {
		c.settle(p, s)
		c.q.stats.Acked++
	}
}

// waits says in which lane s stands if this cursor still waits for it. The caller holds mu.
func (c *Cursor) waits(s Seq) (Priority, bool) {
	if c.removed {
		return 0, false
	}
	for p := range c.q.lanes {
		if c.q.lanes[p].has(s) {
			return Priority(p), !c.places[p].covers(s)
		}
	}
	return 0, false
}

// settle moves the cursor over s, for which it waits. The caller holds mu.
func (c *Cursor) settle(p Priority, s Seq) {
	c.places[p].ack(&c.q.lanes[p], s)
	c.waiting[p]--
	c.dirty++
	c.q.unsaved++
	if c.q.unsaved == c.q.noted+1 || c.q.unsaved%ackBatch == 0 {
		c.q.wake() // the first starts the committer's clock
	}
}

// shed passes over the oldest events beyond the greatest lag. The caller holds mu.
func (c *Cursor) shed() {
	if c.required || c.maxLag == 0 { // 0: remembered, but not opened in this run
		return
	}
	n, _ := c.depth()
	over := n - c.maxLag
	for p := Priority(priorities); p > 0 && over > 0; p-- {
		for lane := p - 1; over > 0 && c.waiting[lane] > 0; over-- {
			c.settle(lane, c.oldest(lane))
			c.missed++
			c.q.stats.Missed++
		}
	}
}

// oldest returns the first event that waits in a lane where at least one does. The caller holds mu.
func (c *Cursor) oldest(p Priority) Seq {
	s, _ := c.q.lanes[p].first(c.places[p].floor + 1)
	return s
}

// Acked says whether this cursor has acknowledged s, or s is gone because every sink has.
func (c *Cursor) Acked(s Seq) bool {
	c.q.mu.Lock()
	defer c.q.mu.Unlock()
	for p := range c.q.lanes {
		if c.q.lanes[p].has(s) {
			return c.places[p].covers(s)
		}
	}
	return s > 0 && s <= c.q.last
}

// Park takes an event that the receiver refuses for good out of this sink's way: it is copied to the dead ones with
// the reason (cut to 512 bytes) and then counts as acknowledged. It returns once the copy is on disk. Parking an
// event that the cursor does not wait for does nothing.
func (c *Cursor) Park(s Seq, reason string) error {
	return c.q.do("park", func(b *batch) (Seq, error) { return 0, b.park(c, s, reason) })
}

func (b *batch) park(c *Cursor, s Seq, reason string) error {
	b.q.mu.Lock()
	p, ok := c.waits(s)
	b.q.mu.Unlock()
	if !ok {
		return nil
	}
	key := seqKey(s)
	value, err := seal.Unwrap(bucketEv[p], key, b.tx.Bucket(bucketEv[p]).Get(key))
	if err != nil {
		return fmt.Errorf("event %d: %w", s, err) // Next will set it aside
	}
	b.after = append(b.after, func() {
		if p, ok := c.waits(s); ok {
			c.settle(p, s)
			b.q.stats.Parked++
		}
	})
	return b.bury(s, c.name, p, reason, bytes.Clone(value))
}

// Depth returns how many events wait for this cursor and the lowest of their numbers, 0 if none does. It reads
// memory only.
func (c *Cursor) Depth() (count int, oldest Seq) {
	c.q.mu.Lock()
	defer c.q.mu.Unlock()
	return c.depth()
}

func (c *Cursor) depth() (count int, oldest Seq) {
	for p, n := range c.waiting {
		count += n
		if n > 0 {
			if s := c.oldest(Priority(p)); oldest == 0 || s < oldest {
				oldest = s
			}
		}
	}
	return count, oldest
}

// MaxLag is how many events may wait for this sink if it is not required.
func (c *Cursor) MaxLag() int {
	c.q.mu.Lock()
	defer c.q.mu.Unlock()
	return c.maxLag
}

// Missed returns how many events this sink was passed over, since it was made, because more than MaxLag waited.
func (c *Cursor) Missed() uint64 {
	c.q.mu.Lock()
	defer c.q.mu.Unlock()
	return c.missed
}
