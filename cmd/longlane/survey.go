package main

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"runtime/debug"
	"sync"
	"time"

	"longlane/gateway/config"
	"longlane/gateway/daemon"
	"longlane/radio/survey"
)

var surveyCommand = command{
	name:  "survey",
	brief: "the walk test at the gate: does this place reach, and what then; with a power-cut test and a drive-through",
	usage: "[--config FILE] [--place TEXT] [--position TEXT]\n" +
		"                       [--record FILE | --new] [--probes N] [--every DURATION]\n" +
		"                       [--plan FILE] [--skip | --anyway] [--json]\n" +
		"       longlane survey --show FILE [--plan FILE] [--json]",
	example: `  longlane survey --config node.toml --place "river gate post" --position "2 m up, upright"
  longlane survey --show /var/lib/longlane-node/survey-20260301-0612.json

It uses the config and the card of longlane node, whose service must be stopped meanwhile. Exit code 0: mount it here, and
no test failed; 1: it is not so, or was not finished; 2: bad usage or config. With --show: 0 if the record can be read.`,
	run: runSurvey,
}

type surveyOptions struct {
	config, show, plan string
	json               bool
	o                  daemon.SurveyOptions
}

const (
	mostProbes = 1000
	leastEvery = time.Second
	mostEvery  = time.Minute
)

func runSurvey(ctx context.Context, c *call) error {
	s := surveyOptions{o: daemon.SurveyOptions{Every: 5 * time.Second}}
	c.StringVar(&s.config, "config", defaultNodeConfig, "the node's configuration `file`")
	c.StringVar(&s.o.Place, "place", "", "the place's name, as `text` for the record")
	c.StringVar(&s.o.Position, "position", "", "how high and how the antenna stands, as `text` for the record")
	c.StringVar(&s.o.File, "record", "", "the record's `file`, to begin or to go on with (default: the newest unfinished one in the state directory, or survey-DATE-TIME.json there)")
	c.BoolVar(&s.o.New, "new", false, "begin a new record, whatever is unfinished")
	c.IntVar(&s.o.Probes, "probes", survey.Enough, "the `number` of probes of a walk test, 20 to 1000")
	c.duration(&s.o.Every, "every", "the least `time` between two probes, 1s to 1m (default: 5s); relays and the law may ask for more")
	c.StringVar(&s.plan, "plan", "", "set beside what is measured what this plan's `file` predicts")
	c.BoolVar(&s.o.Skip, "skip", false, "leave out the power-cut test and the drive-through")
	c.BoolVar(&s.o.Anyway, "anyway", false, "go on to them whatever the walk test says")
	c.StringVar(&s.show, "show", "", "print this record's `file`, and end")
	c.BoolVar(&s.json, "json", false, "print the record as JSON")
	if _, err := c.parse(0); err != nil {
		return err
	}
	if err := s.check(); err != nil {
		return err
	}
	plan, err := readPlan(s.plan)
	if err != nil {
		return err
	}
	if s.show != "" {
		return s.print(c, plan)
	}
	s.o.Plan = plan
	return s.survey(ctx, c)
}

func (s *surveyOptions) check() error {
	const help = "`longlane survey --help` shows an example"
	switch {
	case s.show != "" && (s.o.File != "" || s.o.New || s.o.Skip || s.o.Anyway || s.o.Place != "" || s.o.Position != ""):
		return badUsage("--show only prints a record: of the other options it takes --plan and --json; %s", help)
	case s.o.New && s.o.File != "":
		return badUsage("--new and --record exclude each other: give --record a file that is not there yet; %s", help)
	case s.o.Skip && s.o.Anyway:
		return badUsage("--skip and --anyway exclude each other: one leaves the tests out, the other makes them in any case; %s", help)
	case s.o.Probes < survey.Enough || s.o.Probes > mostProbes:
		return badUsage("--probes: found %d, expected %d to %d: fewer decide nothing; %s", s.o.Probes, survey.Enough, mostProbes, help)
	case s.o.Every < leastEvery || s.o.Every > mostEvery:
		return badUsage("--every: found %v, expected %v to %v; %s", s.o.Every, leastEvery, mostEvery, help)
	}
	return nil
}

func readPlan(path string) (*survey.Plan, error) {
	if path == "" {
		return nil, nil
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, badUsage("--plan: %w", err)
	}
	p, err := survey.ParsePlan(text)
	if err != nil {
		return nil, badUsage("--plan: %s: %w", path, err)
	}
	return p, nil
}

// print shows a record.
func (s *surveyOptions) print(c *call, plan *survey.Plan) error {
	text, err := os.ReadFile(s.show)
	if err != nil {
		return badUsage("--show: %w", err)
	}
	r, err := survey.ParseRecord(text)
	if err != nil {
		return badUsage("--show: %s: %w", s.show, err)
	}
	if w := r.Walk(); plan != nil && w != nil {
		if r.Plan, err = plan.Compare(r.Node.ID, w.Figures); err != nil {
			return badUsage("--plan: %w", err)
		}
	}
	return s.write(c.out, r)
}

