package daemon

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"

	"longlane/gateway"
	"longlane/gateway/config"
	"longlane/gateway/wholefile"
	"longlane/proto"
	"longlane/radio/contact"
	"longlane/radio/node"
	"longlane/radio/survey"
)

// ErrSurvey is wrapped by OpenSurvey's errors about what was asked for: a record that is not one, of another node, finished.
var ErrSurvey = errors.New("no survey")

// SurveyOptions say what is surveyed, and who hears of it.
type SurveyOptions struct {
	Config  *config.Node
	Card    node.Card
	Program string // name and version, for the record

	File     string // the record; "": the newest unfinished one in the state directory, or a new one there
	New      bool   // with File "": a new one
	Place    string
	Position string
	Plan     *survey.Plan // nil: none
	Probes   int
	Every    time.Duration
	Skip     bool // end after the walk test
	Anyway   bool // go on to the tests whatever the walk test says

	Words <-chan string // lines that the owner types
	Line  func(line string)
	Say   func(paragraph string)
	Show  func(r *survey.Record) // once a walk test is over that tests follow
	Log   *slog.Logger
}

// Survey is the walk test at the gate, on the node's own board, and the tests that follow it. While a test is under way the node
// does all that it does otherwise.
type Survey struct {
	o       SurveyOptions
	clock   gateway.Clock
	record  *survey.Record
	path    string
	written bool // a file of this name is ours
}

const (
	recordPrefix = "survey-"
	recordSuffix = ".json"
)

func isRecord(name string) bool {
	return strings.HasPrefix(name, recordPrefix) && strings.HasSuffix(name, recordSuffix)
}

// OpenSurvey begins a record or goes on with one. It writes nothing.
func OpenSurvey(o SurveyOptions) (*Survey, error) {
	clock, err := gateway.SystemClock()
	if err != nil {
		return nil, err
	}
	s := &Survey{o: o, clock: clock, path: o.File}
	if o.Card.GroupKey == ([proto.KeySize]byte{}) {
		return nil, fmt.Errorf("%w: the card of %s has no group key, so nobody can be asked how he hears this place; make a new one with: longlane enrol rekey %s", ErrSurvey, o.Card.Name, o.Card.Name)
	}
	if o.Plan != nil {
		if _, err := o.Plan.Compare(o.Card.Node, survey.Figures{}); err != nil {
			return nil, fmt.Errorf("%w: %w", ErrSurvey, err)
		}
	}
	if o.File != "" {
		err = s.openFile()
	} else {
		err = s.openState()
	}
	if err == nil && s.record == nil {
		s.begin()
	}
	return s, err
}

// openFile goes on with the record of that name, if there is one.
func (s *Survey) openFile() error {
	r, err := readRecord(s.path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return fmt.Errorf("%w: %w; it is left as it is", ErrSurvey, err)
	case !s.mine(r):
		return fmt.Errorf("%w: %s is the record of node %d (%s) of site %d, and this is node %d of site %d", ErrSurvey, s.path, r.Node.ID,
			r.Node.Name, r.Node.Site, s.o.Card.Node, s.o.Card.Site)
	case r.Stage == survey.StageDone:
		return fmt.Errorf("%w: %s is finished; give a new one another name", ErrSurvey, s.path)
	}
	return s.goOn(r)
}

// openState looks for an unfinished record in the state directory, the newest if there are several.
func (s *Survey) openState() error {
	dir := s.o.Config.State
	var newest *survey.Record
	var at time.Time
	list, err := os.ReadDir(dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("look for records: %w", err)
	}
	for _, e := range list {
		info, err := e.Info()
		if err != nil || !isRecord(e.Name()) || s.o.New {
			continue
		}
		path := filepath.Join(dir, e.Name())
		r, err := readRecord(path)
		switch {
		case err != nil:
			s.o.Log.Warn("a record is passed over", "err", err)
		case s.mine(r) && r.Stage != survey.StageDone && (newest == nil || info.ModTime().After(at)):
			newest, at, s.path = r, info.ModTime(), path
		}
	}
	if newest != nil {
		return s.goOn(newest)
	}
	stem := filepath.Join(dir, recordPrefix+s.clock.Wall().UTC().Format("20060102-1504"))
	s.path = stem + recordSuffix
	for i := 2; ; i++ {
		if _, err := os.Lstat(s.path); errors.Is(err, fs.ErrNotExist) {
			return nil
		} else if err != nil {
			return fmt.Errorf("look for records: %w", err)
		}
		s.path = fmt.Sprintf("%s-%d%s", stem, i, recordSuffix)
	}
}

