// Package wifi is the bearer for nodes that reach the gateway over the house's network: one UDP datagram is one frame.
//
// A Socket implements radio.Link. It measures no signal, so its packets say Measured = false; their From is the sender's
// address and port, to which Send answers. UDP proves nothing about a sender, and anybody on the network can send: the
// frames' own seal decides what is believed, and the limits here keep a flood from costing more than the reading of it.
//
//	s := wifi.New(wifi.Options{Name: "wifi", Listen: ":4711"})
//	go s.Run(ctx, deliver)
//
// The socket is bound for ever: if the address is not there yet (the network comes up after the gateway) or is lost, Run
// tries again and again.
package wifi

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/netip"
	"sync"
	"time"

	"longlane/radio"
)

const (
	minBackoff  = 500 * time.Millisecond // first wait before binding again
	maxBackoff  = 30 * time.Second
	sendTimeout = 2 * time.Second // for the kernel to take a datagram
)

// Options says where to listen, and how much is let in. The zero value of everything but Listen means the default.
type Options struct {
	Name   string
	Listen string // IP address and port, or ":port" for all addresses; port 0 takes any free one

	PerSource   float64 // datagrams a second let in from one IP address; default 50
	SourceBurst float64 // and at once; default PerSource
	Total       float64 // datagrams a second let in from all together; default 500
	TotalBurst  float64 // and at once; default Total
	MaxSources  int     // addresses remembered; default 256; beyond that, the one silent longest is forgotten

	Log *slog.Logger // default: none
}

func (o Options) withDefaults() Options {
	o.PerSource = cmp.Or(o.PerSource, 50)
	o.SourceBurst = cmp.Or(o.SourceBurst, o.PerSource)
	o.Total = cmp.Or(o.Total, 500)
	o.TotalBurst = cmp.Or(o.TotalBurst, o.Total)
	o.MaxSources = cmp.Or(o.MaxSources, 256)
	o.Log = cmp.Or(o.Log, slog.New(slog.DiscardHandler))
	return o
}

// Check returns an error that names the first field with which nothing can ever be received.
func (o Options) Check() error {
	o = o.withDefaults()
	if _, err := parseListen(o.Listen); err != nil {
		return err
	}
	switch {
	case !(o.PerSource > 0) || !(o.Total > 0):
		return fmt.Errorf("wifi: datagrams per second are %v from one address and %v in all: expected more than 0", o.PerSource, o.Total)
	case !(o.SourceBurst >= 1) || !(o.TotalBurst >= 1):
		return fmt.Errorf("wifi: bursts are %v from one address and %v in all: expected at least 1", o.SourceBurst, o.TotalBurst)
	case o.MaxSources < 1:
		return fmt.Errorf("wifi: remembered addresses are %d: expected at least 1", o.MaxSources)
	}
	return nil
}

// parseListen takes no host names: which of a name's addresses to listen on would be a guess.
func parseListen(s string) (netip.AddrPort, error) {
	full := s
	if len(s) > 0 && s[0] == ':' {
		full = "[::]" + s
	}
	ap, err := netip.ParseAddrPort(full)
	if err != nil {
		return ap, fmt.Errorf("wifi: listen address is %q: expected an IP address and a port (192.168.1.5:4711), or :4711 for all addresses", s)
	}
	return ap, nil
}

// Drop is why a datagram was not let in.
type Drop uint8

// The drops.
const (
	DropEmpty    Drop = iota // no bytes
	DropOversize             // more than radio.MaxFrame bytes
	DropSource               // too many from this address
	DropTotal                // too many from all together
	NumDrops
)

var dropNames = [NumDrops]string{"empty", "oversize", "source rate", "total rate"}

func (d Drop) String() string { return dropNames[d] }

// Stats counts since New.
type Stats struct {
	Frames     uint64 // delivered
	Drops      [NumDrops]uint64
	Binds      uint64 // times that the socket was bound
	BindErrors uint64
	ReadErrors uint64
	Sent       uint64
	SendErrors uint64
	Sources    int // addresses remembered now
}

// Socket is a UDP bearer. All methods are safe for concurrent use; Run must run, once, for anything to happen.
type Socket struct {
	o Options

	mu    sync.Mutex   // protects what follows
	conn  *net.UDPConn // nil while not bound
	stats Stats
	said  string // the last change logged, so that it is logged once
}

var _ radio.Link = (*Socket)(nil)

// New returns a Socket that is bound when Run runs.
func New(o Options) *Socket { return &Socket{o: o.withDefaults()} }

// Name implements radio.Link.
func (s *Socket) Name() string { return s.o.Name }

// Up reports whether the socket is bound.
func (s *Socket) Up() bool { return s.LocalAddr().IsValid() }

// LocalAddr returns the address that the socket is bound to; it is not valid while there is none.
func (s *Socket) LocalAddr() netip.AddrPort {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.conn == nil {
		return netip.AddrPort{}
	}
	return s.conn.LocalAddr().(*net.UDPAddr).AddrPort()
}

