package proto

import "encoding/binary"

// FaultKind is what a node finds wrong with itself.
type FaultKind uint8

// The kinds of fault a node reports.
const (
	FaultTamper     FaultKind = 1 // the case is open
	FaultInput      FaultKind = 2 // an input's wire is cut or shorted; argument: loop resistance in ohms, 65535 unknown
	FaultBattery    FaultKind = 3 // the supply is below what the node needs; argument: millivolts
	FaultBlocked    FaultKind = 4 // the contact has been in its tripped position too long; argument: seconds
	FaultChatter    FaultKind = 5 // the contact changes too often; argument: edges in the last minute
	FaultLost       FaultKind = 6 // events were lost, in a restart or a full store; argument: how many at the most
	FaultNumbers    FaultKind = 7 // the store of counters cannot be written: the next restart may not be tolerated
	FaultKindsLimit FaultKind = 8 // the first kind not known to this version
)

var faultNames = [FaultKindsLimit]string{"", "tamper", "input wire", "battery low", "blocked", "chatter", "events lost",
	"number store"}

func (k FaultKind) String() string {
	if k == 0 || k >= FaultKindsLimit {
		return "unknown fault"
	}
	return faultNames[k]
}

// Fault tells that something began to be wrong, or ended.
type Fault struct {
	Kind        FaultKind
	Ended       bool
	Input       Input   // the input concerned; zero if none is
	Age         WideAge // since it began or ended, as the frame is sealed
	Sent        SendTime
	Argument    uint16 // a number that says how bad, by kind
	Oldest      Oldest
	Battery     Battery
	Temperature Temperature
}

const faultEnded = 0x80

func (*Fault) fits(t Type) bool { return t == TypeFault }

func (b *Fault) appendBody(dst []byte) []byte {
	kind := byte(b.Kind)
	if b.Ended {
		kind |= faultEnded
	}
	dst = b.Input.append(append(dst, kind))
	dst = binary.BigEndian.AppendUint32(dst, uint32(b.Age))
	dst = appendSend(dst, b.Sent)
	dst = binary.BigEndian.AppendUint16(dst, b.Argument)
	return append(dst, byte(b.Oldest), byte(b.Battery), byte(b.Temperature))
}

func (b *Fault) parseBody(p []byte) error {
	*b = Fault{Kind: FaultKind(p[0] &^ faultEnded), Ended: p[0]&faultEnded != 0, Input: parseInput(p[1]),
		Age: WideAge(binary.BigEndian.Uint32(p[2:])), Sent: parseSend(p[6:]),
		Argument: binary.BigEndian.Uint16(p[10:]), Oldest: Oldest(p[12]), Battery: Battery(p[13]),
		Temperature: Temperature(p[14])}
	if b.Kind == 0 || b.Kind >= FaultKindsLimit {
		return refuse(BadReserved, "fault kind %d is not known", b.Kind)
	}
	return nil
}
