package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/mdp/qrterminal/v3"

	"longlane/gateway/roster"
	"longlane/radio/node"
)

var enrolCommand = command{
	name:  "enrol",
	brief: "add a node, give it a new key, shut it out, or swap it for a spare",
	usage: "add NAME [--zone ZONE[=INPUT]]... [--relay] | rekey NAME | revoke NAME | swap NAME | list",
	example: `  longlane enrol add river-gate --zone river-gate --config longlane.toml --out river-gate.card
  longlane enrol swap river-gate --qr     (a spare that keeps the zone; the broken node is shut out)`,
	run: enrol,
}

// zones collects --zone options.
type zones []roster.Input

func (z *zones) String() string { return "" }

func (z *zones) Set(s string) error {
	zone, number, has := strings.Cut(s, "=")
	in := roster.Input{Zone: zone, Number: uint8(len(*z))}
	if has {
		n, err := strconv.ParseUint(number, 10, 4)
		if err != nil {
			return fmt.Errorf("input %q: expected 0 to 15", number)
		}
		in.Number = uint8(n)
	}
	*z = append(*z, in)
	return nil
}

type enrolOptions struct {
	config, state, site, out string
	zones                    zones
	relay, json, qr          bool
}

func enrol(_ context.Context, c *call) error {
	var o enrolOptions
	c.StringVar(&o.config, "config", defaultConfig, "the gateway's configuration `file`, which tells site and state directory")
	c.StringVar(&o.state, "state", "", "the state `directory`, instead of a configuration")
	c.StringVar(&o.site, "site", "", "with --state, for the first node: the site's `name`")
	c.Var(&o.zones, "zone", "add: a `zone` that the node watches, as ZONE or ZONE=INPUT; may be repeated")
	c.BoolVar(&o.relay, "relay", false, "add: the node passes on what others send")
	c.BoolVar(&o.json, "json", false, "print the node's card as one line of JSON and nothing else")
	c.StringVar(&o.out, "out", "", "write the card to a new `file` that only its owner can read, instead of standard output")
	c.BoolVar(&o.qr, "qr", false, "print the card as a QR code as well")
	words, err := c.parse(2)
	if err != nil {
		return err
	}
	if len(words) == 0 {
		return badUsage("what is to be done? one of add, rekey, revoke, swap, list")
	}
	r, err := openRoster(&o, words[0] == "add")
	if err != nil {
		return err
	}
	if words[0] == "list" {
		return listNodes(c, r, o.json)
	}
	if len(words) < 2 {
		return badUsage("%s which node? give its name", words[0])
	}
	return change(c, r, words[0], words[1], o)
}

func openRoster(o *enrolOptions, create bool) (*roster.Roster, error) {
	if o.state == "" {
		cfg, err := loadConfig(o.config)
		if err != nil {
			return nil, err
		}
		o.state, o.site = cfg.State, cfg.Site
	}
	r, err := roster.Open(o.state)
	if !create || !errors.Is(err, roster.ErrNone) {
		return r, err
	}
	if !roster.Name.MatchString(o.site) {
		return nil, badUsage("site %q: expected small letters, digits and dashes, at most 32; give --site or --config", o.site)
	}
	return roster.Create(o.state, o.site)
}

