// Package config reads the gateway's configuration, or a node's, checks it, and explains what is wrong with it.
//
// The file is TOML. Load reads it from disk and looks at the secret files that it names; Parse does the same for
// bytes in memory and touches no file. Either gives a complete Config, or an error that lists every problem found,
// one a line:
//
//	house.toml:14:12: modem[0].device: found "ttyUSB0", expected a full path such as "/dev/serial/by-id/..."
//	house.toml:19:1: modem[0].transmitt: found an unknown key, expected one of name, ...; did you mean "transmit"?
//
// Nothing is adjusted in silence: a value outside its range is refused, and a key that no one reads is an error,
// since a setting with a typing mistake is a gate nobody watches. What the file leaves out comes from Default, the
// only place where defaults are written.
//
// Document and Decode are the strict reader underneath, for other TOML files of the project: unknown keys, wrong
// types and values are reported together, with positions, and a later check can add its own (Document.Refuse).
//
// LoadNode and ParseNode do the same for the file of a node on a board, which is another one, and LoadAnnunciator and
// ParseAnnunciator for that of the unit in a building that tells who comes.
//
// ReadLane and ParseLane read the lane file, which describes the place: see package lane.
//
// A complete file with comments stands in testdata/config/hill-orchard.toml; beside it one of a modem that speaks lines, and
// node.toml, a node's; that of a place is testdata/lane/hill-orchard.toml.
package config

import (
	"fmt"
	"io"
	"log/slog"
	"os"
	"syscall"
	"time"

	"longlane/gateway/webhook/body"
	"longlane/proto"
	"longlane/radio/beam"
	"longlane/radio/lora"
	"longlane/radio/modem/lines"
)

// Config is the whole configuration of one gateway. As returned by Load and Parse, exactly one of Broker and
// Embedded is set, and there is at least one bearer: a Modem, or Wifi.
type Config struct {
	// Site names the place, 1 to 32 of a-z, 0-9 and "-", no "-" at first. It stands in MQTT topics and as the source of events.
	Site string `toml:"site"`
	// Gateway names this gateway within the site; same letters.
	Gateway string `toml:"gateway"`
	// State is the one directory that holds what must outlive the process. A full path.
	State string `toml:"state"`
	// HTTP is the host:port of metrics and health. Empty: no HTTP at all.
	HTTP string `toml:"http"`
	// LogLevel is debug, info, warn or error.
	LogLevel string `toml:"log_level"`
	// Lane is the file of the place, a full path or one from the folder of this file; empty: none. Neither Load nor Parse looks at
	// it, since a drawing that is wrong must not keep a gateway from serving: see ReadLane.
	Lane string `toml:"lane"`

	Broker   *Broker   `toml:"broker,omitempty"`
	Embedded *Embedded `toml:"embedded,omitempty"`
	Mirror   []Mirror  `toml:"mirror,omitempty"`
	Webhook  []Webhook `toml:"webhook,omitempty"`
	// Annunciators are the names of those that are to be there, as they are called in their own files. Others are listened to as well.
	Annunciators []string `toml:"annunciators,omitempty"`
	// TestEvery is how often each input's test trip is to come, 10 min to 168 h, at least as long as in the nodes' files; 0: none is missed.
	TestEvery Duration `toml:"test_every"`
	// Forget names mirrors and webhooks of the past for which the queue need keep nothing more.
	Forget []string        `toml:"forget,omitempty"`
	Modem  []Modem         `toml:"modem,omitempty"`
	Wifi   *Wifi           `toml:"wifi,omitempty"`
	Zone   map[string]Zone `toml:"zone,omitempty"`
	// LowBattery gives, by the name of a node, the volts below which its battery cannot be relied on, above 0 and below 60: so that one
	// that runs down is told of weeks before. A node that is not named reports a low battery itself, if its own file says when.
	LowBattery map[string]float64 `toml:"low_battery,omitempty"`
	Trip       Trip               `toml:"trip"`
	Checkin    Checkin            `toml:"checkin"`
	History    History            `toml:"history"`
	Pair       []Pair             `toml:"pair,omitempty"`
	Passage    Passing            `toml:"passage"`
	Board      Board              `toml:"board"`
}

