//go:build !arm

package chart

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"image/png"
	"io"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"longlane/gateway/rehearsal"
	"longlane/radio/lora"
)

var keep = flag.String("keep", "", "write the pictures into this directory as well, to look at them")

// busy is a report of many stations.
func busy(t *testing.T, stations int) *rehearsal.Report {
	t.Helper()
	band, err := lora.Lawful("europe", lora.Default("europe"))
	if err != nil {
		t.Fatal(err)
	}
	r := &rehearsal.Report{Name: `the "wide" meadow <north & south>`, Band: band}
	for i := range stations {
		r.Nodes = append(r.Nodes, rehearsal.Node{Name: fmt.Sprintf("gate-%02d", i), Hour: time.Duration(10+i) * 40 * time.Millisecond, Limit: band.Budget()})
	}
	const n = 2000
	r.Trips.Made, r.Trips.Delivered = n, n
	for i := range n {
		d := time.Duration(80*math.Pow(1.0062, float64(i))) * time.Millisecond // up to five hours
		r.Distribution = append(r.Distribution, rehearsal.Point{Share: float64(i+1) / n, Within: d})
		r.Slowest = d
	}
	for _, share := range []float64{0.5, 0.9, 0.99, 0.999} {
		r.Latency = append(r.Latency, rehearsal.Point{Share: share, Within: r.Distribution[int(share*n)-1].Within})
	}
	r.Losses = []rehearsal.Loss{{Direction: "to the gateway", Why: "faded", Frames: 1234567}, {Direction: "from the gateway", Why: "faded", Frames: 999},
		{Direction: "to the gateway", Why: "occupied by another frame", Frames: 3}, {Direction: "from the gateway", Why: "not listening", Frames: 1}}
	return r
}

func write(t *testing.T, r *rehearsal.Report, f Format) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, r, f); err != nil {
		t.Fatal(err)
	}
	if *keep != "" {
		name := fmt.Sprintf("%s/%s.%s", *keep, strings.ReplaceAll(t.Name(), "/", "-"), f)
		if err := os.WriteFile(name, b.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return b.Bytes()
}

// label is a text in an SVG. The library turns the picture over as a whole and each text back, so y counts downwards from
// one below 0.
type label struct {
	X    float64 `xml:"x,attr"`
	Y    float64 `xml:"y,attr"`
	Text string  `xml:",chardata"`
	Turn string  `xml:"transform,attr"`
}

// labelsOf reads an SVG as the XML that it must be.
func labelsOf(t *testing.T, svg []byte) (list []label) {
	t.Helper()
	for d := xml.NewDecoder(bytes.NewReader(svg)); ; {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return list
		} else if err != nil {
			t.Fatalf("this is no XML: %v", err)
		}
		if e, ok := token.(xml.StartElement); ok && e.Name.Local == "text" {
			var l label
			if err := d.DecodeElement(&l, &e); err != nil {
				t.Fatal(err)
			}
			l.Text = strings.TrimSpace(l.Text)
			list = append(list, l)
		}
	}
}

func words(list []label) string {
	var all []string
	for _, l := range list {
		all = append(all, l.Text)
	}
	return strings.Join(all, "\n")
}

// TestMany: of 61 stations the 20 busiest are shown and the chart says so; no label stands on another; the axes have marks
// that people know.
func TestMany(t *testing.T) {
	r := busy(t, 61)
	list := labelsOf(t, write(t, r, SVG))
	write(t, r, PNG)
	all := words(list)
	for _, want := range []string{"(the 20 busiest of 61)", `the "wide" meadow <north & south>: how long trips took`, "gate-60", "gate-41", "0.1 s", "1 s", "10 s", "1 min",
		"10 min", "1 h", "1 day", "50 %", "90 %", "99 %", "99.9 %", "all", "share of 2000 trips delivered", "dashed: the limit, 6 min in any hour (europe, 869.4-869.65 MHz)",
		"faded", "1234567", "999", "to the gateway", "from the gateway", rehearsal.Words(r.Slowest), rehearsal.Words(r.Latency[1].Within)} {
		if !strings.Contains(all, want) {
			t.Errorf("no label %q in\n%s", want, all)
		}
	}
	if strings.Contains(all, "gate-40") {
		t.Error("the 21st station is shown")
	}
	apart(t, list)
}

