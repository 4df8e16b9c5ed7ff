package modem

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"longlane/radio"
	"longlane/radio/modem/lines"
)

// mate is the other end of a net.Pipe, a modem that speaks lines, played by the test itself.
type mate struct {
	t    *testing.T
	conn net.Conn
	in   chan string
}

// mates returns an opener that makes a pipe each time, and the pipes' other ends, which listen.
func mates(t *testing.T) (func(context.Context) (io.ReadWriteCloser, error), chan *mate) {
	ends := make(chan *mate, 1000)
	return func(context.Context) (io.ReadWriteCloser, error) {
		host, modem := net.Pipe()
		t.Cleanup(func() { modem.Close() })
		m := &mate{t, modem, make(chan string, 1000)}
		go func() {
			defer close(m.in)
			for s := bufio.NewScanner(modem); s.Scan(); {
				m.in <- s.Text()
			}
		}()
		ends <- m
		return host, nil
	}, ends
}

// say sends lines; it fails once the host has closed, as is its right.
func (m *mate) say(text ...string) {
	for _, s := range text {
		m.conn.Write([]byte(s + "\r\n"))
	}
}

// hear waits for the host's next line, which must be this one.
func (m *mate) hear(want string) {
	m.t.Helper()
	select {
	case got, ok := <-m.in:
		if !ok {
			m.t.Fatalf("the host hung up; waited for %q", want)
		}
		if got != want {
			m.t.Fatalf("the host said %q, want %q", got, want)
		}
	case <-time.After(patience):
		m.t.Fatalf("the host says nothing; waited for %q", want)
	}
}

const (
	firstLine  = "please listen on 868100000"
	secondLine = "please whisper at 14"
	beatLine   = "are you there"
)

// welcome brings the host up.
func (m *mate) welcome() {
	m.t.Helper()
	m.hear(firstLine)
	m.say("listening")
	m.hear(secondLine)
	m.say("whispering")
	m.hear(beatLine)
	m.say("still here")
}

func linedOptions(t *testing.T, change func(*lines.Config)) (Options, chan *mate) {
	open, ends := mates(t)
	return Options{Open: open, Permit: permitAll, Lines: talkerDialect(t, "hex", change)}, ends
}

func unchanged(*lines.Config) {}

// linedUp returns a running rig whose modem is played by the test and is up.
func linedUp(t *testing.T, change func(*lines.Config)) (*rig, *mate, chan *mate) {
	t.Helper()
	o, ends := linedOptions(t, change)
	r := start(t, o)
	m := <-ends
	m.welcome()
	r.expect("modem is up")
	return r, m, ends
}

func TestLinesSetUp(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		o, ends := linedOptions(t, func(c *lines.Config) {
			c.Initialise = append(c.Initialise, lines.Step{Line: "hush", Timeout: lines.Duration(300 * time.Millisecond)})
		})
		r := start(t, o)
		m := <-ends
		began := time.Now()
		m.hear(firstLine)
		m.say("some chatter", "whispering", "still here", "said") // no answer to what was asked
		m.say("heard 0a0b of 2")
		m.hear(firstLine) // again, after a second
		m.say("listening")
		m.hear(secondLine)
		m.hear(firstLine) // from the first: it may have forgotten
		m.say("listening")
		m.hear(secondLine)
		m.say("heard 0c of 1 at -10025, clarity 525", "whispering")
		m.hear("hush")
		m.hear(beatLine)
		if took, want := time.Since(began), 2300*time.Millisecond; took != want {
			t.Errorf("the heartbeat came after %v, want %v", took, want)
		}
		synctest.Wait()
		if r.Up() {
			t.Error("up before its heart has beaten")
		}
		m.say("still here")
		r.expect("modem is up")
		if p := r.packet(); string(p.Frame) != "\x0a\x0b" || p.Measured {
			t.Errorf("first packet %+v, want 0a0b, not measured", p)
		}
		if p := r.packet(); string(p.Frame) != "\x0c" || !p.Measured || p.RSSI != -100.25 || p.SNR != 5.25 || p.Bearer != "barn" || p.At.IsZero() {
			t.Errorf("second packet %+v, want 0c at -100.25 dBm, 5.25 dB", p)
		}
		if s := r.Stats(); s.Stray != 4 || s.Restarts != 0 || s.Ups != 1 || s.Frames != 2 {
			t.Errorf("stats %+v, want 4 strays, no restart, 2 frames", s)
		}
	})
}

