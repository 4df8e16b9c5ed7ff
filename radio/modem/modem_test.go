package modem

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"longlane/radio"
)

// patience bounds waits for what is to happen soon. In a synctest bubble it costs nothing.
const patience = 3 * time.Minute

var testParameters = Parameters{Frequency: 868100000, Bandwidth: 125000, SpreadingFactor: 9, CodingRate: 5, Power: 14, SyncWord: 0x12, Preamble: 8}

// events is a slog.Handler that passes on what is logged: that is how a test learns that a modem has come up or gone.
type events chan string

func (events) Enabled(context.Context, slog.Level) bool { return true }
func (e events) WithAttrs([]slog.Attr) slog.Handler     { return e }
func (e events) WithGroup(string) slog.Handler          { return e }
func (e events) Handle(_ context.Context, r slog.Record) error {
	line := r.Message
	r.Attrs(func(a slog.Attr) bool { line += " " + a.String(); return true })
	e <- line
	return nil
}

// rig is a Modem that runs, with what it logs and delivers.
type rig struct {
	*Modem
	t       *testing.T
	log     events
	packets chan radio.Packet
	stop    func() // ends Run and waits for it
}

func start(t *testing.T, o Options) *rig {
	t.Helper()
	r := &rig{t: t, log: make(events, 10000), packets: make(chan radio.Packet, 100000)}
	if o.Name == "" {
		o.Name = "barn"
	}
	if o.Parameters == (Parameters{}) {
		o.Parameters = testParameters
	}
	o.Log = slog.New(r.log)
	r.Modem = New(o)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- r.Run(ctx, func(p radio.Packet) { r.packets <- p }) }()
	r.stop = sync.OnceFunc(func() {
		cancel()
		select {
		case err := <-ended:
			if err != nil {
				t.Errorf("Run = %v, want nil", err)
			}
		case <-time.After(patience):
			t.Error("Run does not end")
		}
		if r.Up() {
			t.Error("up after Run has ended")
		}
	})
	t.Cleanup(r.stop)
	return r
}

// expect waits until something is logged that holds want, and returns it.
func (r *rig) expect(want string) string {
	r.t.Helper()
	for deadline := time.After(patience); ; {
		select {
		case line := <-r.log:
			if strings.Contains(line, want) {
				return line
			}
		case <-deadline:
			r.t.Fatalf("%q was not logged; stats %+v", want, r.Stats())
		}
	}
}

func (r *rig) packet() radio.Packet {
	r.t.Helper()
	select {
	case p := <-r.packets:
		return p
	case <-time.After(patience):
		r.t.Fatalf("no packet; stats %+v", r.Stats())
		return radio.Packet{}
	}
}

// peer is the other end of a net.Pipe, played by the test itself.
type peer struct {
	t    *testing.T
	conn net.Conn
	in   chan Message
}

// peers returns an opener that makes a pipe each time, and the pipes' other ends.
func peers(t *testing.T) (func(context.Context) (io.ReadWriteCloser, error), chan *peer) {
	ends := make(chan *peer, 1000)
	return func(context.Context) (io.ReadWriteCloser, error) {
		host, modem := net.Pipe()
		t.Cleanup(func() { modem.Close() })
		ends <- &peer{t: t, conn: modem, in: make(chan Message, 1000)}
		return host, nil
	}, ends
}

// listen reads what the host says until the pipe is closed.
func (p *peer) listen() *peer {
	go func() {
		var d Deframer
		buf := make([]byte, 100)
		for {
			n, err := p.conn.Read(buf)
			d.Push(buf[:n], func(kind byte, body []byte) {
				m, verdict := Parse(kind, body)
				if verdict != OK {
					p.t.Errorf("the host sent type %02x, % x: %v", kind, body, verdict)
				}
				p.in <- m
			})
			if err != nil {
				close(p.in)
				return
			}
		}
	}()
	return p
}

