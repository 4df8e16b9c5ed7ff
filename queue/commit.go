package queue

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"go.etcd.io/bbolt"
	berrors "go.etcd.io/bbolt/errors"

	"longlane/queue/pages"
	"longlane/queue/seal"
)

const (
	maxTrim     = 1000            // deletions in one transaction
	ackBatch    = 256             // acknowledgements in memory that bring about a commit of their own
	ackDelay    = 2 * time.Second // and how long fewer of them wait for one
	maxDead     = 1000            // records kept in the dead bucket
	fillPercent = 0.95            // keys only rise, so pages need no room for insertions
)

// Shares of Stats.Capacity, in percent, above which a priority is refused: check-ins make room for faults, and
// both for trips.
var share = [priorities]int64{Alarm: 100, Notice: 90, Routine: 80}

// batch is one transaction in the making.
type batch struct {
	q       *Queue
	tx      *bbolt.Tx
	ev      [priorities]*bbolt.Bucket // of tx, once asked for
	began   int64                     // bytes in use when it began
	used    int64                     // and with an estimate of what it adds
	limit   int64                     // bytes in use at which trips are refused
	byDisk  bool                      // because of the disk
	unsaved bool                      // the cursors were left out
	attempt int                       // 0, or how often what it carries out has found no room before
	last    Seq
	saved   int // acknowledgements that it persists
	added   [priorities][]Seq
	trimmed [priorities][]Seq
	marks   map[string]*newMark // advanced by it; written once, by finish, however many events of a node it holds
	debt    bool
	changed bool
	after   []func() // effects on memory, run under mu once the commit has succeeded
	refused [refusals]uint64
	dropped uint64 // dead records dropped
	fatal   error  // bbolt refused a write: the transaction must not be committed
}

// run is the committer: the only goroutine that writes to the file.
func (q *Queue) run() {
	defer close(q.stopped)
	timer := time.NewTimer(ackDelay)
	defer timer.Stop()
	armed := true
	seen := uint64(0) // commits when last looked at
	for closed := false; !closed; {
		due := false
		select {
		case <-q.kick:
		case <-timer.C:
			armed, due = false, true
		}
		closed = q.inbox.isClosed() // asked first: what was let in before is taken now
		for p := q.inbox.take(); p != nil; p = q.inbox.take() {
			q.commit(p)
			q.inbox.giveBack(p)
			due = false // it took the cursors along
		}
		unsaved, debt := q.pending()
		switch {
		case unsaved >= ackBatch || debt || unsaved > 0 && closed:
			q.commit(&parcel{})
		case !due:
		case unsaved > 0 && (q.worthCompacting() || !q.note()):
			q.commit(&parcel{})
		case q.idle(&seen) && q.worthCompacting():
			q.compactIdle()
		}
		if !armed && (q.unwritten() > 0 || q.worthCompacting()) {
			timer.Reset(ackDelay)
			armed = true
		}
	}
}

// pending says what waits for a commit without a request behind it.
func (q *Queue) pending() (unsaved int, debt bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.failed != nil {
		return 0, false
	}
	return q.unsaved, q.debt
}

// unwritten says how many acknowledgements stand neither in the file nor in the note.
func (q *Queue) unwritten() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.failed != nil {
		return 0
	}
	return q.unsaved - q.noted
}

// commit carries out what p holds in one transaction, together with the cursors, and answers it.
func (q *Queue) commit(p *parcel) {
	p.answers = slices.Grow(p.answers, len(p.requests))[:len(p.requests)]
	if err := q.transact(p); err != nil {
		for i := range p.answers {
			if p.answers[i].err == nil { // what was refused for a reason of its own keeps it
				p.answers[i] = answer{err: err}
			}
		}
	}
	for i := range p.requests {
		r, a := &p.requests[i], &p.answers[i]
		if r.alone != nil && a.err == nil {
			a.err = r.alone()
		}
		if r.done != nil {
			r.done(a.seq, a.err)
		}
	}
}

// transact carries out p in one transaction. Should that not fit into the file, nothing was written, and it does with
// less: without events first, then with what other programs were to have of the disk, then without cursors, whose loss is
// that events are offered again.
func (q *Queue) transact(p *parcel) error {
	for attempt := 0; ; attempt++ {
		err := q.try(p, attempt)
		if !errors.Is(err, errNoRoom) {
			return err
		}
		q.disk.tight()
		if attempt == lastAttempt {
			return fmt.Errorf("%w: %w", ErrFull, err)
		}
		if attempt > 0 {
			q.disk.lastResort()
		}
	}
}

