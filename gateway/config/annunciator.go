package config

import (
	"fmt"
	"log/slog"
	"maps"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"longlane/gateway/annunciator/chime"
)

// Annunciator is the whole configuration of the unit in a building that tells people which zone tripped. As returned by
// LoadAnnunciator and ParseAnnunciator, Broker is set, and each table of Zone is complete: what it left out is as in Zones.
type Annunciator struct {
	// Site is that of the gateway's file. Name is this unit's, and part of topics; same letters.
	Site string `toml:"site"`
	Name string `toml:"name"`
	// State is the one directory that holds what must outlive the process, of this unit alone. A full path.
	State    string `toml:"state"`
	LogLevel string `toml:"log_level"`
	// SoundTests has test trips sound; otherwise they are reported and nothing else.
	SoundTests bool `toml:"sound_tests"`
	// Volume is in percent; VolumeAt are hours with another one.
	Volume   int        `toml:"volume"`
	VolumeAt []VolumeAt `toml:"volume_at,omitempty"`
	Quiet    []Quiet    `toml:"quiet,omitempty"`
	Broker   *Listening `toml:"broker,omitempty"`
	Player   Player     `toml:"player"`
	// Zones is what holds for every zone whose own table does not say otherwise.
	Zones       ZoneSound            `toml:"zones"`
	Zone        map[string]ZoneSound `toml:"zone,omitempty"`
	Passage     []Passage            `toml:"passage,omitempty"`
	Contact     map[string]SetPin    `toml:"contact,omitempty"`
	Command     map[string]Run       `toml:"command,omitempty"`
	Light       *Light               `toml:"light,omitempty"`
	Supervision Supervision          `toml:"supervision"`
	// Chime has other sounds for what is no zone's: see Chimes.
	Chime map[string]Chime `toml:"chime,omitempty"`
}

// Chimes are the names that Annunciator.Chime may have: something is not well, and is again; the gateway is not heard, and is again.
var Chimes = []string{"trouble", "trouble-ended", "deaf", "deaf-ended"}

// SupervisionName stands among the exceptions of quiet hours for what supervision has to say.
const SupervisionName = "supervision"

// Listening is the broker that is listened to. Its keys are those of Broker.
type Listening struct {
	URL          string `toml:"url"`
	User         string `toml:"user"`
	PasswordFile string `toml:"password_file"`
	CAFile       string `toml:"ca_file"`
	// ClientID is empty in the file for longlane-<site>-annunciator-<name>.
	ClientID string `toml:"client_id"`
}

// VolumeAt is a time of day, HH:MM by the clock of the machine, with a volume of its own. Over midnight if To is not the later one.
type VolumeAt struct {
	From   string `toml:"from"`
	To     string `toml:"to"`
	Volume int    `toml:"volume"`
}

// Quiet is a time of day without chimes.
type Quiet struct {
	From string `toml:"from"`
	To   string `toml:"to"`
	// Except are zones that sound all the same, or SupervisionName.
	Except []string `toml:"except"`
}

// Player is the program that plays a WAV file, which it is given on its standard input.
type Player struct {
	// Command is a program, by its full path or by its name alone, which is looked for in the PATH, and its arguments.
	Command []string `toml:"command"`
	// Limit is how much longer than its sound it may take, 1 s to 1 min.
	Limit Duration `toml:"limit"`
}

// ZoneSound is what is done about the openings of a zone.
type ZoneSound struct {
	Title  string `toml:"title"`
	Ignore bool   `toml:"ignore"` // nothing is done about it; it is reported as silent
	// Limit is the age, 2 s to 10 min, beyond which an opening is silent.
	Limit Duration `toml:"limit"`
	// HoldOff is for how long after an opening that acted further ones are only counted, 0 to 1 h.
	HoldOff Duration `toml:"hold_off"`
	Sound   bool     `toml:"sound"`
	// Notes are the chime: see package chime. Without them, and without a File (WAV, 16-bit PCM), it is drawn from the zone's name.
	Notes    []string `toml:"notes,omitempty"`
	File     string   `toml:"file"`
	Repeats  int      `toml:"repeats"` // how often it is played, 1 to 10
	Volume   int      `toml:"volume"`  // percent of what the time of day gives
	Contacts []string `toml:"contacts,omitempty"`
	Commands []string `toml:"commands,omitempty"`
}

