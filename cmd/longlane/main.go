// Command longlane is the gateway and the tools around it; one file for each subcommand. What is decided is decided in
// the packages below: here flags and files become options, and errors become words and exit codes.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"strings"
	"syscall"

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
	run     func(ctx context.Context, c *call) error
}

// call is one invocation: its arguments and where it speaks.
type call struct {
	*flag.FlagSet
	args     []string // not yet parsed
	in       io.Reader
	out, err io.Writer
}

var commands = []command{runCommand, demoCommand, checkCommand, enrolCommand, decodeCommand, simCommand}

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
	if len(args) == 0 || args[0] == "help" || args[0] == "--help" || args[0] == "-h" {
		fmt.Fprint(out, overview())
		if len(args) == 0 {
			return exitUsage
		}
		return exitDone
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
		"longlane SUBCOMMAND --help explains.\n\n")
	for _, c := range commands {
		fmt.Fprintf(&b, "  %-8s %s\n", c.name, c.brief)
	}
	b.WriteString("\nExit codes: 0 done, 1 failed, 2 bad usage or config.\n")
	return b.String()
}

func (cmd command) help(f *flag.FlagSet) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n\nUsage: longlane %s %s\n", cmd.brief, cmd.name, cmd.usage)
	f.SetOutput(&b)
	if hasFlags(f) {
		b.WriteString("\nOptions:\n")
		f.PrintDefaults()
	}
	fmt.Fprintf(&b, "\nExample:\n%s\n", cmd.example)
	return b.String()
}

func hasFlags(f *flag.FlagSet) (has bool) {
	f.VisitAll(func(*flag.Flag) { has = true })
	return has
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
			return nil, badUsage("%w; `longlane %s --help` lists the options", err, c.Name())
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

// logger is text on a terminal and JSON otherwise.
func logger(w io.Writer, level slog.Level) *slog.Logger {
	o := &slog.HandlerOptions{Level: level}
	if f, ok := w.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		return slog.New(slog.NewTextHandler(w, o))
	}
	return slog.New(slog.NewJSONHandler(w, o))
}
