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
	t   *testing.T
	out *strings.Builder
	*bench
}

func (s *scripted) order(line string) {
	s.t.Helper()
	words := strings.Fields(line)
	if words[0] == "node" {
		fmt.Fprintln(s.out, line)
		s.make(words[1:])
		return
	}
	at, err := time.ParseDuration(words[0])
	if err != nil || s.bench == nil || len(words) < 2 {
		s.t.Fatalf("order %q: expected a time and an order, after a node", line)
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
