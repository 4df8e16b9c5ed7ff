package modem

import (
	"bufio"
	"context"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"longlane/radio/modem/lines"
)

// talker is a modem that speaks lines of plain English, made up for these tests: the line dialect's twin of Device. It
// shares no code with package lines.
//
//	host                               modem
//	                                   good morning, hill radio        (it has started)
//	please listen on 868100000         listening
//	please whisper at 14               whispering | i will not, REASON
//	please say PAYLOAD of 3            said | somebody is talking | i will not, REASON
//	are you there                      still here
//	please start over                  good morning, hill radio
//	                                   heard PAYLOAD of 3 at -10025, clarity 525
//
// With raw payloads "raw" stands in the place of PAYLOAD, and the bytes follow after the line.
type talker struct {
	encoding string
	o        DeviceOptions

	mu        sync.Mutex // protects what follows
	out       chan []byte
	listening bool
	setUp     bool
	deaf      bool
}

func linedSpeech(t *testing.T, encoding string) speech {
	d := talkerDialect(t, encoding, func(*lines.Config) {})
	return speech{
		name: encoding,
		host: func(o *Options) { o.Lines = d },
		twin: func(o DeviceOptions) twin { return &talker{encoding: encoding, o: o} },
		set: func(d twin) bool {
			k := d.(*talker)
			k.mu.Lock()
			defer k.mu.Unlock()
			return k.setUp
		},
	}
}

// talkerConfig is how the talker's words stand in a config.
func talkerConfig(encoding string) lines.Config {
	var c lines.Config
	c.SetDefaults()
	c.Restarted = `good morning.*|tell me what to do first`
	c.Busy = `somebody is talking`
	c.Error = `i will not, (?P<reason>.*)`
	c.Initialise = []lines.Step{
		{Line: "please listen on {frequency}", Reply: "listening", Timeout: lines.Duration(time.Second)},
		{Line: "please whisper at {power}", Reply: "whispering", Timeout: lines.Duration(time.Second)},
	}
	payload, told := `(?P<payload>\S+|".*")`, "{payload}"
	if encoding == "raw" {
		payload, told = "raw", "raw"
	}
	c.Receive = lines.Receive{Pattern: "heard " + payload + ` of (?P<length>\d+)(?: at (?P<rssi>\S+), clarity (?P<snr>\S+))?`,
		Payload: encoding, RSSIScale: 0.01, SNRScale: 0.01}
	c.Send = &lines.Send{Line: "please say " + told + " of {length}", Payload: encoding, OK: "said", Longest: 255}
	c.Heartbeat = &lines.Heartbeat{Line: "are you there", Reply: "still here", Every: lines.Duration(30 * time.Second), Timeout: lines.Duration(time.Second)}
	return c
}

func talkerDialect(t testing.TB, encoding string, change func(*lines.Config)) *lines.Dialect {
	t.Helper()
	c := talkerConfig(encoding)
	change(&c)
	d, err := c.Compile(lines.Radio{"frequency": 868100000, "power": 14})
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func (k *talker) Serve(ctx context.Context, rw io.ReadWriteCloser) error {
	out := make(chan []byte, deviceQueue)
	k.mu.Lock()
	k.out = out
	k.mu.Unlock()
	done := make(chan struct{})
	var writing sync.WaitGroup
	writing.Go(func() {
		for {
			select {
			case b := <-out:
				if _, err := rw.Write(b); err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
					rw.Close()
					return
				}
			case <-done:
				return
			}
		}
	})
	stop := context.AfterFunc(ctx, func() { rw.Close() })
	defer stop()
	k.tell("good morning, hill radio\r\n")
	err := k.listen(rw)
	k.mu.Lock()
	k.out = nil
	k.mu.Unlock()
	close(done)
	rw.Close()
	writing.Wait()
	return err
}

func (k *talker) tell(s string) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.out == nil {
		return ErrNoHost
	}
	select {
	case k.out <- []byte(s):
		return nil
	default:
		return ErrSlowHost
	}
}

var sayLine = regexp.MustCompile(`^please say (.+) of (\d+)$`)

