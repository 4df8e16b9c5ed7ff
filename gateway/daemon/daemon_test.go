package daemon

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"longlane/gateway/config"
	"longlane/gateway/roster"
)

// orchard is a config with a state directory in which a site has been set up.
func orchard(t *testing.T, more string) *config.Config {
	t.Helper()
	dir := t.TempDir()
	r, err := roster.Create(filepath.Join(dir, "state"), "hill-orchard")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := r.Add(roster.Node{Name: "river-gate", Inputs: []roster.Input{{Zone: "river-gate"}}}); err != nil {
		t.Fatal(err)
	}
	if err := r.Save(); err != nil {
		t.Fatal(err)
	}
	text := fmt.Sprintf("site = \"hill-orchard\"\ngateway = \"house\"\nhttp = \"127.0.0.1:0\"\nstate = %q\n", filepath.Join(dir, "state"))
	cfg, err := config.Parse("test.toml", []byte(text+strings.ReplaceAll(more, "DIR", dir)))
	if err != nil {
		t.Fatal(err)
	}
	return cfg
}

// logBuffer is what a gateway logged.
type logBuffer struct {
	mu   sync.Mutex
	text strings.Builder
}

func (b *logBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.Write(p)
}

func (b *logBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.String()
}

// start runs a gateway until the test ends or stop is called, which gives what Run returned.
func start(t *testing.T, cfg *config.Config) (d *Daemon, log *logBuffer, stop func() error) {
	t.Helper()
	log = &logBuffer{}
	d, err := New(cfg, slog.New(slog.NewTextHandler(log, nil)), nil)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		err = d.Run(ctx)
	}()
	stop = func() error {
		cancel()
		<-done
		return err
	}
	t.Cleanup(func() { stop() })
	return d, log, stop
}

// await looks until what is sought is there; what says what that is, and what was found instead.
func await(t *testing.T, look func() (there bool, what string)) {
	t.Helper()
	again := time.NewTicker(20 * time.Millisecond)
	defer again.Stop()
	for end := time.Now().Add(time.Minute); ; <-again.C {
		there, what := look()
		if there {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("waited a minute in vain for %s", what)
		}
	}
}

// awaitReady asks /readyz until it answers with this code and these words as the reason.
func awaitReady(t *testing.T, d *Daemon, code int, want health) {
	t.Helper()
	await(t, func() (bool, string) {
		got, text := get(t, d, "/readyz")
		var said health
		if err := json.Unmarshal([]byte(text), &said); err != nil {
			t.Fatalf("/readyz: %v in %q", err, text)
		}
		return got == code && said.OK == want.OK && said.Reason == want.Reason && maps.Equal(said.Parts, want.Parts),
			fmt.Sprintf("/readyz to answer %d %+v; it answers %d %+v", code, want, got, said)
	})
}

func get(t *testing.T, d *Daemon, path string) (code int, text string) {
	t.Helper()
	r, err := http.Get("http://" + d.HTTPAddr().String() + path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return r.StatusCode, string(b)
}

const mast = "[[modem]]\nname = \"mast\"\ndevice = \"DIR/modem\"\nfrequency = 868100000\n"

// TestReadyReason: /readyz says in words what is missing, and says nothing when nothing is.
func TestReadyReason(t *testing.T) {
	cfg := orchard(t, mast+"[embedded]\nlisten = \"127.0.0.1:0\"\n")
	device := cfg.Modem[0].Device
	d, _, _ := start(t, cfg)
	parts := map[string]bool{"queue": true, "serving": true, "bearer mast": false, "sink mqtt": true}
	awaitReady(t, d, 503, health{Parts: parts, Reason: "bearer mast: there is no " + device + ": is the modem plugged in?"})
	if err := os.WriteFile(device, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	awaitReady(t, d, 503, health{Parts: parts, Reason: "bearer mast: no modem answers at " + device})
	if code, text := get(t, d, "/healthz"); code != 200 || strings.Contains(text, "reason") {
		t.Errorf("/healthz answers %d %s, want 200 and no reason", code, text)
	}
}

// TestReadyReasonOfOneOfTwo: with one bearer up the gateway is ready, and still says of the other why it is not.
func TestReadyReasonOfOneOfTwo(t *testing.T) {
	cfg := orchard(t, mast+"[wifi]\nlisten = \"127.0.0.1:0\"\n[embedded]\nlisten = \"127.0.0.1:0\"\n")
	d, _, _ := start(t, cfg)
	awaitReady(t, d, 200, health{OK: true, Reason: "bearer mast: there is no " + cfg.Modem[0].Device + ": is the modem plugged in?",
		Parts: map[string]bool{"queue": true, "serving": true, "bearer mast": false, "bearer wifi": true, "sink mqtt": true}})
}

// TestReadyReasonOfBroker: the broker's address is told, and why there is no session.
func TestReadyReasonOfBroker(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	l.Close()
	d, _, _ := start(t, orchard(t, fmt.Sprintf("[wifi]\nlisten = \"127.0.0.1:0\"\n[broker]\nurl = %q\n", "mqtt://"+addr)))
	awaitReady(t, d, 503, health{Reason: fmt.Sprintf("sink mqtt: no session: broker %s: cannot connect: dial tcp %[1]s: connect: connection refused: "+
		"is the broker running, and is the address right?", addr),
		Parts: map[string]bool{"queue": true, "serving": true, "bearer wifi": true, "sink mqtt": false}})
}

// TestPoliteStop: a stop that was asked for is logged and is no failure, even while a client keeps a connection open.
func TestPoliteStop(t *testing.T) {
	d, log, stop := start(t, orchard(t, "[wifi]\nlisten = \"127.0.0.1:0\"\n[embedded]\nlisten = \"127.0.0.1:0\"\n"))
	get(t, d, "/healthz")
	c, err := net.Dial("tcp", d.HTTPAddr().String()) // and says nothing
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	get(t, d, "/healthz") // connections are accepted in order: the server has the silent one
	if err := stop(); err != nil {
		t.Errorf("Run = %v after a stop that was asked for, want nil", err)
	}
	text := log.String()
	stopping, stopped := strings.Index(text, "level=INFO msg=stopping"), strings.Index(text, "level=INFO msg=stopped")
	if stopping < 0 || stopped < stopping {
		t.Errorf("the log lacks \"stopping\" and then \"stopped\":\n%s", text)
	}
}

func TestAnotherSite(t *testing.T) {
	cfg := orchard(t, "[wifi]\nlisten = \"127.0.0.1:0\"\n")
	cfg.Site = "mill"
	if _, err := New(cfg, slog.New(slog.DiscardHandler), nil); !errors.Is(err, ErrSite) || !strings.Contains(err.Error(), `"mill"`) {
		t.Errorf("New with another site's state = %v, want %v", err, ErrSite)
	}
}

// pipes is a listener whose connections are in memory, so that their time is the bubble's.
type pipes struct {
	conns chan net.Conn
	done  chan struct{}
}

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.done:
		return nil, net.ErrClosed
	}
}

