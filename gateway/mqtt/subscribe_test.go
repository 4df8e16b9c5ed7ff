package mqtt

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

// TestSubscribeOrder: everything, in order, from one goroutine.
func TestSubscribeOrder(t *testing.T) {
	const n = 500
	b := startBroker(t, BrokerOptions{})
	got, _, _ := subscribe(t, SubscribeOptions{URL: b.url(), ClientID: "house", Filters: []string{"a", "b/#"}, QoS: 1, CleanSession: true})
	s := mustDial(t, Options{URL: b.url(), ClientID: "gateway"})
	for i := range n {
		mustPublish(t, s, []string{"a", "b/c"}[i%2], false, fmt.Sprint(i))
	}
	for i := range n {
		if h := await(t, got); h.payload != fmt.Sprint(i) {
			t.Fatalf("message %d is %+v", i, h)
		}
	}
}

// TestSubscribeReturns: the listener finds the broker again after it was killed, by itself.
func TestSubscribeReturns(t *testing.T) {
	b := startBroker(t, BrokerOptions{})
	got, connected, _ := subscribe(t, SubscribeOptions{URL: b.url(), ClientID: "house", Filters: []string{"#"}, QoS: 1, CleanSession: true})
	for round := range 2 {
		b.Close()
		b = startBroker(t, BrokerOptions{Listen: b.Addr().String()})
		await(t, connected)
		mustPublish(t, mustDial(t, Options{URL: b.url(), ClientID: "gateway"}), "t", false, fmt.Sprint(round))
		if h := await(t, got); h.payload != fmt.Sprint(round) {
			t.Errorf("after restart %d: %+v", round, h)
		}
	}
}

// TestSubscribeDurable: what a real broker kept during an absence arrives, and is acknowledged only once handled.
func TestSubscribeDurable(t *testing.T) {
	b := startReal(t, "allow_anonymous true")
	o := SubscribeOptions{URL: b.url(), ClientID: "house", Filters: []string{"t"}, QoS: 1}
	_, _, stop := subscribe(t, o)
	stop()
	s := mustDial(t, Options{URL: b.url(), ClientID: "gateway"})
	for i := range 10 {
		mustPublish(t, s, "t", false, fmt.Sprint(i))
	}
	got, _, _ := subscribe(t, o)
	for i := range 10 {
		if h := await(t, got); h.payload != fmt.Sprint(i) {
			t.Errorf("message %d kept by the broker is %+v", i, h)
		}
	}
}

// TestReceive: what was acknowledged, in whatever order, does not come again from a real broker, and the rest does.
func TestReceive(t *testing.T) {
	b := startReal(t, "allow_anonymous true")
	receive := func() (got chan Delivery, stop func()) {
		ctx, cancel := context.WithCancel(t.Context())
		got = make(chan Delivery, 100)
		connected, done := make(chan struct{}, 1), make(chan error, 1)
		o := SubscribeOptions{URL: b.url(), ClientID: "house", Filters: []string{"t"}, QoS: 1, Connected: func() { connected <- struct{}{} }}
		go func() { done <- Receive(ctx, o, func(d Delivery) { got <- d }) }()
		await(t, connected)
		return got, func() {
			cancel()
			if err := await(t, done); err != nil {
				t.Errorf("Receive = %v", err)
			}
		}
	}
	got, stop := receive()
	s := mustDial(t, Options{URL: b.url(), ClientID: "gateway"})
	for i := range 5 {
		mustPublish(t, s, "t", false, fmt.Sprint(i))
	}
	var all []Delivery
	for range 5 {
		all = append(all, await(t, got))
	}
	all[3].Ack()
	all[1].Ack()
	all[1].Ack()
	if err := b.log.wait("Received PUBACK from house", 2); err != nil {
		t.Fatal(err)
	}
	stop()
	all[0].Ack() // too late: nothing happens
	got, stop = receive()
	defer stop()
	for _, want := range []string{"0", "2", "4"} {
		if d := await(t, got); string(d.Payload) != want || d.Topic != "t" || d.Retained {
			t.Errorf("%s %q came again, want %q", d.Topic, d.Payload, want)
		}
	}
	mustPublish(t, s, "t", false, "last")
	if d := await(t, got); string(d.Payload) != "last" {
		t.Errorf("%q came, want the next one", d.Payload)
	}
}

// granting answers the subscription with the given codes and returns the identifier for later use.
func granting(t *testing.T, c net.Conn, codes ...byte) {
	p, err := packets.ReadPacket(c)
	if err != nil {
		return
	}
	sub, ok := p.(*packets.SubscribePacket)
	if !ok {
		t.Errorf("first packet after CONNECT is %v, want SUBSCRIBE", p)
		return
	}
	c.Write(append([]byte{0x90, byte(2 + len(codes)), byte(sub.MessageID >> 8), byte(sub.MessageID)}, codes...))
}

