package mqtt

import (
	"context"
	"errors"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

// script is what a broker at the other end of a pipe does after it has granted the connection. It runs in virtual
// time, and ends with the connection.
type script func(c net.Conn, connect *packets.ConnectPacket)

// pipe returns a dialler whose every connection is served by s.
func pipe(s script) func(context.Context, string, string) (net.Conn, error) {
	return func(context.Context, string, string) (net.Conn, error) {
		here, there := net.Pipe()
		go func() {
			defer there.Close()
			p, err := packets.ReadPacket(there)
			if err != nil {
				return
			}
			there.Write([]byte{0x20, 2, 0, 0})
			s(there, p.(*packets.ConnectPacket))
		}()
		return here, nil
	}
}

// virtually lets time pass in a synctest bubble, where it costs nothing.
func virtually(d time.Duration) { <-time.After(d) }

// settle gives goroutines that are on their way out the time for it, but less than the library would take to notice by
// itself that its connection is closed. What is still there then, synctest reports as a deadlock: so each of these
// tests is also a test against leaks.
func settle(t *testing.T) { t.Cleanup(func() { virtually(15 * time.Second) }) }

func dialScript(t *testing.T, s script) *Session {
	t.Helper()
	settle(t)
	session, err := Dial(t.Context(), Options{URL: "mqtt://127.0.0.1", ClientID: "gateway", Dial: pipe(s)})
	if err != nil {
		t.Fatalf("Dial: %v", err)
	}
	return session
}

// each reads packets and answers pings until the connection ends, and hands the rest to f.
func each(c net.Conn, f func(packets.ControlPacket)) {
	for {
		p, err := packets.ReadPacket(c)
		if err != nil {
			return
		}
		if _, ok := p.(*packets.PingreqPacket); ok {
			c.Write([]byte{0xd0, 0})
			continue
		}
		f(p)
	}
}

func puback(c net.Conn, id uint16) { c.Write([]byte{0x40, 2, byte(id >> 8), byte(id)}) }

func reading(c net.Conn, _ *packets.ConnectPacket) { each(c, func(packets.ControlPacket) {}) }

// frozen reads nothing more, until the other side has closed; a pipe lets a reader of its own direction see that
// only by a write.
func frozen(c net.Conn, _ *packets.ConnectPacket) {
	for {
		c.SetWriteDeadline(time.Now().Add(time.Minute))
		if _, err := c.Write([]byte{0xd0, 0}); err != nil {
			return
		}
		virtually(time.Second)
	}
}

// TestEndings holds each way of falling silent against the reason and the exact time of its discovery.
func TestEndings(t *testing.T) {
	tests := []struct {
		name    string
		script  script
		publish int
		want    Reason
		after   time.Duration
	}{
		{"stops reading, we publish", frozen, 1, ReasonWriteTimeout, 5 * time.Second},
		{"reads, answers no ping", func(c net.Conn, _ *packets.ConnectPacket) {
			for {
				if _, err := packets.ReadPacket(c); err != nil {
					return
				}
			}
		}, 0, ReasonPingTimeout, 40 * time.Second}, // pings after 30 s, gives it 10 s
		{"acknowledges nothing", reading, 3, ReasonAckDeadline, 20 * time.Second},
		{"acknowledges all but the first", func(c net.Conn, _ *packets.ConnectPacket) {
			each(c, func(p packets.ControlPacket) {
				if id := p.Details().MessageID; id > 1 {
					puback(c, id)
				}
			})
		}, 5, ReasonAckDeadline, 20 * time.Second},
		{"closes", func(net.Conn, *packets.ConnectPacket) { virtually(7 * time.Second) }, 0, ReasonPeerClosed, 7 * time.Second},
		{"closes within a packet", func(c net.Conn, _ *packets.ConnectPacket) { virtually(time.Second); c.Write([]byte{0x40, 2, 0}) }, 0, ReasonLost, time.Second},
		{"sends a command only a client may send", func(c net.Conn, _ *packets.ConnectPacket) { virtually(time.Second); c.Write([]byte{0xe0, 0}) }, 0, ReasonProtocol, time.Second},
		{"announces 256 MiB", func(c net.Conn, _ *packets.ConnectPacket) {
			virtually(time.Second)
			c.Write([]byte{0x30, 0xff, 0xff, 0xff, 0x7f})
		}, 0, ReasonProtocol, time.Second},
		{"takes it for another type of acknowledgement", func(c net.Conn, _ *packets.ConnectPacket) {
			each(c, func(p packets.ControlPacket) { c.Write([]byte{0xb0, 2, 0, byte(p.Details().MessageID)}) })
		}, 1, ReasonProtocol, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				settle(t)
				dials := 0
				s := mustDial(t, Options{URL: "mqtt://127.0.0.1", ClientID: "gateway", Dial: func(ctx context.Context, network, addr string) (net.Conn, error) {
					dials++
					return pipe(tt.script)(ctx, network, addr)
				}})
				start := time.Now()
				outcomes := make(chan error, tt.publish)
				for range tt.publish {
					s.Publish("t", 1, false, []byte("x"), func(err error) { outcomes <- err })
				}
				<-s.Closed()
				if got := reasonOf(s.Err()); got != tt.want {
					t.Errorf("ended with %v (%q), want %q", s.Err(), got, tt.want)
				}
				if got := time.Since(start); got != tt.after {
					t.Errorf("ended after %v, want %v", got, tt.after)
				}
				for range tt.publish {
					if err := <-outcomes; reasonOf(err) != tt.want {
						t.Errorf("done(%v), want reason %q", err, tt.want)
					}
				}
				virtually(time.Second)
				synctest.Wait()
				if dials != 1 {
					t.Errorf("dialled %d times, want once: a session that has ended never connects again", dials)
				}
			})
		})
	}
}

