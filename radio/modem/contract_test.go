package modem

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"longlane/radio"
	"longlane/radio/serialport"
)

// twin is a modem's own end, whatever it speaks.
type twin interface {
	Serve(context.Context, io.ReadWriteCloser) error
	Receive(frame []byte, rssi, snr, freqErr float64) error
	Restart()
	SetDeaf(bool)
}

// speech is what host and twin speak. The same tests run with each.
type speech struct {
	name  string
	host  func(*Options)
	twin  func(DeviceOptions) twin
	set   func(twin) bool // whether the host has set its radio rightly
	tells bool            // it tells power, airtime and frequency errors
}

var framedSpeech = speech{
	name: "framed",
	host: func(o *Options) { o.Parameters = testParameters },
	twin: func(o DeviceOptions) twin { return NewDevice(o) },
	set: func(d twin) bool {
		p, ok := d.(*Device).Parameters()
		return ok && p == testParameters
	},
	tells: true,
}

// speeches are the framed dialect, and the line dialect with each encoding of payloads.
func speeches(t *testing.T) []speech {
	all := []speech{framedSpeech}
	for _, encoding := range []string{"hex", "hex-upper", "base64", "quoted", "raw"} {
		all = append(all, linedSpeech(t, encoding))
	}
	return all
}

// line is a way between a host and a twin that can be unplugged: a pipe in virtual time, or a real tty. The same tests
// run over both.
type line struct {
	speech
	open func(context.Context) (io.ReadWriteCloser, error)
	plug func(twin) // connects the device, which has just been switched on
	pull func()     // disconnects it, and waits until the device has noticed
}

// newPipe is a line of net.Pipe, which must be made in a synctest bubble.
func newPipe(t *testing.T, speaks speech) *line {
	var mu sync.Mutex
	var device twin
	var ends []net.Conn
	var serving sync.WaitGroup
	l := &line{speech: speaks}
	l.open = func(context.Context) (io.ReadWriteCloser, error) {
		mu.Lock()
		defer mu.Unlock()
		if device == nil {
			return nil, errors.New("not plugged in")
		}
		host, end := net.Pipe()
		ends = append(ends, end)
		d := device
		serving.Go(func() { d.Serve(context.Background(), end) })
		return host, nil
	}
	l.plug = func(d twin) {
		mu.Lock()
		defer mu.Unlock()
		device = d
	}
	l.pull = func() {
		mu.Lock()
		device = nil
		for _, end := range ends {
			end.Close()
		}
		ends = nil
		mu.Unlock()
		serving.Wait()
	}
	t.Cleanup(l.pull)
	return l
}

// newTTY is a line of a pseudoterminal behind a link, opened by serialport.
func newTTY(t *testing.T, speaks speech) *line {
	link := filepath.Join(t.TempDir(), "modem")
	var pty *serialport.Pty
	var serving sync.WaitGroup
	l := &line{speech: speaks}
	l.open = func(context.Context) (io.ReadWriteCloser, error) {
		return serialport.Open(serialport.Options{Path: link})
	}
	l.plug = func(d twin) {
		p, err := serialport.NewPty(link)
		if err != nil {
			t.Fatalf("plug in: %v", err)
		}
		pty = p
		serving.Go(func() { d.Serve(context.Background(), p) })
	}
	l.pull = func() {
		if pty != nil {
			pty.HangUp()
			serving.Wait()
		}
		pty = nil
	}
	t.Cleanup(l.pull)
	return l
}

func TestContractOverPipe(t *testing.T) {
	for _, speaks := range speeches(t) {
		for name, test := range contract {
			bubble(t, speaks.name+"/"+name, func(t *testing.T) { test(t, newPipe(t, speaks)) })
		}
	}
}

// TestContractOverTTY takes real time, so of the encodings, which differ in how frames are told, it tries that alone.
func TestContractOverTTY(t *testing.T) {
	for i, speaks := range speeches(t) {
		for name, test := range contract {
			if i > 1 && name != "frames both ways" {
				continue
			}
			t.Run(speaks.name+"/"+name, func(t *testing.T) { test(t, newTTY(t, speaks)) })
		}
	}
}

