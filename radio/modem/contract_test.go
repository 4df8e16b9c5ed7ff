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
	"sync"
	"testing"
	"time"

	"longlane/radio"
	"longlane/radio/serialport"
)

// line is a way between a host and a Device that can be unplugged: a pipe in virtual time, or a real tty. The same tests
// run over both.
type line struct {
	open func(context.Context) (io.ReadWriteCloser, error)
	plug func(*Device) // connects the device, which has just been switched on
	pull func()        // disconnects it, and waits until the device has noticed
}

// newPipe is a line of net.Pipe, which must be made in a synctest bubble.
func newPipe(t *testing.T) *line {
	var mu sync.Mutex
	var device *Device
	var ends []net.Conn
	var serving sync.WaitGroup
	l := &line{}
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
	l.plug = func(d *Device) {
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
func newTTY(t *testing.T) *line {
	link := filepath.Join(t.TempDir(), "modem")
	var pty *serialport.Pty
	var serving sync.WaitGroup
	l := &line{}
	l.open = func(context.Context) (io.ReadWriteCloser, error) {
		return serialport.Open(serialport.Options{Path: link})
	}
	l.plug = func(d *Device) {
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
	for name, test := range contract {
		bubble(t, name, func(t *testing.T) { test(t, newPipe(t)) })
	}
}

func TestContractOverTTY(t *testing.T) {
	for name, test := range contract {
		t.Run(name, func(t *testing.T) { test(t, newTTY(t)) })
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
	return Options{Open: l.open, Transmit: true, BackoffMin: 5 * time.Millisecond, BackoffMax: 20 * time.Millisecond,
		Retry: 200 * time.Millisecond, SendTimeout: time.Minute}
}

func contractFrames(t *testing.T, l *line) {
	var mu sync.Mutex
	var aired [][]byte
	d := NewDevice(DeviceOptions{Firmware: "twin", Transmit: func(frame []byte) (time.Duration, error) {
		mu.Lock()
		defer mu.Unlock()
		aired = append(aired, frame)
		switch len(aired) % 3 {
		case 1:
			return 164300 * time.Microsecond, nil
		case 2:
			return 0, fmt.Errorf("listen before talk: %w", ErrBusy)
		}
		return 0, errors.New("no antenna")
	}})
	l.plug(d)
	r := start(t, l.quick())
	r.expect("firmware=twin")
	if p, ok := d.Parameters(); !ok || p != testParameters {
		t.Errorf("the device has parameters %+v, %v; want %+v", p, ok, testParameters)
	}
	for size := 1; size <= radio.MaxFrame; size++ {
		frame := bytes.Repeat([]byte{byte(size)}, size)
		frame[size/2] = 0
		if err := d.Receive(frame, -100.25, float64(size)/4-20, float64(-size)); err != nil {
			t.Fatalf("Receive(%d bytes) = %v", size, err)
		}
		p := r.packet()
		if !bytes.Equal(p.Frame, frame) || p.RSSI != -100.25 || p.SNR != float64(size)/4-20 || p.FreqErr != float64(-size) || !p.Measured {
			t.Errorf("frame of %d bytes came as %+v", size, p)
		}
	}
	frame := make([]byte, 256)
	for i := range frame {
		frame[i] = byte(i)
	}
	report, err := r.SendReported(context.Background(), frame[:255])
	if want := (Report{14, 165 * time.Millisecond}); err != nil || report != want {
		t.Errorf("SendReported = %+v, %v; want %+v, nil", report, err, want)
	}
	if err := r.Send(context.Background(), "", frame[1:]); !errors.Is(err, ErrBusy) {
		t.Errorf("Send on a busy channel = %v, want %v", err, ErrBusy)
	}
	var refused *RefusedError
	if err := r.Send(context.Background(), "", frame[7:9]); !errors.As(err, &refused) || refused.Text != "no antenna" {
		t.Errorf("Send without an antenna = %v, want it refused in the device's words", err)
	}
	mu.Lock()
	defer mu.Unlock()
	if len(aired) != 3 || !bytes.Equal(aired[0], frame[:255]) || !bytes.Equal(aired[1], frame[1:]) || !bytes.Equal(aired[2], frame[7:9]) {
		t.Errorf("the frames on the air are not those that were sent: % x", aired)
	}
	if s := r.Stats(); s.Line.Stuffing+s.Line.Length+s.Line.CRC+s.Line.Overflow+s.BadBody+s.UnknownType != 0 {
		t.Errorf("trouble on a good line: %+v", s)
	}
}

func contractRestart(t *testing.T, l *line) {
	d := NewDevice(DeviceOptions{})
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
		d := NewDevice(DeviceOptions{})
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
	l.plug(NewDevice(DeviceOptions{Accept: func(Parameters) (Reason, string) { return ReasonPower, "at most 10 dBm" }}))
	r := start(t, l.quick())
	r.expect(`refused its parameters: power "at most 10 dBm"`)
	if r.Up() {
		t.Error("up with refused parameters")
	}
	l.pull()
	l.plug(NewDevice(DeviceOptions{}))
	r.expect("modem is up")
}

func contractDeaf(t *testing.T, l *line) {
	d := NewDevice(DeviceOptions{})
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
	d := NewDevice(DeviceOptions{})
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
	l := newTTY(t)
	r := start(t, l.quick())
	r.expect("reason=open")
	var next uint32 // number of the next frame from the air
	frame := func() []byte {
		next++
		return binary.BigEndian.AppendUint32([]byte("trip"), next)
	}
	cycle := func(i int) {
		d := NewDevice(DeviceOptions{Transmit: func([]byte) (time.Duration, error) { return time.Millisecond, nil }})
		l.plug(d)
		r.expect("modem is up")
		for range 10 {
			want := frame()
			if err := d.Receive(want, -90, 5, 0); err != nil {
				t.Fatalf("cycle %d: Receive = %v", i, err)
			}
			if got := r.packet().Frame; !bytes.Equal(got, want) {
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
	for i := range 50 {
		cycle(1 + i)
	}
	// A frame cut by the unplug may count as broken; nothing else may.
	if s := r.Stats(); s.Ups != 51 || s.BadBody+s.UnknownType != 0 {
		t.Errorf("stats %+v, want 51 times up", s)
	}
	for deadline := time.Now().Add(patience); ; runtime.Gosched() {
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
