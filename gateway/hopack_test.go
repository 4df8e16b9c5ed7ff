package gateway

import (
	"testing"
	"testing/synctest"
	"time"

	"longlane/proto"
	"longlane/radio"
)

// asks is a solicit for the receipt for a frame.
func (n *testNode) asks(frame []byte) []byte {
	raw, err := proto.Parse(frame)
	n.w.must(err)
	return n.says(&proto.Solicit{Receipt: true, Distance: 300, Tag: [4]byte(raw.Tag())})
}

// hopAcks are those that were sent by LoRa since the last call.
func (w *world) hopAcks() func() []groupFrame {
	seen := 0
	return func() (out []groupFrame) {
		all := w.groupFrames(w.link)
		for _, f := range all[seen:] {
			if f.Type == proto.TypeHopAck {
				out = append(out, f)
			}
		}
		seen = len(all)
		return out
	}
}

// Whoever measures the way hears how the gateway has heard his frame, and gets its receipt once more, which goes first.
func TestHopAck(t *testing.T) {
	for kind, make := range map[string]func(*testNode) []byte{
		"trip":     func(n *testNode) []byte { return n.open() },
		"check-in": func(n *testNode) []byte { return n.checkIn() },
	} {
		t.Run(kind, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := newWorld(t).start()
				n := w.node("river-gate")
				acks := w.hopAcks()
				f := make(n)
				raw, err := proto.Parse(f)
				w.must(err)
				w.hear(f)
				w.pass(time.Second)
				before := len(w.link.all())
				block := w.stall() // so that both wait, and the order shows
				w.hear(n.asks(f))
				block()
				w.pass(time.Second)
				sent := w.link.all()[before:]
				if len(sent) != 2 || len(n.receipts()) != 2 {
					t.Fatalf("%d frames, %d of all are receipts, want a receipt again and a hop acknowledgement", len(sent), len(n.receipts()))
				}
				if first, err := proto.Parse(sent[0].frame); err != nil || !first.Type.Receipt() {
					t.Errorf("first goes a %v, %v", first.Type, err)
				}
				got := acks()
				if len(got) != 1 {
					t.Fatalf("%d hop acknowledgements", len(got))
				}
				b := got[0].body.(*proto.HopAck)
				if b.Tag != [4]byte(raw.Tag()) || b.Distance != 0 || b.RSSI.DBm() != -98 || b.SNR.DB() != 4.25 || got[0].Node != proto.GatewayBase+3 {
					t.Errorf("%+v of %d", b, got[0].Node)
				}
				if n := w.meter.count(w.meter.hints, "hop acknowledgement sent"); n != 1 {
					t.Errorf("%d are counted", n)
				}
			})
		})
	}
}

// stall has nothing permitted until the function that it gives is called.
func (w *world) stall() (release func()) {
	block := make(chan struct{})
	w.link.setPermit(func([]byte) error {
		select {
		case <-block:
			return nil
		default:
			return &radio.WaitError{For: 50 * time.Millisecond}
		}
	})
	return func() { close(block) }
}

// There is no hop acknowledgement for what was not heard of him who asks, or not by this bearer, or not of late; and not
// more than one a second to a sender, four of a frame.
func TestHopAckBounds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n, other, relay := w.node("river-gate"), w.node("ridge-gate"), w.node("barn-relay")
		acks := w.hopAcks()
		step := func(what string, want int, hear ...[]byte) {
			t.Helper()
			for _, f := range hear {
				w.hear(f)
			}
			w.pass(1100 * time.Millisecond)
			if got := len(acks()); got != want {
				t.Errorf("%s: %d hop acknowledgements, want %d", what, got, want)
			}
		}
		f := n.open()
		step("nothing heard yet", 0, n.asks(f))
		step("heard, and nobody asks", 0, f)
		step("another asks", 0, other.asks(f))
		step("a relay that has not sent it asks", 0, relay.asks(f))
		forged := n.asks(f)
		forged[len(forged)-1] ^= 1
		step("forged", 0, forged)
		step("heard", 1, n.asks(f))
		step("twice in a second", 1, n.asks(f), n.asks(f))
		step("a third", 1, n.asks(f))
		step("a fourth", 1, n.asks(f))
		step("a fifth", 0, n.asks(f))

		byRelay := n.open()
		hop := w.relay(byRelay, "barn-relay", -80, 5, 50*time.Millisecond)
		step("heard by a relay", 1, hop, relay.asks(hop))
		step("its node, whom we did not hear", 0, n.asks(hop))
		bad := w.relay(n.open(), "barn-relay", -80, 5, 50*time.Millisecond)
		bad[len(bad)-1] ^= 1
		step("who cannot prove that he sent it", 0, bad, relay.asks(bad))

		late := n.open()
		step("", 0, late)
		w.pass(10 * time.Second)
		step("long ago", 0, n.asks(late))

		wifi := n.open()
		w.wifi.hear(wifi)
		step("by Wi-Fi", 0, n.asks(wifi))
		w.wifi.hear(n.asks(wifi))
		w.pass(time.Second)
		if got := w.groupFrames(w.wifi); len(got) != 0 {
			t.Errorf("%d hop acknowledgements by Wi-Fi", len(got))
		}
		if got := len(w.g.in.mesh.frames); got > 8 {
			t.Errorf("%d frames are remembered", got)
		}
		w.pass(12 * time.Second)
		if got := len(w.g.in.mesh.frames); got != 0 {
			t.Errorf("%d frames are remembered in the end", got)
		}
	})
}

// A receipt that was not given yet is not given for a solicit, and one that was is bounded as if the frame had come again.
func TestSolicitedReceipts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(3 * time.Second)
		release := make(chan struct{})
		w.setFault(func(string) error { <-release; return nil })
		f := n.open()
		w.hear(f)
		w.pass(time.Second)
		w.hear(n.asks(f))
		w.pass(time.Second)
		if got := n.eventReceipts(); len(got) != 0 {
			t.Fatalf("%d receipts before the event is durable", len(got))
		}
		w.setFault(nil)
		close(release)
		for range 40 {
			w.hear(n.asks(f), f)
			w.pass(300 * time.Millisecond)
		}
		if got := n.eventReceipts(); len(got) != 1+againMost {
			t.Errorf("%d receipts, want %d", len(got), 1+againMost)
		}
	})
}
