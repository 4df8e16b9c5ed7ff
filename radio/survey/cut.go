package survey

import (
	"fmt"
	"strings"
	"time"

	"longlane/radio/node"
)

// Outcome is how a test ended.
type Outcome string

// The outcomes.
const (
	Passed  Outcome = "passed"
	Failed  Outcome = "failed"
	Skipped Outcome = "skipped"
	None    Outcome = "none" // there is nothing to test
)

// CutResult is the record of a power-cut test.
type CutResult struct {
	Outcome Outcome  `json:"outcome"`
	How     string   `json:"how,omitempty"`
	Reasons []string `json:"reasons,omitempty"` // of a test that failed
}

// Ways of a power cut.
const (
	Restarted  = "the machine was restarted"
	RanThrough = "the machine ran through, by the owner's word"
)

// Start is what is known of the machine and of its node as a power-cut test begins or goes on.
type Start struct {
	Restarted bool // the machine has been restarted since the test began
	CameBack  bool // the node has run meanwhile, without this program: its service started by itself
}

// cutProbes is how many probes may be for nothing before the way is said to be gone: beside the modem, the gateway and relays
// may have been off as well, and relays find their way again within two minutes.
const cutProbes = 24

// Cut is a power-cut test: the supply is switched off and on, and then a check-in must be answered.
type Cut struct {
	pacer
	start    Start
	proving  bool // the cut is over
	lost     bool // lasting memory
	counters map[uint32]bool
	result   *CutResult
}

// NewCut begins the test, or goes on with it after the cut.
func NewCut(now time.Duration, o Options, s Start) *Cut {
	return &Cut{pacer: newPacer(now, o), start: s, proving: s.Restarted, counters: map[uint32]bool{}}
}

// Next is as of Walk.
func (c *Cut) Next(now time.Duration) (probe bool, wake time.Duration) {
	if !c.proving || c.result != nil {
		return false, now + time.Minute
	}
	if probe, wake = c.step(now); probe && len(c.counters) >= cutProbes {
		c.end("No check-in was answered after the cut.")
	}
	return probe && c.result == nil, wake
}

// Sent is as of Walk.
func (c *Cut) Sent(now time.Duration, t node.Transmit, err error) { c.sent(now, t, err) }

// Observed is as of Walk.
func (c *Cut) Observed(_ time.Duration, o node.Observed) {
	switch {
	case o.What == node.MemoryLost:
		c.lost = true
	case o.What == node.Probed:
		c.counter = o.Counter
		c.counters[o.Counter] = true
	case o.What == node.Answered && c.proving && c.counters[o.Counter] && c.result == nil:
		c.end("")
	}
}

// end makes the result.
func (c *Cut) end(reason string) {
	r := &CutResult{Outcome: Passed, How: RanThrough}
	if c.start.Restarted {
		r.How = Restarted
	}
	if reason != "" {
		r.Reasons = append(r.Reasons, reason)
	}
	if c.start.Restarted && !c.start.CameBack {
		r.Reasons = append(r.Reasons, "The node was not started by itself after the cut: have its service start with the machine, or the gate falls silent at the next one.")
	}
	if c.lost {
		r.Reasons = append(r.Reasons, "The node's lasting memory did not survive the cut: keep its state directory on a disk that does.")
	}
	if len(r.Reasons) > 0 {
		r.Outcome = Failed
	}
	c.result = r
}

// Word takes a line that the owner has typed: an empty one says that the machine has run through the cut, "skip" leaves the test
// out.
func (c *Cut) Word(line string) {
	switch word := strings.TrimSpace(line); {
	case c.result != nil:
	case word == skip:
		c.result = &CutResult{Outcome: Skipped}
	case word == "":
		c.proving = true
	}
}

const skip = "skip"

// Result is nil until the test is over.
func (c *Cut) Result() *CutResult { return c.result }

// Over reports whether there is a result.
func (c *Cut) Over() bool { return c.result != nil }

// Line is as of Walk.
func (c *Cut) Line(now time.Duration) string {
	if !c.proving {
		return "power cut: waiting for it"
	}
	if text := c.line(now); text != "" {
		return "power cut: " + text
	}
	return fmt.Sprintf("power cut: probe %d, waiting for an answer", len(c.counters))
}
