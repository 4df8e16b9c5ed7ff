package queue

import (
	"flag"
	"os"
	"slices"
	"testing"
)

var update = flag.Bool("update", false, "write testdata/format-1.db anew; never after that format was released")

const golden = "testdata/format-1.db"

// buildGolden fills a queue so that each bucket of the format is in use.
func buildGolden(t *testing.T, path string) {
	q := openTest(t, path, Options{MaxBytes: minMaxBytes})
	broker := mustSink(t, q, "broker", SinkOptions{Required: true})
	hook := mustSink(t, q, "webhook", SinkOptions{})
	node := func(c uint32) *Mark { return &Mark{[]byte("river gate"), c} }
	mustAppend(t, q, Record{Priority: Alarm, Value: []byte("trip 1"), Mark: node(1), Aside: true})
	mustAppend(t, q, Record{Priority: Routine, Value: []byte("check-in 2"), Mark: node(2)})
	mustAppend(t, q, Record{Priority: Notice, Value: []byte("fault 3"), Mark: &Mark{[]byte("ridge gate"), 9}})
	mustAppend(t, q, Record{Priority: Alarm, Value: []byte("trip 4"), Aside: true, Mark: node(4)})
	mustAppend(t, q, Record{Priority: Alarm, Value: nil})
	mustAppend(t, q, Record{Priority: Alarm, Value: []byte("trip 6"), Settle: []Seq{4}})
	if err := hook.Park(3, "refused with status 400"); err != nil {
		t.Fatal(err)
	}
	broker.Ack(2)
	broker.Ack(5)
	hook.Ack(2)
	if err := q.Put("epoch", []byte{0, 0, 0, 3}); err != nil {
		t.Fatal(err)
	}
	closeTest(t, q)
}

// A file of format 1, written once and kept, still reads as it was meant.
func TestFormat1(t *testing.T) {
	if *update {
		path := tempPath(t)
		buildGolden(t, path)
		raw, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(golden, raw, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	raw, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	path := tempPath(t)
	if err := os.WriteFile(path, raw, fileMode); err != nil { // a checkout does not keep 0600
		t.Fatal(err)
	}
	if err := Check(path); err != nil {
		t.Fatal(err)
	}
	q := openTest(t, path, Options{MaxBytes: minMaxBytes})
	wantSinks := []SinkInfo{{"broker", true, 4, 1, 0}, {"webhook", false, 4, 1, 0}}
	if got := q.Sinks(); !slices.Equal(got, wantSinks) {
		t.Errorf("sinks %+v, want %+v", got, wantSinks)
	}
	broker, hook := mustSink(t, q, "broker", SinkOptions{Required: true}), mustSink(t, q, "webhook", SinkOptions{})
	wantSeqs(t, broker, Alarm, 1, 4, 6)
	wantSeqs(t, broker, Notice, 3)
	wantSeqs(t, broker, Routine)
	wantSeqs(t, hook, Alarm, 1, 4, 5, 6)
	wantSeqs(t, hook, Notice)
	for i, want := range []string{"trip 1", "trip 4", "", "trip 6"} {
		if items := mustNext(t, hook, Alarm, 0, 9); string(items[i].Value) != want {
			t.Errorf("alarm %d is %q, want %q", i, items[i].Value, want)
		}
	}
	if m := readMarks(t, q); len(m) != 2 || m["river gate"] != 4 || m["ridge gate"] != 9 {
		t.Errorf("marks %v", m)
	}
	if v, err := q.Get("epoch"); string(v) != "\x00\x00\x00\x03" || err != nil {
		t.Errorf("epoch %x, %v", v, err)
	}
	if a, err := q.Aside(); err != nil || len(a) != 1 || a[0].Seq != 1 || string(a[0].Value) != "trip 1" {
		t.Errorf("aside %+v, %v", a, err)
	}
	d, err := q.Dead()
	if err != nil || len(d) != 1 || d[0].Seq != 3 || d[0].Sink != "webhook" || d[0].Reason != "refused with status 400" || string(d[0].Value) != "fault 3" {
		t.Errorf("dead %+v, %v", d, err)
	}
	if q.ID() == [16]byte{} {
		t.Error("id is zero")
	}
	if s := mustAppend(t, q, Record{}); s != 7 {
		t.Errorf("next number %d, want 7", s)
	}
}
