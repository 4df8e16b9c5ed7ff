package survey

import (
	"reflect"
	"strings"
	"testing"
	"time"

	"longlane/radio/node"
)

// TestCut: what becomes of a power cut, by what is known of the machine and what the air answers.
func TestCut(t *testing.T) {
	answers := func(s *site, c uint32) { s.answered(c, 0) }
	const notBack, noMemory, noAnswer = "not started by itself", "lasting memory did not survive", "No check-in was answered"
	for _, c := range []struct {
		what    string
		start   Start
		typed   []string
		lost    bool
		after   func(*site, uint32)
		want    Outcome // "": it waits still
		how     string
		reasons []string
	}{
		{"waiting", Start{}, nil, false, answers, "", "", nil},
		{"typed something else", Start{}, []string{"what?"}, false, answers, "", "", nil},
		{"ran through", Start{}, []string{"\n"}, false, answers, Passed, RanThrough, nil},
		{"ran through, and then nothing", Start{}, []string{""}, false, nil, Failed, RanThrough, []string{noAnswer}},
		{"skipped", Start{}, []string{" skip\n"}, false, answers, Skipped, "", nil},
		{"restarted", Start{Restarted: true, CameBack: true}, nil, false, answers, Passed, Restarted, nil},
		{"the fifth is answered", Start{Restarted: true, CameBack: true}, nil, false, func(s *site, c uint32) {
			if c == 5 {
				s.answered(c, 0)
			}
		}, Passed, Restarted, nil},
		{"nobody started the node", Start{Restarted: true}, nil, false, answers, Failed, Restarted, []string{notBack}},
		{"memory is gone", Start{Restarted: true, CameBack: true}, nil, true, answers, Failed, Restarted, []string{noMemory}},
		{"all at once", Start{Restarted: true}, nil, true, nil, Failed, Restarted, []string{noAnswer, notBack, noMemory}},
		{"another check-in is answered", Start{Restarted: true, CameBack: true}, nil, false, func(s *site, c uint32) { s.answered(c+1000, 0) }, Failed, Restarted, []string{noAnswer}},
	} {
		s := &site{t: t, now: time.Minute}
		k := NewCut(s.now, options, c.start)
		s.test = k
		if c.after != nil {
			s.after = func(n uint32) { c.after(s, n) }
		}
		if c.lost {
			k.Observed(s.now, node.Observed{What: node.MemoryLost})
		}
		if len(c.typed) > 0 { // while it waits
			s.run(10 * time.Minute)
		}
		for _, line := range c.typed {
			k.Word(line)
		}
		s.run(time.Hour)
		r := k.Result()
		if c.want == "" {
			if r != nil || len(s.asked) > 0 || !s.lines["power cut: waiting for it"] {
				t.Errorf("%s: %+v after %d probes, %v", c.what, r, len(s.asked), s.lines)
			}
			continue
		}
		if r == nil || r.Outcome != c.want || r.How != c.how || len(r.Reasons) != len(c.reasons) {
			t.Errorf("%s: %+v, want %s, %s, %q", c.what, r, c.want, c.how, c.reasons)
			continue
		}
		for i, want := range c.reasons {
			if !strings.Contains(r.Reasons[i], want) {
				t.Errorf("%s: %q, want %q", c.what, r.Reasons[i], want)
			}
		}
		if c.what == "all at once" && len(s.asked) != cutProbes {
			t.Errorf("%d probes, want %d", len(s.asked), cutProbes)
		}
	}
}

// TestDrive: the time of the first opening's receipt counts, and the test is over once the contact rests and nothing is held.
func TestDrive(t *testing.T) {
	made, released, dropped := node.Made, node.Released, node.Dropped
	type step struct {
		at      time.Duration
		what    node.What
		kind    node.Kind
		counter uint32
		age     time.Duration
		line    string
	}
	const ms = time.Millisecond
	for _, c := range []struct {
		what  string
		steps []step
		typed string
		want  *DriveResult
		over  bool
	}{
		{"a visit", []step{
			{10 * time.Second, made, node.Opening, 5, 75 * ms, "drive-through: somebody came; waiting for the receipt"},
			{10400 * ms, released, node.Opening, 5, 475 * ms, "drive-through: receipt after 0.5 s; waiting until the contact rests"},
			{13 * time.Second, made, node.Closing, 6, 75 * ms, "drive-through: receipt after 0.5 s; waiting until the contact rests"},
			{13400 * ms, released, node.Closing, 6, 400 * ms, "drive-through: receipt after 0.5 s; waiting until the contact rests"},
		}, "", &DriveResult{Passed, 2, 0.475}, true},
		{"the contact does not return", []step{
			{10 * time.Second, made, node.Opening, 5, 75 * ms, ""}, {10400 * ms, released, node.Opening, 5, 475 * ms, ""},
		}, "", &DriveResult{Passed, 2, 0.475}, false},
		{"something is held still", []step{
			{9 * time.Second, made, node.FaultEvent, 4, 0, "drive-through: drive or walk through now"},
			{10 * time.Second, made, node.Opening, 5, 75 * ms, ""}, {10400 * ms, released, node.Opening, 5, 475 * ms, ""},
			{13 * time.Second, made, node.Closing, 6, 75 * ms, ""}, {13400 * ms, released, node.Closing, 6, 400 * ms, ""},
		}, "", &DriveResult{Passed, 2, 0.475}, false},
		{"no receipt", []step{{10 * time.Second, made, node.Opening, 5, 75 * ms, ""}, {13 * time.Second, made, node.Closing, 6, 75 * ms, ""}}, "", nil, false},
		{"another's receipt", []step{{10 * time.Second, made, node.Opening, 5, 75 * ms, ""}, {13 * time.Second, released, node.Opening, 4, time.Minute, ""}}, "", nil, false},
		{"lost, and another", []step{
			{10 * time.Second, made, node.Opening, 5, 75 * ms, ""}, {20 * time.Second, dropped, node.Opening, 5, 10 * time.Second, "drive-through: drive or walk through now"},
			{30 * time.Second, made, node.Opening, 7, 75 * ms, ""}, {31 * time.Second, released, node.Opening, 7, time.Second, ""},
		}, "", &DriveResult{Passed, 2, 1}, false},
		{"tripped already", []step{
			{time.Second, made, node.Opening, 5, 75 * ms, "drive-through: the contact stands tripped already; waiting until it rests"},
			{2 * time.Second, released, node.Opening, 5, time.Second, "drive-through: the contact stands tripped already; waiting until it rests"},
			{9 * time.Second, made, node.Closing, 6, 75 * ms, "drive-through: drive or walk through now"},
		}, "", nil, false},
		{"skipped", nil, " skip", &DriveResult{Outcome: Skipped}, true},
		{"typed something else", nil, "", nil, false},
	} {
		began := time.Hour
		d := NewDrive(began)
		for _, s := range c.steps {
			d.Observed(began+s.at, node.Observed{What: s.what, Kind: s.kind, Counter: s.counter, Age: s.age, Input: 2})
			if got := d.Line(began + s.at); s.line != "" && got != s.line {
				t.Errorf("%s: at %v it says %q, want %q", c.what, s.at, got, s.line)
			}
		}
		d.Word(c.typed)
		if got := d.Result(); !reflect.DeepEqual(got, c.want) || d.Over() != c.over {
			t.Errorf("%s: %+v, over %v; want %+v, %v", c.what, got, d.Over(), c.want, c.over)
		}
		if probe, _ := d.Next(began); probe {
			t.Errorf("%s: it wants a probe", c.what)
		}
	}
}
