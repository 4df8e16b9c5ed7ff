package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"os"
	"os/exec"
	"os/signal"
	"runtime/debug"
	"slices"
	"strings"
	"syscall"
	"time"

	"golang.org/x/term"

	"longlane/gateway/annunciator"
	"longlane/gateway/annunciator/chime"
	"longlane/gateway/annunciator/output"
	"longlane/gateway/annunciator/unit"
	"longlane/gateway/config"
	"longlane/gateway/daemon"
)

const defaultAnnunciatorConfig = "/etc/longlane/annunciator.toml"

var annunciatorCommand = command{
	name:  "annunciator",
	brief: "be the unit in a building that tells who comes: chimes, contacts, commands; or mute one",
	usage: "[--config FILE] [--check [--json] | --show]\n       longlane annunciator mute --for TIME [--zone NAME] [--config FILE]\n" +
		"       longlane annunciator unmute [--zone NAME] [--config FILE]",
	example: "  longlane annunciator --check --config annunciator.toml\n  longlane annunciator --config annunciator.toml\n" +
		"  longlane annunciator mute --for 8h --zone river-gate",
	run: func(ctx context.Context, c *call) error {
		path := c.String("config", defaultAnnunciatorConfig, "the unit's configuration `file`")
		check := c.Bool("check", false, "say what is wrong with the file, or what the unit would do, and end")
		asJSON := c.Bool("json", false, "with --check: print the result as JSON")
		show := c.Bool("show", false, "show all zones on this terminal while the unit runs")
		zone := c.String("zone", "", "with mute and unmute: this zone alone, by its `name`")
		var length time.Duration
		c.duration(&length, "for", "with mute: for this `time`, 1m to 24h; it ends by itself")
		words, err := c.parse(1)
		if err != nil {
			return err
		}
		if *asJSON && !*check {
			return badUsage("--json belongs to --check; `longlane annunciator --help` shows an example")
		}
		cfg, err := config.LoadAnnunciator(*path)
		err = badConfig(err, "annunciator.toml")
		switch {
		case len(words) > 0:
			if err != nil {
				return err
			}
			return muteAnnunciator(c, cfg, words[0], *zone, length)
		case length != 0 || *zone != "":
			return badUsage("--for and --zone belong to `longlane annunciator mute`")
		case *asJSON:
			return checkJSON(c, nil, nil, err)
		case err != nil:
			return err
		case *check:
			explainAnnunciator(c, *path, cfg)
			return nil
		}
		return runAnnunciator(ctx, c, cfg, *show)
	},
}

func runAnnunciator(ctx context.Context, c *call, cfg *config.Annunciator, show bool) error {
	self, err := os.Executable()
	if err != nil {
		return err
	}
	log := logger(c.err, cfg.Level())
	var shown func(annunciator.View)
	if show {
		s := newScreen(c.out, cfg.Name)
		if s.terminal && isTerminal(c.err) { // the table tells what is wrong, and the log would tear it
			log = slog.New(slog.DiscardHandler)
		}
		shown = s.show
	}
	info, _ := debug.ReadBuildInfo()
	version := ""
	if info != nil {
		version = info.Main.Version
	}
	u, err := daemon.NewAnnunciator(cfg, version, daemon.Helpers{Act: []string{self, actCommand.name}, Hold: []string{self, holdCommand.name}}, shown, log)
	if err != nil {
		return err
	}
	defer hurry(log)()
	if err := u.Run(ctx); err != nil {
		return err
	}
	log.Info("stopped")
	return nil
}

// actCommand and holdCommand are for the annunciator, not for people: see package output.
var actCommand = command{
	name:    "annunciator-sound",
	hidden:  true,
	brief:   "play a sound or run a command, once; the annunciator asks for it",
	example: "  longlane annunciator-sound",
	run: func(_ context.Context, c *call) error {
		if _, err := c.parse(0); err != nil {
			return err
		}
		signal.Ignore(syscall.SIGPIPE) // the annunciator may end before the sound does
		return output.Act(c.in, c.out)
	},
}

var holdCommand = command{
	name:    "annunciator-contact",
	hidden:  true,
	brief:   "hold a contact, and set it to its safe position when the annunciator ends, which asks for it",
	example: "  longlane annunciator-contact",
	run: func(_ context.Context, c *call) error {
		if _, err := c.parse(0); err != nil {
			return err
		}
		signal.Ignore(syscall.SIGPIPE, syscall.SIGHUP)
		return output.Hold(c.in, c.out)
	},
}