// Passage is two zones that people come through one after the other.
type Passage struct {
	Outer string `toml:"outer"`
	Inner string `toml:"inner"`
	// Within is how soon the second must follow, 1 s to 10 min. Wait, 0 to Within, is how long the first one's chime is held back for it.
	Within Duration `toml:"within"`
	Wait   Duration `toml:"wait"`
	// Departure is what inner, then outer, is: usual, sound or silent.
	Departure      string   `toml:"departure"`
	Notes          []string `toml:"notes,omitempty"`
	File           string   `toml:"file"`
	DepartureNotes []string `toml:"departure_notes,omitempty"`
	DepartureFile  string   `toml:"departure_file"`
	Repeats        int      `toml:"repeats"`
	Volume         int      `toml:"volume"`
}

// SetPin is a contact that is set.
type SetPin struct {
	// GPIO is a pin that is active while the contact is closed. Command, instead, is a program that is run with open or closed as its last argument.
	GPIO    *Pin     `toml:"gpio,omitempty"`
	Command []string `toml:"command,omitempty"`
	// NormallyClosed: it is closed at rest, and an opening opens it.
	NormallyClosed bool `toml:"normally_closed"`
	// Safe is open or closed: where it goes when this program ends, however that comes.
	Safe string `toml:"safe"`
	// Hold keeps it until its zones have closed; otherwise it is a pulse of Min. In either case it lasts Min to Max, 50 ms to 24 h.
	Hold bool     `toml:"hold"`
	Min  Duration `toml:"min"`
	Max  Duration `toml:"max"`
}

// Run is a command that gets the event on its standard input and in its environment.
type Run struct {
	Run   []string `toml:"run"`
	Limit Duration `toml:"limit"` // 100 ms to 10 min
}

// Light is lit while all is watched.
type Light struct {
	GPIO    *Pin     `toml:"gpio,omitempty"`
	Command []string `toml:"command,omitempty"`
}

// Supervision is what is done when something is not well.
type Supervision struct {
	// After is how long it must stand, and must be over, to be told, 0 to 1 h. Faults are told at once.
	After    Duration `toml:"after"`
	Sound    bool     `toml:"sound"`
	Volume   int      `toml:"volume"`
	Contacts []string `toml:"contacts,omitempty"` // in their other position as long as it stands
	Commands []string `toml:"commands,omitempty"`
}

// Chime is a pattern of notes or a WAV file.
type Chime struct {
	Notes []string `toml:"notes,omitempty"`
	File  string   `toml:"file"`
}

// DefaultAnnunciator returns every default of an annunciator's file, in the way of Default.
func DefaultAnnunciator() *Annunciator {
	return &Annunciator{
		State: "/var/lib/longlane-annunciator", LogLevel: "info", Volume: 80,
		VolumeAt: []VolumeAt{{Volume: 30}}, Quiet: []Quiet{{}}, Broker: &Listening{},
		Player: Player{Command: []string{"aplay", "-q", "-"}, Limit: Duration(10 * time.Second)},
		Zones: ZoneSound{Limit: Duration(time.Minute), HoldOff: Duration(10 * time.Second), Sound: true, Repeats: 2,
			Volume: 100},
		Passage:     []Passage{{Departure: "usual", Repeats: 1, Volume: 100}},
		Supervision: Supervision{After: Duration(2 * time.Minute), Sound: true, Volume: 100},
		Contact:     map[string]SetPin{"": {Safe: "open", Min: Duration(2 * time.Second), Max: Duration(time.Minute), GPIO: &Pin{Bias: "as-is"}}},
		Command:     map[string]Run{"": {Limit: Duration(10 * time.Second)}},
	}
}

// SetDefaults implements Defaulter.
func (v *VolumeAt) SetDefaults() { *v = DefaultAnnunciator().VolumeAt[0] }

// SetDefaults implements Defaulter.
func (z *ZoneSound) SetDefaults() { *z = DefaultAnnunciator().Zones }

// SetDefaults implements Defaulter.
func (p *Passage) SetDefaults() { *p = DefaultAnnunciator().Passage[0] }