// Broker is the MQTT broker that events are published to.
type Broker struct {
	// URL is mqtt://HOST:PORT, or mqtts://HOST:PORT for TLS. User and password do not belong in it.
	URL string `toml:"url"`
	// User may stand without a password; a password needs a user.
	User         string `toml:"user"`
	PasswordFile string `toml:"password_file"`
	// CAFile holds the PEM certificates to trust. Empty: those of the system.
	CAFile string `toml:"ca_file"`
	// Window is how many publications may await the broker's acknowledgement, 1 to 256. 1 keeps strict order at
	// the broker.
	Window int `toml:"window"`
	// ClientID must differ between all clients of a broker, or two of them take the session from each other for
	// ever. Empty in the file: longlane-<site>-<gateway>.
	ClientID string `toml:"client_id"`
}

// Mirror is a further broker that gets everything as well, with a place of its own in the queue.
type Mirror struct {
	// Name identifies it in faults and metrics, and its place in the queue.
	Name         string `toml:"name"`
	URL          string `toml:"url"`
	User         string `toml:"user"`
	PasswordFile string `toml:"password_file"`
	CAFile       string `toml:"ca_file"`
	Window       int    `toml:"window"`
	// ClientID is empty in the file for longlane-<site>-<gateway>-<name>.
	ClientID string `toml:"client_id"`
	// Required has the queue hold events for it as long as it takes, as for the broker. Otherwise MaxLag of them, 100 to
	// 1,000,000, may wait; beyond that it misses the oldest.
	Required bool `toml:"required"`
	MaxLag   int  `toml:"max_lag"`
	// FromStart has one that is new begin with the oldest event still in the queue; otherwise with the next.
	FromStart bool `toml:"from_start"`
	// Formerly is the name it had before, so that it goes on where it stood.
	Formerly string `toml:"formerly"`
}

// Broker is what a mirror shares with the broker.
func (m *Mirror) Broker() *Broker {
	return &Broker{URL: m.URL, User: m.User, PasswordFile: m.PasswordFile, CAFile: m.CAFile, Window: m.Window, ClientID: m.ClientID}
}

// Webhook is an HTTP server that is sent events, a request each, with a place of its own in the queue.
type Webhook struct {
	// Name identifies it in faults and metrics, and its place in the queue. No mirror has it.
	Name string `toml:"name"`
	// URL is http or https, with host, path and query. User and password do not belong in it.
	URL string `toml:"url"`
	// Method is POST, PUT, PATCH or GET. A GET has no body.
	Method string `toml:"method"`
	// Headers are sent with each request. None of them may be a secret, or one that the request itself decides.
	Headers map[string]string `toml:"headers,omitempty"`
	// TokenFile holds a bearer token. It is read anew for each request.
	TokenFile string `toml:"token_file"`
	CAFile    string `toml:"ca_file"`
	// Body is a template over body.Event. Empty: the event itself, as it goes to the broker.
	Body string `toml:"body"`
	// ContentType is empty in the file for that of a CloudEvent, or application/json beside a Body, which then must be JSON.
	ContentType string `toml:"content_type"`
	// Timeout is that of one request, 500 ms to 1 min.
	Timeout Duration `toml:"timeout"`
	// Events are the kinds to send, of body.Kinds.
	Events []string `toml:"events"`
	// Zones are those whose events are sent. Empty: all. What concerns no zone is always sent.
	Zones []string `toml:"zones,omitempty"`
	// MaxAge is the age beyond which an event is not sent any more, 1 s to 1000 h; 0: none is too old, which is what counts if
	// the file says Required and nothing of this.
	MaxAge Duration `toml:"max_age"`
	// Required, MaxLag, FromStart and Formerly are as for a Mirror.
	Required  bool   `toml:"required"`
	MaxLag    int    `toml:"max_lag"`
	FromStart bool   `toml:"from_start"`
	Formerly  string `toml:"formerly"`
}

// Template is what the webhook's bodies are made with. Its error has been told by Load or Parse.
func (w *Webhook) Template() (*body.Template, error) { return body.Compile(w.Body, w.ContentType) }

// Embedded is the broker inside this process, used when no other is configured.
type Embedded struct {
	// Listen is host:port. Anything but loopback needs User and PasswordFile.
	Listen       string `toml:"listen"`
	User         string `toml:"user"`
	PasswordFile string `toml:"password_file"`
}

