package planfiles

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"longlane/radio/lane"
	"longlane/radio/plan"
)

// The names of the files, beside those of the nodes: see nodeFile.
const (
	scenarioFile = "scenario.toml"
	gatewayFile  = "longlane.toml"
	surveyFile   = "survey.json"
	// What the gateway takes for its modem until the owner names the real one: the simulator makes it.
	simulatedModem = "modem"
	simulatedLog   = "sim.jsonl" // what the simulator tells of its air
)

// Options say where the files will stand.
type Options struct {
	Dir  string // that holds them, as a full path
	Lane string // the lane file that was planned, as a full path
}

// File is one of them.
type File struct {
	Name string // in Options.Dir
	Data []byte
	What string // it is, in some words
	Next string // what is to be done with it
}

// Set is all that follows from a plan.
type Set struct {
	Dir   string
	Files []File
	// Enrol are the commands that make the nodes' cards, in the order that gives them the ids of the survey's file.
	Enrol []string
	// Left are what could not be written for a zone, and why.
	Left  []string
	nodes []*unit
	trips float64 // of each zone in an hour
}

// unit is a board: the node of a site's zones, a relay, or both in one.
type unit struct {
	site  *lane.Site
	zones []*plan.ZonePlan // its inputs, from 0 on
	relay bool
	lora  bool
	id    uint8 // that enrolment gives it
}

// layout is a plan with its stations.
type layout struct {
	plan    *plan.Plan
	to      Options
	gateway *lane.Site
	units   []*unit // in the order of enrolment: the sites of the lane's zones, then the relays that watch nothing
}

// ErrUnmet is of a plan by which some zone is not reached.
var ErrUnmet = errors.New("the plan does not keep the goal")

// Of gives the files of a plan. The error tells why there are none: ErrUnmet, nothing that goes by air, several gateways at work, or a program that
// would not take what the plan says.
func Of(p *plan.Plan, o Options) (*Set, error) {
	if !p.Met {
		return nil, ErrUnmet
	}
	l := &layout{plan: p, to: o}
	if err := l.stations(); err != nil {
		return nil, err
	}
	s := &Set{Dir: o.Dir, nodes: l.units, Left: l.left(), trips: p.Options.TripsPerHour}
	for _, u := range l.units {
		s.Enrol = append(s.Enrol, l.enrol(u))
	}
	steps := []func() ([]File, error){l.gatewaySettings}
	if p.Chosen != nil {
		steps = append(steps, l.nodeSettings, l.scenario, l.survey)
	}
	for _, step := range steps {
		files, err := step()
		if err != nil {
			return nil, err
		}
		s.Files = append(s.Files, files...)
	}
	return s, nil
}

// stations finds the boards, in the order in which they are to be enrolled, and the gateway that hears them.
func (l *layout) stations() error {
	at := func(site *lane.Site) *unit {
		i := slices.IndexFunc(l.units, func(u *unit) bool { return u.site == site })
		if i < 0 {
			i, l.units = len(l.units), append(l.units, &unit{site: site, id: uint8(len(l.units) + 1)}) // 220 at the most
		}
		return l.units[i]
	}
	var gateways []string
	for i := range l.plan.Zones {
		z := &l.plan.Zones[i]
		if z.Wired {
			continue
		}
		u := at(z.Site)
		u.zones = append(u.zones, z)
		u.lora = u.lora || z.Bearer == plan.LoRa
		home := z.Hops[len(z.Hops)-1].To
		if !slices.Contains(gateways, home.Name) {
			gateways = append(gateways, home.Name)
		}
		l.gateway = home
	}
	for _, site := range l.plan.Relays {
		u := at(site)
		u.relay, u.lora = true, true
	}
	switch {
	case len(gateways) == 0:
		return errors.New("nothing goes by air in this plan: every zone is at the gateway, so there is nothing to simulate and no node to set")
	case len(gateways) > 1:
		return fmt.Errorf("in this plan zones come home to %d gateways (%s), but a scenario and a gateway's settings are of one: plan each in a lane file of its own",
			len(gateways), strings.Join(gateways, ", "))
	}
	return nil
}

// radios are those of LoRa.
func (l *layout) radios() (list []*unit) {
	for _, u := range l.units {
		if u.lora {
			list = append(list, u)
		}
	}
	return list
}

// left tells of each zone what cannot be written for it.
func (l *layout) left() (list []string) {
	for _, u := range l.units {
		if !u.lora {
			by := "Wi-Fi"
			if u.zones[0].Bearer == plan.Bridge {
				by = "a Wi-Fi bridge"
			}
			list = append(list, fmt.Sprintf("%s (%s) comes home by %s: the simulator has no Wi-Fi, so it is not in the scenario; `longlane node` speaks LoRa only, so it has no "+
				"settings file; a walk test compares LoRa only. Its board needs software that sends the frames of proto/PROTOCOL.md by UDP to the gateway's port, and again every %v until the receipt is there, as the plan has it",
				u.site.Name, names(u.zones), by, plan.WiFiAgain))
		}
	}
	for i := range l.plan.Zones {
		if z := &l.plan.Zones[i]; z.Wired {
			list = append(list, fmt.Sprintf("%s is where the gateway is: the plan counts on a wire, and the gateway itself reads no contact. It is in no scenario and has no settings; "+
				"enrol a node of its own for it if it is to be heard of", z.Zone.Name))
		}
	}
	return list
}

func names(zones []*plan.ZonePlan) string {
	var list []string
	for _, z := range zones {
		list = append(list, z.Zone.Name)
	}
	return strings.Join(list, ", ")
}

// enrol is the command that makes a unit's card.
func (l *layout) enrol(u *unit) string {
	words := []string{"longlane enrol add", u.site.Name}
	for _, z := range u.zones {
		words = append(words, "--zone "+z.Zone.Name)
	}
	if u.relay {
		words = append(words, "--relay")
	}
	return strings.Join(append(words, "--config", Shell(filepath.Join(l.to.Dir, gatewayFile)), "--out", Shell(filepath.Join(l.to.Dir, u.card()))), " ")
}

func (u *unit) card() string { return u.site.Name + ".card" }

// what says which unit it is.
func (u *unit) what() string {
	switch {
	case len(u.zones) == 0:
		return "relay"
	case u.relay:
		return "node and relay"
	}
	return "node"
}

// Shell is a word as a shell takes it.
func Shell(word string) string {
	const plain = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_./:,+@%="
	if word != "" && strings.Trim(word, plain) == "" {
		return word
	}
	return "'" + strings.ReplaceAll(word, "'", `'\''`) + "'"
}
