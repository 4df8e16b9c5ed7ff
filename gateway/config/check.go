package config

import (
	"errors"
	"fmt"
	"maps"
	"net"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"longlane/radio/lora"
	"longlane/radio/modem/lines"
)

// check refuses what no gateway can run with. It looks at the values alone, never at files.
func (c *Config) check(d *Document) {
	k := checker{doc: d}
	k.name("site", c.Site)
	k.name("gateway", c.Gateway)
	k.path("state", c.State, `"/var/lib/longlane"`)
	if c.HTTP != "" {
		k.address("http", c.HTTP)
	}
	k.level("log_level", c.LogLevel)
	if len(c.Lane) > 1024 || !printable(c.Lane) {
		k.refuse("lane", quote(c.Lane), `the lane file beside this one, such as "lane.toml", or a full path`)
	}
	c.checkBrokers(k)
	c.checkSinks(k)
	c.checkAnnunciators(k)
	c.checkBearers(k)
	c.checkZones(k)
	c.checkPairs(k)
	c.checkBoard(k)
	k.between("trip.old_after", c.Trip.OldAfter, time.Second, 5*time.Minute)
	k.between("trip.fresh_within", c.Trip.FreshWithin, time.Second, 5*time.Minute)
	c.Checkin.check(k)
	c.History.check(checker{doc: d, table: "history"})
}

// checkAnnunciators drops an empty list, so that equal configurations compare equal.
func (c *Config) checkAnnunciators(k checker) {
	for i, name := range c.Annunciators {
		at := element("annunciators", i)
		k.name(at, name)
		if slices.Contains(c.Annunciators[:i], name) {
			k.refuse(at, quote(name)+" again", "each name once")
		}
	}
	if n := len(c.Annunciators); n > maxAnnunciators {
		k.refuse("annunciators", fmt.Sprintf("%d names", n), fmt.Sprintf("%d at the most", maxAnnunciators))
	}
	if len(c.Annunciators) == 0 {
		c.Annunciators = nil
	}
	if c.TestEvery != 0 {
		k.between("test_every", c.TestEvery, 10*time.Minute, 168*time.Hour)
	}
}

// maxAnnunciators is half of what the gateway keeps in mind.
const maxAnnunciators = 32

// checkBoard drops an empty list, so that equal configurations compare equal.
func (c *Config) checkBoard(k checker) {
	b := &c.Board
	k.secretPath("board.password_file", b.PasswordFile)
	if b.PasswordFile != "" && c.HTTP == "" {
		k.refuse("board.password_file", quote(b.PasswordFile), `nothing beside http = "", which switches the page off`)
	}
	for i, host := range b.Hosts {
		if host == "" || !hostForm.MatchString(host) {
			k.refuse(element("board.hosts", i), quote(host), `a name such as "board.lan", without a port`)
		}
	}
	if len(b.Hosts) > 0 && b.PasswordFile == "" {
		k.refuse("board.password_file", "nothing", "a password_file to go with hosts: whoever reaches the proxy reaches the page")
	}
	if len(b.Hosts) == 0 {
		b.Hosts = nil
	}
}

func (c Checkin) check(k checker) {
	k.between("checkin.period", c.Period, periodStep, 255*periodStep)
	if time.Duration(c.Period)%periodStep != 0 {
		k.refuse("checkin.period", quote(c.Period.String()), fmt.Sprintf("a multiple of %q", periodStep))
	}
}

// periodStep is the unit, of one byte, in which a receipt tells a node its check-in period.
const periodStep = 20 * time.Second

// checkBrokers also brings about that at most one of the two is set: an embedded broker beside a configured one
// would run for nobody.
func (c *Config) checkBrokers(k checker) {
	if c.Broker != nil && c.Embedded != nil {
		k.refuse("embedded", "[embedded] beside [broker]", "one of the two: [broker] for a broker of your own, [embedded] for the one built in")
	}
	if b := c.Broker; b != nil {
		b.check(checker{doc: k.doc, table: "broker"})
	}
	if e := c.Embedded; e != nil {
		e.check(k)
	}
}

