package ether

import (
	"time"

	"longlane/radio/lora"
	"longlane/radio/node"
)

// What a node on a battery draws, mA: typical figures of radio and controller together. Source: SX1262 datasheet, sending at
// +14 dBm and receiving at 125 kHz, from memory; asleep: common practice, no source.
const (
	drawAsleep    = 0.005
	drawReceiving = 5.3
	drawSending   = 45.0
)

// A cell's voltage: flat until nine tenths are used, then falling to where the unit stops. Common practice, no source.
const (
	cellFull  = 3.6
	cellEmpty = 2.7
	cellKnee  = 0.9
)

// battery is what a node's battery has given.
type battery struct {
	capacity float64 // mAh; 0: it never ends
	idle     float64 // mA, whatever else it does
	used     float64 // by radio on top of that, mAh
}

func newBattery(spec *Node) battery {
	if spec.Mains {
		return battery{}
	}
	if spec.Relay {
		return battery{capacity: spec.Battery, idle: drawReceiving}
	}
	return battery{capacity: spec.Battery, idle: drawAsleep}
}

func (b *battery) sending(d time.Duration)   { b.used += d.Hours() * drawSending }
func (b *battery) receiving(d time.Duration) { b.used += max(d, 0).Hours() * drawReceiving }

// spent is the part that is gone after a time on.
func (b *battery) spent(on time.Duration) float64 {
	if b.capacity == 0 {
		return 0
	}
	return (b.used + on.Hours()*b.idle) / b.capacity
}

func (b *battery) volts(on time.Duration) float64 {
	return cellFull - (cellFull-cellEmpty)*max(0, b.spent(on)-cellKnee)/(1-cellKnee)
}

// lookEvery is how often a node looks at its battery.
const lookEvery = 6 * time.Hour

// measure tells the node what it measures of itself.
func (st *station) measure() {
	c := st.e.s.Air
	st.step(node.Measured{Battery: st.battery.volts(st.e.now), Temperature: 8, Noise: lora.ThermalNoise(c.Bandwidth) + c.NoiseFigure})
}

// scheduleEnd plans how a node ends, or changes hands, if it does.
func (st *station) scheduleEnd() {
	if st.spec.Dies != 0 {
		st.e.at(time.Duration(st.spec.Dies), func() { st.die("as the scenario says") })
	}
	if st.spec.Stolen != 0 {
		st.e.at(time.Duration(st.spec.Stolen), st.steal)
	}
	if st.battery.capacity == 0 {
		return
	}
	var look func()
	look = func() {
		if st.battery.spent(st.e.now) >= 1 {
			st.die("its battery is empty")
		} else if !st.dead {
			st.measure()
			st.e.at(st.e.now+lookEvery, look)
		}
	}
	st.e.at(lookEvery, look)
}

func (st *station) die(why string) {
	if st.dead {
		return
	}
	st.dead, st.died, st.planned = true, why, never
	st.e.record(Record{What: RecordDied, Node: st.spec.Name, Why: why})
}
