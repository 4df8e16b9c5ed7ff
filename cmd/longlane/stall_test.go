package main

import (
	"context"
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"longlane/gateway/roster"
)

// staller stands where the broker is. While stalled it grants each connection and then reads no more, with so little room
// that the sender's buffer is soon full; later it passes connections on.
type staller struct {
	addr    string
	to      atomic.Value // string; empty: stalled
	mu      sync.Mutex
	stalled []net.Conn
}

func newStaller(t *testing.T) *staller {
	t.Helper()
	// Small segments and a small receive buffer keep the sender's buffer small too: Linux sizes it by both.
	small := net.ListenConfig{Control: func(_, _ string, c syscall.RawConn) (err error) {
		control := c.Control(func(fd uintptr) {
			if err = unix.SetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_RCVBUF, 1024); err == nil {
				err = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_MAXSEG, 536)
			}
		})
		if err != nil {
			return err
		}
		return control
	}}
	l, err := small.Listen(context.Background(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &staller{addr: l.Addr().String()}
	s.to.Store("")
	t.Cleanup(func() {
		l.Close()
		s.mu.Lock()
		defer s.mu.Unlock()
		for _, c := range s.stalled {
			c.Close()
		}
	})
	go func() { // ends with the listener
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go s.serve(c)
		}
	}()
	return s
}

func (s *staller) serve(c net.Conn) {
	to := s.to.Load().(string)
	if to == "" {
		connect := make([]byte, 1024)
		c.Read(connect)
		c.Write([]byte{0x20, 2, 0, 0}) // CONNACK, granted
		s.mu.Lock()
		s.stalled = append(s.stalled, c) // open until the test ends, whatever the gateway does
		s.mu.Unlock()
		return
	}
	defer c.Close()
	b, err := net.Dial("tcp", to)
	if err != nil {
		return
	}
	defer b.Close()
	go io.Copy(c, b) // ends when b is closed
	io.Copy(b, c)
}

// TestBrokerStopsReading: the connection stays up, the gateway's send buffer fills, and a write hangs. The gateway gives
// the session up after its write timeout, sets nothing aside, and delivers everything to the good broker that takes the
// place.
func TestBrokerStopsReading(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "river-gate", "cattle-grid")
	r, err := roster.Open(h.path("state"))
	if err != nil {
		t.Fatal(err)
	}
	s := newStaller(t)
	h.configure("mqtt://" + s.addr)
	// The retained states of many zones with long names are what fills the buffer.
	titles := h.text("longlane.toml")
	for i := range 16 {
		n := roster.Node{Name: fmt.Sprintf("post-%d", i)}
		for j := range uint8(16) {
			zone := fmt.Sprintf("the-long-row-of-apple-trees-%02d-%x", i, j)
			n.Inputs = append(n.Inputs, roster.Input{Number: j, Zone: zone})
			titles += fmt.Sprintf("[zone.%s]\ntitle = %q\n", zone, strings.Repeat("樹", 64))
		}
		if _, err := r.Add(n); err != nil {
			t.Fatal(err)
		}
	}
	if err := r.Save(); err != nil {
		t.Fatal(err)
	}
	h.write("longlane.toml", titles)
	h.steady("6s")
	sim := h.startSim("--drain")
	h.startGateway()
	if code := sim.wait(2 * time.Minute); code != exitDone {
		t.Fatalf("the simulator ended with %d", code)
	}
	eventually(t, time.Minute, "a session to end because a write hung", func() bool {
		_, text := h.get("/metrics")
		return metric(text, `longlane_session_ends_total{reason="write-timeout",sink="mqtt"}`) >= 1
	})
	h.openHouse()
	s.to.Store(h.mos.addr)
	h.checkDelivered(time.Minute)
	_, text := h.get("/metrics")
	for name, want := range map[string]float64{`longlane_queue_set_aside_events{sink="mqtt"}`: 0, `longlane_queue_waiting_events{sink="mqtt"}`: 0} {
		eventually(t, 30*time.Second, fmt.Sprintf("%s to be %v", name, want), func() bool {
			_, text = h.get("/metrics")
			return metric(text, name) == want
		})
	}
}