func (b *Broker) check(k checker) {
	const form = `a URL such as "mqtts://broker.lan:8883" or "mqtt://broker.lan:1883"`
	u, err := url.Parse(b.URL)
	switch {
	case k.missing("url", b.URL, form):
	// First, so that no message ever repeats a password.
	case strings.Contains(b.URL, "@"):
		k.refuse("url", "a user or password in the URL", "them in user and password_file, since this file is no secret")
	case err != nil || u.Scheme != "mqtt" && u.Scheme != "mqtts" || u.Hostname() == "" || !isPort(u.Port(), 1):
		k.refuse("url", quote(b.URL), form)
	case u.Host != b.URL[len(u.Scheme)+len("://"):]:
		k.refuse("url", quote(b.URL), "nothing after the port: "+form)
	case u.Scheme == "mqtt" && b.CAFile != "":
		k.refuse("ca_file", quote(b.CAFile), "no certificates beside an mqtt:// URL, which is not encrypted; mqtts:// is")
	}
	k.secretPath("password_file", b.PasswordFile)
	if b.PasswordFile != "" && b.User == "" {
		k.refuse("user", "nothing", "a user, since MQTT 3.1.1 sends no password without one")
	}
	k.text("user", b.User, 256)
	if b.CAFile != "" {
		k.path("ca_file", b.CAFile, `"/etc/longlane/ca.pem"`)
	}
	if !within(b.Window, 1, 256) {
		k.refuse("window", strconv.Itoa(b.Window), "a whole number from 1 to 256")
	}
	if b.ClientID != "" && !clientID.MatchString(b.ClientID) {
		k.refuse("client_id", quote(b.ClientID), `1 to 128 letters, digits, "-", "_" or "."`)
	}
}

// checkSinks also brings about that no two sinks share a name, and that what is to be forgotten is not in use.
func (c *Config) checkSinks(k checker) {
	names := map[string]string{} // the table that has it
	for i := range c.Mirror {
		m := &c.Mirror[i]
		at := checker{doc: k.doc, table: element("mirror", i)}
		at.sink(m.Name, m.MaxLag, m.Formerly, names)
		m.Broker().check(at)
	}
	for i := range c.Webhook {
		w := &c.Webhook[i]
		at := checker{doc: k.doc, table: element("webhook", i)}
		at.sink(w.Name, w.MaxLag, w.Formerly, names)
		w.check(at)
	}
	for i, m := range c.Mirror {
		checker{doc: k.doc, table: element("mirror", i)}.formerly(m.Formerly, names)
	}
	for i, w := range c.Webhook {
		checker{doc: k.doc, table: element("webhook", i)}.formerly(w.Formerly, names)
	}
	for i, name := range c.Forget {
		if _, used := names[name]; used || name == BrokerName || name == HistoryName {
			k.refuse(element("forget", i), quote(name), "a name that is not in use any more")
		}
	}
	if len(c.Mirror) == 0 {
		c.Mirror = nil
	}
	if len(c.Webhook) == 0 {
		c.Webhook = nil
	}
	if len(c.Forget) == 0 {
		c.Forget = nil
	}
}

// sink checks what all further sinks have.
func (k checker) sink(name string, maxLag int, formerly string, names map[string]string) {
	k.name("name", name)
	switch name {
	case BrokerName:
		k.refuse("name", quote(name), "another name: this one is the broker's in faults and metrics")
	case HistoryName:
		k.refuse("name", quote(name), "another name: this one is the history's in faults and metrics")
	}
	if other, twice := names[name]; twice && name != "" {
		k.refuse("name", quote(name)+" again", "a name that differs from that of "+other)
	}
	names[name] = k.table
	k.number("max_lag", maxLag, 100, 1_000_000, "")
	if formerly != "" {
		k.name("formerly", formerly)
	}
}

// formerly is called when all names are known.
func (k checker) formerly(name string, names map[string]string) {
	if other, used := names[name]; used && name != "" {
		k.refuse("formerly", quote(name), "a name that nobody has now; "+other+" has it")
	}
}

// BrokerName is the name of the broker, or of the embedded one, among the sinks.
const BrokerName = "mqtt"

