package survey

import (
	"fmt"
	"math"

	"longlane/proto"
)

// Word is a verdict.
type Word string

// The verdicts.
const (
	Undecided Word = "not decided yet"
	Mount     Word = "mount it here"
	Step      Word = "one step back"
	Relay     Word = "needs a relay"
)

// The thresholds, and why. Fading is taken for Rayleigh's: see FadingLoss.
const (
	// Enough probes for a verdict. Where 2 in 100 are lost on the way there and back, at most one of 20 is missing in 94 of 100
	// walk tests; where 1 in 5 is lost, two or more are missing in 93 of 100 (binomial distribution). That less than 1 in 100
	// are lost they cannot show: only margins can.
	Enough = 20
	// Hopeless is after how many probes nobody need stand there any longer, if there was no word of any: were only 1 in 5 lost,
	// that would happen once in ten million walk tests.
	Hopeless = 10

	// MountMargin, dB: fading loses at most 1 frame in 100.
	MountMargin = 20
	// StepMargin, dB: fading loses 1 frame in 10. Repeats make up for that, as long as nothing grows into the way.
	StepMargin = 10
	// MountWorst, dB, for the worst tenth: under Rayleigh fading it lies 9.8 dB below the mean (1 - exp(-x) = 0.1), so it is
	// what MountMargin leaves of itself. Below it the signal comes and goes more than that.
	MountWorst = 10

	// MountAnswered and StepAnswered are shares of probes: with MountMargin 98 in 100 get there and back, with StepMargin 82.
	// Of 20 one may be lost to somebody else's frame as well.
	MountAnswered = 0.95
	StepAnswered  = 0.80

	// WithoutMargins is how many probes must be answered, every one, where no modem tells how it hears: of n frames of which
	// none was lost up to 3/n may be lost as a rule (with 95 % confidence; the rule of three, Hanley and Lippman-Hand 1983,
	// from memory), and 3/300 is 1 in 100.
	WithoutMargins = 300

	// Noisy, dB: something near that receiver disturbs it. Common practice, no source.
	Noisy = 6
)

// Weak is the weakest link of the way as far as it can be seen from here.
type Weak struct {
	Neighbour uint8   `json:"neighbour"`
	To        bool    `json:"to"`        // else from it
	Margin    float64 `json:"margin_db"` // median
}

// Verdict is what to do, and why, in sentences.
type Verdict struct {
	Word    Word     `json:"word"`
	Reasons []string `json:"reasons"`
	Weak    *Weak    `json:"weak,omitempty"` // nil: no margin is known
}

func (v *Verdict) because(format string, args ...any) {
	v.Reasons = append(v.Reasons, fmt.Sprintf(format, args...))
}

// lower takes w if it is the worse verdict.
func (v *Verdict) lower(w Word) {
	rank := map[Word]int{Mount: 0, Step: 1, Relay: 2}
	if rank[w] > rank[v.Word] {
		v.Word = w
	}
}

// Judge gives the verdict. enough is how many probes it wants, at least Enough.
func Judge(f Figures, enough int) Verdict {
	v := Verdict{Word: Mount}
	switch {
	case f.Probes >= Hopeless && len(f.Neighbours) == 0 && f.Answered == 0:
		v.Word = Relay
		v.because("Nobody was heard after %d probes, and none was answered.", f.Probes)
		v.because("Before you plan a relay make sure that the antenna is screwed on, that [modem] is set as the gateway's is, and that " +
			"the gateway runs.")
		return v
	case f.Probes < enough:
		return Verdict{Word: Undecided, Reasons: []string{fmt.Sprintf("Keep standing still: %d of %d probes.", f.Probes, enough)}}
	}
	n := f.best()
	if n == nil && f.Answered == 0 && len(f.Neighbours) > 0 {
		v.because("%s is heard here, but nobody hears this place: look at its own antenna, cable and power.", upper(Name(f.Neighbours[0].ID)))
	}
	v.margins(f, n)
	v.answers(f)
	v.noise(n)
	return v
}

