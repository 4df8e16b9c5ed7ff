package queue

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// model is the queue as a reader of the documentation would write it, slow and without a disk.
type model struct {
	last   Seq
	events map[Seq]Item
	aside  map[Seq]Item
	marks  map[string]uint32
	set    map[string]string
	sinks  map[string]map[Seq]bool // the events each waits for
	dead   int
}

func newModel() *model {
	return &model{
		events: map[Seq]Item{}, aside: map[Seq]Item{}, marks: map[string]uint32{}, set: map[string]string{},
		sinks: map[string]map[Seq]bool{},
	}
}

// append returns the number that the queue must give, or false if it must refuse.
func (m *model) append(r Record) (Seq, bool) {
	if r.Mark != nil {
		if old, ok := m.marks[string(r.Mark.Key)]; ok && r.Mark.Counter <= old {
			return 0, false
		}
		m.marks[string(r.Mark.Key)] = r.Mark.Counter
	}
	for _, s := range r.Settle {
		delete(m.aside, s)
	}
	if r.NoStore {
		return 0, true
	}
	m.last++
	it := Item{m.last, r.Priority, bytes.Clone(r.Value)}
	m.events[m.last] = it
	if r.Aside {
		m.aside[m.last] = it
	}
	for _, waits := range m.sinks {
		waits[m.last] = true
	}
	return m.last, true
}

// run holds one random comparison of queue and model.
type run struct {
	t      *testing.T
	rng    *rand.Rand
	path   string
	q      *Queue
	m      *model
	inject bool // the next commit fails
	acks   int  // since the last commit that certainly took them along
}

var errModel = errors.New("injected")

func (r *run) open() {
	r.q = openTest(r.t, r.path, Options{Fault: func(string) error {
		if r.inject {
			return errModel
		}
		return nil
	}})
}

func (r *run) record() Record {
	rec := Record{
		Priority: Priority(r.rng.IntN(priorities)),
		Value:    make([]byte, r.rng.IntN(300)),
		Aside:    r.rng.IntN(8) == 0,
		NoStore:  r.rng.IntN(10) == 0,
	}
	for i := range rec.Value {
		rec.Value[i] = byte(r.rng.Uint32())
	}
	rec.Aside = rec.Aside && !rec.NoStore
	if r.rng.IntN(2) == 0 {
		key := fmt.Sprint("node-", r.rng.IntN(4))
		rec.Mark = &Mark{[]byte(key), r.m.marks[key] + uint32(r.rng.IntN(4))}
	}
	for s := range r.m.aside {
		if r.rng.IntN(6) == 0 {
			rec.Settle = append(rec.Settle, s)
		}
	}
	return rec
}

func (r *run) append() {
	n := 1 + r.rng.IntN(6)
	type answer struct {
		s   Seq
		err error
	}
	answers := make(chan answer, n)
	recs := make([]Record, n)
	for i := range recs {
		recs[i] = r.record()
		r.q.Append(recs[i], func(s Seq, err error) { answers <- answer{s, err} })
	}
	for _, rec := range recs {
		a := <-answers
		s, ok := r.m.append(rec)
		if a.s != s || (a.err == nil) != ok || (a.err != nil && !errors.Is(a.err, errOld)) {
			r.t.Fatalf("append = %d, %v, want %d, accepted %v", a.s, a.err, s, ok)
		}
	}
	if st := r.q.Stats(); st.LastSeq != r.m.last {
		r.t.Fatalf("last number %d, want %d", st.LastSeq, r.m.last)
	}
}

// failing hands in records whose commit fails: nothing of them may be left.
func (r *run) failing() {
	rec := r.record()
	if rec.Mark != nil {
		rec.Mark.Counter = r.m.marks[string(rec.Mark.Key)] + 1
	} else {
		rec.NoStore = false
	}
	if err := r.q.Flush(); err != nil { // so that no other commit is under way
		r.t.Fatal(err)
	}
	r.inject = true
	_, err := appendWait(r.q, rec)
	r.inject = false
	if !errors.Is(err, errModel) {
		r.t.Fatalf("append with a failing commit = %v", err)
	}
}

func (r *run) pick() (string, *Cursor) {
	names := slices.Sorted(maps.Keys(r.m.sinks))
	if len(names) == 0 {
		return "", nil
	}
	name := names[r.rng.IntN(len(names))]
	return name, mustSink(r.t, r.q, name, SinkOptions{Required: true})
}

func (r *run) ack() {
	name, c := r.pick()
	if c == nil {
		return
	}
	waits := slices.Sorted(maps.Keys(r.m.sinks[name]))
	for range r.rng.IntN(40) {
		if len(waits) == 0 {
			return
		}
		i := r.rng.IntN(len(waits))
		if r.rng.IntN(3) > 0 {
			i = min(i, r.rng.IntN(4)) // mostly near the front, as sinks do
		}
		c.Ack(waits[i])
		r.acks++
		delete(r.m.sinks[name], waits[i])
		waits = slices.Delete(waits, i, i+1)
	}
}

func (r *run) park() {
	name, c := r.pick()
	if c == nil || len(r.m.sinks[name]) == 0 {
		return
	}
	s := slices.Sorted(maps.Keys(r.m.sinks[name]))[0]
	if err := c.Park(s, "random"); err != nil {
		r.t.Fatal(err)
	}
	r.acks++
	r.m.dead++
	delete(r.m.sinks[name], s)
}

