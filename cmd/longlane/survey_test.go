package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"

	"longlane/proto"
	"longlane/radio/survey"
)

// surveyed reads a record; nil: it is not there, or not whole.
func surveyed(path string) *survey.Record {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil
	}
	r, err := survey.ParseRecord(b)
	if err != nil {
		return nil
	}
	return r
}

// awaitStage waits until the record has come so far.
func (g *gateNode) awaitStage(path string, stage survey.Stage) *survey.Record {
	g.t.Helper()
	var r *survey.Record
	eventually(g.t, 3*time.Minute, fmt.Sprintf("the record to come to %q", stage), func() bool {
		r = surveyed(path)
		return r != nil && r.Stage == stage
	})
	return r
}

func (g *gateNode) startSurvey(args ...string) *process {
	return g.start(append([]string{"survey", "--config", g.path("node.toml"), "--every", "1s"}, args...)...)
}

// told waits until the survey's log has text n times.
func (g *gateNode) told(text string, n int) {
	g.t.Helper()
	eventually(g.t, time.Minute, fmt.Sprintf("%d times in the survey's log: %s", n, text), func() bool {
		return strings.Count(strings.Join(strings.Fields(g.text("survey.log")), " "), text) >= n
	})
}

// cutPower kills a process and waits until the contact's command has ended with it.
func (g *gateNode) cutPower(p *process) {
	g.t.Helper()
	p.kill()
	eventually(g.t, time.Minute, "the contact's command to end with the process that was killed", func() bool { return !runs(g.path("contact")) })
}

// TestSurvey: a place that is good, from the first probe to the drive-through: the gateway, the survey and the node are processes,
// the air between them is a stand-in. The power cut is a kill and another boot id in the record.
func TestSurvey(t *testing.T) {
	t.Parallel()
	g := newGateNode(t)
	g.air.strength([2]float64{-98, 9.5}, [2]float64{-101, 10})
	record := g.path("gate.json")
	p := g.startSurvey("--record", record, "--place", "river gate post", "--position", "2 m up, upright")
	g.say("open")
	r := g.awaitStage(record, survey.StageCut)
	w := r.Walk()
	if w.Verdict.Word != survey.Mount || w.Figures.Probes != 20 || w.Figures.Answered < 19 || len(w.Figures.Neighbours) != 1 {
		t.Fatalf("the walk test: %+v, %+v", w.Verdict, w.Figures)
	}
	n := w.Figures.Neighbours[0]
	// Above a sensitivity of -124.53 dBm (see radio/lora); strengths travel as whole dBm.
	if n.ID != proto.GatewayBase || n.To.Margin == nil || n.From.Margin == nil || n.To.Margin.Median < 26 || n.To.Margin.Median > 27 ||
		n.From.Margin.Median < 23 || n.From.Margin.Median > 24 || n.To.Heard < 19 || n.From.Heard < 19 {
		t.Errorf("the gateway: %+v, there %+v, back %+v", n, n.To.Margin, n.From.Margin)
	}
	g.told("Stand off the lane while you test", 1)
	g.told("Verdict: MOUNT IT HERE", 1)
	g.told("Power-cut test: switch this board's supply off", 1)

	g.cutPower(p) // of this program alone: the machine was not restarted
	p = g.startSurvey("--record", record)
	g.told("Power-cut test: switch this board's supply off", 2)
	g.cutPower(p)
	text, err := os.ReadFile(record)
	if err != nil {
		t.Fatal(err)
	}
	changed := bytes.Replace(text, []byte(`"cut_boot": "`+r.CutBoot), []byte(`"cut_boot": "`+strings.Repeat("0", 32)), 1)
	if bytes.Equal(changed, text) {
		t.Fatalf("the record has no boot to change:\n%s", text)
	}
	if err := os.WriteFile(record, changed, 0o600); err != nil {
		t.Fatal(err)
	}
	g.startNode() // as its service does after a power cut
	g.say("open")
	g.logged(`"msg":"answered"`, 1)
	if code, _, errs := cli("", "survey", "--config", g.path("node.toml"), "--record", record); code != exitFailed || !strings.Contains(errs, "Is `longlane node` running? Stop its service") {
		t.Errorf("while the node runs: exit code %d, %s", code, errs)
	}
	if code := g.node.stop(); code != exitDone {
		t.Errorf("the node ended with %d", code)
	}

	p = g.startSurvey("--record", record)
	g.told("The machine has been restarted", 1)
	g.told("Drive-through: drive or walk through", 1)
	g.awaitStage(record, survey.StageDrive)
	eventually(t, time.Minute, "the contact's command of the drive-through", func() bool { return runs(g.path("contact")) })
	g.say("open")
	time.AfterFunc(3*time.Second, func() { g.fifo.WriteString("closed\n") }) // what stands tripped at the start is no drive-through
	g.event("longlane.trip.opened", "", 0)
	g.say("open")
	if code := p.wait(time.Minute); code != exitDone {
		t.Errorf("the survey ended with %d, want %d", code, exitDone)
	}
	g.event("longlane.trip.closed", "", 0)

	r = surveyed(record)
	if r == nil || r.Stage != survey.StageDone || r.Cut == nil || r.Cut.Outcome != survey.Passed || r.Cut.How != survey.Restarted ||
		r.Drive == nil || r.Drive.Outcome != survey.Passed || r.Drive.Took < 0.07 || r.Drive.Took > 10 {
		t.Fatalf("the record: %+v, %+v, %+v", r, r.Cut, r.Drive)
	}
	if r.Place != "river gate post" || r.Position != "2 m up, upright" || r.Node.Name != "river-gate" || r.Radio.Region != "europe" || !strings.HasPrefix(r.Program, "longlane ") {
		t.Errorf("the record: %+v", r)
	}
	code, out, errs := cli("", "survey", "--show", record)
	for _, want := range []string{"river gate post: node 1 (river-gate)", "Antenna: 2 m up, upright", "Verdict: MOUNT IT HERE", "Power cut: passed; the machine was restarted", "Drive-through: passed; the receipt came "} {
		if code != exitDone || !strings.Contains(out, want) {
			t.Errorf("--show: exit code %d, %s,\n%s\nwant %q", code, errs, out, want)
		}
	}
	code, out, _ = cli("", "survey", "--show", record, "--json")
	if text, err := os.ReadFile(record); err != nil || code != exitDone || out != string(text) {
		t.Errorf("--show --json: exit code %d, %v,\n%s", code, err, out)
	}
	if code, _, errs := cli("", "survey", "--config", g.path("node.toml"), "--record", record); code != exitUsage || !strings.Contains(errs, "gate.json is finished") {
		t.Errorf("a finished record: exit code %d, %s", code, errs)
	}
}