// Each way to lose a modem that speaks lines is counted under its name, with the words that explain it.
func TestLinesLosses(t *testing.T) {
	for _, c := range []struct {
		loss  Loss
		play  func(m *mate)
		after time.Duration // from opening, in virtual time
		words string
	}{
		{LossRead, func(m *mate) { m.hear(firstLine); m.conn.Close() }, 0, ""},
		{LossHello, func(m *mate) { m.say("good morning, who are you") }, 10500 * time.Millisecond, `no answer to "please listen on 868100000" within 10.5s`},
		{LossParameters, func(m *mate) { m.hear(firstLine); m.say("listening") }, 10500 * time.Millisecond, `set-up not done`},
		{LossRefused, func(m *mate) { m.hear(firstLine); m.say("listening", "i will not, too loud") }, 0, `answered "too loud" to "please whisper at 14"`},
		{LossDeaf, func(m *mate) { m.welcome() }, 120 * time.Second, "no answer to 3 heartbeats"},
	} {
		bubble(t, c.loss.String(), func(t *testing.T) {
			o, ends := linedOptions(t, func(c *lines.Config) {
				c.Reset = &lines.Reset{Line: "please start over", Timeout: lines.Duration(500 * time.Millisecond), Reopen: true}
			})
			r := start(t, o)
			m := <-ends
			began := time.Now()
			c.play(m)
			said := r.expect("modem is down")
			if !strings.Contains(strings.ReplaceAll(said, `\"`, `"`), c.words) {
				t.Errorf("logged %q, want %q", said, c.words)
			}
			if took := time.Since(began); took != c.after {
				t.Errorf("lost after %v, want %v", took, c.after)
			}
			if s := r.Stats(); s.Losses[c.loss] != 1 || total(s) != 1 {
				t.Errorf("losses %v, want one of %v", s.Losses, c.loss)
			}
			m = <-ends
			if c.loss != LossRead { // it is there, and did not do as it should: it is told to start over first
				began = time.Now()
				m.hear("please start over")
				defer func() {
					if took := time.Since(began); took != 500*time.Millisecond {
						t.Errorf("up %v after the reset line, want its timeout, 500ms", took)
					}
				}()
			}
			m.welcome()
			r.expect("modem is up")
		})
	}
}

func TestLinesResetIsAnswered(t *testing.T) {
	for answer, took := range map[string]time.Duration{"as you wish": 0, "good morning, hill radio": 0, "i will not, ever": 0, "hm": time.Second} {
		bubble(t, answer, func(t *testing.T) {
			o, ends := linedOptions(t, func(c *lines.Config) {
				c.Reset = &lines.Reset{Line: "please start over", Reply: "as you wish", Timeout: lines.Duration(time.Second), Reopen: true}
			})
			r := start(t, o)
			m := <-ends
			m.hear(firstLine)
			m.say("i will not, i am confused")
			m = <-ends
			m.hear("please start over")
			began := time.Now()
			m.say(answer)
			m.welcome()
			r.expect("modem is up")
			if got := time.Since(began); got != took {
				t.Errorf("up after %v, want %v", got, took)
			}
		})
	}
}

// Without reopen the reset line is tried on the open port, and the port closed only if that did not help.
func TestLinesResetInPlace(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r, m, ends := linedUp(t, func(c *lines.Config) {
			c.Reset = &lines.Reset{Line: "please start over", Timeout: lines.Duration(time.Second)}
		})
		for range 3 {
			m.hear(beatLine)
		}
		m.hear("please start over")
		synctest.Wait()
		if r.Up() {
			t.Error("up while it is being reset")
		}
		m.say("good morning, hill radio")
		m.welcome()
		r.expect("modem is up")
		if s := r.Stats(); s.Opens != 1 || s.Restarts != 1 || total(s) != 0 || s.HeartbeatMisses != 3 {
			t.Errorf("stats %+v, want one restart on the one stream after 3 misses", s)
		}
		r.expect("reason=hello") // this time nothing helps
		m = <-ends
		m.hear("please start over")
		m.welcome()
		r.expect("modem is up")
	})
}

