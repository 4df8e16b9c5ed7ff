package gateway

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"maps"
	"os"
	"slices"
	"time"

	"longlane/gateway/wholefile"
	"longlane/proto"
)

// Names of the core's files in the state directory.
const (
	QueueFile = "queue.db"
	CopyFile  = "marks.copy"
)

// secondCopy is what stands outside the queue's file, so that a file that is lost or damaged opens no door to replays:
// the replay windows, the epoch and the numbers of group frames. It is written before the first receipt of a new epoch, once a minute if anything has
// changed, and at the end, so its windows may lag; hence they are only ever added to what the queue knows, and an epoch
// or a number taken from it moves on.
//
// The file is one line, "longlane marks 1" and the CRC-32C of the rest in eight hexadecimal digits, and then JSON.
type secondCopy struct {
	Site   string       `json:"site"`
	Number uint16       `json:"site_number"`
	Epoch  uint16       `json:"epoch"`
	Group  uint32       `json:"group_counter,omitempty"` // numbers of group frames below this are used; 0: not known
	Marks  []copiedMark `json:"marks"`
}

type copiedMark struct {
	Space  space  `json:"space"`
	Node   uint8  `json:"node"`
	Gen    uint8  `json:"generation"`
	Window []byte `json:"window"`
}

const (
	copyHead  = "longlane marks 1 %08x\n"
	copyEvery = time.Minute
	maxCopy   = 4 << 20 // 239 nodes, 2 spaces, 2 generations, 200 bytes each, and room
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// readCopy gives nil if there is none, or if it is of another site: node numbers begin anew there.
func readCopy(path, site string, number uint16) (*secondCopy, error) {
	if path == "" {
		return nil, nil
	}
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	} else if err != nil {
		return nil, fmt.Errorf("read second copy of the replay marks: %w", err)
	}
	return parseCopy(path, text, site, number)
}

func parseCopy(path string, text []byte, site string, number uint16) (*secondCopy, error) {
	head, rest, _ := bytes.Cut(text, []byte("\n"))
	if string(head)+"\n" != fmt.Sprintf(copyHead, crc32.Checksum(rest, castagnoli)) || len(text) > maxCopy {
		return nil, fmt.Errorf("read second copy of the replay marks: %s is damaged, or of another version", path)
	}
	var c secondCopy
	if err := json.Unmarshal(rest, &c); err != nil {
		return nil, fmt.Errorf("read second copy of the replay marks: %s: %w", path, err)
	}
	if c.Site != site || c.Number != number {
		return nil, nil
	}
	return &c, nil
}

// RaiseCopy gives the text of a second copy with its epoch moved on by so many (0: as it is), for a machine that takes the
// place of another. The copy may lag, and the other may have gone on after it was taken: in each of its boots since then
// it has used an epoch, none of which should be used again: what was recorded in it would look like now. nil if the copy is
// of another site. path stands for the file in errors.
func RaiseCopy(path string, text []byte, site string, number, by uint16) ([]byte, error) {
	c, err := parseCopy(path, text, site, number)
	if c == nil {
		return nil, err
	}
	for _, m := range c.Marks {
		if err := newWindow().UnmarshalBinary(m.Window); err != nil {
			return nil, fmt.Errorf("read second copy of the replay marks: %s: node %d: %w", path, m.Node, err)
		}
	}
	c.Epoch += by
	if c.Group != 0 {
		c.Group = after(c.Group, uint32(by)<<12) // room for years of beacons; by is drawn, so two restores differ
	}
	return c.marshal()
}

func (c *secondCopy) marshal() ([]byte, error) {
	rest, err := json.Marshal(c)
	if err != nil {
		return nil, err
	}
	return append(fmt.Appendf(nil, copyHead, crc32.Checksum(rest, castagnoli)), rest...), nil
}

// write replaces the file, whole or not at all.
func (c *secondCopy) write(path string) error {
	text, err := c.marshal()
	if err != nil {
		return err
	}
	return wholefile.Write(path, text, wholefile.Options{})
}

// copyState is the second copy's part of ingest.
type copyState struct {
	changed bool
	writing bool
	at      time.Duration // when last begun
}

// addCopy adds what the second copy knows to windows and queue. Marks that were lost there and stand in the copy are not
// lost.
func (in *ingest) addCopy(c *secondCopy, lost [][]byte) ([][]byte, error) {
	for _, m := range c.Marks {
		key := windowKey{m.Space, m.Node, m.Gen}
		w := newWindow()
		if err := w.UnmarshalBinary(m.Window); err != nil {
			return lost, fmt.Errorf("read second copy of the replay marks: %w", err)
		}
		old, _ := in.windows[key].marshal()
		if have := in.windows[key]; have != nil {
			w.Merge(&have.Window)
		}
		merged, err := w.marshal()
		if err != nil {
			return lost, err
		}
		in.windows[key] = w
		if bytes.Equal(old, merged) {
			continue
		}
		if err := in.g.o.Queue.SetMark(key.bytes(), merged); err != nil {
			return lost, fmt.Errorf("take a replay mark from the second copy: %w", err)
		}
		lost = slices.DeleteFunc(lost, func(k []byte) bool { return bytes.Equal(k, key.bytes()) })
	}
	return lost, nil
}

func (w *window) marshal() ([]byte, error) {
	if w == nil {
		return nil, nil
	}
	return w.MarshalBinary()
}

// MergeMarks is the queue's rule for two versions of one replay mark: what either has seen.
func MergeMarks(a, b []byte) ([]byte, error) {
	var wa, wb proto.Window
	if err := errors.Join(wa.UnmarshalBinary(a), wb.UnmarshalBinary(b)); err != nil {
		return nil, fmt.Errorf("merge replay marks: %w", err)
	}
	wa.Merge(&wb)
	return wa.MarshalBinary()
}

// snapshot is the second copy as it should be now.
func (in *ingest) snapshot() *secondCopy {
	r := in.g.o.Roster.Get()
	c := &secondCopy{Site: r.SiteName, Number: r.Site, Epoch: in.epochs.number, Group: in.mesh.group.reserved}
	keys := slices.SortedFunc(maps.Keys(in.windows), func(a, b windowKey) int { return bytes.Compare(a.bytes(), b.bytes()) })
	for _, k := range keys {
		window, _ := in.windows[k].MarshalBinary() // cannot fail
		c.Marks = append(c.Marks, copiedMark{k.space, k.node, k.gen, window})
	}
	return c
}

// saveCopy writes the second copy if it is time to, without waiting.
func (in *ingest) saveCopy() {
	c, now := &in.copy, in.g.o.Clock.Mono()
	if in.g.o.Copy == "" || !c.changed || c.writing || now-c.at < copyEvery {
		return
	}
	c.changed, c.writing, c.at = false, true, now
	in.flights++
	snapshot := in.snapshot()
	go func() { // ends with the write; run waits for its answer
		in.g.results <- commitResult{copied: true, err: snapshot.write(in.g.o.Copy)}
	}()
}

func (in *ingest) copySaved(err error) {
	in.copy.writing = false
	if err != nil {
		in.copy.changed = true // tried again a minute later
		in.g.o.Log.Error("the second copy of the replay marks could not be written", "path", in.g.o.Copy, "err", err)
	}
}

// lastCopy writes the second copy as ingest ends.
func (in *ingest) lastCopy() {
	if in.g.o.Copy != "" && in.copy.changed {
		in.copySaved(in.snapshot().write(in.g.o.Copy))
	}
}