// refusingClient is a client library that will not publish, on a connection that has nothing wrong with it.
type refusingClient struct{ paho.Client }

func (refusingClient) Publish(string, byte, bool, any) paho.Token { return refusedToken{} }

type refusedToken struct{ paho.Token }

func (refusedToken) Error() error { return errors.New("no message IDs available") }

func (refusedToken) Done() <-chan struct{} {
	c := make(chan struct{})
	close(c)
	return c
}

// TestLibraryRefuses: an error of the client library's is never taken for an acknowledgement.
func TestLibraryRefuses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := dialScript(t, reading)
		s.link.client = refusingClient{s.link.client}
		outcome := make(chan error, 1)
		s.Publish("t", 1, false, nil, func(err error) { outcome <- err })
		if err := <-outcome; reasonOf(err) != ReasonPublish {
			t.Errorf("done(%v), want reason %q", err, ReasonPublish)
		}
		s.Close()
	})
}

// TestFrozenWhileIdle is the half-open connection on which only a ping is written.
func TestFrozenWhileIdle(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		s := dialScript(t, func(net.Conn, *packets.ConnectPacket) { <-release })
		start := time.Now()
		<-s.Closed()
		if got := reasonOf(s.Err()); got != ReasonWriteTimeout || time.Since(start) != 35*time.Second {
			t.Errorf("ended after %v with %q, want 35s (ping after 30, write for 5) and %q", time.Since(start), got, ReasonWriteTimeout)
		}
		close(release)
	})
}

// TestSlowProgressIsProgress: the deadline is the oldest message's, counted from when it became the oldest.
func TestSlowProgressIsProgress(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := dialScript(t, func(c net.Conn, _ *packets.ConnectPacket) {
			var first, n uint16
			each(c, func(p packets.ControlPacket) {
				if n++; n == 1 {
					first = p.Details().MessageID
				}
				if n == 3 {
					go func() {
						for i := range uint16(3) {
							virtually(15 * time.Second)
							puback(c, first+i)
						}
					}()
				}
			})
		})
		outcomes := make(chan error, 3)
		for range 3 {
			s.Publish("t", 1, false, nil, func(err error) { outcomes <- err })
		}
		for range 3 {
			if err := <-outcomes; err != nil {
				t.Errorf("done(%v), want nil: acknowledgements 15 s apart are within 20 s each", err)
			}
		}
		s.Close()
	})
}

