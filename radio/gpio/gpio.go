// Package gpio watches, or sets, one line of a GPIO chip through the kernel's character device, second version of its interface
// (Linux 5.10 and later; linux/gpio.h, whose names stand in the comments). The kernel dates each edge.
//
// Of the libraries for this, those that can be had do not hand on the kernel's timestamps; and a trip's dwell is reckoned from them.
package gpio

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Bias is what the chip's own resistor does to the line.
type Bias uint8

// The biases.
const (
	AsIs Bias = iota // whatever it is
	PullUp
	PullDown
	NoBias
)

// Options say which line to watch, and how.
type Options struct {
	Chip      string // its device, such as /dev/gpiochip0
	Line      int    // its offset in the chip, from 0
	ActiveLow bool   // low voltage is active
	Bias      Bias
}

// Edge is a change of the line.
type Edge struct {
	Active bool          // the line is active since then
	At     time.Duration // CLOCK_MONOTONIC
}

// Line is an input that is watched. One goroutine may call Active and Read; Close may be called from another.
type Line struct {
	f    *os.File
	name string
}

// Numbers and layouts of linux/gpio.h, in the byte order of the machine.
const (
	getLine   = 0xc250b407 // GPIO_V2_GET_LINE_IOCTL
	getValues = 0xc010b40e // GPIO_V2_LINE_GET_VALUES_IOCTL
	setValues = 0xc010b40f // GPIO_V2_LINE_SET_VALUES_IOCTL

	flagActiveLow = 1 << 1
	flagInput     = 1 << 2
	flagOutput    = 1 << 3
	flagRising    = 1 << 4
	flagFalling   = 1 << 5
	flagPullUp    = 1 << 8
	flagPullDown  = 1 << 9
	flagNoBias    = 1 << 10

	// struct gpio_v2_line_request
	requestSize     = 592
	requestConsumer = 256 // 32 bytes; what comes before are the offsets of up to 64 lines
	requestFlags    = 288 // the first field of config
	requestNumAttrs = 296 // of config
	requestAttr     = 320 // the first of config's attributes: id, padding, value, and the mask of lines that have it
	requestNumLines = 560
	requestBuffer   = 564
	requestFD       = 588
	maxConsumer     = 31

	// struct gpio_v2_line_event
	eventSize = 48
	eventID   = 8
	rising    = 1 // GPIO_V2_LINE_EVENT_RISING_EDGE

	attrOutputValues = 2 // GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES

	// buffered is how many edges the kernel keeps for us. A fuller buffer loses the oldest, never the newest: the position
	// that is read last is right.
	buffered = 256
)

// request is a struct gpio_v2_line_request.
func request(o Options) (b [requestSize]byte) {
	e := binary.NativeEndian
	e.PutUint32(b[0:], uint32(o.Line))
	copy(b[requestConsumer:requestConsumer+maxConsumer], "longlane")
	flags := uint64(flagInput | flagRising | flagFalling)
	if o.ActiveLow {
		flags |= flagActiveLow
	}
	e.PutUint64(b[requestFlags:], flags|[...]uint64{AsIs: 0, PullUp: flagPullUp, PullDown: flagPullDown, NoBias: flagNoBias}[o.Bias])
	e.PutUint32(b[requestNumLines:], 1)
	e.PutUint32(b[requestBuffer:], buffered)
	return b
}

// outputRequest is a struct gpio_v2_line_request for an output, which stands so from the moment that it is one.
func outputRequest(o Options, active bool) (b [requestSize]byte) {
	b = request(o)
	e := binary.NativeEndian
	e.PutUint64(b[requestFlags:], e.Uint64(b[requestFlags:])&^(flagInput|flagRising|flagFalling)|flagOutput)
	e.PutUint32(b[requestBuffer:], 0)
	e.PutUint32(b[requestNumAttrs:], 1)
	e.PutUint32(b[requestAttr:], attrOutputValues)
	if active {
		e.PutUint64(b[requestAttr+8:], 1)
	}
	e.PutUint64(b[requestAttr+16:], 1)
	return b
}

// edges are the whole events in b.
func edges(b []byte) (list []Edge) {
	for ; len(b) >= eventSize; b = b[eventSize:] {
		list = append(list, Edge{binary.NativeEndian.Uint32(b[eventID:]) == rising, time.Duration(binary.NativeEndian.Uint64(b))})
	}
	return list
}

