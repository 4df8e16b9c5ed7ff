package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"time"

	"longlane/gateway/config"
	"longlane/radio/ether"
	"longlane/radio/modem"
	"longlane/radio/node"
	"longlane/radio/serialport"
)

var simCommand = command{
	name:  "sim",
	brief: "drive virtual nodes: behind a virtual modem on a real pty, or as fast as can be, with a report",
	usage: "--scenario FILE --modem PATH [--out FILE] [--for DURATION] [--drain] [--seed N]\n" +
		"       longlane sim --fast --scenario FILE [--for DURATION] [--seed N] [--json] [--chart FILE] [--out FILE]",
	example: `  longlane sim --scenario orchard.toml --modem /tmp/modem --out sim.jsonl
  (a copy of testdata/sim/hill-orchard.toml with its nodes' cards beside it; the gateway's config says
  device = "/tmp/modem")

  longlane sim --fast --scenario testdata/sim/meadow.toml --for 365d --chart year.svg
  (a year of 50 gates, rehearsed with the gateway's own core; no card and no config is needed)`,
	run: simulate,
}

type simOptions struct {
	scenario, modem, out, memory string
	length                       time.Duration
	drain, fast, json            bool
	seed                         uint64
	chart                        string
}

func simulate(ctx context.Context, c *call) error {
	var o simOptions
	c.StringVar(&o.scenario, "scenario", "", "the scenario `file`")
	c.StringVar(&o.modem, "modem", "", "make this `path` a link to the virtual modem's tty")
	c.StringVar(&o.out, "out", "", "the `file` for what happened, one JSON line each; - is standard output, which is the default behind a pty")
	c.StringVar(&o.memory, "memory", "", "the `directory` of the nodes' lasting memory (default: the scenario's own)")
	c.duration(&o.length, "for", "end after this `time`, such as 5s, 2m or 365d; with --fast it is a day unless given")
	c.BoolVar(&o.drain, "drain", false, "end once no more trips come and none waits for its receipt")
	c.Uint64Var(&o.seed, "seed", 0, "use this `number` instead of the scenario's seed")
	c.BoolVar(&o.fast, "fast", false, "rehearse nodes and gateway in virtual time, as fast as can be, and report")
	c.BoolVar(&o.json, "json", false, "with --fast: print the report as JSON")
	c.StringVar(&o.chart, "chart", "", "with --fast: draw the report into this `file`, which ends in .svg or .png")
	if _, err := c.parse(0); err != nil {
		return err
	}
	if err := o.check(); err != nil {
		return err
	}
	doc, sc, err := readScenario(o.scenario)
	if err != nil {
		return err
	}
	if o.seed == 0 {
		o.seed = sc.Seed
	}
	if o.fast {
		return o.rehearse(ctx, c, doc, sc)
	}
	if err := refused(doc, sc.Validate()); err != nil {
		return err
	}
	return o.run(ctx, c, sc)
}

// check refuses options that do not belong together, and fills in what was left out.
func (o *simOptions) check() error {
	const help = "`longlane sim --help` shows an example"
	switch {
	case o.fast && o.modem != "":
		return badUsage("--fast and --modem exclude each other: a rehearsal has its own gateway, and no modem; leave one out; %s", help)
	case o.fast && (o.drain || o.memory != ""):
		return badUsage("--drain and --memory belong to a simulation behind --modem, not to --fast; %s", help)
	case o.fast && o.out == "-":
		return badUsage("--out -: with --fast the report goes to standard output; give a file")
	case o.fast && o.length > longestRehearsal:
		return badUsage("--for: found %v, expected at most 3650d", o.length)
	case o.fast && o.scenario == "":
		return badUsage("give --scenario FILE; %s", help)
	case !o.fast && (o.json || o.chart != ""):
		return badUsage("--json and --chart belong to the report of --fast; %s", help)
	case !o.fast && (o.scenario == "" || o.modem == ""):
		return badUsage("give --scenario FILE and --modem PATH, or --fast and --scenario FILE; %s", help)
	}
	if o.fast && o.length == 0 {
		o.length = 24 * time.Hour
	}
	if !o.fast && o.out == "" {
		o.out = "-"
	}
	if o.memory == "" {
		o.memory = filepath.Dir(o.scenario)
	}
	return nil
}

