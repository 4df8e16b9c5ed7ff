package mqtt

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"strings"
	"sync"
	"testing"
	"time"
)

func startBroker(t *testing.T, o BrokerOptions) *Broker {
	t.Helper()
	if o.Listen == "" {
		o.Listen = "127.0.0.1:0"
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	b, err := StartBroker(o)
	if err != nil {
		t.Fatalf("StartBroker: %v", err)
	}
	t.Cleanup(func() { b.Close() })
	return b
}

func (b *Broker) url() string { return "mqtt://" + b.Addr().String() }

// TestBrokerStaysHome: without a password nobody but this machine may reach it.
func TestBrokerStaysHome(t *testing.T) {
	for _, listen := range []string{":0", "0.0.0.0:0", "[::]:0", "192.168.1.4:1883", "house.local:1883", "[::ffff:192.168.1.4]:1883"} {
		b, err := StartBroker(BrokerOptions{Listen: listen})
		if err == nil {
			b.Close()
		}
		if err == nil || !strings.Contains(err.Error(), "set its user and password file") {
			t.Errorf("StartBroker(%q) without a password = %v, want a refusal that says what to set", listen, err)
		}
	}
	for _, listen := range []string{"127.0.0.1:0", "localhost:0", "127.3.4.5:0"} {
		startBroker(t, BrokerOptions{Listen: listen})
	}
	startBroker(t, BrokerOptions{Listen: "0.0.0.0:0", User: "hill", PasswordFile: secret(t, "beam")})
}

func TestBrokerSettings(t *testing.T) {
	tests := []struct {
		o    BrokerOptions
		want string
	}{
		{BrokerOptions{Listen: "127.0.0.1"}, "host:port"},
		{BrokerOptions{Listen: "127.0.0.1:0", User: "hill"}, "both or neither"},
		{BrokerOptions{Listen: "127.0.0.1:0", PasswordFile: "p"}, "both or neither"},
		{BrokerOptions{Listen: "127.0.0.1:0", User: "hill", PasswordFile: "/nowhere"}, "/nowhere"},
		{BrokerOptions{Listen: startBroker(t, BrokerOptions{}).Addr().String()}, "address already in use"},
	}
	for _, tt := range tests {
		b, err := StartBroker(tt.o)
		if err == nil {
			b.Close()
		}
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("StartBroker(%+v) = %v, want an error with %q", tt.o, err, tt.want)
		}
	}
}

func TestBrokerSaysWhatItDoesNotDo(t *testing.T) {
	var log bytes.Buffer
	startBroker(t, BrokerOptions{Log: slog.New(slog.NewTextHandler(&log, nil))})
	for _, want := range []string{"keeps nothing for absent", "promise to deliver ends at this broker's acknowledgement"} {
		if !strings.Contains(log.String(), want) {
			t.Errorf("log = %q, want it to say %q", log.String(), want)
		}
	}
}

func TestBrokerPassword(t *testing.T) {
	b := startBroker(t, BrokerOptions{User: "hill", PasswordFile: secret(t, "beam\n")})
	o := Options{URL: b.url(), ClientID: "gateway", User: "hill", PasswordFile: secret(t, "beam")}
	mustPublish(t, mustDial(t, o), "t", false, "x")
	for _, wrong := range []Options{
		{User: "hill", PasswordFile: secret(t, "loop")}, {User: "hall", PasswordFile: secret(t, "beam")}, {User: "hill"}, {},
	} {
		wrong.URL, wrong.ClientID = o.URL, "stranger"
		if _, err := Dial(t.Context(), wrong); reasonOf(err) != ReasonRefused {
			t.Errorf("Dial as %q with a wrong or no password = %v, want %q", wrong.User, err, ReasonRefused)
		}
	}
	if s := b.Stats(); s.Refused != 4 || s.Clients != 1 {
		t.Errorf("Stats() = %+v, want 4 refused, 1 client", s)
	}
}

// heard is a message that reached a Subscribe handler.
type heard struct {
	topic, payload string
	retained       bool
}

// subscribe runs Subscribe until the test ends or stop is called, and returns once it is connected.
func subscribe(t *testing.T, o SubscribeOptions) (got chan heard, connected chan struct{}, stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	got, connected = make(chan heard, 10_000), make(chan struct{}, 100)
	o.Connected = func() { connected <- struct{}{} }
	var running sync.WaitGroup
	running.Go(func() {
		if err := Subscribe(ctx, o, func(topic string, payload []byte, retained bool) {
			got <- heard{topic, string(payload), retained}
		}); err != nil {
			t.Errorf("Subscribe: %v", err)
		}
	})
	stop = func() { cancel(); running.Wait() }
	t.Cleanup(stop)
	await(t, connected)
	return got, connected, stop
}

