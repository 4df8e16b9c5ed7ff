package body

import (
	"encoding/json"
	"strings"
	"testing"
	"unicode/utf8"
)

// TestKinds: each kind of event is known by its type.
func TestKinds(t *testing.T) {
	for _, c := range []struct {
		typ   string
		test  bool
		kind  string
		ended bool
	}{
		{"longlane.trip.opened", false, "opened", false},
		{"longlane.trip.closed", false, "closed", false},
		{"longlane.trip.opened", true, "test", false},
		{"longlane.trip.closed", true, "test", false},
		{"longlane.trip.time-corrected", false, "corrected", false},
		{"longlane.fault.began", false, "fault", false},
		{"longlane.fault.ended", false, "fault", true},
		{"longlane.fault.time-corrected", false, "corrected", false},
	} {
		text, _ := json.Marshal(map[string]any{"id": "1.1.1", "type": c.typ, "data": map[string]any{"test": c.test}})
		e, err := Parse(text)
		if err != nil || e.Kind != c.kind || e.Ended != c.ended || !Known(e.Kind) {
			t.Errorf("%s, test %v: %+v, %v; want kind %s, ended %v", c.typ, c.test, e, err, c.kind, c.ended)
		}
	}
	for _, bad := range []string{"", "{", `{"id":"1.1.1"}`, `{"type":"longlane.trip.opened"}`, `{"id":1,"type":"x"}`} {
		if _, err := Parse([]byte(bad)); err == nil {
			t.Errorf("Parse(%q) takes it for an event", bad)
		}
	}
}

// TestTemplates: what templates make, and what is wrong with them, in words.
func TestTemplates(t *testing.T) {
	const asJSON, asText = "application/json", "text/plain"
	for _, c := range []struct{ text, typ, want, err string }{
		{"", Structured, string(Sample("opened", false).CloudEvent), ""},
		{"{{json .CloudEvent}}", asJSON, string(Sample("opened", false).CloudEvent), ""},
		{"{{.CloudEvent}}", asJSON, string(Sample("opened", false).CloudEvent), ""},
		{`{"z": {{json .Title}}, "age": {{json .Age}}, "hops": {{json .Hops}}}`, "application/vnd.shop+json",
			`{"z": "River gate", "age": 0.41, "hops": [{"from":"river-gate","to":"house","rssi_dbm":null,"snr_db":null,"margin_db":null,"held_s":0,"verified":true}]}`, ""},
		{`{{.Title}}: {{.Kind}}`, asText, "River gate: opened", ""},
		{`{"z": "{{.Title}}"}`, asJSON, "", "with quotation marks in its texts and without what may be missing: it makes"},
		{`{"age": {{.Age}}}`, asJSON, "", "not JSON"},
		{`{{.Zon}}`, asText, "", "can't evaluate field Zon"},
		{`{{.Zone`, asText, "", "1: unclosed action"},
		{`{{nothing .Zone}}`, asText, "", `function "nothing" not defined`},
		{`{{range .Hops}}{{.Bad}}{{end}}`, asText, "", "can't evaluate field Bad"},
		{`{{define "a"}}x{{template "a"}}{{end}}{{template "a"}}`, asText, "", ""}, // without end
		{`{{printf "%70000d" 1}}`, asText, "", "more than 64 KiB"},
	} {
		tpl, err := Compile(c.text, c.typ)
		var got []byte
		if err == nil {
			got, err = tpl.Try(Kinds)
		}
		switch {
		case c.err == "" && c.want == "":
			if err == nil {
				t.Errorf("%s: no error", c.text)
			}
		case c.err == "" && (err != nil || string(got) != c.want):
			t.Errorf("%s makes %q, %v; want %q", c.text, got, err, c.want)
		case c.err != "" && (err == nil || !strings.Contains(err.Error(), c.err)):
			t.Errorf("%s: error %v, want one with %q", c.text, err, c.err)
		}
	}
}

// FuzzJSON: whatever stands in an event, what json makes of it is JSON that says the same.
func FuzzJSON(f *testing.F) {
	for _, s := range []string{"", `"`, "\\", "\u2028</script>", "\x00", "\xff", "{{.Zone}}"} {
		f.Add(s)
	}
	tpl, err := Compile(`{"d": {{json .Detail}}}`, "application/json")
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, detail string) {
		b, err := tpl.Make(&Event{Detail: detail})
		if err != nil {
			t.Fatal(err)
		}
		var got struct{ D string }
		if err := json.Unmarshal(b, &got); err != nil || utf8.ValidString(detail) && got.D != detail {
			t.Errorf("%q became %s, %q, %v", detail, b, got.D, err)
		}
	})
}