// readScenario gives the scenario as it stands in the file, which may still ask for what cannot be: see refused.
func readScenario(path string) (*config.Document, ether.Scenario, error) {
	var sc ether.Scenario
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, sc, usageError{fmt.Errorf("read scenario: %w", err)}
	}
	doc, err := config.Open(path, text)
	if err != nil {
		return nil, sc, usageError{err}
	}
	doc.Into(&sc)
	if err := doc.Err(); err != nil {
		return nil, sc, usageError{err}
	}
	if sc.Lane == "" {
		return doc, sc, nil
	}
	l, err := config.ReadBeside(doc, "lane", path, sc.Lane)
	if err != nil {
		return nil, sc, usageError{err}
	}
	return doc, sc, refused(doc, sc.StandAt(l))
}

// refused is err with the file and line of each field that it names.
func refused(doc *config.Document, err error) error {
	if err == nil {
		return nil
	}
	refuseFields(doc, err)
	if told := doc.Err(); told != nil {
		return usageError{told}
	}
	return err
}

func refuseFields(doc *config.Document, err error) {
	if list, ok := err.(interface{ Unwrap() []error }); ok {
		for _, e := range list.Unwrap() {
			refuseFields(doc, e)
		}
		return
	}
	var f *ether.FieldError
	if errors.As(err, &f) {
		doc.Refuse(f.Path, f.Found, f.Expected)
	}
}

// run takes the modem's name before it touches anything else: a simulator that cannot have it must neither use up the
// numbers that its nodes remember nor write over the record of the one that has it.
func (o *simOptions) run(ctx context.Context, c *call, sc ether.Scenario) error {
	claim, err := serialport.ClaimLink(o.modem)
	if errors.Is(err, serialport.ErrInUse) {
		return fmt.Errorf("--modem: %w", err)
	} else if err != nil {
		return badUsage("--modem: %w", err)
	}
	defer claim.Release()
	b := &board{link: o.modem, plugs: make(chan ether.Plug, 16), log: c.err}
	if err := b.open(); err != nil {
		return fmt.Errorf("--modem: %w", err)
	}
	defer func() { b.pty.Close() }() // after an error; else the board has closed it
	return o.play(ctx, c, sc, b)
}

