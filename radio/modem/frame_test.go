package modem

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"os"
	"reflect"
	"regexp"
	"strings"
	"testing"
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatalf("hex %q: %v", s, err)
	}
	return b
}

// span returns the bytes from, from+1, ..., to.
func span(from, to int) []byte {
	var b []byte
	for i := from; i <= to; i++ {
		b = append(b, byte(i))
	}
	return b
}

func join(parts ...[]byte) []byte { return bytes.Join(parts, nil) }

// The examples of Cheshire and Baker's method as commonly published for it, without the delimiter, and an IPv4 header's beginning.
func TestStuffingExamples(t *testing.T) {
	for _, c := range []struct{ plain, stuffed []byte }{
		{nil, unhex(t, "01")},
		{unhex(t, "00"), unhex(t, "01 01")},
		{unhex(t, "00 00"), unhex(t, "01 01 01")},
		{unhex(t, "00 11 00"), unhex(t, "01 02 11 01")},
		{unhex(t, "11 22 00 33"), unhex(t, "03 11 22 02 33")},
		{unhex(t, "11 22 33 44"), unhex(t, "05 11 22 33 44")},
		{unhex(t, "11 00 00 00"), unhex(t, "02 11 01 01 01")},
		{span(1, 0xFE), join([]byte{0xFF}, span(1, 0xFE))},
		{span(0, 0xFE), join([]byte{1, 0xFF}, span(1, 0xFE))},
		{span(1, 0xFF), join([]byte{0xFF}, span(1, 0xFE), []byte{2, 0xFF})},
		{join(span(2, 0xFF), []byte{0}), join([]byte{0xFF}, span(2, 0xFF), []byte{1, 1})},
		{join(span(3, 0xFF), []byte{0, 1}), join([]byte{0xFE}, span(3, 0xFF), []byte{2, 1})},
		{unhex(t, "45 00 00 2c 4c 79 00 00 40 06 4f 37"), unhex(t, "02 45 01 04 2c 4c 79 01 05 40 06 4f 37")},
	} {
		if got := appendStuffed(nil, c.plain); !bytes.Equal(got, c.stuffed) {
			t.Errorf("appendStuffed(% x) = % x, want % x", c.plain, got, c.stuffed)
		}
		b := bytes.Clone(c.stuffed)
		if n, ok := unstuff(b); !ok || !bytes.Equal(b[:n], c.plain) {
			t.Errorf("unstuff(% x) = % x, %v, want % x, true", c.stuffed, b[:n], ok, c.plain)
		}
	}
}

func TestBothSpellingsOfAFullBlock(t *testing.T) {
	long := join([]byte{0xFF}, span(1, 0xFE), []byte{1})
	if n, ok := unstuff(long); !ok || !bytes.Equal(long[:n], span(1, 0xFE)) {
		t.Errorf("unstuff(full block and an empty one) = %d bytes, %v; want the 254 bytes", n, ok)
	}
}

func TestUnstuffRefuses(t *testing.T) {
	for _, s := range []string{"02", "05 11 22 33", "ff 01", "01 03 11", "02 11 00", "03 00 11"} {
		if n, ok := unstuff(unhex(t, s)); ok {
			t.Errorf("unstuff(%s) = %d bytes, true; want false", s, n)
		}
	}
}

// CRC-16/IBM-3740, check value of the catalogue of parametrised CRC algorithms.
func TestCRCCheckValue(t *testing.T) {
	if got := crc16([]byte("123456789")); got != 0x29B1 {
		t.Errorf("crc16(%q) = %04X, want 29B1", "123456789", got)
	}
}

// samples holds every message, at its edges.
var samples = []Message{
	Hello{1, 0x2A}, Hello{255, 0xFFFFFFFF},
	SetParameters{7, Parameters{868100000, 125000, 9, 5, 14, 0x12, 8}}, SetParameters{65535, Parameters{Power: -128}},
	Send{8, []byte{0xC0, 0xFF, 0xEE, 0}}, Send{0, bytes.Repeat([]byte{0xAA}, 255)}, Send{1, make([]byte, 255)}, Send{2, []byte{0}},
	Ping{1}, Ping{0},
	ModemHello{1, 0x2A, 255, "river 1.0"}, ModemHello{1, 0, 1, ""}, ModemHello{2, 1, 64, strings.Repeat("x", MaxText)},
	ParametersResult{7, ReasonNone, ""}, ParametersResult{7, ReasonPower, "at most 20"},
	ParametersResult{7, ReasonOther, strings.Repeat("\x00", MaxText)},
	SendResult{8, Sent, 14, 165, ReasonNone, ""}, SendResult{8, Busy, 0, 0, ReasonNone, ""},
	SendResult{8, Refused, 0, 0, ReasonNotSetUp, ""}, SendResult{8, Refused, 0, 0, ReasonOther, "no antenna"},
	Received{-450, -29, -1200, []byte{0x0A, 0x0B, 0, 0xFF}}, Received{-32768, 32767, 1 << 30, bytes.Repeat([]byte{1}, 255)},
	Noise{-469},
	FaultReport{FaultAntenna, "open"}, FaultReport{FaultNone, ""},
	Pong{1, true, 0}, Pong{0xFFFFFFFF, false, 0xFFFFFFFF},
}

