package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"golang.org/x/term"

	page "longlane/gateway/board"
	"longlane/gateway/board/client"
	"longlane/gateway/config"
)

var watchCommand = command{
	name:  "watch",
	brief: "the lane in a terminal, live, from the gateway's page",
	usage: "[--url URL] [--password-file FILE] [--json]",
	example: `  longlane watch
  longlane watch --url http://house.lan:9465 --password-file ~/lane.pass
  longlane watch --json | jq 'select(.kind == "trip") | .trip.title'

On a terminal it draws itself anew; elsewhere it writes a line for each event, with --json an object a line, as the document at
/api/openapi.json describes. It reconnects by itself. Exit code 0: ended by Ctrl-C; 1: what answers is no such page; 2: bad
usage, or the password is missing or wrong.`,
	run: runWatch,
}

func runWatch(ctx context.Context, c *call) error {
	o := client.Options{}
	c.StringVar(&o.URL, "url", "http://127.0.0.1:9465", "the page's `address`")
	file := c.String("password-file", "", "the `file` with the page's password, in one line, chmod 600")
	asJSON := c.Bool("json", false, "write each event as JSON, one a line")
	if _, err := c.parse(0); err != nil {
		return err
	}
	if *file != "" {
		if _, err := config.ReadSecret(*file); err != nil {
			return badUsage("--password-file: %w", err)
		}
		o.Password = func() (string, error) { return config.ReadSecret(*file) } // anew, for it may have been changed meanwhile
	}
	cl, err := client.New(o)
	if err != nil {
		return badUsage("--url: %w", err)
	}
	w := &watcher{c: c, client: cl, url: o.URL, json: *asJSON, terminal: !*asJSON && isTerminal(c.out) && os.Getenv("TERM") != "dumb"}
	w.view.Colour = w.terminal && os.Getenv("NO_COLOR") == ""
	err = cl.Follow(ctx, func(u client.Update) { w.take(ctx, u) })
	w.end()
	switch {
	case errors.Is(err, client.ErrPassword):
		return badUsage("%s: %w; give it with --password-file FILE", o.URL, err)
	case err != nil:
		return fmt.Errorf("%s: %w", o.URL, err)
	}
	return nil
}

// watcher shows what the client tells.
type watcher struct {
	c        *call
	client   *client.Client
	url      string
	json     bool
	terminal bool
	view     client.View
	drawn    bool
	shown    bool // the first situation, where it is written once
}

// shownTrips are as many as one looks at.
const shownTrips = 8

func (w *watcher) take(ctx context.Context, u client.Update) {
	switch {
	case u.Lost != nil:
		w.lost(u.Lost)
	case u.Gap:
		w.view.Gap = true
		w.line("", `{"kind":"reset"}`)
	case u.Event != nil:
		w.line(eventLine(u.Event), string(u.Raw))
	case u.Now != nil:
		if w.view.Lost != nil && !w.terminal {
			fmt.Fprintln(w.c.err, "longlane watch: connected again")
		}
		w.view.Now, w.view.Lost = u.Now, nil
		if w.json {
			return
		}
		if trips, err := w.client.Trips(ctx, shownTrips); err == nil {
			w.view.Trips = trips
		}
		if !w.terminal && !w.shown {
			w.shown = true
			fmt.Fprintln(w.c.out, strings.Join(w.view.Lines(), "\n"))
		}
	}
	w.draw()
}

// lost tells once that the connection is lost, however often it is tried again.
func (w *watcher) lost(err error) {
	if w.view.Lost == nil {
		w.view.Since = time.Now()
		if !w.terminal {
			fmt.Fprintf(w.c.err, "longlane watch: %s: %v; trying again; does the gateway run, with this address as `http` in its config?\n", w.url, err)
		}
	}
	w.view.Lost = err
}

func (w *watcher) line(text, raw string) {
	switch {
	case w.json:
		fmt.Fprintln(w.c.out, raw)
	case !w.terminal && text != "":
		fmt.Fprintln(w.c.out, text)
	}
}

// eventLine is an event for people; "" if there is nothing to say.
func eventLine(e *page.Event) string {
	switch {
	case e.Trip != nil:
		return "somebody came: " + client.TripLine(*e.Trip)
	case e.Fault != nil && e.Fault.Ended:
		return "mended: " + e.Fault.Reason
	case e.Fault != nil && e.Fault.Seen != nil:
		return "seen: " + e.Fault.Reason
	case e.Fault != nil:
		return e.Fault.Severity.String() + ": " + e.Fault.Reason + " " + e.Fault.Remedy
	case e.Zone != nil:
		s := e.Zone.Title + " is " + e.Zone.State
		if e.Zone.Why != "" {
			s += ": " + e.Zone.Why
		}
		return s
	}
	return ""
}

func (w *watcher) draw() {
	f, ok := w.c.out.(*os.File)
	if !w.terminal || !ok {
		return
	}
	if width, height, err := term.GetSize(int(f.Fd())); err == nil {
		w.view.Width, w.view.Height = width, height-1
	}
	begin := "\x1b[H"
	if !w.drawn {
		begin, w.drawn = "\x1b[H\x1b[2J", true
	}
	fmt.Fprint(f, begin+strings.Join(w.view.Lines(), "\x1b[K\n")+"\x1b[K\n\x1b[J")
}

// end leaves the picture standing, and the prompt below it.
func (w *watcher) end() {
	if w.drawn {
		fmt.Fprintln(w.c.out)
	}
}
