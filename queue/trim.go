package queue

import (
	"math"

	"go.etcd.io/bbolt"
)

// How much of what is acknowledged a transaction deletes: bbolt copies the pages that it changes, so on a full disk it is
// no more than surely fits into the pages that are free.

// beginTx begins a transaction and says how many bytes of the file it may surely write. Pages that were freed can be
// used again once no reader is left from before; when there is little else, it waits for those few microseconds.
func (q *Queue) beginTx() (*bbolt.Tx, int64, error) {
	st := q.db.Stats()
	allocated := q.disk.limit(false)
	free := int64(st.FreePageN) * pageSize
	tx, err := q.db.Begin(true)
	if err != nil {
		return nil, 0, err
	}
	if free += allocated - tx.Size(); free >= q.disk.reserve || st.PendingPageN == 0 {
		return tx, free, nil
	}
	if err := tx.Rollback(); err != nil {
		return nil, 0, err
	}
	q.views.Lock()
	defer q.views.Unlock()
	if tx, err = q.db.Begin(true); err != nil {
		return nil, 0, err
	}
	return tx, free + int64(st.PendingPageN)*pageSize, nil
}

// count tells how many events wait, and how many spans the cursors have. The caller holds mu.
func (q *Queue) count() (events, spans int64) {
	for p := range q.lanes {
		events += int64(q.lanes[p].len())
		for _, c := range q.cursors {
			spans += int64(len(c.places[p].spans))
		}
	}
	return events, spans
}

// planTrim chooses what to delete: the events that every sink has acknowledged, as persisted by this same
// transaction or by a later one: at most left of them, of that size on the average, and no more than surely can be with
// that many free bytes. Without any sink nothing is deleted. The caller holds mu.
func (b *batch) planTrim(left int, free, size int64) {
	if len(b.q.cursors) == 0 {
		return
	}
	for p := range b.q.lanes {
		l := &b.q.lanes[p]
		covered := []span{{0, math.MaxUint64}}
		for _, c := range b.q.cursors {
			covered = c.places[p].within(covered)
		}
		for _, s := range covered {
			done := l.after(s.hi) - l.from(s.lo)
			if done == 0 {
				continue
			}
			take := int(trimmable(int64(min(done, left)), size, free))
			if take == 0 && left == maxTrim {
				take = 1 // one at the least: the reserve is made for it
			}
			free -= trimCost(int64(take), size)
			b.trimmed[p] = l.list(s.lo, take, b.trimmed[p])
			b.debt = b.debt || take < done
			left = max(0, left-take)
		}
	}
}

// trimCost is what deleting n events of a certain size, one behind the other, takes: the pages they stand on are copied,
// and so is what is merged with them; of large values up to four stand on one page in a row.
func trimCost(n, size int64) int64 {
	if size < pageSize {
		return 2*pageSize + 2*n*size
	}
	return 2*pageSize + 8*n*size
}

// trimmable is how many of n events may be deleted for that many bytes.
func trimmable(n, size, free int64) int64 {
	return min(n, max(0, free-2*pageSize)*n/max(1, trimCost(n, size)-2*pageSize))
}