// parsed feeds a stream to a new Deframer, in pieces of the sizes that cut gives, and returns the messages in it.
func parsed(t testing.TB, stream []byte, cut func(left int) int) ([]Message, LineCounts) {
	t.Helper()
	var d Deframer
	var got []Message
	for len(stream) > 0 {
		n := cut(len(stream))
		d.Push(stream[:n], func(kind byte, body []byte) {
			m, verdict := Parse(kind, body)
			if verdict != OK {
				t.Errorf("Parse(%02x, % x) = %v, want OK", kind, body, verdict)
			}
			got = append(got, m)
		})
		stream = stream[n:]
	}
	return got, d.Counts
}

func whole(left int) int { return left }

func TestEveryMessageComesBack(t *testing.T) {
	for _, m := range samples {
		wire := Append(nil, m)
		if bytes.Contains(wire[1:len(wire)-1], []byte{0}) {
			t.Errorf("%#v: a zero within the packet % x", m, wire)
		}
		if len(wire) > 2+maxStuffed {
			t.Errorf("%#v: %d bytes on the line, want at most %d", m, len(wire), 2+maxStuffed)
		}
		if got, _ := parsed(t, wire, whole); len(got) != 1 || !reflect.DeepEqual(got[0], m) {
			t.Errorf("%#v came back as %#v", m, got)
		}
	}
}

// The page for firmware authors shows every message in hex; another program, written from the page, made that hex.
func TestExamplesOfThePage(t *testing.T) {
	page, err := os.ReadFile("MODEM.md")
	if err != nil {
		t.Fatal(err)
	}
	lines := regexp.MustCompile(`(?m)^([A-Z]\w+) +((?:[0-9a-f]{2} ?)+)$`).FindAllStringSubmatch(string(page), -1)
	want := []Message{samples[0], samples[2], samples[4], samples[8], samples[10], samples[13], samples[14], samples[16],
		samples[17], samples[18], samples[20], samples[22], samples[23], samples[25]}
	if len(lines) != len(want) {
		t.Fatalf("%d examples on the page, want %d", len(lines), len(want))
	}
	for i, line := range lines {
		if name := reflect.TypeOf(want[i]).Name(); name != line[1] {
			t.Errorf("example %d is called %s, want %s", i, line[1], name)
		}
		if got := Append(nil, want[i]); !bytes.Equal(got, unhex(t, line[2])) {
			t.Errorf("Append(%#v) = % x, the page says %s", want[i], got, line[2])
		}
	}
}

func TestEveryChunking(t *testing.T) {
	var stream []byte
	for _, m := range samples {
		stream = Append(append(stream, "noise between frames"...), m)
	}
	for size := 1; size <= 600; size++ {
		got, _ := parsed(t, stream, func(left int) int { return min(left, size) })
		if !reflect.DeepEqual(got, samples) {
			t.Fatalf("in pieces of %d bytes: %d messages, want the %d sent", size, len(got), len(samples))
		}
	}
	short := Append(Append(nil, samples[0]), samples[20])
	for first := 1; first < len(short); first++ {
		cuts := []int{first, len(short) - first}
		got, _ := parsed(t, short, func(int) int { n := cuts[0]; cuts = cuts[1:]; return n })
		if len(got) != 2 {
			t.Errorf("cut after %d bytes: %d messages, want 2", first, len(got))
		}
	}
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	for range 300 {
		if got, _ := parsed(t, stream, func(left int) int { return 1 + r.IntN(left) }); !reflect.DeepEqual(got, samples) {
			t.Fatalf("in random pieces: %d messages, want the %d sent", len(got), len(samples))
		}
	}
}

