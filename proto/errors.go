package proto

import "fmt"

// Reason says why bytes were refused. The list is closed: it is also a metric's label.
type Reason string

// The reasons this package gives.
const (
	BadLength   Reason = "length"   // not the exact length its type demands
	BadVersion  Reason = "version"  // a protocol version this code does not know
	BadType     Reason = "type"     // a type this code does not know
	BadReserved Reason = "reserved" // a reserved bit is set, or a field holds a value that is never sent
	BadMAC      Reason = "mac"      // authentication failed: forged, damaged, other key or wrong counter
)

// Reasons lists every Reason of this package.
var Reasons = []Reason{BadLength, BadVersion, BadType, BadReserved, BadMAC}

// Error is a refusal.
type Error struct {
	Reason Reason
	Detail string
}

func (e *Error) Error() string { return string(e.Reason) + ": " + e.Detail }

func refuse(r Reason, format string, args ...any) error {
	return &Error{Reason: r, Detail: fmt.Sprintf(format, args...)}
}