// TestSurveyNotServedByItself: a power cut after which nobody has started the node, which is what the test is there to find.
func TestSurveyNotServedByItself(t *testing.T) {
	t.Parallel()
	g := newGateNode(t)
	record := g.path("gate.json")
	p := g.startSurvey("--record", record, "--anyway") // 12 dB: one step back
	g.awaitStage(record, survey.StageCut)
	g.told("Power-cut test", 1)
	g.told("Verdict: ONE STEP BACK", 1)
	g.cutPower(p)
	r := surveyed(record)
	r.CutBoot = strings.Repeat("0", 32)
	text, err := r.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	g.write("gate.json", string(text))
	if code := g.startSurvey("--record", record).wait(time.Minute); code != exitFailed {
		t.Errorf("exit code %d, want %d", code, exitFailed)
	}
	g.told("The node was not started by itself after the cut", 1)
	if r := surveyed(record); r == nil || r.Stage != survey.StageCut || r.Cut.Outcome != survey.Failed || r.CutBoot == strings.Repeat("0", 32) {
		t.Errorf("the record: %+v", r)
	}
	// It can be made again, and left out.
	if code := g.startSurvey("--record", record, "--skip").wait(time.Minute); code != exitFailed {
		t.Errorf("a failed test and --skip: exit code %d, want %d", code, exitFailed)
	}
	if r := surveyed(record); r == nil || r.Stage != survey.StageDone || r.Cut.Outcome != survey.Failed || r.Drive.Outcome != survey.Skipped {
		t.Errorf("the record: %+v", r)
	}
}

