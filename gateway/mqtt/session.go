package mqtt

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	paho "github.com/eclipse/paho.mqtt.golang"
)

const (
	// Window is how many messages a Session holds that have no outcome yet. Further ones are refused with ErrWindow.
	Window = 256
	// MaxPayload is the longest payload, in bytes. Window times this is the most a Session can hold in memory.
	MaxPayload = 256 << 10
)

var (
	// ErrWindow means that the session holds Window messages without an outcome: wait for one before publishing more.
	ErrWindow = errors.New("too many messages without acknowledgement")
	// ErrMessage means that the message itself can never be published, by any session.
	ErrMessage = errors.New("message cannot be published")
)

// Options say how to reach a broker. URL and ClientID are required; the rest has defaults.
type Options struct {
	// URL is mqtt://host:port or mqtts://host:port. The port defaults to 1883 and 8883.
	URL string
	// ClientID names this client, 1 to 65535 bytes. If two clients of a broker have the same, each throws the other
	// out for ever.
	ClientID string
	// User and PasswordFile authenticate to the broker. The file is read at each dial, and refused if anyone but its
	// owner may read it. One line end after the password is ignored.
	User, PasswordFile string
	// CAFile holds the authorities that may have signed the broker's certificate, in PEM. Empty: the system's.
	CAFile string
	// ServerName is the name expected in the broker's certificate. Empty: the URL's host.
	ServerName string
	// Will, if set, is published by the broker when the session ends in any way but by Close.
	Will *Will

	AckDeadline    time.Duration // without progress of the oldest message, the session ends; default 20 s
	KeepAlive      time.Duration // between pings on an idle connection; default 30 s, at least 1 s
	PingTimeout    time.Duration // for the answer to one; default 10 s
	ConnectTimeout time.Duration // for TCP, TLS and CONNACK together; default 10 s
	WriteTimeout   time.Duration // for each write; default 5 s

	// Dial replaces the TCP dialler. nil: a plain one that heeds no proxy settings.
	Dial func(ctx context.Context, network, addr string) (net.Conn, error)
	// Log receives the session's beginning and end at debug level; what went wrong is returned. nil: nothing is logged.
	Log *slog.Logger

	reconnect bool // see linkOptions
}

func (o Options) link() linkOptions {
	return linkOptions{
		url: o.URL, clientID: o.ClientID, user: o.User, passwordFile: o.PasswordFile, caFile: o.CAFile, serverName: o.ServerName,
		will:           o.Will,
		keepAlive:      cmp.Or(o.KeepAlive, 30*time.Second),
		pingTimeout:    cmp.Or(o.PingTimeout, 10*time.Second),
		connectTimeout: cmp.Or(o.ConnectTimeout, 10*time.Second),
		writeTimeout:   cmp.Or(o.WriteTimeout, 5*time.Second),
		dial:           o.Dial,
		reconnect:      o.reconnect,
	}
}

// Session is one connection to a broker, for publishing. Its methods are safe for concurrent use.
type Session struct {
	link        *link
	ackDeadline time.Duration
	log         *slog.Logger
	closed      chan struct{}

	// Both carry every accepted message, in the same order. Neither send can block: each holds at most the messages
	// without an outcome, of which there are at most Window.
	toSend chan *message // to the publisher
	toAck  chan *message // to the acknowledger

	mu      sync.Mutex
	pending int  // messages accepted and without an outcome
	ended   bool // nothing is accepted any more
}

// message is a publication on its way.
type message struct {
	topic   string
	qos     byte
	retain  bool
	payload []byte
	done    func(error)
	token   chan paho.Token // one place: from the publisher, once the library has taken the message
}

// Dial connects to a broker and returns once it has granted the connection. Settings that can never work are refused
// with a plain error; everything else is an *EndError.
func Dial(ctx context.Context, o Options) (*Session, error) {
	lo := o.link()
	e, err := lo.check()
	if err != nil {
		return nil, err
	}
	if o.Will != nil {
		if err := checkMessage(o.Will.Topic, 1, o.Will.Payload); err != nil {
			return nil, fmt.Errorf("check last will: %w", err)
		}
		lo.will = &Will{Topic: o.Will.Topic, Payload: slices.Clone(o.Will.Payload)}
	}
	if o.AckDeadline < 0 {
		return nil, fmt.Errorf("acknowledgement deadline %v: must be above zero", o.AckDeadline)
	}
	l, err := connect(ctx, lo, e)
	if err != nil {
		return nil, err
	}
	s := &Session{
		link:        l,
		ackDeadline: cmp.Or(o.AckDeadline, 20*time.Second),
		log:         cmp.Or(o.Log, slog.New(slog.DiscardHandler)),
		closed:      make(chan struct{}),
		toSend:      make(chan *message, Window),
		toAck:       make(chan *message, Window),
	}
	s.log.Debug("connected to broker", "broker", e.addr, "client", o.ClientID)
	go s.publish()
	go s.acknowledge()
	return s, nil
}