// A modem that has no heartbeat is given up when nothing at all comes from it, and not before.
func TestLinesSilence(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		o, ends := linedOptions(t, func(c *lines.Config) {
			c.Initialise, c.Heartbeat = nil, nil
			c.Reset = &lines.Reset{Reopen: true, Silence: lines.Duration(20 * time.Minute)}
		})
		r := start(t, o)
		m := <-ends
		r.expect("modem is up")
		for range 10 {
			elapse(19 * time.Minute)
			m.say("heard 0a of 1")
			r.packet()
		}
		last := time.Now()
		<-ends // it is opened again
		if said := r.expect("reason=deaf"); !strings.Contains(said, "nothing at all came from it for 2") {
			t.Errorf("logged %q", said)
		}
		if took := time.Since(last); took < 20*time.Minute || took > 25*time.Minute {
			t.Errorf("given up after %v, want 20 to 25 minutes", took)
		}
		if s := r.Stats(); total(s) != 1 || s.HeartbeatMisses != 0 {
			t.Errorf("stats %+v, want one loss", s)
		}
		r.expect("modem is up")
	})
}

func TestLinesHeartbeat(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r, m, _ := linedUp(t, unchanged)
		began := time.Now()
		for round := 1; round <= 5; round++ { // two misses, then an answer, again and again: that is no loss
			m.hear(beatLine)
			m.hear(beatLine)
			m.hear(beatLine)
			m.say("still hear")
			m.say([]string{"still here", "somebody is talking"}[round%2]) // a busy modem lives
			if got, want := time.Since(began), time.Duration(round)*90*time.Second; got != want {
				t.Fatalf("round %d: third heartbeat after %v, want %v", round, got, want)
			}
		}
		synctest.Wait()
		if s := r.Stats(); total(s) != 0 || s.HeartbeatMisses != 10 || s.Stray != 5 {
			t.Errorf("stats %+v, want no loss, 10 misses, 5 strays", s)
		}
		r.expect("reason=deaf")
	})
}

// One question at a time: while a heartbeat awaits its answer no frame is told, and while a frame does, no heartbeat.
func TestLinesOneQuestionAtATime(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r, m, _ := linedUp(t, unchanged)
		m.hear(beatLine)
		sent := sender(r, context.Background(), "\x01")
		synctest.Wait()
		if len(m.in) != 0 {
			t.Fatalf("the modem was told %q before it had answered the heartbeat", <-m.in)
		}
		m.say("still here")
		m.hear("please say 01 of 1")
		m.say("said")
		if err := <-sent; err != nil {
			t.Errorf("Send = %v", err)
		}
		m.hear(beatLine) // and no answer: it holds up a frame for its timeout, not longer
		began := time.Now()
		sent = sender(r, context.Background(), "\x02")
		m.hear("please say 02 of 1")
		if took := time.Since(began); took != time.Second {
			t.Errorf("told after %v, want the heartbeat's timeout, 1s", took)
		}
		m.say("said")
		if err := <-sent; err != nil {
			t.Errorf("Send = %v", err)
		}
		elapse(28 * time.Second) // the next heartbeat is due in a second, the result comes later
		sent = sender(r, context.Background(), "\x03")
		m.hear("please say 03 of 1")
		elapse(3 * time.Second)
		synctest.Wait()
		if len(m.in) != 0 {
			t.Errorf("the modem was asked %q while a frame was in flight", <-m.in)
		}
		m.say("said")
		if err := <-sent; err != nil {
			t.Errorf("Send = %v", err)
		}
	})
}

