package proto

import (
	"math/rand/v2"
	"testing"
)

var faultType = frameType{
	typ: TypeFault,
	body: func(r *rand.Rand) Body {
		return &Fault{Kind: FaultKind(1 + r.IntN(7)), Ended: coin(r), Input: randInput(r), Age: WideAge(r.Uint32()),
			Sent: randSend(r), Argument: randWord(r), Oldest: Oldest(randByte(r)), Battery: Battery(randByte(r)),
			Temperature: Temperature(randByte(r))}
	},
	example: &Fault{Kind: FaultLost, Ended: true, Input: Input{Number: 2, Active: true}, Age: 0x64,
		Sent: SendTime{1, 2}, Argument: 0x0a0b, Oldest: 3, Battery: 4, Temperature: NoTemperature},
	page:    "86 21 00000064 00000102 0a0b 03 04 80",
	refused: func(p []byte) bool { return p[0]&0x7f == 0 || p[0]&0x7f > 7 },
}

func TestFault(t *testing.T) { testFrameType(t, faultType) }

func TestFaultKindsHaveNames(t *testing.T) {
	seen := map[string]bool{}
	for k := FaultKind(1); k < FaultKindsLimit; k++ {
		if name := k.String(); name == "" || name == "unknown fault" || seen[name] {
			t.Errorf("fault kind %d is called %q", k, name)
		} else {
			seen[name] = true
		}
	}
	for _, k := range []FaultKind{0, FaultKindsLimit, 127, 255} {
		if name := k.String(); name != "unknown fault" {
			t.Errorf("FaultKind(%d).String() = %q, want %q", k, name, "unknown fault")
		}
	}
}
