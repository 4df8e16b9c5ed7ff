package node

import (
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"longlane/proto"
)

var update = flag.Bool("update", false, "write what the nodes do into testdata/*.txt")

// TestTranscripts runs the scripts of testdata. A line that is not indented is an order, at a time, to the bench; the
// indented lines below it are what the node did until the next. A script opens with a sentence of purpose.
func TestTranscripts(t *testing.T) {
	files, err := filepath.Glob("testdata/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatalf("found %d transcripts in testdata (%v), expected some", len(files), err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txt"), func(t *testing.T) {
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			got := runScript(t, string(want))
			if *update {
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			compareLines(t, file, got, string(want))
		})
	}
}

func compareLines(t *testing.T, file, got, want string) {
	t.Helper()
	g, w := strings.Split(got, "\n"), strings.Split(want, "\n")
	for i := range max(len(g), len(w)) {
		a, b := at(g, i), at(w, i)
		if a != b {
			t.Fatalf("%s:%d:\n got %s\nwant %s", file, i+1, a, b)
		}
	}
}

func at(lines []string, i int) string {
	if i < len(lines) {
		return lines[i]
	}
	return "(nothing)"
}

func runScript(t *testing.T, script string) string {
	var out strings.Builder
	s := scripted{t: t, out: &out}
	for line := range strings.Lines(script) {
		line = strings.TrimSuffix(line, "\n")
		switch {
		case strings.HasPrefix(line, "  "):
		case line == "", line[0] == '#':
			fmt.Fprintln(&out, line)
		default:
			s.order(line)
		}
	}
	return out.String()
}

type scripted struct {
	t     *testing.T
	out   *strings.Builder
	relay *station // after "relay"
	*bench
}

func (s *scripted) order(line string) {
	s.t.Helper()
	words := strings.Fields(line)
	switch words[0] {
	case "node":
		fmt.Fprintln(s.out, line)
		s.make(words[1:])
		return
	case "relay":
		fmt.Fprintln(s.out, line)
		s.relay = newStation(s.t, 1, Config{Relay: true})
		for i := 1; i+1 < len(words); i += 2 {
			s.relay.obey("beacon", words[i:i+2])
		}
		s.relay.settle()
		s.relay.log = func(l string) { fmt.Fprintln(s.out, "  "+l) }
		return
	}
	at, err := time.ParseDuration(words[0])
	if err != nil || s.bench == nil && s.relay == nil || len(words) < 2 {
		s.t.Fatalf("order %q: expected a time and an order, after a node or a relay", line)
	}
	if s.relay != nil {
		s.relay.until(at)
		fmt.Fprintln(s.out, line)
		s.relay.obey(words[1], words[2:])
		return
	}
	s.until(at)
	fmt.Fprintln(s.out, line)
	s.obey(words[1], words[2:])
}

func (s *scripted) make(args []string) {
	cfg := Config{Seed: 1}
	var b *bench
	for _, a := range args {
		name, value, _ := strings.Cut(a, "=")
		switch name {
		case "input":
			in := InputConfig{Number: uint8(len(cfg.Inputs)), NormallyClosed: value == "closed"}
			cfg.Inputs = append(cfg.Inputs, in)
		case "checkin":
			cfg.CheckIn, _ = time.ParseDuration(value)
		case "low":
			cfg.LowBattery, _ = strconv.ParseFloat(value, 64)
		default:
			s.t.Fatalf("node: unknown %q", a)
		}
	}
	b = &bench{}
	s.bench = b
	*b = *quietBench(s.t, cfg)
	b.log = func(l string) { fmt.Fprintln(s.out, "  "+l) }
	b.start()
}

// quietBench is a bench whose node has not started.
func quietBench(t testing.TB, cfg Config) *bench {
	cfg.Site, cfg.Node, cfg.Gen, cfg.Key = testSite, testNode, 1, nodeKey(t, 1)
	return &bench{t: t, cfg: cfg, saved: FirstSaved(), txEnd: never, airtime: 60 * time.Millisecond,
		nonces: make(map[nonce][]byte), keys: keysOf(t, cfg.Key), seen: func(Observed) {}, onSent: func(sent) {}}
}