func (p *peer) say(ms ...Message) {
	for _, m := range ms {
		p.conn.Write(Append(nil, m)) // fails once the host has closed, as is its right
	}
}

// hear waits for the next message of type M, passing over others.
func hear[M Message](p *peer) M {
	p.t.Helper()
	for deadline := time.After(patience); ; {
		select {
		case m := <-p.in:
			if m, ok := m.(M); ok {
				return m
			}
			if m == nil {
				var none M
				p.t.Fatalf("the host hung up; waited for %T", none)
			}
		case <-deadline:
			var none M
			p.t.Fatalf("no %T from the host", none)
		}
	}
}

// welcome brings the host up.
func (p *peer) welcome() {
	p.t.Helper()
	p.say(ModemHello{Version, hear[Hello](p).Nonce, 255, "peer"})
	p.say(ParametersResult{Tag: hear[SetParameters](p).Tag})
}

// up returns a running rig whose modem is played by the test and is up.
func up(t *testing.T, o Options) (*rig, *peer, chan *peer) {
	t.Helper()
	open, ends := peers(t)
	o.Open = open
	r := start(t, o)
	p := (<-ends).listen()
	p.welcome()
	r.expect("modem is up")
	return r, p, ends
}

// bubble runs a test in virtual time.
func bubble(t *testing.T, name string, f func(t *testing.T)) {
	t.Run(name, func(t *testing.T) { synctest.Test(t, f) })
}

func inBubble(t *testing.T, f func(t *testing.T)) { synctest.Test(t, f) }

// elapse waits for the bubble's own clock to be so much later, which takes no time.
func elapse(d time.Duration) { <-time.After(d) }

func TestHelloIsRepeated(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		open, ends := peers(t)
		r := start(t, Options{Open: open})
		began := time.Now()
		p := (<-ends).listen()
		first := hear[Hello](p)
		hear[Hello](p)
		if again := hear[Hello](p); again != first || first.Nonce == 0 || first.Version != Version {
			t.Errorf("hello %+v, repeated as %+v", first, again)
		}
		p.say(ModemHello{Version, first.Nonce ^ 2, 255, "stale answer"})
		p.say(ModemHello{Version, first.Nonce, 255, "slow 1.0"})
		p.say(ModemHello{Version, first.Nonce, 255, "slow 1.0"}) // the other hellos' answers
		p.say(ModemHello{Version, first.Nonce, 255, "slow 1.0"})
		sent := hear[SetParameters](p)
		again := hear[SetParameters](p)
		if sent != again || sent.Parameters != testParameters {
			t.Errorf("parameters %+v, repeated as %+v, want %+v", sent, again, testParameters)
		}
		if r.Up() {
			t.Error("up before the parameters were accepted")
		}
		p.say(ParametersResult{Tag: sent.Tag ^ 1})
		p.say(ParametersResult{Tag: sent.Tag})
		r.expect("modem is up bearer=barn firmware=slow 1.0")
		if took := time.Since(began); took != 3*time.Second {
			t.Errorf("set-up took %v, want two repeated hellos and one repeated set of parameters, 3s", took)
		}
		if s := r.Stats(); s.Stray != 2 || s.Ups != 1 || s.Opens != 1 || s.Firmware != "slow 1.0" {
			t.Errorf("stats %+v, want 2 strays, 1 up, 1 open", s)
		}
	})
}

func TestHelloOfAStartingModemIsAnAnswer(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		open, ends := peers(t)
		r := start(t, Options{Open: open})
		p := (<-ends).listen()
		hear[Hello](p)
		p.say(ModemHello{Version, 0, 255, "starting"})
		p.say(ParametersResult{Tag: hear[SetParameters](p).Tag})
		r.expect("modem is up")
		if n := r.Stats().Restarts; n != 0 {
			t.Errorf("%d restarts, want 0", n)
		}
	})
}

