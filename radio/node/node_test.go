package node

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"longlane/proto"
)

func TestConfigRefusals(t *testing.T) {
	for want, change := range map[string]func(*Config){
		"Node":               func(c *Config) { c.Node = 240 },
		"CheckIn":            func(c *Config) { c.CheckIn = 13 * time.Hour },
		"HopsLeft":           func(c *Config) { c.HopsLeft = 16 },
		"ReceiptWait":        func(c *Config) { c.ReceiptWait = time.Minute },
		"BlockedAfter":       func(c *Config) { c.BlockedAfter = -1 },
		"ChatterLimit":       func(c *Config) { c.ChatterLimit = -1 },
		"GroupKey":           func(c *Config) { c.GroupKey = []byte{1} },
		"LowBattery":         func(c *Config) { c.LowBattery = -1 },
		"Inputs[1].Number":   func(c *Config) { c.Inputs = []InputConfig{{}, {}} },
		"Inputs[0].Number":   func(c *Config) { c.Inputs = []InputConfig{{Number: 16}} },
		"Inputs[0].Debounce": func(c *Config) { c.Inputs = []InputConfig{{Debounce: time.Hour}} },
		"Inputs[0].MinDwell": func(c *Config) { c.Inputs = []InputConfig{{MinDwell: time.Millisecond}} },
	} {
		c := Config{Site: testSite, Node: testNode, Key: nodeKey(t, 1)}
		change(&c)
		_, err := New(c, FirstSaved(), 0)
		var e *ConfigError
		if !errors.As(err, &e) || e.Name != want {
			t.Errorf("New with a wrong %s: %v", want, err)
		}
	}
	if _, err := New(Config{Node: 1, Key: []byte{1}}, nil, 0); err == nil || !strings.Contains(err.Error(), "Key") {
		t.Errorf("New with a key of one byte: %v", err)
	}
}

func TestSavedRefusesDamage(t *testing.T) {
	s := Saved{MayHold: true, Starts: 5, Event: 65, CheckIn: 129, Group: 1, HeldFrom: 60, Lost: 7,
		Settings: proto.Settings{Version: 1, MinDwell: 2, Period: 3}}
	good, _ := s.MarshalBinary()
	var back Saved
	if err := back.UnmarshalBinary(good); err != nil || back != s {
		t.Fatalf("%+v came back as %+v, %v", s, back, err)
	}
	for i := range len(good) * 8 {
		bad := bytes.Clone(good)
		bad[i/8] ^= 1 << (i % 8)
		if err := back.UnmarshalBinary(bad); err == nil {
			t.Errorf("bit %d changed was not noticed", i)
		}
	}
	for n := range good {
		if err := back.UnmarshalBinary(good[:n]); err == nil {
			t.Errorf("%d of %d bytes were accepted", n, len(good))
		}
	}
}

func FuzzSaved(f *testing.F) {
	f.Add(FirstSaved())
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, b []byte) {
		var s Saved
		if s.UnmarshalBinary(b) != nil {
			return
		}
		if back, _ := s.MarshalBinary(); !bytes.Equal(back, b) {
			t.Errorf("%x was read as %+v and written as %x", b, s, back)
		}
	})
}

func testCard(t testing.TB) Card {
	t.Helper()
	c := Card{Site: testSite, Node: testNode, Gen: 1, Name: "river-gate", GroupGen: 1}
	copy(c.Key[:], nodeKey(t, 1))
	copy(c.GroupKey[:], bytes.Repeat([]byte{0xab}, proto.KeySize))
	return c
}

func TestCard(t *testing.T) {
	c := testCard(t)
	b, err := c.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	if back, err := ParseCard(b); err != nil || back != c {
		t.Fatalf("%s came back as %v, %v", b, back, err)
	}
	text := string(b)
	for want, bad := range map[string]string{
		"no JSON object":         "[]",
		"site: found nothing":    strings.Replace(text, `"site":4711,`, "", 1),
		"twice":                  strings.Replace(text, `"site":4711`, `"site":4711,"site":4711`, 1),
		`"Site"`:                 strings.Replace(text, `"site"`, `"Site"`, 1),
		"1 to 239":               strings.Replace(text, `"node":7`, `"node":240`, 1),
		"whole number":           strings.Replace(text, `"site":4711`, `"site":"4711"`, 1),
		"0 to 255":               strings.Replace(text, `"generation":1`, `"generation":1.5`, 1),
		"node: found null":       strings.Replace(text, `"node":7`, `"node":null`, 1),
		"longlane_card: found 2": strings.Replace(text, `"longlane_card":1`, `"longlane_card":2`, 1),
		"printable":              strings.Replace(text, `river-gate`, `river\u0000gate`, 1),
		"64 hex digits":          strings.Replace(text, `"key":"`, `"key":"0`, 1),
		"group_key":              strings.Replace(text, `abab`, `zzzz`, 1),
		"breaks off":             strings.TrimSuffix(text, "}"),
		"after the card":         text + "{}",
	} {
		_, err := ParseCard([]byte(bad))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("ParseCard(%s) = %v, want an error with %q", bad, err, want)
		}
	}
	if _, err := (Card{Name: "x"}).Marshal(); err == nil {
		t.Error("a card of node 0 was written")
	}
}