// TestWhatTheBrokerSees: the handshake, order, flags, and payloads as they were when Publish was called.
func TestWhatTheBrokerSees(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		settle(t)
		var hello *packets.ConnectPacket
		var got []string
		finished := make(chan string, 1)
		o := Options{URL: "mqtt://127.0.0.1", ClientID: "gateway-hill", User: "hill", PasswordFile: secret(t, "beam\n"),
			Will: &Will{Topic: "gone", Payload: []byte("lost")}}
		o.Dial = pipe(func(c net.Conn, p *packets.ConnectPacket) {
			hello = p
			last := "nothing"
			each(c, func(p packets.ControlPacket) {
				switch p := p.(type) {
				case *packets.PublishPacket:
					got = append(got, string(p.Payload))
					if p.Qos == 1 {
						puback(c, p.MessageID)
					}
					last = "PUBLISH"
				case *packets.DisconnectPacket:
					last = "DISCONNECT"
				}
			})
			finished <- last
		})
		s, err := Dial(t.Context(), o)
		if err != nil {
			t.Fatalf("Dial: %v", err)
		}
		var want []string
		buffer := make([]byte, 1)
		var dones sync.WaitGroup
		for i := range 20 {
			buffer[0] = byte('a' + i)
			want = append(want, string(buffer))
			dones.Add(1)
			s.Publish("t", byte(i%2), i%3 == 0, buffer, func(err error) {
				defer dones.Done()
				if err != nil {
					t.Errorf("message %d: done(%v)", i, err)
				}
			})
		}
		dones.Wait()
		if s.Pending() != 0 || s.Err() != nil {
			t.Errorf("after all outcomes: Pending() = %d, Err() = %v, want 0, nil", s.Pending(), s.Err())
		}
		s.Close()
		if last := <-finished; last != "DISCONNECT" {
			t.Errorf("last packet after Close is %s, want DISCONNECT", last)
		}
		if !slices.Equal(got, want) {
			t.Errorf("broker received %q, want %q", got, want)
		}
		if hello.ProtocolVersion != 4 || !hello.CleanSession || hello.ClientIdentifier != "gateway-hill" || hello.Keepalive != 30 {
			t.Errorf("CONNECT = %+v, want version 4, clean session, keep-alive 30", hello)
		}
		if hello.Username != "hill" || string(hello.Password) != "beam" {
			t.Errorf("CONNECT as %q with password %q, want hill, beam", hello.Username, hello.Password)
		}
		if !hello.WillFlag || !hello.WillRetain || hello.WillQos != 1 || hello.WillTopic != "gone" || string(hello.WillMessage) != "lost" {
			t.Errorf("CONNECT's will = %+v, want gone: lost, retained, QoS 1", hello)
		}
	})
}

// TestCloseNeverHangs: whatever the broker or a callback does, and when called twice, at once, and from a callback.
func TestCloseNeverHangs(t *testing.T) {
	scripts := map[string]script{"reading": reading, "frozen": frozen}
	for name, sc := range scripts {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := dialScript(t, sc)
				stuck, outcomes := make(chan struct{}), make(chan error, 10)
				for range cap(outcomes) {
					s.Publish("t", 1, false, nil, func(err error) {
						s.Close()
						<-stuck
						outcomes <- err
					})
				}
				start := time.Now()
				var both sync.WaitGroup
				both.Go(s.Close)
				both.Go(s.Close)
				both.Wait()
				if d := time.Since(start); d > 2*time.Second {
					t.Errorf("Close took %v, want at most 2 s", d)
				}
				close(stuck)
				<-s.Closed()
				for range cap(outcomes) {
					if err := <-outcomes; reasonOf(err) != ReasonClosed {
						t.Errorf("done(%v), want reason %q", err, ReasonClosed)
					}
				}
				s.Close()
				refused := make(chan error, 1)
				s.Publish("t", 1, false, nil, func(err error) { refused <- err })
				if err := <-refused; reasonOf(err) != ReasonClosed {
					t.Errorf("after Close: done(%v), want reason %q", err, ReasonClosed)
				}
			})
		})
	}
}

