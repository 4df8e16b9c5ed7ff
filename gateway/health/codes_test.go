package health

import (
	"encoding/json"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"longlane/proto"
)

// finds has a node find a fault, and end it.
func finds(kind proto.FaultKind, arg uint16) func(*place, bool) {
	return func(p *place, ended bool) {
		p.tells("river", proto.Fault{Kind: kind, Ended: ended, Argument: arg, Battery: proto.EncodeBattery(3.1)})
		if !ended {
			return
		}
		p.quiet(30 * time.Hour)
	}
}

// quiet has all nodes check in for a while, with nothing wrong.
func (p *place) quiet(d time.Duration) {
	for end := p.now + d; p.now < end; {
		for _, n := range []string{"river", "ridge", "barn", "shed"} {
			p.checkIn(n, 12, nil)
		}
		p.pass(14*time.Minute, 7*time.Minute)
	}
}

// each has something done every quarter of an hour, with all nodes there.
func (p *place) each(d time.Duration, do func(i int)) {
	i := 0
	for end := p.now + d; p.now < end; i++ {
		for _, n := range []string{"ridge", "barn", "shed"} {
			p.checkIn(n, 12, nil)
		}
		do(i)
		p.pass(14*time.Minute, 7*time.Minute)
	}
}

// cases bring each code about, and end it.
var cases = []struct {
	code    Code
	subject Subject
	do      func(p *place, end bool)
}{
	{Overdue, aNode("river"), func(p *place, end bool) {
		if end {
			p.quiet(time.Minute)
			return
		}
		p.each(time.Hour, func(int) {})
	}},
	{Restarts, aNode("river"), func(p *place, end bool) {
		p.each(8*day, func(i int) {
			p.checkIn("river", 12, func(b *proto.CheckIn) { b.Restarts = uint8(250 + min(i, 10)) })
			if !end && i == 10 {
				p.tick()
				p.want(Restarts, aNode("river"), true)
			}
		})
		if !end { // it has ended meanwhile: once more
			p.each(3*time.Hour, func(i int) { p.checkIn("river", 12, func(b *proto.CheckIn) { b.Restarts = uint8(i) }) })
		}
	}},
	{ClockDrift, aNode("river"), func(p *place, end bool) {
		p.each(2*day, func(int) {
			p.checkIn("river", 12, nil)
			offset := -3 * time.Second
			if end {
				offset = time.Second / 2
			}
			p.w.Offset(p.at(), "river", offset, 15*time.Minute)
		})
	}},
	{MainsLost, aNode("river"), func(p *place, end bool) {
		p.each(3*time.Hour, func(i int) {
			p.checkIn("river", 12, func(b *proto.CheckIn) { b.Mains = end || i == 0 })
		})
	}},
	{BatteryLow, aNode("river"), func(p *place, end bool) {
		if p.volts = 3.2; end {
			p.volts = 3.8
		}
		p.quiet(26 * time.Hour)
	}},
	{BatteryFades, aNode("river"), func(p *place, end bool) {
		p.each(40*day, func(i int) {
			if p.volts -= 0.0001; end {
				p.volts = 3.9
			}
			p.checkIn("river", 12, nil)
		})
	}},
	{Tamper, aNode("river"), finds(proto.FaultTamper, 0)},
	{EventsLost, aNode("river"), finds(proto.FaultLost, 12)},
	{NumberStore, aNode("river"), finds(proto.FaultNumbers, 0)},
	{Losses, Subject{KindHop, "ridge", "barn"}, func(p *place, end bool) {
		p.each(5*day, func(i int) {
			p.checkIn("river", 12, nil)
			if !end && i%2 == 0 {
				p.counter["ridge"]++ // one that does not come
			}
		})
	}},
	{MarginLow, Subject{KindHop, "river", "house"}, func(p *place, end bool) {
		p.each(10*day, func(int) {
			margin := 1.5
			if end {
				margin = 9
			}
			p.checkIn("river", margin, nil)
		})
	}},
	{MarginFalls, Subject{KindHop, "river", "house"}, func(p *place, end bool) {
		from := p.now
		p.each(40*day, func(int) {
			margin := 14 - float64(p.now-from)/float64(7*day)
			if end {
				margin = 9
			}
			p.checkIn("river", margin, nil)
		})
	}},
	{Blocked, aZone("river-gate"), finds(proto.FaultBlocked, 600)},
	{Chatter, aZone("river-gate"), finds(proto.FaultChatter, 90)},
	{InputWire, aZone("river-gate"), finds(proto.FaultInput, 65535)},
	{ModemAbsent, Subject{Kind: KindBearer, Name: "lora"}, func(p *place, end bool) {
		p.w.Bearer(p.at(), "lora", end)
		p.pass(2*time.Minute, time.Second)
	}},
	{BearerDeaf, Subject{Kind: KindBearer, Name: "lora"}, func(p *place, end bool) {
		if end {
			p.quiet(2 * time.Hour)
			return
		}
		p.quiet(time.Hour)
		p.pass(40*time.Minute, time.Second)
	}},
	{Jammed, Subject{Kind: KindBearer, Name: "lora"}, func(p *place, end bool) {
		if end {
			p.quiet(2 * time.Hour)
			return
		}
		for _, n := range []string{"river", "ridge", "barn"} {
			p.checkIn(n, 12, nil)
		}
		for range 240 {
			p.w.Noise(p.at(), "lora", -95)
			p.pass(10*time.Second, time.Second)
		}
	}},
	{ChannelNoisy, Subject{Kind: KindBearer, Name: "lora"}, func(p *place, end bool) {
		level := -104.0
		if end {
			level = -117
		}
		for range 7 * 60 {
			p.w.Noise(p.at(), "lora", level)
			p.pass(time.Minute, time.Minute)
		}
	}},
	{ChannelBusy, Subject{Kind: KindBearer, Name: "lora"}, func(p *place, end bool) {
		for i := range 7 * 60 {
			p.w.Busy(p.at(), "lora", !end && i%3 > 0)
			p.pass(time.Minute, time.Minute)
		}
	}},
	{Forged, Subject{Kind: KindGateway, Name: "house"}, refused(WrongKey, forgedMany)},
	{Replayed, Subject{Kind: KindGateway, Name: "house"}, refused(Recorded, replayedMany)},
	{SinkAbsent, Subject{Kind: KindSink, Name: "broker"}, func(p *place, end bool) {
		for range 120 {
			p.w.Sink(p.at(), "broker", end)
			p.pass(time.Second, time.Second)
		}
	}},
	{DiskFilling, Subject{Kind: KindGateway, Name: "house"}, func(p *place, end bool) {
		for i := range 9 * 60 {
			used := 0.5 + float64(i)/1000
			if end {
				used = 0.2
			}
			p.w.Disk(p.at(), used)
			p.pass(time.Minute, time.Minute)
		}
	}},
	{ClockNotSet, Subject{Kind: KindGateway, Name: "house"}, func(p *place, end bool) {
		p.unset = !end
		p.pass(10*time.Minute, time.Second)
	}},
}