// SetDefaults implements Defaulter.
func (s *SetPin) SetDefaults() {
	*s = DefaultAnnunciator().Contact[""]
	s.GPIO = nil
}

// SetDefaults implements Defaulter.
func (r *Run) SetDefaults() { *r = DefaultAnnunciator().Command[""] }

// LoadAnnunciator reads and checks the file at path, and the files that it names. The error lists every problem, or says why the
// file could not be read.
func LoadAnnunciator(path string) (*Annunciator, error) {
	data, _, err := readBounded(path, maxFile)
	if err != nil {
		return nil, fmt.Errorf("read config: %w", err)
	}
	c, doc, err := parseAnnunciator(path, data)
	if err != nil {
		return nil, err
	}
	c.checkFiles(checker{doc: doc})
	if err := doc.Err(); err != nil {
		return nil, err
	}
	return c, nil
}

// ParseAnnunciator checks a configuration that is already in memory, and looks at no other file.
func ParseAnnunciator(name string, data []byte) (*Annunciator, error) {
	c, doc, err := parseAnnunciator(name, data)
	if err != nil {
		return nil, err
	}
	return c, doc.Err()
}

func parseAnnunciator(name string, data []byte) (*Annunciator, *Document, error) {
	doc, err := Open(name, data)
	if err != nil {
		return nil, nil, err
	}
	c := DefaultAnnunciator()
	c.VolumeAt, c.Quiet, c.Broker, c.Passage, c.Contact, c.Command = nil, nil, nil, nil, nil, nil
	doc.Into(c)
	c.inherit(doc)
	c.check(checker{doc: doc})
	if c.Broker != nil && c.Broker.ClientID == "" {
		c.Broker.ClientID = "longlane-" + c.Site + "-annunciator-" + c.Name
	}
	return c, doc, nil
}

// inherit gives each zone what it does not say itself.
func (c *Annunciator) inherit(d *Document) {
	for name, z := range c.Zone {
		v := reflect.ValueOf(&z).Elem()
		for _, f := range fieldsOf(v.Type()) {
			if !d.Has(join("zone", name) + "." + f.key) {
				v.Field(f.index).Set(reflect.ValueOf(c.Zones).Field(f.index))
			}
		}
		if d.Has(join("zone", name)+".notes") && !d.Has(join("zone", name)+".file") {
			z.File = "" // its own notes are not those of all
		} else if d.Has(join("zone", name)+".file") && !d.Has(join("zone", name)+".notes") {
			z.Notes = nil
		}
		c.Zone[name] = z
	}
}

func (c *Annunciator) check(k checker) {
	k.name("site", c.Site)
	k.name("name", c.Name)
	k.path("state", c.State, `"/var/lib/longlane-annunciator"`)
	k.level("log_level", c.LogLevel)
	k.number("volume", c.Volume, 0, 100, ", in percent")
	c.checkHours(k)
	if c.Broker == nil {
		k.refuse("broker", "nothing", "a table [broker] with the url of the broker that the gateway publishes to")
	} else {
		b := Broker{URL: c.Broker.URL, User: c.Broker.User, PasswordFile: c.Broker.PasswordFile, CAFile: c.Broker.CAFile, ClientID: c.Broker.ClientID, Window: 1}
		b.check(checker{doc: k.doc, table: "broker"})
	}
	c.checkPlayer(checker{doc: k.doc, table: "player"})
	c.checkOutputs(k)
	c.checkZoneSound(checker{doc: k.doc, table: "zones"}, &c.Zones)
	if c.Zones.Title != "" {
		k.refuse("zones.title", quote(c.Zones.Title), "no title that all zones have")
	}
	for _, name := range slices.Sorted(maps.Keys(c.Zone)) {
		z := c.Zone[name]
		k.name(join("zone", name), name)
		c.checkZoneSound(checker{doc: k.doc, table: join("zone", name)}, &z)
		c.Zone[name] = z
	}
	c.checkPassages(k)
	s := checker{doc: k.doc, table: "supervision"}
	s.between("after", c.Supervision.After, 0, time.Hour)
	s.number("volume", c.Supervision.Volume, 0, 100, ", in percent")
	c.checkUses(s, &c.Supervision.Contacts, &c.Supervision.Commands)
	for _, name := range slices.Sorted(maps.Keys(c.Chime)) {
		at := checker{doc: k.doc, table: join("chime", name)}
		if !slices.Contains(Chimes, name) {
			k.refuse(join("chime", name), quote(name), `one of "`+strings.Join(Chimes, `", "`)+`"; a zone has its own notes`)
		}
		ch := c.Chime[name]
		at.chime("notes", &ch.Notes, "file", ch.File)
		c.Chime[name] = ch
	}
	c.tidy()
}