func (r *run) sinks() {
	name := fmt.Sprint("sink-", r.rng.IntN(3))
	if r.m.sinks[name] != nil {
		if r.rng.IntN(3) == 0 {
			if err := r.q.RemoveSink(name); err != nil {
				r.t.Fatal(err)
			}
			delete(r.m.sinks, name)
		}
		return
	}
	fromStart := r.rng.IntN(2) == 0
	c := mustSink(r.t, r.q, name, SinkOptions{FromStart: fromStart, Required: true})
	waits := map[Seq]bool{}
	if fromStart {
		// What other sinks are done with may or may not be deleted yet: take the queue's word, but it must hold all
		// that another sink waits for.
		for p := range Priority(priorities) {
			for _, it := range mustNext(r.t, c, p, 0, 1<<20) {
				waits[it.Seq] = true
			}
		}
		for other, set := range r.m.sinks {
			for s := range set {
				if !waits[s] {
					r.t.Fatalf("%s from the start misses %d, for which %s waits", name, s, other)
				}
			}
		}
	}
	r.m.sinks[name] = waits
}

func (r *run) setting() {
	name, value := fmt.Sprint("set-", r.rng.IntN(3)), fmt.Sprint(r.rng.Uint64())
	if err := r.q.Put(name, []byte(value)); err != nil {
		r.t.Fatal(err)
	}
	r.m.set[name] = value
}

func (r *run) reopen() {
	closeTest(r.t, r.q)
	r.open()
	r.acks = 0
}

// crash opens the file as a dead process would have left it: all that waits must be there, and of what was
// acknowledged at most what no commit had taken along comes back.
func (r *run) crash() {
	q := openTest(r.t, copyOf(r.t, r.q), Options{})
	back := 0
	for name, waits := range r.m.sinks {
		c := mustSink(r.t, q, name, SinkOptions{Required: true})
		n, _ := c.Depth()
		for s := range waits {
			if c.Acked(s) {
				r.t.Fatalf("%s lost %d in the crash", name, s)
			}
		}
		back += n - len(waits)
	}
	if back > r.acks {
		r.t.Fatalf("%d acknowledged events came back, at most %d were unsaved", back, r.acks)
	}
	closeTest(r.t, q)
}

func (r *run) flush() {
	if err := r.q.Flush(); err != nil {
		r.t.Fatal(err)
	}
	r.acks = 0
}

func (r *run) compare() {
	var names []string
	for _, s := range r.q.Sinks() {
		names = append(names, s.Name)
	}
	if want := slices.Sorted(maps.Keys(r.m.sinks)); !slices.Equal(names, want) {
		r.t.Fatalf("sinks %v, want %v", names, want)
	}
	for name, waits := range r.m.sinks {
		c := mustSink(r.t, r.q, name, SinkOptions{Required: true})
		var oldest Seq
		total := 0
		for p := range Priority(priorities) {
			items := mustNext(r.t, c, p, 0, 1<<20)
			var want []Seq
			for _, s := range slices.Sorted(maps.Keys(waits)) {
				if r.m.events[s].Priority == p {
					want = append(want, s)
				}
			}
			if !slices.Equal(seqs(items), want) {
				r.t.Fatalf("%s waits for %v %v, want %v", name, p, seqs(items), want)
			}
			for _, it := range items {
				if !bytes.Equal(it.Value, r.m.events[it.Seq].Value) {
					r.t.Fatalf("event %d has another value", it.Seq)
				}
			}
			total += len(items)
			if len(want) > 0 && (oldest == 0 || want[0] < oldest) {
				oldest = want[0]
			}
		}
		if n, o := c.Depth(); n != total || o != oldest {
			r.t.Fatalf("%s Depth = %d, %d, want %d, %d", name, n, o, total, oldest)
		}
	}
	if m := readMarks(r.t, r.q); !maps.Equal(m, r.m.marks) {
		r.t.Fatalf("marks %v, want %v", m, r.m.marks)
	}
	for name, want := range r.m.set {
		if got, err := r.q.Get(name); string(got) != want || err != nil {
			r.t.Fatalf("Get(%s) = %q, %v, want %q", name, got, err, want)
		}
	}
	aside, err := r.q.Aside()
	if err != nil || !slices.Equal(seqs(aside), slices.Sorted(maps.Keys(r.m.aside))) {
		r.t.Fatalf("aside %v, %v, want %v", seqs(aside), err, slices.Sorted(maps.Keys(r.m.aside)))
	}
	dead, err := r.q.Dead()
	if err != nil || len(dead) != r.m.dead {
		r.t.Fatalf("%d dead, %v, want %d", len(dead), err, r.m.dead)
	}
	if err := r.q.Verify(); err != nil {
		r.t.Fatal(err)
	}
}

// Random operations, failing commits, reopens and crashes: the queue does what the model does.
func TestAgainstModel(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	for i := range uint64(6) {
		t.Run(fmt.Sprint(seed+i), func(t *testing.T) { // the name is the seed
			r := &run{t: t, rng: rand.New(rand.NewPCG(seed+i, 0)), path: tempPath(t), m: newModel()}
			r.open()
			menu := []struct {
				weight int
				op     func()
			}{
				{40, r.append}, {30, r.ack}, {4, r.park}, {5, r.sinks}, {5, r.setting}, {5, r.failing}, {3, r.flush},
				{2, r.reopen}, {2, r.crash}, {5, r.compare},
			}
			total := 0
			for _, e := range menu {
				total += e.weight
			}
			for range 300 {
				n := r.rng.IntN(total)
				for _, e := range menu {
					if n -= e.weight; n < 0 {
						e.op()
						break
					}
				}
			}
			r.compare()
			r.reopen()
			r.compare()
		})
	}
}
