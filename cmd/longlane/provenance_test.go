package main

import (
	"bufio"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strings"
	"time"

	"longlane/gateway/roster"
	"longlane/proto"
	"longlane/radio/ether"
)

// provenance holds what arrived against what was on the air. It takes frames apart by itself and goes by bytes, so that it
// need not believe what the gateway made of them: a delivery must come from a frame whose part under the MAC somebody
// genuine has sent, and must say of each hop what stood in that frame and what the modem measured.
type provenance struct {
	h      *house
	roster *roster.Roster
	sent   map[string]bool            // a genuine frame's part under the MAC, hops left blanked
	began  map[string]float64         // id/attempt: when a node first wanted to send it
	made   map[string]ether.Record    // by id
	hops   map[string]map[string]bool // id/attempt: what relays have truly written
	heard  map[string][]heardFrame    // node.generation.low counter/attempt: what the modem was handed
}

type heardFrame struct {
	t       float64
	genuine bool
	why     string
	base    string // as in sent
	way     string // the hops in the frame, and the modem's
	proven  []bool // by hop: its record verifies
}

func hopWay(to string, rssi, snr float64) string {
	return fmt.Sprintf("%s %.2f %.2f, ", to, rssi+0, snr+0)
} // + 0: no "-0"

func (h *house) provenance() *provenance {
	h.t.Helper()
	r, err := roster.Open(h.path("state"))
	if err != nil {
		h.t.Fatal(err)
	}
	p := &provenance{h, r, map[string]bool{}, map[string]float64{}, map[string]ether.Record{},
		map[string]map[string]bool{}, map[string][]heardFrame{}}
	f, err := os.Open(h.path("sim.jsonl"))
	if err != nil {
		h.t.Fatal(err)
	}
	defer f.Close()
	lines := bufio.NewScanner(f)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		var rec ether.Record
		if err := json.Unmarshal(lines.Bytes(), &rec); err != nil {
			h.t.Fatalf("the simulator wrote %q: %v", lines.Text(), err)
		}
		p.take(rec)
	}
	return p
}

func (p *provenance) take(r ether.Record) {
	key := ""
	if r.ID != "" && r.Attempt != nil {
		key = fmt.Sprintf("%s/%d", r.ID, *r.Attempt)
		for _, hop := range r.Hops {
			if p.hops[key] == nil {
				p.hops[key] = map[string]bool{}
			}
			p.hops[key][hopWay(hop.Relay, hop.RSSI, hop.SNR)] = true
		}
	}
	switch r.What {
	case ether.RecordMade:
		p.made[r.ID] = r
	case ether.RecordWithheld:
		p.begins(key, r.T)
	case ether.RecordSent:
		_, base, _ := p.parse(r.Frame)
		p.sent[base] = true
		p.begins(key, r.T)
	case ether.RecordHeard:
		raw, base, way := p.parse(r.Frame)
		if base == "" {
			return
		}
		f := heardFrame{r.T, r.Why == "", r.Why, base, way + hopWay("house", *r.RSSI, *r.SNR), p.proven(raw)}
		if f.genuine {
			p.sameHops(r, way)
		}
		k := heardKey(raw.Node, raw.Gen, raw.Counter, raw.Attempt)
		p.heard[k] = append(p.heard[k], f)
	}
}

// begins notes the first time that a node wanted to send a frame: the same bytes may go later, when the channel is free, and again,
// while nothing shows that anybody has them.
func (p *provenance) begins(key string, at float64) {
	if _, again := p.began[key]; !again {
		p.began[key] = at
	}
}

// sameHops holds the simulator to its word: the hops it tells of are those in the frame.
func (p *provenance) sameHops(r ether.Record, way string) {
	told := ""
	for _, hop := range r.Hops {
		told += hopWay(hop.Relay, hop.RSSI, hop.SNR)
	}
	if told != way {
		p.h.t.Errorf("the simulator says that a frame went by %q; in it stands %q", told, way)
	}
}

func heardKey(node, gen uint8, counter uint32, attempt uint16) string {
	return fmt.Sprintf("%d.%d.%d/%d", node, gen, uint16(counter), attempt)
}

// parse gives the part under the MAC, with the hops left blanked, and the hops; empty if it is no frame.
func (p *provenance) parse(text string) (raw proto.Raw, base, way string) {
	b, err := hex.DecodeString(text)
	if err != nil {
		return raw, "", ""
	}
	if raw, err = proto.Parse(b); err != nil {
		return raw, "", ""
	}
	for i := range raw.HopCount() {
		hop := raw.Hop(i)
		way += hopWay(p.name(hop.Relay), hop.RSSI.DBm(), hop.SNR.DB())
	}
	b[1] &= 0xf0
	return raw, hex.EncodeToString(b[:len(b)-raw.HopCount()*proto.HopSize]), way
}

// proven verifies the hop records with the relays' keys.
func (p *provenance) proven(raw proto.Raw) (list []bool) {
	for i := range raw.HopCount() {
		hop := raw.Hop(i)
		keys, err := p.roster.Keys(hop.Relay, hop.Gen)
		n := p.roster.Node(hop.Relay)
		list = append(list, err == nil && n != nil && hop.Gen <= n.Gen && raw.VerifyHop(i, keys))
	}
	return list
}

func (p *provenance) name(id uint8) string {
	if n := p.roster.Node(id); n != nil {
		return n.Name
	}
	return fmt.Sprintf("node-%d", id)
}