// TestSubscribeAcknowledgesAfterHandling: a message is the broker's until the handler has returned.
func TestSubscribeAcknowledgesAfterHandling(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		settle(t)
		handling, acked := make(chan struct{}), make(chan struct{})
		serve := pipe(func(c net.Conn, _ *packets.ConnectPacket) {
			granting(t, c, 1)
			c.Write([]byte{0x32, 6, 0, 1, 't', 0, 9, 'x'})
			each(c, func(p packets.ControlPacket) {
				if a, ok := p.(*packets.PubackPacket); ok && a.MessageID == 9 {
					close(acked)
				}
			})
		})
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error)
		go func() {
			ended <- Subscribe(ctx, SubscribeOptions{URL: "mqtt://127.0.0.1", ClientID: "house", Filters: []string{"t"}, QoS: 1, dial: serve},
				func(string, []byte, bool) { <-handling })
		}()
		synctest.Wait()
		select {
		case <-acked:
			t.Errorf("acknowledged while the handler was still at it")
		default:
		}
		close(handling)
		<-acked
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("Subscribe = %v, want nil after its context ended", err)
		}
	})
}

// countedMessage counts its acknowledgements.
type countedMessage struct {
	paho.Message
	acks *int
}

func (m countedMessage) Ack() { *m.acks++ }

// TestReceiveWithoutHandler: a message that was still waiting when the connection ended stays the broker's.
func TestReceiveWithoutHandler(t *testing.T) {
	l := &link{down: make(chan struct{})}
	l.fail(ReasonLost, errors.New("cut"))
	acks := 0
	receive(l, make(chan paho.Message), countedMessage{acks: &acks})
	if acks != 0 {
		t.Errorf("a message that nobody handled was acknowledged")
	}
}

// TestSubscribeNeverGivesUp goes through hours of a broker that fails in every way, in virtual time, and counts
// attempts: not so many as to be a flood, not so few as to be asleep.
func TestSubscribeNeverGivesUp(t *testing.T) {
	tests := []struct {
		url      string
		span     time.Duration
		min, max int // attempts: pauses average half of the longest, which is a minute and a second
	}{
		{"mqtt://192.0.2.1", 24 * time.Hour, 86400 / 45, 86400 / 10},
		{"mqtt://127.0.0.1", time.Hour, 3600 / 2, 3600 * 4},
	}
	for _, tt := range tests {
		t.Run(tt.url, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				settle(t)
				var attempts int
				reasons := make(map[Reason]int)
				bad := []func(c net.Conn){
					func(c net.Conn) { granting(t, c, 0x80) },
					func(c net.Conn) { granting(t, c, 0, 0) },
					func(c net.Conn) { c.Write([]byte{0xff, 0xff}) },
				}
				dial := func(ctx context.Context, network, addr string) (net.Conn, error) {
					attempts++
					if attempts%4 == 0 {
						return nil, errors.New("no route to host")
					}
					n := attempts % 4 % len(bad)
					return pipe(func(c net.Conn, _ *packets.ConnectPacket) { bad[n](c) })(ctx, network, addr)
				}
				span, cancel := context.WithTimeout(t.Context(), tt.span)
				defer cancel()
				o := SubscribeOptions{URL: tt.url, ClientID: "house", Filters: []string{"t"}, dial: dial,
					Connected: func() { t.Errorf("Connected called") }, Lost: func(err error) { reasons[reasonOf(err)]++ }}
				if err := Subscribe(span, o, func(string, []byte, bool) {}); err != nil {
					t.Errorf("Subscribe = %v, want nil", err)
				}
				t.Logf("%d attempts, %v", attempts, reasons)
				if attempts < tt.min || attempts > tt.max {
					t.Errorf("%d attempts in %v, want %d to %d", attempts, tt.span, tt.min, tt.max)
				}
				for _, r := range []Reason{ReasonSubscribe, ReasonProtocol, ReasonUnreachable} {
					if reasons[r] == 0 {
						t.Errorf("no attempt ended with %q: %v", r, reasons)
					}
				}
			})
		})
	}
}

func TestSubscribeSettings(t *testing.T) {
	good := SubscribeOptions{URL: "mqtt://h", ClientID: "house", Filters: []string{"t"}}
	tests := []struct {
		change func(*SubscribeOptions)
		want   string
	}{
		{func(o *SubscribeOptions) { o.URL = "http://h" }, "expected mqtt://"},
		{func(o *SubscribeOptions) { o.ClientID = "" }, "client ID"},
		{func(o *SubscribeOptions) { o.QoS = 2 }, "0 or 1"},
		{func(o *SubscribeOptions) { o.Filters = nil }, "1 to 64"},
		{func(o *SubscribeOptions) { o.Filters = []string{"t", "t"} }, "twice"},
		{func(o *SubscribeOptions) { o.Filters = []string{""} }, "0 bytes"},
		{func(o *SubscribeOptions) { o.Filters = []string{"a/#/b"} }, "whole last level"},
		{func(o *SubscribeOptions) { o.Filters = []string{"a/b#"} }, "whole last level"},
		{func(o *SubscribeOptions) { o.Filters = []string{"a/b+/c"} }, "whole level"},
		{func(o *SubscribeOptions) { o.User, o.PasswordFile = "u", "/nowhere" }, "/nowhere"},
	}
	for _, tt := range tests {
		o := good
		tt.change(&o)
		err := Subscribe(t.Context(), o, func(string, []byte, bool) {})
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("Subscribe(%+v) = %v, want an error with %q", o, err, tt.want)
		}
	}
	for _, f := range []string{"#", "+", "/", "a/+/b", "+/#", "$SYS/#"} {
		if err := checkFilter(f); err != nil {
			t.Errorf("checkFilter(%q) = %v, want nil", f, err)
		}
	}
}