func (q *Queue) try(p *parcel, attempt int) error {
	start := time.Now()
	b, err := q.begin(attempt)
	if err != nil {
		return err
	}
	for i := range p.requests {
		r, a := &p.requests[i], &p.answers[i]
		switch {
		case r.bad != nil:
			b.refused[RefusedInvalid]++
			a.err = r.bad
		case r.apply != nil:
			a.seq, a.err = r.apply(b)
		case r.alone == nil:
			a.seq, a.err = b.append(&r.record)
		}
		if b.fatal != nil {
			return q.giveUp(b, b.fatal)
		}
	}
	if err := b.finish(); err != nil {
		return q.giveUp(b, err)
	}
	if !b.changed {
		q.abandon(b)
		q.mu.Lock()
		q.debt = false
		q.mu.Unlock()
		return nil
	}
	if err := q.fault(len(p.requests)); err != nil {
		q.abandon(b)
		return fmt.Errorf("commit: %w", err)
	}
	q.db.MaxSize = int(q.disk.limit(b.last != q.last))
	id := b.tx.ID()
	if err := b.tx.Commit(); err != nil {
		return q.commitFailed(b, uint64(id), err)
	}
	q.tx = uint64(id)
	q.committed(b, time.Since(start))
	return nil
}

// commitFailed tells apart what a commit's error leaves. Without a free page bbolt gives up before the first write.
// And a disk that is full although space was allocated, as one that never overwrites may be, refuses the pages of this
// transaction: as long as its meta page was not written nothing leads to them, and all that was written before had
// been synced. Of anything else nothing is known.
func (q *Queue) commitFailed(b *batch, id uint64, err error) error {
	switch {
	case errors.Is(err, berrors.ErrMaxSizeReached):
		err = errNoRoom
	case isNoSpace(err) && !q.visible(id):
		q.opt.Log.Warn("the disk is full, nothing was written", "path", q.path, "err", err)
		q.disk.tight()
		err = fmt.Errorf("%w: %w", ErrFull, err)
	default:
		return q.giveUp(b, err)
	}
	_ = b.tx.Rollback() // bbolt has done this already and says so
	if b.last == q.last {
		q.mu.Lock()
		q.stats.NoRoom++
		q.mu.Unlock()
	}
	return err
}

// visible says whether a transaction has reached the file's meta pages, or may have: one of them tells of it, or cannot
// be read.
func (q *Queue) visible(id uint64) bool {
	last, err := pages.LastTx(q.disk.file)
	return err != nil || last >= id
}

// errNoRoom: a transaction needs more pages than the file has.
var errNoRoom = errors.New("no page left in the file")

const lastAttempt = 3

func (q *Queue) fault(requests int) error {
	if q.opt.Fault == nil {
		return nil
	}
	if requests == 0 {
		return q.opt.Fault("acks")
	}
	return q.opt.Fault("append")
}

func (q *Queue) begin(attempt int) (*batch, error) {
	if err := q.failure(); err != nil {
		return nil, err
	}
	tx, free, err := q.beginTx()
	if err != nil {
		return nil, q.breakDown(err)
	}
	st := q.db.Stats()
	b := &batch{q: q, tx: tx, last: q.last, attempt: attempt, marks: map[string]*newMark{}}
	b.used = tx.Size() - int64(st.FreePageN+st.PendingPageN)*pageSize
	b.began = b.used
	q.mu.Lock()
	events, spans := q.count()
	b.limit, b.byDisk = q.disk.capacity()
	q.stats.BytesUsed, q.stats.BytesFile = b.used, q.disk.limit(false)
	var writes []write
	free -= txSlack
	if need := cursorSpace * spanSize * spans; attempt < lastAttempt && need <= free {
		writes, free = b.saveCursors(), free-need
	} else {
		b.unsaved = true
	}
	// Their events may go all the same: of those that are gone no cursor is asked.
	left := maxTrim
	if attempt > 0 {
		left >>= 4 * attempt
	}
	b.planTrim(max(left, 1), free, b.used/max(events, 1))
	q.mu.Unlock()
	for _, w := range writes {
		if err := b.put(bucketCur, w.key, w.value); err != nil {
			return nil, q.giveUp(b, err)
		}
	}
	return b, nil
}

