package node

import (
	"slices"
	"testing"
	"time"

	"longlane/proto"
)

// TestForgedReceiptOffered: a relay cannot tell a receipt that somebody has made up for each attempt, and gives it to the node
// instead of sending one of its attempts on: one, and no other.
func TestForgedReceiptOffered(t *testing.T) {
	const origin = 9
	group, err := proto.GroupKey(siteSecret, testSite, 1)
	if err != nil {
		t.Fatal(err)
	}
	n, err := New(Config{Site: testSite, Node: testNode, Gen: 1, Key: nodeKey(t, 1), GroupGen: 1, GroupKey: group, Relay: true, Mains: true, CheckIn: 12 * time.Hour}, FirstSaved(), 0)
	if err != nil {
		t.Fatal(err)
	}
	var now, wake time.Duration
	var sent []proto.Type // of others' frames and receipts
	var step func(in Input)
	step = func(in Input) {
		var out []Output
		out, wake = n.Step(now, in)
		for _, o := range out {
			switch o := o.(type) {
			case Persist:
				step(Stored{})
			case Transmit:
				if raw, err := proto.Parse(o.Frame); err == nil && raw.Node == origin {
					sent = append(sent, raw.Type)
				}
				step(TxDone{})
			}
		}
	}
	pass := func(d time.Duration) {
		for end := now + d; ; step(nil) {
			if wake > end {
				now = end
				return
			}
			now = max(now, wake)
		}
	}
	hear := func(key []byte, h proto.Header, b proto.Body) {
		h.Site, h.Gen = testSite, 1
		frame, err := proto.Seal(nil, keysOf(t, key), h, b)
		if err != nil {
			t.Fatal(err)
		}
		step(Received{frame, -80, 10})
	}
	step(nil)
	pass(time.Minute)
	hear(group, proto.Header{Type: proto.TypeBeacon, Node: proto.GatewayBase, Counter: 1}, &proto.Beacon{Noise: proto.NoRSSI})
	pass(time.Minute)
	var got [][]proto.Type
	for attempt := range uint16(6) {
		sent = nil
		hear(nodeKey(t, 1), proto.Header{Type: proto.TypeTripOpened, HopsLeft: 7, Node: origin, Counter: 1, Attempt: attempt, Long: attempt > 1}, &proto.TripOpened{})
		pass(300 * time.Millisecond)
		got = append(got, slices.Compact(sent))
		hear(group, proto.Header{Type: proto.TypeReceipt, HopsLeft: proto.MaxHops, Node: origin, Counter: 1, Epoch: 1, Number: uint32(attempt) + 1}, &proto.Receipt{})
		pass(3 * time.Second)
	}
	on, receipt := []proto.Type{proto.TypeTripOpened}, []proto.Type{proto.TypeReceipt}
	if want := [][]proto.Type{on, receipt, on, on, on, on}; !slices.EqualFunc(got, want, slices.Equal[[]proto.Type]) {
		t.Errorf("of six attempts the relay makes %v, want %v", got, want)
	}
}