func readRecord(path string) (*survey.Record, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	r, err := survey.ParseRecord(b)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return r, nil
}

func (s *Survey) mine(r *survey.Record) bool {
	return r.Node.Site == s.o.Card.Site && r.Node.ID == s.o.Card.Node
}

func (s *Survey) goOn(r *survey.Record) error {
	if r.Stage != survey.StageWalk && r.Radio != s.radio() {
		return fmt.Errorf("%w: [modem] has been changed since the walk test of %s, which tells nothing of how it is set now: begin a new record", ErrSurvey, s.path)
	}
	r.Radio, r.Program, s.record, s.written = s.radio(), s.o.Program, r, true
	if s.o.Place != "" {
		r.Place = s.o.Place
	}
	if s.o.Position != "" {
		r.Position = s.o.Position
	}
	s.o.Say(fmt.Sprintf("Going on with %s: %s.", s.path, r.Stage))
	return nil
}

func (s *Survey) begin() {
	c := s.o.Card
	s.record = &survey.Record{Format: survey.Format, Program: s.o.Program, Place: s.o.Place, Position: s.o.Position,
		Node: survey.Node{Site: c.Site, ID: c.Node, Gen: c.Gen, Name: c.Name}, Radio: s.radio(), Began: s.when(), Stage: survey.StageWalk,
		Walks: []survey.WalkRecord{}}
	s.o.Say(survey.Caution)
}

func (s *Survey) radio() survey.Radio {
	m := s.o.Config.Modem
	return survey.Radio{Region: m.Region, Frequency: m.Frequency, Bandwidth: m.Bandwidth, SpreadingFactor: m.SpreadingFactor,
		CodingRate: m.CodingRate, Preamble: m.Preamble, Power: m.Power, AntennaGain: m.AntennaGain, CableLoss: m.CableLoss}
}

func (s *Survey) boot() string { return hex.EncodeToString(s.clock.Boot[:]) }

func (s *Survey) when() survey.When {
	w := survey.When{Clock: "unset", Boot: s.boot(), Mono: math.Round(s.clock.Mono().Seconds()*1000) / 1000}
	if s.clock.Set() {
		w.Time, w.Clock = s.clock.Wall().UTC().Format(time.RFC3339), "set"
	}
	return w
}

// Record is as far as it has come.
func (s *Survey) Record() *survey.Record { return s.record }

// File is where the record stands, once Run has begun.
func (s *Survey) File() string { return s.path }

func (s *Survey) save() error {
	b, err := s.record.Marshal()
	if err != nil {
		return fmt.Errorf("write the record: %w", err)
	}
	if err := wholefile.Write(s.path, b, wholefile.Options{New: !s.written}); err != nil {
		return err
	}
	s.written = true
	return nil
}

// Run makes the tests that remain, until one has an outcome that asks for something to be done first, or ctx ends. The record is on
// the disk whatever happens. Its error is that of ctx if it was stopped.
func (s *Survey) Run(ctx context.Context) error {
	for s.record.Stage != survey.StageDone {
		goesOn, err := s.stage(ctx)
		if s.written { // else it did not even begin
			err = errors.Join(err, s.save())
		}
		if err != nil || !goesOn {
			return err
		}
	}
	return nil
}