func TestGarbageIsCountedAndPassed(t *testing.T) {
	good := Append(nil, Ping{77})
	half := Append(nil, Received{Frame: make([]byte, 40)})
	wrongCRC := func() []byte {
		b := Append(nil, Ping{5})
		b[len(b)-2] ^= 0x10
		return b
	}()
	wrongLength := func() []byte {
		p := []byte{kindPing, 0, 5, 1, 2, 3, 4} // says 5, holds 4
		crc := crc16(p)
		return append(appendStuffed([]byte{0}, append(p, byte(crc>>8), byte(crc))), 0)
	}()
	for _, c := range []struct {
		name   string
		before []byte
		want   LineCounts
	}{
		{"nothing", nil, LineCounts{}},
		{"noise before the first delimiter", []byte("boot: hello there\r\n"), LineCounts{}},
		{"much noise before the first delimiter", bytes.Repeat([]byte{0xAA}, 10000), LineCounts{}},
		{"idle delimiters", make([]byte, 50), LineCounts{}},
		{"noise after a delimiter", []byte("\x00boot: hello there\r\n"), LineCounts{Stuffing: 1}},
		{"half a frame", half[:len(half)/2], LineCounts{Length: 1}}, // cut between two pieces, as it happens,
		{"second half of a frame", half[len(half)/2:], LineCounts{}},
		{"one byte", []byte{0, 1, 0}, LineCounts{Length: 1}},
		{"wrong length", wrongLength, LineCounts{Length: 1}},
		{"wrong CRC", wrongCRC, LineCounts{CRC: 1}},
		{"too long", append([]byte{0}, bytes.Repeat([]byte{0x01}, 10000)...), LineCounts{Overflow: 1}},
	} {
		stream := append(bytes.Clone(c.before), good...)
		c.want.Packets = 1
		got, counts := parsed(t, stream, whole)
		if len(got) != 1 || got[0] != (Ping{77}) || counts != c.want {
			t.Errorf("%s: got %v, %+v; want the ping, %+v", c.name, got, counts, c.want)
		}
	}
}

func TestEveryFlippedBitIsNoticed(t *testing.T) {
	for _, m := range samples {
		wire := Append(nil, m)
		for bit := 8; bit < 8*(len(wire)-1); bit++ {
			b := bytes.Clone(wire)
			b[bit/8] ^= 1 << (bit % 8)
			var d Deframer
			d.Push(b, func(kind byte, body []byte) {
				t.Errorf("%#v with bit %d flipped was taken for type %02x, % x", m, bit, kind, body)
			})
		}
	}
}

func TestGarbageCostsNoMemory(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	garbage := make([]byte, 1<<16)
	for i := range garbage {
		garbage[i] = byte(r.Uint32()) % 200
	}
	unknown := append(appendStuffed([]byte{0}, []byte{0x77, 0, 0, byte(crc16([]byte{0x77, 0, 0}) >> 8), byte(crc16([]byte{0x77, 0, 0}))}), 0)
	garbage = append(garbage, unknown...)
	var d Deframer
	verdicts := 0
	allocs := testing.AllocsPerRun(20, func() {
		d.Push(garbage, func(kind byte, body []byte) {
			if _, v := Parse(kind, body); v == UnknownType {
				verdicts++
			}
		})
	})
	if allocs != 0 {
		t.Errorf("%v allocations for 64 KiB of garbage, want 0", allocs)
	}
	if verdicts == 0 {
		t.Error("the packet of unknown type was not found in the garbage")
	}
}

func TestBodiesOfTheWrongLength(t *testing.T) {
	for _, m := range samples {
		body := m.appendBody(nil)
		for n := range len(body) {
			checkParse(t, m.kind(), body[:n])
		}
		checkParse(t, m.kind(), append(body, 0))
		checkParse(t, m.kind(), append(body, make([]byte, 300)...))
	}
	for kind, p := range parsers {
		for _, n := range []int{p.min - 1, p.max + 1} {
			if _, v := Parse(kind, make([]byte, n)); v != BadBody {
				t.Errorf("Parse(%02x, %d bytes) = %v, want BadBody", kind, n, v)
			}
		}
	}
}

func TestImpossibleBodies(t *testing.T) {
	for _, m := range []Message{
		Hello{1, 0},
		ModemHello{1, 1, 0, ""},
		ParametersResult{1, numReasons, ""}, ParametersResult{1, ReasonNone, "fine"},
		SendResult{1, numOutcomes, 0, 0, 0, ""}, SendResult{1, Refused, 0, 0, numReasons, ""},
		SendResult{1, Sent, 14, 1, ReasonPower, ""}, SendResult{1, Sent, 14, 1, 0, "fine"},
		SendResult{1, Busy, 14, 0, 0, ""}, SendResult{1, Busy, 0, 1, 0, ""}, SendResult{1, Busy, 0, 0, 0, "x"},
		SendResult{1, Refused, 0, 0, 0, ""}, SendResult{1, Refused, 1, 0, ReasonPower, ""},
		FaultReport{numFaults, ""}, FaultReport{FaultNone, "x"},
	} {
		if got, v := Parse(m.kind(), m.appendBody(nil)); v != BadBody {
			t.Errorf("Parse(%#v) = %#v, %v, want BadBody", m, got, v)
		}
	}
	if _, v := Parse(kindPong, []byte{0, 0, 0, 1, 2, 0, 0, 0, 0}); v != BadBody {
		t.Errorf("Parse(pong, set up = 2) = %v, want BadBody", v)
	}
	for kind := range 256 {
		if _, known := parsers[byte(kind)]; !known {
			if _, v := Parse(byte(kind), []byte{1}); v != UnknownType {
				t.Errorf("Parse(%02x) = %v, want UnknownType", kind, v)
			}
		}
	}
}