func (e *Embedded) check(k checker) {
	k.address("embedded.listen", e.Listen)
	k.text("embedded.user", e.User, 256)
	k.secretPath("embedded.password_file", e.PasswordFile)
	switch {
	case e.User == "" && e.PasswordFile != "":
		k.refuse("embedded.user", "nothing", "a user to go with password_file")
	case e.User != "" && e.PasswordFile == "":
		k.refuse("embedded.password_file", "nothing", "a password_file to go with user")
	case e.User == "" && !isLoopback(e.Listen):
		k.refuse("embedded.listen", quote(e.Listen),
			"a loopback address such as \"127.0.0.1:1883\", or user and password_file: without them everyone on the network could read and forge alerts")
	}
}

func (c *Config) checkBearers(k checker) {
	if len(c.Modem) == 0 && c.Wifi == nil {
		k.refuse("modem", "neither [[modem]] nor [wifi]", "at least one of them, or no node could be heard")
	}
	names, devices := map[string]int{}, map[string]int{}
	for i, m := range c.Modem {
		at := checker{doc: k.doc, table: element("modem", i)}
		m.check(at)
		at.first("name", m.Name, names, i)
		at.first("device", m.Device, devices, i)
	}
	if c.Wifi != nil {
		k.address("wifi.listen", c.Wifi.Listen)
	}
}

func (m *Modem) check(k checker) {
	k.name("name", m.Name)
	if m.Name == "wifi" {
		k.refuse("name", `"wifi"`, "another name: this one is the UDP bearer's in events and metrics")
	}
	k.path("device", m.Device, `"/dev/serial/by-id/..."`)
	if !slices.Contains(bauds, m.Baud) {
		k.refuse("baud", strconv.Itoa(m.Baud), "a speed that serial ports have, such as 9600, 57600, 115200, 230400 or 921600")
	}
	m.checkRadio(k)
	switch {
	case m.Dialect != "framed" && m.Dialect != "line":
		k.refuse("dialect", quote(m.Dialect), `"framed" or "line"`)
	case m.Dialect == "line":
		m.checkLine(k)
	case m.Line != nil:
		k.refuse("line", `[modem.line] beside dialect "framed"`, `dialect = "line", or no such table`)
	}
}

// checkLine also drops empty lists, so that equal configurations compare equal.
func (m *Modem) checkLine(k checker) {
	l := m.Line
	if l == nil {
		k.refuse("line", "nothing", "a table [modem.line] that says in which words the modem speaks; radio/modem/LINES.md explains it")
		return
	}
	_, err := m.LineDialect()
	for _, e := range lines.FieldErrors(err) {
		k.doc.RefuseHint(k.at("line."+e.Field), e.Found, e.Expected, e.Hint)
	}
	if m.Silent() == "" && l.Send == nil {
		k.refuse("line.send", "nothing", "[modem.line.send], since there is a region and transmit is true")
	}
	if longest := m.Unit.Longest(); l.Send != nil && m.Silent() == "" && within(l.Send.Longest, 1, longest-1) {
		k.refuse("line.send.longest", strconv.Itoa(l.Send.Longest), fmt.Sprintf("%d or more: such frames are sent here", longest))
	}
	if len(l.Initialise) == 0 {
		l.Initialise = nil
	}
	if len(l.Receive.Samples) == 0 {
		l.Receive.Samples = nil
	}
}

func (m *Modem) checkRadio(k checker) {
	const channel = "the channel in Hz, 137000000 to 1020000000: look up what is lawful where the antenna stands"
	switch {
	case m.Frequency == 0 && !k.has("frequency"):
		k.refuse("frequency", "nothing", channel)
	case !within(m.Frequency, 137e6, 1020e6):
		k.refuse("frequency", strconv.Itoa(m.Frequency), channel)
	}
	if !slices.Contains(lora.Bandwidths(), m.Bandwidth) {
		k.refuse("bandwidth", strconv.Itoa(m.Bandwidth), "one of "+list(lora.Bandwidths())+" Hz")
	}
	k.number("spreading_factor", m.SpreadingFactor, 5, 12, "")
	k.number("coding_rate", m.CodingRate, 5, 8, ", the denominator of 4/5 to 4/8")
	k.number("power", m.Power, -9, 30, ", in dBm")
	k.number("sync_word", m.SyncWord, 0, 255, "")
	k.number("preamble", m.Preamble, 6, 65535, ", in symbols")
	m.checkLawful(k)
}