func (o *simOptions) play(ctx context.Context, c *call, sc ether.Scenario, b *board) error {
	out := c.out
	if o.out != "-" {
		f, err := os.Create(o.out)
		if err != nil {
			return fmt.Errorf("write record: %w", err)
		}
		defer f.Close()
		out = f
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	if o.length > 0 {
		ctx, cancel = context.WithTimeout(ctx, o.length)
		defer cancel()
	}
	lines := &recordLines{w: bufio.NewWriter(out), stop: cancel, live: true}
	mem := &memory{dir: o.memory}
	saved, err := mem.load(sc)
	if err != nil {
		return err
	}
	e, err := ether.New(sc, o.seed, ether.Options{Record: lines.write, Saved: saved, Saves: mem.save,
		Card: func(path string) (node.Card, error) { return readCard(o.scenario, path) }})
	if err != nil {
		return usageError{err}
	}
	live := ether.NewLive(e)
	b.device = modem.NewDevice(modem.DeviceOptions{Firmware: "longlane sim", Transmit: live.Transmit})
	live.Plug = func(p ether.Plug) {
		select {
		case b.plugs <- p:
		case <-ctx.Done(): // then the board takes no more
		}
	}
	b.serve(ctx)
	var wg sync.WaitGroup
	wg.Go(func() { b.run(ctx) })
	if o.drain {
		wg.Go(func() { drain(ctx, cancel, live, time.Duration(sc.Until)) })
	}
	fmt.Fprintf(c.err, "%s: %d nodes behind %s, seed %d\n", sc.Name, len(sc.Nodes), o.modem, o.seed)
	err = live.Run(ctx, b.device)
	cancel()
	wg.Wait()
	return errors.Join(err, lines.err, mem.err)
}

func readCard(scenario, path string) (node.Card, error) {
	if !filepath.IsAbs(path) {
		path = filepath.Join(filepath.Dir(scenario), path)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return node.Card{}, fmt.Errorf("read card: %w; make it with: longlane enrol add NAME --zone ZONE --out %s", err, path)
	}
	card, err := node.ParseCard(text)
	if err != nil {
		return node.Card{}, fmt.Errorf("%s: %w", path, err)
	}
	return card, nil
}

// drain ends the simulation once the last trip has its receipt.
func drain(ctx context.Context, end context.CancelFunc, live *ether.Live, until time.Duration) {
	began := time.Now()
	look := time.NewTicker(50 * time.Millisecond)
	defer look.Stop()
	quiet := 0
	for {
		select {
		case <-ctx.Done():
			return
		case <-look.C:
		}
		if time.Since(began) < until || live.Held() > 0 {
			quiet = 0
			continue
		}
		if quiet++; quiet > 20 { // a trip that was under way at the end of `until` may still close
			end()
			return
		}
	}
}

// recordLines writes what happened, a line at a time.
type recordLines struct {
	w    *bufio.Writer
	stop context.CancelFunc
	live bool // a reader never waits for a line
	err  error
}

func (l *recordLines) write(r ether.Record) {
	if l.err != nil {
		return
	}
	err := json.NewEncoder(l.w).Encode(r)
	if l.live {
		err = errors.Join(err, l.w.Flush())
	}
	l.fail(err)
}

func (l *recordLines) fail(err error) {
	if err != nil {
		l.err = fmt.Errorf("write record: %w", err)
		l.stop() // a record with holes proves nothing
	}
}

// memory is the nodes' lasting memory: a file each, so that a simulation that is run again goes on counting.
type memory struct {
	dir string
	err error
}

func (m *memory) path(name string) string { return filepath.Join(m.dir, name+".memory") }

func (m *memory) load(sc ether.Scenario) (map[string][]byte, error) {
	saved := map[string][]byte{}
	for _, n := range sc.Nodes {
		b, err := os.ReadFile(m.path(n.Name))
		if errors.Is(err, fs.ErrNotExist) {
			continue
		} else if err != nil {
			return nil, fmt.Errorf("read a node's memory: %w", err)
		}
		saved[n.Name] = b
	}
	return saved, nil
}

func (m *memory) save(name string, b []byte) {
	temp := m.path(name) + ".new"
	err := os.WriteFile(temp, b, 0o600)
	if err == nil {
		err = os.Rename(temp, m.path(name))
	}
	if err != nil {
		m.err = fmt.Errorf("write a node's memory: %w", err)
	}
}

// board is the virtual modem with its plug: in, it serves a pty that the link leads to; out, there is none.
type board struct {
	link   string
	device *modem.Device
	plugs  chan ether.Plug
	log    io.Writer
	pty    *serialport.Pty
	served chan struct{}
	unplug context.CancelFunc
}

// open makes the tty and the link to it; nobody serves it yet.
func (b *board) open() error {
	pty, err := serialport.NewPty(b.link)
	if err == nil {
		b.pty = pty
	}
	return err
}

func (b *board) serve(ctx context.Context) {
	ctx, b.unplug = context.WithCancel(ctx)
	b.served = make(chan struct{})
	pty, served := b.pty, b.served
	go func() {
		defer close(served)
		b.device.Serve(ctx, pty)
	}()
}

func (b *board) plugOut() {
	b.unplug()
	b.pty.HangUp()
	b.pty.Close()
	<-b.served
}

func (b *board) run(ctx context.Context) {
	in := true
	for {
		select {
		case <-ctx.Done():
			if in {
				b.plugOut()
			}
			return
		case p := <-b.plugs:
			if p == ether.PlugOut && in {
				b.plugOut()
				in = false
			} else if p == ether.PlugIn && !in {
				if err := b.open(); err != nil {
					fmt.Fprintln(b.log, "longlane sim:", err)
					continue
				}
				b.serve(ctx)
				in = true
			}
		}
	}
}