func TestQuarters(t *testing.T) {
	for db, want := range map[float64]QuarterDB{-112.5: -450, -7.25: -29, 0.1: 0, 0.13: 1, 1e9: 32767, -1e9: -32768} {
		if got := Quarters(db); got != want {
			t.Errorf("Quarters(%v) = %v, want %v", db, got, want)
		}
	}
}

func TestNamesAreComplete(t *testing.T) {
	seen := map[string]bool{}
	for r := Reason(0); r <= numReasons; r++ {
		seen[r.String()] = true
	}
	for f := FaultCode(0); f <= numFaults; f++ {
		seen["fault "+f.String()] = true
	}
	for l := Loss(0); l < NumLosses; l++ {
		seen["loss "+l.String()] = true
	}
	if want := int(numReasons) + 1 + int(numFaults) + 1 + int(NumLosses); len(seen) != want || seen[""] {
		t.Errorf("%d different names, want %d: %v", len(seen), want, seen)
	}
}

// checkParse checks that Parse refuses, or that the message re-encodes to the same bytes.
func checkParse(t testing.TB, kind byte, body []byte) {
	t.Helper()
	m, v := Parse(kind, body)
	if v != OK {
		if m != nil {
			t.Errorf("Parse(%02x, % x) = %#v with verdict %v, want nil", kind, body, m, v)
		}
		return
	}
	if m.kind() != kind || !bytes.Equal(m.appendBody(nil), body) {
		t.Errorf("Parse(%02x, % x) = %#v, which encodes to %02x, % x", kind, body, m, m.kind(), m.appendBody(nil))
	}
}

func FuzzParse(f *testing.F) {
	for _, m := range samples {
		f.Add(m.kind(), m.appendBody(nil))
	}
	f.Fuzz(func(t *testing.T, kind byte, body []byte) { checkParse(t, kind, body) })
}

func FuzzUnstuff(f *testing.F) {
	for _, m := range samples {
		wire := Append(nil, m)
		f.Add(wire[1 : len(wire)-1])
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		plain := bytes.Clone(b)
		n, ok := unstuff(plain)
		if !ok {
			return
		}
		again := appendStuffed(nil, plain[:n])
		if !bytes.Equal(again, b) && !bytes.Equal(append(again, 1), b) && len(b) != 0 { // 1: the other spelling of a full block at the end
			t.Errorf("unstuff(% x) = % x, which is stuffed as % x", b, plain[:n], again)
		}
	})
}

// FuzzDeframer checks that packets do not depend on how the stream was cut, that none is longer than the limit, and that
// a good packet gets through after anything.
func FuzzDeframer(f *testing.F) {
	var all []byte
	for _, m := range samples {
		all = Append(all, m)
		f.Add(Append([]byte("noise"), m), byte(3))
	}
	f.Add(all, byte(7))
	f.Fuzz(func(t *testing.T, stream []byte, size byte) {
		stream = Append(bytes.Clone(stream), Ping{99})
		run := func(cut int) (got []string, d Deframer) {
			for b := stream; len(b) > 0; {
				n := min(len(b), cut)
				d.Push(b[:n], func(kind byte, body []byte) {
					if len(body) > maxBody+1 { // one more than any message: the shortest stuffing leaves that room
						t.Errorf("a body of %d bytes", len(body))
					}
					checkParse(t, kind, body)
					got = append(got, fmt.Sprintf("%02x % x", kind, body))
				})
				b = b[n:]
			}
			return got, d
		}
		at1, d1 := run(len(stream))
		atN, dN := run(1 + int(size))
		if !reflect.DeepEqual(at1, atN) || d1.Counts != dN.Counts {
			t.Errorf("at once: %q %+v; in pieces of %d: %q %+v", at1, d1.Counts, 1+int(size), atN, dN.Counts)
		}
		if len(at1) == 0 || at1[len(at1)-1] != "04 00 00 00 63" {
			t.Errorf("the ping at the end was not found in % x", stream)
		}
	})
}
