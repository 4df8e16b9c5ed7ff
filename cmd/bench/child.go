package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"time"
)

// childVariable makes this program do one thing in a process of its own, where /proc and strace see it alone. Its value
// is an order.
const childVariable = "LONGLANE_BENCH_CHILD"

// order is what a child is to do; it answers with JSON, a line a report.
type order struct {
	What   string // a key of works
	Dir    string
	Broker string
	N      int  // events
	Wait   int  // events that wait while a commit runs; 0: one at a time
	Alone  bool // one at a time, and the next only once the cursor has been written
}

// report is one of a child's answers.
type report struct {
	What   string
	At     time.Time // by the wall clock: it is compared with another process's
	Events int       // done, or waiting
	Sent   int       // published and acknowledged
	Stats  diskStats
	Mem    memStats
}

var works = map[string]func(order, *json.Encoder) error{
	"store":   storeWork,
	"bare":    bareWork,
	"gateway": gatewayWork,
	"idle":    idleWork,
	"ring":    ringWork,
}

func runChild(text string) int {
	var o order
	err := json.Unmarshal([]byte(text), &o)
	if work := works[o.What]; err == nil && work != nil {
		err = work(o, json.NewEncoder(os.Stdout))
	} else {
		err = errors.Join(err, fmt.Errorf("%s: no such order", text))
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "bench:", err)
		return 1
	}
	return 0
}

// child is such a process.
type child struct {
	cmd     *exec.Cmd
	in      io.Closer // closing it asks the child to end
	reports chan report
	errs    bytes.Buffer
	began   time.Time
	err     error // why it ended; set before reports is closed
}

// startChild starts one; before stands in front of its command line, such as strace and its options.
func startChild(ctx context.Context, o order, before ...string) (*child, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	text, err := json.Marshal(o)
	if err != nil {
		return nil, err
	}
	line := append(before, self)
	c := &child{cmd: exec.CommandContext(ctx, line[0], line[1:]...), reports: make(chan report, 1<<16)}
	c.cmd.Env = append(os.Environ(), childVariable+"="+string(text))
	c.cmd.Stderr, c.cmd.SysProcAttr = &c.errs, dieWithUs()
	out, err := c.cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if c.in, err = c.cmd.StdinPipe(); err != nil {
		return nil, err
	}
	c.began = time.Now()
	if err := c.cmd.Start(); err != nil {
		return nil, err
	}
	go func() { // ends with the process
		defer close(c.reports)
		for lines := bufio.NewScanner(out); lines.Scan(); {
			var r report
			if err := json.Unmarshal(lines.Bytes(), &r); err != nil {
				c.err = errors.Join(c.err, err)
			}
			c.reports <- r
		}
		if err := c.cmd.Wait(); err != nil {
			c.err = errors.Join(c.err, err, errors.New(strings.TrimSpace(c.errs.String())))
		}
	}()
	return c, nil
}

// await gives the next report of a kind.
func (c *child) await(what string) (report, error) {
	limit := time.NewTimer(10 * patience)
	defer limit.Stop()
	for {
		select {
		case r, ok := <-c.reports:
			if !ok {
				return r, errors.Join(fmt.Errorf("a child ended before it reported %q", what), c.err)
			}
			if r.What == what {
				return r, nil
			}
		case <-limit.C:
			return report{}, fmt.Errorf("a child has not reported %q in %v", what, 10*patience)
		}
	}
}

// end asks the child to end and waits for it.
func (c *child) end() error {
	c.in.Close()
	for range c.reports {
	}
	return c.err
}

// oneReport runs a child that reports once.
func oneReport(o order, before ...string) (report, error) {
	c, err := startChild(context.Background(), o, before...)
	if err != nil {
		return report{}, err
	}
	r, err := c.await("done")
	return r, errors.Join(err, c.end())
}

// memStats is /proc/PID/status, in bytes.
type memStats struct{ Anon, File, RSS int64 }

func memOf(pid string) (m memStats, err error) {
	v, err := procFields("/proc/"+pid+"/status", map[string]int64{"RssAnon": 0, "RssFile": 0, "VmRSS": 0})
	return memStats{v["RssAnon"] << 10, v["RssFile"] << 10, v["VmRSS"] << 10}, err
}

// written is how many bytes a process has had written to disks, or will: pages count when they are made dirty, those of the
// file system's own bookkeeping among them.
func written(pid string) (int64, error) {
	v, err := procFields("/proc/"+pid+"/io", map[string]int64{"write_bytes": 0})
	return v["write_bytes"], err
}

// procFields fills in want from lines such as "RssAnon:  120 kB".
func procFields(path string, want map[string]int64) (map[string]int64, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return want, err
	}
	found := 0
	for line := range strings.Lines(string(text)) {
		name, rest, _ := strings.Cut(line, ":")
		if _, ok := want[name]; !ok {
			continue
		}
		n, err := strconv.ParseInt(strings.Fields(rest)[0], 10, 64)
		if err != nil {
			return want, fmt.Errorf("read %s: %q", path, line)
		}
		want[name] = n
		found++
	}
	if found < len(want) {
		return want, fmt.Errorf("read %s: not all there", path)
	}
	return want, nil
}