func (p *pipes) Close() error   { close(p.done); return nil }
func (p *pipes) Addr() net.Addr { return &net.UnixAddr{Name: "pipe"} }

// talk has a client with the server in a bubble, and gives how long the server kept the connection after say returned.
func talk(t *testing.T, say func(t *testing.T, c net.Conn)) (kept time.Duration) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		long := http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, strings.Repeat("x", 1<<20)) })
		srv := newServer(long)
		l := &pipes{make(chan net.Conn), make(chan struct{})}
		served := make(chan struct{})
		go func() {
			defer close(served)
			srv.Serve(l)
		}()
		client, server := net.Pipe()
		closed := make(chan struct{})
		l.conns <- &told{Conn: server, closed: closed}
		say(t, client)
		began := time.Now()
		select {
		case <-closed:
			kept = time.Since(began)
		case <-time.After(time.Hour):
			t.Error("the server keeps the connection for ever")
		}
		client.Close()
		srv.Close()
		<-served
	})
	return kept
}

// told says when the server has closed its end.
type told struct {
	net.Conn
	closed chan struct{}
	once   sync.Once
}

func (c *told) Close() error {
	c.once.Do(func() { close(c.closed) })
	return c.Conn.Close()
}

// TestServerBounds: a client that is slow, idle, or sends without end does not keep a connection.
func TestServerBounds(t *testing.T) {
	for _, c := range []struct {
		name string
		most time.Duration
		say  func(t *testing.T, c net.Conn)
	}{
		{"half a header", 5 * time.Second, func(t *testing.T, c net.Conn) { io.WriteString(c, "GET / HTTP/1.1\r\nHost: x\r\n") }},
		{"a body that does not come", 11 * time.Second, func(t *testing.T, c net.Conn) {
			go io.Copy(io.Discard, c) // ends with the connection
			io.WriteString(c, "POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 100\r\n\r\n")
		}},
		{"an answer that is not read", 31 * time.Second, func(t *testing.T, c net.Conn) {
			io.WriteString(c, "GET / HTTP/1.1\r\nHost: x\r\n\r\n")
		}},
		{"idle", 2 * time.Minute, func(t *testing.T, c net.Conn) {
			io.WriteString(c, "GET / HTTP/1.1\r\nHost: x\r\n\r\n")
			r, err := http.ReadResponse(bufio.NewReader(c), nil)
			if err != nil {
				t.Fatal(err)
			}
			if n, err := io.Copy(io.Discard, r.Body); n != 1<<20 || err != nil {
				t.Errorf("the answer has %d bytes, %v", n, err)
			}
		}},
	} {
		if kept := talk(t, c.say); kept > c.most {
			t.Errorf("%s: the connection was kept for %s, want at most %s", c.name, kept, c.most)
		}
	}
	talk(t, func(t *testing.T, c net.Conn) {
		go func() { // ends with the connection
			io.WriteString(c, "GET / HTTP/1.1\r\nHost: x\r\nX: "+strings.Repeat("x", 64<<10))
		}()
		r, err := http.ReadResponse(bufio.NewReader(c), nil)
		if err != nil || r.StatusCode != http.StatusRequestHeaderFieldsTooLarge {
			t.Errorf("a header of 64 KiB is answered %v, %v; want %d", r, err, http.StatusRequestHeaderFieldsTooLarge)
		}
		go io.Copy(io.Discard, c) // ends with the connection
	})
}

// TestShut: what was opened last is closed first, all of it whatever fails, and once.
func TestShut(t *testing.T) {
	var o opened
	var closed []int
	failed := errors.New("disk gone")
	for i := range 3 {
		o.close = append(o.close, func() error {
			closed = append(closed, i)
			return failed
		})
	}
	if err := o.shut(); !errors.Is(err, failed) || !slices.Equal(closed, []int{2, 1, 0}) {
		t.Errorf("shut = %v, and closed %v, want 2, 1, 0 and the failures", err, closed)
	}
	if err := o.shut(); err != nil || len(closed) != 3 {
		t.Errorf("a second shut = %v, and %d were closed, want none again", err, len(closed))
	}
}