// Modem is one serial LoRa modem, and the radio settings it is given.
type Modem struct {
	// Name identifies the bearer in events, logs and metrics.
	Name string `toml:"name"`
	// Device is the full path of the tty. The names under /dev/serial/by-id survive unplugging.
	Device string `toml:"device"`
	Baud   int    `toml:"baud"`
	// Dialect is what the modem speaks: "framed" or "line".
	Dialect string `toml:"dialect"`
	// Region says whose rules hold where the antenna stands, one of lora.Regions. It has no default: without it the modem
	// only listens. With it, what follows must be lawful there, and the airtime is kept within what is.
	Region string `toml:"region"`
	// Transmit false has the modem only listen although there is a region.
	Transmit bool `toml:"transmit"`
	// Frequency is the channel's centre in Hz, 137,000,000 to 1,020,000,000. It has no default, because no channel
	// is lawful everywhere.
	Frequency int `toml:"frequency"`
	// Bandwidth is one of the LoRa bandwidths, 7,810 to 500,000 Hz.
	Bandwidth       int `toml:"bandwidth"`
	SpreadingFactor int `toml:"spreading_factor"` // 5 to 12
	// CodingRate is the denominator: 5 to 8, for 4/5 to 4/8.
	CodingRate int `toml:"coding_rate"`
	Power      int `toml:"power"` // conducted, dBm, -9 to 30
	// AntennaGain is in dBi; CableLoss, in dB, is what is lost between connector and antenna. Limits of what is radiated
	// are judged by both.
	AntennaGain float64 `toml:"antenna_gain"`
	CableLoss   float64 `toml:"cable_loss"`
	// CarrierSense is how long the modem, by itself, listens for others before it sends. Some regions ask for it.
	CarrierSense Duration `toml:"carrier_sense"`
	SyncWord     int      `toml:"sync_word"` // 0 to 255
	Preamble     int      `toml:"preamble"`  // symbols, 6 to 65535
	// Line is set if and only if Dialect is "line". Its defaults are those of package lines.
	Line *lines.Config `toml:"line,omitempty"`
	// Unit is what the modem is part of, which the kind of file tells. No key of it.
	Unit Unit `toml:"-"`
}

// Unit is a kind of unit: what they send differs.
type Unit uint8

// The units.
const (
	UnitGateway Unit = iota
	UnitNode
	UnitRelay
)

// Longest is the size, in bytes, of the longest frame that u sends.
func (u Unit) Longest() int {
	switch u {
	case UnitNode:
		return proto.TypeTripHeld.Size() + 2 // with the whole counter
	case UnitRelay:
		return proto.MaxSize // another's, with all hop records
	}
	return proto.TypeReceipt.Size()
}

// Settings are the modulation in the terms of package lora.
func (m *Modem) Settings() lora.Settings {
	return lora.Settings{SpreadingFactor: m.SpreadingFactor, Bandwidth: m.Bandwidth, CodingRate: m.CodingRate, Preamble: m.Preamble}
}

// Band is the row of the rules under which the modem sends. Its error, that it may not, has been told by Load or Parse,
// but for a modem without a region.
func (m *Modem) Band() (lora.Band, error) {
	return lora.Lawful(m.Region, lora.Transmitter{Settings: m.Settings(), Frequency: int64(m.Frequency), Power: float64(m.Power),
		AntennaGain: m.AntennaGain, CableLoss: m.CableLoss, Listen: time.Duration(m.CarrierSense), Frame: m.Unit.Longest()})
}

// Silent tells why the modem only listens; "" if it sends as well.
func (m *Modem) Silent() string {
	switch {
	case m.Region == "":
		return "no region"
	case !m.Transmit:
		return "transmit is false"
	}
	return ""
}

// LineDialect returns what a modem of the line dialect speaks; nil for another. Its error has been told by Load or Parse.
func (m *Modem) LineDialect() (*lines.Dialect, error) {
	if m.Line == nil {
		return nil, nil
	}
	return m.Line.Compile(lines.Radio{"frequency": m.Frequency, "bandwidth": m.Bandwidth, "spreading_factor": m.SpreadingFactor,
		"coding_rate": m.CodingRate, "power": m.Power, "sync_word": m.SyncWord, "preamble": m.Preamble})
}