var contract = map[string]func(*testing.T, *line){
	"frames both ways":      contractFrames,
	"restart":               contractRestart,
	"unplug and replug":     contractReplug,
	"refused, then changed": contractRefused,
	"deaf":                  contractDeaf,
	"host comes and goes":   contractHosts,
}

// quick waits little before reopening, as befits a line that is pulled on purpose.
func (l *line) quick() Options {
	o := Options{Open: l.open, Permit: permitAll, BackoffMin: 5 * time.Millisecond, BackoffMax: 20 * time.Millisecond,
		Retry: 200 * time.Millisecond, SendTimeout: time.Minute}
	l.host(&o)
	return o
}

// air is the channel that a twin sends on: what a frame's first byte is decides what becomes of it.
type air struct {
	mu    sync.Mutex
	aired [][]byte
	busy  int // times that a frame was refused because somebody was talking
}

func (a *air) transmit(frame []byte) (time.Duration, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	switch {
	case frame[0] == 'b' && a.busy < 2:
		a.busy++
		return 0, fmt.Errorf("listen before talk: %w", ErrBusy)
	case frame[0] == 'n':
		return 0, errors.New("no antenna")
	}
	a.aired = append(a.aired, frame)
	return 164300 * time.Microsecond, nil
}

func contractFrames(t *testing.T, l *line) {
	var a air
	d := l.twin(DeviceOptions{Firmware: "twin", Transmit: a.transmit})
	l.plug(d)
	r := start(t, l.quick())
	r.expect("modem is up")
	if !l.set(d) {
		t.Errorf("the radio is not set as the host was told")
	}
	for size := 1; size <= radio.MaxFrame; size++ {
		frame := bytes.Repeat([]byte{byte(size)}, size)
		frame[size/2] = 0
		if err := d.Receive(frame, -100.25, float64(size)/4-20, float64(-size)); err != nil {
			t.Fatalf("Receive(%d bytes) = %v", size, err)
		}
		p := r.packet()
		freqErr := float64(-size)
		if !l.tells {
			freqErr = 0
		}
		if !bytes.Equal(p.Frame, frame) || p.RSSI != -100.25 || p.SNR != float64(size)/4-20 || p.FreqErr != freqErr || !p.Measured || p.Bearer != "barn" {
			t.Errorf("frame of %d bytes came as %+v", size, p)
		}
	}
	contractSends(t, l, r, &a)
	// One answer may be too many: a modem that has just started is told the first line again.
	if s := r.Stats(); s.Line.Stuffing+s.Line.Length+s.Line.CRC+s.Line.Overflow+s.BadBody+s.UnknownType+
		s.Text.BadPayload+s.Text.Overflow+s.Text.Cut != 0 || s.Busy != 2 || s.Stray > 1 || s.Frames != radio.MaxFrame {
		t.Errorf("trouble on a good line: %+v", s)
	}
}