func TestLinesSend(t *testing.T) {
	for _, c := range []struct {
		answers []string // one for each time that it is told
		want    error
		after   time.Duration // at least
	}{
		{[]string{"said"}, nil, 0},
		{[]string{"somebody is talking", "somebody is talking", "said"}, nil, 300 * time.Millisecond},
		{[]string{"i will not, too loud"}, &RefusedError{ReasonOther, "too loud"}, 0},
		{[]string{"somebody is talking", "i will not, too loud"}, &RefusedError{ReasonOther, "too loud"}, 100 * time.Millisecond},
		{[]string{"oops\r\nheard 0a of 1\r\nsaid"}, nil, 0},
	} {
		bubble(t, strings.Join(c.answers, "/"), func(t *testing.T) {
			r, m, _ := linedUp(t, unchanged)
			began := time.Now()
			sent := sender(r, context.Background(), "\x0a\xff")
			for _, a := range c.answers {
				m.hear("please say 0aff of 2")
				m.say(a)
			}
			if err := <-sent; fmt.Sprint(err) != fmt.Sprint(c.want) {
				t.Errorf("Send = %v, want %v", err, c.want)
			}
			if took := time.Since(began); took < c.after || took > 2*c.after {
				t.Errorf("took %v, want %v to twice that", took, c.after)
			}
			s := r.Stats()
			if s.Sent+s.Refused != 1 || s.Busy != uint64(len(c.answers)-1) {
				t.Errorf("stats %+v, want one result and %d times busy", s, len(c.answers)-1)
			}
		})
	}
}

// A modem that is busy all the time has told what became of the frame: it owes no answer, and the next frame follows.
func TestLinesBusyForTooLong(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r, m, _ := linedUp(t, unchanged)
		began := time.Now()
		first, second := sender(r, context.Background(), "\x01"), sender(r, context.Background(), "\x02")
		asked, line := 0, ""
		for line = <-m.in; line == "please say 01 of 1"; line = <-m.in {
			asked++
			m.say("somebody is talking")
		}
		if err := <-first; !errors.Is(err, ErrBusy) || time.Since(began) != 5*time.Second {
			t.Errorf("Send = %v after %v, want %v after 5s", err, time.Since(began), ErrBusy)
		}
		if asked < 5 || asked > 10 {
			t.Errorf("asked %d times in 5 s, want 5 to 10: backing off, to a second", asked)
		}
		if line != "please say 02 of 1" {
			t.Errorf("the modem was told %q, want the second frame", line)
		}
		m.say("said")
		if err := <-second; err != nil {
			t.Errorf("second Send = %v", err)
		}
		if s := r.Stats(); s.Restarts != 0 || s.NoResult != 0 || s.Stray != 0 {
			t.Errorf("stats %+v, want no restart", s)
		}
	})
}

func TestLinesBusyAndCancelled(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r, m, _ := linedUp(t, unchanged)
		ctx, cancel := context.WithCancel(context.Background())
		sent := sender(r, ctx, "\x01")
		m.hear("please say 01 of 1")
		m.say("somebody is talking")
		synctest.Wait()
		cancel()
		if err := <-sent; !errors.Is(err, context.Canceled) {
			t.Errorf("Send = %v, want %v", err, context.Canceled)
		}
		next := sender(r, context.Background(), "\x02")
		m.hear("please say 02 of 1") // and not the first again
		m.say("said")
		if err := <-next; err != nil {
			t.Errorf("Send = %v", err)
		}
	})
}

// After an answer that stays out, the next one must not be taken for it: set-up puts host and modem in step again.
func TestLinesSendWithoutAResult(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r, m, _ := linedUp(t, unchanged)
		began := time.Now()
		first, second := sender(r, context.Background(), "\x01"), sender(r, context.Background(), "\x02")
		m.hear("please say 01 of 1")
		if err := <-first; !errors.Is(err, ErrNoResult) || time.Since(began) != 5*time.Second {
			t.Errorf("Send = %v after %v, want %v after 5s", err, time.Since(began), ErrNoResult)
		}
		if err := <-second; !errors.Is(err, radio.ErrDown) {
			t.Errorf("second Send = %v, want %v", err, radio.ErrDown)
		}
		m.hear(firstLine)
		m.say("said") // at last
		m.say("listening")
		m.hear(secondLine)
		m.say("whispering")
		m.hear(beatLine)
		m.say("still here")
		r.expect("modem is up")
		third := sender(r, context.Background(), "\x03")
		m.hear("please say 03 of 1")
		m.say("i will not, third")
		var refused *RefusedError
		if err := <-third; !errors.As(err, &refused) || refused.Text != "third" {
			t.Errorf("third Send = %v, want it refused", err)
		}
		if s := r.Stats(); s.NoResult != 1 || s.Restarts != 1 || s.Opens != 1 || s.Sent != 0 {
			t.Errorf("stats %+v, want one without a result and one new set-up", s)
		}
	})
}

