package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/mdp/qrterminal/v3"

	"longlane/gateway"
	"longlane/gateway/roster"
)

var enrolCommand = command{
	name:  "enrol",
	brief: "add a node, give it a new key, shut it out, or swap it for a spare",
	usage: "add NAME [--zone ZONE[=INPUT]]... [--relay] | rekey NAME | revoke NAME | swap NAME | list",
	example: `  longlane enrol add river-gate --zone river-gate --config longlane.toml --out river-gate.card
  longlane enrol swap river-gate --qr     (a spare that keeps the zone; the broken node is shut out)`,
	run: func(ctx context.Context, c *call) error { return enrol(ctx, c, setTime) },
}

// setTime is the time, or zero if the gateway would say that this machine's clock has not been set.
func setTime() (time.Time, error) {
	clock, err := gateway.SystemClock()
	if err != nil || !clock.Set() {
		return time.Time{}, err
	}
	return clock.Wall(), nil
}

// zones collects --zone options.
type zones []roster.Input

func (z *zones) String() string { return "" }

func (z *zones) Set(s string) error {
	zone, number, has := strings.Cut(s, "=")
	in := roster.Input{Zone: zone, Number: uint8(min(len(*z), 16))}
	if has {
		n, err := strconv.ParseUint(number, 10, 4)
		if err != nil {
			return fmt.Errorf("input %q: expected 0 to 15", number)
		}
		in.Number = uint8(n)
	}
	switch {
	case !roster.Name.MatchString(zone):
		return fmt.Errorf("expected a zone of %s, or ZONE=INPUT", roster.NameForm)
	case in.Number > 15:
		return errors.New("a node has 16 inputs")
	case slices.ContainsFunc(*z, func(o roster.Input) bool { return o.Number == in.Number }):
		return fmt.Errorf("names input %d twice; say which input watches the zone with %s=INPUT", in.Number, zone)
	case slices.ContainsFunc(*z, func(o roster.Input) bool { return o.Zone == zone }):
		return errors.New("each input has a zone of its own, and this one was named before")
	}
	*z = append(*z, in)
	return nil
}

// enrolOrder is what the command line asks for.
type enrolOrder struct {
	action, name             string
	config, state, site, out string
	zones                    zones
	relay, json, qr          bool
	where                    string // the option that names the site, for commands that we suggest
}

var enrolActions = []string{"add", "rekey", "revoke", "swap", "list"}

// enrol carries out one order; now is the time, or zero if no clock has been set.
func enrol(ctx context.Context, c *call, now func() (time.Time, error)) error {
	o, err := readOrder(c)
	if err != nil {
		return err
	}
	// What cannot go well is refused before any file is made.
	r, err := roster.Open(o.state)
	switch {
	case o.action == "add" && errors.Is(err, roster.ErrNone):
		if o.site == "" {
			return badUsage("what is the site called? there is none in %s yet: give --site NAME, or --config FILE instead of --state", o.state)
		}
	case err != nil:
		return err
	case o.site != "" && o.site != r.SiteName:
		return badUsage("the roster in %s is of the site %q, not of %q", o.state, r.SiteName, o.site)
	}
	if o.action == "list" {
		return listNodes(c, r, o.json)
	}
	return change(ctx, c, o, now)
}

func readOrder(c *call) (*enrolOrder, error) {
	o := &enrolOrder{}
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
		return nil, err
	}
	words = append(words, "", "")
	o.action, o.name = words[0], words[1]
	switch {
	case o.action == "":
		return nil, badUsage("what is to be done? one of %s", strings.Join(enrolActions, ", "))
	case !slices.Contains(enrolActions, o.action):
		return nil, badUsage("unknown action %q: expected add, rekey, revoke, swap or list", o.action)
	case o.action == "list" && o.name != "":
		return nil, badUsage("unexpected argument %q: list shows all nodes", o.name)
	case o.action != "list" && o.name == "":
		return nil, badUsage("%s which node? give its name", o.action)
	case o.name != "" && !roster.Name.MatchString(o.name):
		return nil, badUsage("node name %q: expected %s", o.name, roster.NameForm)
	case o.action == "add" && len(o.zones) == 0 && !o.relay:
		return nil, badUsage("what does %s watch? give --zone ZONE, or --relay if it only passes frames on", o.name)
	}
	return o, o.place(c)
}

// place finds out which site is meant.
func (o *enrolOrder) place(c *call) error {
	given := map[string]bool{}
	c.Visit(func(f *flag.Flag) { given[f.Name] = true })
	switch {
	case given["config"] && given["state"]:
		return badUsage("--config %s and --state %s: give one of them, each tells where the state is", o.config, o.state)
	case given["site"] && !given["state"]:
		return badUsage("--site goes with --state; a configuration tells the site itself")
	case given["site"] && !roster.Name.MatchString(o.site):
		return badUsage("--site %q: expected %s", o.site, roster.NameForm)
	case given["state"] && o.state == "":
		return badUsage("--state names no directory")
	case given["state"]:
		o.where = " --state " + o.state
		return nil
	}
	cfg, err := loadConfig(o.config)
	if err != nil {
		return err
	}
	o.state, o.site = cfg.State, cfg.Site
	if given["config"] {
		o.where = " --config " + o.config
	}
	return nil
}

