package mqtt

import (
	"bytes"
	"errors"
	"io"
	"net"
	"os"
	"testing"
	"testing/iotest"
	"testing/synctest"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// readSide is a net.Conn of which only reading and closing are used.
type readSide struct {
	net.Conn
	io.Reader
}

func (r readSide) Read(p []byte) (int, error) { return r.Reader.Read(p) }
func (readSide) Close() error                 { return nil }

func pass(b []byte, e expect, oneByte bool) (out []byte, err error) {
	var in io.Reader = bytes.NewReader(b)
	if oneByte {
		in = iotest.OneByteReader(in)
	}
	c := newConn(readSide{Reader: in}, readSide{}, 0, e, func(error) {})
	out, err = io.ReadAll(c)
	return out, err
}

// FuzzInbound: whatever arrives, what is let through is a prefix of it, the same however it is cut into reads, and
// holds only complete headers of packets the library can be trusted with.
func FuzzInbound(f *testing.F) {
	hello := []byte{0x20, 2, 0, 0}
	var publish, suback bytes.Buffer
	pub := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	pub.TopicName, pub.Payload, pub.Qos, pub.MessageID = "t", []byte("payload"), 1, 7
	pub.Write(&publish)
	sub := packets.NewControlPacket(packets.Suback).(*packets.SubackPacket)
	sub.ReturnCodes = []byte{0, 1}
	sub.Write(&suback)
	for _, tail := range [][]byte{nil, {0x40, 2, 0, 1}, {0xd0, 0}, {0xb0, 2, 0, 1}, {0x30, 0xff, 0xff, 0xff, 0xff, 1}, publish.Bytes(), suback.Bytes()} {
		for _, filters := range []int{0, 2} {
			f.Add(append(bytes.Clone(hello), tail...), filters)
		}
	}
	f.Add([]byte{0x20, 2, 0, 0x87}, 0)
	f.Fuzz(func(t *testing.T, b []byte, filters int) {
		if filters < 0 || filters > maxFilters {
			return
		}
		out, err := pass(b, expect{filters}, false)
		if !bytes.HasPrefix(b, out) {
			t.Fatalf("let through % x of % x", out, b)
		}
		if again, err2 := pass(b, expect{filters}, true); !bytes.Equal(again, out) || (err == nil) != (err2 == nil) {
			t.Fatalf("byte by byte: % x, %v; at once: % x, %v", again, err2, out, err)
		}
		if err == nil && len(out) != len(b) {
			t.Fatalf("no error, but %d of %d bytes", len(out), len(b))
		}
		for r, n := bytes.NewReader(out), 0; ; n++ {
			p, err := packets.ReadPacket(r)
			if err != nil {
				break
			}
			switch p := p.(type) {
			case *packets.ConnackPacket:
				if n != 0 || p.ReturnCode != 0 {
					t.Fatalf("CONNACK as packet %d with code %d was let through", n, p.ReturnCode)
				}
			case *packets.PubackPacket, *packets.PingrespPacket:
			case *packets.SubackPacket:
				if filters == 0 || len(p.ReturnCodes) != filters {
					t.Fatalf("SUBACK with %d codes was let through for %d filters", len(p.ReturnCodes), filters)
				}
			case *packets.PublishPacket:
				if filters == 0 || p.Qos > 1 {
					t.Fatalf("%v was let through for %d filters", p, filters)
				}
			default:
				t.Fatalf("%v was let through", p)
			}
		}
	})
}

// TestWriteDeadlineCannotBeLifted: neither by the library nor by a second writer.
func TestWriteDeadlineCannotBeLifted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		here, there := net.Pipe()
		defer there.Close()
		broken := make(chan error, 2)
		c := newConn(here, here, 5*time.Second, expect{}, func(err error) { broken <- err })
		start := time.Now()
		go c.Write([]byte{0xc0, 0})
		virtually(3 * time.Second)
		go c.Write([]byte{0xc0, 0})
		synctest.Wait()
		c.SetWriteDeadline(time.Time{})
		c.SetDeadline(time.Time{})
		if err := <-broken; !errors.Is(err, os.ErrDeadlineExceeded) || time.Since(start) != 5*time.Second {
			t.Errorf("write to a peer that does not read ended after %v with %v, want a deadline after 5s", time.Since(start), err)
		}
	})
}

// TestInboundTruncated cuts a stream at every length: a cut between packets is an end, any other an error.
func TestInboundTruncated(t *testing.T) {
	stream := []byte{0x20, 2, 0, 0, 0x40, 2, 0, 1, 0xd0, 0}
	whole := map[int]bool{0: true, 4: true, 8: true, 10: true}
	for n := range len(stream) + 1 {
		if _, err := pass(stream[:n], expect{}, false); (err == nil) != whole[n] {
			t.Errorf("cut after %d bytes: %v, want an error: %v", n, err, !whole[n])
		}
	}
}
