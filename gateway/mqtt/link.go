package mqtt

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"strings"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// Reason is why a connection to a broker ended or did not come about. The list is closed, so that it can label a
// counter; see Reasons.
type Reason string

const (
	ReasonSettings     Reason = "settings"      // a file named in the settings cannot be used
	ReasonCancelled    Reason = "cancelled"     // the caller's context ended while dialling
	ReasonUnreachable  Reason = "unreachable"   // no TCP connection
	ReasonTLS          Reason = "tls"           // no TLS, or a certificate that is not trusted
	ReasonSilent       Reason = "silent"        // connected, but no CONNACK came in time
	ReasonRefused      Reason = "refused"       // CONNACK with a refusal
	ReasonPeerClosed   Reason = "peer-closed"   // the broker closed between two packets: stopped, refused a topic, or another client took the name
	ReasonLost         Reason = "lost"          // reset, timed out, or cut within a packet
	ReasonProtocol     Reason = "protocol"      // the broker sent what it may not
	ReasonPingTimeout  Reason = "ping-timeout"  // no answer to a ping
	ReasonWriteTimeout Reason = "write-timeout" // the broker stopped reading
	ReasonAckDeadline  Reason = "ack-deadline"  // the oldest message went unacknowledged for too long
	ReasonPublish      Reason = "publish-error" // the client library would not publish
	ReasonSubscribe    Reason = "subscribe"     // the broker refused or ignored a subscription
	ReasonClosed       Reason = "closed"        // closed from this side
)

// Reasons lists every Reason.
func Reasons() []Reason {
	return []Reason{
		ReasonSettings, ReasonCancelled, ReasonUnreachable, ReasonTLS, ReasonSilent, ReasonRefused, ReasonPeerClosed, ReasonLost,
		ReasonProtocol, ReasonPingTimeout, ReasonWriteTimeout, ReasonAckDeadline, ReasonPublish, ReasonSubscribe, ReasonClosed,
	}
}

// EndError says why a connection ended or could not be made.
type EndError struct {
	Reason Reason
	Broker string // host:port
	Err    error  // what happened, in words
}

func (e *EndError) Error() string { return fmt.Sprintf("broker %s: %v", e.Broker, e.Err) }
func (e *EndError) Unwrap() error { return e.Err }

// Will is the message a broker publishes, at QoS 1 and retained, when a connection ends without a DISCONNECT.
type Will struct {
	Topic   string
	Payload []byte
}

// linkOptions are what a publishing and a subscribing connection have in common.
type linkOptions struct {
	url, clientID, user, passwordFile, caFile, serverName string
	will                                                  *Will
	durable                                               bool
	expect                                                expect
	keepAlive, pingTimeout, connectTimeout, writeTimeout  time.Duration
	dial                                                  func(ctx context.Context, network, addr string) (net.Conn, error)
	receive                                               func(*link, paho.Message)

	// reconnect lets the client library reconnect and hides lost connections, as a trusting program would have it.
	// It exists for the test that shows why this must never be done.
	reconnect bool
}

// check refuses what can never work.
func (o linkOptions) check() (endpoint, error) {
	e, err := parseURL(o.url)
	if err != nil {
		return e, err
	}
	switch {
	case o.clientID == "" || len(o.clientID) > 65535:
		return e, fmt.Errorf("client ID has %d bytes: expected 1 to 65535, and a name no other client of this broker has", len(o.clientID))
	case len(o.user) > 65535:
		return e, fmt.Errorf("broker user has %d bytes: at most 65535", len(o.user))
	case o.user == "" && o.passwordFile != "":
		return e, errors.New("a password file is set but no user: the broker needs both")
	case !e.secure && (o.caFile != "" || o.serverName != ""):
		return e, fmt.Errorf("a CA file or server name is set, but %s does not use TLS: write mqtts://", o.url)
	case o.keepAlive < time.Second || o.keepAlive > 65535*time.Second:
		return e, fmt.Errorf("keep-alive %v: expected 1 s to 65535 s", o.keepAlive)
	case o.pingTimeout <= 0 || o.connectTimeout <= 0 || o.writeTimeout <= 0:
		return e, errors.New("ping, connect and write timeout must be above zero")
	}
	return e, nil
}