// Each way to lose a modem is counted under its name, and is followed by another attempt.
func TestLosses(t *testing.T) {
	for _, c := range []struct {
		loss  Loss
		play  func(p *peer)
		after time.Duration // from opening, in virtual time
	}{
		{LossRead, func(p *peer) { p.listen(); hear[Hello](p); p.conn.Close() }, 0},
		{LossStuck, func(p *peer) {}, 3 * time.Second},
		{LossHello, func(p *peer) { p.listen() }, 10 * time.Second},
		{LossVersion, func(p *peer) {
			p.listen()
			p.say(ModemHello{Version + 1, hear[Hello](p).Nonce, 255, "from the future"})
		}, 0},
		{LossParameters, func(p *peer) { p.listen(); p.say(ModemHello{Version, 0, 255, "mute"}) }, 10 * time.Second},
		{LossRefused, func(p *peer) {
			p.listen()
			p.say(ModemHello{Version, 0, 255, ""})
			p.say(ParametersResult{hear[SetParameters](p).Tag, ReasonFrequency, "863 to 870 MHz"})
		}, 0},
		{LossDeaf, func(p *peer) { p.listen(); p.welcome() }, 120 * time.Second},
	} {
		bubble(t, c.loss.String(), func(t *testing.T) {
			open, ends := peers(t)
			r := start(t, Options{Open: open})
			p := <-ends
			began := time.Now()
			c.play(p)
			r.expect("modem is down")
			if took := time.Since(began); took != c.after {
				t.Errorf("lost after %v, want %v", took, c.after)
			}
			s := r.Stats()
			if s.Losses[c.loss] != 1 || total(s) != 1 {
				t.Errorf("losses %v, want one of %v", s.Losses, c.loss)
			}
			(<-ends).listen().welcome()
			r.expect("modem is up")
		})
	}
}

func total(s Stats) (n uint64) {
	for _, l := range s.Losses {
		n += l
	}
	return n
}

func TestWriteErrorIsALoss(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r := start(t, Options{Open: func(context.Context) (io.ReadWriteCloser, error) {
			host, _ := net.Pipe()
			return failingWriter{host}, nil
		}})
		r.expect("reason=write")
	})
}

type failingWriter struct{ net.Conn }

func (failingWriter) Write([]byte) (int, error) { return 0, errors.New("no") }

func TestStreamThatReadsNothingDoesNotSpin(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		reads := 0
		r := start(t, Options{Open: func(context.Context) (io.ReadWriteCloser, error) {
			host, _ := net.Pipe()
			return emptyReader{host, &reads}, nil
		}, WriteTimeout: time.Hour})
		if line := r.expect("modem is down"); !strings.Contains(line, io.ErrNoProgress.Error()) {
			t.Errorf("logged %q, want %v", line, io.ErrNoProgress)
		}
		r.stop()
		if reads > 100 {
			t.Errorf("%d reads of nothing, want 100", reads)
		}
	})
}

type emptyReader struct {
	net.Conn
	reads *int
}

func (e emptyReader) Read([]byte) (int, error) { *e.reads++; return 0, nil }

func TestHeartbeat(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r, p, ends := up(t, Options{})
		began := time.Now()
		for round := 1; round <= 5; round++ { // two misses, then an answer, again and again: that is no loss
			hear[Ping](p)
			hear[Ping](p)
			ping := hear[Ping](p)
			p.say(Pong{ping.Nonce ^ 1, true, 0}) // no answer to what was asked
			p.say(Pong{ping.Nonce, true, uint32(round)})
			if got, want := time.Since(began), time.Duration(round)*90*time.Second; got != want {
				t.Fatalf("round %d: third ping after %v, want %v", round, got, want)
			}
		}
		synctest.Wait()
		if s := r.Stats(); total(s) != 0 || s.HeartbeatMisses != 10 || s.LostIn != 5 || s.Stray != 5 {
			t.Errorf("stats %+v, want no loss, 10 misses, 5 frames lost in the modem, 5 strays", s)
		}
		r.expect("reason=deaf")
		if s := r.Stats(); s.HeartbeatMisses != 13 {
			t.Errorf("%d heartbeats missed, want 13", s.HeartbeatMisses)
		}
		<-ends
	})
}