func (k *talker) listen(r io.Reader) error {
	in := bufio.NewReader(r)
	for {
		line, err := in.ReadString('\n')
		if err != nil {
			return err
		}
		line = strings.TrimRight(line, "\r\n")
		say := sayLine.FindStringSubmatch(line)
		if say != nil && say[1] == "raw" {
			n, _ := strconv.Atoi(say[2])
			b := make([]byte, n)
			if _, err := io.ReadFull(in, b); err != nil {
				return err
			}
			say[1] = string(b)
		}
		k.obey(line, say)
	}
}

func (k *talker) obey(line string, say []string) {
	k.mu.Lock()
	listening, setUp, deaf := k.listening, k.setUp, k.deaf
	k.mu.Unlock()
	switch {
	case line == "please listen on 868100000":
		k.mu.Lock()
		k.listening = true
		k.mu.Unlock()
		k.tell("listening\r\n")
	case line == "please whisper at 14" && listening:
		if k.o.Accept != nil {
			if reason, text := k.o.Accept(Parameters{}); reason != ReasonNone {
				k.tell("i will not, " + text + "\r\n")
				return
			}
		}
		k.mu.Lock()
		k.setUp = true
		k.mu.Unlock()
		k.tell("whispering\r\n")
	case line == "are you there":
		if !deaf {
			k.tell("still here\r\n")
		}
	case line == "please start over":
		k.Restart()
	case say != nil && setUp:
		k.say(say[1], say[2])
	default:
		k.tell("tell me what to do first\r\n")
	}
}

func (k *talker) say(payload, length string) {
	frame, err := k.decode(payload)
	if err != nil || strconv.Itoa(len(frame)) != length {
		k.tell(fmt.Sprintf("i will not, %q of %s makes no sense: %v\r\n", payload, length, err))
		return
	}
	switch _, err := k.o.Transmit(frame); {
	case err == nil:
		k.tell("said\r\n")
	case errors.Is(err, ErrBusy):
		k.tell("somebody is talking\r\n")
	default:
		k.tell("i will not, " + err.Error() + "\r\n")
	}
}

func (k *talker) decode(payload string) ([]byte, error) {
	switch k.encoding {
	case "hex", "hex-upper":
		if upper := strings.ToUpper(payload) == payload; strings.ContainsAny(payload, "abcdefABCDEF") && upper != (k.encoding == "hex-upper") {
			return nil, errors.New("wrong case")
		}
		return hex.DecodeString(payload)
	case "base64":
		return base64.StdEncoding.DecodeString(payload)
	case "quoted":
		s, err := strconv.Unquote(payload) // Go's own quoting knows all of ours
		return []byte(s), err
	}
	return []byte(payload), nil
}

func (k *talker) encode(frame []byte) string {
	switch k.encoding {
	case "hex":
		return hex.EncodeToString(frame)
	case "hex-upper":
		return strings.ToUpper(hex.EncodeToString(frame))
	case "base64":
		return base64.StdEncoding.EncodeToString(frame)
	case "quoted":
		var b strings.Builder
		for _, c := range frame {
			switch {
			case c == '"' || c == '\\':
				b.WriteString(`\` + string(rune(c)))
			case c < 0x20 || c > 0x7E:
				fmt.Fprintf(&b, `\x%02x`, c)
			default:
				b.WriteByte(c)
			}
		}
		return `"` + b.String() + `"`
	}
	return "raw"
}

func (k *talker) Receive(frame []byte, rssi, snr, _ float64) error {
	k.mu.Lock()
	setUp := k.setUp
	k.mu.Unlock()
	if !setUp {
		return ErrNotSetUp
	}
	line := fmt.Sprintf("heard %s of %d at %.0f, clarity %.0f\r\n", k.encode(frame), len(frame), rssi*100, snr*100)
	if k.encoding == "raw" {
		line += string(frame) + "\r\n"
	}
	return k.tell(line)
}

func (k *talker) Restart() {
	k.mu.Lock()
	k.listening, k.setUp = false, false
	k.mu.Unlock()
	k.tell("good morning, hill radio\r\n")
}

func (k *talker) SetDeaf(deaf bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.deaf = deaf
}