// link is one client of the library on one TCP connection, from CONNECT to the first thing that goes wrong.
type link struct {
	opts   linkOptions
	end    endpoint
	client paho.Client
	down   chan struct{} // closed when err is set

	mu   sync.Mutex
	err  *EndError
	conn *conn
}

// connect returns a link on which CONNACK has granted the connection, or an *EndError.
func connect(ctx context.Context, o linkOptions, e endpoint) (*link, error) {
	l := &link{opts: o, end: e, down: make(chan struct{})}
	po, err := l.pahoOptions(ctx)
	if err != nil {
		l.fail(ReasonSettings, err)
		return nil, l.err
	}
	l.client = paho.NewClient(po)
	stop := context.AfterFunc(ctx, func() { l.fail(ReasonCancelled, context.Cause(ctx)) })
	tok := l.client.Connect()
	<-tok.Done() // bounded by connectTimeout, and by ctx closing the connection
	stop()
	if err := tok.Error(); err != nil { // the connection has seen the cause before the library: this is a last resort
		l.fail(ReasonLost, err)
	}
	if err := l.failure(); err != nil {
		l.release()
		return nil, err
	}
	return l, nil
}

func (l *link) pahoOptions(ctx context.Context) (*paho.ClientOptions, error) {
	o := l.opts
	po := paho.NewClientOptions().
		SetClientID(o.clientID).
		SetProtocolVersion(4). // or a refused CONNECT is tried again as MQTT 3.1
		SetCleanSession(!o.durable).
		SetAutoReconnect(o.reconnect).
		SetConnectRetry(false).
		SetOrderMatters(o.receive != nil).
		SetAutoAckDisabled(true). // a subscriber acknowledges after its handler has returned
		SetKeepAlive(o.keepAlive).
		SetPingTimeout(o.pingTimeout).
		SetConnectTimeout(o.connectTimeout).
		SetWriteTimeout(o.writeTimeout).
		SetConnectionLostHandler(func(_ paho.Client, err error) { l.lost(err) })
	po.Servers = []*url.URL{{Scheme: "tcp", Host: l.end.addr}}
	if o.receive != nil {
		po.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { o.receive(l, m) })
	}
	if o.will != nil {
		po.SetBinaryWill(o.will.Topic, o.will.Payload, 1, true)
	}
	if o.user != "" {
		po.SetUsername(o.user)
	}
	if o.passwordFile != "" {
		p, err := readPassword(o.passwordFile)
		if err != nil {
			return nil, err
		}
		po.SetPassword(p)
	}
	var tc *tls.Config
	if l.end.secure {
		var err error
		if tc, err = tlsConfig(l.end.host, o.serverName, o.caFile); err != nil {
			return nil, err
		}
	}
	po.SetCustomOpenConnectionFn(func(*url.URL, paho.ClientOptions) (net.Conn, error) { return l.open(ctx, tc) })
	return po, nil
}

// open makes the connection that the client library asks for.
func (l *link) open(ctx context.Context, tc *tls.Config) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, l.opts.connectTimeout)
	defer cancel()
	dial := l.opts.dial
	if dial == nil {
		dial = dialTCP
	}
	raw, err := dial(ctx, "tcp", l.end.addr)
	if err != nil {
		l.fail(ReasonUnreachable, fmt.Errorf("cannot connect: %w: is the broker running, and is the address right?", err))
		return nil, err
	}
	nc := raw
	if tc != nil {
		t := tls.Client(raw, tc)
		if err := t.HandshakeContext(ctx); err != nil {
			_ = raw.Close()
			l.fail(ReasonTLS, explainTLS(err))
			return nil, err
		}
		nc = t
	}
	c := newConn(nc, raw, l.opts.writeTimeout, l.opts.expect, l.broken)
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.err != nil {
		_ = raw.Close()
		return nil, l.err
	}
	l.conn = c
	return c, nil
}