func TestRestart(t *testing.T) {
	for name, restart := range map[string]func(p *peer){
		"hello":            func(p *peer) { p.say(ModemHello{Version, 0, 255, "peer"}) },
		"pong":             func(p *peer) { p.say(Pong{hear[Ping](p).Nonce, false, 0}) },
		"refusal":          func(p *peer) { p.say(SendResult{Tag: hear[Send](p).Tag, Outcome: Refused, Reason: ReasonNotSetUp}) },
		"hello while busy": func(p *peer) { hear[Send](p); p.say(ModemHello{Version, 0, 255, "peer"}) },
	} {
		bubble(t, name, func(t *testing.T) {
			r, p, _ := up(t, Options{Permit: permitAll, SendTimeout: time.Minute})
			sent := make(chan error, 1)
			go func() { sent <- r.Send(context.Background(), "", []byte("receipt")) }()
			restart(p)
			at := time.Now()
			again := hear[SetParameters](p)
			if time.Since(at) != 0 {
				t.Errorf("set up again after %v, want at once", time.Since(at))
			}
			if r.Up() {
				t.Error("up while it is being set up again")
			}
			if err := <-sent; err == nil {
				t.Error("Send succeeded, want an error")
			}
			if err := r.Send(context.Background(), "", []byte("x")); !errors.Is(err, radio.ErrDown) {
				t.Errorf("Send during set-up = %v, want %v", err, radio.ErrDown)
			}
			p.say(ParametersResult{Tag: again.Tag})
			r.expect("modem is up")
			if s := r.Stats(); s.Restarts != 1 || s.Opens != 1 || total(s) != 0 {
				t.Errorf("stats %+v, want one restart on the one stream", s)
			}
			hear[Ping](p) // the heart beats again
		})
	}
}

func TestModemThatFallsOverItsParametersIsGivenUp(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r, p, _ := up(t, Options{})
		began := time.Now()
		ended := make(chan struct{})
		defer func() { <-ended }()
		go func() {
			defer close(ended)
			p.say(ModemHello{Version, 0, 255, "weak supply"})
			for range p.in {
				p.say(ModemHello{Version, 0, 255, "weak supply"})
				elapse(300 * time.Millisecond) // its start takes that long
			}
		}()
		r.expect("reason=parameters")
		if took := time.Since(began); took != 10*time.Second {
			t.Errorf("given up after %v, want 10s", took)
		}
	})
}

func TestPacketsAreAsReported(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r, p, _ := up(t, Options{})
		want := radio.Packet{Measured: true, RSSI: -112.5, SNR: -7.25, FreqErr: -1200, Bearer: "barn", At: time.Now()}
		p.say(Received{-450, -29, -1200, []byte{1, 0, 2}})
		got := r.packet()
		if !bytes.Equal(got.Frame, []byte{1, 0, 2}) {
			t.Errorf("frame % x, want 01 00 02", got.Frame)
		}
		if got.Frame = nil; fmt.Sprintf("%+v", got) != fmt.Sprintf("%+v", want) {
			t.Errorf("packet %+v, want %+v", got, want)
		}
	})
}

// A frame counts whatever else goes on: set-up, or the plug being pulled right behind it.
func TestFramesAreDeliveredInEveryPhase(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		open, ends := peers(t)
		r := start(t, Options{Open: open})
		p := (<-ends).listen()
		hear[Hello](p)
		p.say(Received{Frame: []byte{1}})
		p.say(ModemHello{Version, 0, 255, ""})
		hear[SetParameters](p)
		p.say(Received{Frame: []byte{2}})
		for i := 3; i <= 50; i++ {
			p.say(Received{Frame: []byte{byte(i)}})
		}
		p.conn.Close()
		for i := 1; i <= 50; i++ {
			if got := r.packet(); got.Frame[0] != byte(i) {
				t.Errorf("frame %d, want %d", got.Frame[0], i)
			}
		}
	})
}