// apart judges by the room that letters take: half their height each, roughly, and their whole height.
func apart(t *testing.T, list []label) {
	t.Helper()
	const high, wide = 8.0, 3.6 // of the smallest letters, points
	for i, a := range list {
		for _, b := range list[:i] {
			if a.Turn != b.Turn || a.Text == "" || b.Text == "" {
				continue // the one that stands upright
			}
			left, right := a, b
			if left.X > right.X {
				left, right = right, left
			}
			if math.Abs(a.Y-b.Y) < 0.9*high && left.X+wide*float64(len([]rune(left.Text))) > right.X {
				t.Errorf("%q at %.0f, %.0f stands on %q at %.0f, %.0f", a.Text, a.X, a.Y, b.Text, b.X, b.Y)
			}
		}
	}
}

// TestFew: what is missing is said, and what is unlawful is marked: by a cross, which is drawn as lines, not filled.
func TestFew(t *testing.T) {
	r := busy(t, 2)
	r.Nodes[1].Hour = 2 * r.Band.Budget()
	r.Trips.Delivered, r.Distribution, r.Latency, r.Losses = 0, nil, nil, nil
	svg := write(t, r, SVG)
	if n := strings.Count(string(svg), "stroke:#E69F00"); n != 2 { // the lines of one cross
		t.Errorf("%d lines of crosses, want 2", n)
	}
	list := labelsOf(t, svg)
	for _, want := range []string{"no trip was delivered", "No frame was lost", "gate-01", "1 h"} {
		if !strings.Contains(words(list), want) {
			t.Errorf("no label %q in\n%s", want, words(list))
		}
	}
	apart(t, list)
	one := busy(t, 1)
	one.Trips.Delivered, one.Distribution, one.Latency = 1, []rehearsal.Point{{Share: 1, Within: 0}}, nil
	one.Slowest = 0
	one.Nodes[0].Hour = 0
	list = labelsOf(t, write(t, one, SVG))
	if all := words(list); !strings.Contains(all, "share of 1 trip delivered") {
		t.Errorf("one trip: %s", all)
	}
	apart(t, list)
	write(t, one, PNG)
}

// TestPNG: the picture can be read, is as large as it is meant to be, and something is drawn in each colour.
func TestPNG(t *testing.T) {
	img, err := png.Decode(bytes.NewReader(write(t, busy(t, 30), PNG)))
	if err != nil {
		t.Fatal(err)
	}
	if w := img.Bounds().Dx(); w != int(7.5*dpi) || img.Bounds().Dy() < w {
		t.Errorf("the picture is %v", img.Bounds())
	}
	count := map[[3]uint32]int{}
	for y := range img.Bounds().Dy() {
		for x := range img.Bounds().Dx() {
			r, g, b, _ := img.At(x, y).RGBA()
			count[[3]uint32{r >> 8, g >> 8, b >> 8}]++
		}
	}
	for name, c := range map[string][3]uint32{"blue": {0, 0x72, 0xb2}, "orange": {0xe6, 0x9f, 0}, "black": {0, 0, 0}} {
		if count[c] < 100 {
			t.Errorf("%d dots of %s", count[c], name)
		}
	}
}

// TestSameReportSameChart: a chart is a function of the report.
func TestSameReportSameChart(t *testing.T) {
	for _, f := range []Format{SVG, PNG} {
		if !bytes.Equal(write(t, busy(t, 30), f), write(t, busy(t, 30), f)) {
			t.Errorf("two charts of one report differ as %s", f)
		}
	}
}

func TestFormatOf(t *testing.T) {
	for name, want := range map[string]Format{"a.svg": SVG, "b/c.PNG": PNG, "a.pdf": "", "svg": "", "": "", "x.": ""} {
		if got, err := FormatOf(name); got != want || (err == nil) != (want != "") {
			t.Errorf("FormatOf(%q) = %q, %v, want %q", name, got, err, want)
		}
	}
}
