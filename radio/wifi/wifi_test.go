package wifi

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"net"
	"net/netip"
	"strings"
	"sync"
	"testing"
	"time"

	"longlane/radio"
)

// patience bounds waits for what is to happen soon.
const patience = time.Minute

// events is a slog.Handler that passes on what is logged.
type events chan string

func (events) Enabled(context.Context, slog.Level) bool { return true }
func (e events) WithAttrs([]slog.Attr) slog.Handler     { return e }
func (e events) WithGroup(string) slog.Handler          { return e }
func (e events) Handle(_ context.Context, r slog.Record) error {
	e <- r.Message
	return nil
}

type rig struct {
	*Socket
	t       *testing.T
	log     events
	packets chan radio.Packet
	stop    func()
}

// start runs a Socket without waiting for it to be bound.
func start(t *testing.T, o Options) *rig {
	t.Helper()
	r := &rig{t: t, log: make(events, 1000), packets: make(chan radio.Packet, 10000)}
	o.Name, o.Log = "wifi", slog.New(r.log)
	r.Socket = New(o)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- r.Run(ctx, func(p radio.Packet) { r.packets <- p }) }()
	r.stop = sync.OnceFunc(func() {
		cancel()
		select {
		case err := <-ended:
			if err != nil {
				t.Errorf("Run = %v, want nil", err)
			}
		case <-time.After(patience):
			t.Error("Run does not end")
		}
	})
	t.Cleanup(r.stop)
	return r
}

func bound(t *testing.T, o Options) *rig {
	t.Helper()
	o.Listen = "127.0.0.1:0"
	r := start(t, o)
	r.expect("listening")
	return r
}

func (r *rig) expect(want string) {
	r.t.Helper()
	for deadline := time.After(patience); ; {
		select {
		case line := <-r.log:
			if strings.Contains(line, want) {
				return
			}
		case <-deadline:
			r.t.Fatalf("%q was not logged", want)
		}
	}
}

func (r *rig) packet() radio.Packet {
	r.t.Helper()
	select {
	case p := <-r.packets:
		return p
	case <-time.After(patience):
		r.t.Fatalf("no packet; stats %+v", r.Stats())
		return radio.Packet{}
	}
}

// node returns a node's socket, connected to the gateway's.
func (r *rig) node() net.Conn {
	r.t.Helper()
	c, err := net.Dial("udp", r.LocalAddr().String())
	if err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(func() { c.Close() })
	return c
}

func send(t *testing.T, c net.Conn, b []byte) {
	t.Helper()
	if _, err := c.Write(b); err != nil {
		t.Fatalf("send %d bytes: %v", len(b), err)
	}
}

func TestFramesBothWays(t *testing.T) {
	r := bound(t, Options{PerSource: 1000, Total: 1000})
	node := r.node()
	for _, size := range []int{1, 2, 100, radio.MaxFrame} {
		frame := bytes.Repeat([]byte{byte(size)}, size)
		began := time.Now()
		send(t, node, frame)
		p := r.packet()
		if !bytes.Equal(p.Frame, frame) || p.Measured || p.Bearer != "wifi" || p.From != node.LocalAddr().String() || p.At.Before(began) {
			t.Errorf("%d bytes came as %+v", size, p)
		}
		if err := r.Send(context.Background(), p.From, frame); err != nil {
			t.Errorf("Send = %v, want nil", err)
		}
		node.SetReadDeadline(time.Now().Add(patience))
		buf := make([]byte, 1000)
		if n, err := node.Read(buf); err != nil || !bytes.Equal(buf[:n], frame) {
			t.Errorf("the node got % x, %v", buf[:n], err)
		}
	}
	if s := r.Stats(); s.Frames != 4 || s.Sent != 4 || s.Sources != 1 {
		t.Errorf("stats %+v, want 4 frames, 4 sent, 1 source", s)
	}
}