// A failing write must not cost frames that have been read already.
func TestFramesAreDeliveredThoughWritingFails(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		open := func(context.Context) (io.ReadWriteCloser, error) {
			host, end := net.Pipe()
			d := &failsLater{host, make(chan struct{})}
			go func() {
				for i := range 10 {
					end.Write(Append(nil, Received{Frame: []byte{byte(i)}}))
				}
				close(d.fail)
			}()
			return d, nil
		}
		got := 0
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		m := New(Options{Open: open, Parameters: testParameters})
		ended := make(chan error, 1)
		go func() {
			ended <- m.Run(ctx, func(p radio.Packet) {
				if p.Frame[0] != byte(got%10) {
					t.Errorf("frame %d, want %d", p.Frame[0], got%10)
				}
				got++
				elapse(time.Millisecond) // all else happens meanwhile
			})
		}()
		elapse(time.Minute)
		cancel()
		<-ended
		if n := m.Stats().Losses[LossWrite]; got != 10*int(n) || n == 0 {
			t.Errorf("%d frames delivered in %d sessions of 10", got, n)
		}
	})
}

// failsLater is a stream whose first Write fails once fail is closed.
type failsLater struct {
	net.Conn
	fail chan struct{}
}

func (f *failsLater) Write([]byte) (int, error) { <-f.fail; return 0, errors.New("no") }

func TestNoiseAndUnknownMessagesAreCountedAndPassed(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r, p, _ := up(t, Options{})
		p.conn.Write([]byte("boot loader says hello\r\n"))
		p.say(Received{Frame: []byte{1}})
		p.say(Ping{1}) // an echo of our own
		unknown := append(appendStuffed([]byte{0}, []byte{0xEE, 0, 0, byte(crc16([]byte{0xEE, 0, 0}) >> 8), byte(crc16([]byte{0xEE, 0, 0}))}), 0)
		p.conn.Write(unknown)
		p.say(FaultReport{numFaults, ""})
		half := Append(nil, Received{Frame: make([]byte, 60)})
		p.conn.Write(half[:20])
		p.say(Received{Frame: []byte{2}})
		for want := byte(1); want <= 2; want++ {
			if got := r.packet(); got.Frame[0] != want {
				t.Errorf("frame %d, want %d", got.Frame[0], want)
			}
		}
		s := r.Stats()
		if bad := s.Line.Stuffing + s.Line.Length; bad != 2 || s.UnknownType != 2 || s.BadBody != 1 || s.Frames != 2 {
			t.Errorf("stats %+v, want 2 broken packets, 2 unknown types, 1 bad body, 2 frames", s)
		}
	})
}

func TestNoiseFloorAndFaults(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r, p, _ := up(t, Options{})
		if !r.Stats().NoiseAt.IsZero() {
			t.Error("a noise floor before any report")
		}
		p.say(Noise{-469})
		for range 3 { // repeated, and logged once
			p.say(FaultReport{FaultAntenna, "open"})
		}
		synctest.Wait()
		if s := r.Stats(); s.NoiseFloor != -117.25 || s.NoiseAt != time.Now() || s.Fault != FaultAntenna {
			t.Errorf("stats %+v, want -117.25 dBm now and the fault", s)
		}
		p.say(FaultReport{})
		synctest.Wait()
		if len(r.log) != 2 || !strings.Contains(<-r.log, "antenna") || !strings.Contains(<-r.log, "over") {
			t.Errorf("%d lines logged, want the fault and its end", len(r.log))
		}
	})
}

