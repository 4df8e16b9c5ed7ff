package survey

import (
	"fmt"
	"strings"
	"time"

	"longlane/radio/node"
)

// DriveResult is the record of a drive-through.
type DriveResult struct {
	Outcome Outcome `json:"outcome"`
	Input   uint8   `json:"input"`
	Took    float64 `json:"receipt_after_s,omitempty"` // from the contact to the receipt for the trip
}

// Slow, in seconds, is a receipt that came later than somebody who stands at the door waits for. Common practice, no source.
const Slow = 5

// Drive is a drive-through: somebody comes through, and the gateway's receipt for that trip must come.
type Drive struct {
	began   time.Duration
	held    int  // events of the node without a receipt
	early   bool // the contact was tripped already
	opened  bool
	counter uint32 // of the trip
	rested  bool   // its closing has a receipt
	result  *DriveResult
}

// settled is how long after its start a node has found a contact that stood tripped before.
const settled = 2 * time.Second

// NewDrive begins the test.
func NewDrive(now time.Duration) *Drive { return &Drive{began: now} }

// Next is as of Walk; there are no probes.
func (d *Drive) Next(now time.Duration) (probe bool, wake time.Duration) {
	return false, now + time.Minute
}

// Sent is as of Walk.
func (d *Drive) Sent(time.Duration, node.Transmit, error) {}

// Observed is as of Walk.
func (d *Drive) Observed(now time.Duration, o node.Observed) {
	switch o.What {
	case node.Made:
		d.held++
		d.made(now, o)
	case node.Released:
		d.held--
		d.released(o)
	case node.Dropped:
		if d.held--; d.opened && o.Counter == d.counter {
			d.opened = false
		}
	}
}

func (d *Drive) made(now time.Duration, o node.Observed) {
	switch {
	case o.Kind == node.Closing:
		d.early = false
	case o.Kind != node.Opening || d.opened:
	case now-o.Age < d.began+settled:
		d.early = true
	default:
		d.opened, d.counter = true, o.Counter
	}
}

func (d *Drive) released(o node.Observed) {
	switch {
	case o.Kind == node.Opening && d.opened && o.Counter == d.counter && d.result == nil:
		d.result = &DriveResult{Outcome: Passed, Input: o.Input, Took: o.Age.Round(time.Millisecond).Seconds()}
	case o.Kind == node.Closing && d.result != nil && o.Input == d.result.Input:
		d.rested = true
	}
}

// Word takes a line that the owner has typed: "skip" leaves the test out.
func (d *Drive) Word(line string) {
	if strings.TrimSpace(line) == skip && d.result == nil {
		d.result = &DriveResult{Outcome: Skipped}
	}
}

// Result is nil until the trip has its receipt.
func (d *Drive) Result() *DriveResult { return d.result }

// Over reports whether there is a result, and the contact rests again: the trip's closing has its receipt too, and all else that
// the node held.
func (d *Drive) Over() bool {
	return d.result != nil && (d.result.Outcome == Skipped || d.rested && d.held <= 0)
}

// Line is as of Walk.
func (d *Drive) Line(time.Duration) string {
	switch {
	case d.result != nil:
		return fmt.Sprintf("drive-through: receipt after %.1f s; waiting until the contact rests", d.result.Took)
	case d.early:
		return "drive-through: the contact stands tripped already; waiting until it rests"
	case d.opened:
		return "drive-through: somebody came; waiting for the receipt"
	}
	return "drive-through: drive or walk through now"
}