func TestAllAddressesAndIPv4Sources(t *testing.T) {
	r := start(t, Options{Listen: ":0"})
	r.expect("listening")
	node, err := net.Dial("udp", netip.AddrPortFrom(netip.MustParseAddr("127.0.0.1"), r.LocalAddr().Port()).String())
	if err != nil {
		t.Fatal(err)
	}
	defer node.Close()
	send(t, node, []byte("x"))
	p := r.packet()
	if p.From != node.LocalAddr().String() {
		t.Errorf("From = %q, want %q", p.From, node.LocalAddr())
	}
	if err := r.Send(context.Background(), p.From, []byte("y")); err != nil {
		t.Errorf("Send(%q) = %v, want nil", p.From, err)
	}
	node.SetReadDeadline(time.Now().Add(patience))
	if _, err := node.Read(make([]byte, 10)); err != nil {
		t.Errorf("the answer did not arrive: %v", err)
	}
}

func TestSizesAreChecked(t *testing.T) {
	r := bound(t, Options{})
	node := r.node()
	send(t, node, nil)
	send(t, node, make([]byte, radio.MaxFrame+1))
	send(t, node, make([]byte, 9000))
	send(t, node, []byte("good"))
	if p := r.packet(); string(p.Frame) != "good" {
		t.Errorf("frame %q, want %q", p.Frame, "good")
	}
	if s := r.Stats(); s.Drops != [NumDrops]uint64{DropEmpty: 1, DropOversize: 2} || s.Frames != 1 {
		t.Errorf("stats %+v, want 1 empty, 2 oversize, 1 frame", s)
	}
}