func await[T any](t *testing.T, c <-chan T) T {
	t.Helper()
	select {
	case v := <-c:
		return v
	case <-time.After(patience):
		t.Fatalf("nothing came within %v", patience)
		panic("unreachable")
	}
}

// fanOut returns when everything s has published has gone to those then subscribed. The broker acknowledges a message
// before it delivers it, but takes a client's next message only after.
func fanOut(t *testing.T, s *Session) {
	t.Helper()
	mustPublish(t, s, "barrier", false, "")
}

// TestBrokerRetained: the last state of each zone is there for whoever comes later, and can be cleared.
func TestBrokerRetained(t *testing.T) {
	b := startBroker(t, BrokerOptions{})
	s := mustDial(t, Options{URL: b.url(), ClientID: "gateway"})
	mustPublish(t, s, "zone/river-gate/state", true, "clear")
	mustPublish(t, s, "zone/river-gate/state", true, "tripped")
	mustPublish(t, s, "zone/ridge-gate/state", true, "clear")
	mustPublish(t, s, "zone/ridge-gate/state", true, "")
	fanOut(t, s)
	if n := b.Stats().Retained; n != 1 {
		t.Errorf("Stats().Retained = %d, want 1", n)
	}
	got, _, _ := subscribe(t, SubscribeOptions{URL: b.url(), ClientID: "house", Filters: []string{"zone/+/state"}, QoS: 1, CleanSession: true})
	if h := await(t, got); h != (heard{"zone/river-gate/state", "tripped", true}) {
		t.Errorf("a late subscriber got %+v, want the last retained state of the river gate", h)
	}
	mustPublish(t, s, "zone/river-gate/state", true, "clear")
	if h := await(t, got); h != (heard{"zone/river-gate/state", "clear", false}) {
		t.Errorf("a connected subscriber got %+v, want the new state, not marked as retained", h)
	}
}

// TestBrokerKeepsNothingForTheAbsent: also when asked to, as its documentation says.
func TestBrokerKeepsNothingForTheAbsent(t *testing.T) {
	b := startBroker(t, BrokerOptions{})
	s := mustDial(t, Options{URL: b.url(), ClientID: "gateway"})
	o := SubscribeOptions{URL: b.url(), ClientID: "house", Filters: []string{"zone/#"}, QoS: 1, CleanSession: false}
	_, _, stop := subscribe(t, o)
	stop()
	mustPublish(t, s, "zone/river-gate/trip", false, "missed")
	fanOut(t, s)
	got, _, _ := subscribe(t, o)
	mustPublish(t, s, "zone/river-gate/trip", false, "heard")
	if h := await(t, got); h.payload != "heard" {
		t.Errorf("after an absence the first message is %+v, want the one sent since", h)
	}
}

// TestBrokerHearsWhoReturnsAtOnce: a client that comes back in the very moment in which its old connection ends, politely
// or not, gets messages.
func TestBrokerHearsWhoReturnsAtOnce(t *testing.T) {
	b := startBroker(t, BrokerOptions{})
	s := mustDial(t, Options{URL: b.url(), ClientID: "gateway"})
	var clients sync.WaitGroup
	for id := range byte(8) {
		clients.Go(func() {
			for round := range 150 {
				if err := returnAtOnce(b, s, 'A'+id, round%2 == 0); err != nil {
					t.Errorf("client %d, round %d: %v", id, round, err)
					return
				}
			}
		})
	}
	clients.Wait()
}

// returnAtOnce connects as the client id, subscribes to the topic id, and hears one message on it.
func returnAtOnce(b *Broker, s *Session, id byte, polite bool) error {
	c, err := net.Dial("tcp", b.Addr().String())
	if err != nil {
		return err
	}
	defer c.Close()
	c.SetDeadline(time.Now().Add(patience))
	c.Write([]byte{0x10, 13, 0, 4, 'M', 'Q', 'T', 'T', 4, 2, 0, 60, 0, 1, id, 0x82, 6, 0, 1, 0, 1, id, 0})
	if _, err := io.ReadFull(c, make([]byte, 4+5)); err != nil {
		return fmt.Errorf("no CONNACK and SUBACK: %w", err)
	}
	s.Publish(string(rune(id)), 1, false, []byte("x"), func(error) {})
	if _, err := io.ReadFull(c, make([]byte, 6)); err != nil {
		return fmt.Errorf("it came back and hears nothing: %w", err)
	}
	if polite {
		c.Write([]byte{0xe0, 0})
	}
	return nil
}

