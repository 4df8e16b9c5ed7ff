package survey

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"reflect"
	"strings"
	"testing"
)

// gate is a record with all in it.
func gate() *Record {
	moment := When{Time: "2026-03-01T06:12:09Z", Clock: "set", Boot: strings.Repeat("ab", 16), Mono: 812.5}
	later := moment
	later.Time, later.Mono = "2026-03-01T06:14:40Z", 963.5
	probes := make([]Probe, 20)
	for i := range probes {
		c := float64(i)
		probes[i] = Probe{Counter: uint32(i + 1), Sent: 7.5 * c, HeardBy: []Heard{from(3, -101-float64(i%4), 6.5-c/4)}, Heard: []Heard{from(3, -99, 7.25-c/8), from(gw, -119, -4.5)}}
		if i != 7 {
			probes[i].Answered = 7.5*c + 0.4 + c/100
		}
	}
	f := figures(sf7, probes)
	return &Record{Format: Format, Program: "longlane v1.0.0", Place: "river gate post", Position: "2 m up on the post's far side, upright",
		Node:  Node{4711, 1, 2, "river-gate"},
		Radio: Radio{"europe", 869525000, 125000, 7, 5, 8, 14, 2.15, 0.5}, Began: moment, Stage: StageDone,
		Walks: []WalkRecord{{Began: moment, Ended: later, Figures: f, Verdict: Judge(f, Enough), Samples: probes}},
		Cut:   &CutResult{Failed, Restarted, []string{"No check-in was answered after the cut."}}, Drive: &DriveResult{Passed, 0, 5.25},
		Plan: []ComparedHop{{1, 3, 24, &f.Neighbours[0].To.Margin.Median, "12 dB worse than planned"}, {gw, 1, 6, nil, "not measured"}}, Starts: 12, CutBoot: "00"}
}

// TestRecord: what is written is read again, whole; what is not known is refused, and in what words.
func TestRecord(t *testing.T) {
	b, err := gate().Marshal()
	if err != nil {
		t.Fatal(err)
	}
	again, err := ParseRecord(b)
	if err != nil || !reflect.DeepEqual(again, gate()) {
		t.Fatalf("read again: %v\n%+v", err, again)
	}
	change := func(old, new string) string {
		if !strings.Contains(string(b), old) {
			t.Fatalf("the record has no %s:\n%s", old, b)
		}
		return strings.Replace(string(b), old, new, 1)
	}
	for _, c := range []struct{ text, want string }{
		{"", "no whole JSON"},
		{string(b[:len(b)/2]), "no whole JSON"},
		{"{}", "no field longlane_survey, expected a record of longlane survey"},
		{change(`"longlane_survey": 1`, `"longlane_survey": 2`), "format 2, expected format 1"},
		{change(`"program"`, `"programme"`), `unknown field "programme"`},
		{string(b) + "{}", "no whole JSON"},
		{change(`"stage": "done"`, `"stage": "half"`), `stage: found "half"`},
		{change(`"id": 1`, `"id": 0`), "node.id: found 0, expected 1 to 239"},
		{change(`"spreading_factor": 7`, `"spreading_factor": 70`), "radio: spreading factor 70"},
		{change(`"frequency_hz": 869525000`, `"frequency_hz": 0`), "radio.frequency_hz: found 0"},
		{`{"longlane_survey":1,"node":{"id":1},"stage":"power cut","radio":{"frequency_hz":1}}`, "walks: found none"},
	} {
		if _, err := ParseRecord([]byte(c.text)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%.60q: %v, want %q", c.text, err, c.want)
		}
	}
}