// TestCloseIsPolite: each time, or the broker would tell the house that a gateway was lost which was only restarted.
func TestCloseIsPolite(t *testing.T) {
	for i := range 300 {
		synctest.Test(t, func(t *testing.T) {
			var last packets.ControlPacket
			s := dialScript(t, func(c net.Conn, _ *packets.ConnectPacket) {
				each(c, func(p packets.ControlPacket) { last = p })
			})
			if i%2 == 0 {
				s.Publish("t", 1, false, nil, func(error) {})
			}
			s.Close()
			virtually(time.Second)
			synctest.Wait()
			if _, ok := last.(*packets.DisconnectPacket); !ok {
				t.Errorf("round %d: last packet before the end is %v, want DISCONNECT", i, last)
			}
		})
	}
}

// TestWindow: the message over the limit is refused at once, and one outcome makes room for one.
func TestWindow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ackNow := make(chan struct{})
		s := dialScript(t, func(c net.Conn, _ *packets.ConnectPacket) {
			go func() { <-ackNow; puback(c, 1) }()
			reading(c, nil)
		})
		outcomes := make(chan error, 2*Window)
		publish := func() { s.Publish("t", 1, false, nil, func(err error) { outcomes <- err }) }
		for range Window {
			publish()
		}
		publish()
		synctest.Wait()
		if err := <-outcomes; !errors.Is(err, ErrWindow) || len(outcomes) != 0 {
			t.Errorf("message %d: done(%v), %d more outcomes; want ErrWindow, 0", Window+1, err, len(outcomes))
		}
		close(ackNow)
		if err := <-outcomes; err != nil {
			t.Errorf("first message: done(%v), want nil", err)
		}
		publish()
		synctest.Wait()
		if len(outcomes) != 0 || s.Pending() != Window {
			t.Errorf("after one outcome: %d outcomes, Pending() = %d, want 0, %d", len(outcomes), s.Pending(), Window)
		}
		s.Close()
	})
}

// TestUnpublishable: what a broker would ignore or hang up on is refused here, and costs the session nothing.
func TestUnpublishable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := dialScript(t, reading)
		tests := []struct {
			topic string
			qos   byte
			size  int
		}{
			{"", 1, 0}, {"a/+/b", 1, 0}, {"a/#", 1, 0}, {"$SYS/x", 1, 0}, {"a\x00b", 1, 0}, {"\xff", 1, 0},
			{strings.Repeat("a", 65536), 1, 0}, {"t", 2, 0}, {"t", 1, MaxPayload + 1},
		}
		for _, tt := range tests {
			got := make(chan error, 1)
			s.Publish(tt.topic, tt.qos, false, make([]byte, tt.size), func(err error) { got <- err })
			if err := <-got; !errors.Is(err, ErrMessage) {
				t.Errorf("Publish(%.20q, QoS %d, %d bytes): done(%v), want ErrMessage", tt.topic, tt.qos, tt.size, err)
			}
		}
		if s.Err() != nil {
			t.Errorf("session ended with %v, want it alive", s.Err())
		}
		s.Close()
	})
}

