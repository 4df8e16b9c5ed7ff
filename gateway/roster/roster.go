// Package roster keeps who belongs to a site: the site secret, the nodes, their generations, what they watch.
//
// Two files in the state directory, both readable by their owner alone: site.secret (64 hexadecimal digits, made once,
// from which every key is derived) and roster.json (no keys). Both are written whole: temporary name, sync, rename,
// directory sync. Changing them is the enrolment command's work, under Lock; the gateway only reads, takes no lock, and
// looks again when the file has changed.
package roster

import (
	"crypto/rand"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"longlane/gateway/wholefile"
	"longlane/proto"
)

// The two files, by name.
const (
	SecretFile = "site.secret"
	ListFile   = "roster.json"
)

const format = 1

// OldGenerationFor is how long the generation before a re-keying is still accepted, at the most: until the first frame
// of the new one.
const OldGenerationFor = 7 * 24 * time.Hour

// firstTime is a time that every clock that has been set is past.
var firstTime = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// Roster is one site's list. It is safe for concurrent use once opened, as long as nobody changes it; those who change
// it (Add, Rekey, ...) own it alone.
type Roster struct {
	Format    int    `json:"format"`
	SiteName  string `json:"site_name"`
	Site      uint16 `json:"site"`
	GroupGen  uint8  `json:"group_generation"`
	Nodes     []Node `json:"nodes"`
	dir       string
	secret    []byte
	mu        sync.Mutex
	keys      map[[2]uint8]*proto.Keys // by node and generation
	groupKeys *proto.Keys
}

// Node is one enrolled radio.
type Node struct {
	ID      uint8     `json:"id"`
	Name    string    `json:"name"`
	Gen     uint8     `json:"generation"`
	Rekeyed time.Time `json:"rekeyed,omitzero"` // when Gen replaced Gen-1; zero if Gen is 1, or if no clock was set then
	Revoked bool      `json:"revoked,omitempty"`
	Relay   bool      `json:"relay,omitempty"`
	Inputs  []Input   `json:"inputs,omitempty"`
}

// Input says which zone an input watches.
type Input struct {
	Number uint8  `json:"input"`
	Zone   string `json:"zone"`
}

// Zone is the zone that the node's input watches; an input nobody named has a zone called after node and input.
func (n *Node) Zone(input uint8) string {
	for _, i := range n.Inputs {
		if i.Number == input {
			return i.Zone
		}
	}
	return fmt.Sprintf("%s-input-%d", n.Name, input)
}

// ErrNone is returned by Open when the directory holds no site yet.
var ErrNone = errors.New("no site has been set up here")

// Open reads the site in dir. It refuses files that others can read.
func Open(dir string) (*Roster, error) {
	path := filepath.Join(dir, SecretFile)
	text, err := readPrivate(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("open roster in %s: %w", dir, withoutSecret(dir))
	} else if err != nil {
		return nil, err
	}
	secret, err := parseSecret(path, text)
	if err != nil {
		return nil, err
	}
	r, err := read(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%w, but %s is there: restore %s from your copy of it, or move %s away to begin a new site, "+
			"whose nodes then all need new cards", err, SecretFile, ListFile, SecretFile)
	} else if err != nil {
		return nil, err
	}
	r.secret = secret
	return r, nil
}

// Parse reads a site from what its two files hold. It refuses what Open would.
func Parse(secret, list []byte) (*Roster, error) {
	key, err := parseSecret(SecretFile, secret)
	if err != nil {
		return nil, err
	}
	r, err := parseList("", list)
	if err != nil {
		return nil, err
	}
	r.secret = key
	return r, nil
}

func parseSecret(path string, text []byte) ([]byte, error) {
	secret, err := hex.DecodeString(strings.TrimSpace(string(text)))
	if err != nil || len(secret) != proto.KeySize {
		return nil, fmt.Errorf("open %s: expected %d hexadecimal digits; restore the file from your copy of it", path, 2*proto.KeySize)
	}
	return secret, nil
}

// read reads the roster alone.
func read(dir string) (*Roster, error) {
	text, err := readPrivate(filepath.Join(dir, ListFile))
	if err != nil {
		return nil, err
	}
	return parseList(dir, text)
}

