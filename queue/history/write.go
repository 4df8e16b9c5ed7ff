package history

import (
	"bytes"
	"encoding/binary"
	"errors"
	"time"

	"go.etcd.io/bbolt"

	"longlane/queue/seal"
)

// writer is one transaction. Its first error is kept, and nothing is written after it.
type writer struct {
	tx    *bbolt.Tx
	s     *Store
	boots map[[16]byte]*boot // those that it has touched
	last  uint32
	err   error
	gone  [][16]byte // boots that it has removed
}

func (w *writer) put(bucket, key, payload []byte) {
	if w.err == nil {
		b := w.tx.Bucket(bucket)
		b.FillPercent = 0.9 // keys mostly rise with time: half-empty pages would stay so
		w.err = b.Put(key, seal.Wrap(bucket, key, payload))
	}
}

func (w *writer) delete(bucket, key []byte) {
	if w.err == nil {
		w.err = w.tx.Bucket(bucket).Delete(key)
	}
}

// get returns a payload, valid until the next write; nil if there is none, or it is damaged.
func (w *writer) get(bucket, key []byte) []byte {
	v := w.tx.Bucket(bucket).Get(key)
	if v == nil {
		return nil
	}
	p, err := seal.Unwrap(bucket, key, v)
	if err != nil {
		w.s.corrupt.Add(1)
		return nil
	}
	return p
}

// boot notes that a boot was there at mono, and returns what is known of it, to be changed by the caller.
func (w *writer) boot(id [16]byte, mono time.Duration) *boot {
	b := w.boots[id]
	if b == nil {
		if old := w.s.boots[id]; old != nil {
			c := *old
			b = &c
		} else {
			w.last++
			b = &boot{number: w.last, first: mono, last: mono}
		}
		w.boots[id] = b
	}
	b.first, b.last = min(b.first, mono), max(b.last, mono)
	return b
}

func (w *writer) saveBoots() {
	for id, b := range w.boots {
		if old := w.s.boots[id]; old == nil || *old != *b {
			w.put(bucketBoots, id[:], b.encode())
		}
	}
}

// settle finds the time of a moment, if its boot's is known.
func (w *writer) settle(m *Moment) {
	if m.Boot == [16]byte{} {
		return
	}
	b := w.boot(m.Boot, m.Mono)
	if m.Wall.IsZero() && b.known {
		m.Wall, m.PutRight = b.zero.Add(m.Mono), true
	}
	if !m.Wall.IsZero() {
		m.Wall = clamp(m.Wall)
	}
}

func unplacedKey(m Moment, rest []byte) []byte {
	k := append(make([]byte, 0, 24+len(rest)), m.Boot[:]...)
	return append(binary.BigEndian.AppendUint64(k, uint64(m.Mono)), rest...)
}

// keyAt says where a record with an id stands.
func keyAt(bucket []byte, m Moment, id []byte) (in, key []byte) {
	if m.Wall.IsZero() {
		return bucketUnplaced, unplacedKey(m, id)
	}
	return bucket, append(appendTime(nil, m.Wall), id[1:]...)
}

// placeOf is the value in ids of what stands at key, and find reads it.
func placeOf(bucket, key []byte) []byte {
	if string(bucket) == string(bucketUnplaced) {
		return append([]byte{1}, key[:24]...)
	}
	return append([]byte{0}, key[:8]...)
}

// idOf is the key in ids of what stands at key; nil if it has none.
func idOf(bucket, key []byte) []byte {
	switch {
	case string(bucket) == string(bucketTrips) && len(key) == 8+tripIDSize:
		return append([]byte{'T'}, key[8:]...)
	case string(bucket) == string(bucketFaults) && len(key) > 8:
		return append([]byte{'F'}, key[8:]...)
	case string(bucket) == string(bucketUnplaced) && len(key) > 24 && (key[24] == 'T' || key[24] == 'F'):
		return bytes.Clone(key[24:])
	}
	return nil
}

// find returns where the record of an id stands, and its payload; nil if there is none.
func (w *writer) find(bucket, id []byte) (in, key, payload []byte) {
	v := w.tx.Bucket(bucketIDs).Get(id)
	switch {
	case len(v) == 9 && v[0] == 0:
		in, key = bucket, append(bytes.Clone(v[1:]), id[1:]...)
	case len(v) == 25 && v[0] == 1:
		in, key = bucketUnplaced, append(bytes.Clone(v[1:]), id...)
	default:
		return nil, nil, nil
	}
	return in, key, w.get(in, key)
}