func explainTLS(err error) error {
	var unknown x509.UnknownAuthorityError
	var invalid x509.CertificateInvalidError
	var plain tls.RecordHeaderError
	switch {
	case errors.As(err, &unknown):
		return fmt.Errorf("no secure connection: %w: set the CA file to the authority that signed the broker's certificate", err)
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired:
		return fmt.Errorf("no secure connection: %w: is this machine's clock right?", err)
	case errors.As(err, &plain):
		return fmt.Errorf("no secure connection: %w: is that the broker's TLS port?", err)
	}
	return fmt.Errorf("no secure connection: %w", err)
}

// broken is the connection's report of a failed read or write.
func (l *link) broken(err error) {
	if l.opts.reconnect {
		return
	}
	var refused refusal
	var protocol *protocolError
	var write *writeError
	switch {
	case errors.As(err, &refused):
		l.fail(ReasonRefused, err)
	case errors.As(err, &protocol):
		l.fail(ReasonProtocol, err)
	case errors.As(err, &write) && errors.Is(err, os.ErrDeadlineExceeded):
		l.fail(ReasonWriteTimeout, fmt.Errorf("took nothing for %v: it hangs, or the network between is gone", l.opts.writeTimeout))
	case errors.Is(err, os.ErrDeadlineExceeded): // only the handshake has a deadline for reading
		l.fail(ReasonSilent, fmt.Errorf("connected, but no answer within %v: is that an MQTT port without TLS?", l.opts.connectTimeout))
	case errors.Is(err, io.EOF):
		l.fail(ReasonPeerClosed, errors.New("closed the connection: it was stopped, does not allow a topic, or another client uses the same client ID"))
	default:
		l.fail(ReasonLost, fmt.Errorf("connection lost: %w", err))
	}
}

// lost is the client library's report. What the connection saw itself has been reported before; what remains is the
// library's own verdict.
func (l *link) lost(err error) {
	switch {
	case l.opts.reconnect:
	case strings.HasPrefix(err.Error(), "pingresp not received"):
		l.fail(ReasonPingTimeout, fmt.Errorf("gave no answer to a ping within %v", l.opts.pingTimeout))
	default:
		l.fail(ReasonProtocol, err)
	}
}

// fail ends the link. Only the first call counts.
func (l *link) fail(r Reason, err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.failLocked(r, err)
	if l.conn != nil {
		_ = l.conn.Close()
	}
}

func (l *link) failLocked(r Reason, err error) {
	if l.err != nil {
		return
	}
	l.err = &EndError{Reason: r, Broker: l.end.addr, Err: err}
	close(l.down)
}

// quit ends the link with a DISCONNECT, so that the broker does not publish the will. It returns within a second.
func (l *link) quit() {
	l.mu.Lock()
	l.failLocked(ReasonClosed, errors.New("closed from this side"))
	polite := l.err.Reason == ReasonClosed
	c := l.conn
	l.mu.Unlock()
	if polite {
		l.client.Disconnect(uint(closeTimeout.Milliseconds()))
	}
	_ = c.Close()
}

// release lets the library's goroutines end after a failure. It must not run beside quit, which does the same: the
// hastier of the two would cut off the DISCONNECT.
func (l *link) release() {
	l.mu.Lock()
	polite := l.err.Reason == ReasonClosed
	l.mu.Unlock()
	if !polite {
		l.client.Disconnect(0)
	}
}

// failure returns why the link ended, or nil. The result is an untyped nil, fit for an error.
func (l *link) failure() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.err == nil {
		return nil
	}
	return l.err
}

const closeTimeout = time.Second
