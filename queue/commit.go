package queue

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"go.etcd.io/bbolt"
	berrors "go.etcd.io/bbolt/errors"

	"longlane/queue/pages"
)

const (
	maxBatch    = 1024            // requests in one transaction
	maxTrim     = 1000            // deletions in one transaction
	ackBatch    = 256             // acknowledgements in memory that bring about a commit of their own
	ackDelay    = 2 * time.Second // and how long fewer of them wait for one
	maxDead     = 1000            // records kept in the dead bucket
	fillPercent = 0.95            // keys only rise, so pages need no room for insertions
)

// Shares of Stats.Capacity, in percent, above which a priority is refused: check-ins make room for faults, and
// both for trips.
var share = [priorities]int64{Alarm: 100, Notice: 90, Routine: 80}

// request is a piece of work for the committer: one of record, apply and alone. done is called once: after the commit, or
// with the error.
type request struct {
	record *record // to be appended
	bad    error   // why it must not be
	// apply adds to the batch. If it returns an error it must have added nothing: only this request then fails.
	apply func(*batch) (Seq, error)
	// alone, instead of apply, runs between transactions.
	alone func() error
	done  func(Seq, error)
}

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
	marks   map[string][]byte // advanced by it; written once, by finish, however many events of a node it holds
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
	for {
		select {
		case r, ok := <-q.requests:
			if !ok {
				if unsaved, _ := q.pending(); unsaved > 0 {
					q.commit(nil)
				}
				return
			}
			q.commit(q.gather(r))
		case <-q.kick:
			if unsaved, debt := q.pending(); unsaved >= ackBatch || debt {
				q.commit(nil)
			}
		case <-timer.C:
			armed = false
			if unsaved, _ := q.pending(); unsaved > 0 {
				q.commit(nil)
			} else if q.idle(&seen) && q.worthCompacting() {
				q.compactIdle()
			}
		}
		if unsaved, _ := q.pending(); !armed && (unsaved > 0 || q.worthCompacting()) {
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

// gather takes what waits, without waiting for more: the last commit was the time to gather in.
func (q *Queue) gather(first request) []request {
	reqs := []request{first}
	for len(reqs) < maxBatch {
		select {
		case r, ok := <-q.requests:
			if !ok {
				return reqs // run sees the closed channel next
			}
			reqs = append(reqs, r)
		default:
			return reqs
		}
	}
	return reqs
}

type answer struct {
	seq Seq
	err error
}

// commit carries out reqs in one transaction, together with the cursors, and answers them.
func (q *Queue) commit(reqs []request) {
	answers := make([]answer, len(reqs))
	if err := q.transact(reqs, answers); err != nil {
		for i := range answers {
			if answers[i].err == nil { // what was refused for a reason of its own keeps it
				answers[i] = answer{err: err}
			}
		}
	}
	for i, r := range reqs {
		if r.alone != nil && answers[i].err == nil {
			answers[i].err = r.alone()
		}
		if r.done != nil {
			r.done(answers[i].seq, answers[i].err)
		}
	}
}

// transact carries out reqs in one transaction. Should that not fit into the file, nothing was written, and it does with
// less: without events first, then with what other programs were to have of the disk, then without cursors, whose loss is
// that events are offered again.
func (q *Queue) transact(reqs []request, answers []answer) error {
	for attempt := 0; ; attempt++ {
		err := q.try(reqs, answers, attempt)
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

func (q *Queue) try(reqs []request, answers []answer, attempt int) error {
	start := time.Now()
	b, err := q.begin(attempt)
	if err != nil {
		return err
	}
	for i, r := range reqs {
		switch {
		case r.record != nil && r.bad != nil:
			b.refused[RefusedInvalid]++
			answers[i].err = r.bad
		case r.record != nil:
			answers[i].seq, answers[i].err = b.append(r.record)
		case r.apply != nil:
			answers[i].seq, answers[i].err = r.apply(b)
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
	if err := q.fault(len(reqs)); err != nil {
		q.abandon(b)
		return fmt.Errorf("commit: %w", err)
	}
	q.db.MaxSize = int(q.disk.limit(b.last != q.last))
	id := b.tx.ID()
	if err := b.tx.Commit(); err != nil {
		return q.commitFailed(b, uint64(id), err)
	}
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
	b := &batch{q: q, tx: tx, last: q.last, attempt: attempt, marks: map[string][]byte{}}
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
	if err := b.room(&r.Record); err != nil {
		return 0, err
	}
	mark, err := b.advance(r.Mark)
	if err != nil {
		return 0, err
	}
	if r.Mark != nil {
		b.marks[string(r.Mark.Key)] = mark
	}
	for _, s := range r.Settle {
		_ = b.delete(bucketAside, seqKey(s)) // delete keeps the error in b.fatal
	}
	if r.NoStore {
		return 0, b.fatal
	}
	return b.store(r), b.fatal
}

func (b *batch) store(r *record) Seq {
	b.last++
	key := seqKey(b.last)
	sealInPlace(bucketEv[r.Priority], key, r.sealed)
	b.changed = true
	_ = b.note(b.events(r.Priority).Put(key, r.sealed))
	if r.Aside {
		_ = b.put(bucketAside, key, appendAside(r.Priority, r.Value))
	}
	b.added[r.Priority] = append(b.added[r.Priority], b.last)
	return b.last
}

// Rough cost of an element beside its value: bbolt's leaf header, our key and seal.
const elementCost = 16 + seqSize + sealHeader

// room says whether r may take more of the disk. The queue's own account decides, with room left above MaxBytes:
// bbolt copies what it changes, and at a hard limit even the deletions that would make room could not be written.
func (b *batch) room(r *Record) error {
	if r.NoStore {
		return nil
	}
	cost := int64(len(r.Value) + elementCost)
	if r.Aside {
		cost *= 2
	}
	limit := b.limit / 100 * share[r.Priority]
	if r.Priority == Alarm {
		limit = b.q.opt.MaxBytes // of the disk, trips get what it gives
	}
	added := b.used + cost - b.began
	if b.attempt > 0 || b.used+cost > limit || !b.q.disk.fits(b.began+2*added) { // pages are never quite full
		b.refused[refusedFull(r.Priority)]++
		why := ""
		if b.byDisk {
			why = "; the disk has no room for more"
		}
		return fmt.Errorf("%w for %v events: %d KiB of %d KiB in use, the limit for this priority is %d %%%s",
			ErrFull, r.Priority, b.used>>10, b.limit>>10, share[r.Priority], why)
	}
	b.used += cost
	return nil
}

func (b *batch) advance(m *Mark) ([]byte, error) {
	if m == nil {
		return nil, nil
	}
	old, err := b.mark(m.Key)
	if err != nil {
		b.refused[RefusedCorruptMark]++
		return nil, fmt.Errorf("%w: %x: %w", ErrCorruptMark, m.Key, err)
	}
	value, err := b.q.opt.Advance(old, m.Counter)
	if err == nil && len(value) > MaxValue {
		err = fmt.Errorf("mark value of %d bytes, expected at most %d", len(value), MaxValue)
	}
	if err != nil {
		b.refused[RefusedMark]++
	}
	return value, err
}

// mark is a replay mark as of this point of the batch, nil if there is none.
func (b *batch) mark(key []byte) ([]byte, error) {
	if v, ok := b.marks[string(key)]; ok {
		return v, nil
	}
	stored := b.tx.Bucket(bucketMarks).Get(key)
	if stored == nil {
		return nil, nil
	}
	return unseal(bucketMarks, key, stored)
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
	for key, value := range b.marks {
		_ = b.put(bucketMarks, []byte(key), value) // put keeps the error in b.fatal
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