// Publish sends a message. It never blocks, and copies payload.
//
// done is called exactly once, from another goroutine, and must not block: the outcomes of accepted messages come one
// at a time, in the order of publishing, and the next waits for this one. A refusal (ErrWindow, ErrMessage, a session
// that has ended) comes from a goroutine of its own and may overtake them.
//
// At QoS 1 done(nil) means that the broker acknowledged this message on this connection. At QoS 0 it means only that
// the message was written to the socket. Among the messages of a session that were not refused with ErrWindow or
// ErrMessage, those with done(nil) come first: after one has failed no later one succeeds, even if the broker did
// acknowledge it. So whoever keeps a cursor may advance it on each nil.
func (s *Session) Publish(topic string, qos byte, retain bool, payload []byte, done func(error)) {
	if err := s.accept(topic, qos, retain, payload, done); err != nil {
		go done(err) // not from here: the caller may hold a lock that done takes
	}
}

func (s *Session) accept(topic string, qos byte, retain bool, payload []byte, done func(error)) error {
	if err := checkMessage(topic, qos, payload); err != nil {
		return err
	}
	if err := s.link.failure(); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case s.ended:
		return s.link.failure()
	case s.pending == Window:
		return ErrWindow
	}
	s.pending++
	m := &message{topic, qos, retain, slices.Clone(payload), done, make(chan paho.Token, 1)}
	s.toAck <- m
	s.toSend <- m
	return nil
}

// publish hands messages to the client library, until the link is down. A call can hang for as long as WriteTimeout
// after that; its outcome has been decided by then.
func (s *Session) publish() {
	for {
		select {
		case <-s.link.down:
			return
		case m := <-s.toSend:
			m.token <- s.link.client.Publish(m.topic, m.qos, m.retain, m.payload)
		}
	}
}

// acknowledge decides the outcome of each message, oldest first, until the link is down; then it fails the rest. That
// is looked at before each message, so that none succeeds after one before it has failed.
func (s *Session) acknowledge() {
	defer close(s.closed)
	for s.link.failure() == nil {
		select {
		case <-s.link.down:
		case m := <-s.toAck:
			s.settle(m, s.outcome(m))
		}
	}
	s.finish()
}

// outcome waits for the oldest message. Any error has ended the link.
func (s *Session) outcome(m *message) error {
	deadline := time.NewTimer(s.ackDeadline)
	defer deadline.Stop()
	var tok paho.Token
	var done <-chan struct{}
	for {
		select {
		case tok = <-m.token:
			done = tok.Done()
		case <-done:
			if tok.Error() != nil {
				s.explain(tok.Error())
				return s.link.failure()
			}
			return nil
		case <-s.link.down:
			return s.link.failure()
		case <-deadline.C:
			s.link.fail(ReasonAckDeadline, fmt.Errorf("has not acknowledged a message for %v", s.ackDeadline))
			return s.link.failure()
		}
	}
}

// explain ends the link after a token's error. The library fails tokens just before it says why it gave up the
// connection, so that gets a moment to arrive.
func (s *Session) explain(err error) {
	t := time.NewTimer(time.Second)
	defer t.Stop()
	select {
	case <-s.link.down:
	case <-t.C:
		s.link.fail(ReasonPublish, fmt.Errorf("publish: %w", err))
	}
}

func (s *Session) settle(m *message, err error) {
	s.mu.Lock()
	s.pending--
	s.mu.Unlock()
	m.done(err)
}

// finish fails what is left. A PUBACK that came in the last moment may be among it: the sender repeats the message.
func (s *Session) finish() {
	err := s.link.failure()
	s.link.release()
	s.mu.Lock()
	s.ended = true
	s.mu.Unlock()
	s.log.Debug("session with broker ended", "reason", err)
	for {
		select {
		case m := <-s.toAck:
			s.settle(m, err)
		default:
			return
		}
	}
}

// Pending returns how many messages have no outcome yet, 0 to Window.
func (s *Session) Pending() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.pending
}

// Closed is closed when the session has ended and done has been called for every message it had accepted.
func (s *Session) Closed() <-chan struct{} { return s.closed }

// Err returns nil while the session lives, and then an *EndError.
func (s *Session) Err() error { return s.link.failure() }

// Close ends the session with a DISCONNECT, so that the broker does not publish the will. Messages without an outcome
// get an error. It may be called again, and returns within about two seconds whatever the broker or a done does.
func (s *Session) Close() {
	s.link.quit()
	t := time.NewTimer(closeTimeout)
	defer t.Stop()
	select {
	case <-s.closed:
	case <-t.C:
	}
}

// checkMessage refuses what a broker would ignore, or would close the connection for. The client library checks none
// of it, and cuts a long topic without a word.
func checkMessage(topic string, qos byte, payload []byte) error {
	switch {
	case qos > 1:
		return fmt.Errorf("%w: QoS %d: expected 0 or 1", ErrMessage, qos)
	case len(payload) > MaxPayload:
		return fmt.Errorf("%w: payload has %d bytes: at most %d", ErrMessage, len(payload), MaxPayload)
	case strings.HasPrefix(topic, "$"):
		return fmt.Errorf("%w: topic %q begins with $, which is kept for the broker", ErrMessage, topic)
	case strings.ContainsAny(topic, "+#"):
		return fmt.Errorf("%w: topic %q holds a wildcard (+ or #)", ErrMessage, topic)
	}
	if err := checkText(topic); err != nil {
		return fmt.Errorf("%w: topic %w", ErrMessage, err)
	}
	return nil
}

func checkText(s string) error {
	switch {
	case s == "" || len(s) > 65535:
		return fmt.Errorf("has %d bytes: expected 1 to 65535", len(s))
	case !utf8.ValidString(s) || strings.ContainsRune(s, 0):
		return fmt.Errorf("%q is not text: expected UTF-8 without zero bytes", s)
	}
	return nil
}