func (s *scripted) obey(order string, args []string) {
	s.t.Helper()
	arg := func(i int) string {
		if i >= len(args) {
			s.t.Fatalf("order %q wants more than %q", order, args)
		}
		return args[i]
	}
	switch order {
	case "wait":
	case "input":
		n, _ := strconv.Atoi(arg(0))
		s.edge(uint8(n), arg(1) == "closes")
	case "receipt", "checkin-receipt":
		s.receipt(order, args)
	case "restart":
		s.start()
	case "forget":
		s.saved = nil
	case "damage":
		s.saved[9] ^= 1
	case "memory":
		s.broken.memory = arg(0) == "broken"
	case "radio":
		s.broken.radio = arg(0) == "broken"
	case "battery":
		v, _ := strconv.ParseFloat(arg(0), 64)
		s.step(Measured{Battery: v, Temperature: -4, Noise: math.NaN()})
	case "tamper":
		s.step(Trouble{Kind: proto.FaultTamper, Ended: arg(0) == "ended"})
	case "key":
		g, _ := strconv.Atoi(arg(0))
		s.cfg.Gen = uint8(g)
		s.cfg.Key = nodeKey(s.t, s.cfg.Gen)
		s.keys = keysOf(s.t, s.cfg.Key)
		s.step(NewKey{s.cfg.Gen, s.cfg.Key})
	default:
		s.t.Fatalf("unknown order %q", order)
	}
}

func (s *scripted) receipt(order string, args []string) {
	typ := proto.TypeReceipt
	if order != "receipt" {
		typ = proto.TypeCheckInReceipt
	}
	counter, attempt, _ := strings.Cut(args[0], ".")
	c, _ := strconv.Atoi(counter)
	a, _ := strconv.Atoi(attempt)
	h, r := s.receiptFor(typ, uint32(c), uint8(a))
	for _, w := range args[1:] {
		name, value, _ := strings.Cut(w, "=")
		v, _ := strconv.ParseUint(value, 0, 32)
		switch name {
		case "also":
			r.Also = uint16(v)
		case "confirm":
			r.Confirm = true
		case "number":
			h.Number = uint32(v)
		case "epoch":
			h.Epoch = uint16(v)
		case "settings":
			r.Settings = proto.Settings{Version: uint8(v), MinDwell: 100, Period: 9}
		default:
			s.t.Fatalf("receipt: unknown %q", w)
		}
	}
	s.receive(s.sealed(h, r))
}

// obey is what a relay's script may have it hear, from 20 s on. Before, those in its first line have told their distances, and it has
// checked in.
//
//	beacon ID DISTANCE
//	trip ORIGIN.COUNTER.ATTEMPT by RELAY by RELAY ...
//	receipt ORIGIN.COUNTER.ATTEMPT HOPSLEFT
//	acknowledgement ID ORIGIN.COUNTER.ATTEMPT DISTANCE
//	question ID ORIGIN.COUNTER.ATTEMPT
//	channel busy, channel free
//	wait
func (s *station) obey(order string, args []string) {
	s.t.Helper()
	number := func(text string) uint16 {
		n, err := strconv.ParseUint(text, 10, 16)
		if err != nil {
			s.t.Fatalf("%s %q: %v", order, args, err)
		}
		return uint16(n)
	}
	trip := func(name string) []byte {
		parts := strings.Split(name, ".")
		if len(parts) != 3 {
			s.t.Fatalf("%s %q: expected origin.counter.attempt", order, args)
		}
		return s.trip(uint8(number(parts[0])), uint32(number(parts[1])), number(parts[2]))
	}
	args = append(args, "", "", "") // missing ones are no numbers
	switch order {
	case "wait":
	case "beacon":
		s.beacon(uint8(number(args[0])), number(args[1]))
	case "trip":
		frame := trip(args[0])
		for i := 1; args[i] == "by"; i += 2 {
			frame = s.via(frame, uint8(number(args[i+1])))
		}
		s.hear(frame)
	case "receipt":
		s.number = 0 // one for each frame, here
		s.hear(s.receipt(s.origin(trip(args[0])), uint8(number(args[1]))))
	case "acknowledgement":
		s.ack(uint8(number(args[0])), trip(args[1]), number(args[2]))
	case "question":
		s.asks(uint8(number(args[0])), trip(args[1]))
	case "channel":
		s.done = TxDone{Failed: args[0] == "busy", Busy: args[0] == "busy"}
	default:
		s.t.Fatalf("unknown order %q", order)
	}
}