func TestLinesRestart(t *testing.T) {
	for name, restart := range map[string]func(m *mate){
		"banner":                func(m *mate) { m.hear("please say 01 of 1"); m.say("good morning, hill radio") },
		"answer":                func(m *mate) { m.hear("please say 01 of 1"); m.say("tell me what to do first") },
		"while busy":            func(m *mate) { m.hear("please say 01 of 1"); m.say("somebody is talking", "good morning") },
		"in the middle of line": func(m *mate) { m.hear("please say 01 of 1"); m.say("heard 0a0b0good morning, hill radio") },
		"after garbage": func(m *mate) {
			m.hear("please say 01 of 1")
			m.conn.Write(bytes.Repeat([]byte{0xFF, 0}, 3000))
			m.say("", "good morning, hill radio")
		},
	} {
		bubble(t, name, func(t *testing.T) {
			r, m, _ := linedUp(t, unchanged)
			sent := sender(r, context.Background(), "\x01")
			restart(m)
			at := time.Now()
			m.hear(firstLine)
			if time.Since(at) != 0 {
				t.Errorf("set up again after %v, want at once", time.Since(at))
			}
			if r.Up() {
				t.Error("up while it is being set up again")
			}
			if err := <-sent; !errors.Is(err, radio.ErrDown) {
				t.Errorf("Send = %v, want %v", err, radio.ErrDown)
			}
			m.say("listening")
			m.hear(secondLine)
			m.say("good morning, once more") // in the middle of set-up
			m.welcome()
			r.expect("modem is up")
			elapse(3 * time.Second) // no frame from before is offered again
			synctest.Wait()
			if len(m.in) != 0 {
				t.Errorf("the modem was told %q", <-m.in)
			}
			if s := r.Stats(); s.Restarts != 2 || s.Opens != 1 || total(s) != 0 {
				t.Errorf("stats %+v, want two restarts on the one stream", s)
			}
			m.hear(beatLine) // the heart beats again
		})
	}
}

func TestLinesModemThatFallsOverItsSetUpIsGivenUp(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r, m, _ := linedUp(t, unchanged)
		began := time.Now()
		ended := make(chan struct{})
		defer func() { <-ended }()
		go func() {
			defer close(ended)
			m.say("good morning, weak supply")
			for range m.in {
				m.say("listening", "good morning, weak supply")
				elapse(300 * time.Millisecond) // its start takes that long
			}
		}()
		r.expect("modem is down")
		if took := time.Since(began); took != 10*time.Second {
			t.Errorf("given up after %v, want 10s", took)
		}
	})
}

func TestLinesFramesInEveryPhase(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		o, ends := linedOptions(t, unchanged)
		r := start(t, o)
		m := <-ends
		n := 0
		frame := func() { n++; m.say(fmt.Sprintf("heard %02x of 1", n)) }
		frame()
		m.hear(firstLine)
		frame()
		m.say("listening")
		frame()
		m.hear(secondLine)
		m.say("whispering")
		m.hear(beatLine)
		m.say("still here")
		frame()
		r.expect("modem is up") // before that nothing is sent
		sent := sender(r, context.Background(), "\x01")
		m.hear("please say 01 of 1")
		frame()
		m.say("somebody is talking")
		frame()
		m.hear("please say 01 of 1")
		frame()
		m.say("said")
		<-sent
		for range 50 {
			frame()
		}
		m.conn.Close()
		for i := 1; i <= n; i++ {
			if got := r.packet(); int(got.Frame[0]) != i {
				t.Errorf("frame %d, want %d", got.Frame[0], i)
			}
		}
	})
}

func TestLinesBadFramesAreCounted(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r, m, _ := linedUp(t, unchanged)
		m.say("heard 0a0 of 1", "heard 0a0b of 3", "heard xx of 1", "heard "+strings.Repeat("0a", 256)+" of 256", "heard "+strings.Repeat("0a", 3000)+" of 3000",
			"nothing to do with it", "heard 0a of 1")
		if p := r.packet(); string(p.Frame) != "\x0a" {
			t.Errorf("packet %+v, want 0a", p)
		}
		if s := r.Stats(); s.Text.BadPayload != 4 || s.Text.Overflow != 1 || s.Stray != 1 || s.Frames != 1 || s.Text.Lines != 3+6 {
			t.Errorf("stats %+v, want 4 bad payloads, 1 overflow, 1 stray, 9 lines", s)
		}
	})
}