func TestFloodOfOneDoesNotKeepOutAnother(t *testing.T) {
	r := bound(t, Options{PerSource: 0.001, SourceBurst: 10, Total: 0.001, TotalBurst: 15})
	flooder := r.node()
	for range 2000 {
		send(t, flooder, []byte("flood"))
	}
	for range 10 {
		if p := r.packet(); string(p.Frame) != "flood" {
			t.Errorf("frame %q", p.Frame)
		}
	}
	// The kernel may lose datagrams of a flood, and any behind it: the other node asks again until it is heard.
	d := net.Dialer{LocalAddr: &net.UDPAddr{IP: net.IPv4(127, 0, 0, 2)}}
	other, err := d.Dial("udp", r.LocalAddr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	for deadline := time.After(patience); ; {
		send(t, other, []byte("trip"))
		select {
		case p := <-r.packets:
			if string(p.Frame) != "trip" {
				t.Fatalf("frame %q got in beyond the limit", p.Frame)
			}
		case <-time.After(100 * time.Millisecond):
			continue
		case <-deadline:
			t.Fatal("a flood keeps another node out")
		}
		break
	}
	if s := r.Stats(); s.Drops[DropSource] == 0 || s.Sources != 2 {
		t.Errorf("stats %+v, want drops for the source's rate, and 2 sources", s)
	}
}

func TestLimiter(t *testing.T) {
	now := time.Unix(0, 0)
	a, b, c := netip.MustParseAddr("10.0.0.1"), netip.MustParseAddr("10.0.0.2"), netip.MustParseAddr("fe80::3")
	l := newLimiter(Options{PerSource: 50, SourceBurst: 3, Total: 100, TotalBurst: 5, MaxSources: 2}, now)
	type verdict struct {
		drop Drop
		ok   bool
	}
	admitted, source, total := verdict{0, true}, verdict{DropSource, false}, verdict{DropTotal, false}
	for i, step := range []struct {
		wait time.Duration
		from netip.Addr
		want verdict
	}{
		{0, a, admitted}, {0, a, admitted}, {0, a, admitted}, {0, a, source},
		{0, b, admitted}, {0, b, admitted}, {0, b, total}, // 5 in all
		{20 * time.Millisecond, a, admitted}, // 2 more in all, 1 of a's
		{0, a, source},                       // which does not cost the total
		{0, b, admitted}, {0, b, total},
		{-time.Hour, b, total},                                                           // a clock that goes back gives nothing
		{2 * time.Hour, a, admitted}, {0, a, admitted}, {0, a, admitted}, {0, a, source}, // no more than the burst after a pause
		{0, c, admitted}, // takes b's place
		{0, a, source},   // and not a's, who was heard later than b
	} {
		now = now.Add(step.wait)
		drop, ok := l.admit(step.from, now)
		if got := (verdict{drop, ok}); got != step.want {
			t.Fatalf("step %d, from %v: %+v, want %+v", i, step.from, got, step.want)
		}
	}
	if l.sources() != 2 {
		t.Errorf("%d sources, want 2", l.sources())
	}
	for i := range 10000 {
		l.admit(netip.AddrFrom4([4]byte{10, 1, byte(i >> 8), byte(i)}), now)
	}
	if l.sources() != 2 || l.recent.Len() != 2 {
		t.Errorf("%d and %d sources after 10000 addresses, want 2", l.sources(), l.recent.Len())
	}
}

func TestAddressThatComesLater(t *testing.T) {
	taken, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r := start(t, Options{Listen: taken.LocalAddr().String()})
	r.expect("cannot listen")
	if r.Up() {
		t.Error("up without an address")
	}
	if err := r.Send(context.Background(), "127.0.0.1:9", []byte("x")); !errors.Is(err, radio.ErrDown) {
		t.Errorf("Send = %v, want %v", err, radio.ErrDown)
	}
	taken.Close()
	r.expect("listening")
	send(t, r.node(), []byte("x"))
	r.packet()
}

func TestLostSocketIsBoundAgain(t *testing.T) {
	r := bound(t, Options{})
	r.mu.Lock()
	r.conn.Close() // as an error of the kernel's, of which loopback has none to offer
	r.mu.Unlock()
	r.expect("lost the socket")
	r.expect("listening")
	send(t, r.node(), []byte("x"))
	r.packet()
	if s := r.Stats(); s.Binds != 2 || s.ReadErrors != 1 {
		t.Errorf("stats %+v, want 2 binds, 1 read error", s)
	}
	r.stop()
	if r.Up() {
		t.Error("up after Run has ended")
	}
}

func TestSendRefuses(t *testing.T) {
	r := bound(t, Options{})
	for _, c := range []struct {
		to    string
		frame []byte
	}{{"", []byte("x")}, {"gate.local:4711", []byte("x")}, {"127.0.0.1", []byte("x")}, {"127.0.0.1:9", nil}, {"127.0.0.1:9", make([]byte, radio.MaxFrame+1)}} {
		if err := r.Send(context.Background(), c.to, c.frame); err == nil {
			t.Errorf("Send(%q, %d bytes) succeeded, want an error", c.to, len(c.frame))
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := r.Send(ctx, "127.0.0.1:9", []byte("x")); !errors.Is(err, context.Canceled) {
		t.Errorf("Send with an ended context = %v, want %v", err, context.Canceled)
	}
}

func TestOptionsThatCanNeverWork(t *testing.T) {
	for _, o := range []Options{
		{}, {Listen: "gate.local:4711"}, {Listen: "127.0.0.1"}, {Listen: ":x"}, {Listen: ":70000"},
		{Listen: ":0", PerSource: -1}, {Listen: ":0", Total: -1}, {Listen: ":0", SourceBurst: 0.5}, {Listen: ":0", MaxSources: -1},
	} {
		if err := New(o).Run(context.Background(), nil); err == nil {
			t.Errorf("Run with %+v = nil, want an error", o)
		}
	}
	if err := (Options{Listen: ":4711"}).Check(); err != nil {
		t.Errorf("Check = %v, want nil", err)
	}
}

// FuzzDatagram checks over a real socket that a datagram is delivered as it is, or counted as dropped.
func FuzzDatagram(f *testing.F) {
	f.Add([]byte(nil))
	f.Add([]byte{0})
	f.Add(make([]byte, radio.MaxFrame))
	f.Add(make([]byte, radio.MaxFrame+1))
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) > 60000 { // more than a datagram holds
			return
		}
		r := bound(t, Options{})
		node := r.node()
		send(t, node, b)
		send(t, node, []byte("end"))
		p := r.packet()
		if fits := len(b) >= 1 && len(b) <= radio.MaxFrame; fits {
			if !bytes.Equal(p.Frame, b) {
				t.Fatalf("% x was delivered as % x", b, p.Frame)
			}
			p = r.packet()
		}
		if string(p.Frame) != "end" {
			t.Fatalf("% x was delivered, sent % x", p.Frame, b)
		}
		if s := r.Stats(); s.Frames+s.Drops[DropEmpty]+s.Drops[DropOversize] != 2 {
			t.Fatalf("stats %+v, want every datagram counted", s)
		}
	})
}
