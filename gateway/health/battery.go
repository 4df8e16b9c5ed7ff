package health

import (
	"fmt"
	"math"

	"longlane/proto"
)

const (
	batteryRecovers = 1.03 // of the limit: what is above that is good again, as nodes have it
	lowInARow       = 3    // check-ins: one may have been measured while it sent
	batteryStep     = 0.01 // V
	batterySoon     = 60   // days ahead that a battery that runs down is told of
	batteryFall     = 0.02 // of the limit, within four weeks: less is weather
)

// supply takes in what a check-in says of the node's supply.
func (w *Watcher) supply(at Time, n *node, b *proto.CheckIn) {
	if b.Mains {
		n.mains = true
	}
	if n.mains {
		w.judge(at, MainsLost, n.subject(), stateOf(!b.Mains, b.Mains), func(v *Verdict) {
			v.Evidence = []Figure{{"battery", round(n.voltage, 2), "V"}}
			v.Reason = fmt.Sprintf("%s has lost the mains and runs from its battery.", n.Name)
			v.Remedy = "See to the breaker, the plug and the power supply before the battery is empty. Mains wiring is for a licensed electrician."
		})
	}
	volts, ok := b.Battery.Volts()
	if !ok {
		return
	}
	n.voltage = volts
	if n.LowBattery > 0 && volts < n.LowBattery {
		n.lowFor++
	} else {
		n.lowFor = 0
	}
	w.low(at, n)
	d, quarter := w.days.of(at)
	if n.battery.add(d, quarter, volts, batteryStep) && len(n.battery.Days) >= 2 && n.LowBattery > 0 {
		w.fades(at, n)
	}
}

// low judges by the node's own word, or by its check-ins if its limit is known here.
func (w *Watcher) low(at Time, n *node) {
	isGood := !n.nodeLow && (n.LowBattery == 0 || n.voltage >= n.LowBattery*batteryRecovers)
	w.judge(at, BatteryLow, n.subject(), stateOf(n.nodeLow || n.lowFor >= lowInARow, isGood), func(v *Verdict) {
		v.Told = n.nodeLow
		level := "it says so itself"
		if n.voltage > 0 { // else it has not told it since the gateway started
			level = fmt.Sprintf("%.2f V", n.voltage)
			v.Evidence = append(v.Evidence, Figure{"battery", round(n.voltage, 2), "V"})
		}
		if n.LowBattery > 0 {
			v.Evidence = append(v.Evidence, Figure{"least wanted", n.LowBattery, "V"})
		}
		v.Reason = fmt.Sprintf("The battery of %s is low: %s. It may fall silent at any time.", n.Name, level)
		v.Remedy = "Charge or change the battery now. If it has a panel, look for shade, snow and dirt on it."
	})
}

// fades looks for a battery that runs down. A straight line is cautious for most kinds of cell at first, and too hopeful at the end, where
// the voltage breaks down: so it is told long before.
func (w *Watcher) fades(at Time, n *node) {
	t := trendOf(n.battery.Days)
	in, first, last, ok := t.meets(n.LowBattery)
	st := t.falls(batteryFall * n.LowBattery)
	if st == bad && (!ok || in > batterySoon) {
		st = between
	}
	w.judge(at, BatteryFades, n.subject(), st, func(v *Verdict) {
		v.Evidence = append(t.evidence("V"), Figure{"least wanted", n.LowBattery, "V"}, Figure{"days until then", math.Round(in), "d"}, Figure{"at the earliest", math.Round(first), "d"})
		if !math.IsInf(last, 1) {
			v.Evidence = append(v.Evidence, Figure{"at the latest", math.Round(last), "d"})
		}
		v.Reason = fmt.Sprintf("The battery of %s runs down: %.2f V, and %.2f V less each week. At that pace it is low in %.0f days%s.",
			n.Name, t.Level, -7*t.Slope, in, date(at, in))
		v.Remedy = "Charge or change it before then. If it has a panel, see that nothing shades it."
	})
}
