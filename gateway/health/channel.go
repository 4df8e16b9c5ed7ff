package health

import (
	"fmt"
	"time"

	"longlane/radio/lora"
)

// bearer is what is known of one.
type bearer struct {
	Bearer
	up      bool
	upSince time.Duration // or when it went down
	heard   time.Duration // when a proven frame last came by it
	noise   latest        // dBm
	busy    latest        // 1: the channel was in use when the gateway wanted to send; 0: it was not
}

// latest are the newest readings.
type latest struct {
	values []float64
	at     time.Duration
}

func (l *latest) add(v float64, most int) {
	if len(l.values) == most {
		l.values = l.values[:copy(l.values, l.values[1:])]
	}
	l.values = append(l.values, v)
}

const (
	usualFigure = 6.0  // dB, noise figure of a receiver; source: AN1200.22
	noiseHigh   = 10.0 // dB above what such a receiver hears by itself; a third of the reach is gone by then. Common practice, no source
	noiseFine   = 6.0  // dB
	noiseKept   = 30
	noiseEvery  = 10 * time.Second
	busyKept    = 20  // tries to send
	busyHigh    = 0.5 // of them
	busyFine    = 0.2
)

func (b *bearer) subject() Subject { return Subject{Kind: KindBearer, Name: b.Name} }

// Bearer takes in whether a bearer has a working device behind it.
func (w *Watcher) Bearer(at Time, name string, up bool) {
	b := w.bearers[name]
	if b == nil || b.up == up {
		return
	}
	b.up, b.upSince = up, at.Mono
	for _, n := range w.nodes { // what was sent meanwhile was not lost on its way
		n.skipGap = true
	}
}

// Noise takes in the noise floor that a bearer's modem measures, in dBm. It may be told as often as one likes.
func (w *Watcher) Noise(at Time, name string, dBm float64) {
	b := w.bearers[name]
	if b == nil || !b.Radio || dBm != dBm || len(b.noise.values) > 0 && at.Mono-b.noise.at < noiseEvery {
		return
	}
	b.noise.at = at.Mono
	b.noise.add(dBm, noiseKept)
}

// Busy takes in whether the channel was in use when the gateway was about to send.
func (w *Watcher) Busy(at Time, name string, busy bool) {
	b := w.bearers[name]
	if b == nil {
		return
	}
	v := 0.0
	if busy {
		v = 1
	}
	b.busy.at = at.Mono
	b.busy.add(v, busyKept)
}

// above is by how many dB the noise floor lies above what the receiver makes itself; ok is false while too little is known.
func (b *bearer) above() (dB float64, ok bool) {
	if len(b.noise.values) < noiseKept/3 {
		return 0, false
	}
	return median(b.noise.values) - lora.ThermalNoise(b.Settings.Bandwidth) - usualFigure, true
}

func (b *bearer) busyShare() (share float64, ok bool) {
	for _, v := range b.busy.values {
		share += v / busyKept
	}
	return share, len(b.busy.values) == busyKept
}

func (w *Watcher) bearerTick(at Time, b *bearer) {
	s := b.subject()
	w.judge(at, ModemAbsent, s, stateOf(!b.up, b.up), func(v *Verdict) {
		v.Evidence = []Figure{{"absent for", (at.Mono - b.upSince).Seconds(), "s"}}
		v.Reason = fmt.Sprintf("%s does not work: nothing that comes by it can be heard.", b.Name)
		v.Remedy = "See that its plug is in and its light is on; the log says what is wrong with it. The gateway takes it up again by itself."
	})
	if above, ok := b.above(); ok {
		w.judge(at, ChannelNoisy, s, stateOf(above >= noiseHigh, above <= noiseFine), func(v *Verdict) {
			v.Evidence = []Figure{{"noise floor", round(median(b.noise.values), 1), "dBm"}, {"above a quiet channel", round(above, 1), "dB"}}
			v.Reason = fmt.Sprintf("The channel of %s is noisy: %.0f dB more than on a quiet one. The margin of every node that comes by it is less by as much.", b.Name, above)
			v.Remedy = "Switch off what is near the antenna, one thing after the other: a screen, a charger, a motor, a cheap lamp. Put the antenna away from what it was, or use another channel that is lawful."
		})
	}
	if share, ok := b.busyShare(); ok {
		w.judge(at, ChannelBusy, s, stateOf(share >= busyHigh, share <= busyFine), func(v *Verdict) {
			v.Evidence = []Figure{{"tries to send at which others sent", round(100*share, 0), "%"}}
			v.Reason = fmt.Sprintf("The channel of %s is crowded: of 100 times that the gateway wants to send, somebody else is sending %.0f times. Receipts are late, and nodes send again.", b.Name, 100*share)
			v.Remedy = "Find out who else uses the channel, or use another that is lawful."
		})
	}
	w.deafTick(at, b, s)
}

// deafTick judges a bearer of which all nodes have fallen silent together, though its device works. Which of the two faults it is
// is decided when it begins.
func (w *Watcher) deafTick(at Time, b *bearer, s Subject) {
	silent := w.together(at, b)
	above, noisy := b.above()
	share, busy := b.busyShare()
	noisy, busy = noisy && above > noiseFine, busy && share > busyFine
	code := BearerDeaf
	if (noisy || busy || w.stands(Jammed, s)) && !w.stands(BearerDeaf, s) {
		code = Jammed
	}
	for _, c := range []Code{BearerDeaf, Jammed} {
		w.judge(at, c, s, stateOf(silent == bad && c == code, silent == good), func(v *Verdict) {
			v.Evidence = []Figure{{"nothing heard for", (at.Mono - b.heard).Seconds(), "s"}}
			if len(b.noise.values) > 0 {
				v.Evidence = append(v.Evidence, Figure{"above a quiet channel", round(above, 1), "dB"})
			}
			if len(b.busy.values) > 0 {
				v.Evidence = append(v.Evidence, Figure{"tries to send at which others sent", round(100*share, 0), "%"})
			}
			if c == Jammed {
				v.Reason = fmt.Sprintf("%s hears none of its nodes any more, and its channel is not quiet: something, or somebody, drowns them out.", b.Name)
				v.Remedy = "Take nobody's coming for granted nor nobody's absence: look at the gate yourself. Switch off what is new or faulty near the gateway. If it goes on, it may be meant."
				return
			}
			v.Reason = fmt.Sprintf("%s hears none of its nodes any more, all since about the same time, though its channel is quiet.", b.Name)
			v.Remedy = "Look at the gateway's antenna, its cable and plug first, then at a relay that all of them need. The modem's settings may have been changed."
		})
	}
}
