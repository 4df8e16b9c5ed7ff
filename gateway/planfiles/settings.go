package planfiles

import (
	"cmp"
	"fmt"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"longlane/gateway/config"
	"longlane/radio/beam"
	"longlane/radio/lane"
	"longlane/radio/node"
	"longlane/radio/plan"
)

func itoa(n int) string { return strconv.Itoa(n) }

// gatewaySettings is the gateway's own file.
func (l *layout) gatewaySettings() ([]File, error) {
	p := new(page)
	site := l.plan.Lane.Name
	p.say("The gateway of %s, as it follows from the plan of %s.\n\n"+
		"Lines that say CHANGE hold what no plan can tell. As they stand they serve for a trial with the simulator. "+
		"Every other setting has its default; longlane check --config FILE says what the gateway would do.", site, l.to.Lane)
	p.WriteString("\n")
	p.set("site", quoted(site), "the lane file's name")
	p.set("gateway", quoted(l.gateway.Name), "the site of the lane file that hears all")
	p.set("state", quoted(filepath.Join(l.to.Dir, "state")), "CHANGE: \"/var/lib/longlane\" where it runs for good. Cards that were made before that are of another site: make them anew")
	p.set("lane", quoted(l.to.Lane), "the lane file that was planned; the page draws the lane by it")
	if list := listeners(l.plan.Lane); len(list) > 0 {
		p.say("Where people are to hear of it, by the lane file. Take off the \"#\" once a `longlane annunciator` runs in each: from then on one that is missing is a fault.")
		p.WriteString("#annunciators = [" + strings.Join(list, ", ") + "]\n")
	}
	p.WriteString("\n")
	p.say("CHANGE: your broker. Without this table the broker built in is used, on loopback: enough for a trial.")
	p.WriteString("#[broker]\n#url = \"mqtts://broker.lan:8883\"\n")
	if l.plan.Chosen != nil {
		p.table("[[modem]]")
		p.set("name", `"modem"`, "CHANGE: as you call it; shown with every trip that came this way")
		p.set("device", quoted(filepath.Join(l.to.Dir, simulatedModem)), "CHANGE: the modem's name under /dev/serial/by-id; this is the simulator's")
		l.radioSettings(p, l.gateway)
	}
	if slices.ContainsFunc(l.units, func(u *unit) bool { return !u.lora }) {
		p.table("[wifi]")
		p.set("listen", `":5410"`, "UDP, for the nodes that come home by Wi-Fi in this plan")
	}
	p.table("[checkin]")
	p.set("period", quoted(lasting(l.checkIn())), "from the plan: receipts and airtime are reckoned with it")
	p.WriteString("\n")
	p.say("Titles for people. CHANGE: they are the names of the lane file's zones.")
	for _, z := range l.plan.Lane.Zones {
		p.WriteString("[zone." + z.Name + "]\ntitle = " + quoted(title(z.Name)) + "\n")
	}
	l.passage(p)
	if _, err := config.Parse(gatewayFile, p.Bytes()); err != nil {
		return nil, refused("the gateway's settings", err)
	}
	path := Shell(filepath.Join(l.to.Dir, gatewayFile))
	return []File{{gatewayFile, p.Bytes(), "the gateway's settings", "longlane check --config " + path + ", then the lines that say CHANGE"}}, nil
}

// listeners are the sites where people are to hear of it.
func listeners(l *lane.Lane) (list []string) {
	for _, s := range l.Sites {
		if s.Hears() {
			list = append(list, quoted(s.Name))
		}
	}
	return list
}

// title is a name as a heading.
func title(name string) string {
	words := strings.ReplaceAll(name, "-", " ")
	return strings.ToUpper(words[:1]) + words[1:]
}

// passage writes what the beams of the lane tell of who passes.
func (l *layout) passage(p *page) {
	if len(l.plan.Beams) == 0 {
		return
	}
	o := &l.plan.Options
	p.WriteString("\n")
	p.say("What a trip's dwell is taken for, as the plan has it, which the least dwells in the nodes' files follow from.")
	p.WriteString("[passage]\n")
	p.set("beam_width", exact(o.BeamWidth), "m; CHANGE: the reflector's width at the most, and then plan again with --config and this file")
	if !reflect.DeepEqual(o.Movers, beam.DefaultMovers()) {
		p.movers(o.Movers)
	}
	for i := range l.plan.Lane.Zones {
		z := &l.plan.Lane.Zones[i]
		if len(z.Beams) < 2 {
			continue
		}
		beams := slices.SortedFunc(slices.Values(z.Beams), func(a, b lane.Beam) int { return cmp.Compare(a.Along, b.Along) })
		apart := beams[1].Along - beams[0].Along
		if apart < 0.1 { // one above the other: these tell no direction
			continue
		}
		p.WriteString("\n")
		p.say("%s has two beams or more in the lane file. A zone tells in from out only together with another, whose beam stands behind its own: give the "+
			"inner beam a zone of its own in the lane file, plan again, and take off the \"#\".", z.Name)
		p.WriteString("#[[pair]]\n#outer = " + quoted(z.Name) + "\n#inner = " + quoted(z.Name+"-inner") + "\n#distance = " + decibels(apart) + "\n")
	}
}

// movers writes who passes, where it is somebody else than usual.
func (p *page) movers(list []beam.Mover) {
	p.say("Who passes here, as the plan was told by --config.")
	words := map[beam.Class]string{}
	for word, class := range config.Classes {
		words[class] = word
	}
	span := func(key string, r beam.Range) { p.set(key, "["+exact(r.Least)+", "+exact(r.Most)+"]", "") }
	for _, m := range list {
		p.WriteString("[[passage.mover]]\n")
		p.set("name", quoted(m.Name), "")
		p.set("class", quoted(words[m.Class]), "")
		span("length", m.Length)
		if m.Usual != (beam.Range{}) {
			span("usual", m.Usual)
		}
		span("possible", m.Possible)
	}
}