// check looks at every delivery and counts those that came by an altered frame (a genuine one with a hop record that does
// not verify, say).
func (p *provenance) check() (altered int) {
	p.h.t.Helper()
	all := p.h.sub.all()
	began := p.simulatorsStart(all)
	for _, d := range all {
		if !strings.HasSuffix(d.topic, "/trip") || strings.HasSuffix(d.event.ID, ".time") {
			continue
		}
		f, why := p.source(d)
		if why != "" {
			p.h.t.Errorf("%s: %s\n%s", d.event.ID, why, d.payload)
			continue
		}
		if !f.genuine {
			altered++
		}
		p.checkWords(d)
		p.checkAge(d, began)
	}
	return altered
}

func wayOf(d delivery) (way string) {
	for _, hop := range d.event.Data.Hops {
		way += hopWay(hop.To, orNaN(hop.RSSI), orNaN(hop.SNR)) // damage may leave one of them without a meaning
	}
	return way
}

func orNaN(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}

// source finds the frame that a delivery came from, or says what is wrong.
func (p *provenance) source(d delivery) (best heardFrame, why string) {
	var node, gen uint8
	var counter uint32
	if n, _ := fmt.Sscanf(d.event.ID, "%d.%d.%d", &node, &gen, &counter); n != 3 {
		return best, "this is no event's id"
	}
	heard, way := p.heard[heardKey(node, gen, counter, d.event.Data.Attempt)], wayOf(d)
	ways := []string{}
	for _, f := range heard {
		ways = append(ways, f.way)
		if f.way != way || !p.sent[f.base] {
			continue
		}
		if why = p.checkHops(d, f); why == "" {
			return f, "" // a damaged frame may say the same hops as the genuine one, and only fail to prove them
		}
	}
	if why == "" {
		why = fmt.Sprintf("it came by %q; no frame that somebody sent came that way, only by %q", way, ways)
	}
	return best, why
}

// checkHops holds the event's word on each hop, proven or not, against what relays have written.
func (p *provenance) checkHops(d delivery, f heardFrame) (why string) {
	written := p.hops[fmt.Sprintf("%s/%d", d.event.ID, d.event.Data.Attempt)]
	for i, hop := range d.event.Data.Hops[:len(d.event.Data.Hops)-1] {
		one := "of nothing that was measured"
		if hop.RSSI != nil && hop.SNR != nil {
			one = hopWay(hop.To, *hop.RSSI, *hop.SNR)
		}
		if f.genuine && !hop.Verified {
			return "a genuine hop record does not verify: " + one
		}
		if hop.Verified && !written[one] {
			return "a hop record that no relay has written verifies: " + one
		}
		if hop.Verified != f.proven[i] {
			return fmt.Sprintf("hop %d of %q: its record verifies: %v, the event says %v", i+1, f.way, f.proven[i], hop.Verified)
		}
	}
	return ""
}

// checkWords compares what the event says with what happened at the gate.
func (p *provenance) checkWords(d delivery) {
	p.h.t.Helper()
	made, phase := p.made[d.event.ID], "opened"
	if made.Kind == "closing" {
		phase = "closed"
		if got := d.event.Data.Dwell; got == nil || math.Abs(*got-*made.Dwell) > 0.002+*made.Dwell/4096 {
			p.h.t.Errorf("%s: the contact was tripped for %g s; the event says %s", d.event.ID, *made.Dwell, d.payload)
		}
	}
	if d.event.Type != "longlane.trip."+phase || d.event.Data.Node != made.Node || d.event.Data.Zone != made.Node {
		p.h.t.Errorf("%s: an %s at %s; the event says %s", d.event.ID, made.Kind, made.Node, d.payload)
	}
}

// simulatorsStart is when the simulated air began, a little late: no delivery came before its frame was heard.
func (p *provenance) simulatorsStart(all []delivery) (began time.Time) {
	for _, d := range all {
		if f, why := p.source(d); why == "" {
			if at := d.at.Add(-ofSeconds(f.t)); began.IsZero() || at.Before(began) {
				began = at
			}
		}
	}
	return began
}

func ofSeconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// checkAge holds an age between two bounds. The frame was not sealed before its node began to send it, so the event was at
// least as old as then; and it cannot be older than it was when mosquitto_sub wrote it. A frame carries its age as a code
// with an error of up to 1/16.
func (p *provenance) checkAge(d delivery, began time.Time) {
	p.h.t.Helper()
	made := p.made[d.event.ID]
	edge := made.T - *made.Age
	least := p.began[fmt.Sprintf("%s/%d", d.event.ID, d.event.Data.Attempt)] - edge
	most := d.at.Sub(began).Seconds() - edge
	if a := d.event.Data.Age; a == nil || *a < least*15/16-0.05 || *a > most*17/16+0.1 {
		p.h.t.Errorf("%s: its age must lie between %.2f s and %.2f s: %s", d.event.ID, least, most, d.payload)
	}
}

// checkRepeats: while no session ended and every acknowledgement came within the two seconds after which an alert goes
// over a second session as well, nothing may come twice.
func (h *house) checkRepeats(metrics string) {
	h.t.Helper()
	live := `longlane_publish_duration_seconds_%s{lane="live",sink="mqtt"%s}`
	if metric(metrics, fmt.Sprintf(live, "bucket", `,le="1"`)) != metric(metrics, fmt.Sprintf(live, "count", "")) {
		h.t.Log("the broker was slow: repeats are allowed")
		return
	}
	for id, n := range h.sub.ids() {
		if n != 1 {
			h.t.Errorf("%s came %d times in one session", id, n)
		}
	}
}