func (s *surveyOptions) write(w io.Writer, r *survey.Record) error {
	if !s.json {
		return r.WriteText(w)
	}
	b, err := r.Marshal()
	if err == nil {
		_, err = w.Write(b)
	}
	return err
}

func (s *surveyOptions) survey(ctx context.Context, c *call) error {
	cfg, card, err := config.LoadNode(s.config)
	if err := badConfig(err, "node.toml"); err != nil {
		return err
	}
	t := &teller{out: c.err, bar: newProgress(c.err, "")}
	s.o.Config, s.o.Card, s.o.Program = cfg, card, madeBy()
	s.o.Words, s.o.Line, s.o.Say, s.o.Log = typed(c.in), t.line, t.say, t.logger(max(cfg.Level(), slog.LevelWarn))
	s.o.Show = func(r *survey.Record) { t.show(func() { _ = r.WriteText(c.err) }) }
	run, err := daemon.OpenSurvey(s.o)
	if errors.Is(err, daemon.ErrSurvey) {
		return usageError{err}
	} else if err != nil {
		return err
	}
	defer hurry(s.o.Log)()
	err = run.Run(ctx)
	t.line("")
	switch r := run.Record(); {
	case errors.Is(err, daemon.ErrNodeState):
		return fmt.Errorf("%w. Is `longlane node` running? Stop its service for the time of the survey, and start it again afterwards", err)
	case errors.Is(err, context.Canceled):
		return fmt.Errorf("stopped; the record is in %s, and the same command goes on with it", run.File())
	case err != nil:
		return err
	default:
		if err := s.write(c.out, r); err != nil {
			return err
		}
		if !s.json {
			fmt.Fprintf(c.out, "\nThe record is %s\n", run.File())
		}
		return verdictOf(r)
	}
}

// verdictOf is nil if the place is good and no test failed.
func verdictOf(r *survey.Record) error {
	switch w := r.Walk(); {
	case r.Good():
		return nil
	case w != nil && w.Verdict.Word != survey.Mount && r.Stage == survey.StageDone:
		return fmt.Errorf("done, but the walk test said: %s", w.Verdict.Word)
	case w != nil && w.Verdict.Word != survey.Mount:
		return fmt.Errorf("%s; then give the same command again, or --anyway to go on as it is", w.Verdict.Word)
	}
	return errors.New("the power-cut test failed; the same command makes it again")
}

func madeBy() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "longlane"
	}
	return "longlane " + cmp.Or(info.Main.Version, "of no recorded version")
}

// typed gives the lines that are typed, and is closed at their end. Its goroutine waits for one until the process ends: nothing
// ends a read from a terminal.
func typed(r io.Reader) <-chan string {
	words := make(chan string)
	go func() {
		defer close(words)
		for lines := bufio.NewScanner(r); lines.Scan(); {
			words <- lines.Text()
		}
	}()
	return words
}

// teller writes what goes on above a line that changes, if there is a terminal for it. It is safe for concurrent use.
type teller struct {
	mu  sync.Mutex
	out io.Writer
	bar *progress
	now string // the line that stands there
}

func (t *teller) line(text string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.now = text
	t.draw()
}

func (t *teller) draw() {
	switch {
	case t.bar.w == nil:
	case t.now == "":
		t.bar.clear()
	default:
		line := []rune(t.now)
		t.bar.write(string(line[:min(len(line), t.bar.width-1)]))
	}
}

// show has the line out of the way while something is written.
func (t *teller) show(write func()) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.bar.clear()
	write()
	t.draw()
}

func (t *teller) say(paragraph string) {
	t.show(func() { fmt.Fprint(t.out, survey.Wrap(paragraph, "", "")+"\n") })
}

// Write takes the log.
func (t *teller) Write(b []byte) (n int, err error) {
	t.show(func() { n, err = t.out.Write(b) })
	return n, err
}

// logger tells what goes wrong, on a terminal as notes for whoever stands at the gate, each once, and as a log elsewhere.
func (t *teller) logger(level slog.Level) *slog.Logger {
	if t.bar.w == nil {
		return slog.New(logHandler(t, level, false))
	}
	return slog.New(&notes{t: t, level: level, said: map[string]bool{}})
}

// notes writes a log as sentences.
type notes struct {
	t     *teller
	level slog.Level
	mu    sync.Mutex // protects said
	said  map[string]bool
}

func (n *notes) Enabled(_ context.Context, l slog.Level) bool { return l >= n.level }
func (n *notes) WithAttrs([]slog.Attr) slog.Handler           { return n }
func (n *notes) WithGroup(string) slog.Handler                { return n }

func (n *notes) Handle(_ context.Context, r slog.Record) error {
	text := r.Message
	r.Attrs(func(a slog.Attr) bool {
		text += fmt.Sprintf("; %s: %v", a.Key, a.Value)
		return true
	})
	n.mu.Lock()
	again := n.said[text]
	n.said[text] = true
	n.mu.Unlock()
	if !again {
		n.t.show(func() { fmt.Fprint(n.t.out, survey.Wrap(text, "Note: ", "  ")+"\n") })
	}
	return nil
}
