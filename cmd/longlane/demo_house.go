package main

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"sync"
	"time"

	"longlane/gateway/mqtt"
)

// demoHouse is the broker, the way to it, and the subscriber.
type demoHouse struct {
	demo       *demo
	outage     time.Duration
	broker     *mqtt.Broker
	brokerAddr string
	front      net.Listener // where the gateway connects
	frontAddr  string
	away       bool // the broker is, on purpose
	cancel     context.CancelFunc
	connected  chan struct{}
	wg         sync.WaitGroup
	mu         sync.Mutex
	conns      []net.Conn
}

func (h *demoHouse) start(ctx context.Context) error {
	ctx, h.cancel = context.WithCancel(context.WithoutCancel(ctx)) // an interrupted demo still counts what arrives
	h.connected = make(chan struct{}, 16)
	h.brokerAddr, h.frontAddr = "127.0.0.1:0", "127.0.0.1:0"
	if err := h.openBroker(); err != nil {
		return err
	}
	o := mqtt.SubscribeOptions{URL: "mqtt://" + h.brokerAddr, ClientID: "demo-house", QoS: 1, CleanSession: true,
		Filters: []string{"longlane/hill-orchard/zone/+/trip", "longlane/hill-orchard/fault"},
		Connected: func() {
			select {
			case h.connected <- struct{}{}:
			default:
			}
		}}
	h.wg.Go(func() { mqtt.Subscribe(ctx, o, h.demo.heard) })
	return h.openFront()
}

func (h *demoHouse) openBroker() (err error) {
	h.broker, err = mqtt.StartBroker(mqtt.BrokerOptions{Listen: h.brokerAddr, Log: slog.New(slog.DiscardHandler)})
	if err == nil {
		h.brokerAddr = h.broker.Addr().String()
	}
	return err
}

// openFront lets the gateway through, once the subscriber is there: a broker keeps nothing for those who are absent.
func (h *demoHouse) openFront() (err error) {
	select {
	case <-h.connected:
	case <-time.After(10 * time.Second):
		return errors.New("the demo's subscriber does not reach the broker")
	}
	if h.front, err = net.Listen("tcp", h.frontAddr); err != nil {
		return err
	}
	h.frontAddr = h.front.Addr().String()
	l := h.front
	h.wg.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			h.forward(c)
		}
	})
	return nil
}

func (h *demoHouse) forward(c net.Conn) {
	b, err := net.Dial("tcp", h.brokerAddr)
	if err != nil {
		c.Close()
		return
	}
	h.mu.Lock()
	h.conns = append(h.conns, c, b)
	h.mu.Unlock()
	pass := func(dst, src net.Conn) {
		io.Copy(dst, src)
		dst.Close()
		src.Close()
	}
	h.wg.Go(func() { pass(b, c) })
	h.wg.Go(func() { pass(c, b) })
}

// passing is what the broker gets to hand on what it has acknowledged: it keeps nothing over its own end.
const passing = 200 * time.Millisecond

// cut takes the broker away, the gateway's connections first.
func (h *demoHouse) cut() error {
	h.away = true
	if h.front != nil {
		h.front.Close()
	}
	h.mu.Lock()
	for _, c := range h.conns {
		c.Close()
	}
	h.conns = nil
	h.mu.Unlock()
	time.Sleep(passing)
	for len(h.connected) > 0 {
		<-h.connected
	}
	return h.broker.Close()
}

func (h *demoHouse) mend() error {
	h.away = false
	if err := h.openBroker(); err != nil {
		return err
	}
	return h.openFront()
}

func (h *demoHouse) stop() {
	h.cancel()
	h.cut()
	h.wg.Wait()
}
