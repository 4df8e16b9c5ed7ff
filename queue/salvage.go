package queue

import (
	"bytes"
	"cmp"
	"errors"
	"io"
	"maps"
	"slices"
	"time"

	"go.etcd.io/bbolt"

	"longlane/queue/pages"
	"longlane/queue/seal"
)

// salvage is what was found in a damaged file. Only what carries a seal that holds counts as found.
type salvage struct {
	r      RecoverOptions
	f      io.ReaderAt
	whole  map[string]bool // buckets of which nothing is missing
	last   Seq
	events [priorities][]found
	// By key. Of each the payload.
	cursors, marks, settings, aside, dead map[string][]byte
}

// found is where the stored value of an event stands.
type found struct {
	seq Seq
	at  int64
	n   int32
}

func newSalvage(r RecoverOptions) *salvage {
	return &salvage{r: r, whole: map[string]bool{}, cursors: map[string][]byte{}, marks: map[string][]byte{},
		settings: map[string][]byte{}, aside: map[string][]byte{}, dead: map[string][]byte{}}
}

// search looks along the tree first. What is missing there, or fails its seal, is looked for everywhere: pages that the
// tree no longer reaches may hold it, but also what was deleted long ago and older versions of what has changed since.
func (s *salvage) search(f io.ReaderAt, size int64) {
	s.f = f
	forged := map[string]bool{} // buckets with an element whose seal fails
	buckets, _ := pages.Walk(f, size, func(e *pages.Element) {
		if !s.add(e) {
			forged[string(e.Bucket)] = true
		}
	})
	for _, name := range allBuckets {
		wrong, there := buckets[string(name)]
		s.whole[string(name)] = there && wrong == nil && !forged[string(name)]
	}
	if slices.ContainsFunc(allBuckets, func(name []byte) bool { return !s.whole[string(name)] }) {
		pages.Scan(f, size, func(e *pages.Element) {
			for _, name := range allBuckets {
				if !s.whole[string(name)] && s.add(&pages.Element{Bucket: name, Key: e.Key, Value: e.Value, At: e.At}) {
					return
				}
			}
		})
	}
	s.settle()
}

// add takes an element of a bucket, or says that it is not genuine.
func (s *salvage) add(e *pages.Element) bool {
	name := string(e.Bucket)
	if name == string(bucketMeta) && (string(e.Key) == string(keyFormat) || string(e.Key) == string(keyID)) {
		return true // not sealed, and a new file has its own
	}
	payload, err := seal.Unwrap(e.Bucket, e.Key, e.Value)
	if err != nil {
		return false
	}
	for p := range bucketEv {
		if name == string(bucketEv[p]) {
			seq, err := parseSeq(e.Key)
			if err != nil || seq == 0 {
				return false
			}
			s.events[p] = append(s.events[p], found{seq, e.At, int32(len(e.Value))})
			s.last = max(s.last, seq)
			return true
		}
	}
	key := string(e.Key)
	switch name {
	case string(bucketMeta):
		seq, err := parseSeq(payload)
		s.last = max(s.last, seq)
		return err == nil
	case string(bucketCur):
		return s.addCursor(key, payload)
	case string(bucketMarks):
		return s.addMark(key, payload)
	case string(bucketSet):
		s.settings[key] = bytes.Clone(payload)
	case string(bucketAside):
		return s.addNumbered(s.aside, e.Key, payload, func() error { _, _, err := parseAside(payload); return err })
	case string(bucketDead):
		return s.addNumbered(s.dead, e.Key, payload, func() error { _, err := parseDead(e.Key, payload); return err })
	default:
		return false
	}
	return true
}

// addCursor unites two versions of a cursor: what either has acknowledged is.
func (s *salvage) addCursor(name string, payload []byte) bool {
	required, missed, places, err := parsePlaces(payload)
	if err != nil {
		return false
	}
	for p := range places {
		s.last = max(s.last, places[p].top())
	}
	if have, ok := s.cursors[name]; ok {
		r, m, older, _ := parsePlaces(have) // parsed before
		for p := range places {
			places[p].unite(&older[p])
		}
		required, missed = required || r, max(missed, m)
	}
	s.cursors[name] = appendPlaces(required, missed, &places)
	return true
}

func (s *salvage) addMark(key string, payload []byte) bool {
	have, ok := s.marks[key]
	if !ok || s.r.MergeMarks == nil {
		s.marks[key] = bytes.Clone(payload)
		return true
	}
	merged, err := s.r.MergeMarks(have, payload)
	if err == nil {
		s.marks[key] = bytes.Clone(merged) // it may be one of the two
	}
	return err == nil
}