func (q *Queue) failure() error {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.failed
}

// giveUp ends a transaction whose writes failed. What the file holds is no longer known.
func (q *Queue) giveUp(b *batch, err error) error {
	q.abandon(b)
	return q.breakDown(err)
}

func (q *Queue) breakDown(err error) error {
	err = fmt.Errorf("%w (%w)", ErrBroken, err)
	q.mu.Lock()
	first := q.failed == nil
	if first {
		q.failed = err
	}
	q.mu.Unlock()
	if first {
		q.opt.Log.Error("queue is broken", "path", q.path, "err", err)
		close(q.broken)
	}
	return err
}

// abandon leaves nothing of b but the count of what it refused.
func (q *Queue) abandon(b *batch) {
	_ = b.tx.Rollback() // after a failed commit bbolt has done this already and says so
	q.mu.Lock()
	defer q.mu.Unlock()
	q.stats.addRefused(&b.refused)
}

// committed brings memory in line with the file.
func (q *Queue) committed(b *batch, took time.Duration) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.last = b.last
	q.unsaved -= b.saved
	q.noted = 0 // the note is of an earlier state
	for p := range b.added {
		for _, s := range b.added[p] {
			q.lanes[p].add(s)
		}
		for _, c := range q.cursors {
			c.waiting[p] += len(b.added[p])
		}
		q.stats.Events[p] += uint64(len(b.added[p]))
		q.lanes[p].drop(b.trimmed[p])
		q.stats.Deleted += uint64(len(b.trimmed[p]))
	}
	for _, f := range b.after {
		f()
	}
	for _, c := range q.cursors {
		c.shed()
	}
	q.stats.addCommit(took)
	q.stats.addRefused(&b.refused)
	q.stats.DeadDropped += b.dropped
	if q.debt = b.debt; q.debt {
		q.wake()
	}
}

// wake has the committer look for work. It never blocks.
func (q *Queue) wake() {
	select {
	case q.kick <- struct{}{}:
	default:
	}
}

type write struct{ key, value []byte }

// saveCursors encodes the cursors that changed. It comes before any request of the batch, so that a request that
// removes a sink is not undone by it. The caller holds mu.
func (b *batch) saveCursors() []write {
	var out []write
	for _, name := range b.q.sinkNames() {
		c := b.q.cursors[name]
		if c.dirty == 0 {
			continue
		}
		out = append(out, write{[]byte(name), appendPlaces(c.required, c.missed, &c.places)})
		n := c.dirty
		b.saved += n
		b.after = append(b.after, func() { c.dirty -= n })
	}
	return out
}

// append stores r. Everything that can refuse it comes before the first write.
func (b *batch) append(r *record) (Seq, error) {
	if err := b.room(r); err != nil {
		return 0, err
	}
	if r.mark.Key != nil {
		if err := b.advance(&r.mark); err != nil {
			return 0, err
		}
	}
	for _, s := range r.settle {
		_ = b.delete(bucketAside, seqKey(s)) // delete keeps the error in b.fatal
	}
	if r.noStore {
		return 0, b.fatal
	}
	return b.store(r), b.fatal
}

func (b *batch) store(r *record) Seq {
	b.last++
	key := seqKey(b.last)
	seal.InPlace(bucketEv[r.priority], key, r.sealed)
	b.changed = true
	_ = b.note(b.events(r.priority).Put(key, r.sealed))
	if r.aside {
		_ = b.put(bucketAside, key, appendAside(r.priority, r.value()))
	}
	b.added[r.priority] = append(b.added[r.priority], b.last)
	return b.last
}

// Rough cost of an element beside its value: bbolt's leaf header, our key and seal.
const elementCost = 16 + seqSize + seal.Header

// room says whether r may take more of the disk. The queue's own account decides, with room left above MaxBytes:
// bbolt copies what it changes, and at a hard limit even the deletions that would make room could not be written.
func (b *batch) room(r *record) error {
	if r.noStore {
		return nil
	}
	cost := int64(len(r.value()) + elementCost)
	if r.aside {
		cost *= 2
	}
	limit := b.limit / 100 * share[r.priority]
	if r.priority == Alarm {
		limit = b.q.opt.MaxBytes // of the disk, trips get what it gives
	}
	added := b.used + cost - b.began
	if b.attempt > 0 || b.used+cost > limit || !b.q.disk.fits(b.began+2*added) { // pages are never quite full
		b.refused[refusedFull(r.priority)]++
		why := ""
		if b.byDisk {
			why = "; the disk has no room for more"
		}
		return fmt.Errorf("%w for %v events: %d KiB of %d KiB in use, the limit for this priority is %d %%%s",
			ErrFull, r.priority, b.used>>10, b.limit>>10, share[r.priority], why)
	}
	b.used += cost
	return nil
}