// best is the neighbour to rely on; nil: nobody is known to hear this place.
func (f *Figures) best() *Neighbour {
	if len(f.Neighbours) == 0 || !f.hears(&f.Neighbours[0]) {
		return nil
	}
	return &f.Neighbours[0]
}

// margins judges by the best neighbour.
func (v *Verdict) margins(f Figures, n *Neighbour) {
	var d *Direction
	to := false
	if n != nil {
		d, to = n.weak()
	}
	if d == nil {
		v.because("No margin is known. By losses alone it takes %d probes, each of them answered, to show that at most 1 %% are lost.", WithoutMargins)
		if f.Probes < WithoutMargins || f.Answered < f.Probes {
			v.lower(Step)
		}
		return
	}
	v.Weak = &Weak{n.ID, to, d.Margin.Median}
	where := link(n.ID, to)
	m := math.Floor(d.Margin.Median)
	v.because("The weak direction is %s: %.0f dB above what is needed (median). Where signals fade at their worst that loses %.2g %% of the frames.",
		where, m, 100*FadingLoss(d.Margin.Median))
	switch {
	case d.Margin.Median < StepMargin:
		v.lower(Relay)
		v.because("Below %d dB more than 10 %% are lost, and wet leaves or snow take away what is left.", StepMargin)
	case d.Margin.Median < MountMargin:
		v.lower(Step)
		v.because("%d dB are wanted, which lose 1 %%.", MountMargin)
	case d.Margin.WorstTenth < MountWorst:
		v.lower(Step)
		v.because("But the signal comes and goes: a tenth of the frames has %.0f dB or less, where %d are wanted.", math.Floor(d.Margin.WorstTenth), MountWorst)
	default:
		v.because("%d dB are wanted, which lose 1 %%; what is above that is the reserve for wet leaves and snow.", MountMargin)
	}
	if n.To.Margin == nil {
		v.because("%s does not tell how it hears this place: for the way there its answers must do.", upper(Name(n.ID)))
	}
	if n.From.Margin == nil {
		v.because("How %s is heard here no modem tells.", Name(n.ID))
	}
}

// answers judges by the whole way there and back. Where the first hop is good the fault lies beyond it.
func (v *Verdict) answers(f Figures) {
	if f.Answered == 0 {
		v.lower(Relay)
		v.because("No probe was answered: what is sent here does not reach the gateway, or no receipt comes back.")
	} else if share := float64(f.Answered) / float64(f.Probes); share < MountAnswered {
		if v.lower(Step); share < StepAnswered {
			v.lower(Relay)
		}
		v.because("Of %d probes %d were answered; %d are wanted, and at least %d.", f.Probes, f.Answered,
			int(math.Ceil(MountAnswered*float64(f.Probes))), int(math.Ceil(StepAnswered*float64(f.Probes))))
	} else {
		v.because("Of %d probes %d were answered.", f.Probes, f.Answered)
		return
	}
	if v.Weak == nil || v.Weak.Margin < MountMargin {
		return
	}
	if n := v.Weak.Neighbour; n < proto.GatewayBase {
		v.because("Since %s hears this place well, and is heard well, the weak hop lies beyond it, on its way to the gateway: look at that one's margins.", Name(n))
	} else {
		v.because("Since the margins are good, something else is on the air: look for who sends much on this channel.")
	}
}

// noise tells of a receiver that something near it disturbs.
func (v *Verdict) noise(n *Neighbour) {
	if n == nil {
		return
	}
	if n.To.Noise >= Noisy {
		v.because("%s hears %.0f dB worse than the signal's strength lets one expect: something near it disturbs it.", upper(Name(n.ID)), n.To.Noise)
	}
	if n.From.Noise >= Noisy {
		v.because("This place hears %.0f dB worse than the signal's strength lets one expect: something here disturbs it (a power supply, a motor "+
			"drive, the board itself); put the antenna away from it.", n.From.Noise)
	}
}

// link names a hop and its direction.
func link(id uint8, to bool) string {
	if to {
		return "from here to " + Name(id)
	}
	return "from " + Name(id) + " to here"
}

func upper(s string) string { return string(s[0]-'a'+'A') + s[1:] }
