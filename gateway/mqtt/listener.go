package mqtt

import (
	"log/slog"
	"net"
	"sync"
	"time"

	"github.com/mochi-mqtt/server/v2/listeners"
)

const (
	// maxConns bounds connections that have yet to say who they are, together with the clients.
	maxConns = 2 * maxClients
	// turnTimeout is how long a client waits for the end of an earlier connection of the same name.
	turnTimeout = 5 * time.Second
)

// turnstile accepts the embedded broker's connections, and lets two of the same client ID follow but never overlap.
//
// The broker library removes a client that has gone by its ID. When a client comes back at once, as after a lost
// connection, that can remove the new connection instead of the old: it stays open, pings are answered, and it never
// hears a message again. Here the new one waits until the library has quite finished with the old.
type turnstile struct {
	ln net.Listener

	mu      sync.Mutex
	ended   bool
	conns   map[*brokerConn]bool
	names   map[string]*brokerConn // who has the client ID
	serving sync.WaitGroup
}

// brokerConn is one accepted connection.
type brokerConn struct {
	net.Conn
	name string        // client ID that it holds, guarded by turnstile.mu
	gone chan struct{} // closed when the library has finished with it
}

func newTurnstile(ln net.Listener) *turnstile {
	return &turnstile{ln: ln, conns: make(map[*brokerConn]bool), names: make(map[string]*brokerConn)}
}

// These are what the broker library asks of a listener.
func (*turnstile) ID() string              { return "tcp" }
func (*turnstile) Protocol() string        { return "tcp" }
func (*turnstile) Init(*slog.Logger) error { return nil }
func (l *turnstile) Address() string       { return l.ln.Addr().String() }

// Serve accepts until Close.
func (l *turnstile) Serve(establish listeners.EstablishFn) {
	for {
		nc, err := l.ln.Accept()
		if err == nil {
			l.serve(nc, establish)
			continue
		}
		l.mu.Lock()
		ended := l.ended
		l.mu.Unlock()
		if ended {
			return
		}
		time.Sleep(100 * time.Millisecond) // out of file descriptors, most likely: they come back
	}
}

func (l *turnstile) serve(nc net.Conn, establish listeners.EstablishFn) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.ended || len(l.conns) >= maxConns {
		_ = nc.Close()
		return
	}
	c := &brokerConn{Conn: nc, gone: make(chan struct{})}
	l.conns[c] = true
	l.serving.Go(func() {
		_ = establish(l.ID(), c) // its error is a client's misbehaviour or departure
		_ = c.Close()
		l.leave(c)
	})
}

func (l *turnstile) leave(c *brokerConn) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.conns, c)
	if l.names[c.name] == c {
		delete(l.names, c.name)
	}
	close(c.gone)
}

// take gives name to c, after it has closed an earlier connection of that name and seen it gone. It reports whether
// that came about in time.
func (l *turnstile) take(name string, c *brokerConn) bool {
	deadline := time.NewTimer(turnTimeout)
	defer deadline.Stop()
	for {
		l.mu.Lock()
		earlier := l.names[name]
		if earlier == nil {
			l.names[name], c.name = c, name
		}
		l.mu.Unlock()
		if earlier == nil {
			return true
		}
		_ = earlier.Close()
		select {
		case <-earlier.gone:
		case <-deadline.C:
			return false
		}
	}
}

// Close ends every connection and returns when the library has finished with all. It cuts them before the library can say
// DISCONNECT, which a client of MQTT 3.1.1 must not hear (section 3.14) and which common clients, those of MQTT 5 too,
// take as the end for good. After a lost connection they come back.
func (l *turnstile) Close(closeClients listeners.CloseFn) {
	l.mu.Lock()
	l.ended = true
	_ = l.ln.Close()
	for c := range l.conns {
		_ = c.Close()
	}
	l.mu.Unlock()
	l.serving.Wait() // first: the library's list of clients does not bear that one leaves while it is read, and all would stand still
	closeClients(l.ID())
}
