package unit

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"golang.org/x/sys/unix"

	"longlane/gateway/annunciator"
	"longlane/gateway/wholefile"
)

// memory is a file of records, a line each. One goroutine at a time may use it.
type memory struct {
	path string
	f    *os.File // nil: it must be replaced before anything is appended
	size int
}

// grown is the size in bytes at which the file is written anew.
const grown = 1 << 20

// openMemory reads the file, as far as that goes. A last line without an end was torn by a power cut, and is left out.
func openMemory(path string) (*memory, [][]byte, error) {
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		err = nil
	}
	var records [][]byte
	for line := range bytes.Lines(text) {
		if r, whole := bytes.CutSuffix(line, []byte("\n")); whole && len(r) > 0 {
			records = append(records, r)
		}
	}
	return &memory{path: path}, records, err
}

// append returns once the records are on the disk.
func (m *memory) append(records [][]byte) error {
	if m.f == nil {
		return fmt.Errorf("append to %s: it has been damaged by a write that failed", m.path)
	}
	text := lines(records)
	_, err := m.f.Write(text)
	if err == nil {
		err = unix.Fdatasync(int(m.f.Fd()))
	}
	if err != nil {
		m.close()
		return fmt.Errorf("append to %s: %w", m.path, err)
	}
	m.size += len(text)
	return nil
}

func lines(records [][]byte) []byte { return append(bytes.Join(records, []byte("\n")), '\n') }

// replace has the file hold these records and no others.
func (m *memory) replace(records [][]byte) error {
	text := lines(records)
	if err := wholefile.Write(m.path, text, wholefile.Options{}); err != nil {
		return err
	}
	m.close()
	f, err := os.OpenFile(m.path, os.O_WRONLY|os.O_APPEND, 0)
	if err != nil {
		return err
	}
	m.f, m.size = f, len(text)
	return nil
}

func (m *memory) close() {
	if m.f != nil {
		m.f.Close()
		m.f = nil
	}
}

// saving is what is to be written, and what is being.
type saving struct {
	waiting [][]byte
	upto    uint64 // the last record that waits, or has been written
	busy    bool
	began   time.Time
	told    uint64 // the last record of which was told that it takes long
	broken  bool   // the last write failed
	over    bool   // more waited than is kept: all is to be written anew
	retry   time.Time
}

const (
	retryEach = 5 * time.Second
	slowWrite = 5 * time.Second
)

func (s *saving) add(o annunciator.Save) {
	s.waiting = append(s.waiting, o.Records...)
	s.upto = o.Upto
	if len(s.waiting) > maxUnwritten {
		s.waiting, s.over = nil, true
	}
}

// maxUnwritten bounds the records that wait for a card that does not answer.
const maxUnwritten = 2 * annunciator.Remembered

// written is the end of a write.
type written struct {
	upto uint64
	err  error
}

// write begins to write what waits, if nothing is being written. After one that failed, all is written anew.
func (u *Unit) write() {
	s := &u.saving
	switch {
	case s.busy:
		if s.told < s.upto && time.Since(s.began) > slowWrite { // messages must not wait for a card that has died
			s.told = s.upto
			u.step(annunciator.Written{Upto: s.upto, Err: fmt.Sprintf("a write to lasting memory has not returned for %v", slowWrite)})
		}
		return
	case s.broken && time.Now().Before(s.retry), !s.broken && !s.over && len(s.waiting) == 0:
		return
	}
	s.busy, s.began = true, time.Now()
	upto, records := s.upto, s.waiting
	s.waiting = nil
	whole := s.broken || s.over || u.memory.size > grown
	s.over = false
	if whole {
		records = u.core.Snapshot()
	}
	u.running.Go(func() { // ends with the write
		var err error
		if whole {
			err = u.memory.replace(records)
		} else {
			err = u.memory.append(records)
		}
		u.put(written{upto, err})
	})
}

func (u *Unit) wrote(w written) {
	s := &u.saving
	s.busy, s.broken = false, w.err != nil
	in := annunciator.Written{Upto: w.upto}
	if w.err != nil {
		s.retry = time.Now().Add(retryEach)
		in.Err = w.err.Error()
		in.Upto = s.upto // what waits cannot be written either
		s.waiting = nil
	}
	u.step(in)
}