// TestRecordSays: whether a place is good, and what is left out by a skip.
func TestRecordSays(t *testing.T) {
	for _, c := range []struct {
		change func(r *Record)
		good   bool
	}{
		{func(r *Record) {}, false}, // the cut has failed, and it is no place to mount
		{func(r *Record) { r.Walks[0].Verdict.Word = Mount }, false},
		{func(r *Record) { r.Cut = nil }, false},
		{func(r *Record) { r.Walks[0].Verdict.Word, r.Cut = Mount, nil }, true},
		{func(r *Record) { r.Walks[0].Verdict.Word, r.Cut.Outcome = Mount, Passed }, true},
		{func(r *Record) { r.Walks, r.Cut = nil, nil }, false},
		{func(r *Record) {
			r.Walks[0].Verdict.Word, r.Cut = Mount, nil
			r.Walks = append(r.Walks, WalkRecord{Verdict: Verdict{Word: Step}})
		}, false},
	} {
		r := gate()
		c.change(r)
		if r.Good() != c.good {
			t.Errorf("good %v, want %v: %+v", r.Good(), c.good, r)
		}
	}
	r := gate()
	r.Cut, r.Drive = nil, nil
	r.Skip()
	if r.Cut.Outcome != Skipped || r.Drive.Outcome != Skipped || r.Stage != StageDone {
		t.Errorf("skipped: %+v", r)
	}
	r = gate()
	if r.Skip(); r.Cut.Outcome != Failed || r.Drive.Outcome != Passed {
		t.Errorf("a skip has changed results: %+v", r)
	}
	now := r.Walks[0].Ended // 151 s after it began; the last probe was sent after 142.5 s
	now.Mono += 30
	ago, relays := r.Earlier(now)
	if len(ago) != 20 || !relays || !near(ago[19].Seconds(), 38.5, 1e-6) || !near(ago[0].Seconds(), 181, 1e-6) {
		t.Errorf("earlier probes: %v, relays %v", ago, relays)
	}
	now.Mono += 3500
	if ago, _ := r.Earlier(now); len(ago) != 9 {
		t.Errorf("of the last hour %d probes, want 9", len(ago))
	}
	if now.Boot = "other"; r.Walks[0].Began.Boot == now.Boot {
		t.Fatal("the boot is the same")
	}
	if ago, _ := r.Earlier(now); ago != nil {
		t.Error("of another boot nobody knows how long ago it was")
	}
	r.Walks[0].Figures.Neighbours = r.Walks[0].Figures.Neighbours[1:]
	if ago, relays := r.Earlier(r.Walks[0].Ended); len(ago) != 20 || relays {
		t.Errorf("without relays: %d, %v", len(ago), relays)
	}
}

var update = flag.Bool("update", false, "write the report into testdata/report.txt")

