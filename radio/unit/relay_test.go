package unit

import (
	"bytes"
	"context"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"longlane/proto"
	"longlane/radio"
	"longlane/radio/node"
)

// lane is the air around a relay: what it sends is kept, and takes 60 ms.
type lane struct {
	air  chan radio.Packet
	mu   sync.Mutex
	sent [][]byte
	log  bytes.Buffer
}

func (*lane) Name() string { return "air" }
func (*lane) Up() bool     { return true }
func (l *lane) Run(ctx context.Context, deliver func(radio.Packet)) error {
	for {
		select {
		case p := <-l.air:
			deliver(p)
		case <-ctx.Done():
			return nil
		}
	}
}

func (l *lane) Send(_ context.Context, _ string, frame []byte) error {
	elapse(60 * time.Millisecond)
	l.mu.Lock()
	defer l.mu.Unlock()
	l.sent = append(l.sent, frame)
	return nil
}

func (l *lane) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.log.Write(p)
}

// of is the first frame of a type from a node, or to it, that was sent.
func (l *lane) of(typ proto.Type, id uint8) (raw proto.Raw, ok bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, f := range l.sent {
		if raw, err := proto.Parse(f); err == nil && raw.Type == typ && raw.Node == id {
			return raw, true
		}
	}
	return raw, false
}

func (l *lane) hear(frame []byte) {
	l.air <- radio.Packet{Frame: frame, Measured: true, RSSI: -101, SNR: 3.25}
}

// TestRelay: a relay on a board needs no contacts. It finds its way by a beacon, passes on what it hears with its hop record, and the
// receipt back, and its log tells of both.
func TestRelay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const site, relay, gate = 4711, 7, 9
		group := bytes.Repeat([]byte{0x67}, proto.KeySize)
		keys := func(key []byte) *proto.Keys {
			k, err := proto.NewKeys(key)
			if err != nil {
				t.Fatal(err)
			}
			return k
		}
		gateKeys := keys(bytes.Repeat([]byte{0x99}, proto.KeySize))
		seal := func(k *proto.Keys, h proto.Header, b proto.Body) []byte {
			h.Site, h.Gen = site, 1
			f, err := proto.Seal(nil, k, h, b)
			if err != nil {
				t.Fatal(err)
			}
			return f
		}
		l, began := &lane{air: make(chan radio.Packet)}, time.Now()
		u, err := New(Options{Node: node.Config{Site: site, Node: relay, Gen: 1, Key: key, GroupKey: group, GroupGen: 1, Seed: 1, Mains: true, Relay: true},
			Saved: node.FirstSaved(), Save: func([]byte) error { return nil }, Link: l, Now: func() time.Duration { return time.Since(began) },
			Log: slog.New(slog.NewTextHandler(l, nil))})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		ended := make(chan error, 1)
		go func() { ended <- u.Run(ctx) }()

		l.hear(seal(keys(group), proto.Header{Type: proto.TypeBeacon, Node: proto.GatewayBase + 3, Counter: 1}, &proto.Beacon{Noise: proto.NoRSSI}))
		elapse(time.Minute)
		if _, ok := l.of(proto.TypeBeacon, relay); !ok {
			t.Error("it sends no beacon of its own")
		}
		trip := seal(gateKeys, proto.Header{Type: proto.TypeTripOpened, HopsLeft: 7, Node: gate, Counter: 1}, &proto.TripOpened{Battery: proto.NoBattery, Temperature: proto.NoTemperature})
		l.hear(trip)
		elapse(300 * time.Millisecond)
		on, ok := l.of(proto.TypeTripOpened, gate)
		if !ok || on.HopCount() != 1 || on.Hop(0).Relay != relay || on.Hop(0).RSSI.DBm() != -101 || on.Hop(0).SNR.DB() != 3.25 || !on.VerifyHop(0, keys(key)) || on.HopsLeft != 6 {
			t.Fatalf("passed on: %+v, %v", on.Header, ok)
		}
		l.hear(seal(gateKeys, proto.Header{Type: proto.TypeReceipt, HopsLeft: 7, Node: gate, Counter: 1, Gateway: 3, Epoch: 1, Number: 1}, &proto.Receipt{}))
		elapse(time.Second)
		if back, ok := l.of(proto.TypeReceipt, gate); !ok || back.HopsLeft != 6 {
			t.Errorf("receipt passed on: %+v, %v", back.Header, ok)
		}
		elapse(time.Hour)
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("Run: %v", err)
		}
		l.mu.Lock()
		defer l.mu.Unlock()
		for _, want := range []string{`msg="the way to the gateway is by another neighbour" neighbour="gateway 3"`, `msg="passed on" frames=`, `given_up=0`, `way="gateway 3, `, `neighbours=1`} {
			if !strings.Contains(l.log.String(), want) {
				t.Errorf("the log does not say %s:\n%s", want, l.log.String())
			}
		}
		if n := strings.Count(l.log.String(), `msg="passed on"`); n != 1 {
			t.Errorf("what it has passed on is told %d times in an hour and a minute", n)
		}
	})
}