// tidy drops what is empty, so that equal configurations compare equal.
func (c *Annunciator) tidy() {
	if len(c.Zone) == 0 {
		c.Zone = nil
	}
	if len(c.Contact) == 0 {
		c.Contact = nil
	}
	if len(c.Command) == 0 {
		c.Command = nil
	}
	if len(c.Chime) == 0 {
		c.Chime = nil
	}
	if len(c.VolumeAt) == 0 {
		c.VolumeAt = nil
	}
	if len(c.Quiet) == 0 {
		c.Quiet = nil
	}
	if len(c.Passage) == 0 {
		c.Passage = nil
	}
}

func (c *Annunciator) checkHours(k checker) {
	for i, v := range c.VolumeAt {
		at := checker{doc: k.doc, table: element("volume_at", i)}
		at.hours(v.From, v.To)
		at.number("volume", v.Volume, 0, 100, ", in percent")
	}
	for i := range c.Quiet {
		q := &c.Quiet[i]
		at := checker{doc: k.doc, table: element("quiet", i)}
		at.hours(q.From, q.To)
		for j, name := range q.Except {
			if !nameForm.MatchString(name) {
				at.refuse(element("except", j), quote(name), "the name of a zone, or "+quote(SupervisionName))
			}
		}
		if len(q.Except) == 0 {
			q.Except = nil
		}
	}
}

var timeOfDay = regexp.MustCompile(`^([01][0-9]|2[0-3]):([0-5][0-9])$`)

func (k checker) hours(from, to string) {
	const form = `a time of day such as "22:00" or "06:30"`
	for field, value := range map[string]string{"from": from, "to": to} {
		if !k.missing(field, value, form) && !timeOfDay.MatchString(value) {
			k.refuse(field, quote(value), form)
		}
	}
	if from == to && from != "" {
		k.refuse("to", quote(to), "another time than from; a whole day is written as two times")
	}
}

// Minute is a time of day in minutes since midnight. It must be one that was checked.
func Minute(at string) int {
	m := timeOfDay.FindStringSubmatch(at)
	if m == nil {
		return 0
	}
	hour, _ := strconv.Atoi(m[1])
	minute, _ := strconv.Atoi(m[2])
	return 60*hour + minute
}

func (c *Annunciator) checkPlayer(k checker) {
	k.between("limit", c.Player.Limit, time.Second, time.Minute)
	argv := c.Player.Command
	if len(argv) == 0 || argv[0] == "" || strings.Contains(argv[0], "/") && !filepath.IsAbs(argv[0]) || badArguments(argv) {
		k.refuse("command", quote(strings.Join(argv, " ")), `a program that plays a WAV file from its standard input, by its full path or its name alone, and its arguments: ["aplay", "-q", "-"]`)
	}
}

func badArguments(argv []string) bool {
	return slices.ContainsFunc(argv, func(a string) bool { return len(a) > 1024 || strings.Contains(a, "\x00") })
}

// argv checks a command that is given by its full path.
func (k checker) argv(field string, argv []string) {
	if len(argv) == 0 || !filepath.IsAbs(argv[0]) || badArguments(argv) {
		k.refuse(field, quote(strings.Join(argv, " ")), `a program by its full path, then its arguments: ["/usr/local/bin/yard-lights", "on"]`)
	}
}

// setting checks by what a contact or light is set.
func (k checker) setting(pin *Pin, command *[]string, pins map[string]string) {
	if len(*command) == 0 {
		*command = nil
	}
	switch {
	case pin != nil && *command != nil:
		k.refuse("command", "a command beside a pin", "one of the two")
	case pin != nil:
		k.pin("gpio", pin, pins)
	case *command != nil:
		k.argv("command", *command)
	default:
		k.refuse("gpio", "neither a pin nor a command", "a table gpio with chip and line, or a command: how it is set")
	}
}