// parseList reads what stands, or would stand, in the roster of dir.
func parseList(dir string, text []byte) (*Roster, error) {
	path := filepath.Join(dir, ListFile)
	r := &Roster{dir: dir}
	d := json.NewDecoder(strings.NewReader(string(text)))
	d.DisallowUnknownFields()
	if err := d.Decode(r); err != nil {
		return nil, fmt.Errorf("read %s: %w", path, err)
	}
	if _, err := d.Token(); err != io.EOF {
		return nil, fmt.Errorf("read %s: something follows the end of the roster; remove it", path)
	}
	return r, r.check()
}

// withoutSecret says what a directory without a secret is: one where no site has been set up (ErrNone), or one whose
// secret is lost. A roster without nodes is what a set-up leaves that was cut short between its two writes: nobody has
// a card of that site, so it counts as none.
func withoutSecret(dir string) error {
	r, err := read(dir)
	if errors.Is(err, fs.ErrNotExist) || err == nil && len(r.Nodes) == 0 {
		return fmt.Errorf("%w; add a first node with: longlane enrol add NAME --zone ZONE --state %s --site SITE (or with "+
			"--config FILE instead of the last two)", ErrNone, dir)
	}
	holds := "cannot be read"
	if err == nil {
		holds = fmt.Sprintf("names %d nodes", len(r.Nodes))
	}
	return fmt.Errorf("%s is there and %s, but %s, from which all keys are made, is missing: restore %s from your copy of it, "+
		"or move %s away to begin a new site, whose nodes then all need new cards", ListFile, holds, SecretFile, SecretFile, ListFile)
}

func readPrivate(path string) ([]byte, error) {
	st, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("open roster: %w", err)
	}
	if st.Mode().Perm()&0o077 != 0 {
		return nil, fmt.Errorf("open %s: others can read it (mode %04o); run: chmod 600 %s", path, st.Mode().Perm(), path)
	}
	return os.ReadFile(path)
}

// Create sets up a new site in dir: a new secret and an empty roster. It touches nothing that belongs to a site. The
// secret is written last: cut short, the set-up leaves a roster without nodes, which the next one replaces; a secret
// alone could not be told from a site that has lost its roster.
func Create(dir, siteName string) (*Roster, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("set up site: %w", err)
	}
	secret := filepath.Join(dir, SecretFile)
	if _, err := os.Lstat(secret); err == nil {
		return nil, fmt.Errorf("set up site: %s exists already", secret)
	} else if !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("set up site: %w", err)
	}
	if err := withoutSecret(dir); !errors.Is(err, ErrNone) {
		return nil, fmt.Errorf("set up site in %s: %w", dir, err)
	}
	r := &Roster{Format: format, SiteName: siteName, dir: dir, secret: make([]byte, proto.KeySize)}
	rand.Read(r.secret) // never fails: crypto/rand ends the program rather
	var number [2]byte
	rand.Read(number[:])
	r.Site = binary.BigEndian.Uint16(number[:])
	if err := r.Save(); err != nil {
		return nil, err
	}
	return r, writeWhole(secret, []byte(hex.EncodeToString(r.secret)+"\n"))
}

// Save writes the roster.
func (r *Roster) Save() error {
	text, err := r.marshal()
	if err != nil {
		return err
	}
	return writeWhole(filepath.Join(r.dir, ListFile), text)
}

// marshal gives the file's bytes, of a roster that is good.
func (r *Roster) marshal() ([]byte, error) {
	if err := r.check(); err != nil {
		return nil, err
	}
	text, err := json.MarshalIndent(r, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("write roster: %w", err)
	}
	return append(text, '\n'), nil
}

func writeWhole(path string, data []byte) error {
	return wholefile.Write(path, data, wholefile.Options{Prepare: giveToOwner})
}

