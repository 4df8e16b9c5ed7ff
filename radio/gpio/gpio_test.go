package gpio

import (
	"compress/gzip"
	"encoding/binary"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// TestHeader: numbers and layouts are those of the kernel's own header, as a C compiler sees it.
func TestHeader(t *testing.T) {
	cc, err := exec.LookPath("cc")
	if err != nil {
		t.Fatalf("%v; it comes with: make setup", err)
	}
	var b strings.Builder
	b.WriteString("#include <linux/gpio.h>\n#include <stddef.h>\n")
	for _, c := range []struct {
		c    string
		ours uint64
	}{
		{"GPIO_V2_GET_LINE_IOCTL", getLine}, {"GPIO_V2_LINE_GET_VALUES_IOCTL", getValues},
		{"GPIO_V2_LINE_SET_VALUES_IOCTL", setValues}, {"GPIO_V2_LINE_FLAG_OUTPUT", flagOutput},
		{"offsetof(struct gpio_v2_line_request, config) + offsetof(struct gpio_v2_line_config, num_attrs)", requestNumAttrs},
		{"offsetof(struct gpio_v2_line_request, config) + offsetof(struct gpio_v2_line_config, attrs)", requestAttr},
		{"offsetof(struct gpio_v2_line_config_attribute, attr) + offsetof(struct gpio_v2_line_attribute, id)", 0},
		{"offsetof(struct gpio_v2_line_attribute, values)", 8}, {"offsetof(struct gpio_v2_line_config_attribute, mask)", 16},
		{"GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES", attrOutputValues},
		{"GPIO_V2_LINE_FLAG_ACTIVE_LOW", flagActiveLow}, {"GPIO_V2_LINE_FLAG_INPUT", flagInput},
		{"GPIO_V2_LINE_FLAG_EDGE_RISING", flagRising}, {"GPIO_V2_LINE_FLAG_EDGE_FALLING", flagFalling},
		{"GPIO_V2_LINE_FLAG_BIAS_PULL_UP", flagPullUp}, {"GPIO_V2_LINE_FLAG_BIAS_PULL_DOWN", flagPullDown},
		{"GPIO_V2_LINE_FLAG_BIAS_DISABLED", flagNoBias},
		{"sizeof(struct gpio_v2_line_request)", requestSize},
		{"offsetof(struct gpio_v2_line_request, consumer)", requestConsumer},
		{"offsetof(struct gpio_v2_line_request, config) + offsetof(struct gpio_v2_line_config, flags)", requestFlags},
		{"offsetof(struct gpio_v2_line_request, num_lines)", requestNumLines},
		{"offsetof(struct gpio_v2_line_request, event_buffer_size)", requestBuffer},
		{"offsetof(struct gpio_v2_line_request, fd)", requestFD},
		{"GPIO_MAX_NAME_SIZE - 1", maxConsumer},
		{"sizeof(struct gpio_v2_line_event)", eventSize}, {"offsetof(struct gpio_v2_line_event, id)", eventID},
		{"offsetof(struct gpio_v2_line_event, timestamp_ns)", 0}, {"GPIO_V2_LINE_EVENT_RISING_EDGE", rising},
		{"sizeof(struct gpio_v2_line_values)", 16}, {"offsetof(struct gpio_v2_line_values, mask)", 8},
	} {
		b.WriteString("_Static_assert((" + c.c + ") == " + strconv.FormatUint(c.ours, 10) + "ull, \"" + c.c + "\");\n")
	}
	path := filepath.Join(t.TempDir(), "header.c")
	if err := os.WriteFile(path, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(cc, "-fsyntax-only", path).CombinedOutput(); err != nil {
		t.Errorf("the kernel's header says otherwise: %v\n%s", err, out)
	}
}

// twin stands in for the kernel: it answers the two calls, and its edges come through a pipe.
type twin struct {
	request [requestSize]byte
	active  bool
	edges   *os.File
	errno   error
	set     []uint64 // bits and masks that the line was set to
}

func newTwin(t *testing.T) (*twin, string) {
	k := &twin{}
	real := ioctl
	t.Cleanup(func() { ioctl = real })
	ioctl = func(_ *os.File, number uint, arg unsafe.Pointer) error {
		switch {
		case k.errno != nil:
			return k.errno
		case number == getLine:
			b := (*[requestSize]byte)(arg)
			k.request = *b
			r, w, err := os.Pipe()
			if err != nil {
				return err
			}
			defer r.Close()
			fd, err := unix.Dup(int(r.Fd()))
			k.edges = w
			binary.NativeEndian.PutUint32(b[requestFD:], uint32(fd))
			return err
		case number == setValues:
			b := (*[16]byte)(arg)
			k.set = append(k.set, binary.NativeEndian.Uint64(b[:]), binary.NativeEndian.Uint64(b[8:]))
		case number == getValues && k.active:
			binary.NativeEndian.PutUint64((*[16]byte)(arg)[:], 1)
		}
		return nil
	}
	chip := filepath.Join(t.TempDir(), "gpiochip0")
	if err := os.WriteFile(chip, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	return k, chip
}

func (k *twin) edge(t *testing.T, id uint32, at time.Duration) {
	var b [eventSize]byte
	binary.NativeEndian.PutUint64(b[:], uint64(at))
	binary.NativeEndian.PutUint32(b[eventID:], id)
	if _, err := k.edges.Write(b[:]); err != nil {
		t.Fatal(err)
	}
}

// TestLine: what is asked of the kernel, and what its edges become.
func TestLine(t *testing.T) {
	k, chip := newTwin(t)
	k.active = true
	l, err := Open(Options{Chip: chip, Line: 17, ActiveLow: true, Bias: PullUp})
	if err != nil {
		t.Fatal(err)
	}
	e := binary.NativeEndian
	if got := e.Uint64(k.request[requestFlags:]); got != 0x136 { // active low, input, both edges, pull-up
		t.Errorf("flags %#x, want 0x136", got)
	}
	if e.Uint32(k.request[:]) != 17 || e.Uint32(k.request[requestNumLines:]) != 1 || !strings.HasPrefix(string(k.request[requestConsumer:]), "longlane\x00") {
		t.Errorf("the request is not for line 17 alone: % x", k.request)
	}
	if active, err := l.Active(); !active || err != nil {
		t.Errorf("Active() = %v, %v", active, err)
	}
	k.edge(t, 1, 5*time.Second)
	k.edge(t, 2, 6*time.Second)
	got, err := l.Read()
	want := []Edge{{true, 5 * time.Second}, {false, 6 * time.Second}}
	if err != nil || len(got) != 2 || got[0] != want[0] || got[1] != want[1] {
		t.Errorf("Read() = %v, %v, want %v", got, err, want)
	}
	done := make(chan error)
	go func() {
		_, err := l.Read()
		done <- err
	}()
	l.Close()
	if err := <-done; !errors.Is(err, os.ErrClosed) {
		t.Errorf("a Read over a Close: %v", err)
	}
}

// TestOutput: what is asked of the kernel for an output: no edges, and its position from the first moment on.
func TestOutput(t *testing.T) {
	k, chip := newTwin(t)
	for _, active := range []bool{true, false} {
		o, err := OpenOutput(Options{Chip: chip, Line: 22, ActiveLow: true}, active)
		if err != nil {
			t.Fatal(err)
		}
		e, value := binary.NativeEndian, uint64(0)
		if active {
			value = 1
		}
		if got := e.Uint64(k.request[requestFlags:]); got != 0xa { // active low, output
			t.Errorf("flags %#x, want 0xa", got)
		}
		if e.Uint32(k.request[:]) != 22 || e.Uint32(k.request[requestNumLines:]) != 1 || e.Uint32(k.request[requestNumAttrs:]) != 1 ||
			e.Uint32(k.request[requestAttr:]) != 2 || e.Uint64(k.request[requestAttr+8:]) != value || e.Uint64(k.request[requestAttr+16:]) != 1 {
			t.Errorf("active %v: the request is % x", active, k.request)
		}
		k.set = nil
		if err := errors.Join(o.Set(true), o.Set(false), o.Close()); err != nil || len(k.set) != 4 || k.set[0] != 1 || k.set[1] != 1 || k.set[2] != 0 || k.set[3] != 1 {
			t.Errorf("set on and off: %v, %v", k.set, err)
		}
	}
	k.errno = unix.EBUSY
	if _, err := OpenOutput(Options{Chip: chip, Line: 22}, false); err == nil || !strings.Contains(err.Error(), "another program") {
		t.Errorf("a line that is in use: %v", err)
	}
}

// TestOpenErrors: each says what to do.
func TestOpenErrors(t *testing.T) {
	k, chip := newTwin(t)
	for err, want := range map[error]string{unix.EBUSY: "another program or driver", unix.EINVAL: "no such line", unix.ENOTTY: "no GPIO chip"} {
		k.errno = err
		if _, got := Open(Options{Chip: chip, Line: 3}); got == nil || !strings.Contains(got.Error(), want) || !strings.Contains(got.Error(), "line 3") {
			t.Errorf("%v: %v, want words with %q", err, got, want)
		}
	}
	if _, got := Open(Options{Chip: chip + "9"}); got == nil || !strings.Contains(got.Error(), "lists the chips") {
		t.Errorf("no such chip: %v", got)
	}
}

// impossible tells why no simulated pin can be had on this machine by this user, whatever one installs; "" if it can.
func impossible() string {
	var name unix.Utsname
	if err := unix.Uname(&name); err != nil {
		return ""
	}
	release := unix.ByteSliceToString(name.Release[:])
	known := false // built in, or a module
	for _, list := range []string{"modules.builtin", "modules.dep"} {
		b, _ := os.ReadFile(filepath.Join("/lib/modules", release, list))
		known = known || strings.Contains(string(b), "/gpio-sim.ko")
	}
	if f, err := os.Open("/proc/config.gz"); err == nil { // what the kernel itself says, where it does
		defer f.Close()
		if z, err := gzip.NewReader(f); err == nil {
			b, _ := io.ReadAll(z)
			known = known || strings.Contains(string(b), "\nCONFIG_GPIO_SIM=")
		}
	}
	if _, err := os.Stat("/sys/kernel/config/gpio-sim"); err != nil && !known {
		return "the kernel " + release + " was built without CONFIG_GPIO_SIM: it has no simulated pins, neither built in nor as a module"
	}
	if os.Geteuid() != 0 && exec.Command("sudo", "-n", "true").Run() != nil {
		return "only root may make the kernel simulate pins; this is user " + strconv.Itoa(os.Geteuid()) + ", and sudo asks for a password or is not there"
	}
	return ""
}

// TestKernel watches a line of the kernel's simulated chip (gpio-sim), whose level is set by a file.
func TestKernel(t *testing.T) {
	if why := impossible(); why != "" {
		t.Skip("NOT RUN, and impossible here: " + why)
	}
	if os.Geteuid() != 0 {
		if out, err := exec.Command("sudo", "-n", os.Args[0], "-test.run", "^TestKernel$", "-test.v").CombinedOutput(); err != nil || !strings.Contains(string(out), "--- PASS: TestKernel") {
			t.Errorf("as root: %v\n%s", err, out)
		}
		return
	}
	const configfs = "/sys/kernel/config/gpio-sim"
	if _, err := os.Stat(configfs); err != nil {
		for _, line := range [][]string{{"modprobe", "gpio-sim"}, {"mountpoint", "-q", "/sys/kernel/config"}} {
			if out, err := exec.Command(line[0], line[1:]...).CombinedOutput(); err != nil {
				t.Fatalf("%v: %v\n%s", line, err, out)
			}
		}
	}
	if err := os.MkdirAll(configfs+"/longlane/bank0", 0o755); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		os.WriteFile(configfs+"/longlane/live", []byte("0"), 0)
		os.Remove(configfs + "/longlane/bank0")
		os.Remove(configfs + "/longlane")
	})
	if err := os.WriteFile(configfs+"/longlane/bank0/num_lines", []byte("4"), 0); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(configfs+"/longlane/live", []byte("1"), 0); err != nil {
		t.Fatal(err)
	}
	name := func(file string) string {
		b, err := os.ReadFile(filepath.Join(configfs, "longlane", file))
		if err != nil {
			t.Fatal(err)
		}
		return strings.TrimSpace(string(b))
	}
	chip := name("bank0/chip_name")
	pull := filepath.Join("/sys/devices/platform", name("dev_name"), chip, "sim_gpio2/pull")
	set := func(level string) {
		if err := os.WriteFile(pull, []byte(level), 0); err != nil {
			t.Fatal(err)
		}
	}
	set("pull-up")
	l, err := Open(Options{Chip: "/dev/" + chip, Line: 2, ActiveLow: true})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if active, err := l.Active(); active || err != nil {
		t.Errorf("high, active low: Active() = %v, %v", active, err)
	}
	set("pull-down")
	got, err := l.Read()
	if err != nil || len(got) != 1 || !got[0].Active || got[0].At <= 0 {
		t.Errorf("after a falling edge, active low: %v, %v", got, err)
	}
	if _, err := Open(Options{Chip: "/dev/" + chip, Line: 2}); !errors.Is(err, unix.EBUSY) {
		t.Errorf("a second Open: %v", err)
	}
	o, err := OpenOutput(Options{Chip: "/dev/" + chip, Line: 1}, true)
	if err != nil {
		t.Fatal(err)
	}
	defer o.Close()
	value := func() string {
		b, err := os.ReadFile(filepath.Join(filepath.Dir(filepath.Dir(pull)), "sim_gpio1/value"))
		if err != nil {
			t.Fatal(err)
		}
		return strings.TrimSpace(string(b))
	}
	if got := value(); got != "1" {
		t.Errorf("an output that begins active is %s", got)
	}
	if err := o.Set(false); err != nil || value() != "0" {
		t.Errorf("set to inactive: %v, it is %s", err, value())
	}
}