func (c *Annunciator) checkOutputs(k checker) {
	pins := map[string]string{}
	for _, name := range slices.Sorted(maps.Keys(c.Contact)) {
		s, at := c.Contact[name], checker{doc: k.doc, table: join("contact", name)}
		k.name(join("contact", name), name)
		at.setting(s.GPIO, &s.Command, pins)
		at.output(s.GPIO)
		if s.Safe != "open" && s.Safe != "closed" {
			at.refuse("safe", quote(s.Safe), `"open" or "closed"`)
		}
		at.between("min", s.Min, 50*time.Millisecond, 24*time.Hour)
		at.between("max", s.Max, 50*time.Millisecond, 24*time.Hour)
		if s.Max < s.Min {
			at.refuse("max", quote(s.Max.String()), "no less than min, which is "+quote(s.Min.String()))
		}
		c.Contact[name] = s
	}
	if l := c.Light; l != nil {
		at := checker{doc: k.doc, table: "light"}
		at.setting(l.GPIO, &l.Command, pins)
		at.output(l.GPIO)
	}
	for _, name := range slices.Sorted(maps.Keys(c.Command)) {
		r, at := c.Command[name], checker{doc: k.doc, table: join("command", name)}
		k.name(join("command", name), name)
		at.argv("run", r.Run)
		at.between("limit", r.Limit, 100*time.Millisecond, 10*time.Minute)
	}
}

// output: a pin that is set has no use for a resistor of the chip's. What Pin has by default is for inputs.
func (k checker) output(p *Pin) {
	if p == nil {
		return
	}
	if !k.has("gpio.bias") {
		p.Bias = "as-is"
	}
	if !k.has("gpio.active_low") {
		p.ActiveLow = false
	}
}

func (c *Annunciator) checkZoneSound(k checker, z *ZoneSound) {
	k.text("title", z.Title, 64)
	k.between("limit", z.Limit, 2*time.Second, 10*time.Minute)
	k.between("hold_off", z.HoldOff, 0, time.Hour)
	k.number("repeats", z.Repeats, 1, 10, "")
	k.number("volume", z.Volume, 0, 100, ", in percent")
	k.chime("notes", &z.Notes, "file", z.File)
	c.checkUses(k, &z.Contacts, &z.Commands)
}

// checkUses checks that contacts and commands that are named are there.
func (c *Annunciator) checkUses(k checker, contacts, commands *[]string) {
	for i, name := range *contacts {
		if _, ok := c.Contact[name]; !ok && k.has("contacts") {
			k.refuse(element("contacts", i), quote(name), among("contact", slices.Sorted(maps.Keys(c.Contact))))
		}
	}
	for i, name := range *commands {
		if _, ok := c.Command[name]; !ok && k.has("commands") {
			k.refuse(element("commands", i), quote(name), among("command", slices.Sorted(maps.Keys(c.Command))))
		}
	}
	if len(*contacts) == 0 {
		*contacts = nil
	}
	if len(*commands) == 0 {
		*commands = nil
	}
}

func among(kind string, names []string) string {
	if len(names) == 0 {
		return fmt.Sprintf("a table [%s.NAME] of that name; there is none", kind)
	}
	return fmt.Sprintf("the name of a table [%s.NAME]: %s", kind, strings.Join(names, ", "))
}

// chime checks a pattern, beside which there may be no file.
func (k checker) chime(notesField string, notes *[]string, fileField, file string) {
	if len(*notes) == 0 {
		*notes = nil
	} else if _, err := chime.Parse(*notes); err != nil {
		k.refuse(notesField, err.Error(), `notes such as ["G4 200ms", "rest 80ms", "C5 400ms"]`)
	}
	if file == "" {
		return
	}
	k.path(fileField, file, `"/etc/longlane/river-gate.wav"`)
	if *notes != nil && k.has(notesField) && k.has(fileField) {
		k.refuse(fileField, "a file beside notes", "one of the two")
	}
}