// TestSurveyOnTerminal: on 80 columns, without escapes; Ctrl-C keeps what was measured; the next one goes on in the same record, in the
// state directory, and sets the plan beside it. A board that runs through a cut has its owner press Enter.
func TestSurveyOnTerminal(t *testing.T) {
	t.Parallel()
	g := newGateNode(t)
	term := func(args ...string) *terminal {
		cmd := exec.Command(os.Args[0], append([]string{"survey", "--config", g.path("node.toml"), "--every", "1s"}, args...)...)
		cmd.Env = append(os.Environ(), beProgram+"=1")
		tty, err := pty.StartWithSize(cmd, &pty.Winsize{Rows: 24, Cols: 80})
		if err != nil {
			t.Fatal(err)
		}
		tm := &terminal{cmd: cmd, tty: tty, done: make(chan struct{})}
		go tm.read()
		t.Cleanup(func() {
			tm.cmd.Process.Kill()
			<-tm.done
			tty.Close()
			if t.Failed() {
				t.Logf("%q\n%s", args, tm.text())
			}
		})
		return tm
	}
	await := func(tm *terminal, text string) {
		t.Helper()
		eventually(t, 2*time.Minute, text, func() bool { return strings.Contains(tm.text(), text) })
	}
	end := func(tm *terminal) int {
		t.Helper()
		select {
		case <-tm.done:
		case <-time.After(2 * time.Minute):
			t.Fatal("it has not ended")
		}
		for _, line := range strings.FieldsFunc(tm.text(), func(r rune) bool { return r == '\n' || r == '\r' }) {
			if n := len([]rune(line)); n > 80 && !strings.HasPrefix(line, "longlane survey: ") && !strings.Contains(line, filepath.Dir(g.dir)) || strings.Contains(line, "\x1b") {
				t.Errorf("%d columns: %q", n, line)
			}
		}
		return tm.cmd.ProcessState.ExitCode()
	}
	tm := term("--place", "river gate post")
	await(tm, "keep standing still: 3 of 20 probes, 3 answered, 13 dB from the gateway")
	tm.tty.Write([]byte{3})
	if code := end(tm); code != exitFailed || !strings.Contains(tm.text(), "stopped; the record is in ") {
		t.Errorf("Ctrl-C: exit code %d", code)
	}
	list, err := filepath.Glob(g.path("node-state/survey-*.json"))
	if err != nil || len(list) != 1 {
		t.Fatalf("records %q, %v", list, err)
	}
	r := surveyed(list[0])
	if r == nil || r.Walk() == nil || r.Walk().Verdict.Word != survey.Undecided || r.Walk().Figures.Probes < 3 || r.Stage != survey.StageWalk {
		t.Fatalf("after Ctrl-C the record is %+v", r)
	}

	g.write("plan.json", `{"longlane_plan": 1, "hops": [{"from": 1, "to": 240, "margin_db": 30}, {"from": 240, "to": 1, "margin_db": 14}]}`)
	tm = term("--plan", g.path("plan.json"))
	if code := end(tm); code != exitFailed {
		t.Errorf("one step back: exit code %d, want %d", code, exitFailed)
	}
	flat := strings.Join(strings.Fields(tm.text()), " ")
	for _, want := range []string{"Going on with " + g.path("node-state"), "Walk test no. 2", "Verdict: ONE STEP BACK", "from the gateway to here: 13 dB", "Move by 17 to 34 cm",
		"From here to the gateway planned 30.0 dB, measured 14.0 dB: 16 dB worse than planned", "From the gateway to here planned 14.0 dB, measured 13.0 dB: as planned",
		"longlane survey: one step back; then give the same command again"} {
		if !strings.Contains(flat, want) {
			t.Errorf("it does not say %q", want)
		}
	}

	g.air.strength([2]float64{-98, 9.5}, [2]float64{-101, 10})
	tm = term()
	await(tm, "power cut: waiting for it")
	tm.tty.Write([]byte("\n"))
	await(tm, "drive-through: drive or walk through now")
	tm.tty.Write([]byte("skip\n"))
	if code := end(tm); code != exitDone {
		t.Errorf("mount it here: exit code %d, want %d", code, exitDone)
	}
	if r := surveyed(list[0]); r == nil || r.Stage != survey.StageDone || len(r.Walks) != 3 || r.Place != "river gate post" || r.Cut.Outcome != survey.Passed ||
		r.Cut.How != survey.RanThrough || r.Drive.Outcome != survey.Skipped || len(r.Plan) != 2 || *r.Plan[0].Measured < 26 {
		t.Errorf("the record: %+v", r)
	}
	if strings.Contains(tm.text(), "they are lost") {
		t.Error("between two tests events of the node were lost")
	}
	// The node goes on with its own memory: records beside it are none of it.
	g.startNode()
	g.logged(`"msg":"answered"`, 1)
	if strings.Contains(g.text("node.log"), "lasting memory was missing") {
		t.Error("the node says that its memory is missing")
	}
}