// sender sends frame and returns a channel with what Send says.
func sender(r *rig, ctx context.Context, frame string) <-chan error {
	sent := make(chan error, 1)
	go func() { sent <- r.Send(ctx, "", []byte(frame)) }()
	synctest.Wait()
	return sent
}

func TestSend(t *testing.T) {
	refused := &RefusedError{ReasonNotAllowed, "duty cycle"}
	for _, c := range []struct {
		result SendResult
		want   error
	}{
		{SendResult{Outcome: Sent, Power: 13, Airtime: 165}, nil},
		{SendResult{Outcome: Busy}, ErrBusy},
		{SendResult{Outcome: Refused, Reason: ReasonNotAllowed, Text: "duty cycle"}, refused},
	} {
		bubble(t, fmt.Sprint(c.result.Outcome), func(t *testing.T) {
			r, p, _ := up(t, Options{Permit: permitAll})
			type outcome struct {
				Report
				error
			}
			got := make(chan outcome, 1)
			go func() {
				report, err := r.SendReported(context.Background(), []byte("receipt"))
				got <- outcome{report, err}
			}()
			m := hear[Send](p)
			if string(m.Frame) != "receipt" {
				t.Errorf("the modem was told to send %q", m.Frame)
			}
			c.result.Tag = m.Tag
			p.say(SendResult{Tag: m.Tag ^ 1, Outcome: Sent, Power: 1}, c.result)
			o := <-got
			if fmt.Sprint(o.error) != fmt.Sprint(c.want) {
				t.Errorf("error %v, want %v", o.error, c.want)
			}
			if want := (Report{c.result.Power, time.Duration(c.result.Airtime) * time.Millisecond}); o.Report != want {
				t.Errorf("report %+v, want %+v", o.Report, want)
			}
			s := r.Stats()
			if s.Sent+s.Busy+s.Refused != 1 || s.Stray != 1 || s.Airtime != o.Airtime {
				t.Errorf("stats %+v, want one result and one stray", s)
			}
		})
	}
}

func TestSendWithoutAResult(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r, p, _ := up(t, Options{Permit: permitAll})
		began := time.Now()
		first, second := sender(r, context.Background(), "first"), sender(r, context.Background(), "second")
		late := hear[Send](p)
		if err := <-first; !errors.Is(err, ErrNoResult) || time.Since(began) != 5*time.Second {
			t.Errorf("Send = %v after %v, want %v after 5s", err, time.Since(began), ErrNoResult)
		}
		next := hear[Send](p)
		p.say(SendResult{Tag: late.Tag, Outcome: Sent}) // must not be taken for the second one's
		p.say(SendResult{Tag: next.Tag, Outcome: Busy})
		if err := <-second; !errors.Is(err, ErrBusy) {
			t.Errorf("second Send = %v, want %v", err, ErrBusy)
		}
		if s := r.Stats(); s.NoResult != 1 || s.Stray != 1 || s.Sent != 0 {
			t.Errorf("stats %+v, want 1 without a result, 1 stray", s)
		}
	})
}

func TestSendQueueIsBoundedAndInOrder(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r, p, _ := up(t, Options{Permit: permitAll})
		var sent []<-chan error
		for i := range 1 + 16 { // one in the air and a queue of 16
			sent = append(sent, sender(r, context.Background(), fmt.Sprint(i)))
		}
		if err := r.Send(context.Background(), "", []byte("one too many")); !errors.Is(err, ErrQueueFull) {
			t.Errorf("Send with a full queue = %v, want %v", err, ErrQueueFull)
		}
		for i, s := range sent {
			synctest.Wait()
			if i+1 < len(sent) && len(p.in) > 1 {
				t.Errorf("%d frames told to the modem at once, want 1", len(p.in))
			}
			m := hear[Send](p)
			if string(m.Frame) != fmt.Sprint(i) {
				t.Errorf("frame %d was %q", i, m.Frame)
			}
			p.say(SendResult{Tag: m.Tag, Outcome: Sent})
			if err := <-s; err != nil {
				t.Errorf("Send %d = %v, want nil", i, err)
			}
		}
	})
}