func muteAnnunciator(c *call, cfg *config.Annunciator, word, zone string, length time.Duration) error {
	switch {
	case word != "mute" && word != "unmute":
		return badUsage("unexpected argument %q, expected mute or unmute; `longlane annunciator --help` explains", word)
	case word == "unmute" && length != 0:
		return badUsage("--for belongs to mute")
	case word == "mute" && (length < time.Minute || length > unit.MaxMute):
		found := "found none"
		if length != 0 {
			found = fmt.Sprintf("found %v", length)
		}
		return badUsage("give --for with a time from 1m to %s: a mute ends by itself; %s", "24h", found)
	}
	boot, wall, err := daemon.AnnunciatorClock()
	if err != nil {
		return err
	}
	if err := unit.SetMute(cfg.State, zone, length, boot, wall); err != nil {
		return err
	}
	what := "all zones"
	if zone != "" {
		what = cfg.ZoneSound(zone).Title
		if what == "" {
			what = zone
		}
	}
	switch {
	case word == "unmute":
		fmt.Fprintf(c.out, "%s: no longer muted here\n", what)
	case wall.IsZero():
		fmt.Fprintf(c.out, "%s: muted here for %v, or until this machine is started anew: its clock is not set\n", what, length)
	default:
		fmt.Fprintf(c.out, "%s: muted here for %v, until %s\n", what, length, wall.Add(length).Format("15:04"))
	}
	return nil
}

// explainAnnunciator says what the unit would do with a good config, and what can be seen now to stand in its way.
func explainAnnunciator(c *call, path string, cfg *config.Annunciator) {
	p := func(format string, args ...any) { fmt.Fprintf(c.out, format+"\n", args...) }
	p("%s is good: annunciator %q of the site %q, state in %s", path, cfg.Name, cfg.Site, cfg.State)
	p("  broker: %s, as %s", cfg.Broker.URL, cfg.Broker.ClientID)
	p("  player: %s", strings.Join(cfg.Player.Command, " "))
	explainProgram(p, "player", cfg.Player.Command)
	explainZone(p, "every other zone", cfg.Zones)
	for _, name := range slices.Sorted(maps.Keys(cfg.Zone)) {
		explainZone(p, "zone "+name, cfg.Zone[name])
	}
	explainSame(p, cfg)
	for _, g := range cfg.Passage {
		held := "sounds at once"
		if g.Wait > 0 {
			held = fmt.Sprintf("waits up to %v for the other", g.Wait)
		}
		p("  passage: %s, then %s within %v is an arrival; the first one's chime %s; the other way round: %s", g.Outer, g.Inner, g.Within, held, g.Departure)
	}
	for _, name := range slices.Sorted(maps.Keys(cfg.Contact)) {
		explainContact(p, name, cfg.Contact[name])
	}
	if cfg.Light != nil {
		p("  watched light: %s", readBy(cfg.Light.Command, cfg.Light.GPIO))
		explainSetter(p, cfg.Light.Command, cfg.Light.GPIO)
	}
	for _, name := range slices.Sorted(maps.Keys(cfg.Command)) {
		r := cfg.Command[name]
		p("  command %s: %s; killed after %v", name, strings.Join(r.Run, " "), r.Limit)
		explainProgram(p, "command", r.Run)
	}
	for _, q := range cfg.Quiet {
		except := ""
		if len(q.Except) > 0 {
			except = " but for " + strings.Join(q.Except, ", ")
		}
		p("  quiet from %s to %s%s", q.From, q.To, except)
	}
	p("  an event acts once: the last %d are remembered", annunciator.Remembered)
	p("  %s", annunciatorCaution)
}

// annunciatorCaution stands where an alarm panel may be wired up by it.
const annunciatorCaution = "This is not a certified alarm. Contacts are for low voltage only; mains belongs to licensed practice and local codes."

