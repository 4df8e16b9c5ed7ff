package logbook

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"net/url"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"longlane/queue/history"
)

// OpenReader opens the history of a state directory to be read: through the gateway that runs there, or if none does, its file. close lets
// go of it. Errors: those of history.OpenRead, with history.ErrLocked for a gateway that runs and does not answer.
func OpenReader(ctx context.Context, dir string) (r Reader, close func() error, err error) {
	c := newClient(ctx, filepath.Join(dir, Socket))
	switch _, err := c.Subjects(history.Watch); {
	case err == nil:
		return c, c.close, nil
	case !nobody(err):
		return nil, nil, errors.Join(err, c.close())
	}
	c.close()
	s, err := history.OpenRead(filepath.Join(dir, history.File))
	if err != nil {
		return nil, nil, err
	}
	return s, s.Close, nil
}

// Copy writes a copy of the history of a state directory to w, see [history.Store.Copy]: through the gateway that runs there, or if none
// does, of its file. Errors: those of OpenReader, history.ErrCopy for a gateway that was stopped meanwhile, and those of w.
func Copy(ctx context.Context, dir string, w io.Writer) error {
	c := newClient(ctx, filepath.Join(dir, Socket))
	err := c.copy(w)
	c.close()
	if !nobody(err) {
		return err
	}
	s, err := history.OpenRead(filepath.Join(dir, history.File))
	if err != nil {
		return err
	}
	return errors.Join(copyTo(ctx, s, w), s.Close())
}

// copyTo is Copy of an open history, which ctx ends.
func copyTo(ctx context.Context, s *history.Store, w io.Writer) error {
	_, err := s.Copy(writerFunc(func(b []byte) (int, error) {
		if err := ctx.Err(); err != nil {
			return 0, fmt.Errorf("stopped: %w", err)
		}
		return w.Write(b)
	}))
	return err
}

func (c *client) copy(w io.Writer) error {
	body, trailer, err := c.get("copy", nil)
	if err != nil {
		return err
	}
	defer body.Close()
	var failed error // of w: ReadCopy would take it for damage
	if _, err := history.ReadCopy(io.TeeReader(body, writerFunc(func(b []byte) (n int, err error) {
		n, failed = w.Write(b)
		return n, failed
	}))); failed != nil {
		return failed
	} else if err != nil {
		if why := trailer.Get(copyTrailer); why != "" {
			return fmt.Errorf("the gateway cannot copy its history: %s", why)
		}
		return fmt.Errorf("%w (%w)", errCut, err)
	}
	return nil
}

// nobody reports whether there is no socket, or nobody behind it.
func nobody(err error) bool {
	return errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ECONNREFUSED)
}

// client reads the history of a gateway that runs.
type client struct {
	ctx context.Context
	way *http.Transport
	c   *http.Client
}

func newClient(ctx context.Context, path string) *client {
	t := &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return (&net.Dialer{Timeout: 5 * time.Second}).DialContext(ctx, "unix", path)
	}, ResponseHeaderTimeout: openPatience + flushLimit + 10*time.Second, DisableCompression: true}
	return &client{ctx, t, &http.Client{Transport: t}}
}

func (c *client) close() error {
	c.way.CloseIdleConnections()
	return nil
}

// errCut is for an answer that lacks its end.
var errCut = errors.New("the gateway's answer was cut short; it may have been stopped: try again")

const longestLine = 1 << 20

// get asks, and gives the answer, to be closed, and what comes behind it.
func (c *client) get(path string, v url.Values) (body io.ReadCloser, trailer http.Header, err error) {
	req, err := http.NewRequestWithContext(c.ctx, http.MethodGet, "http://gateway/"+path+"?"+v.Encode(), nil)
	if err != nil {
		return nil, nil, err
	}
	resp, err := c.c.Do(req)
	if err != nil {
		return nil, nil, fmt.Errorf("ask the gateway for its history: %w", err)
	}
	if resp.StatusCode != http.StatusOK {
		text, _ := io.ReadAll(io.LimitReader(resp.Body, 1024))
		resp.Body.Close()
		return nil, nil, fmt.Errorf("the gateway does not answer for its history: %s (is it of an earlier version? start it anew)", strings.TrimSpace(string(text)))
	}
	return resp.Body, resp.Trailer, nil
}

// each calls fn with each record of an answer.
func each[W any](c *client, path string, v url.Values, fn func(*W) error) error {
	body, _, err := c.get(path, v)
	if err != nil {
		return err
	}
	defer body.Close()
	lines := bufio.NewScanner(body)
	lines.Buffer(make([]byte, 0, 64<<10), longestLine)
	for lines.Scan() {
		var l line[W]
		switch err := json.Unmarshal(lines.Bytes(), &l); {
		case err != nil:
			return fmt.Errorf("the gateway's answer cannot be read: %w", err)
		case l.Error != "":
			return fmt.Errorf("the gateway cannot read its history: %s", l.Error)
		case l.End:
			return nil
		}
		if err := fn(&l.Record); err != nil {
			return err
		}
	}
	return errors.Join(errCut, lines.Err())
}

// wire is a record as JSON that can be made one again.
type wire[T any] interface{ record() (T, error) }

// walk calls fn with each record of an answer, read as W.
func walk[T any, W any, P interface {
	*W
	wire[T]
}](c *client, path string, v url.Values, fn func(*T) error) error {
	return each(c, path, v, func(w *W) error {
		t, err := P(w).record()
		if err != nil {
			return fmt.Errorf("the gateway's answer cannot be read: %w", err)
		}
		return fn(&t)
	})
}

func between(from, to time.Time) url.Values {
	return url.Values{"from": {from.UTC().Format(time.RFC3339Nano)}, "to": {to.UTC().Format(time.RFC3339Nano)}}
}

func kindName(k history.Kind) string {
	if k == history.Sound {
		return "annunciator"
	}
	return "zone"
}

func (c *client) Trips(from, to time.Time, fn func(*history.Trip) error) error {
	return walk[history.Trip, Trip](c, "trips", between(from, to), fn)
}

func (c *client) Faults(from, to time.Time, fn func(*history.Fault) error) error {
	return walk[history.Fault, Fault](c, "faults", between(from, to), fn)
}

func (c *client) Hours(from, to time.Time, fn func(*history.Hour) error) error {
	return walk[history.Hour, Hour](c, "hours", between(from, to), fn)
}

func (c *client) Spans(kind history.Kind, subject string, from, to time.Time, fn func(*history.Span) error) error {
	v := between(from, to)
	v.Set("kind", kindName(kind))
	v.Set("subject", subject)
	return walk[history.Span, Span](c, "spans", v, func(s *history.Span) error {
		s.Kind = kind
		return fn(s)
	})
}

func (c *client) Subjects(kind history.Kind) (list []string, err error) {
	err = each(c, "subjects", url.Values{"kind": {kindName(kind)}}, func(name *string) error {
		list = append(list, *name)
		return nil
	})
	return list, err
}

func (c *client) Unplaced(trip func(*history.Trip) error, fault func(*history.Fault) error) error {
	if trip != nil {
		if err := walk[history.Trip, Trip](c, "unplaced/trips", nil, trip); err != nil {
			return err
		}
	}
	if fault != nil {
		return walk[history.Fault, Fault](c, "unplaced/faults", nil, fault)
	}
	return nil
}
