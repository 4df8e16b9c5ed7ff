package main

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"sync/atomic"
	"time"

	"longlane/gateway"
	"longlane/gateway/mqtt"
	"longlane/gateway/roster"
	"longlane/proto"
	"longlane/queue"
	"longlane/radio"
	"longlane/radio/lora"
)

const (
	siteName = "hill-orchard"
	sinkName = "broker"
	window   = 32               // as in the config's default
	patience = 30 * time.Second // longest wait for anything that should take moments
)

// site is a gate's node and relay, and what seals their frames.
type site struct {
	dir     string
	current *roster.Current
	node    uint8
	keys    *proto.Keys
	relay   uint8
	relays  *proto.Keys
	counter uint32 // last one used
}

// newSite enrols a node and a relay in dir, which must be empty or missing.
func newSite(dir string) (*site, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, err
	}
	r, err := roster.Create(dir, siteName)
	if err != nil {
		return nil, err
	}
	for _, n := range []roster.Node{{Name: "river-gate", Inputs: []roster.Input{{Number: 0, Zone: "river-gate"}}},
		{Name: "oak-relay", Relay: true}} {
		if _, err := r.Add(n); err != nil {
			return nil, err
		}
	}
	if err := r.Save(); err != nil {
		return nil, err
	}
	return openSite(dir)
}

func openSite(dir string) (*site, error) {
	current, err := roster.Follow(dir)
	if err != nil {
		return nil, err
	}
	s := &site{dir: dir, current: current}
	r := current.Get()
	gate, err := r.Named("river-gate")
	if err != nil {
		return nil, err
	}
	relay, err := r.Named("oak-relay")
	if err != nil {
		return nil, err
	}
	s.node, s.relay = gate.ID, relay.ID
	if s.keys, err = r.Keys(gate.ID, gate.Gen); err != nil {
		return nil, err
	}
	s.relays, err = r.Keys(relay.ID, relay.Gen)
	return s, err
}

// trip seals the node's next trip, as the relay passes it on: openings and closings in turn.
func (s *site) trip(sent proto.SendTime) ([]byte, error) {
	s.counter++
	h := proto.Header{Type: proto.TypeTripOpened, HopsLeft: 7, Site: s.current.Get().Site, Node: s.node, Gen: 1,
		Counter: s.counter} // a first attempt: events that come with later ones only are a fault of their own
	input := proto.Input{Active: s.counter%2 == 1}
	var body proto.Body = &proto.TripOpened{Input: input, Sent: sent, Battery: proto.EncodeBattery(3.6)}
	if !input.Active {
		h.Type, body = proto.TypeTripClosed, &proto.TripClosed{Input: input, Sent: sent, Dwell: proto.EncodeDur16(time.Second), Opened: 1}
	}
	frame, err := proto.Seal(nil, s.keys, h, body)
	if err != nil {
		return nil, err
	}
	return proto.AppendHop(frame, s.relays, proto.Hop{Relay: s.relay, Gen: 1, RSSI: proto.EncodeRSSI(-101), SNR: proto.EncodeSNR(3.25),
		Held: proto.EncodeDur8(60 * time.Millisecond)})
}

// core is a running gateway: the core, as gateway/daemon wires it, on some store.
type core struct {
	*site
	g      *gateway.Gateway
	clock  gateway.Clock
	meter  *meter
	epoch  proto.Instant // Since is when it began, on clock
	cancel context.CancelFunc
	done   chan error
}

// startCore runs a gateway and waits until it is serving and its bearers are up. broker is an address; "": there is none.
func startCore(s *site, store gateway.Store, links []radio.Link, broker, name string) (*core, error) {
	clock, err := gateway.SystemClock()
	if err != nil {
		return nil, err
	}
	clock.Set = func() bool { return true } // the usual case; unset, each event is stored twice
	c := &core{site: s, clock: clock, meter: &meter{}, done: make(chan error, 1)}
	url := "mqtt://" + broker
	if broker == "" {
		url = "mqtt://127.0.0.1:9" // the discard port: nobody listens
	}
	c.g, err = gateway.New(gateway.Options{Site: siteName, Name: name, Roster: s.current, Queue: store, Links: links,
		Clock: clock, OldAfter: 10 * time.Second, FreshWithin: proto.FreshWithin, CheckIn: 85 * time.Minute,
		Copy: filepath.Join(s.dir, "marks.copy"), Air: map[string]gateway.Air{"mast": {Settings: lora.Settings{SpreadingFactor: 7, Bandwidth: 125000, CodingRate: 5, Preamble: 8}}}, Titles: map[string]string{"river-gate": "River gate"},
		Meter: c.meter, Log: slog.New(slog.DiscardHandler),
		Sinks: []gateway.SinkOptions{{Name: sinkName, To: url, Required: true, FromStart: true, Window: window,
			MaxBackoff: time.Second, Reason: func(error) string { return "ended" },
			Dial: func(ctx context.Context, second bool) (gateway.Session, error) {
				id := name
				if second {
					id += "-2"
				}
				session, err := mqtt.Dial(ctx, mqtt.Options{URL: url, ClientID: id})
				if err != nil {
					return nil, err
				}
				return session, nil
			}}}})
	if err != nil {
		return nil, err
	}
	v, err := store.Get("epoch") // epoch, boot, when it began: see gateway/epoch.go
	if err != nil || len(v) != 26 {
		return nil, errors.Join(fmt.Errorf("read the epoch: % x", v), err)
	}
	c.epoch = proto.Instant{Epoch: binary.BigEndian.Uint16(v), Since: time.Duration(binary.BigEndian.Uint64(v[18:]))}
	ctx, cancel := context.WithCancel(context.Background())
	c.cancel = cancel
	go func() { c.done <- c.g.Run(ctx) }() // ends with stop
	err = await("the gateway to serve", func() bool {
		up := c.g.Ready()
		for _, l := range links {
			up = up && l.Up()
		}
		return up
	})
	if err != nil {
		return nil, errors.Join(err, c.stop())
	}
	return c, nil
}