// Stats returns the counters as they stand.
func (s *Socket) Stats() Stats {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.stats
}

// Run implements radio.Link. It returns an error only if Check does.
func (s *Socket) Run(ctx context.Context, deliver func(radio.Packet)) error {
	if err := s.o.Check(); err != nil {
		return err
	}
	listen, _ := parseListen(s.o.Listen)
	limits := newLimiter(s.o, time.Now())
	for wait := minBackoff; ctx.Err() == nil; wait = min(2*wait, maxBackoff*2/3) {
		conn, err := net.ListenUDP("udp", net.UDPAddrFromAddrPort(listen))
		if err != nil {
			s.count(func(st *Stats) { st.BindErrors++ })
			s.logChange(slog.LevelWarn, "cannot listen for nodes on Wi-Fi, trying again for ever", "error", err.Error())
		} else {
			wait = minBackoff
			s.serve(ctx, conn, limits, deliver)
		}
		pause(ctx, wait+rand.N(wait/2))
	}
	return nil
}

func pause(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}

// serve reads from conn until that fails or ctx ends, and closes it.
func (s *Socket) serve(ctx context.Context, conn *net.UDPConn, limits *limiter, deliver func(radio.Packet)) {
	stop := context.AfterFunc(ctx, func() { conn.Close() })
	defer stop()
	s.bound(conn)
	s.logChange(slog.LevelInfo, "listening for nodes on Wi-Fi", "address", conn.LocalAddr().String())
	err := s.read(conn, limits, deliver)
	s.bound(nil)
	conn.Close()
	if ctx.Err() == nil {
		s.count(func(st *Stats) { st.ReadErrors++ })
		s.logChange(slog.LevelWarn, "lost the socket for nodes on Wi-Fi, opening it again", "error", err.Error())
	}
}

func (s *Socket) bound(conn *net.UDPConn) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.conn = conn
	if conn != nil {
		s.stats.Binds++
	}
}

func (s *Socket) read(conn *net.UDPConn, limits *limiter, deliver func(radio.Packet)) error {
	buf := make([]byte, radio.MaxFrame+1) // one more, so that a datagram that is too long can be told
	for {
		n, from, err := conn.ReadFromUDPAddrPort(buf)
		if err != nil {
			return err
		}
		at := time.Now()
		if drop, ok := judge(n, from.Addr(), limits, at); !ok {
			s.count(func(st *Stats) { st.Drops[drop]++; st.Sources = limits.sources() })
			continue
		}
		s.count(func(st *Stats) { st.Frames++; st.Sources = limits.sources() })
		deliver(radio.Packet{
			Frame: append([]byte(nil), buf[:n]...), At: at, Bearer: s.o.Name,
			From: netip.AddrPortFrom(from.Addr().Unmap(), from.Port()).String(),
		})
	}
}

// judge looks at the rates first: what is over them is not even worth a look.
func judge(n int, from netip.Addr, limits *limiter, at time.Time) (Drop, bool) {
	if drop, ok := limits.admit(from.Unmap(), at); !ok {
		return drop, false
	}
	switch {
	case n == 0:
		return DropEmpty, false
	case n > radio.MaxFrame:
		return DropOversize, false
	}
	return 0, true
}

// Send implements radio.Link: it sends frame to the address to, a Packet's From. It returns once the kernel has taken the
// datagram; on the network it may still be lost.
func (s *Socket) Send(ctx context.Context, to string, frame []byte) error {
	if len(frame) == 0 || len(frame) > radio.MaxFrame {
		return fmt.Errorf("send %d bytes: expected 1 to %d", len(frame), radio.MaxFrame)
	}
	addr, err := netip.ParseAddrPort(to)
	if err != nil {
		return fmt.Errorf("send to %q: expected an IP address and a port", to)
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	s.mu.Lock()
	conn := s.conn
	s.mu.Unlock()
	if conn == nil {
		return radio.ErrDown
	}
	conn.SetWriteDeadline(time.Now().Add(sendTimeout)) // shared by all who send now, which does no harm
	_, err = conn.WriteToUDPAddrPort(frame, addr)
	switch {
	case errors.Is(err, net.ErrClosed):
		err = radio.ErrDown
	case err != nil:
		err = fmt.Errorf("send to %s: %w", to, err)
	}
	s.count(func(st *Stats) {
		if err == nil {
			st.Sent++
		} else {
			st.SendErrors++
		}
	})
	return err
}

// logChange logs unless the same was the last thing logged.
func (s *Socket) logChange(level slog.Level, msg string, args ...any) {
	line := msg + fmt.Sprint(args...)
	s.mu.Lock()
	again := line == s.said
	s.said = line
	s.mu.Unlock()
	if !again {
		s.o.Log.Log(context.Background(), level, msg, append([]any{"bearer", s.o.Name}, args...)...)
	}
}

func (s *Socket) count(f func(*Stats)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	f(&s.stats)
}