func explainZone(p func(string, ...any), what string, z config.ZoneSound) {
	if z.Ignore {
		p("  %s: ignored", what)
		return
	}
	sound := "no sound"
	switch {
	case !z.Sound:
	case z.File != "":
		sound = fmt.Sprintf("%s, %d times", z.File, z.Repeats)
	case len(z.Notes) > 0:
		sound = fmt.Sprintf("%s, %d times", strings.Join(z.Notes, ", "), z.Repeats)
	default:
		sound = fmt.Sprintf("a chime drawn from its name, %d times", z.Repeats)
	}
	for _, k := range z.Contacts {
		sound += "; contact " + k
	}
	for _, k := range z.Commands {
		sound += "; command " + k
	}
	p("  %s: %s; silent if older than %v, counted within %v of the one before", what, sound, z.Limit, z.HoldOff)
}

// explainSame names zones that nobody can tell apart by their chimes.
func explainSame(p func(string, ...any), cfg *config.Annunciator) {
	names := slices.Sorted(maps.Keys(cfg.Zone))
	notes := func(name string) []chime.Note {
		z := cfg.Zone[name]
		if z.File != "" || !z.Sound || z.Ignore {
			return nil
		}
		if list, err := chime.Parse(z.Notes); err == nil && len(list) > 0 {
			return list
		}
		return chime.ForName(name)
	}
	for i, a := range names {
		for _, b := range names[:i] {
			if n := notes(a); n != nil && chime.Same(n, notes(b)) {
				p("    note: %s and %s sound the same; give one of them notes of its own", b, a)
			}
		}
	}
}

func explainContact(p func(string, ...any), name string, s config.SetPin) {
	rest, acts := "open", "closed"
	if s.NormallyClosed {
		rest, acts = acts, rest
	}
	how := fmt.Sprintf("for %v after the last opening, %v at most", s.Min, s.Max)
	if s.Hold {
		how = fmt.Sprintf("until the zone has closed, %v to %v", s.Min, s.Max)
	}
	p("  contact %s: %s; %s at rest, %s %s; %s if this program ends or dies", name, readBy(s.Command, s.GPIO), rest, acts, how, s.Safe)
	explainSetter(p, s.Command, s.GPIO)
	if s.GPIO != nil && s.Safe == "closed" {
		p("    note: a line that nobody holds may fall open all the same: kernel and driver decide; wire it so that open is safe")
	}
}

func explainSetter(p func(string, ...any), command []string, pin *config.Pin) {
	if pin == nil {
		explainProgram(p, "command", command)
	} else if _, err := os.Stat(pin.Chip); err != nil {
		p("    note: there is no %s: until it is there this does nothing, and is an error of this unit", pin.Chip)
	}
}

func explainProgram(p func(string, ...any), what string, argv []string) {
	if _, err := exec.LookPath(argv[0]); err != nil {
		p("    note: this %s cannot be run: %v", what, err)
	}
}

func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// screen shows a unit: redrawn in its place on a terminal, and elsewhere written once for each change.
type screen struct {
	w        io.Writer
	name     string
	terminal bool
	colour   bool
	drawn    bool
	last     string
	at       time.Time
}

func newScreen(w io.Writer, name string) *screen {
	t := isTerminal(w) && os.Getenv("TERM") != "dumb"
	return &screen{w: w, name: name, terminal: t, colour: t && os.Getenv("NO_COLOR") == ""}
}

// redrawEach bounds how often a terminal is written to.
const redrawEach = 100 * time.Millisecond

func (s *screen) show(v annunciator.View) {
	if s.terminal {
		if time.Since(s.at) < redrawEach {
			return // the next one comes within a second
		}
		s.at = time.Now()
		begin := "\x1b[H"
		if !s.drawn {
			begin, s.drawn = "\x1b[H\x1b[2J", true
		}
		fmt.Fprint(s.w, begin+strings.Join(v.Table(s.name, s.colour), "\x1b[K\n")+"\x1b[K\n\x1b[J")
		return
	}
	still := v // without what time alone changes
	still.Ticked, still.Clock, still.Zones = min(still.Ticked, 0), time.Time{}, slices.Clone(v.Zones)
	for i := range still.Zones {
		z := &still.Zones[i]
		z.For, z.Ago, z.Muted = 0, 0, min(z.Muted, 1)
	}
	if key := fmt.Sprint(still); key != s.last {
		s.last = key
		fmt.Fprintln(s.w, strings.Join(v.Table(s.name, false), "\n")+"\n")
	}
}