// now is what a node would give as its send time: it knows the gateway's.
func (c *core) now() proto.SendTime {
	return proto.Instant{Epoch: c.epoch.Epoch, Since: c.clock.Mono() - c.epoch.Since}.SendTime()
}

// connected waits for a session with the broker.
func (c *core) connected() error {
	return await("a session with the broker", func() bool { return c.g.Sessions()[sinkName] == nil })
}

func (c *core) depth() int { n, _ := c.g.Cursors()[sinkName].Depth(); return n }

func (c *core) stop() error {
	c.cancel()
	return <-c.done
}

// meter counts what the core does. The zero value is ready.
type meter struct {
	accepted, refused, committed, failed, live, backlog, dropped atomic.Int64
}

func (m *meter) Frame(_, verdict string) {
	if verdict == "accepted" {
		m.accepted.Add(1)
	} else {
		m.refused.Add(1)
	}
}

func (m *meter) Committed(_ time.Duration, failed bool) {
	if failed {
		m.failed.Add(1)
	} else {
		m.committed.Add(1)
	}
}

func (m *meter) Published(_, lane string, _ time.Duration, ok bool) {
	switch {
	case !ok:
	case lane == "live":
		m.live.Add(1)
	case lane == "backlog":
		m.backlog.Add(1)
	}
}

// Dropped does not count receipts: of a hundred that become due at once, after a commit that was held, a modem gets 32,
// and the nodes ask again.
func (m *meter) Dropped(what string) {
	if what != "receipt" {
		m.dropped.Add(1)
	}
}

func (m *meter) Hop(string, string, float64, float64, float64, bool) {}
func (m *meter) Receipt(string, string)                              {}
func (*meter) Hint(string, string, string)                           {}
func (m *meter) Session(string, string)                              {}
func (*meter) Heard(string, string, time.Duration)                   {}
func (*meter) Unheard()                                              {}
func (*meter) Tested(string, bool, time.Duration)                    {}

// feed is a bearer without a radio, for what a radio cannot carry fast enough.
type feed struct {
	name    string
	deliver chan func(radio.Packet)
	to      func(radio.Packet)
}

func newFeed(name string) *feed { return &feed{name: name, deliver: make(chan func(radio.Packet), 1)} }

func (f *feed) Name() string { return f.name }
func (f *feed) Up() bool     { return true }
func (f *feed) Run(ctx context.Context, deliver func(radio.Packet)) error {
	f.deliver <- deliver
	<-ctx.Done()
	return nil
}

func (f *feed) Send(context.Context, string, []byte) error { return nil }

// give hands a frame to the gateway that runs on this bearer.
func (f *feed) give(frame []byte) {
	if f.to == nil {
		f.to = <-f.deliver
	}
	f.to(radio.Packet{Frame: frame, Measured: true, RSSI: -88, SNR: 8.5, At: time.Now(), Bearer: f.Name()})
}

// openQueue opens a queue as the daemon does, but for its size. fault may be nil.
func openQueue(dir, name string, fault func(string) error) (*queue.Queue, error) {
	return queue.Open(filepath.Join(dir, name+".db"), queue.Options{Advance: gateway.AdvanceMark, MaxBytes: 1 << 30, Fault: fault})
}

// await polls until ok.
func await(what string, ok func() bool) error {
	for end := time.Now().Add(patience); !ok(); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			return fmt.Errorf("waited %v for %s", patience, what)
		}
	}
	return nil
}

// broker is a mosquitto process.
type broker struct {
	addr string
	conf string
	cmd  *exec.Cmd
	done chan struct{}
}

// startMosquitto runs the system's broker on a port of its own, as it comes but for limits that would drop messages.
func startMosquitto(dir string) (*broker, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	addr := l.Addr().String()
	l.Close()
	_, port, _ := net.SplitHostPort(addr)
	b := &broker{addr: addr, conf: filepath.Join(dir, "mosquitto-"+port+".conf")}
	text := fmt.Sprintf("listener %s 127.0.0.1\nallow_anonymous true\npersistence false\nmax_queued_messages 0\nlog_dest none\n", port)
	if os.Getuid() == 0 {
		text += "user root\n"
	}
	if err := os.WriteFile(b.conf, []byte(text), 0o600); err != nil {
		return nil, err
	}
	return b, b.start()
}

// start runs it and waits until it listens.
func (b *broker) start() error {
	path, err := exec.LookPath("mosquitto")
	if err != nil {
		path, err = exec.LookPath("/usr/sbin/mosquitto")
	}
	if err != nil {
		return fmt.Errorf("%w; run: make setup", err)
	}
	b.cmd, b.done = exec.Command(path, "-c", b.conf), make(chan struct{})
	b.cmd.SysProcAttr = dieWithUs()
	if err := b.cmd.Start(); err != nil {
		return err
	}
	go func(cmd *exec.Cmd, done chan struct{}) { // ends with the process
		cmd.Wait()
		close(done)
	}(b.cmd, b.done)
	return await("mosquitto to listen", func() bool {
		c, err := net.Dial("tcp", b.addr)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
}

func (b *broker) stop() {
	b.cmd.Process.Kill()
	<-b.done
}
