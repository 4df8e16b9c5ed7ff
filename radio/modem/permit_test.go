package modem

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"longlane/radio"
)

// permitAll is for tests in which nobody counts the airtime.
func permitAll([]byte) (func(radio.Fate, time.Duration), error) {
	return func(radio.Fate, time.Duration) {}, nil
}

// permits writes down what was permitted and what became of it.
type permits struct {
	mu      sync.Mutex
	refuse  error
	out     int
	settled []string // "frame: fate, airtime"
}

func (x *permits) permit(frame []byte) (func(radio.Fate, time.Duration), error) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.refuse != nil {
		return nil, x.refuse
	}
	x.out++
	name := string(frame[:min(len(frame), 8)])
	return func(fate radio.Fate, airtime time.Duration) {
		x.mu.Lock()
		defer x.mu.Unlock()
		x.out--
		x.settled = append(x.settled, fmt.Sprintf("%s: %d, %v", name, fate, airtime))
	}, nil
}

// TestEveryPermitIsSettledOnce: with what became of the frame, on each way that it can take.
func TestEveryPermitIsSettledOnce(t *testing.T) {
	long := string(slices.Repeat([]byte("long"), 16))
	for _, c := range []struct {
		name   string
		frames []string
		modem  func(p *peer, cancel func())
		want   []string
	}{
		{"sent", []string{"a"}, func(p *peer, _ func()) {
			p.say(SendResult{Tag: hear[Send](p).Tag, Outcome: Sent, Airtime: 165})
		}, []string{fmt.Sprintf("a: %d, 165ms", radio.Sent)}},
		{"busy", []string{"a"}, func(p *peer, _ func()) {
			p.say(SendResult{Tag: hear[Send](p).Tag, Outcome: Busy})
		}, []string{fmt.Sprintf("a: %d, 0s", radio.NotSent)}},
		{"refused", []string{"a"}, func(p *peer, _ func()) {
			p.say(SendResult{Tag: hear[Send](p).Tag, Outcome: Refused, Reason: ReasonNotAllowed})
		}, []string{fmt.Sprintf("a: %d, 0s", radio.NotSent)}},
		{"too long", []string{long + long + long + long + "more"}, func(*peer, func()) {}, nil}, // refused before anybody is asked
		{"no result", []string{"a"}, func(p *peer, _ func()) { hear[Send](p) },
			[]string{fmt.Sprintf("a: %d, 0s", radio.Unknown)}},
		{"lost", []string{"flying", "queued"}, func(p *peer, _ func()) { hear[Send](p); p.conn.Close() },
			[]string{fmt.Sprintf("flying: %d, 0s", radio.Unknown), fmt.Sprintf("queued: %d, 0s", radio.NotSent)}},
		{"restarted", []string{"flying", "queued"}, func(p *peer, _ func()) {
			hear[Send](p)
			p.say(ModemHello{Version, 0, 255, "peer"})
		}, []string{fmt.Sprintf("flying: %d, 0s", radio.Unknown), fmt.Sprintf("queued: %d, 0s", radio.NotSent)}},
		{"given up while it is on its way", []string{"flying", "queued"}, func(p *peer, cancel func()) {
			m := hear[Send](p)
			cancel()
			synctest.Wait()
			p.say(SendResult{Tag: m.Tag, Outcome: Sent, Airtime: 50})
		}, []string{fmt.Sprintf("flying: %d, 50ms", radio.Sent), fmt.Sprintf("queued: %d, 0s", radio.NotSent)}},
	} {
		bubble(t, c.name, func(t *testing.T) {
			x := &permits{}
			r, p, _ := up(t, Options{Permit: x.permit})
			ctx, cancel := context.WithCancel(context.Background())
			defer cancel()
			var answers []<-chan error
			for _, f := range c.frames {
				answers = append(answers, sender(r, ctx, f))
			}
			c.modem(p, cancel)
			for _, a := range answers {
				<-a
			}
			synctest.Wait()
			x.mu.Lock()
			defer x.mu.Unlock()
			if x.out != 0 || !slices.Equal(x.settled, c.want) {
				t.Errorf("settled %q, %d are out; want %q", x.settled, x.out, c.want)
			}
		})
	}
}

// TestQueueFullIsSettled: a frame for which the queue has no room was permitted for nothing.
func TestQueueFullIsSettled(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := &permits{}
		r, _, _ := up(t, Options{Permit: x.permit})
		for i := range 1 + queueSize {
			sender(r, context.Background(), fmt.Sprint(i))
		}
		if err := r.Send(context.Background(), "", []byte("more")); !errors.Is(err, ErrQueueFull) {
			t.Fatalf("Send = %v, want %v", err, ErrQueueFull)
		}
		x.mu.Lock()
		defer x.mu.Unlock()
		if want := []string{fmt.Sprintf("more: %d, 0s", radio.NotSent)}; !slices.Equal(x.settled, want) {
			t.Errorf("settled %q, want %q", x.settled, want)
		}
	})
}

// TestNothingIsSentWithoutAPermit: what is not permitted never reaches the modem, and the reason reaches the caller.
func TestNothingIsSentWithoutAPermit(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := &permits{refuse: &radio.WaitError{For: time.Minute}}
		r, p, _ := up(t, Options{Permit: x.permit})
		var wait *radio.WaitError
		if err := r.Send(context.Background(), "", []byte("x")); !errors.As(err, &wait) || wait.For != time.Minute {
			t.Errorf("Send = %v, want to wait for a minute", err)
		}
		synctest.Wait()
		if len(p.in) != 0 {
			t.Errorf("the modem was told something: %v", <-p.in)
		}
	})
}