// Wifi is the UDP socket for nodes on Wi-Fi.
type Wifi struct {
	// Listen is host:port; an empty host means every address of this machine.
	Listen string `toml:"listen"`
}

// Zone is what people call a place that an input watches.
type Zone struct {
	// Title is for people, at most 64 characters. Empty: the zone's name serves.
	Title string `toml:"title"`
}

// Board is the owner's page, served at HTTP beside metrics and health.
type Board struct {
	// PasswordFile holds a bcrypt hash of the password that the page asks for. Empty: it asks for none, and is served only if HTTP
	// is a loopback address.
	PasswordFile string `toml:"password_file"`
	// Hosts are names under which a proxy on this machine may ask for the page. They need a PasswordFile.
	Hosts []string `toml:"hosts,omitempty"`
}

// NoBoard tells why the page is not served; "" if it is.
func (c *Config) NoBoard() string {
	switch {
	case c.HTTP == "":
		return "http is switched off"
	case c.Board.PasswordFile == "" && !isLoopback(c.HTTP):
		return "others on the network reach " + c.HTTP + ", and there is no password for it"
	}
	return ""
}

// Trip says how old a trip may be.
type Trip struct {
	// OldAfter is the age at publication above which a trip is marked delayed and must not sound.
	OldAfter Duration `toml:"old_after"`
	// FreshWithin is how far the send time in a frame may differ from the gateway's for the frame to count as fresh.
	FreshWithin Duration `toml:"fresh_within"`
}

// Checkin is the supervision of nodes.
type Checkin struct {
	// Period is how often a node reports that it is alive.
	Period Duration `toml:"period"`
}

// Default returns every default there is. The sections that exist only when written (Broker, Modem with its one
// element, Wifi) hold what such a section starts from; so this is not the meaning of an empty file, which lacks
// them and is refused for want of a site, a gateway and a bearer.
func Default() *Config {
	return &Config{
		State:    "/var/lib/longlane",
		HTTP:     "127.0.0.1:9465",
		LogLevel: "info",
		Broker:   &Broker{Window: 32},
		Embedded: &Embedded{Listen: "127.0.0.1:1883"},
		Mirror:   []Mirror{{Window: 32, MaxLag: 10_000}},
		Webhook: []Webhook{{Method: "POST", Timeout: Duration(10 * time.Second), Events: []string{"opened", "closed", "fault"},
			MaxAge: Duration(time.Minute), MaxLag: 10_000}},
		Modem: []Modem{{
			Baud:            115200,
			Dialect:         "framed",
			Transmit:        true,
			AntennaGain:     lora.DipoleGain,
			Bandwidth:       125000,
			SpreadingFactor: 7,
			CodingRate:      5,
			Power:           14,
			SyncWord:        0x12,
			Preamble:        8,
		}},
		Wifi:    &Wifi{Listen: ":5410"},
		Trip:    Trip{OldAfter: Duration(10 * time.Second), FreshWithin: Duration(15 * time.Second)},
		Checkin: Checkin{Period: Duration(15 * time.Minute)},
		History: History{Trips: Days(731 * day), Hours: Days(400 * day), MaxMiB: 192, Leaf: Duration(100 * time.Millisecond)},
		Passage: Passing{BeamWidth: beam.UsualWidth},
	}
}

// SetDefaults implements Defaulter.
func (b *Broker) SetDefaults() { *b = *Default().Broker }

// SetDefaults implements Defaulter.
func (e *Embedded) SetDefaults() { *e = *Default().Embedded }

// SetDefaults implements Defaulter.
func (m *Mirror) SetDefaults() { *m = Default().Mirror[0] }

// SetDefaults implements Defaulter.
func (w *Webhook) SetDefaults() { *w = Default().Webhook[0] }

// SetDefaults implements Defaulter.
func (m *Modem) SetDefaults() { *m = Default().Modem[0] }

// SetDefaults implements Defaulter.
func (w *Wifi) SetDefaults() { *w = *Default().Wifi }

// maxFile bounds what is read from disk, in bytes: a path that names a device or a log by mistake must not fill
// the memory.
const maxFile = 1 << 18

