package airtime

import (
	"testing"
	"time"

	"longlane/radio"
)

// start is a start of the gateway with modems at these devices, and gives what of the hour is used at each.
func (b *bench) start(ran bool, devices ...string) (used []time.Duration) {
	b.t.Helper()
	r := OpenRegister(b.disk, devices, ran)
	for _, d := range devices {
		b.o.Device, b.o.Register = d, r
		b.open()
		used = append(used, b.k.Used())
	}
	if err := r.Save(); err != nil {
		b.t.Fatal(err)
	}
	return used
}

// send uses up nearly all that the last modem of the start may send.
func (b *bench) send() {
	for {
		settle, err := b.k.Permit(frame(33))
		b.k.writes.Wait() // it looks at the clock, which the test moves
		if err != nil {
			return
		}
		settle(radio.Sent, 0)
	}
}

// TestModemAtAnotherDevice: the hour belongs to the modem, not to the name that it has in the config.
func TestModemAtAnotherDevice(t *testing.T) {
	b := newBench(t)
	full := b.k.Budget()
	expect := func(what string, got []time.Duration, want ...bool) {
		t.Helper()
		for i, used := range got {
			if (used > full*9/10) != want[i] || !want[i] && used != 0 {
				t.Errorf("%s: modem %d has used %v of %v, want all: %v", what, i, used, full, want[i])
			}
		}
	}
	expect("first start", b.start(false, "a"), false)
	expect("second start, nothing sent", b.start(true, "a"), false)
	b.send()
	expect("killed", b.start(true, "a"), true)
	expect("another modem beside it", b.start(true, "a", "b"), true, false)
	expect("swapped lines of the config", b.start(true, "b", "a"), false, true)
	expect("the full one named anew", b.start(true, "b", "c"), false, true)
	expect("and back, after a start without it", append(b.start(true, "b"), b.start(true, "a", "b")...), false, true, false)
	expect("no modem may send", b.start(true))
	expect("one may again: which of two it is nobody knows", b.start(true, "d"), true)
	expect("one more, truly new", b.start(true, "d", "e"), true, false)
	delete(b.disk.values, ledgerName("e"))
	expect("a ledger is gone", b.start(true, "d", "e"), true, true)
	b.disk.values = map[string][]byte{}
	expect("all is gone", b.start(true, "d"), true)
	b.disk.values[registerName] = []byte("nonsense")
	expect("the list is damaged", b.start(true, "d", "f"), true, true)
	b.now += 2 * time.Hour
	expect("two hours later", b.start(true, "g", "f"), false, false)
}