// stage makes the test that comes next, and reports whether to go on to the one after it.
func (s *Survey) stage(ctx context.Context) (goesOn bool, err error) {
	r := s.record
	if s.o.Skip && r.Stage != survey.StageWalk {
		r.Skip()
		return true, nil
	}
	if r.Stage == survey.StageDrive && len(s.o.Config.Input) == 0 {
		r.Drive, r.Stage = &survey.DriveResult{Outcome: survey.None}, survey.StageDone
		return true, nil
	}
	events := make(chan event, 64)
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	tell := func(e event) {
		e.at = contact.Now()
		select {
		case events <- e:
		case <-ctx.Done():
		}
	}
	n, err := newNode(s.o.Config, s.o.Card, s.o.Log, nodeHooks{
		observed: func(o node.Observed) { tell(event{observed: &o}) },
		sent:     func(t node.Transmit, err error) { tell(event{sent: &t, err: err}) },
		saved:    func() { tell(event{}) }})
	if err != nil {
		return false, err
	}
	if err := s.save(); err != nil {
		return false, errors.Join(err, n.shut())
	}
	p := &play{s: s, node: n, events: events}
	switch r.Stage {
	case survey.StageWalk:
		return s.walk(ctx, cancel, p)
	case survey.StageCut:
		return s.cut(ctx, cancel, p)
	}
	return s.drive(ctx, cancel, p)
}

func (s *Survey) options() survey.Options {
	m := s.o.Config.Modem
	o := survey.Options{Settings: m.Settings(), Probes: s.o.Probes, Every: s.o.Every}
	if band, err := m.Band(); err == nil { // else newNode has refused it
		o.Budget = band.Budget()
	}
	o.Earlier, o.Relays = s.record.Earlier(s.when())
	return o
}

// slowWalk is longer than anybody stands still.
const slowWalk = 15 * time.Minute

func (s *Survey) walk(ctx context.Context, end context.CancelFunc, p *play) (goesOn bool, err error) {
	o := s.options()
	takes := o.Takes()
	s.o.Say(fmt.Sprintf("Walk test: %d probes, about %v where there are relays, and less where there are none. Hold the antenna where it is to be mounted, and as it is to stand; step aside, so that "+
		"you are not in its way, and stand still.", o.Probes, takes.Round(10*time.Second)))
	if takes > slowWalk {
		s.o.Say(fmt.Sprintf("That is long since at SF%d little lawful airtime is left for answers. A faster setting, at both ends for the time of the test, "+
			"shortens it: each step of the spreading factor changes what is needed by 2.5 dB.", o.Settings.SpreadingFactor))
	}
	r, began := s.record, s.when()
	w := survey.NewWalk(contact.Now(), o)
	err = p.run(ctx, end, w)
	k := w.Record(began, s.when())
	if k.Figures.Probes > 0 {
		r.Walks = append(r.Walks, k)
	}
	if err != nil {
		return false, err
	}
	if s.o.Plan != nil {
		r.Plan, err = s.o.Plan.Compare(r.Node.ID, k.Figures)
	} else {
		r.Plan = survey.CompareAgain(r.Plan, r.Node.ID, k.Figures)
	}
	if err != nil {
		return false, err
	}
	if k.Verdict.Word != survey.Mount && !s.o.Anyway {
		return false, nil
	}
	r.Stage, r.Starts, r.CutBoot = survey.StageCut, p.node.starts, s.boot()
	if !s.o.Skip {
		s.o.Show(r)
	}
	return true, nil
}

func (s *Survey) cut(ctx context.Context, end context.CancelFunc, p *play) (goesOn bool, err error) {
	r, starts := s.record, max(p.node.starts, 1) // as it is now that memory was lost
	start := survey.Start{Restarted: r.CutBoot != s.boot(), CameBack: p.node.starts == 0 || starts > r.Starts+1}
	if start.Restarted {
		s.o.Say("The machine has been restarted: the power cut is over. Now the gateway must answer.")
	} else {
		p.saved = func() error { // the node's starts are counted now, and the power may go
			r.Starts = starts
			err := s.save()
			s.o.Say("Power-cut test: switch this board's supply off, wait for ten seconds, and switch it on again. Once the board is up stop the node's " +
				"service again and give the same command: it goes on from here. If the board has a battery of its own and runs through, press Enter " +
				"when the supply is back. To leave this test out type skip and press Enter.")
			return err
		}
	}
	c := survey.NewCut(contact.Now(), s.options(), start)
	err = p.run(ctx, end, c)
	if c.Result() == nil {
		return false, err
	}
	r.Cut = c.Result()
	if r.Cut.Outcome == survey.Failed { // and may be made again
		r.Starts, r.CutBoot = starts, s.boot()
		return false, err
	}
	r.Stage = survey.StageDrive
	return true, err
}