// Load reads and checks the file at path, and the secret and certificate files that it names. The error lists every
// problem, or says why the file could not be read.
func Load(path string) (*Config, error) {
	data, _, err := readBounded(path, maxFile)
	if err != nil {
		return nil, fmt.Errorf("read config: %w", err)
	}
	c, doc, err := parse(path, data)
	if err != nil {
		return nil, err
	}
	c.checkFiles(doc)
	if err := doc.Err(); err != nil {
		return nil, err
	}
	return c, nil
}

// ReadAlone reads and checks the configuration at path, as Load does, but does not look at the files that it names: for who plans with it, mostly
// on another machine.
func ReadAlone(path string) (*Config, error) {
	data, _, err := readBounded(path, maxFile)
	if err != nil {
		return nil, fmt.Errorf("read config: %w", err)
	}
	return Parse(path, data)
}

// Parse checks a configuration that is already in memory. name stands for the file in messages. Files that the
// configuration names are not looked at.
func Parse(name string, data []byte) (*Config, error) {
	c, doc, err := parse(name, data)
	if err != nil {
		return nil, err
	}
	if err := doc.Err(); err != nil {
		return nil, err
	}
	return c, nil
}

// parse returns an error only for what is not TOML at all; every other problem waits in the Document.
func parse(name string, data []byte) (*Config, *Document, error) {
	doc, err := Open(name, data)
	if err != nil {
		return nil, nil, err
	}
	if doc.isLane() {
		return nil, nil, doc.another("terrain", "a lane file, which describes the place", `the gateway's configuration, which names that by lane = "FILE"`)
	}
	c := Default()
	c.Broker, c.Embedded, c.Mirror, c.Webhook, c.Modem, c.Wifi = nil, nil, nil, nil, nil, nil
	doc.Into(c)
	c.check(doc)
	c.complete()
	return c, doc, nil
}

// complete fills in what follows from other settings.
func (c *Config) complete() {
	if c.Broker == nil && c.Embedded == nil {
		c.Embedded = Default().Embedded
	}
	if c.Broker != nil && c.Broker.ClientID == "" {
		c.Broker.ClientID = "longlane-" + c.Site + "-" + c.Gateway
	}
	for i := range c.Mirror {
		if m := &c.Mirror[i]; m.ClientID == "" {
			m.ClientID = "longlane-" + c.Site + "-" + c.Gateway + "-" + m.Name
		}
	}
}

// levels are the words that log_level takes.
var levels = map[string]slog.Level{
	"debug": slog.LevelDebug, "info": slog.LevelInfo, "warn": slog.LevelWarn, "error": slog.LevelError,
}

// Level returns LogLevel in the terms of log/slog.
func (c *Config) Level() slog.Level { return levels[c.LogLevel] }

// Title returns the title of a zone, or its name where none was given.
func (c *Config) Title(zone string) string {
	if t := c.Zone[zone].Title; t != "" {
		return t
	}
	return zone
}

// Duration is a time.Duration written as text: "900s", "15m", "1h30m".
type Duration time.Duration

// UnmarshalText accepts what time.ParseDuration accepts.
func (d *Duration) UnmarshalText(text []byte) error {
	v, err := time.ParseDuration(string(text))
	if err != nil {
		return err
	}
	*d = Duration(v)
	return nil
}

// MarshalText writes the form that UnmarshalText reads.
func (d Duration) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

func (d Duration) String() string { return lines.Duration(d).String() }

// Expected implements Expecter.
func (Duration) Expected() string { return `a duration in quotes such as "900s", "15m" or "1h30m"` }

// readBounded reads a regular file of at most limit bytes, and returns what it is beside what it holds: of the same
// open file, so that nobody can change one for another in between.
func readBounded(path string, limit int64) ([]byte, os.FileInfo, error) {
	// Without O_NONBLOCK a path that names a pipe by mistake would wait for a writer for ever.
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, nil, fmt.Errorf("%s: found a %s, expected a file", path, kindOfFile(info.Mode()))
	}
	data, err := io.ReadAll(io.LimitReader(f, limit+1))
	if err != nil {
		return nil, nil, err
	}
	if int64(len(data)) > limit {
		return nil, nil, fmt.Errorf("%s: found more than %d bytes, expected a small file", path, limit)
	}
	return data, info, nil
}

func kindOfFile(m os.FileMode) string {
	if m.IsDir() {
		return "directory"
	}
	return "device or pipe"
}