// TestCardKeepsItsKeys: however it is printed.
func TestCardKeepsItsKeys(t *testing.T) {
	c := testCard(t)
	for _, s := range []string{c.String(), c.GoString(), c.LogValue().String()} {
		if strings.Contains(s, "abab") || strings.Contains(s, "171") {
			t.Errorf("%q shows a key", s)
		}
	}
	b, _ := c.Marshal()
	_, err := ParseCard(bytes.Replace(b, []byte("abab"), []byte("ab"), 1))
	if err == nil || strings.Contains(err.Error(), "abab") {
		t.Errorf("the error %v shows a key", err)
	}
}

func FuzzCard(f *testing.F) {
	b, err := testCard(f).Marshal()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add([]byte(`{"longlane_card":1}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		c, err := ParseCard(b)
		if err != nil {
			return
		}
		again, err := c.Marshal()
		if err != nil {
			t.Fatalf("%s was read and cannot be written: %v", b, err)
		}
		if back, err := ParseCard(again); err != nil || back != c {
			t.Errorf("%s was read, written as %s, and read as %v, %v", b, again, back, err)
		}
	})
}

// TestSameSeedSameNode: nothing but time, inputs and seed decides.
func TestSameSeedSameNode(t *testing.T) {
	run := func() (frames [][]byte) {
		b := newBench(t, Config{Inputs: []InputConfig{{}}, Seed: 9, CheckIn: time.Minute})
		for range 50 {
			b.edge(0, true)
			b.until(b.now + time.Second)
			b.edge(0, false)
			b.until(b.now + 7*time.Second)
		}
		for _, f := range b.sent {
			frames = append(frames, f.raw.Append(nil))
		}
		return frames
	}
	a, b := run(), run()
	if len(a) != len(b) || len(a) < 50 {
		t.Fatalf("two runs sent %d and %d frames", len(a), len(b))
	}
	for i := range a {
		if !bytes.Equal(a[i], b[i]) {
			t.Fatalf("frame %d differs: %x and %x", i, a[i], b[i])
		}
	}
}

// TestLostDriver: a driver that never reports a transmission's end does not silence the node.
func TestLostDriver(t *testing.T) {
	b := newBench(t, Config{Inputs: []InputConfig{{}}})
	b.until(10 * time.Second)
	b.edge(0, true)
	b.until(b.now + 80*time.Millisecond)
	n := len(b.sent)
	b.txEnd = never // the report is lost
	b.until(b.now + 3*time.Minute)
	if len(b.sent) == n {
		t.Error("the node sent nothing more in 3 min after a report was lost")
	}
}

// TestNewTripGoesFirst: before retries, and without waiting for the receipt of what was sent before it.
func TestNewTripGoesFirst(t *testing.T) {
	b := newBench(t, Config{Inputs: []InputConfig{{}, {Number: 1}}, CheckIn: 12 * time.Hour})
	for range 20 { // something to retry
		b.edge(0, true)
		b.until(b.now + time.Second)
		b.edge(0, false)
		b.until(b.now + time.Second)
	}
	for range 50 {
		b.until(b.now + 1700*time.Millisecond)
		at := b.now
		b.edge(1, true)
		b.until(b.now + 500*time.Millisecond)
		opening := b.n.contact(1).opening
		first := slices.IndexFunc(b.sent, func(f sent) bool { return f.full == opening && f.raw.Type == proto.TypeTripOpened })
		if first < 0 || b.sent[first].at-at > DefaultMinDwell+b.airtime {
			t.Fatalf("the contact closed at %v, and its trip did not go within the dwell and one frame", at)
		}
		b.edge(1, false)
	}
}

// TestCheckInThatProves: a receipt that asks, and gives a node its first time, is followed by one more check-in at once,
// with that time in it; the next receipt that asks by none.
func TestCheckInThatProves(t *testing.T) {
	b := newBench(t, Config{CheckIn: time.Hour})
	ask := func() {
		f := b.lastSent()
		h, r := b.receiptFor(proto.TypeCheckInReceipt, f.full, 0)
		r.Confirm = true
		b.receive(b.sealed(h, r))
	}
	for len(b.sent) == 0 {
		b.until(b.now + 100*time.Millisecond)
	}
	first := b.lastSent()
	if got := first.body.(*proto.CheckIn); got.Sent.Known() || len(b.sent) != 1 {
		t.Fatalf("at its start %d frames, the last %+v; want one check-in without time", len(b.sent), got)
	}
	ask()
	b.until(b.now + 300*time.Millisecond)
	if len(b.sent) != 2 {
		t.Fatalf("300 ms after the receipt %d frames in all, want 2", len(b.sent))
	}
	if got := b.lastSent().body.(*proto.CheckIn); !got.Sent.Known() || got.Confirms {
		t.Errorf("the second check-in is %+v, want one with time that confirms nothing", got)
	}
	ask()
	b.until(b.now + time.Minute)
	if len(b.sent) != 2 {
		t.Errorf("a minute after the second receipt %d frames in all, want 2", len(b.sent))
	}
}

// TestBusyFrameKeepsNoOldAge: a frame that found the channel in use has never left, so it is sealed anew when it does, and its age is
// right; one that has left goes again byte for byte.
func TestBusyFrameKeepsNoOldAge(t *testing.T) {
	c := Config{Inputs: []InputConfig{{}}, Seed: 3, Site: testSite, Node: testNode, Gen: 1, Key: nodeKey(t, 1)}
	n, err := New(c, FirstSaved(), 0)
	if err != nil {
		t.Fatal(err)
	}
	var frames []Transmit
	now := 10 * time.Second
	var step func(Input)
	step = func(in Input) {
		out, _ := n.Step(now, in)
		for _, o := range out {
			switch o := o.(type) {
			case Persist:
				step(Stored{})
			case Transmit:
				if o.Type.Event() {
					frames = append(frames, o)
				} else {
					step(TxDone{})
				}
			}
		}
	}
	step(Edge{0, true})
	for len(frames) == 0 {
		now += 10 * time.Millisecond
		step(nil)
	}
	for len(frames) < 4 { // busy, busy, sent, and once more since nobody shows to have it
		step(TxDone{Failed: len(frames) < 3, Busy: len(frames) < 3})
		for had := len(frames); len(frames) == had; {
			now += 10 * time.Millisecond
			step(nil)
		}
	}
	age := func(tx Transmit) time.Duration {
		raw, err := proto.Parse(tx.Frame)
		if err != nil {
			t.Fatal(err)
		}
		if raw.Attempt != 0 {
			t.Errorf("attempt %d, want 0", raw.Attempt)
		}
		b, err := raw.Open(keysOf(t, c.Key), tx.Counter)
		if err != nil {
			t.Fatal(err)
		}
		return b.(*proto.TripOpened).Age.Duration()
	}
	if a, b := age(frames[0]), age(frames[2]); b <= a {
		t.Errorf("ages %v at first and %v when it was sent", a, b)
	}
	if !bytes.Equal(frames[2].Frame, frames[3].Frame) {
		t.Errorf("what was sent came again as %x, was %x", frames[3].Frame, frames[2].Frame)
	}
}

// TestTestTrip: a test is an opening and its end, both marked on the air, whatever the contact does meanwhile; and it is kept and
// released like a visit, also once it is too old for the short frames.
func TestTestTrip(t *testing.T) {
	s := newStation(t, 1, Config{Inputs: []InputConfig{{Number: 3}, {Number: 4, NormallyClosed: true}}})
	s.until(time.Minute)
	s.step(Edge{Input: 3, Closed: true})
	s.step(TestTrip{Input: 4})
	s.step(TestTrip{Input: 5}) // it has none
	s.until(s.now + time.Second)
	inputs := func() (list []proto.Input) {
		for _, f := range s.take() {
			raw, err := proto.Parse(f.frame)
			if err != nil {
				t.Fatal(err)
			}
			body, err := raw.Open(keysOf(t, s.cfg.Key), raw.Counter)
			if err != nil {
				t.Fatal(err)
			}
			switch b := body.(type) {
			case *proto.TripOpened:
				list = append(list, b.Input)
			case *proto.TripClosed:
				list = append(list, b.Input)
				if b.Dwell != 0 || b.Opened != 1 {
					t.Errorf("the test's end tells dwell %v, opening %d before", b.Dwell, b.Opened)
				}
			case *proto.TripHeld:
				list = append(list, b.Input)
			}
		}
		return list
	}
	seen := map[proto.Input]int{}
	s.until(s.now + 20*time.Second)
	for _, in := range inputs() {
		seen[in]++
	}
	test, visit := proto.Input{Number: 4, Normally: true, Test: true}, proto.Input{Number: 3, Active: true}
	if seen[test] < 2 || seen[visit] == 0 || len(seen) != 2 {
		t.Errorf("on the air: %+v, want the test's two frames and the visit's", seen)
	}
	if n := s.n.Held(); n != 3 {
		t.Errorf("%d events are held, want 3", n)
	}
	s.until(s.now + 3*time.Hour)
	s.take()
	s.until(s.now + time.Hour)
	wide := s.last(proto.TypeTripHeld)
	if old := inputs(); !slices.Contains(old, test) || wide == nil {
		t.Errorf("after hours it goes as %+v, wide %v", old, wide)
	}
	tests := 0
	for _, o := range s.seen {
		if o.What == Made && o.Test {
			tests++
		}
	}
	if tests != 2 {
		t.Errorf("%d test events were observed, want 2", tests)
	}
}
