package survey

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"longlane/proto"
	"longlane/radio/lora"
)

// Format is the version of a record.
const Format = 1

// Record is the commissioning record of a place. As JSON (times in seconds; a figure that no modem told is left out):
//
//	{"longlane_survey": 1,
//	 "program": "longlane v1.0.0",
//	 "place": "river gate post", "position": "2 m up, upright",
//	 "node": {"site": 4711, "id": 1, "generation": 1, "name": "river-gate"},
//	 "radio": {"region": "europe", "frequency_hz": 869525000, "bandwidth_hz": 125000, "spreading_factor": 7, ...},
//	 "began": {"time": "2026-03-01T06:12:09Z", "clock": "set", "boot": "<32 hex digits>", "mono_s": 812.4},
//	 "stage": "power cut",
//	 "walks": [{"began": {...}, "ended": {...}, "figures": {...}, "verdict": {...}, "samples": [...]}],
//	 "power_cut": {"outcome": "passed", "how": "the machine was restarted"},
//	 "drive_through": {"outcome": "passed", "input": 0, "receipt_after_s": 0.4},
//	 "plan": [{"from": 1, "to": 240, "predicted_db": 18, "measured_db": 14.5, "words": "as planned"}],
//	 "node_starts": 12}
//
// It holds no secret.
type Record struct {
	Format   int           `json:"longlane_survey"`
	Program  string        `json:"program"`
	Place    string        `json:"place,omitempty"`
	Position string        `json:"position,omitempty"` // of the antenna, in the owner's words
	Node     Node          `json:"node"`
	Radio    Radio         `json:"radio"`
	Began    When          `json:"began"`
	Stage    Stage         `json:"stage"`
	Walks    []WalkRecord  `json:"walks"` // the last one counts
	Cut      *CutResult    `json:"power_cut,omitempty"`
	Drive    *DriveResult  `json:"drive_through,omitempty"`
	Plan     []ComparedHop `json:"plan,omitempty"`
	Starts   uint32        `json:"node_starts,omitempty"` // of the node, ever, as this program last started it
	CutBoot  string        `json:"cut_boot,omitempty"`    // in which the power-cut test began
}

// Node is whose place it is.
type Node struct {
	Site uint16 `json:"site"`
	ID   uint8  `json:"id"`
	Gen  uint8  `json:"generation"`
	Name string `json:"name"`
}

// Radio is how the modem was set.
type Radio struct {
	Region          string  `json:"region"`
	Frequency       int     `json:"frequency_hz"`
	Bandwidth       int     `json:"bandwidth_hz"`
	SpreadingFactor int     `json:"spreading_factor"`
	CodingRate      int     `json:"coding_rate"`
	Preamble        int     `json:"preamble"`
	Power           int     `json:"power_dbm"`
	AntennaGain     float64 `json:"antenna_gain_dbi"`
	CableLoss       float64 `json:"cable_loss_db"`
}

// Settings are those of LoRa among them.
func (r Radio) Settings() lora.Settings {
	return lora.Settings{SpreadingFactor: r.SpreadingFactor, Bandwidth: r.Bandwidth, CodingRate: r.CodingRate, Preamble: r.Preamble}
}

// When is a moment, as far as the machine knew it.
type When struct {
	Time  string  `json:"time,omitempty"` // RFC 3339, UTC; left out if the clock was not set
	Clock string  `json:"clock"`          // "set" or "unset"
	Boot  string  `json:"boot"`           // names the machine's boot
	Mono  float64 `json:"mono_s"`         // since then
}

// Stage is what is to be done next.
type Stage string

// The stages, in order.
const (
	StageWalk  Stage = "walk test"
	StageCut   Stage = "power cut"
	StageDrive Stage = "drive-through"
	StageDone  Stage = "done"
)

var stages = []Stage{StageWalk, StageCut, StageDrive, StageDone}

