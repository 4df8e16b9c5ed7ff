package gateway

import (
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"longlane/queue"
)

// notices are the faults with a code that the broker was told of: "began" and "ended", each once, in the order of their times.
// An end that comes live overtakes a beginning that waits in the backlog.
func (w *world) notices(code string) (told []string) {
	at := map[string]time.Time{}
	for _, p := range w.broker.all("/fault") {
		if p.data["code"] != code {
			continue
		}
		if _, again := at[p.id]; !again {
			told = append(told, p.id+" "+strings.TrimPrefix(p.typ, "longlane.fault."))
		}
		when, err := time.Parse(time.RFC3339Nano, p.doc["time"].(string))
		w.must(err)
		at[p.id] = when
	}
	id := func(s string) string { return s[:strings.Index(s, " ")] }
	slices.SortFunc(told, func(a, b string) int { return at[id(a)].Compare(at[id(b)]) })
	for i, s := range told {
		told[i] = strings.TrimPrefix(s, id(s)+" ")
	}
	return told
}

// A queue that fills up is told of while there is room to store that; a trip for which there is no room gets no receipt,
// and gets one, as soon as there is room, without a restart; across a restart the fault stands and is told once.
func TestQueueFull(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.maxBytes = 256 << 10
		w.start()
		n := w.node("river-gate")
		w.hear(n.checkIn())
		w.pass(time.Second)
		w.broker.down(true)
		refused := func() uint64 { return w.queue.Stats().Refused[queue.RefusedFullAlarm] }
		for range 5000 {
			w.hear(n.open())
			w.pass(250 * time.Millisecond)
			if refused() > 0 {
				break
			}
		}
		last := n.next - 1
		if refused() == 0 {
			t.Fatalf("%d trips are stored in %d bytes", last, w.queue.Stats().BytesUsed)
		}
		count := func() (n0 int) {
			for _, r := range n.eventReceipts() {
				if r.counter == last {
					n0++
				}
			}
			return n0
		}
		if count() != 0 {
			t.Error("a trip that was not stored got a receipt")
		}
		w.stop()
		w.start()
		w.pass(10 * time.Second)
		w.broker.down(false)
		w.pass(5 * time.Minute)
		w.hear(n.held(last, 1, 5*time.Minute+20*time.Second))
		w.pass(5 * time.Second)
		if count() != 1 {
			t.Errorf("with room again the trip got %d receipts, want one", count())
		}
		if told := w.notices(NoticeQueueFull); len(told) != 2 || told[0] != "began" || told[1] != "ended" {
			t.Errorf("the house was told %q, want began and ended, once each", told)
		}
	})
}
