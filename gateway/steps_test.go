package gateway

import (
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"longlane/proto"
)

// Whoever steps the gateway is told of each event how the house is: how old it is, whether it sounds and what proves it; and of faults that
// the gateway finds.
func TestStepsTell(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.period = 15 * time.Minute
		w.stepped(func(steps *Steps) {
			var got []Durable
			var codes []string
			steps.Stored = func(d Durable) { got = append(got, d) }
			steps.Noticed = func(n Notice) { codes = append(codes, n.Code) }
			s := &stepper{Steps: steps, w: w}
			n := w.node("river-gate")
			s.hear("lora", n.opened(1, 0, 500*time.Millisecond))
			s.hear("lora", n.opened(2, 1, 9*time.Second))
			s.hear("lora", n.opened(3, 1, 11*time.Second))
			kept := n.opened(4, 0, 0)
			unproven := n.seal(n.header(proto.TypeTripOpened, 5, 0), &proto.TripOpened{Age: proto.EncodeDur8(3 * time.Second), Sent: proto.SendTime{Seconds: proto.NoTime}})
			s.pass(40 * time.Second)
			s.hear("lora", kept)
			s.hear("lora", unproven)
			s.hear("lora", unproven)
			s.hear("lora", n.checkIn())
			want := []Durable{{Age: 500 * time.Millisecond}, {Age: 9 * time.Second}, {Age: 11 * time.Second, Delayed: true},
				{Age: 40 * time.Second, Delayed: true, Proof: proto.Late}, {Age: 3 * time.Second, Proof: proto.Unproven}, {}}
			if len(got) != len(want) {
				t.Fatalf("told of %+v, want %d", got, len(want))
			}
			for i, d := range got {
				if (d.Age-want[i].Age).Abs() > time.Second || d.Delayed != want[i].Delayed || d.Proof != want[i].Proof || i < 5 && d.ID.Counter != uint32(i+1) {
					t.Errorf("told %+v, want %+v", d, want[i])
				}
				if _, checkIn := d.Body.(*proto.CheckIn); checkIn != (i == 5) {
					t.Errorf("%d tells %T", i, d.Body)
				}
			}
			if s.pass(3 * time.Hour); !slices.Contains(codes, NoticeHeldBack) || !slices.Contains(codes, NoticeOverdue) {
				t.Errorf("after an unproven trip and three hours of silence it told of %q", codes)
			}
		})
	})
}