// WalkRecord is a walk test and its outcome.
type WalkRecord struct {
	Began   When    `json:"began"`
	Ended   When    `json:"ended"`
	Figures Figures `json:"figures"`
	Verdict Verdict `json:"verdict"`
	Samples []Probe `json:"samples"`
}

// Record is what the walk test has come to so far.
func (w *Walk) Record(began, ended When) WalkRecord {
	return WalkRecord{Began: began, Ended: ended, Figures: w.Figures(), Verdict: w.Verdict(), Samples: slices.Clone(w.probes[:w.whole])}
}

// Walk is the last walk test; nil: there was none.
func (r *Record) Walk() *WalkRecord {
	if len(r.Walks) == 0 {
		return nil
	}
	return &r.Walks[len(r.Walks)-1]
}

// Earlier gives Options.Earlier and Options.Relays: what is known of the last hour, in this boot.
func (r *Record) Earlier(now When) (ago []time.Duration, relays bool) {
	for _, w := range r.Walks {
		for _, p := range w.Samples {
			if d := time.Duration((now.Mono - w.Began.Mono - p.Sent) * float64(time.Second)); w.Began.Boot == now.Boot && d >= 0 && d < time.Hour {
				ago = append(ago, d)
				relays = relays || slices.ContainsFunc(w.Figures.Neighbours, func(n Neighbour) bool { return n.ID < proto.GatewayBase })
			}
		}
	}
	return ago, relays
}

// Good reports whether the place is good and no test of it failed.
func (r *Record) Good() bool {
	w := r.Walk()
	return w != nil && w.Verdict.Word == Mount && (r.Cut == nil || r.Cut.Outcome != Failed)
}

// Skip leaves out the tests that have no result yet.
func (r *Record) Skip() {
	if r.Cut == nil {
		r.Cut = &CutResult{Outcome: Skipped}
	}
	if r.Drive == nil {
		r.Drive = &DriveResult{Outcome: Skipped}
	}
	r.Stage = StageDone
}

// Marshal writes the record.
func (r *Record) Marshal() ([]byte, error) {
	b, err := json.MarshalIndent(r, "", " ")
	return append(b, '\n'), err
}

// ParseRecord reads a record. It refuses what it does not know rather than lose it.
func ParseRecord(b []byte) (*Record, error) {
	var head struct {
		Format *int `json:"longlane_survey"`
	}
	const want = "a record of longlane survey"
	switch err := json.Unmarshal(b, &head); {
	case err != nil:
		return nil, fmt.Errorf("found no whole JSON (%w), expected %s", err, want)
	case head.Format == nil:
		return nil, fmt.Errorf("found no field longlane_survey, expected %s", want)
	case *head.Format != Format:
		return nil, fmt.Errorf("found a record of format %d, expected format %d: another version of longlane wrote it", *head.Format, Format)
	}
	var r Record
	if err := strict(b, &r); err != nil {
		return nil, fmt.Errorf("found %w, expected %s", err, want)
	}
	return &r, r.check()
}

// strict refuses fields that are not known; b is one JSON value.
func strict(b []byte, to any) error {
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	return d.Decode(to)
}

func (r *Record) check() error {
	switch {
	case !slices.Contains(stages, r.Stage):
		return fmt.Errorf("stage: found %q, expected one of %q", r.Stage, stages)
	case r.Node.ID < proto.MinNode || r.Node.ID > proto.MaxNode:
		return fmt.Errorf("node.id: found %d, expected %d to %d", r.Node.ID, proto.MinNode, proto.MaxNode)
	case r.Radio.Frequency <= 0:
		return fmt.Errorf("radio.frequency_hz: found %d, expected the channel's centre", r.Radio.Frequency)
	case r.Stage != StageWalk && r.Walk() == nil:
		return fmt.Errorf("walks: found none, expected one before stage %q", r.Stage)
	}
	if err := r.Radio.Settings().Check(); err != nil {
		return fmt.Errorf("radio: %w", err)
	}
	return nil
}