func change(c *call, r *roster.Roster, action, name string, o enrolOptions) error {
	if !roster.Name.MatchString(name) {
		return badUsage("node name %q: expected small letters, digits and dashes, at most 32", name)
	}
	var n *roster.Node
	var err error
	switch action {
	case "add":
		if len(o.zones) == 0 && !o.relay {
			return badUsage("what does %s watch? give --zone ZONE, or --relay if it only passes frames on", name)
		}
		n, err = r.Add(roster.Node{Name: name, Relay: o.relay, Inputs: o.zones})
	case "rekey":
		n, err = r.Rekey(name, time.Now())
	case "swap":
		n, err = r.Swap(name)
	case "revoke":
		n, err = r.Revoke(name)
	default:
		return badUsage("unknown action %q: expected add, rekey, revoke, swap or list", action)
	}
	if err != nil {
		return err
	}
	if action == "revoke" {
		if err := r.Save(); err != nil {
			return err
		}
		fmt.Fprintf(c.out, "%s (node %d) is shut out for ever.%s\n", n.Name, n.ID, newGroupKey)
		return nil
	}
	card, err := cardOf(r, n)
	if err != nil {
		return err
	}
	if err := r.Save(); err != nil { // before the card is shown: a card that nobody recorded would be of no use
		return err
	}
	return show(c, n, card, action, o)
}

const newGroupKey = " The group key has moved on: give the other nodes the new one when you can; until then only " +
	"hints between nodes suffer, never trips or receipts."

func cardOf(r *roster.Roster, n *roster.Node) (node.Card, error) {
	card := node.Card{Site: r.Site, Node: n.ID, Gen: n.Gen, Name: n.Name, GroupGen: r.GroupGen}
	key, err := r.NodeKey(n)
	if err != nil {
		return card, err
	}
	group, err := r.GroupKey()
	if err != nil {
		return card, err
	}
	card.Key, card.GroupKey = [32]byte(key), [32]byte(group)
	return card, nil
}

func show(c *call, n *roster.Node, card node.Card, action string, o enrolOptions) error {
	line, err := card.Marshal()
	if err != nil {
		return err
	}
	// The card alone goes to standard output or into the file; words go beside it.
	if err := putCard(c, o.out, line); err != nil {
		return fmt.Errorf("%w; the node is recorded, so make its card again with: longlane enrol rekey %s", err, n.Name)
	}
	if o.json {
		return nil
	}
	w := c.err
	fmt.Fprintf(w, "%s is node %d, generation %d.\n", n.Name, n.ID, n.Gen)
	for _, in := range n.Inputs {
		fmt.Fprintf(w, "  input %d watches the zone %s\n", in.Number, in.Zone)
	}
	if o.qr {
		qrterminal.GenerateHalfBlock(string(line), qrterminal.L, w)
	}
	switch action {
	case "rekey":
		fmt.Fprintln(w, "Its old key is accepted until the first frame under the new one, at most 7 days.")
	case "swap":
		fmt.Fprintln(w, "The node it replaces is shut out for ever."+newGroupKey)
	}
	fmt.Fprint(w, `The card (one line of JSON) holds the node's key and is shown only this once: put it on the node, then delete it. Whoever has it can pass for this node, and for no other.
Caution: mains wiring at a gate, poles, trenches and surge protection belong to licensed practice and local codes. Radio
rules differ by country: you answer for them. This is not a certified intruder or life-safety alarm.
`)
	return nil
}

func putCard(c *call, path string, line []byte) error {
	if path == "" {
		_, err := fmt.Fprintf(c.out, "%s\n", line)
		return err
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return fmt.Errorf("write card: %w", err)
	}
	_, err = fmt.Fprintf(f, "%s\n", line)
	return errors.Join(err, f.Close())
}

func listNodes(c *call, r *roster.Roster, asJSON bool) error {
	if asJSON {
		e := json.NewEncoder(c.out)
		e.SetIndent("", "  ")
		return e.Encode(r)
	}
	w := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "node\tname\tgeneration\twatches\t")
	for _, n := range r.Nodes {
		var what []string
		for _, in := range n.Inputs {
			what = append(what, fmt.Sprintf("%s (input %d)", in.Zone, in.Number))
		}
		if n.Relay {
			what = append(what, "relay")
		}
		if n.Revoked {
			what = []string{"shut out"}
		}
		fmt.Fprintf(w, "%d\t%s\t%d\t%s\t\n", n.ID, n.Name, n.Gen, strings.Join(what, ", "))
	}
	return w.Flush()
}