// TestBrokerTakeover: the newer of two clients of a name stays.
func TestBrokerTakeover(t *testing.T) {
	b := startBroker(t, BrokerOptions{})
	older := mustDial(t, Options{URL: b.url(), ClientID: "gateway"})
	newer := mustDial(t, Options{URL: b.url(), ClientID: "gateway"})
	await(t, older.Closed())
	mustPublish(t, newer, "t", false, "x")
	if n := b.Stats().Clients; n != 1 {
		t.Errorf("Stats().Clients = %d, want 1", n)
	}
}

// TestBrokerBoundsConnections: those who connect and say nothing take no more than their share.
func TestBrokerBoundsConnections(t *testing.T) {
	b := startBroker(t, BrokerOptions{})
	var last net.Conn
	for range maxConns + 1 {
		c, err := net.Dial("tcp", b.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		last = c
	}
	last.SetReadDeadline(time.Now().Add(patience))
	if _, err := last.Read(make([]byte, 1)); err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("connection %d: %v, want it closed", maxConns+1, err)
	}
}

// TestBrokerBoundsPackets: a client that announces too much is thrown out, not obeyed.
func TestBrokerBoundsPackets(t *testing.T) {
	b := startBroker(t, BrokerOptions{})
	c, err := net.Dial("tcp", b.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	c.Write([]byte{0x10, 13, 0, 4, 'M', 'Q', 'T', 'T', 4, 2, 0, 60, 0, 1, 'x'})
	c.Write([]byte{0x30, 0xff, 0xff, 0xff, 0x7f})
	c.SetReadDeadline(time.Now().Add(patience))
	var hello [4]byte
	if _, err := c.Read(hello[:]); err != nil {
		t.Fatalf("no CONNACK: %v", err)
	}
	if n, err := c.Read(hello[:]); err == nil || strings.Contains(err.Error(), "timeout") {
		t.Errorf("after a header of 256 MiB the broker answered %d bytes, %v; want the connection closed", n, err)
	}
}

// TestBrokerCloseTwice also sees its clients off.
func TestBrokerCloseTwice(t *testing.T) {
	b := startBroker(t, BrokerOptions{})
	s := mustDial(t, Options{URL: b.url(), ClientID: "gateway"})
	if err := b.Close(); err != nil {
		t.Errorf("Close: %v", err)
	}
	if err := b.Close(); err != nil {
		t.Errorf("second Close: %v", err)
	}
	await(t, s.Closed())
}

// TestBrokerStopsWithoutDisconnect: what clients see of the broker's end is a lost connection, after which they come back.
func TestBrokerStopsWithoutDisconnect(t *testing.T) {
	for version, connect := range map[string]string{ // the least that connects, by the two standards
		"3.1.1": "\x10\x0d\x00\x04MQTT\x04\x02\x00\x3c\x00\x01a",
		"5":     "\x10\x0e\x00\x04MQTT\x05\x02\x00\x3c\x00\x00\x01a",
	} {
		b := startBroker(t, BrokerOptions{})
		conn, err := net.Dial("tcp", b.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		conn.SetDeadline(time.Now().Add(patience))
		if _, err := io.WriteString(conn, connect); err != nil {
			t.Fatal(err)
		}
		r := bufio.NewReader(conn)
		hello := make([]byte, 2)
		if _, err := io.ReadFull(r, hello); err != nil || hello[0] != 0x20 {
			t.Fatalf("MQTT %s: CONNACK: %x, %v", version, hello, err)
		}
		if _, err := r.Discard(int(hello[1])); err != nil {
			t.Fatal(err)
		}
		if err := b.Close(); err != nil {
			t.Fatal(err)
		}
		if rest, err := io.ReadAll(r); len(rest) > 0 || errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("MQTT %s: the broker's last words are %x, %v, want none", version, rest, err)
		}
	}
}

// TestBrokerStopsWithoutWills: its end is not taken for that of a client.
func TestBrokerStopsWithoutWills(t *testing.T) {
	for range 20 {
		b := startBroker(t, BrokerOptions{})
		s := mustDial(t, Options{URL: b.url(), ClientID: "gateway", Will: &Will{Topic: "gateway/house", Payload: []byte("lost")}})
		got, _, stop := subscribe(t, SubscribeOptions{URL: b.url(), ClientID: "house", Filters: []string{"gateway/#"}, QoS: 1, CleanSession: true})
		mustPublish(t, s, "gateway/house", true, "stopped")
		if h := await(t, got); h.payload != "stopped" {
			t.Fatalf("heard %+v", h)
		}
		if err := b.Close(); err != nil {
			t.Fatal(err)
		}
		await(t, s.Closed())
		stop()
		for len(got) > 0 {
			if h := <-got; h.payload == "lost" {
				t.Error("after its goodbye the gateway was said to be lost")
			}
		}
	}
}
