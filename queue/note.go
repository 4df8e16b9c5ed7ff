package queue

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"longlane/queue/seal"
)

// An acknowledgement that no further commit follows for a while is not worth one of its own, with its two syncs. It is noted in a
// small file beside the queue, NAME.acks, which is written in place and never synced: the death of the process leaves it as it was
// written, and the kernel takes it to the disk within half a minute or so. If a power cut is quicker, or leaves only a part, the note
// does not count, and the events are offered once more.
//
// A note holds for one state of the queue's file, that which its last commit made: every commit takes the cursors along, and what
// may follow it (a sink that is removed and made anew, a file from elsewhere) must not find an older note believed.
//
//	| length 4 | sealed: | id of the queue 16 | number of the transaction 8 | for each sink: | length of the name 2 | name | length 4 | cursor | |

// maxNote bounds the file, in bytes: what is longer is committed instead. A page is written as a whole, or nearly always so.
const maxNote = pageSize

var (
	noteBucket = []byte("note") // of the seal; there is no such bucket
	noteKey    = []byte("acks")
)

func noteName(path string) string { return path + ".acks" }

// note writes down where the cursors stand, and reports whether it could: otherwise that must be committed. The committer alone calls it.
func (q *Queue) note() bool {
	q.mu.Lock()
	acks := q.unsaved
	out := binary.BigEndian.AppendUint64(q.id[:], q.tx)
	for _, name := range q.sinkNames() {
		c := q.cursors[name]
		if c.dirty == 0 {
			continue
		}
		places := appendPlaces(c.required, c.missed, &c.places)
		out = append(binary.BigEndian.AppendUint16(out, uint16(len(name))), name...)
		out = append(binary.BigEndian.AppendUint32(out, uint32(len(places))), places...)
	}
	q.mu.Unlock()
	sealed := seal.Wrap(noteBucket, noteKey, out)
	text := append(binary.BigEndian.AppendUint32(nil, uint32(len(sealed))), sealed...)
	if len(text) > maxNote {
		return false
	}
	if q.notes == nil {
		f, err := os.OpenFile(noteName(q.path), os.O_RDWR|os.O_CREATE, fileMode)
		if err != nil {
			return false
		}
		q.notes = f
	}
	if _, err := q.notes.WriteAt(text, 0); err != nil {
		return false
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	q.noted = acks
	return true
}

// takeNote brings the cursors to where a note has them, if it is of this very state of the file. Anything else counts as none.
func (q *Queue) takeNote() {
	text, err := os.ReadFile(noteName(q.path))
	if err == nil {
		err = q.parseNote(text)
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		q.opt.Log.Warn("a note of acknowledgements is left out: their events are offered once more", "path", noteName(q.path), "err", err)
	}
}

func (q *Queue) parseNote(text []byte) error {
	sealed, _, err := cut(text, 4)
	if err != nil {
		return err
	}
	b, err := seal.Unwrap(noteBucket, noteKey, sealed)
	switch {
	case err != nil:
		return err
	case len(b) < 24:
		return fmt.Errorf("%d bytes, expected 24 or more", len(b))
	case !bytes.Equal(b[:16], q.id[:]) || binary.BigEndian.Uint64(b[16:]) != q.tx:
		return nil // of another state
	}
	for b = b[24:]; len(b) > 0; {
		var name, places []byte
		if name, b, err = cut(b, 2); err == nil {
			places, b, err = cut(b, 4)
		}
		if err == nil {
			err = q.noteOf(string(name), places)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// cut takes a field off b that follows its own length, of so many bytes.
func cut(b []byte, size int) (field, rest []byte, err error) {
	n := uint32(0)
	switch {
	case len(b) < size:
		return nil, nil, errors.New("it ends within a length")
	case size == 2:
		n = uint32(binary.BigEndian.Uint16(b))
	default:
		n = binary.BigEndian.Uint32(b)
	}
	if b = b[size:]; uint64(n) > uint64(len(b)) {
		return nil, nil, fmt.Errorf("a field of %d bytes, and %d are left", n, len(b))
	}
	return b[:n], b[n:], nil
}

func (q *Queue) noteOf(name string, stored []byte) error {
	_, missed, places, err := parsePlaces(stored)
	if err != nil {
		return err
	}
	c := q.cursors[name]
	if c == nil {
		return fmt.Errorf("it tells of a sink %q that there is not", name)
	}
	c.missed = max(c.missed, missed)
	for p := range places {
		if places[p].top() > q.last {
			return fmt.Errorf("event %d is acknowledged, the last is %d", places[p].top(), q.last)
		}
	}
	for p := range places {
		c.places[p].unite(&places[p])
		c.places[p].rejoin(&q.lanes[p])
		c.waiting[p] = c.places[p].waiting(&q.lanes[p])
	}
	c.dirty++ // the next commit takes it along
	q.unsaved++
	q.noted++
	return nil
}

// closeNotes lets go of the file, and removes it if all is saved. After a good end it tells nothing that the queue's own file does not.
func (q *Queue) closeNotes(saved bool) {
	if q.notes != nil {
		_ = q.notes.Close()
	}
	if saved {
		_ = os.Remove(noteName(q.path))
	}
}