func TestLinesTooLongForTheModem(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r, m, _ := linedUp(t, func(c *lines.Config) { c.Send.Longest = 64 })
		var refused *RefusedError
		if err := r.Send(context.Background(), "", make([]byte, 65)); !errors.As(err, &refused) || refused.Reason != ReasonTooLong {
			t.Errorf("Send of 65 bytes = %v, want it refused as too long", err)
		}
		if len(m.in) != 0 {
			t.Errorf("the modem was told %q", <-m.in)
		}
	})
}

func TestLinesOptions(t *testing.T) {
	d := talkerDialect(t, "hex", func(c *lines.Config) { c.Send = nil })
	o := Options{Open: func(context.Context) (io.ReadWriteCloser, error) { return nil, io.EOF }, Lines: d}
	if err := o.Check(); err != nil {
		t.Errorf("Check of a modem that only receives = %v, want nil", err)
	}
	o.Permit = permitAll
	if err := o.Check(); err == nil || !strings.Contains(err.Error(), "Permit") {
		t.Errorf("Check with Permit and no line for it = %v, want an error that names it", err)
	}
	slow := talkerDialect(t, "hex", func(c *lines.Config) {
		c.Initialise[0].Timeout = lines.Duration(20 * time.Second)
		c.Heartbeat.Every = lines.Duration(5 * time.Minute)
		c.Reset = &lines.Reset{Reopen: true, Silence: lines.Duration(4 * time.Minute)}
	})
	o = Options{Lines: slow}.withDefaults()
	if o.HelloTimeout != 66*time.Second || o.Heartbeat != time.Minute {
		t.Errorf("set-up may take %v, hearts beat each %v; want 66s and 1m", o.HelloTimeout, o.Heartbeat)
	}
}

// chopped hands on what is written in pieces of one size, each in a write of its own.
type chopped struct {
	io.ReadWriteCloser
	size int
}

func (c chopped) Write(b []byte) (n int, err error) {
	for len(b) > 0 {
		m, err := c.ReadWriteCloser.Write(b[:min(c.size, len(b))])
		if n += m; err != nil {
			return n, err
		}
		b = b[m:]
	}
	return n, nil
}

// TestLinesInPieces: lines that come in pieces of every size, over a real tty, with sends in between.
func TestLinesInPieces(t *testing.T) {
	for _, encoding := range []string{"hex", "quoted", "raw"} {
		t.Run(encoding, func(t *testing.T) {
			l := newTTY(t, linedSpeech(t, encoding))
			r := start(t, l.quick())
			for size := 1; size <= 48; size++ {
				d := &chopper{twin: l.twin(DeviceOptions{Transmit: new(air).transmit}), size: size}
				l.plug(d)
				r.expect("modem is up")
				sent := make(chan error, 1)
				go func() { sent <- r.Send(context.Background(), "", []byte{byte(size)}) }()
				for i := range 3 {
					want := []byte{byte(size), '\n', '"', byte(i)}
					if err := d.Receive(want, -100.25, 5.25, 0); err != nil {
						t.Fatalf("Receive = %v", err)
					}
					if p := r.packet(); !bytes.Equal(p.Frame, want) || p.RSSI != -100.25 || p.SNR != 5.25 {
						t.Errorf("in pieces of %d: %+v, want % x", size, p, want)
					}
				}
				if err := <-sent; err != nil {
					t.Errorf("in pieces of %d: Send = %v", size, err)
				}
				l.pull()
				r.expect("modem is down")
			}
			if s := r.Stats(); s.Text.BadPayload+s.Text.Cut+s.Text.Overflow != 0 {
				t.Errorf("stats %+v, want no trouble", s)
			}
		})
	}
}

// chopper is a twin whose words come in pieces.
type chopper struct {
	twin
	size int
}

func (c *chopper) Serve(ctx context.Context, rw io.ReadWriteCloser) error {
	return c.twin.Serve(ctx, chopped{rw, c.size})
}