// TestEveryCode: each code is reached, begins once, says in plain words why, by numbers, and what to do, and ends once.
func TestEveryCode(t *testing.T) {
	reached := map[Code]bool{}
	for _, c := range cases {
		t.Run(string(c.code), func(t *testing.T) {
			reached[c.code] = true
			p := newPlace(t, orchard(15*time.Minute))
			p.quiet(time.Hour)
			c.do(p, false)
			p.tick()
			p.want(c.code, c.subject, true)
			if p.w.Severity(c.subject) == Well {
				t.Errorf("%v is well", c.subject)
			}
			for _, v := range p.w.Standing() {
				plain(t, v)
			}
			began := p.count(c.code, c.subject)
			c.do(p, true)
			p.tick()
			p.want(c.code, c.subject, false)
			last, _ := p.last(c.code, c.subject)
			if want := 1; c.code != Restarts && began != want || !last.Ended || last.Subject != c.subject {
				t.Errorf("began %d times, want %d; the last change: %+v", began, want, last)
			}
			for _, change := range p.changes {
				plain(t, change.Verdict)
			}
		})
	}
	for _, code := range Codes {
		if !reached[code] {
			t.Errorf("%s is never reached", code)
		}
		if _, there := rules[code]; !there {
			t.Errorf("%s has no rule", code)
		}
	}
	if len(rules) != len(Codes) {
		t.Errorf("%d rules for %d codes", len(rules), len(Codes))
	}
}

// jargon is what no owner need know; format is what a broken text shows.
var (
	jargon = regexp.MustCompile(`(?i)\b(rssi|snr|mac|crc|ewma|null|nil|nan|timeout|retry|verdict|bool|inf|uplink|downlink)\b`)
	format = regexp.MustCompile(`%!|%[a-z]|\bNaN\b|\+Inf|  |0001`)
)

// plain finds what is missing in a verdict or not fit for its reader.
func plain(t *testing.T, v Verdict) {
	t.Helper()
	for name, text := range map[string]string{"reason": v.Reason, "remedy": v.Remedy} {
		if len(text) < 20 || !strings.HasSuffix(text, ".") || jargon.MatchString(text) || format.MatchString(text) {
			t.Errorf("%s of %v: its %s is no plain sentence: %q", v.Code, v.Subject, name, text)
		}
	}
	if len(v.Evidence) == 0 || v.Severity == Well || !slices.Contains(Codes, v.Code) || v.Since.Mono == 0 {
		t.Errorf("not filled in: %+v", v)
	}
	for _, f := range v.Evidence {
		if f.Name == "" || math.IsNaN(f.Value) || math.IsInf(f.Value, 0) {
			t.Errorf("%s of %v: figure %+v", v.Code, v.Subject, f)
		}
	}
	if _, err := json.Marshal(v); err != nil {
		t.Errorf("%s of %v: %v", v.Code, v.Subject, err)
	}
}

// refused has so many frames refused for a reason, and ends that by a day and more without one.
func refused(why Refusal, many int) func(p *place, end bool) {
	return func(p *place, end bool) {
		if end {
			p.pass(25*time.Hour, time.Minute)
			return
		}
		for range many {
			p.w.Refused(p.at(), why)
			p.pass(time.Minute, time.Minute)
		}
	}
}
