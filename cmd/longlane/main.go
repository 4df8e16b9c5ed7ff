// Command longlane is the gateway and the tools around it; one file for each subcommand. What is decided is decided in
// the packages below: here flags and files become options, and errors become words and exit codes.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/agext/levenshtein"
	"golang.org/x/term"
)

// Exit codes.
const (
	exitDone   = 0
	exitFailed = 1
	exitUsage  = 2 // bad usage or config
)

// command is a subcommand.
type command struct {
	name    string
	brief   string
	usage   string // after "longlane NAME"
	example string
	hidden  bool // from the list of subcommands
	run     func(ctx context.Context, c *call) error
}

// call is one invocation: its arguments and where it speaks.
type call struct {
	*flag.FlagSet
	args     []string // not yet parsed
	in       io.Reader
	out, err io.Writer
}

var commands = []command{runCommand, watchCommand, annunciatorCommand, nodeCommand, surveyCommand, demoCommand, checkCommand, enrolCommand, historyCommand, backupCommand, decodeCommand,
	simCommand, planCommand, versionCommand, probeCommand, actCommand, holdCommand}

// usageError is the user's mistake; it ends with exit code 2.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

func badUsage(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(Main(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

// Main runs the command line and gives its exit code.
func Main(ctx context.Context, args []string, in io.Reader, out, errw io.Writer) int {
	switch {
	case len(args) == 0:
		fmt.Fprint(out, overview())
		return exitUsage
	case asksHelp(args[0]) && (len(args) == 1 || asksHelp(args[1])):
		fmt.Fprint(out, overview())
		return exitDone
	case asksHelp(args[0]):
		args = []string{args[1], "--help"}
	case args[0] == "--version":
		args = []string{versionCommand.name}
	}
	cmd, err := find(args[0])
	if err != nil {
		fmt.Fprintln(errw, "longlane:", err)
		return exitUsage
	}
	c := &call{FlagSet: flag.NewFlagSet(cmd.name, flag.ContinueOnError), args: args[1:], in: in, out: out, err: errw}
	c.SetOutput(io.Discard)
	c.Usage = func() {}
	err = cmd.run(ctx, c)
	return report(cmd, c, err)
}

func asksHelp(word string) bool { return word == "help" || word == "--help" || word == "-h" }

func report(cmd command, c *call, err error) int {
	var usage usageError
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, flag.ErrHelp):
		fmt.Fprint(c.out, cmd.help(c.FlagSet))
		return exitDone
	case errors.As(err, &usage):
		fmt.Fprintf(c.err, "longlane %s: %v\n", cmd.name, err)
		return exitUsage
	}
	fmt.Fprintf(c.err, "longlane %s: %v\n", cmd.name, err)
	return exitFailed
}

func find(name string) (command, error) {
	best, near := "", 3
	for _, c := range commands {
		if c.name == name {
			return c, nil
		}
		if d := levenshtein.Distance(name, c.name, nil); d < near {
			best, near = c.name, d
		}
	}
	if best != "" {
		return command{}, fmt.Errorf("no subcommand %q; did you mean %q?", name, best)
	}
	return command{}, fmt.Errorf("no subcommand %q; `longlane help` lists them", name)
}

func overview() string {
	var b strings.Builder
	b.WriteString("Longlane: a trip at the gate reaches every building.\n\nUsage: longlane SUBCOMMAND [options]; " +
		"longlane help SUBCOMMAND explains.\n\n")
	for _, c := range commands {
		if c.hidden {
			continue
		}
		fmt.Fprintf(&b, "  %-11s %s\n", c.name, c.brief)
	}
	b.WriteString("\nExit codes: 0 done, 1 failed, 2 bad usage or config.\n")
	return b.String()
}

func (cmd command) help(f *flag.FlagSet) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n\nUsage: %s\n", cmd.brief, strings.TrimSpace("longlane "+cmd.name+" "+cmd.usage))
	if list := options(f); list != "" {
		b.WriteString("\nOptions:\n" + list)
	}
	fmt.Fprintf(&b, "\nExample:\n%s\n", cmd.example)
	return b.String()
}

