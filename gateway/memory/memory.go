// Package memory is a gateway.Store without a disk: what the core does costs, and does, the same, and nothing lasts. The benchmark
// measures the cost of the disk against it, and a rehearsal has no use for one.
package memory

import (
	"bytes"
	"fmt"
	"slices"
	"sync"

	"longlane/gateway"
	"longlane/queue"
)

// Store does what the queue promises but for lasting, and answers at once. It advances marks, numbers events, and keeps each
// until every sink has acknowledged it; without a sink it keeps none.
type Store struct {
	// Stored, if not nil, is told of each event before Append returns. It must not call the Store.
	Stored func(queue.Item)

	mu       sync.Mutex
	last     queue.Seq
	lanes    [queue.Routine + 1][]queue.Seq // rising; what is gone stays until the lane is walked over
	events   map[queue.Seq]queue.Item
	aside    map[queue.Seq]queue.Item
	marks    map[string][]byte
	settings map[string][]byte
	sinks    map[string]*cursor
}

// New is an empty Store.
func New() *Store {
	return &Store{events: map[queue.Seq]queue.Item{}, aside: map[queue.Seq]queue.Item{}, marks: map[string][]byte{},
		settings: map[string][]byte{}, sinks: map[string]*cursor{}}
}

// Stats is of nothing: there is no file that could fill up.
func (m *Store) Stats() queue.Stats { return queue.Stats{} }

// Append calls done before it returns.
func (m *Store) Append(r queue.Record, done func(queue.Seq, error)) {
	s, err := m.append(r)
	done(s, err)
}

func (m *Store) append(r queue.Record) (queue.Seq, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if r.Mark != nil {
		key := string(r.Mark.Key)
		v, err := gateway.AdvanceMark(nil, m.marks[key], r.Mark.Counter)
		if err != nil {
			return 0, err
		}
		m.marks[key] = v
	}
	for _, s := range r.Settle {
		delete(m.aside, s)
	}
	if r.NoStore {
		return 0, nil
	}
	m.last++
	it := queue.Item{Seq: m.last, Priority: r.Priority, Value: bytes.Clone(r.Value)}
	if r.Aside {
		m.aside[it.Seq] = it
	}
	if m.Stored != nil {
		m.Stored(it)
	}
	if len(m.sinks) == 0 {
		return it.Seq, nil
	}
	m.events[it.Seq] = it
	m.lanes[r.Priority] = append(m.lanes[r.Priority], it.Seq)
	for _, c := range m.sinks {
		c.waits[it.Seq] = true
	}
	return it.Seq, nil
}

// Broken is never closed: nothing can break.
func (m *Store) Broken() <-chan struct{} { return nil }

// Sink is always required: a sink that may miss events is not measured.
func (m *Store) Sink(name string, o queue.SinkOptions) (gateway.Cursor, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.sinks[name] == nil {
		m.sinks[name] = &cursor{m: m, waits: map[queue.Seq]bool{}}
		for s := range m.events {
			if o.FromStart {
				m.sinks[name].waits[s] = true
			}
		}
	}
	return m.sinks[name], nil
}

func (m *Store) Sinks() (list []queue.SinkInfo) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for name, c := range m.sinks {
		list = append(list, queue.SinkInfo{Name: name, Required: true, Waiting: len(c.waits)})
	}
	return list
}

func (m *Store) RenameSink(from, to string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if c := m.sinks[from]; c != nil && m.sinks[to] == nil {
		m.sinks[to] = c
		delete(m.sinks, from)
	}
	return nil
}

func (m *Store) RemoveSink(name string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.sinks[name] == nil {
		return fmt.Errorf("no sink %q", name)
	}
	delete(m.sinks, name)
	return nil
}

func (m *Store) Marks(fn func(key, value []byte) error) (damaged [][]byte, err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for k, v := range m.marks {
		if err := fn([]byte(k), bytes.Clone(v)); err != nil {
			return nil, err
		}
	}
	return nil, nil
}

func (m *Store) SetMark(key, value []byte) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.marks[string(key)] = bytes.Clone(value)
	return nil
}

func (m *Store) ForgetMark(key []byte) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.marks, string(key))
	return nil
}

func (m *Store) Get(name string) ([]byte, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return bytes.Clone(m.settings[name]), nil
}

func (m *Store) Put(name string, v []byte) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.settings[name] = bytes.Clone(v)
	return nil
}

func (m *Store) Aside() (list []queue.Item, err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, it := range m.aside {
		list = append(list, it)
	}
	slices.SortFunc(list, func(a, b queue.Item) int { return int(a.Seq) - int(b.Seq) })
	return list, nil
}

// cursor is a sink's place: the events that wait for it.
type cursor struct {
	m     *Store
	waits map[queue.Seq]bool
}

func (c *cursor) Next(p queue.Priority, after queue.Seq, most int) (items []queue.Item, err error) {
	c.m.mu.Lock()
	defer c.m.mu.Unlock()
	lane := &c.m.lanes[p]
	for len(*lane) > 0 && c.m.gone((*lane)[0]) {
		*lane = (*lane)[1:]
	}
	at, _ := slices.BinarySearch(*lane, after+1)
	for _, s := range (*lane)[at:] {
		if len(items) == most {
			break
		}
		if c.waits[s] {
			it := c.m.events[s]
			items = append(items, queue.Item{Seq: s, Priority: p, Value: bytes.Clone(it.Value)})
		}
	}
	return items, nil
}

func (m *Store) gone(s queue.Seq) bool { _, there := m.events[s]; return !there }

func (c *cursor) Ack(s queue.Seq) {
	c.m.mu.Lock()
	defer c.m.mu.Unlock()
	delete(c.waits, s)
	for _, other := range c.m.sinks {
		if other.waits[s] {
			return
		}
	}
	delete(c.m.events, s)
}

func (c *cursor) Acked(s queue.Seq) bool {
	c.m.mu.Lock()
	defer c.m.mu.Unlock()
	return s > 0 && s <= c.m.last && !c.waits[s]
}

func (c *cursor) Depth() (count int, oldest queue.Seq) {
	c.m.mu.Lock()
	defer c.m.mu.Unlock()
	for s := range c.waits {
		if oldest == 0 || s < oldest {
			oldest = s
		}
	}
	return len(c.waits), oldest
}

func (c *cursor) Missed() uint64 { return 0 }
func (c *cursor) MaxLag() int    { return 0 }