// Open asks the kernel for the line, which nobody else may have then. The error says what can be done about it.
func Open(o Options) (*Line, error) { return open(o, request(o)) }

func open(o Options, r [requestSize]byte) (*Line, error) {
	name := fmt.Sprintf("%s line %d", o.Chip, o.Line)
	chip, err := os.OpenFile(o.Chip, os.O_RDWR, 0)
	if err != nil {
		return nil, fmt.Errorf("open %s: %w%s", name, err, advice(err))
	}
	defer chip.Close()
	if err := ioctl(chip, getLine, unsafe.Pointer(&r)); err != nil {
		return nil, fmt.Errorf("open %s: %w%s", name, err, advice(err))
	}
	f, err := pollable(int(int32(binary.NativeEndian.Uint32(r[requestFD:]))), name)
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", name, err)
	}
	return &Line{f, name}, nil
}

func pollable(fd int, name string) (*os.File, error) {
	unix.CloseOnExec(fd)
	if err := unix.SetNonblock(fd, true); err != nil {
		unix.Close(fd)
		return nil, err
	}
	return os.NewFile(uintptr(fd), name), nil
}

func advice(err error) string {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "; `gpiodetect`, or ls /dev/gpiochip*, lists the chips of this board"
	case errors.Is(err, fs.ErrPermission):
		return "; add the user to the group that owns the device (on many boards: gpio)"
	case errors.Is(err, unix.EBUSY):
		return "; another program or driver holds this line"
	case errors.Is(err, unix.EINVAL):
		return "; the chip has no such line, or cannot do what is asked of it: try another bias"
	case errors.Is(err, unix.ENOTTY):
		return "; this is no GPIO chip, or the kernel is older than 5.10"
	}
	return ""
}

// Active reads the line as it is now.
func (l *Line) Active() (bool, error) {
	var v [16]byte // struct gpio_v2_line_values: bits, mask
	binary.NativeEndian.PutUint64(v[8:], 1)
	if err := ioctl(l.f, getValues, unsafe.Pointer(&v)); err != nil {
		return false, fmt.Errorf("read %s: %w", l.name, err)
	}
	return binary.NativeEndian.Uint64(v[:])&1 == 1, nil
}

// Read waits for edges, and gives those that have come, oldest first. After Close the error wraps os.ErrClosed.
func (l *Line) Read() ([]Edge, error) {
	var b [16 * eventSize]byte
	n, err := l.f.Read(b[:])
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", l.name, err)
	}
	return edges(b[:n]), nil // the kernel gives whole events only
}

// Close gives the line back. A Read that waits returns.
func (l *Line) Close() error { return l.f.Close() }

// Output is a line that is set. It is not safe for concurrent use.
type Output struct{ line *Line }

// OpenOutput asks the kernel for the line, and sets it. The error says what can be done about it.
//
// What becomes of a line that is closed, or whose process has died, the kernel does not promise: by the chip's driver it stays as it
// was, or becomes an input.
func OpenOutput(o Options, active bool) (*Output, error) {
	l, err := open(o, outputRequest(o, active))
	if err != nil {
		return nil, err
	}
	return &Output{l}, nil
}

// Set sets the line.
func (o *Output) Set(active bool) error {
	var v [16]byte // struct gpio_v2_line_values: bits, mask
	if active {
		binary.NativeEndian.PutUint64(v[:], 1)
	}
	binary.NativeEndian.PutUint64(v[8:], 1)
	if err := ioctl(o.line.f, setValues, unsafe.Pointer(&v)); err != nil {
		return fmt.Errorf("set %s: %w", o.line.name, err)
	}
	return nil
}

// Close gives the line back.
func (o *Output) Close() error { return o.line.Close() }

// Chips are the devices of the board's GPIO chips.
func Chips() []string {
	var list []string
	dir, _ := os.ReadDir("/dev")
	for _, e := range dir {
		if strings.HasPrefix(e.Name(), "gpiochip") {
			list = append(list, "/dev/"+e.Name())
		}
	}
	return list
}

// ioctl calls the kernel with the descriptor of f without taking f out of the runtime's poller, as Fd would.
var ioctl = func(f *os.File, number uint, arg unsafe.Pointer) error {
	raw, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var errno unix.Errno
	err = raw.Control(func(fd uintptr) {
		_, _, errno = unix.Syscall(unix.SYS_IOCTL, fd, uintptr(number), uintptr(arg))
	})
	if err == nil && errno != 0 {
		err = errno
	}
	return err
}
