package queue

import (
	"time"

	"go.etcd.io/bbolt"
)

// Refusal is why a record was not stored.
type Refusal int

// The closed list of refusals.
const (
	RefusedFullAlarm   Refusal = iota // no room, even for trips
	RefusedFullNotice                 // no room for faults
	RefusedFullRoutine                // no room for check-ins
	RefusedMark                       // Options.Advance said no
	RefusedCorruptMark                // the mark's stored value is damaged
	RefusedInvalid                    // the record breaks the limits of Record

	refusals = 6
)

var refusalNames = [refusals]string{"full_alarm", "full_notice", "full_routine", "mark", "corrupt_mark", "invalid"}

// String returns the name used in metrics.
func (r Refusal) String() string { return refusalNames[r] }

func refusedFull(p Priority) Refusal { return RefusedFullAlarm + Refusal(p) }

// Stats counts what happened since Open. Counters only rise.
type Stats struct {
	Commits    uint64
	CommitSum  time.Duration
	CommitMax  time.Duration
	CommitLast time.Duration

	Events      [priorities]uint64 // stored
	Refused     [refusals]uint64   // not stored, by Refusal
	Acked       uint64             // over all sinks
	Missed      uint64             // passed over by sinks that are not required
	Parked      uint64
	Deleted     uint64 // after every sink was done with them
	Corrupt     uint64 // failed their checksum
	DeadDropped uint64 // pushed out of the full dead bucket
	NoRoom      uint64 // transactions without events that found no room, with nothing written: the reserve was too small
	Compactions uint64

	// As they stand now.
	Waiting    [priorities]int // events in the log
	Requests   int             // waiting for the committer, of 4096
	LastSeq    Seq
	BytesUsed  int64 // compare with Capacity
	BytesFile  int64 // the file's size
	Capacity   int64 // bytes in use at which trips are refused; faults are at 90 % of it, check-ins at 80 %
	ByDisk     bool  // Capacity is below MaxBytes, since the disk has no room for more
	BytesWrote int64 // pages written since Open, for the wear of a memory card
}

// Stats returns a copy of the counters.
func (q *Queue) Stats() Stats {
	q.views.RLock()
	tx := q.db.Stats().TxStats
	capacity, byDisk := q.disk.capacity()
	used, err := inUse(q.db)
	q.views.RUnlock()
	q.mu.Lock()
	defer q.mu.Unlock()
	st := q.stats
	st.Capacity, st.ByDisk = capacity, byDisk
	if err == nil { // else it is closed: as of the end
		st.BytesUsed = used
	}
	for p := range q.lanes {
		st.Waiting[p] = q.lanes[p].len()
	}
	st.Requests = q.inbox.len()
	st.LastSeq = q.last
	st.BytesWrote = q.wrote + tx.GetPageAlloc() + int64(st.Commits)*pageSize
	return st
}

// Full says whether a trip would be refused now.
func (s *Stats) Full() bool { return s.BytesUsed+pageSize > s.Capacity }

// inUse is how many bytes of the file hold something.
func inUse(db *bbolt.DB) (int64, error) {
	high, err := highWater(db)
	st := db.Stats()
	return high - int64(st.FreePageN+st.PendingPageN)*pageSize, err
}

func (s *Stats) addCommit(took time.Duration) {
	s.Commits++
	s.CommitSum += took
	s.CommitLast = took
	s.CommitMax = max(s.CommitMax, took)
}

func (s *Stats) addRefused(n *[refusals]uint64) {
	for i := range n {
		s.Refused[i] += n[i]
	}
}
