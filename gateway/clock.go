package gateway

import (
	"encoding/hex"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// Clock is what the machine knows of time. A gateway without a battery clock starts in 1970 (or at whatever its system
// saved last), in the very outage it exists for, so wall time is never trusted unless Set says so; ages are reckoned
// from Mono, which runs on through suspension and is right within one boot.
type Clock struct {
	Wall func() time.Time
	Mono func() time.Duration // since boot, suspension included
	Boot [16]byte             // names the boot
	Set  func() bool          // the wall clock has been put right
}

// notBefore is a wall time that every clock that has been set is past.
var notBefore = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// SystemClock is this machine's clock (Linux).
func SystemClock() (Clock, error) {
	text, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return Clock{}, fmt.Errorf("read boot id: %w", err)
	}
	id, err := hex.DecodeString(strings.ReplaceAll(strings.TrimSpace(string(text)), "-", ""))
	if err != nil || len(id) != 16 {
		return Clock{}, fmt.Errorf("read boot id: %q is not one", text)
	}
	return Clock{Wall: time.Now, Mono: bootTime, Boot: [16]byte(id), Set: systemClockSet}, nil
}

func bootTime() time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts); err != nil {
		panic(err) // Linux has had it since 2.6.39
	}
	return time.Duration(ts.Nano())
}

// systemClockSet reports whether the wall clock can be believed: the kernel says that something disciplines it, or a
// battery clock agrees with it within a minute. A system that restores a saved time at boot has neither.
func systemClockSet() bool {
	now := time.Now()
	if now.Before(notBefore) {
		return false
	}
	var tx unix.Timex
	if _, err := unix.Adjtimex(&tx); err == nil && tx.Status&unix.STA_UNSYNC == 0 {
		return true
	}
	text, err := os.ReadFile("/sys/class/rtc/rtc0/since_epoch")
	if err != nil {
		return false
	}
	rtc, err := strconv.ParseInt(strings.TrimSpace(string(text)), 10, 64)
	return err == nil && now.Sub(time.Unix(rtc, 0)).Abs() < time.Minute
}

// quality names the state of the clock on the wire to the house.
func (c Clock) quality() string {
	if c.Set() {
		return "set"
	}
	return "unset"
}

// Reception is what was known when a frame came in.
type Reception struct {
	Boot     [16]byte
	Mono     time.Duration
	Wall     time.Time
	Set      bool // the wall clock was set
	Bearer   string
	Measured bool // RSSI and SNR are measured
	RSSI     float64
	SNR      float64
}

// When is where an event stands in time, as far as can be said now.
type When struct {
	Time      time.Time // zero if it cannot be known
	Clock     string    // "set", "unset", or "earlier boot": why Time is or is not known
	Age       time.Duration
	AgeKnown  bool
	Mono      time.Duration // on this boot's clock; valid if SameBoot
	SameBoot  bool
	Corrected bool // received with the clock unset, put right since
}

// when places an event that happened before, ago, its reception.
func (c Clock) when(rx Reception, ago time.Duration) When {
	set := c.Set()
	if rx.Boot == c.Boot {
		w := When{Mono: rx.Mono - ago, SameBoot: true, AgeKnown: true, Clock: "unset"}
		w.Age = max(c.Mono()-w.Mono, 0)
		if set {
			w.Time, w.Clock, w.Corrected = c.Wall().Add(-w.Age), "set", !rx.Set
		}
		return w
	}
	if !rx.Set {
		return When{Clock: "earlier boot"} // nothing ties that boot's clock to any other: age unknown, hence old
	}
	w := When{Time: rx.Wall.Add(-ago), Clock: "set"}
	// It was before this boot. If the clocks say otherwise, one of them was wrong then or is now: nothing is known.
	if age := c.Wall().Sub(w.Time); set && age >= c.Mono() {
		w.Age, w.AgeKnown = age, true
	}
	return w
}