func (s *salvage) addNumbered(to map[string][]byte, key, payload []byte, check func() error) bool {
	if len(key) < seqSize || check() != nil {
		return false
	}
	seq, _ := parseSeq(key[:seqSize])
	s.last = max(s.last, seq)
	to[string(key)] = bytes.Clone(payload)
	return true
}

// settle makes one of what was found: each event once, without those that every sink is done with.
func (s *salvage) settle() {
	var cursors [][priorities]place
	for _, stored := range s.cursors {
		_, _, places, _ := parsePlaces(stored)
		cursors = append(cursors, places)
	}
	lost := !s.whole[string(bucketCur)]
	for _, names := range s.r.Sinks {
		found := slices.ContainsFunc(names, func(name string) bool { return s.cursors[name] != nil })
		if lost && !found && len(names) > 0 {
			var none [priorities]place
			s.cursors[names[0]] = appendPlaces(true, 0, &none)
			cursors = append(cursors, none)
		}
	}
	for p := range s.events {
		list := s.events[p]
		slices.SortStableFunc(list, func(a, b found) int { return cmp.Compare(a.seq, b.seq) })
		list = slices.CompactFunc(list, func(a, b found) bool { return a.seq == b.seq })
		if len(cursors) > 0 {
			list = slices.DeleteFunc(list, func(e found) bool {
				return !slices.ContainsFunc(cursors, func(c [priorities]place) bool { return !c[p].covers(e.seq) })
			})
		}
		s.events[p] = list
	}
}

// wholeMarks says that marks and settings are as they were last written. Old settings would be worse than none: numbers
// that were set aside since could be used twice.
func (s *salvage) wholeMarks() bool {
	return s.whole[string(bucketMarks)] && s.whole[string(bucketSet)]
}

// write makes the new file at path. Events are added, trips first, until the time is up or there are so many.
func (s *salvage) write(path string, o Options, until time.Time, most int, rec *Recovery) error {
	o.noSync = true // synced as a whole
	db, err := bbolt.Open(path, fileMode, boltOptions(o))
	if err != nil {
		return err
	}
	db.AllocSize = 0
	rec.Whole, rec.Marks, rec.Sinks = s.wholeMarks(), len(s.marks), slices.Sorted(maps.Keys(s.cursors))
	err = db.Update(func(tx *bbolt.Tx) error { return errors.Join(layOut(tx), s.writeSmall(tx)) })
	if err == nil {
		err = s.writeEvents(db, until, most, rec)
	}
	if err = errors.Join(err, db.Sync(), db.Close()); err != nil {
		return err
	}
	return finishNew(path, &o)
}

func (s *salvage) writeSmall(tx *bbolt.Tx) error {
	err := put(tx, bucketMeta, keyLast, seqKey(s.last))
	all := map[string]map[string][]byte{string(bucketCur): s.cursors, string(bucketMarks): s.marks, string(bucketAside): s.aside}
	if s.wholeMarks() {
		all[string(bucketSet)] = s.settings
	}
	keys := slices.Sorted(maps.Keys(s.dead))
	dead := map[string][]byte{}
	for _, k := range keys[max(0, len(keys)-maxDead):] {
		dead[k] = s.dead[k]
	}
	all[string(bucketDead)] = dead
	for bucket, records := range all {
		for _, k := range slices.Sorted(maps.Keys(records)) {
			err = errors.Join(err, put(tx, []byte(bucket), []byte(k), records[k]))
		}
	}
	return err
}

func (s *salvage) writeEvents(db *bbolt.DB, until time.Time, most int, rec *Recovery) error {
	const atOnce = 1000
	rec.Events, rec.Left = [priorities]int{}, 0
	for p, list := range s.events {
		for batch := range slices.Chunk(list, atOnce) {
			take := min(len(batch), most)
			if time.Now().After(until) {
				take = 0
			}
			rec.Left += len(batch) - take
			most, batch = most-take, batch[:take]
			if take == 0 {
				continue
			}
			err := db.Update(func(tx *bbolt.Tx) error {
				b := tx.Bucket(bucketEv[p])
				b.FillPercent = fillPercent
				for _, e := range batch {
					stored := make([]byte, e.n)
					if _, err := s.f.ReadAt(stored, e.at); err != nil {
						rec.Left++
						continue
					}
					if err := b.Put(seqKey(e.seq), stored); err != nil {
						return err
					}
					rec.Events[p]++
				}
				return nil
			})
			if err != nil {
				return err
			}
		}
	}
	return nil
}
