package plan

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"longlane/radio/lane"
)

// Sign is what the house hears of something that befalls a contact, its wire or its sensor.
type Sign string

// The signs. An arrival then is one that does not end: nobody who comes after is announced until it is mended. A fault is that which a
// node calls "input wire".
const (
	LooksLikeRest   Sign = "looks like rest"
	AsArrival       Sign = "arrival"
	AsFault         Sign = "fault"
	FaultAndArrival Sign = "fault and arrival"
	NotKnown        Sign = "not known"
	NeedsNone       Sign = "needs none" // of power
	NoBeam          Sign = "no beam"    // whose lens could be dirty
)

// Contact is what silence from a zone proves: what is heard if something befalls its contact, by the kind of contact and wire in the
// lane file. A node takes a cut wire for an open contact and a shorted one for a closed one, and tells of either as a fault if the wire is
// supervised: TestPlan of radio/contact has a node's own code say the same.
type Contact struct {
	Zone                        *lane.Zone
	Cut, Short, Unpowered, Dirt Sign
}

func contactOf(z *lane.Zone) Contact {
	stands := func(closed, told bool) Sign {
		switch arrival := closed != z.NormallyClosed; {
		case told && arrival:
			return FaultAndArrival
		case told:
			return AsFault
		case arrival:
			return AsArrival
		}
		return LooksLikeRest
	}
	c := Contact{Zone: z, Cut: stands(false, z.Supervised), Short: stands(true, z.Supervised), Unpowered: NotKnown, Dirt: NoBeam}
	switch z.Unpowered {
	case lane.UnpoweredOpen, lane.UnpoweredClosed: // the wire is whole
		c.Unpowered = stands(z.Unpowered == lane.UnpoweredClosed, false)
	case lane.NeedsNoPower:
		c.Unpowered = NeedsNone
	}
	if len(z.Beams) > 0 {
		c.Dirt = AsArrival // a receiver without light does not know why
	}
	return c
}

func contactsOf(l *lane.Lane) (list []Contact) {
	for i := range l.Zones {
		list = append(list, contactOf(&l.Zones[i]))
	}
	return list
}

// Kind tells the contact and its wire.
func (c *Contact) Kind() string {
	kind, wire := "open at rest", "wire not supervised"
	if c.Zone.NormallyClosed {
		kind = "closed at rest"
	}
	if c.Zone.Supervised {
		wire = "wire supervised"
	}
	return kind + ", " + wire
}

// Mind says what can look like rest, and what to change; empty: nothing can.
func (c *Contact) Mind() string {
	var same, change []string
	if c.Cut == LooksLikeRest {
		same = append(same, "a cut wire")
		change = append(change, "take a contact that is closed at rest and opens when there is a trip or the power fails (normally_closed = true), and put two resistors at the sensor (supervised = true)")
	}
	if c.Short == LooksLikeRest {
		same = append(same, "a shorted wire")
		change = append(change, "put two resistors at the sensor (supervised = true)")
	}
	switch c.Unpowered {
	case LooksLikeRest:
		same = append(same, "a sensor without power")
		if c.Cut != LooksLikeRest { // else that contact is asked for already
			change = append(change, "take the sensor's other contact, which stands as in a trip when its power fails")
		}
	case NotKnown:
		same = append(same, "perhaps a sensor without power")
		change = append(change, "look up at its maker's how the contact stands without power (unpowered)")
	}
	if same == nil {
		return ""
	}
	return fmt.Sprintf("%s: %s looks like rest: %s", c.Zone.Name, listed(same, " or "), listed(change, "; "))
}

// listed joins two or more, the last one by another word.
func listed(words []string, last string) string {
	n := len(words) - 1
	if n < 1 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:n], ", ") + last + words[n]
}

// Loop is the wire of a supervised contact: a resistor in line with it and another of the same size across the contact, both at the
// sensor; at the board one more, of PullUp, from its supply. Where none of them is at its far end a short or a cut in between would not be seen.
type Loop struct {
	Resistor, PullUp float64 // ohm
	Tolerance        float64 // share by which each may be off
}

// UsualLoop has what is common in the wiring of supervised contacts, 5.6 kΩ and 5 % (an installation guide of an alarm panel, tables 2-5 and
// 2-6, as quoted in public); that three of one size serve is plain arithmetic.
var UsualLoop = Loop{Resistor: 5600, PullUp: 5600, Tolerance: 0.05}

// Share is what stands at the board's end of the wire, of its supply, if the loop has so many ohm: R / (R + PullUp).
func (l Loop) Share(ohm float64) float64 { return ohm / (ohm + l.PullUp) }

// Limits are the shares of the supply by which a board tells the four states, each half way between the worst cases on either side. Below
// Closed the contact is closed, else open; between Short and Cut the wire is whole.
func (l Loop) Limits() (short, closed, cut float64) {
	worst := func(n, sign float64) float64 { // n resistors, all off one way and the pull-up the other
		r := n * l.Resistor * (1 + sign*l.Tolerance)
		return r / (r + l.PullUp*(1-sign*l.Tolerance))
	}
	return worst(1, -1) / 2, (worst(1, 1) + worst(2, -1)) / 2, (worst(2, 1) + 1) / 2
}