// dwell is how long a contact of a zone stands before it is a trip, and what that follows from.
func (l *layout) dwell(z *lane.Zone) (debounce, least time.Duration, why string) {
	var by *plan.Beam
	for i := range l.plan.Beams { // one contact tells of all beams of a zone, so that which lets most in decides
		if b := &l.plan.Beams[i]; b.Zone == z && (by == nil || b.Minimum.Set < by.Minimum.Set) {
			by = b
		}
	}
	if by == nil {
		return node.DefaultDebounce, node.DefaultMinDwell, "a node's default: the lane file has no beam at this zone"
	}
	debounce, least = node.DefaultDebounce, by.Minimum.Set
	if least <= debounce {
		debounce = least / 2
	}
	return debounce, least, fmt.Sprintf("from the plan, beam %d, %s above the ground: %s", by.Number, plan.Centimetres(by.Beam.Height), by.Minimal())
}

// nodeSettings are those of each node and relay with LoRa.
func (l *layout) nodeSettings() (list []File, err error) {
	for _, u := range l.radios() {
		p := new(page)
		p.say("The %s %s of %s, as it follows from the plan of %s.\n\n"+
			"Lines that say CHANGE hold what no plan can tell. On the board this file is /etc/longlane/node.toml; "+
			"longlane node --check --config FILE says what the board would do.", u.what(), u.site.Name, l.plan.Lane.Name, l.to.Lane)
		p.WriteString("\n")
		p.set("card", quoted("/etc/longlane/"+u.card()), "on the board, chmod 600; this makes it:")
		p.say(" %s", l.enrol(u))
		p.set("state", `"/var/lib/longlane-node"`, "a directory of this node alone")
		if u.relay {
			p.set("relay", "true", "from the plan: it passes on the frames of "+l.carried(u))
		}
		supply := "battery"
		if u.site.Power == lane.PowerMains {
			supply = "mains"
		}
		p.set("supply", quoted(supply), fmt.Sprintf("from the lane file: power = %q at [site.%s]", u.site.Power, u.site.Name))
		p.table("[modem]")
		p.set("device", `"/dev/serial/by-id/usb-modem-if00"`, "CHANGE: the modem's name under /dev/serial/by-id")
		l.radioSettings(p, u.site)
		for i, z := range u.zones {
			debounce, least, why := l.dwell(z.Zone)
			p.table("[[input]]")
			p.set("number", itoa(i), "watches the zone "+z.Zone.Name+", by enrolment"+beams(z.Zone))
			p.set("normally_closed", strconv.FormatBool(z.Zone.NormallyClosed), "from the lane file: a trip "+map[bool]string{true: "opens", false: "closes"}[z.Zone.NormallyClosed]+" the contact")
			p.set("debounce", quoted(lasting(debounce)), "a contact that has not changed for so long has settled; shorter than min_dwell")
			p.set("min_dwell", quoted(lasting(least)), why)
			p.WriteString("[input.gpio]\n")
			p.set("chip", `"/dev/gpiochip0"`, "CHANGE: ls /dev/gpiochip*; or a command instead of a pin")
			p.set("line", itoa(17+i), "CHANGE: the pin's offset in the chip")
			if z.Zone.Supervised {
				p.say("From the lane file: supervised = true. Of a command this table goes, and the key supervised stands above instead. %s", plan.UsualLoop.Words())
				p.WriteString("[input.wire]\n")
				p.set("chip", `"/dev/gpiochip0"`, "CHANGE: as above")
				p.set("line", itoa(17+len(u.zones)+i), "CHANGE: the pin that the comparator for a whole wire drives")
				p.set("active_low", "false", "CHANGE: true if the pin is low while the wire is whole")
				p.set("bias", `"none"`, "the comparator drives the pin")
			}
		}
		p.table("[checkin]")
		p.set("period", quoted(lasting(l.checkIn())), "from the plan, as in the gateway's file; its receipts say so as well")
		if _, err := config.ParseNode(nodeFile(u), p.Bytes()); err != nil {
			return nil, refused("the settings of "+u.site.Name, err)
		}
		list = append(list, File{nodeFile(u), p.Bytes(), "the " + u.what() + " " + u.site.Name,
			"onto its board as /etc/longlane/node.toml, with its card as /etc/longlane/" + u.card() + "; then longlane node --check"})
	}
	return list, nil
}

func nodeFile(u *unit) string { return "node-" + u.site.Name + ".toml" }

func beams(z *lane.Zone) string {
	switch n := len(z.Beams); n {
	case 0:
		return ""
	case 1:
		return fmt.Sprintf("; one beam of %v m", z.Beams[0].Length)
	default:
		return fmt.Sprintf("; %d beams, the first of %v m, at this contact together", n, z.Beams[0].Length)
	}
}

// carried are the sites whose way leads over a relay.
func (l *layout) carried(u *unit) string {
	var list []string
	ends := func(h *plan.Hop) bool { return h.From == u.site || h.To == u.site } // a way between relays may stand there in either direction
	for _, z := range l.plan.Zones {
		for i, h := range z.Hops {
			if i > 0 && ends(z.Hops[i-1]) && ends(h) && !slices.Contains(list, z.Site.Name) {
				list = append(list, z.Site.Name)
			}
		}
	}
	return strings.Join(list, ", ")
}

// refused is the word of a program that would not take what the plan says.
func refused(what string, err error) error {
	return fmt.Errorf("%s that follow from this plan would be refused, so nothing is written: %w", what, err)
}
