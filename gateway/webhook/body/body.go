// Package body makes what a webhook's request says of an event: the event itself, or a text/template over it.
//
// It is pure text, so that the config can be judged by the very code that the requests are made with: a template is tried on
// samples, of which some are as awkward as events get.
package body

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"mime"
	"slices"
	"strings"
	"text/template"
)

// Event is what a template sees. Its zero values stand for what an event does not have; what may be unknown is a pointer, which
// prints as <nil> and which the function json makes null.
type Event struct {
	ID      string // the same on every delivery
	Source  string // /longlane/<site>; with ID the key to tell repeats by
	Type    string // longlane.trip.opened and so on
	Kind    string // opened, closed, fault, corrected or test
	Subject string
	Time    string // when it happened, RFC 3339; empty while it cannot be known

	Zone, Title string // the zone, and its title for people: the zone's name if it has none
	Node        string // empty if it concerns none
	Code        string // of a fault
	Detail      string // of a fault, in words
	Ended       bool   // a fault's end

	Age       *float64 // seconds, as it is sent; nil if it cannot be known, hence old
	Delayed   bool     // too old to make noise or light, or told before
	Uncertain bool     // its time is not certain
	Proof     string   // fresh, late or unproven
	Dwell     *float64 // seconds that a trip lasted; nil if it has not ended
	Test      bool     // nobody came: the chain is being tried
	Battery   *float64 // volts
	Gateway   string
	Bearer    string
	Hops      []Hop

	CloudEvent JSON // all of it, as it goes to the broker
}

// JSON is text that is JSON already: it prints as it is, and the function json leaves it so.
type JSON string

// MarshalJSON implements json.Marshaler.
func (j JSON) MarshalJSON() ([]byte, error) { return []byte(j), nil }

// Hop is one hop in the order travelled.
type Hop struct {
	From     string   `json:"from"`
	To       string   `json:"to"`
	RSSI     *float64 `json:"rssi_dbm"`
	SNR      *float64 `json:"snr_db"`
	Margin   *float64 `json:"margin_db"`
	Held     float64  `json:"held_s"`
	Verified bool     `json:"verified"`
}

// Kinds is the closed list of an Event's kinds.
var Kinds = []string{"opened", "closed", "fault", "corrected", "test"}

// Parse reads an event as it goes to the broker: a CloudEvent in structured JSON.
func Parse(payload []byte) (*Event, error) {
	var ce struct {
		ID, Source, Type, Subject, Time string
		Data                            struct {
			Zone      string   `json:"zone"`
			Title     string   `json:"zone_title"`
			Node      string   `json:"node"`
			Code      string   `json:"code"`
			Detail    string   `json:"detail"`
			Age       *float64 `json:"age_s"`
			Delayed   bool     `json:"delayed"`
			Uncertain bool     `json:"time_uncertain"`
			Proof     string   `json:"proof"`
			Dwell     *float64 `json:"dwell_s"`
			Test      bool     `json:"test"`
			Battery   *float64 `json:"battery_v"`
			Gateway   string   `json:"gateway"`
			Bearer    string   `json:"bearer"`
			Hops      []Hop    `json:"hops"`
		} `json:"data"`
	}
	if err := json.Unmarshal(payload, &ce); err != nil {
		return nil, fmt.Errorf("read event: %w", err)
	}
	if ce.ID == "" || ce.Type == "" {
		return nil, errors.New("read event: it has no id or no type")
	}
	d := ce.Data
	e := &Event{ID: ce.ID, Source: ce.Source, Type: ce.Type, Subject: ce.Subject, Time: ce.Time, Zone: d.Zone, Title: d.Title,
		Node: d.Node, Code: d.Code, Detail: d.Detail, Age: d.Age, Delayed: d.Delayed, Uncertain: d.Uncertain, Proof: d.Proof,
		Dwell: d.Dwell, Test: d.Test, Battery: d.Battery, Gateway: d.Gateway, Bearer: d.Bearer, Hops: d.Hops, CloudEvent: JSON(payload)}
	if e.Title == "" {
		e.Title = e.Zone
	}
	e.setKind()
	return e, nil
}

func (e *Event) setKind() {
	what := strings.TrimPrefix(e.Type, "longlane.")
	switch {
	case strings.HasSuffix(what, ".time-corrected"):
		e.Kind = "corrected"
	case strings.HasPrefix(what, "fault."):
		e.Kind, e.Ended = "fault", strings.HasSuffix(what, ".ended")
	case e.Test:
		e.Kind = "test"
	default:
		e.Kind = strings.TrimPrefix(what, "trip.")
	}
}

// MaxSize is the longest body, in bytes.
const MaxSize = 64 << 10

// Structured is the content type of the event itself; see CloudEvents, HTTP protocol binding 1.0, section 3.2.
const Structured = "application/cloudevents+json; charset=utf-8"

