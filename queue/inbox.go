package queue

import (
	"slices"
	"sync"

	"longlane/queue/seal"
)

const (
	queueLength = 4096      // requests that wait for the committer
	maxBatch    = 1024      // of them in one transaction
	parcelBytes = 128 << 10 // room in a parcel for what its events hold; what finds none there has memory of its own
)

// request is a piece of work for the committer: a record to be appended, unless bad, apply or alone is set. done is called
// once: after the commit, or with the error.
type request struct {
	record record
	bad    error // why a record must not be appended
	// apply adds to the batch. If it returns an error it must have added nothing: only this request then fails.
	apply func(*batch) (Seq, error)
	// alone, instead of apply, runs between transactions.
	alone func() error
	done  func(Seq, error)
}

// record is a Record that the queue owns.
type record struct {
	priority Priority
	sealed   []byte // the value, behind room for its seal, so that it is copied only once
	mark     Mark   // none if it has no key
	settle   []Seq
	aside    bool
	noStore  bool
}

func (r *record) value() []byte { return r.sealed[seal.Header:] }

type answer struct {
	seq Seq
	err error
}

// parcel is what one transaction carries out, with the memory for it, which is used again: allocated anew for each event it
// would have the garbage collector run twice as often, on a core that a small board needs for storing.
type parcel struct {
	requests []request
	answers  []answer
	bytes    []byte
}

// own copies r. The copy lasts until the parcel is reset.
func (p *parcel) own(r *Record) record {
	o := record{priority: r.Priority, settle: slices.Clone(r.Settle), aside: r.Aside, noStore: r.NoStore}
	o.sealed = p.take(seal.Header + len(r.Value))
	copy(o.value(), r.Value)
	if r.Mark != nil {
		o.mark = Mark{Key: p.take(len(r.Mark.Key)), Counter: r.Mark.Counter}
		copy(o.mark.Key, r.Mark.Key)
	}
	return o
}

// take returns n bytes, which may hold what an earlier event left.
func (p *parcel) take(n int) []byte {
	if p.bytes == nil {
		p.bytes = make([]byte, 0, parcelBytes)
	}
	from := len(p.bytes)
	if n > cap(p.bytes)-from {
		return make([]byte, n)
	}
	p.bytes = p.bytes[:from+n]
	return p.bytes[from : from+n : from+n]
}

func (p *parcel) reset() {
	clear(p.requests) // so that callbacks, and what they hold, can go
	clear(p.answers)
	p.requests, p.answers, p.bytes = p.requests[:0], p.answers[:0], p.bytes[:0]
}

// inbox is where requests wait for the committer, in the parcels that it will take: one lock for a request to come in, and
// one for a thousand to go out.
type inbox struct {
	mu      sync.Mutex // protects what follows
	room    *sync.Cond // fewer than queueLength wait, or it is closed
	parcels []*parcel  // the oldest first, none empty
	waiting int        // requests in them
	spare   *parcel    // for the next, or nil
	closed  bool
}

func newInbox() *inbox {
	in := &inbox{}
	in.room = sync.NewCond(&in.mu)
	return in
}

// put adds r, with a copy of rec if there is one, and blocks while queueLength requests wait. It says no once the inbox is
// closed.
func (in *inbox) put(r request, rec *Record) bool {
	in.mu.Lock()
	defer in.mu.Unlock()
	for in.waiting >= queueLength && !in.closed {
		in.room.Wait()
	}
	if in.closed {
		return false
	}
	p := in.open()
	if rec != nil {
		r.record = p.own(rec)
	}
	p.requests = append(p.requests, r)
	in.waiting++
	return true
}

// open is the parcel that the next request goes to. The caller holds mu.
func (in *inbox) open() *parcel {
	if n := len(in.parcels); n > 0 && len(in.parcels[n-1].requests) < maxBatch {
		return in.parcels[n-1]
	}
	p := in.spare
	if in.spare = nil; p == nil {
		p = &parcel{}
	}
	in.parcels = append(in.parcels, p)
	return p
}

// take hands over the oldest parcel, with all that waits if a transaction can carry it: the last commit was the time to
// gather in. nil if nothing waits.
func (in *inbox) take() *parcel {
	in.mu.Lock()
	defer in.mu.Unlock()
	if len(in.parcels) == 0 {
		return nil
	}
	p := in.parcels[0]
	in.parcels = slices.Delete(in.parcels, 0, 1)
	in.waiting -= len(p.requests)
	in.room.Broadcast()
	return p
}

// giveBack takes a parcel whose requests have been answered.
func (in *inbox) giveBack(p *parcel) {
	p.reset()
	in.mu.Lock()
	defer in.mu.Unlock()
	in.spare = p
}

// len is how many requests wait.
func (in *inbox) len() int {
	in.mu.Lock()
	defer in.mu.Unlock()
	return in.waiting
}

// close lets nothing more in. Each request that was let in is still there to be taken.
func (in *inbox) close() {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.closed = true
	in.room.Broadcast()
}

func (in *inbox) isClosed() bool {
	in.mu.Lock()
	defer in.mu.Unlock()
	return in.closed
}