func (c *Annunciator) checkPassages(k checker) {
	pairs := map[string]int{}
	for i := range c.Passage {
		p, at := &c.Passage[i], checker{doc: k.doc, table: element("passage", i)}
		at.name("outer", p.Outer)
		at.name("inner", p.Inner)
		if p.Outer == p.Inner && p.Outer != "" {
			at.refuse("inner", quote(p.Inner), "another zone than the outer one")
		}
		key := min(p.Outer, p.Inner) + " " + max(p.Outer, p.Inner)
		if j, twice := pairs[key]; twice {
			at.refuse("outer", quote(p.Outer)+" with "+quote(p.Inner)+" again", "two zones that differ from those of "+element("passage", j))
		}
		pairs[key] = i
		at.between("within", p.Within, time.Second, 10*time.Minute)
		if !at.has("wait") {
			at.refuse("wait", "nothing", `"0s" to have the first zone sound at once, or how long its chime may be held back so that one chime tells of both`)
		} else if p.Wait < 0 || p.Wait > p.Within {
			at.refuse("wait", quote(p.Wait.String()), fmt.Sprintf(`a duration from "0s" to that of within, which is %s`, quote(p.Within.String())))
		}
		if !slices.Contains([]string{"usual", "sound", "silent"}, p.Departure) {
			at.refuse("departure", quote(p.Departure), `"usual" (as any opening of the outer zone), "sound" or "silent"`)
		}
		at.number("repeats", p.Repeats, 1, 10, "")
		at.number("volume", p.Volume, 0, 100, ", in percent")
		at.chime("notes", &p.Notes, "file", p.File)
		at.chime("departure_notes", &p.DepartureNotes, "departure_file", p.DepartureFile)
	}
}

// checkFiles looks at the files that a valid configuration names.
func (c *Annunciator) checkFiles(k checker) {
	if b := c.Broker; b != nil {
		k.secret("broker.password_file", b.PasswordFile)
		k.certificates("broker.ca_file", b.CAFile)
	}
	k.sound("zones.file", c.Zones.File)
	for _, name := range slices.Sorted(maps.Keys(c.Zone)) {
		if at := join("zone", name) + ".file"; k.has(at) {
			k.sound(at, c.Zone[name].File)
		}
	}
	for i, p := range c.Passage {
		k.sound(element("passage", i)+".file", p.File)
		k.sound(element("passage", i)+".departure_file", p.DepartureFile)
	}
	for _, name := range slices.Sorted(maps.Keys(c.Chime)) {
		k.sound(join("chime", name)+".file", c.Chime[name].File)
	}
}

// maxSound is the longest sound file, in bytes: a minute of stereo at 96,000 samples a second.
const maxSound = 24 << 20

func (k checker) sound(field, path string) {
	if path == "" {
		return
	}
	if _, err := ReadSound(path); err != nil {
		k.file(field, err, "a WAV file of 16-bit PCM that this user can read")
	}
}

// ReadSound reads a WAV file.
func ReadSound(path string) (chime.Sound, error) {
	data, _, err := readBounded(path, maxSound)
	if err != nil {
		return chime.Sound{}, err
	}
	s, err := chime.ReadWAV(data)
	if err != nil {
		return s, fmt.Errorf("%s: %w", path, err)
	}
	return s, nil
}

// Level returns LogLevel in the terms of log/slog.
func (c *Annunciator) Level() slog.Level { return levels[c.LogLevel] }

// ZoneSound is what holds for a zone.
func (c *Annunciator) ZoneSound(name string) ZoneSound {
	if z, ok := c.Zone[name]; ok {
		return z
	}
	return c.Zones
}

// Sound is the chime of a zone.
func (c *Annunciator) Sound(zone string) (chime.Sound, error) {
	z := c.ZoneSound(zone)
	return Chime{z.Notes, z.File}.Sound(chime.ForName(zone))
}

// Sound is the chime; instead, if it says nothing.
func (c Chime) Sound(instead []chime.Note) (chime.Sound, error) {
	if c.File != "" {
		return ReadSound(c.File)
	}
	if len(c.Notes) > 0 {
		notes, err := chime.Parse(c.Notes)
		if err != nil {
			return chime.Sound{}, err
		}
		instead = notes
	}
	return chime.Make(instead), nil
}