// change carries out all but list. A card file that cannot be made is found out before the roster is touched, and does
// not stay if the roster cannot be written.
func change(ctx context.Context, c *call, o *enrolOrder, now func() (time.Time, error)) error {
	at, err := now()
	if err != nil {
		return err
	}
	var file *os.File
	if o.out != "" && o.action != "revoke" {
		if file, err = os.OpenFile(o.out, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600); err != nil {
			return fmt.Errorf("write card: %w; nothing was changed", err)
		}
		defer file.Close()
	}
	n, card, err := recorded(ctx, o, at, file)
	if err != nil {
		if file != nil {
			err = errors.Join(err, os.Remove(o.out))
		}
		return err
	}
	if o.action == "revoke" {
		fmt.Fprintf(c.out, "%s (node %d) is shut out for ever. %s\n", n.Name, n.ID, o.newGroupKey())
		return nil
	}
	if file == nil { // only now: a card that nobody recorded would be of no use
		if _, err := fmt.Fprintf(c.out, "%s\n", card); err != nil {
			return fmt.Errorf("write card: %w; the node is recorded, so make its card again with: longlane enrol rekey %s%s", err, n.Name, o.where)
		}
	}
	if !o.json {
		o.explain(c, n, card)
	}
	return nil
}

// recorded changes the roster under its lock, and writes the card into file, if there is one, before the roster counts.
func recorded(ctx context.Context, o *enrolOrder, at time.Time, file *os.File) (*roster.Node, []byte, error) {
	lock, err := roster.Lock(ctx, o.state)
	if err != nil {
		return nil, nil, err
	}
	defer lock.Close()
	r, err := roster.Open(o.state)
	if o.action == "add" && errors.Is(err, roster.ErrNone) {
		r, err = roster.Create(o.state, o.site)
	}
	if err != nil {
		return nil, nil, err
	}
	n, err := o.apply(r, at)
	if err != nil {
		return nil, nil, err
	}
	card, err := r.Card(n)
	if err != nil {
		return nil, nil, err
	}
	line, err := card.Marshal()
	if err != nil {
		return nil, nil, err
	}
	if file != nil {
		_, err := fmt.Fprintf(file, "%s\n", line)
		if err = errors.Join(err, file.Sync()); err != nil {
			return nil, nil, fmt.Errorf("write card: %w; nothing was changed", err)
		}
	}
	return n, line, r.Save()
}

func (o *enrolOrder) apply(r *roster.Roster, at time.Time) (*roster.Node, error) {
	switch o.action {
	case "add":
		return r.Add(roster.Node{Name: o.name, Relay: o.relay, Inputs: o.zones})
	case "rekey":
		return r.Rekey(o.name, at)
	case "swap":
		return r.Swap(o.name)
	case "revoke":
		return r.Revoke(o.name)
	}
	return nil, fmt.Errorf("action %q is not carried out", o.action) // readOrder lets none through
}

// newGroupKey says how the other nodes get the group key that a revocation brings.
func (o *enrolOrder) newGroupKey() string {
	return "The group key has moved on, and the other nodes still have the old one: until they have the new, hints between " +
		"nodes suffer, never trips or receipts. A new card brings it, one node at a time, whenever it suits you: " +
		"longlane enrol rekey NAME" + o.where
}

// explain says beside the card, which stands alone on standard output or in its file, what it is and what it changes.
func (o *enrolOrder) explain(c *call, n *roster.Node, card []byte) {
	w := c.err
	fmt.Fprintf(w, "%s is node %d, generation %d.\n", n.Name, n.ID, n.Gen)
	for _, in := range n.Inputs {
		fmt.Fprintf(w, "  input %d watches the zone %s\n", in.Number, in.Zone)
	}
	if o.qr {
		qrterminal.GenerateHalfBlock(string(card), qrterminal.L, w)
	}
	switch {
	case o.action == "rekey" && n.Rekeyed.IsZero():
		fmt.Fprintln(w, "This machine's clock has not been set, so nobody can count the 7 days for which an old key is accepted at most: "+
			"the old key of this node is accepted until the first frame under the new one, however long that takes. "+presentKey)
	case o.action == "rekey":
		fmt.Fprintln(w, "Its old key is accepted until the first frame under the new one, at most 7 days. "+presentKey)
	case o.action == "swap":
		fmt.Fprintln(w, "The node it replaces is shut out for ever. "+o.newGroupKey())
	}
	fmt.Fprint(w, `The card (one line of JSON) holds the node's key and is shown only this once: put it on the node, then delete it. Whoever has it can pass for this node, and for no other.
Caution: mains wiring at a gate, poles, trenches and surge protection belong to licensed practice and local codes. Radio
rules differ by country: you answer for them. This is not a certified intruder or life-safety alarm.
`)
}

const presentKey = "Do not re-key it again before this card is on it: that would shut out the key that it has now."

func listNodes(c *call, r *roster.Roster, asJSON bool) error {
	if asJSON {
		return c.json(r)
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