func TestSendIsCancelledInTheQueue(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r, p, _ := up(t, Options{Permit: permitAll})
		first := sender(r, context.Background(), "first")
		ctx, cancel := context.WithCancel(context.Background())
		second := sender(r, ctx, "second")
		third := sender(r, context.Background(), "third")
		cancel()
		if err := <-second; !errors.Is(err, context.Canceled) {
			t.Errorf("Send = %v, want %v", err, context.Canceled)
		}
		for _, want := range []string{"first", "third"} {
			m := hear[Send](p)
			if string(m.Frame) != want {
				t.Errorf("the modem was told to send %q, want %q", m.Frame, want)
			}
			p.say(SendResult{Tag: m.Tag, Outcome: Sent})
		}
		if err := errors.Join(<-first, <-third); err != nil {
			t.Errorf("Send = %v, want nil", err)
		}
	})
}

func TestLossFailsWhatWaitsToBeSent(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r, p, _ := up(t, Options{Permit: permitAll})
		flying, queued := sender(r, context.Background(), "flying"), sender(r, context.Background(), "queued")
		hear[Send](p)
		p.conn.Close()
		for _, s := range []<-chan error{flying, queued} {
			if err := <-s; !errors.Is(err, radio.ErrDown) {
				t.Errorf("Send = %v, want %v", err, radio.ErrDown)
			}
		}
	})
}

func TestSendRefusesAtOnce(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		open, ends := peers(t)
		r := start(t, Options{Open: open, Permit: permitAll})
		if err := r.Send(context.Background(), "", []byte("x")); !errors.Is(err, radio.ErrDown) {
			t.Errorf("Send before the modem is up = %v, want %v", err, radio.ErrDown)
		}
		p := (<-ends).listen()
		hear[Hello](p)
		p.say(ModemHello{Version, 0, 64, "short"})
		p.say(ParametersResult{Tag: hear[SetParameters](p).Tag})
		r.expect("modem is up")
		for _, n := range []int{0, 256} {
			if err := r.Send(context.Background(), "", make([]byte, n)); err == nil {
				t.Errorf("Send of %d bytes succeeded, want an error", n)
			}
		}
		var refused *RefusedError
		if err := r.Send(context.Background(), "", make([]byte, 65)); !errors.As(err, &refused) || refused.Reason != ReasonTooLong {
			t.Errorf("Send of 65 bytes to a modem that takes 64 = %v, want it refused as too long", err)
		}
		if len(p.in) != 0 {
			t.Errorf("the modem was told something: %v", <-p.in)
		}
	})
}

func TestReceiveOnly(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r, p, _ := up(t, Options{})
		if err := r.Send(context.Background(), "", []byte("x")); !errors.Is(err, ErrReceiveOnly) {
			t.Errorf("Send = %v, want %v", err, ErrReceiveOnly)
		}
		synctest.Wait()
		if len(p.in) != 0 {
			t.Errorf("the modem was told something: %v", <-p.in)
		}
	})
}

func TestBackoff(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		var mu sync.Mutex
		var opens []time.Time
		r := start(t, Options{Open: func(context.Context) (io.ReadWriteCloser, error) {
			mu.Lock()
			defer mu.Unlock()
			opens = append(opens, time.Now())
			return nil, errors.New("no such tty")
		}})
		elapse(24 * time.Hour)
		r.stop()
		if len(opens) < 24*60*2 {
			t.Fatalf("%d attempts in a day, want at least one each 30 s: it must never give up", len(opens))
		}
		different := map[time.Duration]bool{}
		for i := 1; i < len(opens); i++ {
			wait := opens[i].Sub(opens[i-1])
			different[wait] = true
			if wait < 500*time.Millisecond || wait > 30*time.Second {
				t.Errorf("wait %d was %v, want 0.5 s to 30 s", i, wait)
			}
			if base := min(500*time.Millisecond<<min(i-1, 10), 20*time.Second); wait < base {
				t.Errorf("wait %d was %v, want at least %v", i, wait, base)
			}
		}
		if len(different) < len(opens)/2 {
			t.Errorf("%d different waits among %d: not jittered", len(different), len(opens))
		}
		if len(r.log) != 1 {
			t.Errorf("%d lines logged in a day of the same trouble, want 1", len(r.log))
		}
		if n := r.Stats().Losses[LossOpen]; n != uint64(len(opens)) {
			t.Errorf("%d losses counted, want %d", n, len(opens))
		}
	})
}

