// Package client follows a gateway over the board's HTTP API: what stands now, and what happens. It reconnects by itself, and
// knows that it has missed nothing or says that it may have.
package client

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"strings"
	"time"

	"longlane/gateway/board"
)

// Errors after which trying again is of no use; test with errors.Is.
var (
	// ErrPassword: the board wants a password and was given none, or another.
	ErrPassword = errors.New("the page wants its password")
	// ErrStranger: something answers that is no board.
	ErrStranger = errors.New("what answers there is no Longlane page")
)

// Options say what to follow.
type Options struct {
	URL string // of the page: http or https, host and port
	// Password is asked when the board wants it; nil or "": there is none.
	Password func() (string, error)
	// Silence is after how long without a sign of life a stream is given up; 0: 40 s. The board gives one each 15 s.
	Silence time.Duration
	// Again and Most are the first and the longest wait before another try; 0: 1 s and 30 s.
	Again, Most time.Duration
}

// Client speaks to one board. It is not safe for concurrent use.
type Client struct {
	o    Options
	base *url.URL
	http *http.Client
}

// New makes a client. It does not connect.
func New(o Options) (*Client, error) {
	u, err := url.Parse(o.URL)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Hostname() == "" || u.User != nil || strings.Trim(u.Path, "/") != "" || u.RawQuery != "" {
		return nil, fmt.Errorf(`found %q, expected the page's address such as "http://127.0.0.1:9465"`, o.URL)
	}
	jar, err := cookiejar.New(nil)
	if err != nil {
		return nil, err
	}
	for _, d := range []struct {
		p *time.Duration
		v time.Duration
	}{{&o.Silence, 40 * time.Second}, {&o.Again, time.Second}, {&o.Most, 30 * time.Second}} {
		if *d.p == 0 {
			*d.p = d.v
		}
	}
	u.Path = ""
	c := &Client{o: o, base: u, http: &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
	return c, nil
}

const (
	answerLimit = 15 * time.Second
	mostAnswer  = 8 << 20 // bytes
	mostLine    = 1 << 20
)

// Now asks for all that is current.
func (c *Client) Now(ctx context.Context) (*board.Situation, error) {
	var s board.Situation
	if err := c.get(ctx, "/api/now", &s); err != nil {
		return nil, err
	}
	if s.Gateway == "" {
		return nil, ErrStranger
	}
	return &s, nil
}

// Trips asks for the newest trips of the last day.
func (c *Client) Trips(ctx context.Context, limit int) (list []board.Trip, err error) {
	err = c.get(ctx, fmt.Sprintf("/api/trips?limit=%d", limit), &list)
	return list, err
}

// get asks, and logs in if need be.
func (c *Client) get(ctx context.Context, path string, v any) error {
	ctx, stop := context.WithTimeout(ctx, answerLimit)
	defer stop()
	a, err := c.ask(ctx, path, nil)
	if err != nil {
		return err
	}
	defer a.Body.Close()
	if err := json.NewDecoder(io.LimitReader(a.Body, mostAnswer)).Decode(v); err != nil {
		return fmt.Errorf("%w: %w", ErrStranger, err)
	}
	return nil
}

// ask returns an answer of 200. The second time it has logged in.
func (c *Client) ask(ctx context.Context, path string, header http.Header) (*http.Response, error) {
	for again := false; ; again = true {
		r, err := http.NewRequestWithContext(ctx, http.MethodGet, c.base.String()+path, nil)
		if err != nil {
			return nil, err
		}
		for k, v := range header {
			r.Header[k] = v
		}
		a, err := c.http.Do(r)
		if err != nil {
			return nil, bare(err)
		}
		if a.StatusCode == http.StatusOK {
			return a, nil
		}
		err = refusal(a)
		if a.StatusCode != http.StatusUnauthorized || again {
			return nil, err
		}
		if err := c.login(ctx); err != nil {
			return nil, err
		}
	}
}

// refusal says why a request was not answered with 200, in the board's words if it has any.
func refusal(a *http.Response) error {
	defer a.Body.Close()
	var said struct {
		Error string `json:"error"`
	}
	err := json.NewDecoder(io.LimitReader(a.Body, 64<<10)).Decode(&said)
	switch {
	case a.StatusCode == http.StatusUnauthorized:
		return ErrPassword
	case err == nil && said.Error != "":
		return errors.New(said.Error)
	case a.StatusCode == http.StatusNotFound || a.StatusCode < 400:
		return fmt.Errorf("%w: it says %s", ErrStranger, a.Status)
	}
	return errors.New("the gateway says " + a.Status)
}

// bare is an error of the HTTP client without the URL, which the caller names.
func bare(err error) error {
	var u *url.Error
	if errors.As(err, &u) {
		return u.Err
	}
	return err
}

func (c *Client) login(ctx context.Context) error {
	password := ""
	if c.o.Password != nil {
		var err error
		if password, err = c.o.Password(); err != nil {
			return err
		}
	}
	if password == "" {
		return ErrPassword
	}
	body := url.Values{"password": {password}}.Encode()
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, c.base.String()+"/login", strings.NewReader(body))
	if err != nil {
		return err
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	a, err := c.http.Do(r)
	if err != nil {
		return bare(err)
	}
	a.Body.Close()
	switch a.StatusCode {
	case http.StatusSeeOther:
		return nil
	case http.StatusTooManyRequests:
		return fmt.Errorf("too many tries of a password; wait %s s", a.Header.Get("Retry-After"))
	}
	return fmt.Errorf("%w, and this is another", ErrPassword)
}

// Update is what Follow tells: exactly one of its fields is set.
type Update struct {
	Now   *board.Situation // when connected, and after whatever changes it
	Event *board.Event     // as it came
	Raw   []byte           // beside Event: its bytes
	Gap   bool             // events may have been missed
	Lost  error            // the connection; it is tried again
}

// Follow tells what stands and what happens until ctx ends, and returns nil then; or what cannot be helped by trying again. tell is
// called from one goroutine, and may take its time.
func (c *Client) Follow(ctx context.Context, tell func(Update)) error {
	last, wait := "", c.o.Again
	for ctx.Err() == nil {
		connected, err := c.once(ctx, &last, tell)
		if ctx.Err() != nil {
			break
		}
		if errors.Is(err, ErrPassword) || errors.Is(err, ErrStranger) {
			return err
		}
		tell(Update{Lost: err})
		if connected {
			wait = c.o.Again
		}
		// Jittered, so that all who lost the same gateway do not come back at the same moment.
		select {
		case <-time.After(wait/2 + rand.N(wait/2+1)):
		case <-ctx.Done():
		}
		wait = min(2*wait, c.o.Most)
	}
	return nil
}

// once is one connection's life. last is the id of the last event told.
func (c *Client) once(ctx context.Context, last *string, tell func(Update)) (connected bool, err error) {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	// The silence is counted from before the connection: a host that takes it and says nothing is one that has gone.
	watch := time.AfterFunc(c.o.Silence, stop)
	defer watch.Stop()
	header := http.Header{}
	if *last != "" {
		header.Set("Last-Event-ID", *last)
	}
	a, err := c.ask(ctx, "/api/events", header)
	if err != nil {
		return false, err
	}
	defer a.Body.Close()
	if !strings.HasPrefix(a.Header.Get("Content-Type"), "text/event-stream") {
		return false, ErrStranger
	}
	// After the stream stands: what happens in between comes by it.
	if err := c.refresh(ctx, tell); err != nil {
		return false, err
	}
	err = c.read(ctx, a.Body, last, func() { watch.Reset(c.o.Silence) }, tell)
	if err == nil || errors.Is(err, context.Canceled) {
		err = errors.New("the connection has ended")
	}
	return true, err
}

func (c *Client) read(ctx context.Context, r io.Reader, last *string, alive func(), tell func(Update)) error {
	lines := bufio.NewScanner(r)
	lines.Buffer(make([]byte, 4096), mostLine)
	var name, id string
	var data []byte
	for lines.Scan() {
		alive()
		field, value, _ := bytes.Cut(lines.Bytes(), []byte(": "))
		switch string(field) {
		case "event":
			name = string(value)
		case "id":
			id = string(value)
		case "data":
			data = bytes.Clone(value)
		case "": // the end of an event, or a comment, which is a sign of life
			if len(value) > 0 { // ages have grown meanwhile
				if err := c.refresh(ctx, tell); err != nil {
					return err
				}
				continue
			}
			if name == "" {
				continue
			}
			*last = id
			if err := c.take(ctx, name, data, tell); err != nil {
				return err
			}
			name, data = "", nil
		}
	}
	return lines.Err()
}

func (c *Client) take(ctx context.Context, name string, data []byte, tell func(Update)) error {
	switch name {
	case "welcome":
		return nil
	case "reset":
		tell(Update{Gap: true})
	default:
		var e board.Event
		if err := json.Unmarshal(data, &e); err != nil {
			return fmt.Errorf("read event: %w", err)
		}
		tell(Update{Event: &e, Raw: data})
	}
	return c.refresh(ctx, tell)
}

func (c *Client) refresh(ctx context.Context, tell func(Update)) error {
	now, err := c.Now(ctx)
	if err != nil {
		return err
	}
	tell(Update{Now: now})
	return nil
}
