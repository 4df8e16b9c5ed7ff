package mqtt

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"slices"
	"strings"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// SubscribeOptions say what to listen for. URL, ClientID and Filters are required.
type SubscribeOptions struct {
	URL, ClientID, User, PasswordFile, CAFile, ServerName string // as in Options

	// Filters are topics, in which + stands for one level and a final # for all that follow. 1 to 64 of them.
	Filters []string
	// QoS is 0 or 1. With 1 a message can come twice.
	QoS byte
	// CleanSession false asks the broker to keep QoS 1 messages while this client is away. Whether it does, and
	// whether over a power cut, is the broker's affair.
	CleanSession bool

	// Connected is called each time the broker has granted the subscriptions, Lost each time the connection has
	// ended or could not be made, and why. Both are optional, and called from the same goroutine as the handler.
	Connected func()
	Lost      func(error)
	// Log receives one line per change. nil: nothing is logged.
	Log *slog.Logger

	dial func(ctx context.Context, network, addr string) (net.Conn, error) // for tests
}

const (
	maxFilters = 64
	backoffMin = 100 * time.Millisecond
	backoffMax = time.Minute
	// A nearby broker is dialled again within a second: after a power cut the chime must not wait a minute for it.
	backoffNearby = time.Second
)

// Subscribe listens until ctx ends, and then returns nil. Whatever else happens it connects again, after a pause that
// grows to a minute at most (a second for a Nearby broker), at random so that a house full of listeners does not fall
// upon a restarted broker at once. It returns an error only for settings that cannot work: at once, or when a file
// named in them cannot be used on the first attempt.
//
// handle is called in the order of arrival, from Subscribe's own goroutine, and owns the payload. retained is true for
// a message that the broker had kept from before the subscription. A QoS 1 message is acknowledged when handle
// returns; while it runs nothing else is received, so it should return within a few seconds. See Receive for another way.
func Subscribe(ctx context.Context, o SubscribeOptions, handle func(topic string, payload []byte, retained bool)) error {
	return Receive(ctx, o, func(d Delivery) {
		handle(d.Topic, d.Payload, d.Retained)
		d.Ack()
	})
}

// Delivery is a message whose acknowledgement is left to its receiver.
type Delivery struct {
	Topic    string
	Payload  []byte
	Retained bool // the broker had kept it from before the subscription
	// Ack acknowledges a QoS 1 message. It never blocks, and may be called from any goroutine, at any time, in any order.
	// Once the connection that the message came by has ended it does nothing: the broker gives the message again.
	Ack func()
}

// Receive is Subscribe with acknowledgements of the receiver's own: a message that was never acknowledged comes again after
// a restart, if the session is durable. A broker sends only so many messages ahead of acknowledgements, commonly 20.
func Receive(ctx context.Context, o SubscribeOptions, handle func(Delivery)) error {
	s := &subscriber{opts: o, handle: handle, log: cmp.Or(o.Log, slog.New(slog.DiscardHandler))}
	if err := o.check(); err != nil {
		return err
	}
	e, err := s.link().check()
	if err != nil {
		return err
	}
	longest := backoffMax
	if Nearby(o.URL) {
		longest = backoffNearby
	}
	for attempt, first := 0, true; ctx.Err() == nil; first = false {
		granted, err := s.listen(ctx, e)
		if ctx.Err() != nil {
			break
		}
		var end *EndError
		if first && errors.As(err, &end) && end.Reason == ReasonSettings {
			return err
		}
		s.report(err)
		if granted {
			attempt = 0
		}
		sleep(ctx, jitter(attempt, longest))
		attempt++
	}
	return nil
}

func (o SubscribeOptions) check() error {
	if o.QoS > 1 {
		return fmt.Errorf("subscription QoS %d: expected 0 or 1", o.QoS)
	}
	if n := len(o.Filters); n == 0 || n > maxFilters {
		return fmt.Errorf("%d topic filters: expected 1 to %d", n, maxFilters)
	}
	for i, f := range o.Filters {
		if err := checkFilter(f); err != nil {
			return fmt.Errorf("topic filter %w", err)
		}
		if slices.Contains(o.Filters[:i], f) {
			return fmt.Errorf("topic filter %q stands twice", f)
		}
	}
	return nil
}

// checkFilter holds the rules of MQTT 3.1.1, section 4.7.
func checkFilter(f string) error {
	if err := checkText(f); err != nil {
		return err
	}
	levels := strings.Split(f, "/")
	for i, l := range levels {
		if strings.Contains(l, "#") && (l != "#" || i != len(levels)-1) {
			return fmt.Errorf("%q: # must be the whole last level", f)
		}
		if strings.Contains(l, "+") && l != "+" {
			return fmt.Errorf("%q: + must be a whole level", f)
		}
	}
	return nil
}