// checkLawful judges the modem by its region's rules. What is no setting of a modem at all has been refused before, and
// is not judged.
func (m *Modem) checkLawful(k checker) {
	regions := lora.Regions()
	switch {
	case m.Region == "":
		return
	case !slices.Contains(regions, m.Region):
		k.refuse("region", quote(m.Region), `the one whose rules hold where the antenna stands, of "`+strings.Join(regions, `", "`)+
			`"; or leave it out: then this modem only listens`)
		return
	}
	b, err := m.Band()
	var u *lora.Unlawful
	switch {
	case errors.As(err, &u):
		field, found := m.culprit(u)
		k.refuse(field, found, "what is lawful where the antenna stands; this is "+err.Error())
	case err != nil: // a setting that is refused by its own name, or one of these
		for field, value := range map[string]float64{"antenna_gain": m.AntennaGain, "cable_loss": m.CableLoss} {
			if low, high := gains[field][0], gains[field][1]; !(value >= low && value <= high) {
				k.refuse(field, fmt.Sprint(value), fmt.Sprintf("a number from %v to %v", low, high))
			}
		}
		if m.CarrierSense < 0 || m.CarrierSense > Duration(time.Minute) {
			k.refuse("carrier_sense", quote(m.CarrierSense.String()), `a duration from "0s" to "1m"`)
		}
	default:
		what := "receipt"
		if m.Unit != UnitGateway {
			what = "frame"
		}
		if a := m.Settings().Airtime(m.Unit.Longest()); a > b.Budget()/2 {
			k.refuse("spreading_factor", strconv.Itoa(m.SpreadingFactor), fmt.Sprintf(
				"a faster setting: one %s takes %v on the air, and %v in any hour are lawful here", what, a.Round(time.Millisecond), b.Budget()))
		}
	}
}

// gains are the ranges that package lora reckons with.
var gains = map[string][2]float64{"antenna_gain": {-30, 30}, "cable_loss": {0, 60}}

// culprit is the setting to blame: that in which the nearest lawful choice differs.
func (m *Modem) culprit(u *lora.Unlawful) (field, found string) {
	if len(u.Instead) > 0 {
		n := u.Instead[0].Transmitter
		switch {
		case n.Frequency != int64(m.Frequency):
			return "frequency", strconv.Itoa(m.Frequency)
		case n.Power != float64(m.Power):
			return "power", strconv.Itoa(m.Power)
		case n.Bandwidth != m.Bandwidth:
			return "bandwidth", strconv.Itoa(m.Bandwidth)
		case n.SpreadingFactor != m.SpreadingFactor:
			return "spreading_factor", strconv.Itoa(m.SpreadingFactor)
		case n.Listen != time.Duration(m.CarrierSense):
			return "carrier_sense", quote(m.CarrierSense.String())
		}
	}
	return "region", quote(m.Region)
}

// bauds are the speeds that Linux has a constant for (B300 to B4000000 in termios), and hence the serial port.
var bauds = []int{300, 600, 1200, 1800, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800, 500000,
	576000, 921600, 1000000, 1152000, 1500000, 2000000, 2500000, 3000000, 3500000, 4000000}

// checkZones visits the zones and drops an empty map, so that equal configurations compare equal.
func (c *Config) checkZones(k checker) {
	for _, zone := range slices.Sorted(maps.Keys(c.Zone)) {
		path := join("zone", zone)
		k.name(path, zone)
		k.text(path+".title", c.Zone[zone].Title, 64)
	}
	if len(c.Zone) == 0 {
		c.Zone = nil
	}
	for _, node := range slices.Sorted(maps.Keys(c.LowBattery)) {
		path := join("low_battery", node)
		k.name(path, node)
		if v := c.LowBattery[node]; !(v > 0 && v < 60) {
			k.refuse(path, fmt.Sprint(v), "volts, above 0 and below 60")
		}
	}
	if len(c.LowBattery) == 0 {
		c.LowBattery = nil
	}
	if len(c.Modem) == 0 {
		c.Modem = nil
	}
}