// Name is what nodes, zones and sites may be called: it becomes part of a topic. NameForm says it in words.
var Name = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,31}$`)

// NameForm is what Name expects.
const NameForm = "1 to 32 small letters, digits and dashes, no dash at first"

func (r *Roster) check() error {
	bad := func(f string, a ...any) error {
		return fmt.Errorf("roster %s: %w", filepath.Join(r.dir, ListFile), fmt.Errorf(f, a...))
	}
	if r.Format != format {
		return bad("format %d, this program reads format %d", r.Format, format)
	}
	ids, names, zones := map[uint8]bool{}, map[string]bool{}, map[string]string{}
	for _, n := range r.Nodes {
		err := n.check()
		switch {
		case err != nil:
			return bad("%w", err)
		case ids[n.ID]:
			return bad("two nodes have id %d", n.ID)
		case names[n.Name] && !n.Revoked:
			return bad("two nodes in use are called %q", n.Name)
		}
		ids[n.ID] = true
		if n.Revoked {
			continue
		}
		names[n.Name] = true
		for _, in := range n.Inputs {
			if other, taken := zones[in.Zone]; taken {
				return bad("zone %q is watched by %q and by %q: "+eachItsOwn, in.Zone, other, n.Name)
			}
			zones[in.Zone] = n.Name
		}
	}
	return nil
}

const eachItsOwn = "each input has a zone of its own, or one would hide the other's state"

// check refuses what no node can be, whatever others there are.
func (n *Node) check() error {
	switch {
	case n.ID < proto.MinNode || n.ID > proto.MaxNode:
		return fmt.Errorf("node %q has id %d, expected %d to %d", n.Name, n.ID, proto.MinNode, proto.MaxNode)
	case !Name.MatchString(n.Name):
		return fmt.Errorf("node name %q: expected %s", n.Name, NameForm)
	}
	for i, in := range n.Inputs {
		earlier := n.Inputs[:i]
		switch {
		case in.Number > 15:
			return fmt.Errorf("node %q has an input %d, expected 0 to 15", n.Name, in.Number)
		case !Name.MatchString(in.Zone):
			return fmt.Errorf("zone %q of node %q: expected %s", in.Zone, n.Name, NameForm)
		case slices.ContainsFunc(earlier, func(o Input) bool { return o.Number == in.Number }):
			return fmt.Errorf("node %q names input %d twice", n.Name, in.Number)
		case slices.ContainsFunc(earlier, func(o Input) bool { return o.Zone == in.Zone }):
			return fmt.Errorf("node %q watches the zone %q with two inputs: "+eachItsOwn, n.Name, in.Zone)
		}
	}
	return nil
}

// Node finds a node by id, revoked or not; nil if there is none.
func (r *Roster) Node(id uint8) *Node {
	for i := range r.Nodes {
		if r.Nodes[i].ID == id {
			return &r.Nodes[i]
		}
	}
	return nil
}

// Named finds a node in use by name.
func (r *Roster) Named(name string) (*Node, error) {
	var known []string
	for i := range r.Nodes {
		if n := &r.Nodes[i]; !n.Revoked {
			if n.Name == name {
				return n, nil
			}
			known = append(known, n.Name)
		}
	}
	if known == nil {
		known = []string{"none"}
	}
	return nil, fmt.Errorf("no node in use is called %q; there are: %s", name, strings.Join(known, ", "))
}

// Add enrols a node under the next id that was never used. A refusal leaves the roster as it was.
func (r *Roster) Add(n Node) (*Node, error) {
	id, err := r.nextID()
	if err != nil {
		return nil, fmt.Errorf("add node: %w", err)
	}
	n.ID, n.Gen = id, 1
	if err := n.check(); err != nil {
		return nil, fmt.Errorf("add node: %w", err)
	}
	for _, old := range r.Nodes {
		if old.Revoked {
			continue
		}
		if old.Name == n.Name {
			return nil, fmt.Errorf("add node: %q exists already (id %d); use rekey or swap for it", n.Name, old.ID)
		}
		for _, in := range n.Inputs {
			if slices.ContainsFunc(old.Inputs, func(o Input) bool { return o.Zone == in.Zone }) {
				return nil, fmt.Errorf("add node: the zone %q is watched by %q (node %d) already; name another zone, or put a spare "+
					"in the place of that node with: longlane enrol swap %s", in.Zone, old.Name, old.ID, old.Name)
			}
		}
	}
	r.Nodes = append(r.Nodes, n)
	return &r.Nodes[len(r.Nodes)-1], nil
}

func (r *Roster) nextID() (uint8, error) {
	var last uint8
	for _, n := range r.Nodes {
		last = max(last, n.ID)
	}
	if last == proto.MaxNode {
		return 0, fmt.Errorf("all %d ids of this site have been used; ids are never used twice", proto.MaxNode)
	}
	return last + 1, nil
}

// Rekey gives a node its next generation. The one before is accepted until the first frame of the new, at most
// OldGenerationFor after now. That is the time by a clock that has been set: zero if there is none, and so is taken a
// time before 2026. Then nobody counts the days, since a wrong count would shut the node out as soon as the clock is set.
func (r *Roster) Rekey(name string, now time.Time) (*Node, error) {
	n, err := r.Named(name)
	if err != nil {
		return nil, fmt.Errorf("re-key: %w", err)
	}
	if n.Gen == 255 {
		return nil, fmt.Errorf("re-key: %q has used all its generations; swap it", name)
	}
	n.Gen++
	n.Rekeyed = time.Time{}
	if !now.Before(firstTime) {
		n.Rekeyed = now.UTC().Round(0)
	}
	return n, nil
}

// Revoke shuts a node out for ever. The group key moves on too: the node knew it.
func (r *Roster) Revoke(name string) (*Node, error) {
	n, err := r.Named(name)
	if err != nil {
		return nil, fmt.Errorf("revoke: %w", err)
	}
	r.shutOut(n)
	return n, nil
}

func (r *Roster) shutOut(n *Node) {
	n.Revoked = true
	r.GroupGen++
	r.groupKeys = nil
}

// Swap revokes a broken or stolen node and enrols a spare that keeps its name and zones. A refusal leaves the roster as
// it was.
func (r *Roster) Swap(name string) (*Node, error) {
	old, err := r.Named(name)
	if err == nil {
		_, err = r.nextID()
	}
	if err != nil {
		return nil, fmt.Errorf("swap: %w", err)
	}
	r.shutOut(old)
	return r.Add(Node{Name: old.Name, Relay: old.Relay, Inputs: slices.Clone(old.Inputs)})
}

// NodeKey and GroupKey are what a node is given.
func (r *Roster) NodeKey(n *Node) ([]byte, error) {
	return proto.NodeKey(r.secret, r.Site, n.ID, n.Gen)
}

// GroupKey is the key of the group generation in force.
func (r *Roster) GroupKey() ([]byte, error) { return proto.GroupKey(r.secret, r.Site, r.GroupGen) }

// Keys are the working keys of a node's generation.
func (r *Roster) Keys(node, gen uint8) (*proto.Keys, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if k := r.keys[[2]uint8{node, gen}]; k != nil {
		return k, nil
	}
	key, err := proto.NodeKey(r.secret, r.Site, node, gen)
	if err != nil {
		return nil, err
	}
	k, err := proto.NewKeys(key)
	if err != nil {
		return nil, err
	}
	if r.keys == nil {
		r.keys = map[[2]uint8]*proto.Keys{}
	}
	r.keys[[2]uint8{node, gen}] = k
	return k, nil
}

// Group are the working keys of the group generation in force.
func (r *Roster) Group() (*proto.Keys, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.groupKeys == nil {
		key, err := r.GroupKey()
		if err != nil {
			return nil, err
		}
		if r.groupKeys, err = proto.NewKeys(key); err != nil {
			return nil, err
		}
	}
	return r.groupKeys, nil
}

// Current is the roster that a running gateway goes by: it reads the file again when it has changed, so that enrolment
// needs no restart. It is safe for concurrent use.
type Current struct {
	fixed bool // it is never read again
	mu    sync.Mutex
	r     *Roster
	stamp stamp
}

// stamp tells one state of the file from the next. Each is a file of its own, so the inode differs even when two were
// written within one tick of the file system's clock.
type stamp struct {
	mod   time.Time
	size  int64
	inode uint64
	mode  os.FileMode
}

func stampOf(dir string) stamp {
	st, err := os.Stat(filepath.Join(dir, ListFile))
	if err != nil {
		return stamp{}
	}
	s := stamp{mod: st.ModTime(), size: st.Size(), mode: st.Mode()}
	if sys, ok := st.Sys().(*syscall.Stat_t); ok {
		s.inode = sys.Ino
	}
	return s
}

// Follow opens the site in dir and follows its changes.
func Follow(dir string) (*Current, error) {
	at := stampOf(dir)
	r, err := Open(dir)
	if err != nil {
		return nil, err
	}
	return &Current{r: r, stamp: at}, nil
}

// Fixed is a roster that nothing changes, as in a rehearsal.
func Fixed(r *Roster) *Current { return &Current{r: r, fixed: true} }

// Get is the roster in force.
func (c *Current) Get() *Roster {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.r
}

// Refresh reads the file again if it has changed. On an error the roster in force stays, and the next call tries again.
func (c *Current) Refresh() (changed bool, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.fixed {
		return false, nil
	}
	at := stampOf(c.r.dir)
	if at == c.stamp {
		return false, nil
	}
	r, err := Open(c.r.dir)
	if err != nil {
		return false, err
	}
	c.r, c.stamp = r, at
	return true, nil
}