// subscriber is the state of one Subscribe call, all of it owned by that call's goroutine.
type subscriber struct {
	opts   SubscribeOptions
	handle func(Delivery)
	log    *slog.Logger
	told   Reason // last logged, so that an outage makes one line
}

func (s *subscriber) link() linkOptions {
	o := s.opts
	return linkOptions{
		url: o.URL, clientID: o.ClientID, user: o.User, passwordFile: o.PasswordFile, caFile: o.CAFile, serverName: o.ServerName,
		durable: !o.CleanSession, expect: expect{filters: len(o.Filters)},
		keepAlive: 30 * time.Second, pingTimeout: 10 * time.Second, connectTimeout: 10 * time.Second, writeTimeout: 5 * time.Second,
		dial: o.dial,
	}
}

// acks are the acknowledgements that a connection has yet to send.
type acks struct {
	mu   sync.Mutex
	list []paho.Message
	some chan struct{} // capacity 1
}

func (a *acks) add(m paho.Message) {
	a.mu.Lock()
	a.list = append(a.list, m)
	a.mu.Unlock()
	select {
	case a.some <- struct{}{}:
	default:
	}
}

func (a *acks) take() []paho.Message {
	a.mu.Lock()
	defer a.mu.Unlock()
	list := a.list
	a.list = nil
	return list
}

// send hands acknowledgements to the client library, until the link is down. That can block for as long as a write may
// take, and nobody waits for it: after the end of a link the library takes and drops what comes.
func (a *acks) send(l *link) {
	for {
		select {
		case <-a.some:
			for _, m := range a.take() {
				m.Ack()
			}
		case <-l.down:
			return
		}
	}
}

// listen keeps one connection until it ends, and says why, and whether the subscriptions had been granted.
func (s *subscriber) listen(ctx context.Context, e endpoint) (granted bool, err error) {
	inbox := make(chan paho.Message)
	lo := s.link()
	lo.receive = func(l *link, m paho.Message) { receive(l, inbox, m) }
	l, err := connect(ctx, lo, e)
	if err != nil {
		return false, err
	}
	defer l.release()
	acks := &acks{some: make(chan struct{}, 1)}
	go acks.send(l) // ends with the link
	filters := make(map[string]byte)
	for _, f := range s.opts.Filters {
		filters[f] = s.opts.QoS
	}
	tok := l.client.SubscribeMultiple(filters, nil).(*paho.SubscribeToken)
	answer := tok.Done()
	deadline := time.NewTimer(lo.connectTimeout)
	defer deadline.Stop()
	for {
		select {
		case <-ctx.Done():
			l.quit()
			return granted, l.failure()
		case <-l.down:
			return granted, l.failure()
		case <-deadline.C:
			l.fail(ReasonSubscribe, fmt.Errorf("did not answer the subscription within %v", lo.connectTimeout))
		case m := <-inbox:
			s.handle(Delivery{m.Topic(), m.Payload(), m.Retained(), func() { acks.add(m) }})
		case <-answer:
			answer = nil
			deadline.Stop()
			if err := refusedFilter(tok); err != nil {
				l.fail(ReasonSubscribe, err)
				continue
			}
			granted = true
			s.connected()
		}
	}
}

// receive runs in the client library's goroutine.
func receive(l *link, inbox chan<- paho.Message, m paho.Message) {
	select {
	case inbox <- m:
	case <-l.down: // not acknowledged: the broker may send it again
	}
}

func refusedFilter(tok *paho.SubscribeToken) error {
	if err := tok.Error(); err != nil {
		return fmt.Errorf("subscribe: %w", err)
	}
	for f, code := range tok.Result() {
		if code > 1 {
			return fmt.Errorf("refused the subscription to %q", f)
		}
	}
	return nil
}

func (s *subscriber) connected() {
	s.told = ""
	s.log.Info("listening to broker", "url", s.opts.URL)
	if s.opts.Connected != nil {
		s.opts.Connected()
	}
}

func (s *subscriber) report(err error) {
	var end *EndError
	if errors.As(err, &end) && end.Reason != s.told {
		s.told = end.Reason
		s.log.Warn("not listening to broker, trying again", "url", s.opts.URL, "reason", end.Reason, "error", err)
	}
	if s.opts.Lost != nil {
		s.opts.Lost(err)
	}
}

// jitter returns the pause before attempt, counted from 0: at random up to 1 s, 2 s, 4 s and so on, and up to longest.
func jitter(attempt int, longest time.Duration) time.Duration {
	most := min(longest, time.Second<<min(attempt, 10))
	return backoffMin + rand.N(most-backoffMin)
}

func sleep(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}
