package mqtt

import (
	"crypto/subtle"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"strings"
	"sync"
	"sync/atomic"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

const (
	maxClients  = 256    // connected at once
	maxWaiting  = 1024   // messages waiting for one slow subscriber; more are dropped and counted
	maxRetained = 10_000 // retained topics; a message for one more is delivered but not retained, and counted
)

// BrokerOptions set up the embedded broker.
type BrokerOptions struct {
	// Listen is host:port. The host is an IP address or localhost; any but a loopback address needs User and
	// PasswordFile, since whoever can publish here can sound every chime in the house.
	Listen string
	// User and PasswordFile are what every client must give; both or neither. The file is read once, and refused if
	// anyone but its owner may read it.
	User, PasswordFile string
	// Log receives one line at the start that says what this broker does not do. nil: slog.Default().
	Log *slog.Logger
}

// Broker is an MQTT broker in this process's memory, for a house that has none. It delivers to the subscribers that
// are connected and keeps the last retained message of each topic until the process ends. It keeps nothing for an
// absent subscriber, even one that asks for a durable session, since what it kept would not survive a power cut. It
// acknowledges a message before it delivers it.
type Broker struct {
	server *mochi.Server
	addr   net.Addr
	hook   *brokerHook
	once   sync.Once
}

// BrokerStats count what the broker has done since it started.
type BrokerStats struct {
	Clients       int    // connected now
	Retained      int    // topics with a retained message now
	Refused       uint64 // connections with a wrong user or password
	Dropped       uint64 // messages not delivered to a subscriber that was too slow
	RetainDropped uint64 // messages delivered but not retained, for want of room
}

// StartBroker listens and serves until Close.
func StartBroker(o BrokerOptions) (*Broker, error) {
	hook, err := o.check()
	if err != nil {
		return nil, err
	}
	ln, err := net.Listen("tcp", o.Listen)
	if err != nil {
		return nil, fmt.Errorf("start broker: %w", err)
	}
	b := &Broker{server: newServer(), addr: ln.Addr(), hook: hook}
	hook.server, hook.turns = b.server, newTurnstile(ln)
	if err := errors.Join(b.server.AddHook(hook, nil), b.server.AddListener(hook.turns), b.server.Serve()); err != nil {
		_ = ln.Close()
		return nil, fmt.Errorf("start broker on %s: %w", o.Listen, err)
	}
	log := o.Log
	if log == nil {
		log = slog.Default()
	}
	log.Info("embedded broker started: it delivers to connected subscribers only, keeps nothing for absent ones and nothing over a restart; "+
		"the gateway's promise to deliver ends at this broker's acknowledgement",
		"addr", b.addr.String(), "password", o.User != "")
	return b, nil
}

func (o BrokerOptions) check() (*brokerHook, error) {
	host, _, err := net.SplitHostPort(o.Listen)
	if err != nil {
		return nil, fmt.Errorf("broker listen address %q: %w: expected host:port, such as 127.0.0.1:1883", o.Listen, err)
	}
	if (o.User == "") != (o.PasswordFile == "") {
		return nil, errors.New("broker: user and password file go together: set both or neither")
	}
	if o.User == "" && !loopback(host) {
		return nil, fmt.Errorf("broker would listen on %q, which others on the network can reach, without a password: "+
			"set its user and password file, or listen on 127.0.0.1", o.Listen)
	}
	hook := &brokerHook{user: o.User}
	if o.User != "" {
		if hook.password, err = readPassword(o.PasswordFile); err != nil {
			return nil, fmt.Errorf("broker: %w", err)
		}
	}
	return hook, nil
}

// loopback is true only for what cannot be reached from outside; a name other than localhost may resolve to anything.
func loopback(host string) bool {
	if strings.EqualFold(host, "localhost") {
		return true
	}
	a, err := netip.ParseAddr(host)
	return err == nil && a.Unmap().IsLoopback()
}

func newServer() *mochi.Server {
	c := mochi.NewDefaultServerCapabilities()
	c.MaximumClients = maxClients
	c.MaximumClientWritesPending = maxWaiting
	c.MaximumInflight = maxWaiting
	c.MaximumPacketSize = maxInbound
	// Its own log has a line for every bad connection, so that anyone could fill a disk with it.
	return mochi.New(&mochi.Options{Capabilities: c, Logger: slog.New(slog.DiscardHandler)})
}

// Addr returns the address listened on, with the port that was chosen if Listen asked for port 0.
func (b *Broker) Addr() net.Addr { return b.addr }

// Stats returns the counters.
func (b *Broker) Stats() BrokerStats {
	info := b.server.Info
	return BrokerStats{
		Clients:       int(atomic.LoadInt64(&info.ClientsConnected)),
		Retained:      b.retained(),
		Refused:       b.hook.refused.Load(),
		Dropped:       uint64(atomic.LoadInt64(&info.MessagesDropped)) + uint64(atomic.LoadInt64(&info.InflightDropped)),
		RetainDropped: b.hook.retainDropped.Load(),
	}
}

// retained leaves out the broker library's own topics about itself.
func (b *Broker) retained() int {
	n := 0
	for topic := range b.server.Topics.Retained.GetAll() {
		if !strings.HasPrefix(topic, "$") {
			n++
		}
	}
	return n
}

// Close stops the broker and closes every connection. It may be called again. No last wills are published: a client that
// has just said goodbye would be told lost, to listeners that are cut off in the same moment.
func (b *Broker) Close() error {
	var err error
	b.once.Do(func() {
		b.hook.closing.Store(true)
		err = b.server.Close()
	})
	return err
}

// brokerHook decides for the broker library: who may connect, and what is kept.
type brokerHook struct {
	mochi.HookBase
	server         *mochi.Server
	turns          *turnstile
	user, password string

	refused       atomic.Uint64
	retainDropped atomic.Uint64
	closing       atomic.Bool
}

func (h *brokerHook) ID() string { return "longlane" }

func (h *brokerHook) Provides(b byte) bool {
	switch b {
	case mochi.OnConnectAuthenticate, mochi.OnACLCheck, mochi.OnConnect, mochi.OnPublish, mochi.OnWill:
		return true
	}
	return false
}

// OnConnectAuthenticate checks who it is, and only then lets it throw out an earlier connection of the same name.
func (h *brokerHook) OnConnectAuthenticate(cl *mochi.Client, pk packets.Packet) bool {
	if !h.known(pk) {
		h.refused.Add(1)
		return false
	}
	return h.turns.take(cl.ID, cl.Net.Conn.(*brokerConn))
}

func (h *brokerHook) known(pk packets.Packet) bool {
	if h.user == "" {
		return true
	}
	user := subtle.ConstantTimeCompare(pk.Connect.Username, []byte(h.user))
	password := subtle.ConstantTimeCompare(pk.Connect.Password, []byte(h.password))
	return user&password == 1
}

func (h *brokerHook) OnACLCheck(*mochi.Client, string, bool) bool { return true }

// OnConnect makes every session end with its connection.
func (h *brokerHook) OnConnect(cl *mochi.Client, _ packets.Packet) error {
	cl.Properties.Clean = true
	cl.Properties.Props.SessionExpiryInterval = 0
	return nil
}

// OnWill sends a will where nobody hears it while the broker stops: the library lets a hook change a will, not hold it
// back, and no wildcard matches a topic that begins with $.
func (h *brokerHook) OnWill(_ *mochi.Client, will mochi.Will) (mochi.Will, error) {
	if h.closing.Load() {
		return mochi.Will{TopicName: "$stopped"}, nil
	}
	return will, nil
}

// OnPublish bounds what is retained. An empty payload clears a topic, and always may.
func (h *brokerHook) OnPublish(_ *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	if !pk.FixedHeader.Retain || len(pk.Payload) == 0 || atomic.LoadInt64(&h.server.Info.Retained) < maxRetained {
		return pk, nil
	}
	if _, known := h.server.Topics.Retained.Get(pk.TopicName); !known {
		pk.FixedHeader.Retain = false
		h.retainDropped.Add(1)
	}
	return pk, nil
}