func secret(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "password")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// TestSettings: each refusal says what to do.
func TestSettings(t *testing.T) {
	open := secret(t, "beam")
	if err := os.Chmod(open, 0o644); err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		o    Options
		want string
	}{
		{Options{URL: "tcp://h"}, "expected mqtt://host:port or mqtts://host:port"},
		{Options{URL: "ws://h"}, "not supported"},
		{Options{URL: "h:1883"}, "expected mqtt://"},
		{Options{URL: "mqtt://"}, "names no host"},
		{Options{URL: "mqtt://h:0"}, "1 to 65535"},
		{Options{URL: "mqtt://h:99999"}, "1 to 65535"},
		{Options{URL: "mqtt://h/path"}, "after the port"},
		{Options{URL: "mqtt://u:beam@h"}, "in a file of its own"},
		{Options{URL: "mqtt://u:beam@h:x y"}, "cannot be read"},
		{Options{URL: "mqtt://h", ClientID: "-"}, "client ID"},
		{Options{URL: "mqtt://h", CAFile: "ca.pem"}, "write mqtts://"},
		{Options{URL: "mqtt://h", PasswordFile: "p"}, "no user"},
		{Options{URL: "mqtt://h", KeepAlive: time.Millisecond}, "1 s to 65535 s"},
		{Options{URL: "mqtt://h", AckDeadline: -1}, "above zero"},
		{Options{URL: "mqtt://h", WriteTimeout: -1}, "above zero"},
		{Options{URL: "mqtt://h", Will: &Will{Topic: "a/+"}}, "wildcard"},
		{Options{URL: "mqtt://h", User: "u", PasswordFile: open}, "chmod 600 " + open},
		{Options{URL: "mqtt://h", User: "u", PasswordFile: "/nowhere"}, "/nowhere"},
		{Options{URL: "mqtt://h", User: "u", PasswordFile: secret(t, "\n")}, "one line"},
		{Options{URL: "mqtts://h", CAFile: open}, "BEGIN CERTIFICATE"},
		{Options{URL: "mqtts://h", CAFile: "/nowhere"}, "/nowhere"},
	}
	for _, tt := range tests {
		switch tt.o.ClientID {
		case "":
			tt.o.ClientID = "gateway"
		case "-":
			tt.o.ClientID = ""
		}
		tt.o.Dial = func(context.Context, string, string) (net.Conn, error) {
			t.Errorf("%+v was dialled", tt.o)
			return nil, errors.New("not here")
		}
		_, err := Dial(t.Context(), tt.o)
		if err == nil || !strings.Contains(err.Error(), tt.want) || strings.Contains(err.Error(), "beam") {
			t.Errorf("Dial(%q, %q) = %v, want an error with %q and without the password", tt.o.URL, tt.o.PasswordFile, err, tt.want)
		}
	}
}

func TestUnreachable(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ln.Close()
	_, err = Dial(t.Context(), Options{URL: "mqtt://" + ln.Addr().String(), ClientID: "gateway"})
	if reasonOf(err) != ReasonUnreachable || !strings.Contains(err.Error(), ln.Addr().String()) {
		t.Errorf("Dial = %v (%q), want %q with the address", err, reasonOf(err), ReasonUnreachable)
	}
}

func TestNearby(t *testing.T) {
	tests := map[string]bool{
		"mqtt://127.0.0.1": true, "mqtt://[::1]:1883": true, "mqtts://192.168.1.4:8883": true, "mqtt://10.0.0.1": true, "mqtt://[fd00::1]": true,
		"mqtt://169.254.3.4": true, "mqtt://[::ffff:10.0.0.1]": true, "mqtt://localhost": true, "mqtt://house": true, "mqtt://House.Local.": true,
		"mqtt://192.0.2.1": false, "mqtt://[2001:db8::1]": false, "mqtt://broker.example.org": false, "mqtt://local.example": false,
		"http://127.0.0.1": false, "": false,
	}
	for url, want := range tests {
		if got := Nearby(url); got != want {
			t.Errorf("Nearby(%q) = %v, want %v", url, got, want)
		}
	}
}

// TestReasonsAreUnique guards the list that labels a counter.
func TestReasonsAreUnique(t *testing.T) {
	seen := make(map[Reason]bool)
	for _, r := range Reasons() {
		if r == "" || seen[r] {
			t.Errorf("reason %q is empty or stands twice", r)
		}
		seen[r] = true
	}
}