// TestText: the record as people see it, on 80 columns.
func TestText(t *testing.T) {
	var b bytes.Buffer
	if err := gate().WriteText(&b); err != nil {
		t.Fatal(err)
	}
	const file = "testdata/report.txt"
	if *update {
		if err := os.WriteFile(file, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got := b.String(); got != string(want) {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

// TestTextFits: no line is longer than a terminal is wide, whatever is in the record, and there are no escapes.
func TestTextFits(t *testing.T) {
	long := gate()
	long.Place, long.Position = strings.Repeat("a place with a long name ", 8), strings.Repeat("up ", 60)
	long.Walks[0].Figures.Neighbours[0].ID = gw + 15
	long.Walks[0].Figures.Neighbours[0].To.RSSI = spread(-254, -254)
	long.Walks[0].Figures.Neighbours[0].To.SNR = spread(-31.75, -31.75)
	long.Walks[0].Figures.Neighbours[0].To.Margin = spread(-100, -100)
	long.Walks[0].Figures.Neighbours[0].To.Heard = 1000
	long.Walks[0].Verdict.Reasons = append(long.Walks[0].Verdict.Reasons, strings.Repeat("because ", 40))
	none := gate()
	none.Walks, none.Stage, none.Plan, none.Cut, none.Drive = nil, StageWalk, nil, nil, nil
	deaf := gate()
	deaf.Walks[0].Figures.Neighbours[0] = Neighbour{ID: 3}
	for _, r := range []*Record{gate(), long, none, deaf} {
		var b bytes.Buffer
		if err := r.WriteText(&b); err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(b.String()) {
			if n := len([]rune(line)) - 1; n >= Width || strings.ContainsAny(line, "\x1b\r\t") {
				t.Errorf("%d columns: %q", n, line)
			}
		}
	}
}

// TestPlan: what is not known is refused; each hop of this node is set beside what was measured.
func TestPlan(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"hops", "no whole JSON"},
		{`{"hops": []}`, "no field longlane_plan, expected a plan, such as"},
		{`{"longlane_plan": 3}`, "format 3, expected format 1"},
		{`{"longlane_plan": 1, "sites": []}`, `unknown field "sites"`},
		{`{"longlane_plan": 1, "hops": [{"from": 1, "to": 3, "margin": 4}]}`, `unknown field "margin"`},
		{`{"longlane_plan": 1, "hops": [{"from": 1, "to": 3}]}`, "hops[0].margin_db"},
		{`{"longlane_plan": 1, "hops": [{"from": 1, "to": 3, "margin_db": 201}]}`, "hops[0].margin_db"},
		{`{"longlane_plan": 1, "hops": [{"from": 3, "to": 3, "margin_db": 1}]}`, "two different ids"},
		{`{"longlane_plan": 1, "hops": [{"to": 3, "margin_db": 1}]}`, "from 0 to 3"},
		{`{"longlane_plan": 1, "hops": [{"from": 1, "to": 300, "margin_db": 1}]}`, "300"},
		{`{"longlane_plan": 1, "hops": [{"from": 1, "to": 3, "margin_db": 1},{"from": 1, "to": 3, "margin_db": 1}]}`, "hops[1]: found from 1 to 3 again"},
		{`{"longlane_plan": 1, "hops": []} {}`, "no whole JSON"},
	} {
		if _, err := ParsePlan([]byte(c.text)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.text, err, c.want)
		}
	}
	p, err := ParsePlan([]byte(`{"longlane_plan": 1, "hops": [{"from": 1, "to": 3, "margin_db": 18}, {"from": 3, "to": 1, "margin_db": 6.5},
		{"from": 1, "to": 240, "margin_db": 5}, {"from": 240, "to": 1, "margin_db": -6}, {"from": 3, "to": 240, "margin_db": 30}, {"from": 9, "to": 1, "margin_db": 1}]}`))
	if err != nil {
		t.Fatal(err)
	}
	f := Figures{Neighbours: []Neighbour{way(3, spread(9, 5), spread(14.5, 9)), way(gw, nil, spread(3, 1))}}
	list, err := p.Compare(1, f)
	if err != nil {
		t.Fatal(err)
	}
	got, err := json.Marshal(list)
	if err != nil {
		t.Fatal(err)
	}
	want := `[{"from":1,"to":3,"predicted_db":18,"measured_db":9,"words":"9 dB worse than planned: something stands in the way, or antenna, cable or power are not those of the plan"},` +
		`{"from":3,"to":1,"predicted_db":6.5,"measured_db":14.5,"words":"as planned"},` +
		`{"from":1,"to":240,"predicted_db":5,"words":"not measured: nothing was heard of it"},` +
		`{"from":240,"to":1,"predicted_db":-6,"measured_db":3,"words":"9 dB better than planned"},` +
		`{"from":9,"to":1,"predicted_db":1,"words":"not measured: nothing was heard of it"}]`
	if string(got) != want {
		t.Errorf("compared\n%s\nwant\n%s", got, want)
	}
	if again := CompareAgain(list, 1, f); !reflect.DeepEqual(again, list) {
		t.Errorf("the same figures compared again: %+v", again)
	}
	f.Neighbours[0].To.Margin = spread(20, 12)
	if again := CompareAgain(list, 1, f); *again[0].Measured != 20 || again[0].Predicted != 18 || again[0].Words != "as planned" || *again[1].Measured != 14.5 {
		t.Errorf("other figures compared again: %+v", again)
	}
	if again := CompareAgain(nil, 1, f); again != nil {
		t.Errorf("nothing compared again: %+v", again)
	}
	if _, err := p.Compare(7, f); err == nil || !strings.Contains(err.Error(), "no hop from or to node 7") {
		t.Errorf("a plan without this node: %v", err)
	}
}

// FuzzParse: whatever is accepted is written and read again the same.
func FuzzParse(f *testing.F) {
	b, err := gate().Marshal()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add([]byte(`{"longlane_survey":1,"node":{"id":1},"stage":"walk test","radio":{"frequency_hz":869525000,"spreading_factor":7,"bandwidth_hz":125000,"coding_rate":5}}`))
	f.Add([]byte(`{"longlane_plan": 1, "hops": [{"from": 1, "to": 240, "margin_db": 18.5}]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		if p, err := ParsePlan(b); err == nil {
			_, _ = p.Compare(1, Figures{})
		}
		r, err := ParseRecord(b)
		if err != nil {
			return
		}
		out, err := r.Marshal()
		if err != nil {
			t.Fatal(err)
		}
		again, err := ParseRecord(out)
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		if second, _ := again.Marshal(); !bytes.Equal(out, second) {
			t.Fatalf("written once\n%s\nand again\n%s", out, second)
		}
		if err := r.WriteText(&bytes.Buffer{}); err != nil {
			t.Fatal(err)
		}
	})
}