// wireOhms is the greatest resistance of a long wire to a contact, there and back, with the thinnest conductor of the table.
func wireOhms(metres float64) float64 { return 2 * metres / 1000 * Copper[thinnest] }

const (
	thinnest = 0.5  // mm²
	longWire = 1000 // m
)

// Words tell how the resistors are wired, and what a board measures.
func (l Loop) Words() string {
	short, closed, cut := l.Limits()
	k := func(ohm float64) string { return fmt.Sprintf("%.3g kΩ", ohm/1000) }
	return fmt.Sprintf("Two resistors of %s stand at the sensor, never at the board: one in line with the wire, one across the contact. The loop then has %s while the contact is closed, "+
		"%s while it is open, none if the wire is shorted and no end if it is cut. A wire of %d m and %v mm² adds %.0f Ω at the most. With %s from the board's supply to the wire, "+
		"the limits are %.3g, %.3g and %.3g of that supply, for parts that are up to %.0f %% off: below the second the contact is closed, between the first and the third the wire is whole. "+
		"A single resistor would leave a trip and one of the two faults alike. (%s is common practice; the limits are reckoned.)",
		k(l.Resistor), k(l.Resistor), k(2*l.Resistor), longWire, thinnest, wireOhms(longWire), k(l.PullUp), short, closed, cut, 100*l.Tolerance, k(l.Resistor))
}

// Silence tells what the signs mean.
const Silence = "A node that falls silent is missed after two check-ins; this is about what hangs on it. \"Arrival\": it sounds like one that does not end, and nobody who comes after is " +
	"announced until it is mended. \"Fault\": the node reports its input wire. What looks like rest is found only by walking through the gate."

// SupervisedWords tell how the wires that are supervised get their resistors; empty: none is.
func (p *Plan) SupervisedWords() string {
	names := p.supervised()
	if names == nil {
		return ""
	}
	return "Supervised wires (" + list(names) + "): " + UsualLoop.Words()
}

// supervised are the names of the zones whose wire is.
func (p *Plan) supervised() (names []string) {
	for _, c := range p.Contacts {
		if c.Zone.Supervised {
			names = append(names, c.Zone.Name)
		}
	}
	return names
}

func (p *Plan) writeContacts(w io.Writer) {
	if len(p.Contacts) == 0 {
		return
	}
	fmt.Fprintf(w, "\nWhat silence proves, by each zone's contact: what the house hears of it\n")
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintf(t, "  \tits contact\twire cut\twire shorted\tsensor without power\tlens dirty\n")
	for i := range p.Contacts {
		c := &p.Contacts[i]
		fmt.Fprintf(t, "  %s\t%s\t%s\t%s\t%s\t%s\n", c.Zone.Name, c.Kind(), c.Cut, c.Short, c.Unpowered, c.Dirt)
	}
	t.Flush()
	text := Silence
	if words := p.SupervisedWords(); words != "" {
		text += "\n" + words
	}
	for line := range strings.SplitSeq(text, "\n") {
		for part := range strings.SplitSeq(wrap(line), "\n") {
			fmt.Fprintf(w, "    %s\n", part)
		}
	}
}

type jsonContact struct {
	Zone           string         `json:"zone"`
	NormallyClosed bool           `json:"normally_closed"`
	Supervised     bool           `json:"supervised"`
	Unpowered      lane.Unpowered `json:"unpowered,omitempty"` // left out: not known
	Cut            Sign           `json:"wire_cut"`
	Short          Sign           `json:"wire_shorted"`
	Powerless      Sign           `json:"sensor_without_power"`
	Dirt           Sign           `json:"lens_dirty"`
}

func (p *Plan) jsonContacts() []jsonContact {
	out := []jsonContact{}
	for _, c := range p.Contacts {
		z := c.Zone
		out = append(out, jsonContact{z.Name, z.NormallyClosed, z.Supervised, z.Unpowered, c.Cut, c.Short, c.Unpowered, c.Dirt})
	}
	return out
}

type jsonLoop struct {
	Resistor  float64 `json:"resistor_ohm"` // one in line with the wire, one across the contact
	PullUp    float64 `json:"pull_up_ohm"`
	Tolerance float64 `json:"tolerance"`
	Short     float64 `json:"shorted_below"` // shares of the board's supply
	Closed    float64 `json:"closed_below"`
	Cut       float64 `json:"cut_above"`
}

// jsonLoop is nil where no wire is supervised.
func (p *Plan) jsonLoop() *jsonLoop {
	if p.supervised() == nil {
		return nil
	}
	j := jsonLoop{Resistor: UsualLoop.Resistor, PullUp: UsualLoop.PullUp, Tolerance: UsualLoop.Tolerance}
	j.Short, j.Closed, j.Cut = UsualLoop.Limits()
	return &j
}