// moment is the time that a key tells.
func moment(bucket, key []byte) (m Moment) {
	if string(bucket) == string(bucketUnplaced) {
		m.Boot, m.Mono = [16]byte(key[:16]), time.Duration(binary.BigEndian.Uint64(key[16:]))
	} else {
		m.Wall = parseTime(key)
	}
	return m
}

// move puts a record that stands at old, if it does, to where it belongs.
func (w *writer) move(id, oldIn, oldKey, in, key, payload []byte) {
	if oldKey != nil && !bytes.Equal(oldKey, key) {
		w.s.moved.Add(1)
		w.delete(oldIn, oldKey)
	}
	w.put(in, key, payload)
	if w.err == nil {
		w.err = w.tx.Bucket(bucketIDs).Put(id, placeOf(in, key))
	}
}

func (w *writer) trip(t Trip) {
	w.settle(&t.At)
	id := appendTripID([]byte{'T'}, t.ID)
	oldIn, oldKey, payload := w.find(bucketTrips, id)
	if payload != nil {
		old := Trip{ID: t.ID, At: moment(oldIn, oldKey)}
		if old.decode(payload) == nil {
			old.merge(&t)
			t = old
		}
	}
	in, key := keyAt(bucketTrips, t.At, id)
	w.move(id, oldIn, oldKey, in, key, t.encode())
}

func (w *writer) fault(f Fault) {
	w.settle(&f.At)
	id := append([]byte{'F'}, f.ID...)
	oldIn, oldKey, payload := w.find(bucketFaults, id)
	if payload != nil && (f.At.Wall.IsZero() || !moment(oldIn, oldKey).Wall.IsZero()) {
		return // it is there, and its time is no worse
	}
	in, key := keyAt(bucketFaults, f.At, id)
	w.move(id, oldIn, oldKey, in, key, f.encode())
}

func hourKey(t time.Time, node string) []byte {
	return append(binary.BigEndian.AppendUint32(nil, uint32(clamp(t).Unix()/3600)), node...)
}

func (w *writer) hour(h Hour) {
	w.settle(&h.At)
	in, key := bucketHours, hourKey(h.At.Wall, h.Node)
	if h.At.Wall.IsZero() {
		h.At.Mono = h.At.Mono.Truncate(time.Hour)
		in, key = bucketUnplaced, unplacedKey(h.At, append([]byte{'H'}, h.Node...))
	}
	var whole Hour
	if p := w.get(in, key); p != nil && whole.decode(p) != nil {
		whole = Hour{}
	}
	whole.add(&h)
	w.put(in, key, whole.encode())
}

func spanPrefix(kind Kind, subject string) []byte {
	return append(append([]byte{byte(kind)}, subject...), 0)
}

// span finds the span that this one is a longer version of by boot and mono: a clock that was put right a little since
// must not make two of it.
func (w *writer) span(s Span) {
	given := s.From
	w.settle(&s.From)
	if s.From.Boot != [16]byte{} {
		w.boot(s.From.Boot, s.From.Mono+s.Length)
	}
	if s.From.Wall.IsZero() {
		w.put(bucketUnplaced, unplacedKey(s.From, append([]byte{'S', byte(s.Kind), byte(s.Quality)}, s.Subject...)), s.encode())
		return
	}
	prefix := spanPrefix(s.Kind, s.Subject)
	c := w.tx.Bucket(bucketSpans).Cursor()
	k, _ := c.Seek(append(append([]byte{}, prefix...), bytes.Repeat([]byte{0xff}, 9)...)) // behind the last of them
	var v []byte
	if k == nil {
		k, v = c.Last()
	} else {
		k, v = c.Prev()
	}
	key := append(appendTime(prefix, s.From.Wall), byte(s.Quality))
	for range 16 {
		if k == nil || !bytes.HasPrefix(k, prefix) {
			break
		}
		var old Span
		p, err := seal.Unwrap(bucketSpans, k, v)
		if err == nil && k[len(k)-1] == byte(s.Quality) && old.decode(p) == nil && old.From.Boot == given.Boot && old.From.Mono == given.Mono && given.Boot != [16]byte{} {
			key = bytes.Clone(k)
			break
		}
		k, v = c.Prev()
	}
	w.put(bucketSpans, key, s.encode())
}

