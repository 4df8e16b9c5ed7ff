package gateway

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"io"

	"longlane/queue"
)

// What is known of a site's health is more than one value of the queue may hold: some kilobytes for each node. So it is compressed and
// cut into parts. There are two sets of them, written in turn, and which one counts is written last: a kill on the way leaves the
// one before.

// partsOf tells which set counts; it is what is kept under the name itself.
type partsOf struct {
	Set   int `json:"set"` // 0 or 1
	Parts int `json:"parts"`
}

// mostParts bounds what a damaged file can have us read.
const mostParts = 64

func partName(name string, set, i int) string { return fmt.Sprintf("%s.%d.%d", name, set, i) }

// putParts keeps text of any length, and returns the set that it is in; counts is the one in which the text before it is.
func putParts(q Store, name string, text []byte, counts int) (set int, err error) {
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	if _, err := z.Write(text); err != nil {
		return counts, err
	}
	if err := z.Close(); err != nil {
		return counts, err
	}
	p := partsOf{Set: 1 - counts}
	for left := b.Bytes(); len(left) > 0; p.Parts++ {
		n := min(len(left), queue.MaxValue)
		if err := q.Put(partName(name, p.Set, p.Parts), left[:n]); err != nil {
			return counts, err
		}
		left = left[n:]
	}
	head, _ := json.Marshal(p) // numbers: cannot fail
	if err := q.Put(name, head); err != nil {
		return counts, err
	}
	return p.Set, nil
}

// getParts gives what putParts has kept, and the set in which it is; nil if that is nothing.
func getParts(q Store, name string) (text []byte, set int, err error) {
	head, err := q.Get(name)
	if err != nil || len(head) == 0 {
		return nil, 0, err
	}
	var p partsOf
	if err := json.Unmarshal(head, &p); err != nil || p.Set&^1 != 0 || p.Parts < 1 || p.Parts > mostParts {
		return nil, 0, fmt.Errorf("read %s: %.60q does not tell in how many parts it is kept", name, head)
	}
	var all []byte
	for i := range p.Parts {
		part, err := q.Get(partName(name, p.Set, i))
		if err != nil {
			return nil, p.Set, err
		}
		all = append(all, part...)
	}
	z, err := gzip.NewReader(bytes.NewReader(all))
	if err == nil {
		text, err = io.ReadAll(io.LimitReader(z, mostParts*queue.MaxValue)) // its check sum is the last thing read
	}
	if err != nil {
		return nil, p.Set, fmt.Errorf("read %s: its %d parts do not fit together: %w", name, p.Parts, err)
	}
	return text, p.Set, nil
}