func contractSends(t *testing.T, l *line, r *rig, a *air) {
	want := Report{}
	if l.tells {
		want = Report{14, 165 * time.Millisecond}
	}
	frame := make([]byte, 256)
	for i := range frame {
		frame[i] = byte(i)
	}
	for _, f := range [][]byte{frame[:255], {0}, {'\n'}, []byte("said\r\n"), frame[0x70:]} {
		if report, err := r.SendReported(context.Background(), f); err != nil || report != want {
			t.Errorf("SendReported = %+v, %v; want %+v, nil", report, err, want)
		}
	}
	// A framed modem leaves it to its host's owner to try again; one that speaks lines is asked again until it has sent.
	for range 3 {
		if err := r.Send(context.Background(), "", []byte("busy")); err == nil {
			break
		} else if !l.tells || !errors.Is(err, ErrBusy) {
			t.Errorf("Send on a busy channel = %v, want %v of a framed modem alone", err, ErrBusy)
		}
	}
	var refused *RefusedError
	if err := r.Send(context.Background(), "", []byte("no")); !errors.As(err, &refused) || refused.Text != "no antenna" {
		t.Errorf("Send without an antenna = %v, want it refused in the device's words", err)
	}
	if err := r.Send(context.Background(), "", frame[1:]); err != nil {
		t.Errorf("Send after a refusal = %v, want nil", err)
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if got, want := fmt.Sprintf("%x", a.aired), fmt.Sprintf("%x", [][]byte{frame[:255], {0}, {'\n'}, []byte("said\r\n"), frame[0x70:], []byte("busy"), frame[1:]}); got != want {
		t.Errorf("the frames on the air are %s\nwant %s", got, want)
	}
}

func contractRestart(t *testing.T, l *line) {
	d := l.twin(DeviceOptions{})
	l.plug(d)
	r := start(t, l.quick())
	for i := range 5 {
		r.expect("modem is up")
		if err := d.Receive([]byte{byte(i)}, -90, 5, 0); err != nil {
			t.Fatalf("Receive = %v", err)
		}
		if got := r.packet().Frame[0]; got != byte(i) {
			t.Errorf("frame %d, want %d", got, i)
		}
		d.Restart()
	}
	r.expect("modem is up")
	if s := r.Stats(); s.Restarts != 5 || s.Opens != 1 {
		t.Errorf("stats %+v, want 5 restarts on one stream", s)
	}
}

func contractReplug(t *testing.T, l *line) {
	r := start(t, l.quick())
	r.expect("reason=open")
	for i := range 5 {
		d := l.twin(DeviceOptions{})
		l.plug(d)
		r.expect("modem is up")
		if err := d.Receive([]byte{byte(i)}, -90, 5, 0); err != nil {
			t.Fatalf("Receive = %v", err)
		}
		if got := r.packet().Frame[0]; got != byte(i) {
			t.Errorf("frame %d, want %d", got, i)
		}
		l.pull()
		r.expect("modem is down")
		if err := r.Send(context.Background(), "", []byte("x")); !errors.Is(err, radio.ErrDown) {
			t.Errorf("Send while unplugged = %v, want %v", err, radio.ErrDown)
		}
	}
}

func contractRefused(t *testing.T, l *line) {
	l.plug(l.twin(DeviceOptions{Accept: func(Parameters) (Reason, string) { return ReasonPower, "at most 10 dBm" }}))
	r := start(t, l.quick())
	if said := r.expect("reason=refused"); !strings.Contains(said, `"at most 10 dBm"`) {
		t.Errorf("logged %q, want the device's words", said)
	}
	if r.Up() {
		t.Error("up with refused parameters")
	}
	l.pull()
	l.plug(l.twin(DeviceOptions{}))
	r.expect("modem is up")
}

func contractDeaf(t *testing.T, l *line) {
	d := l.twin(DeviceOptions{})
	l.plug(d)
	o := l.quick()
	o.Heartbeat = time.Second
	r := start(t, o)
	r.expect("modem is up")
	d.SetDeaf(true)
	r.expect("reason=deaf")
	d.SetDeaf(false)
	r.expect("modem is up")
}

func contractHosts(t *testing.T, l *line) {
	d := l.twin(DeviceOptions{})
	l.plug(d)
	for i := range 5 {
		r := start(t, l.quick())
		r.expect("modem is up")
		if err := d.Receive([]byte{byte(i)}, -90, 5, 0); err != nil {
			t.Fatalf("Receive = %v", err)
		}
		for r.packet().Frame[0] != byte(i) { // frames from while no host was there may have waited in the line
		}
		r.stop()
		d.Receive([]byte{0xFF}, -90, 5, 0) // lost, or waits: either is right
	}
}

// The port comes back by itself after each of 50 unplugs in the middle of traffic, and nothing is left of the lost ones.
func TestFiftyUnplugs(t *testing.T) {
	for _, speaks := range []speech{framedSpeech, linedSpeech(t, "hex"), linedSpeech(t, "raw")} {
		t.Run(speaks.name, func(t *testing.T) { unplugs(t, newTTY(t, speaks), 50, 10) })
	}
}

// Ten thousand hang-ups of ttys with frames in flight, four ttys at a time: each port comes back, every time.
func TestTenThousandUnplugs(t *testing.T) {
	before := census()
	t.Run("ttys", func(t *testing.T) {
		for i := range 4 {
			t.Run(fmt.Sprint(i), func(t *testing.T) {
				t.Parallel()
				unplugs(t, newTTY(t, framedSpeech), 2500, 1)
			})
		}
	})
	for deadline := time.Now().Add(patience); ; runtime.Gosched() {
		after := census()
		if after[0] <= before[0]+4 && after[1] <= before[1]+4 { // what the runtime opens and starts once and for all
			break
		}
		if time.Now().After(deadline) {
			t.Fatalf("open files and goroutines: %v before, %v after", before, after)
		}
	}
}

// unplugs counts what is left behind only if it is alone in the process.
func unplugs(t *testing.T, l *line, times, frames int) {
	r := start(t, l.quick())
	r.expect("reason=open")
	var next uint32 // number of the next frame from the air
	frame := func() []byte {
		next++
		return binary.BigEndian.AppendUint32([]byte("trip"), next)
	}
	cycle := func(i int) {
		d := l.twin(DeviceOptions{Transmit: func([]byte) (time.Duration, error) { return time.Millisecond, nil }})
		l.plug(d)
		r.expect("modem is up")
		for range frames {
			want := frame()
			if err := d.Receive(want, -90, 5, 0); err != nil {
				t.Fatalf("cycle %d: Receive = %v", i, err)
			}
			got := r.packet().Frame
			for bytes.Compare(got, want) < 0 && len(got) == len(want) { // the last of the tty that is gone, read by who opened it again in its last moment
				got = r.packet().Frame
			}
			if !bytes.Equal(got, want) {
				t.Fatalf("cycle %d: frame % x, want % x", i, got, want)
			}
		}
		if err := r.Send(context.Background(), "", []byte("receipt")); err != nil {
			t.Fatalf("cycle %d: Send = %v", i, err)
		}
		flood := make(chan struct{})
		go func() { // until the device notices that it is unplugged
			defer close(flood)
			for {
				if err := d.Receive(frame(), -90, 5, 0); errors.Is(err, ErrNoHost) {
					return
				}
				runtime.Gosched()
			}
		}()
		last := r.packet().Frame // the flood has begun to arrive
		l.pull()
		<-flood
		r.expect("modem is down")
		for len(r.packets) > 0 {
			p := r.packet()
			if len(p.Frame) != 8 || bytes.Compare(p.Frame, last) <= 0 {
				t.Fatalf("cycle %d: frame % x after % x", i, p.Frame, last)
			}
			last = p.Frame
		}
	}
	cycle(0) // what the runtime opens and starts once and for all is there after this
	before := census()
	for i := range times {
		cycle(1 + i)
	}
	// A frame cut by the unplug may count as broken; nothing else may.
	if s := r.Stats(); s.Ups != uint64(times)+1 || s.BadBody+s.UnknownType != 0 {
		t.Errorf("stats %+v, want %d times up", s, times+1)
	}
	alone := times == 50
	for deadline := time.Now().Add(patience); alone; runtime.Gosched() {
		after := census()
		if after[0] <= before[0] && after[1] <= before[1] {
			break
		}
		if time.Now().After(deadline) {
			buf := make([]byte, 1<<20)
			t.Fatalf("open files and goroutines: %v after one cycle, %v after 51\n%s", before, after, buf[:runtime.Stack(buf, true)])
		}
	}
	if n := serialport.Abandoned(); n != 0 {
		t.Errorf("%d ports abandoned, want 0", n)
	}
}

// census counts this process's open files and goroutines.
func census() [2]int {
	files, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		panic(err)
	}
	return [2]int{len(files), runtime.NumGoroutine()}
}