func (s *Survey) drive(ctx context.Context, end context.CancelFunc, p *play) (goesOn bool, err error) {
	s.o.Say("Drive-through: drive or walk through as a visitor does. The house will hear it. To leave this test out type skip and press Enter.")
	d := survey.NewDrive(contact.Now())
	if err = p.run(ctx, end, d); d.Result() == nil {
		return false, err
	}
	s.record.Drive, s.record.Stage = d.Result(), survey.StageDone
	if errors.Is(err, context.Canceled) {
		err = nil // the owner did not wait until the contact rests
	}
	return true, err
}

// event is what the node tells while it runs: what it observed, or what became of a frame, or that its memory is written.
type event struct {
	at       time.Duration
	observed *node.Observed
	sent     *node.Transmit
	err      error
}

// test is what a survey plays.
type test interface {
	Next(now time.Duration) (probe bool, wake time.Duration)
	Sent(now time.Duration, t node.Transmit, err error)
	Observed(now time.Duration, o node.Observed)
	Over() bool
	Line(now time.Duration) string
}

// play runs the node for one test.
type play struct {
	s      *Survey
	node   *Node
	events <-chan event
	saved  func() error // called once, after the first write of the node's memory; may be nil
	held   int          // events of the node without a receipt
}

// run plays t until it is over. When it returns the node has ended, and what it stands on is closed.
func (p *play) run(ctx context.Context, end context.CancelFunc, t test) error {
	done := make(chan error, 1)
	go func() { done <- p.node.Run(ctx) }() // ends with ctx; it is waited for
	ended, err := p.loop(ctx, t, done)
	end()
	p.s.o.Line("")
	if !ended {
		err = errors.Join(err, <-done)
	}
	return err
}

const (
	// tick is how often the line is shown anew.
	tick = time.Second
	// parting is how long the node may go on after a test, for what it holds is lost when it ends.
	parting = 5 * time.Second
)

// loop reports as well whether the node has ended.
func (p *play) loop(ctx context.Context, t test, done <-chan error) (ended bool, err error) {
	words := p.s.o.Words
	typed, _ := t.(interface{ Word(line string) })
	var leave time.Duration // when to end, since the test is over
	for {
		now := contact.Now()
		probe, wake := t.Next(now)
		switch {
		case t.Over() && leave == 0:
			leave = now + parting
		case probe && leave == 0:
			p.node.unit.Probe()
		}
		if leave > 0 {
			if wake = leave; p.held <= 0 || now >= leave {
				return false, nil
			}
		}
		p.s.o.Line(t.Line(now))
		timer := time.NewTimer(min(wake-now, tick))
		select {
		case <-ctx.Done():
			err = ctx.Err()
		case err := <-done:
			timer.Stop()
			return true, err
		case e := <-p.events:
			err = p.take(t, e)
		case line, ok := <-words:
			if !ok {
				words = nil // nobody types any more
			} else if typed != nil {
				typed.Word(line)
			}
		case <-timer.C:
		}
		timer.Stop()
		if err != nil {
			return false, err
		}
	}
}

// take hands an event to the test.
func (p *play) take(t test, e event) (err error) {
	switch {
	case e.sent != nil:
		t.Sent(e.at, *e.sent, e.err)
	case e.observed != nil:
		switch e.observed.What {
		case node.Made:
			p.held++
		case node.Released, node.Dropped:
			p.held--
		}
		t.Observed(e.at, *e.observed)
	case p.saved != nil:
		err = p.saved()
		p.saved = nil
	}
	return err
}