func TestBackoffBeginsAnewAfterSuccess(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		fails := 8
		open, ends := peers(t)
		r := start(t, Options{Open: func(ctx context.Context) (io.ReadWriteCloser, error) {
			if fails--; fails >= 0 {
				return nil, errors.New("no such tty")
			}
			return open(ctx)
		}})
		p := (<-ends).listen()
		p.welcome()
		r.expect("modem is up")
		p.conn.Close()
		lost := time.Now()
		<-ends
		if wait := time.Since(lost); wait > time.Second {
			t.Errorf("reopened after %v, want within a second: it had been up", wait)
		}
	})
}

func TestOptionsThatCanNeverWork(t *testing.T) {
	good := Options{Open: func(context.Context) (io.ReadWriteCloser, error) { return nil, io.EOF }, Parameters: testParameters}
	if err := good.Check(); err != nil {
		t.Fatalf("Check() = %v, want nil", err)
	}
	for want, spoil := range map[string]func(o *Options){
		"Open":             func(o *Options) { o.Open = nil },
		"frequency":        func(o *Options) { o.Parameters.Frequency = 0 },
		"bandwidth":        func(o *Options) { o.Parameters.Bandwidth = 0 },
		"spreading factor": func(o *Options) { o.Parameters.SpreadingFactor = 13 },
		"coding rate":      func(o *Options) { o.Parameters.CodingRate = 4 },
		"preamble":         func(o *Options) { o.Parameters.Preamble = 0 },
		"negative":         func(o *Options) { o.Heartbeat = -1 },
		"backoff":          func(o *Options) { o.BackoffMax = 1 },
	} {
		o := good
		spoil(&o)
		if err := New(o).Run(context.Background(), nil); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("Run with a bad %s = %v, want an error that names it", want, err)
		}
	}
}

func TestDeviceServesOneHost(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		d := NewDevice(DeviceOptions{})
		if err := d.Receive([]byte("x"), 0, 0, 0); !errors.Is(err, ErrNotSetUp) {
			t.Errorf("Receive before set-up = %v, want %v", err, ErrNotSetUp)
		}
		ctx, cancel := context.WithCancel(context.Background())
		host, modem := net.Pipe()
		ended := make(chan error, 1)
		go func() { ended <- d.Serve(ctx, modem) }()
		synctest.Wait()
		other, _ := net.Pipe()
		if err := d.Serve(ctx, other); !errors.Is(err, errServing) {
			t.Errorf("second Serve = %v, want %v", err, errServing)
		}
		go host.Write(Append(nil, SetParameters{1, testParameters}))
		synctest.Wait() // nobody reads the answer
		lost := 0
		for range 2 * deviceQueue {
			if err := d.Receive([]byte("x"), 0, 0, 0); errors.Is(err, ErrSlowHost) {
				lost++
			}
		}
		if lost < deviceQueue {
			t.Errorf("%d of %d frames were refused, want what exceeds the queue of %d", lost, 2*deviceQueue, deviceQueue)
		}
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("Serve = %v, want nil", err)
		}
		if err := d.Noise(-117); !errors.Is(err, ErrNoHost) {
			t.Errorf("Noise without a host = %v, want %v", err, ErrNoHost)
		}
	})
}