// newMark is a mark that a batch has advanced. Each event of a node advances it, so two values take turns.
type newMark struct{ value, spare []byte }

func (b *batch) advance(m *Mark) (err error) {
	var old []byte
	mark, again := b.marks[string(m.Key)]
	if again {
		old = mark.value
	} else if old, err = b.storedMark(m.Key); err != nil {
		b.refused[RefusedCorruptMark]++
		return fmt.Errorf("%w: %x: %w", ErrCorruptMark, m.Key, err)
	} else {
		mark = &newMark{}
	}
	value, err := b.q.opt.Advance(mark.spare[:0], old, m.Counter)
	if err == nil && len(value) > MaxValue {
		err = fmt.Errorf("mark value of %d bytes, expected at most %d", len(value), MaxValue)
	}
	if err != nil {
		b.refused[RefusedMark]++
		return err
	}
	if !again {
		b.marks[string(m.Key)] = mark
	}
	mark.value, mark.spare = value, mark.value
	return nil
}

// storedMark is a replay mark as it stands in the file, nil if there is none.
func (b *batch) storedMark(key []byte) ([]byte, error) {
	stored := b.tx.Bucket(bucketMarks).Get(key)
	if stored == nil {
		return nil, nil
	}
	return seal.Unwrap(bucketMarks, key, stored)
}

func (b *batch) setMark(key, value []byte) error {
	delete(b.marks, string(key)) // or finish would put the older one back
	return b.put(bucketMarks, key, value)
}

func (b *batch) forgetMark(key []byte) error {
	delete(b.marks, string(key))
	return b.delete(bucketMarks, key)
}

// put seals and stores. An error is bbolt's, and the batch cannot be committed any more.
func (b *batch) put(bucket, key, payload []byte) error {
	b.changed = true
	return b.note(put(b.tx, bucket, key, payload))
}

// events is the bucket of one lane.
func (b *batch) events(p Priority) *bbolt.Bucket {
	if b.ev[p] == nil { // a look-up for each event would be a sixth of what storing it takes
		b.ev[p] = b.tx.Bucket(bucketEv[p])
		b.ev[p].FillPercent = fillPercent
	}
	return b.ev[p]
}

func (b *batch) delete(bucket, key []byte) error {
	bk := b.tx.Bucket(bucket)
	if bk.Get(key) == nil {
		return b.fatal // nothing to delete is no reason to write
	}
	b.changed = true
	return b.note(bk.Delete(key))
}

func (b *batch) note(err error) error {
	b.fatal = errors.Join(b.fatal, err)
	return b.fatal
}

// finish adds what belongs to the transaction as a whole.
func (b *batch) finish() error {
	for key, mark := range b.marks {
		_ = b.put(bucketMarks, []byte(key), mark.value) // put keeps the error in b.fatal
	}
	for p, seqs := range b.trimmed {
		bk := b.tx.Bucket(bucketEv[p])
		for _, s := range seqs {
			b.changed = true
			_ = b.note(bk.Delete(seqKey(s)))
		}
	}
	if b.last != b.q.last {
		_ = b.put(bucketMeta, keyLast, seqKey(b.last))
	}
	return b.fatal
}

// bury copies an event to the dead bucket, and lets the oldest go when that is full.
func (b *batch) bury(s Seq, sink string, p Priority, reason string, value []byte) error {
	bk := b.tx.Bucket(bucketDead)
	if err := b.put(bucketDead, append(seqKey(s), sink...), appendDead(p, reason, value)); err != nil {
		return err
	}
	n, c := 0, bk.Cursor()
	for k, _ := c.First(); k != nil; k, _ = c.Next() {
		n++
	}
	if n <= maxDead {
		return nil
	}
	oldest, _ := c.First()
	b.dropped++
	return b.note(bk.Delete(slices.Clone(oldest)))
}