// options lists f's options as they are to be typed.
func options(f *flag.FlagSet) string {
	var b strings.Builder
	f.VisitAll(func(o *flag.Flag) {
		value, text := flag.UnquoteUsage(o)
		fmt.Fprintf(&b, "  %s\n", strings.TrimSpace("--"+o.Name+" "+strings.ToUpper(value)))
		switch o.DefValue {
		case "", "0", "0s", "false": // nothing is the default
		default:
			text += " (default: " + o.DefValue + ")"
		}
		fmt.Fprintf(&b, "        %s\n", text)
	})
	return b.String()
}

// duration adds an option that takes a time of 0 or more. A bare number is refused: nobody can tell what it counts.
func (c *call) duration(p *time.Duration, name, usage string) {
	c.Func(name, usage, func(s string) error {
		d, err := parseDuration(s)
		switch {
		case err != nil:
			return errors.New(`expected a number with its unit, such as "5s", "2m", "1h30m" or "365d"`)
		case d < 0:
			return errors.New("expected a time that is not negative")
		}
		*p = d
		return nil
	})
}

// parseDuration is time.ParseDuration with whole days, which may stand first: "365d", "1d12h".
func parseDuration(s string) (time.Duration, error) {
	count, rest, ok := strings.Cut(s, "d")
	if !ok {
		return time.ParseDuration(s)
	}
	const most = uint64(1<<63-1) / uint64(24*time.Hour)
	days, err := strconv.ParseUint(count, 10, 32)
	if err == nil && days >= most {
		err = strconv.ErrRange
	}
	if err != nil || rest == "" {
		return time.Duration(days) * 24 * time.Hour, err
	}
	d, err := time.ParseDuration(rest)
	if err == nil && (d < 0 || d >= 24*time.Hour) {
		err = strconv.ErrRange
	}
	return time.Duration(days)*24*time.Hour + d, err
}

// dash is where the flag package names an option in its errors; it writes one dash.
var dash = regexp.MustCompile(`^(flag provided but not defined: |flag needs an argument: |invalid value ".*" for flag |` +
	`invalid boolean value ".*" for )-`)

// optionError is what the flag package has to say of the user's mistake, with the option as help shows it.
func optionError(err error) string {
	text := dash.ReplaceAllString(err.Error(), "${1}--")
	// Of a number and of a switch the flag package says no more than this.
	if what, unread := strings.CutSuffix(text, ": parse error"); unread {
		if strings.HasPrefix(text, "invalid boolean value") {
			return what + ": expected true or false"
		}
		return what + ": expected a number without a unit, such as 12"
	}
	return text
}

// json prints v for programs.
func (c *call) json(v any) error {
	e := json.NewEncoder(c.out)
	e.SetIndent("", "  ")
	return e.Encode(v)
}

// parse reads options and positional arguments in any order, up to most of the latter.
func (c *call) parse(most int) ([]string, error) {
	var words []string
	rest := c.args
	for {
		if err := c.FlagSet.Parse(rest); err != nil {
			if errors.Is(err, flag.ErrHelp) {
				return nil, err
			}
			return nil, badUsage("%s; `longlane %s --help` lists the options", optionError(err), c.Name())
		}
		if rest = c.Args(); len(rest) == 0 {
			break
		}
		words, rest = append(words, rest[0]), rest[1:]
	}
	if most >= 0 && len(words) > most {
		return nil, badUsage("unexpected argument %q; `longlane %s --help` explains", words[most], c.Name())
	}
	return words, nil
}

// logger is text on a terminal and JSON otherwise. Both write a duration as 80ms: JSON would write it as nanoseconds,
// which nobody can read.
func logger(w io.Writer, level slog.Level) *slog.Logger {
	f, ok := w.(*os.File)
	return slog.New(logHandler(w, level, ok && term.IsTerminal(int(f.Fd()))))
}

func logHandler(w io.Writer, level slog.Level, text bool) slog.Handler {
	o := &slog.HandlerOptions{Level: level}
	if text {
		return slog.NewTextHandler(w, o)
	}
	o.ReplaceAttr = func(_ []string, a slog.Attr) slog.Attr {
		if a.Value.Kind() == slog.KindDuration {
			a.Value = slog.StringValue(a.Value.Duration().String())
		}
		return a
	}
	return slog.NewJSONHandler(w, o)
}
