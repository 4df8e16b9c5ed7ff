// Command bench measures each figure of the gateway beside the floor it is held against, in the same run: the same chain
// without a disk, a bare bbolt transaction, a bare MQTT client, reading the file once. Own and floor take turns, so that
// whatever else the machine does falls on both; what is printed is the median of the rounds. Nothing here passes or
// fails: the exit code tells only whether it could be measured.
//
//	main.go       flags; which figures, what sizes
//	figure.go     a row, and the table
//	site.go       a site with a node and its frames; the gateway's core on a store; mosquitto
//	memory.go     the store that is no disk: the floor of what a disk costs
//	alert.go, annunciator.go, chain.go, commit.go, backlog.go, reconnect.go, footprint.go    the figures
//	player        what an annunciator is given to run, a program of its own
//	child.go      what must run in a process of its own, and what /proc says of one
package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"slices"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"
)

// bench is what a figure is given.
type bench struct {
	dir   string // for its files, on the disk that is measured
	sizes sizes
	log   io.Writer // progress
}

// sizes say how much is measured.
type sizes struct {
	rounds   int
	alerts   int     // trips a round and kind
	sounds   int     // trips a round and kind, to an annunciator
	commits  int     // events a round and kind, one at a time
	batches  int     // transactions a round and kind
	lone     int     // events that nothing follows, each 2 s and more
	chain    int     // events a round and kind
	backlog  int     // events
	part     int     // of them drained between two looks at the floor
	arch     string  // of the binary whose size is measured
	perDay   float64 // events a day
	cardTBW  float64 // what a memory card can be written, TB
	outages  int
	idleTime int // seconds
}

var full = sizes{rounds: 7, alerts: 400, sounds: 143, commits: 200, batches: 40, lone: 3, chain: 12_000, backlog: 1_000_000, part: 40_000,
	arch: "arm", perDay: 200, cardTBW: 30, outages: 5, idleTime: 10}

func main() {
	if what := os.Getenv(childVariable); what != "" {
		os.Exit(runChild(what))
	}
	os.Exit(run(os.Args[1:], os.Stdout, os.Stderr))
}

func run(args []string, out, errs io.Writer) int {
	s := full
	flags := flag.NewFlagSet("bench", flag.ContinueOnError)
	flags.SetOutput(errs)
	only := flags.String("only", "", "figures to measure, with commas between them: "+strings.Join(names(), ", "))
	markdown := flags.Bool("markdown", false, "print the README's table")
	dir := flags.String("dir", os.TempDir(), "where to make the files: on the disk to be measured")
	flags.IntVar(&s.rounds, "rounds", s.rounds, "rounds of own and floor in turn")
	flags.IntVar(&s.backlog, "backlog", s.backlog, "events in the backlog")
	flags.Float64Var(&s.perDay, "events-per-day", s.perDay, "for the years of a memory card")
	flags.Float64Var(&s.cardTBW, "card-tbw", s.cardTBW, "what a memory card may be written in its life, TB")
	if err := flags.Parse(args); err != nil {
		return 2
	}
	chosen, err := choose(*only)
	if err == nil && (s.rounds < 1 || s.backlog < 1) {
		err = errors.New("--rounds and --backlog must be 1 or more")
	}
	if err != nil {
		fmt.Fprintln(errs, "bench:", err)
		return 2
	}
	rows, err := measure(chosen, s, *dir, errs)
	if *markdown {
		printMarkdown(out, rows)
	} else {
		printPlain(out, rows)
	}
	if err != nil {
		fmt.Fprintln(errs, "bench:", err)
		return 1
	}
	return 0
}

func names() (list []string) {
	for _, f := range figures {
		list = append(list, f.name)
	}
	return list
}

func choose(only string) ([]figure, error) {
	if only == "" {
		return figures, nil
	}
	var chosen []figure
	for name := range strings.SplitSeq(only, ",") {
		i := slices.IndexFunc(figures, func(f figure) bool { return f.name == name })
		if i < 0 {
			return nil, fmt.Errorf("no figure %q; there are %s", name, strings.Join(names(), ", "))
		}
		chosen = append(chosen, figures[i])
	}
	return chosen, nil
}

// measure runs the figures one after the other. One that cannot be measured keeps no other from being so.
func measure(chosen []figure, s sizes, dir string, log io.Writer) (rows []row, err error) {
	if err := onDisk(dir); err != nil {
		return nil, err
	}
	for _, f := range chosen {
		fmt.Fprintf(log, "%s: %s\n", f.name, f.what)
		own, ferr := measureOne(f, s, dir, log)
		if ferr != nil {
			err = errors.Join(err, fmt.Errorf("measure %s: %w", f.name, ferr))
		}
		rows = append(rows, own...)
	}
	return rows, err
}

func measureOne(f figure, s sizes, dir string, log io.Writer) (rows []row, err error) {
	temp, err := os.MkdirTemp(dir, "longlane-bench-")
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(temp)) }()
	stop := make(chan os.Signal, 1)
	signal.Notify(stop, os.Interrupt, syscall.SIGTERM)
	over := make(chan struct{})
	defer func() {
		signal.Stop(stop)
		close(over)
	}()
	go func() { // ends with the figure
		select {
		case <-over:
		case <-stop: // brokers and children end with us
			os.RemoveAll(temp)
			os.Exit(1)
		}
	}()
	return f.run(&bench{dir: temp, sizes: s, log: log})
}

// onDisk refuses a directory in memory, where a sync costs nothing.
func onDisk(dir string) error {
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		return fmt.Errorf("look at %s: %w", dir, err)
	}
	if kind := int64(uint32(st.Type)); kind == unix.TMPFS_MAGIC || kind == unix.RAMFS_MAGIC { // of 32 bits, signed or not
		return fmt.Errorf("%s is in memory: give a directory on a disk with --dir", dir)
	}
	return nil
}

func (b *bench) progress(format string, args ...any) { fmt.Fprintf(b.log, "  "+format+"\n", args...) }

// dieWithUs has a process killed when this one ends, however that comes about.
func dieWithUs() *syscall.SysProcAttr { return &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL} }