// Template makes bodies. It may be used by several goroutines at once.
type Template struct {
	t    *template.Template // nil: the event itself
	json bool               // what it makes must be JSON
}

// Compile reads a template; "" is the event itself. If contentType is a JSON type, every body must be JSON.
func Compile(text, contentType string) (*Template, error) {
	if text == "" {
		return &Template{}, nil
	}
	t, err := template.New("body").Option("missingkey=error").Funcs(template.FuncMap{"json": asJSON}).Parse(text)
	if err != nil {
		return nil, plain(err)
	}
	return &Template{t, isJSON(contentType)}, nil
}

// asJSON is the function json of templates: any value as JSON, quotation marks included.
func asJSON(v any) (string, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	err := enc.Encode(v)
	return strings.TrimSuffix(b.String(), "\n"), err
}

func isJSON(contentType string) bool {
	t, _, err := mime.ParseMediaType(contentType)
	return err == nil && (t == "application/json" || t == "text/json" || strings.HasSuffix(t, "+json"))
}

// plain takes the template package's own name out of its error.
func plain(err error) error {
	return errors.New(strings.TrimPrefix(strings.TrimPrefix(err.Error(), "template: "), "body:"))
}

// Make makes the body for an event.
func (t *Template) Make(e *Event) ([]byte, error) {
	if t.t == nil {
		return []byte(e.CloudEvent), nil
	}
	var w bounded
	if err := t.t.Execute(&w, e); err != nil {
		return nil, plain(err)
	}
	if t.json && !json.Valid(w.b) {
		return nil, fmt.Errorf("it makes %q, which is not JSON", shortened(w.b))
	}
	return w.b, nil
}

// bounded is an io.Writer for so much and no more.
type bounded struct{ b []byte }

func (w *bounded) Write(p []byte) (int, error) {
	if len(w.b)+len(p) > MaxSize {
		return 0, fmt.Errorf("it makes more than %d KiB", MaxSize>>10)
	}
	w.b = append(w.b, p...)
	return len(p), nil
}

func shortened(b []byte) string {
	const most = 120
	if len(b) <= most {
		return string(b)
	}
	return strings.ToValidUTF8(string(b[:most]), "") + " ..."
}

// Sample is an event of a kind, as a gateway might send it; awkward asks for one with quotation marks in its texts and without
// all that may be missing.
func Sample(kind string, awkward bool) *Event {
	typ := map[string]string{"opened": "longlane.trip.opened", "closed": "longlane.trip.closed", "fault": "longlane.fault.began",
		"corrected": "longlane.trip.time-corrected", "test": "longlane.test.opened"}[kind]
	data := map[string]any{"age_s": 0.41, "delayed": kind == "corrected", "proof": "fresh", "gateway": "house", "clock": "set"}
	subject := "river-gate"
	if kind == "fault" {
		subject = "oak-relay"
		data["code"], data["node"], data["detail"] = "node-overdue", "oak-relay", "oak-relay: two check-ins in a row were missed"
	} else {
		data["zone"], data["zone_title"], data["node"], data["counter"], data["bearer"] = "river-gate", "River gate", "river-gate", 42, "mast"
		data["phase"], data["test"], data["battery_v"] = "opened", kind == "test", 3.61
		data["hops"] = []Hop{{From: "river-gate", To: "house", Verified: true}}
	}
	if kind == "closed" {
		data["phase"], data["dwell_s"] = "closed", 2.5
	}
	ce := map[string]any{"specversion": "1.0", "id": "1.1.42", "source": "/longlane/hill-orchard", "type": typ, "subject": subject,
		"time": "2026-03-01T06:12:09.31Z", "datacontenttype": "application/json", "data": data}
	if awkward {
		delete(ce, "time")
		data["age_s"], data["detail"], data["zone_title"] = nil, "it says \"no\" \\ and \u2028 <ends>", "The \"old\" gate \\ mill <2>"
		delete(data, "battery_v")
		delete(data, "dwell_s")
		delete(data, "hops")
	}
	payload, _ := json.Marshal(ce) // plain values: cannot fail
	e, _ := Parse(payload)         // likewise
	return e
}

// Try makes the body for a sample of each kind that is wanted, the plain and the awkward one, and returns that for the plain one
// of the first kind.
func (t *Template) Try(kinds []string) (body []byte, err error) {
	for _, k := range kinds {
		for _, awkward := range []bool{false, true} {
			b, err := t.Make(Sample(k, awkward))
			if err != nil {
				what := "an event of the kind " + k
				if awkward {
					what += ", with quotation marks in its texts and without what may be missing"
				}
				return nil, fmt.Errorf("for %s: %w", what, err)
			}
			if body == nil {
				body = b
			}
		}
	}
	return body, nil
}

// Known reports whether kind is one of Kinds.
func Known(kind string) bool { return slices.Contains(Kinds, kind) }