var (
	// nameForm is the same rule as that of gateway/roster, which this package must not know: what is named here must be
	// fit for enrolment.
	nameForm = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,31}$`)
	clientID = regexp.MustCompile(`^[0-9A-Za-z._-]{1,128}$`)
	hostForm = regexp.MustCompile(`^[0-9A-Za-z._-]{0,253}$`)
)

// checker refuses single values; field names are relative to its table.
type checker struct {
	doc   *Document
	table string
}

func (k checker) at(field string) string {
	if k.table == "" {
		return field
	}
	return k.table + "." + field
}

func (k checker) has(field string) bool { return k.doc.Has(k.at(field)) }

func (k checker) refuse(field, found, expected string) { k.doc.Refuse(k.at(field), found, expected) }

// missing refuses an empty text and says whether it did.
func (k checker) missing(field, value, expected string) bool {
	if value != "" {
		return false
	}
	found := "nothing"
	if k.has(field) {
		found = `""`
	}
	k.refuse(field, found, expected)
	return true
}

func (k checker) name(field, value string) {
	const form = `1 to 32 of the letters a-z, the digits 0-9 and "-", no "-" at first`
	if !k.missing(field, value, form) && !nameForm.MatchString(value) {
		k.refuse(field, quote(value), form)
	}
}

func (k checker) path(field, value, example string) {
	form := "a full path such as " + example
	if k.missing(field, value, form) {
		return
	}
	// A relative path would depend on where the service manager happens to start the process.
	if !strings.HasPrefix(value, "/") || len(value) > 1024 || !printable(value) {
		k.refuse(field, quote(value), form)
	}
}

func (k checker) secretPath(field, value string) {
	if value != "" {
		k.path(field, value, `"/etc/longlane/broker.pass"`)
	}
}

func (k checker) text(field, value string, most int) {
	if n := utf8.RuneCountInString(value); n > most || !printable(value) {
		k.refuse(field, quote(value), fmt.Sprintf("at most %d characters, without line breaks or control characters", most))
	}
}

func (k checker) address(field, value string) {
	const form = `HOST:PORT such as "127.0.0.1:9465", with a port from 0 to 65535`
	if k.missing(field, value, form) {
		return
	}
	host, port, err := net.SplitHostPort(value)
	if err != nil || !isPort(port, 0) || !hostForm.MatchString(host) && net.ParseIP(host) == nil {
		k.refuse(field, quote(value), form)
	}
}

func (k checker) number(field string, value, low, high int, what string) {
	if !within(value, low, high) {
		k.refuse(field, strconv.Itoa(value), fmt.Sprintf("a whole number from %d to %d%s", low, high, what))
	}
}

func (k checker) level(field, value string) {
	if _, ok := levels[value]; !ok {
		k.refuse(field, quote(value), "debug, info, warn or error")
	}
}

func (k checker) between(field string, value Duration, low, high time.Duration) {
	if v := time.Duration(value); v < low || v > high {
		k.refuse(field, quote(value.String()), fmt.Sprintf("a duration from %q to %q", Duration(low), Duration(high)))
	}
}

// first refuses a value that an earlier modem has too.
func (k checker) first(field, value string, seen map[string]int, i int) {
	if j, twice := seen[value]; twice && value != "" {
		k.refuse(field, quote(value)+" again", fmt.Sprintf("a %s that differs from that of %s", field, element("modem", j)))
		return
	}
	seen[value] = i
}

func within(n, low, high int) bool { return low <= n && n <= high }

func isPort(s string, low int) bool {
	n, err := strconv.ParseUint(s, 10, 16)
	return err == nil && int(n) >= low
}

// isLoopback reports whether an address can be reached from this machine alone. An empty host is every address.
func isLoopback(address string) bool {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return false
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

func printable(s string) bool {
	return strings.IndexFunc(s, func(r rune) bool { return !unicode.IsPrint(r) }) < 0
}

func list(numbers []int) string {
	words := make([]string, len(numbers))
	for i, n := range numbers {
		words[i] = strconv.Itoa(n)
	}
	return strings.Join(words, ", ")
}