// place moves up to most records of a boot whose clock is known, and returns how many.
func (w *writer) place(id [16]byte) int {
	type pair struct{ k, v []byte }
	var list []pair
	c := w.tx.Bucket(bucketUnplaced).Cursor()
	for k, v := c.Seek(id[:]); k != nil && bytes.HasPrefix(k, id[:]) && len(list) < most; k, v = c.Next() {
		list = append(list, pair{bytes.Clone(k), bytes.Clone(v)})
	}
	for _, p := range list {
		w.s.moved.Add(1)
		payload, err := seal.Unwrap(bucketUnplaced, p.k, p.v)
		w.delete(bucketUnplaced, p.k)
		if err != nil || w.again(p.k, payload) != nil {
			w.s.corrupt.Add(1)
		}
	}
	return len(list)
}

// again writes what stood at an unplaced key as if it came only now.
func (w *writer) again(key, payload []byte) error {
	if len(key) < 25 {
		return errors.New("key too short")
	}
	at, rest := moment(bucketUnplaced, key), key[25:]
	switch key[24] {
	case 'T':
		if len(rest) != tripIDSize {
			return errors.New("key of a trip has another length")
		}
		t := Trip{ID: parseTripID(rest), At: at}
		if err := t.decode(payload); err != nil {
			return err
		}
		w.trip(t)
	case 'F':
		f := Fault{ID: string(rest), At: at}
		if err := f.decode(payload); err != nil {
			return err
		}
		w.fault(f)
	case 'H':
		h := Hour{Node: string(rest), At: at}
		if err := h.decode(payload); err != nil {
			return err
		}
		h.At.Mono += 30 * time.Minute // the hours of a boot do not begin with those of the day: the middle decides
		w.hour(h)
	case 'S':
		if len(rest) < 2 {
			return errors.New("key of a span is too short")
		}
		s := Span{Kind: Kind(rest[0]), Quality: Quality(rest[1]), Subject: string(rest[2:]), From: at}
		if err := s.decode(payload); err != nil {
			return err
		}
		w.span(s)
	default:
		return errors.New("record of an unknown kind")
	}
	return nil
}

// removeBefore removes up to n records whose keys are less than limit (nil: whatever they are), the oldest first.
func (w *writer) removeBefore(bucket, limit []byte, n int) int {
	var keys [][]byte
	c := w.tx.Bucket(bucket).Cursor()
	for k, _ := c.First(); k != nil && len(keys) < n && (limit == nil || bytes.Compare(k, limit) < 0); k, _ = c.Next() {
		keys = append(keys, bytes.Clone(k))
	}
	for _, k := range keys {
		w.delete(bucket, k)
		if id := idOf(bucket, k); id != nil {
			w.delete(bucketIDs, id)
		}
	}
	return len(keys)
}

// removeSpans removes up to n spans that began before limit, of every subject.
func (w *writer) removeSpans(limit time.Time, n int) int {
	var keys [][]byte
	c := w.tx.Bucket(bucketSpans).Cursor()
	for k, _ := c.First(); k != nil && len(keys) < n; {
		end := bytes.IndexByte(k[1:], 0) + 2
		if end < 2 || len(k) != end+9 {
			keys = append(keys, bytes.Clone(k)) // of nobody's making
			k, _ = c.Next()
			continue
		}
		if parseTime(k[end:]).Before(limit) {
			keys = append(keys, bytes.Clone(k))
			k, _ = c.Next()
			continue
		}
		k, _ = c.Seek(append(bytes.Clone(k[:end-1]), 1)) // the next subject
	}
	for _, k := range keys {
		w.delete(bucketSpans, k)
	}
	return len(keys)
}

// removeBoots removes up to n records of boots, and the boots, that ended before limit.
func (w *writer) removeBoots(limit time.Time, n int) int {
	removed := 0
	for id, b := range w.s.boots {
		_, latest := w.s.bounds(id)
		if b.known {
			latest = b.zero.Add(b.last)
		}
		if latest.IsZero() || !latest.Before(limit) || removed >= n {
			continue
		}
		var keys [][]byte
		c := w.tx.Bucket(bucketUnplaced).Cursor()
		for k, _ := c.Seek(id[:]); k != nil && bytes.HasPrefix(k, id[:]) && removed+len(keys) < n; k, _ = c.Next() {
			keys = append(keys, bytes.Clone(k))
		}
		for _, k := range keys {
			w.delete(bucketUnplaced, k)
			if rec := idOf(bucketUnplaced, k); rec != nil {
				w.delete(bucketIDs, rec)
			}
		}
		if removed += len(keys); removed >= n {
			continue // the boot itself goes once nothing is kept of it
		}
		w.delete(bucketBoots, id[:])
		w.gone = append(w.gone, id)
		removed++
	}
	return removed
}
