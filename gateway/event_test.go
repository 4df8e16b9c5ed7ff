package gateway

import (
	"bytes"
	"encoding/hex"
	"flag"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"longlane/proto"
)

func someEvents() []*Event {
	rx := Reception{Boot: [16]byte{1, 2, 3, 15: 16}, Mono: 123456789 * time.Microsecond, Wall: time.Unix(0, 1790000000123456789), Set: true,
		Bearer: "lora", Measured: true, RSSI: -97.5, SNR: 4.25}
	unset := Reception{Boot: [16]byte{9}, Mono: time.Second, Wall: time.Unix(60, 0), Bearer: "wifi"}
	ours := func(r Reception) Reception { // a notice came by no bearer; what it is about stands in that place
		r.Bearer = ""
		return r
	}
	return []*Event{
		{kind: kindFrame, ID: ID{3, 1, 70001}, Fresh: proto.Late, Late: 40 * time.Second, Rx: rx, Frame: []byte{0x21, 0x07, 0xab, 0xcd, 3, 1}},
		{kind: kindFrame, ID: ID{239, 255, math.MaxUint32}, Fresh: proto.Unproven, Rx: unset, Frame: []byte{1}},
		{kind: kindFrame, ID: ID{3, 1, 70002}, Late: -12 * time.Second, Rx: rx, Frame: []byte{0x21, 0x06}, proven: 0x05},
		{kind: kindCorrection, ID: ID{3, 1, 2}, Rx: unset, Frame: []byte{0x21, 0x07}},
		{kind: kindNotice, ID: ID{0, 7, 12}, Rx: ours(rx), Notice: Notice{Code: NoticeHeldBack, Ended: true, Node: 3, Zone: "river-gate", about: "lora", Detail: "event 3.1.70001 was kept"}},
		{kind: kindNotice, ID: ID{0, 7, 13}, Rx: ours(unset), Notice: Notice{Code: NoticeSetAside, about: "wifi"}},
		{kind: kindNoticeTime, ID: ID{0, 7, 14}, Rx: ours(unset), Notice: Notice{Code: NoticeBearerDown, about: "wifi", Detail: "mast"}},
	}
}

func TestRecordRoundTrip(t *testing.T) {
	for i, e := range someEvents() {
		got, err := parseEvent(e.append(nil))
		if err != nil {
			t.Errorf("parse(append(%d)): %v", i, err)
			continue
		}
		if !got.Rx.Wall.Equal(e.Rx.Wall) {
			t.Errorf("event %d: wall time %v, want %v", i, got.Rx.Wall, e.Rx.Wall)
		}
		got.Rx.Wall, e.Rx.Wall = time.Time{}, time.Time{}
		if !reflect.DeepEqual(got, e) {
			t.Errorf("event %d: read\n%+v, want\n%+v", i, got, e)
		}
		if got.id() != e.id() {
			t.Errorf("event %d: id %q, want %q", i, got.id(), e.id())
		}
	}
}

func TestRecordBoundaries(t *testing.T) {
	e := someEvents()[0]
	for _, c := range []struct{ in, out time.Duration }{
		{97 * 24 * time.Hour, 97 * 24 * time.Hour}, // the most there is: half of what a send time tells
		{300 * 24 * time.Hour, math.MaxInt32 * lateUnit}, {-300 * 24 * time.Hour, math.MinInt32 * lateUnit}} {
		e.Late = c.in
		if got, err := parseEvent(e.append(nil)); err != nil || got.Late != c.out {
			t.Errorf("late %v reads back as %v (%v), want %v", c.in, got.Late, err, c.out)
		}
	}
	n := someEvents()[4]
	n.Notice.Zone, n.Notice.Detail = strings.Repeat("z", 300), strings.Repeat("d", 1000)
	if got, err := parseEvent(n.append(nil)); err != nil || len(got.Notice.Zone) != 255 || len(got.Notice.Detail) != 1000 {
		t.Errorf("long texts: %v", err)
	}
}

// Every record cut short, and every one of another version or kind, is refused.
func TestRecordRefusals(t *testing.T) {
	for i, e := range someEvents() {
		b := e.append(nil)
		for n := range recordFixed + 1 {
			if _, err := parseEvent(b[:n]); err == nil {
				t.Errorf("event %d cut to %d bytes was read", i, n)
			}
		}
		if !bytes.Equal(b, e.append(nil)) {
			t.Fatalf("event %d: what lies behind the bytes to be read was written to", i)
		}
		for at, bad := range map[int]byte{0: 2, 1: 5, 2: 3, 3: 4} {
			c := bytes.Clone(b)
			c[at] = bad
			if _, err := parseEvent(c); err == nil {
				t.Errorf("event %d with byte %d = %d was read", i, at, bad)
			}
		}
	}
}

var update = flag.Bool("update-golden", false, "write the golden records anew")

// The records on people's disks are of this very form: it changes only under another version.
func TestRecordGolden(t *testing.T) {
	path := filepath.Join("testdata", "records-1.hex")
	var lines []string
	for _, e := range someEvents() {
		lines = append(lines, hex.EncodeToString(e.append(nil)))
	}
	got := strings.Join(lines, "\n") + "\n"
	if *update {
		writeFile(t, path, got)
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("stored form\n%swant\n%s", got, want)
	}
}

func FuzzRecord(f *testing.F) {
	for _, e := range someEvents() {
		f.Add(e.append(nil))
		odd := e.append(nil)
		odd[47], odd[48], odd[49] = 0x7f, 0x88, 0x30 // a signalling NaN, which does not survive conversion
		f.Add(odd)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		in := bytes.Clone(b)
		e, err := parseEvent(b)
		if !bytes.Equal(in, b) {
			t.Fatalf("parse changed its input")
		}
		if err != nil {
			return
		}
		if got := e.append(nil); !bytes.Equal(got, b) {
			t.Fatalf("read and written again\n%x, want\n%x", got, b)
		}
	})
}

// What sits in a record is authenticated again before it is delivered: a bit that changed on the disk is seen.
func TestRecordIsAuthenticatedAgain(t *testing.T) {
	w := newWorldWithoutQueue(t)
	n := w.node("river-gate")
	f := n.seal(proto.Header{Type: proto.TypeTripOpened, HopsLeft: 7, Site: w.roster.Site, Node: n.id, Gen: n.gen, Counter: 5},
		&proto.TripOpened{Sent: proto.SendTime{Seconds: proto.NoTime}})
	e := &Event{kind: kindFrame, ID: ID{n.id, n.gen, 5}, Frame: f}
	if err := e.open(w.roster); err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	for range 500 {
		if err := (&Event{kind: kindFrame, ID: e.ID, Frame: flip(rng, f)}).open(w.roster); err == nil {
			t.Fatal("a changed frame was opened")
		}
	}
	if err := (&Event{kind: kindFrame, ID: ID{n.id, n.gen, 5 + 65536}, Frame: f}).open(w.roster); err == nil {
		t.Error("a frame was opened under another counter")
	}
	if err := (&Event{kind: kindFrame, ID: ID{n.id + 1, n.gen, 5}, Frame: f}).open(w.roster); err == nil {
		t.Error("a frame was opened under another node's id")
	}
}
