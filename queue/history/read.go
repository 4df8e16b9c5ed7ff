package history

import (
	"bytes"
	"encoding/binary"
	"time"

	"go.etcd.io/bbolt"
)

// Trips calls fn with each trip that opened from from to before to, in order of time. fn may take as long as it likes; an
// error of it ends the walk and comes back. What is damaged is left out and counted.
func (s *Store) Trips(from, to time.Time, fn func(*Trip) error) error {
	return s.scan(bucketTrips, appendTime(nil, clamp(from)), appendTime(nil, clamp(to)), func(k, v []byte) error {
		t := Trip{At: moment(bucketTrips, k)}
		if len(k) != 8+tripIDSize || t.decode(v) != nil {
			s.corrupt.Add(1)
			return nil
		}
		t.ID = parseTripID(k[8:])
		return fn(&t)
	})
}

// Faults is Trips for faults.
func (s *Store) Faults(from, to time.Time, fn func(*Fault) error) error {
	return s.scan(bucketFaults, appendTime(nil, clamp(from)), appendTime(nil, clamp(to)), func(k, v []byte) error {
		f := Fault{At: moment(bucketFaults, k)}
		if f.decode(v) != nil {
			s.corrupt.Add(1)
			return nil
		}
		f.ID = string(k[8:])
		return fn(&f)
	})
}

// Hours is Trips for the sums of check-ins. Hours that are partly in the range are told whole.
func (s *Store) Hours(from, to time.Time, fn func(*Hour) error) error {
	return s.scan(bucketHours, hourKey(from, ""), hourKey(to.Add(time.Hour-1), ""), func(k, v []byte) error {
		h := Hour{}
		if len(k) < 4 || h.decode(v) != nil {
			s.corrupt.Add(1)
			return nil
		}
		h.Node, h.At.Wall = string(k[4:]), time.Unix(int64(binary.BigEndian.Uint32(k))*3600, 0).UTC()
		return fn(&h)
	})
}

// Spans calls fn with each span of a subject that has a part from from to before to, in order of its beginning.
func (s *Store) Spans(kind Kind, subject string, from, to time.Time, fn func(*Span) error) error {
	prefix := spanPrefix(kind, subject)
	end := appendTime(bytes.Clone(prefix), clamp(to))
	return s.scan(bucketSpans, prefix, end, func(k, v []byte) error {
		sp := Span{Kind: kind, Subject: subject}
		if len(k) != len(prefix)+9 || sp.decode(v) != nil {
			s.corrupt.Add(1)
			return nil
		}
		sp.From.Wall, sp.Quality = parseTime(k[len(prefix):]), Quality(k[len(k)-1])
		if !sp.Until().After(from) {
			return nil
		}
		return fn(&sp)
	})
}

// Subjects lists, in order, whatever spans of a kind are kept of.
func (s *Store) Subjects(kind Kind) (list []string, err error) {
	err = s.db.View(func(tx *bbolt.Tx) error {
		c := tx.Bucket(bucketSpans).Cursor()
		for k, _ := c.Seek([]byte{byte(kind)}); len(k) > 1 && k[0] == byte(kind); {
			end := bytes.IndexByte(k[1:], 0) + 1
			if end < 1 {
				break
			}
			list = append(list, string(k[1:end]))
			k, _ = c.Seek(append(bytes.Clone(k[:end]), 1))
		}
		return nil
	})
	return list, err
}

// Unplaced calls trip and fault, each unless it is nil, with what is kept of boots whose clock was never set, boot by boot
// and in order within one.
func (s *Store) Unplaced(trip func(*Trip) error, fault func(*Fault) error) error {
	return s.scan(bucketUnplaced, nil, nil, func(k, v []byte) error {
		if len(k) < 25 {
			return nil
		}
		at := moment(bucketUnplaced, k)
		s.mu.Lock()
		earliest, latest := s.bounds(at.Boot)
		s.mu.Unlock()
		switch {
		case k[24] == 'T' && trip != nil && len(k) == 25+tripIDSize:
			t := Trip{ID: parseTripID(k[25:]), At: at, Earliest: earliest, Latest: latest}
			if t.decode(v) == nil {
				return trip(&t)
			}
		case k[24] == 'F' && fault != nil:
			f := Fault{ID: string(k[25:]), At: at, Earliest: earliest, Latest: latest}
			if f.decode(v) == nil {
				return fault(&f)
			}
		}
		return nil
	})
}