// TestSurveyRefuses: what cannot be, is told, and nothing is written.
func TestSurveyRefuses(t *testing.T) {
	h := newHouse(t, "river-gate")
	text := fmt.Sprintf("card = %q\nstate = %q\n[modem]\ndevice = \"/dev/none\"\nregion = \"europe\"\nfrequency = 869525000\n[[input]]\ncommand = [\"/bin/cat\"]\n",
		h.path("river-gate.card"), h.path("node-state"))
	h.write("node.toml", text)
	h.write("silent.toml", strings.Replace(text, `region = "europe"`, "", 1))
	var card map[string]any
	if err := json.Unmarshal([]byte(h.text("river-gate.card")), &card); err != nil {
		t.Fatal(err)
	}
	card["group_key"] = strings.Repeat("0", 64)
	plain, err := json.Marshal(card)
	if err != nil {
		t.Fatal(err)
	}
	h.write("plain.card", string(plain))
	h.write("plain.toml", strings.Replace(text, h.path("river-gate.card"), h.path("plain.card"), 1))
	site := uint16(card["site"].(float64))
	record := func(name string, change func(r *survey.Record)) {
		r := &survey.Record{Format: survey.Format, Node: survey.Node{Site: site, ID: 1}, Stage: survey.StageWalk,
			Radio: survey.Radio{Region: "europe", Frequency: 869525000, Bandwidth: 125000, SpreadingFactor: 7, CodingRate: 5, Preamble: 8, Power: 14, AntennaGain: 2.15}}
		change(r)
		b, err := r.Marshal()
		if err != nil {
			t.Fatal(err)
		}
		h.write(name, string(b))
	}
	record("other.json", func(r *survey.Record) { r.Node.ID, r.Node.Name = 7, "ridge-gate" })
	record("moved.json", func(r *survey.Record) {
		r.Stage, r.Radio.SpreadingFactor, r.Walks = survey.StageCut, 9, []survey.WalkRecord{{}}
	})
	h.write("notes.json", `{"longlane_survey": 1, "stage": "walk test", "notes": "mine"}`)
	h.write("plan.json", `{"longlane_plan": 1, "sites": []}`)
	h.write("elsewhere.json", `{"longlane_plan": 1, "hops": [{"from": 3, "to": 4, "margin_db": 1}]}`)
	before, err := os.ReadDir(h.dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--config", h.path("silent.toml")}, "silent.toml:3:2: modem.region: found nothing"},
		{[]string{"--config", h.path("plain.toml")}, "no group key"},
		{[]string{"--config", h.path("nowhere.toml")}, "testdata/config/node.toml"},
		{[]string{"--record", h.path("other.json")}, "record of node 7 (ridge-gate)"},
		{[]string{"--record", h.path("moved.json")}, "[modem] has been changed since the walk test"},
		{[]string{"--record", h.path("notes.json")}, `unknown field "notes"`},
		{[]string{"--record", h.path("node.toml")}, "no whole JSON"},
		{[]string{"--plan", h.path("plan.json")}, `unknown field "sites"`},
		{[]string{"--plan", h.path("elsewhere.json")}, "no hop from or to node 1"},
		{[]string{"--plan", h.path("none.json")}, "--plan: open "},
		{[]string{"--probes", "19"}, "--probes: found 19, expected 20 to 1000"},
		{[]string{"--every", "500ms"}, "--every: found 500ms, expected 1s to 1m0s"},
		{[]string{"--new", "--record", "x"}, "--new and --record exclude"},
		{[]string{"--skip", "--anyway"}, "--skip and --anyway exclude"},
		{[]string{"--show", h.path("other.json"), "--skip"}, "--show only prints"},
		{[]string{"--show", h.path("none.json")}, "--show: open "},
		{[]string{"--show", h.path("plan.json")}, "no field longlane_survey"},
		{[]string{"here"}, `unexpected argument "here"`},
	} {
		args := append([]string{"survey", "--config", h.path("node.toml")}, c.args...)
		if code, out, errs := cli("", args...); code != exitUsage || !strings.Contains(errs, c.want) || out != "" {
			t.Errorf("%q: exit code %d, %q, %q; want %d and %q", c.args, code, out, errs, exitUsage, c.want)
		}
	}
	after, err := os.ReadDir(h.dir)
	if err != nil || fmt.Sprint(after) != fmt.Sprint(before) {
		t.Errorf("refusals have left %v, %v", after, err)
	}
}
