// Package daemon wires a gateway together from its configuration, and gives it a life: New opens everything, Run works
// until it is told to stop, and what was opened is closed in the reverse order.
package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"maps"
	"math"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"longlane/gateway"
	"longlane/gateway/airtime"
	"longlane/gateway/board"
	"longlane/gateway/config"
	"longlane/gateway/logbook"
	"longlane/gateway/metrics"
	"longlane/gateway/mqtt"
	"longlane/gateway/picture"
	"longlane/gateway/roster"
	"longlane/gateway/webhook"
	"longlane/queue"
	"longlane/queue/history"
	"longlane/radio"
	"longlane/radio/lora"
	"longlane/radio/modem"
	"longlane/radio/serialport"
	"longlane/radio/use"
	"longlane/radio/wifi"
)

// ErrSite is returned by New when the config and the roster in its state directory are of different sites.
var ErrSite = errors.New("this is another site's state directory")

// Daemon is a gateway and all it stands on.
type Daemon struct {
	clock   gateway.Clock
	cfg     *config.Config
	log     *slog.Logger
	gw      *gateway.Gateway
	links   []radio.Link
	modems  []*modem.Modem
	hooks   []*webhook.Hook            // in the config's order
	keepers map[string]*airtime.Keeper // of the modems that may send, by name
	history *logbook.Recorder          // nil: off
	board   *board.Board               // nil: the config has none
	picture *picture.Picture           // what it shows; likewise
	queue   *queue.Queue
	metrics *metrics.Metrics
	broker  *mqtt.Broker
	http    net.Listener
	probe   func(path string) error
	ran     bool             // there has been a gateway in this state directory before
	faults  []gateway.Notice // found while opening
	opened
}

// opened is what must be closed again.
type opened struct {
	close []func() error // in order of opening
}

// shut closes in the reverse order, all of it whatever fails.
func (o *opened) shut() (err error) {
	for i := len(o.close) - 1; i >= 0; i-- {
		err = errors.Join(err, o.close[i]())
	}
	o.close = nil
	return err
}

// New opens roster, queue, broker and HTTP socket. On an error everything is closed again. probe tries the queue's file in a
// process that may die of it; see [queue.RecoverOptions].
func New(cfg *config.Config, log *slog.Logger, probe func(path string) error) (*Daemon, error) {
	clock, err := gateway.SystemClock()
	if err != nil {
		return nil, err
	}
	return NewAt(clock, cfg, log, probe)
}

// NewAt is New with another clock than the system's.
func NewAt(clock gateway.Clock, cfg *config.Config, log *slog.Logger, probe func(path string) error) (*Daemon, error) {
	d := &Daemon{clock: clock, cfg: cfg, log: log, probe: probe}
	if err := d.open(); err != nil {
		return nil, errors.Join(err, d.shut())
	}
	return d, nil
}

func (d *Daemon) open() error {
	cfg := d.cfg
	if err := os.MkdirAll(cfg.State, 0o700); err != nil {
		return fmt.Errorf("make state directory: %w", err)
	}
	current, err := roster.Follow(cfg.State)
	if err != nil {
		return err
	}
	if name := current.Get().SiteName; name != cfg.Site {
		return fmt.Errorf("%w: the roster in %s is of the site %q, the config says %q", ErrSite, cfg.State, name, cfg.Site)
	}
	clock := d.clock
	if err := d.openQueue(); err != nil {
		return err
	}
	if err := d.openBroker(); err != nil {
		return err
	}
	if err := d.openLinks(clock); err != nil {
		return err
	}
	if err := d.openHooks(); err != nil {
		return err
	}
	d.openHistory(clock)
	if err := d.openBoard(); err != nil {
		return err
	}
	d.metrics = metrics.New(d.lists())
	if d.gw, err = gateway.New(d.options(current, clock)); err != nil {
		return err
	}
	d.gauges()
	return d.listen()
}

// openQueue opens the queue whatever stands in the place of its file. The house is to hear of it if that was not the queue.
func (d *Daemon) openQueue() error {
	path := filepath.Join(d.cfg.State, gateway.QueueFile)
	_, err := os.Stat(path)
	gone := errors.Is(err, fs.ErrNotExist)
	_, err = os.Stat(filepath.Join(d.cfg.State, gateway.CopyFile))
	ranBefore := err == nil
	q, replaced, err := queue.Recover(path, queue.Options{Advance: gateway.AdvanceMark, Log: d.log},
		queue.RecoverOptions{MergeMarks: gateway.MergeMarks, Sinks: d.sinkNames(), Probe: d.probe})
	if err != nil {
		return err
	}
	d.queue = q
	d.close = append(d.close, q.Close)
	d.ran = replaced != nil || ranBefore
	switch {
	case replaced != nil:
		d.faults = append(d.faults, gateway.Notice{Code: gateway.NoticeReplaced, Detail: replaced.String()})
	case gone && ranBefore:
		d.faults = append(d.faults, gateway.Notice{Code: gateway.NoticeReplaced,
			Detail: fmt.Sprintf("%s was gone, and with it what the broker had not taken yet: a new, empty one is in its place", path)})
	}
	return nil
}

// sinkNames are the names that the place of each sink may have in the queue.
func (d *Daemon) sinkNames() [][]string {
	names := [][]string{{config.BrokerName}}
	for _, m := range d.cfg.Mirror {
		names = append(names, []string{m.Name, m.Formerly})
	}
	for _, w := range d.cfg.Webhook {
		names = append(names, []string{w.Name, w.Formerly})
	}
	if !d.cfg.History.Off {
		names = append(names, []string{config.HistoryName})
	}
	return names
}

func (d *Daemon) openBroker() (err error) {
	e := d.cfg.Embedded
	if e == nil {
		return nil
	}
	d.broker, err = mqtt.StartBroker(mqtt.BrokerOptions{Listen: e.Listen, User: e.User, PasswordFile: e.PasswordFile, Log: d.log})
	if err == nil {
		d.close = append(d.close, d.broker.Close)
	}
	return err
}

// replug is the longest wait before a modem that was plugged in again is noticed.
const replug = 5 * time.Second

// sendTimeout leaves a modem time for the longest frame and for what is in the air before it.
func sendTimeout(m *config.Modem) time.Duration {
	return 5*time.Second + 2*m.Settings().Airtime(m.Unit.Longest())
}

// permission is what a modem asks for each frame; see [modem.Options].
type permission func(frame []byte) (settle func(radio.Fate, time.Duration), err error)

// keep opens what keeps a modem's airtime within what is lawful. o says what its frames are for, and where the ledger stands.
func keep(m *config.Modem, o airtime.Options, clock gateway.Clock, log *slog.Logger) (*airtime.Keeper, error) {
	band, err := m.Band()
	if err != nil {
		return nil, fmt.Errorf("modem %s: %w", m.Name, err)
	}
	o.Bearer, o.Device, o.Band, o.Settings, o.Mono, o.Log = m.Name, m.Device, band, m.Settings(), clock.Mono, log
	o.Moment = func() lora.Moment {
		return lora.Moment{Boot: clock.Boot, Mono: clock.Mono(), Wall: clock.Wall(), Set: clock.Set()}
	}
	k, err := airtime.Open(o)
	if err != nil {
		return nil, err
	}
	log.Info("this modem sends", "modem", m.Name, "region", m.Region, "band", band.Range(), "airtime_per_hour", k.Budget(), "used", k.Used().Round(time.Millisecond))
	return k, nil
}

// newModem gives the modem of a table; without a permit it only listens.
func newModem(m *config.Modem, permit permission, log *slog.Logger) (*modem.Modem, error) {
	dialect, err := m.LineDialect()
	if err != nil {
		return nil, fmt.Errorf("modem %s: %w", m.Name, err)
	}
	return modem.New(modem.Options{Name: m.Name, Permit: permit, Log: log, BackoffMax: replug,
		SendTimeout: sendTimeout(m), Lines: dialect,
		Open: func(context.Context) (io.ReadWriteCloser, error) {
			return serialport.Open(serialport.Options{Path: m.Device, Baud: m.Baud})
		},
		Parameters: modem.Parameters{Frequency: uint32(m.Frequency), Bandwidth: uint32(m.Bandwidth),
			SpreadingFactor: uint8(m.SpreadingFactor), CodingRate: uint8(m.CodingRate), Power: int8(m.Power),
			SyncWord: uint8(m.SyncWord), Preamble: uint16(m.Preamble)}}), nil
}

// permit gives what the modem must ask; nil for one that only listens.
func (d *Daemon) permit(m *config.Modem, r *airtime.Register, clock gateway.Clock) (permission, error) {
	if m.Silent() != "" {
		return nil, nil
	}
	k, err := keep(m, airtime.Options{Use: use.Of, Store: d.queue, Register: r}, clock, d.log)
	if err != nil {
		return nil, err
	}
	d.keepers[m.Name] = k
	d.close = append(d.close, k.Close)
	return k.Permit, nil
}

func (d *Daemon) openLinks(clock gateway.Clock) error {
	d.keepers = map[string]*airtime.Keeper{}
	devices := []string{}
	for _, m := range d.cfg.Modem {
		if m.Silent() == "" {
			devices = append(devices, m.Device)
		}
	}
	register := airtime.OpenRegister(d.queue, devices, d.ran)
	for i := range d.cfg.Modem {
		m := &d.cfg.Modem[i]
		permit, err := d.permit(m, register, clock)
		if err != nil {
			return err
		}
		link, err := newModem(m, permit, d.log)
		if err != nil {
			return err
		}
		d.links, d.modems = append(d.links, link), append(d.modems, link)
		if why := m.Silent(); why != "" {
			d.log.Warn("this modem will only listen: "+why+"; nodes heard by it get no receipts, keep their trips and try again", "modem", m.Name)
		}
	}
	if err := register.Save(); err != nil {
		return err
	}
	if w := d.cfg.Wifi; w != nil {
		d.links = append(d.links, wifi.New(wifi.Options{Name: "wifi", Listen: w.Listen, Log: d.log}))
	}
	return nil
}

func (d *Daemon) options(r *roster.Current, clock gateway.Clock) gateway.Options {
	o := gateway.Options{Site: d.cfg.Site, Name: d.cfg.Gateway, Roster: r, Queue: gateway.OnQueue(d.queue), Copy: filepath.Join(d.cfg.State, gateway.CopyFile), Links: d.links, Clock: clock,
		OldAfter: time.Duration(d.cfg.Trip.OldAfter), FreshWithin: time.Duration(d.cfg.Trip.FreshWithin),
		CheckIn: time.Duration(d.cfg.Checkin.Period), Meter: d.metrics, Log: d.log,
		Air: map[string]gateway.Air{}, Seed: rand.Uint64(), Silent: map[string]string{}, Forget: d.cfg.Forget, Faults: d.faults,
		Annunciators: d.cfg.Annunciators, LowBattery: d.cfg.LowBattery, TestEvery: time.Duration(d.cfg.TestEvery),
		Sinks: []gateway.SinkOptions{d.brokerOptions()}}
	for i := range d.cfg.Mirror {
		o.Sinks = append(o.Sinks, d.mirrorOptions(&d.cfg.Mirror[i]))
	}
	for i := range d.cfg.Webhook {
		o.Sinks = append(o.Sinks, d.webhookOptions(i))
	}
	if d.history != nil {
		o.Sinks = append(o.Sinks, d.history.SinkOptions())
	} else {
		o.Forget = append(slices.Clone(o.Forget), config.HistoryName)
	}
	for i := range d.cfg.Modem {
		m := &d.cfg.Modem[i]
		o.Air[m.Name] = gateway.Air{Settings: m.Settings(), Sends: m.Silent() == "", Noise: noiseOf(d.modems[i])}
		if m.Region == "" { // whoever has a region and transmit = false wants it so, and need not be told by a fault
			o.Silent[m.Name] = "no region is set for it"
		}
	}
	o.Titles = d.titles()
	o.Observe = d.observer()
	return o
}

// observer hands what the core observes to history and page; nil if there is neither.
func (d *Daemon) observer() func(gateway.Observation) {
	switch {
	case d.history == nil && d.picture == nil:
		return nil
	case d.picture == nil:
		return d.history.Observe
	case d.history == nil:
		return d.picture.Observe
	}
	return func(o gateway.Observation) {
		d.history.Observe(o)
		d.picture.Observe(o)
	}
}

// historyLag is how many trips and faults may wait for a history that cannot be written. They are some hundred bytes each, and the queue
// is for the broker's first of all.
const historyLag = 20_000

// openHistory begins the record; its file is opened once the gateway runs, and whatever becomes of that, it runs.
func (d *Daemon) openHistory(clock gateway.Clock) {
	h := d.cfg.History
	if h.Off {
		return
	}
	d.history = logbook.New(logbook.Options{Name: config.HistoryName, Dir: d.cfg.State, Clock: clock, CheckIn: time.Duration(d.cfg.Checkin.Period), MaxLag: historyLag, Log: d.log,
		Keep: history.Options{KeepTrips: time.Duration(h.Trips), KeepHours: time.Duration(h.Hours), MaxBytes: int64(h.MaxMiB) << 20}})
}

// noiseOf gives the noise floor that a modem reported last, dBm; not a number if it has told none.
func noiseOf(m *modem.Modem) func() float64 {
	return func() float64 {
		if s := m.Stats(); !s.NoiseAt.IsZero() {
			return s.NoiseFloor
		}
		return math.NaN()
	}
}

// theBroker is the broker, or the embedded one.
func (d *Daemon) theBroker() *config.Broker {
	b := config.Default().Broker
	b.ClientID = "longlane-" + d.cfg.Site + "-" + d.cfg.Gateway
	if d.cfg.Broker != nil {
		b = d.cfg.Broker
	} else {
		b.URL, b.User, b.PasswordFile = d.brokerURL(), d.cfg.Embedded.User, d.cfg.Embedded.PasswordFile
	}
	return b
}

// hearAnnunciators listens to what annunciators say at the broker, until ctx ends.
func (d *Daemon) hearAnnunciators(ctx context.Context) {
	b := d.theBroker()
	o := mqtt.SubscribeOptions{URL: b.URL, ClientID: b.ClientID + "-ears", User: b.User, PasswordFile: b.PasswordFile, CAFile: b.CAFile,
		Filters: d.gw.AnnunciatorTopics(), QoS: 1, CleanSession: true, Log: d.log,
		Connected: func() { d.gw.Listening(true) }, Lost: func(error) { d.gw.Listening(false) }}
	for ctx.Err() == nil {
		err := mqtt.Subscribe(ctx, o, d.gw.Annunciator)
		if err != nil { // a file of the settings, which may be put right
			d.log.Error("annunciators cannot be heard", "err", err)
		}
		select {
		case <-ctx.Done():
		case <-time.After(time.Minute):
		}
	}
}

// brokerOptions is the broker as a sink.
func (d *Daemon) brokerOptions() gateway.SinkOptions {
	o := d.sinkOptions(config.BrokerName, d.theBroker())
	o.Required, o.FromStart = true, true
	return o
}

func (d *Daemon) mirrorOptions(m *config.Mirror) gateway.SinkOptions {
	o := d.sinkOptions(m.Name, m.Broker())
	o.Required, o.FromStart, o.MaxLag, o.Formerly = m.Required, m.FromStart, m.MaxLag, m.Formerly
	return o
}

func (d *Daemon) openHooks() error {
	for i := range d.cfg.Webhook {
		w := &d.cfg.Webhook[i]
		t, err := w.Template()
		if err != nil {
			return fmt.Errorf("webhook %s: body: %w", w.Name, err)
		}
		o := webhook.Options{Name: w.Name, URL: w.URL, Method: w.Method, ContentType: w.ContentType, Headers: w.Headers, Body: t,
			CAFile: w.CAFile, Timeout: time.Duration(w.Timeout), MaxAge: time.Duration(w.MaxAge), Kinds: w.Events, Zones: w.Zones, Log: d.log}
		if path := w.TokenFile; path != "" {
			o.Token = func() (string, error) { return config.ReadToken(path) }
		}
		h, err := webhook.New(o)
		if err != nil {
			return err
		}
		d.hooks = append(d.hooks, h)
		d.close = append(d.close, h.Close)
	}
	return nil
}

func (d *Daemon) webhookOptions(i int) gateway.SinkOptions {
	w, h := &d.cfg.Webhook[i], d.hooks[i]
	return gateway.SinkOptions{Name: w.Name, To: h.To(), Required: w.Required, MaxLag: w.MaxLag, FromStart: w.FromStart, Formerly: w.Formerly,
		Window: 2, EventsOnly: true, Dial: h.Dial, MaxBackoff: time.Minute, Reason: webhookReason}
}

func webhookReason(err error) string {
	var end *webhook.EndError
	if errors.As(err, &end) {
		return string(end.Reason)
	}
	return string(webhook.ReasonClosed)
}

// sinkOptions are what all brokers share. Sessions are clean: the queue is the only truth.
func (d *Daemon) sinkOptions(name string, b *config.Broker) gateway.SinkOptions {
	o := mqtt.Options{URL: b.URL, ClientID: b.ClientID, User: b.User, PasswordFile: b.PasswordFile, CAFile: b.CAFile, Log: d.log}
	backoff := time.Minute
	if mqtt.Nearby(o.URL) {
		backoff = time.Second
	}
	return gateway.SinkOptions{Name: name, To: o.URL, Window: b.Window, MaxBackoff: backoff, Reason: endReason,
		Dial: func(ctx context.Context, second bool) (gateway.Session, error) {
			o := o
			if second {
				o.ClientID += "-2"
			} else {
				will := d.gw.Status(gateway.StatusLost)
				o.Will = &mqtt.Will{Topic: will.Topic, Payload: will.Payload}
			}
			s, err := mqtt.Dial(ctx, o)
			if err != nil {
				return nil, err // not a nil *Session in an interface
			}
			return s, nil
		}}
}

// brokerURL has no user and no password in it: the config keeps them apart.
func (d *Daemon) brokerURL() string {
	if b := d.cfg.Broker; b != nil {
		return b.URL
	}
	return "mqtt://" + reach(d.broker.Addr())
}

// reach is how to dial what listens on a: on every address means on loopback too.
func reach(a net.Addr) string {
	host, port, err := net.SplitHostPort(a.String())
	if ip := net.ParseIP(host); err != nil || ip == nil || !ip.IsUnspecified() {
		return a.String()
	}
	return net.JoinHostPort("127.0.0.1", port)
}

func endReason(err error) string {
	var end *mqtt.EndError
	if errors.As(err, &end) {
		return string(end.Reason)
	}
	return string(mqtt.ReasonSettings)
}

func (d *Daemon) lists() metrics.Lists {
	l := metrics.Lists{Whats: gateway.Whats, Annunciators: append([]string{gateway.UnnamedAnnunciator}, d.cfg.Annunciators...), Verdicts: gateway.Verdicts, Hints: gateway.Hints, Drops: gateway.Drops, Sinks: map[string][]string{}}
	ofBroker, ofWebhook := names(mqtt.Reasons()), names(webhook.Reasons())
	l.Sinks[config.BrokerName] = ofBroker
	if d.history != nil {
		l.Sinks[config.HistoryName] = []string{logbook.ReasonStore}
	}
	for _, m := range d.cfg.Mirror {
		l.Sinks[m.Name] = ofBroker
	}
	for _, w := range d.cfg.Webhook {
		l.Sinks[w.Name] = ofWebhook
	}
	for _, k := range d.links {
		l.Bearers = append(l.Bearers, k.Name())
	}
	return l
}

func names[T ~string](list []T) (out []string) {
	for _, v := range list {
		out = append(out, string(v))
	}
	return out
}

// gauges are read when somebody looks.
func (d *Daemon) gauges() {
	m := d.metrics
	for i, h := range d.hooks {
		for _, outcome := range webhook.Outcomes() {
			m.Counter("webhook_events_total", "Events that the webhook has done with, by outcome: taken, skipped since they were older than max_age, "+
				"given-up after an answer that no other try would change, not-meant for it; and retried, for each request whose event goes again.",
				map[string]string{"sink": d.cfg.Webhook[i].Name, "outcome": outcome}, func() float64 { return float64(h.Stats(outcome)) })
		}
	}
	for _, l := range d.links {
		m.Up("bearer", l.Name(), l.Up)
	}
	for _, name := range d.cfg.Annunciators {
		m.Up("annunciator", name, func() bool { return d.gw.AnnunciatorUp(name) })
	}
	for _, md := range d.modems {
		label := map[string]string{"bearer": md.Name()}
		m.Counter("modem_opens_total", "Times the modem's port was opened.", label,
			func() float64 { return float64(md.Stats().Opens) })
		m.Counter("modem_restarts_total", "Restarts of the modem noticed while its port stayed open.", label,
			func() float64 { return float64(md.Stats().Restarts) })
		m.Counter("modem_airtime_seconds_total", "Time on the air of all frames sent.", label,
			func() float64 { return md.Stats().Airtime.Seconds() })
		if k := d.keepers[md.Name()]; k != nil {
			m.Gauge("airtime_used_seconds", "Airtime of the last hour that counts against what is lawful.", label,
				func() float64 { return k.Used().Seconds() })
			m.Gauge("airtime_budget_seconds", "Airtime that is lawful within any hour.", label,
				func() float64 { return k.Budget().Seconds() })
			m.Counter("airtime_waits_total", "Times that a frame was told to wait, for want of lawful airtime or for the pause between two.", label,
				func() float64 { return float64(k.Waits()) })
		}
	}
	m.Counter("serial_abandoned_total", "Ports whose close hung and that were given up.", nil,
		func() float64 { return float64(serialport.Abandoned()) })
	for name, c := range d.gw.Cursors() {
		label := map[string]string{"sink": name}
		m.Up("sink", name, func() bool { return d.gw.Sessions()[name] == nil })
		m.Gauge("queue_waiting_events", "Events that the sink has not acknowledged.", label, func() float64 {
			n, _ := c.Depth()
			return float64(n)
		})
		m.Gauge("queue_set_aside_events", "Events that the sink's receiver refuses, or that cannot be read. They are among "+
			"those that wait, and are offered again.", label, func() float64 { return float64(d.gw.SetAside(name)) })
		m.Gauge("queue_oldest_age_seconds", "Age of the oldest event that the sink has not acknowledged; 0 if none waits "+
			"or its age cannot be known.", label, func() float64 { return d.gw.OldestAge(name).Seconds() })
	}
	for p, name := range []string{"alarm", "notice", "routine"} {
		m.Gauge("queue_stored_events", "Events in the log, by priority; those that all sinks have acknowledged go with the next commit.", map[string]string{"priority": name},
			func() float64 { return float64(d.queue.Stats().Waiting[p]) })
	}
	m.Gauge("queue_used_bytes", "Bytes of the queue's file in use.", nil, func() float64 { return float64(d.queue.Stats().BytesUsed) })
	m.Gauge("queue_file_bytes", "Size of the queue's file.", nil, func() float64 { return float64(d.queue.Stats().BytesFile) })
	m.Gauge("queue_capacity_bytes", "Bytes in use at which trips are refused: the queue's limit, or less if the disk has no room for it.", nil,
		func() float64 { return float64(d.queue.Stats().Capacity) })
	m.Counter("queue_compactions_total", "Times the queue's file was made smaller.", nil, func() float64 { return float64(d.queue.Stats().Compactions) })
	m.Counter("queue_no_room_total", "Transactions without events that found no room in the queue's file and were tried again.", nil,
		func() float64 { return float64(d.queue.Stats().NoRoom) })
	m.Counter("queue_written_bytes_total", "Bytes written to the queue's file, for the wear of a memory card.", nil,
		func() float64 { return float64(d.queue.Stats().BytesWrote) })
	m.Counter("queue_commits_total", "Transactions committed.", nil, func() float64 { return float64(d.queue.Stats().Commits) })
	m.Counter("queue_damaged_total", "Stored events taken out of the log because their checksum failed.", nil,
		func() float64 { return float64(d.queue.Stats().Corrupt) })
	if b := d.board; b != nil {
		m.Gauge("page_listeners", "Streams of the page that are followed now, 200 at most.", nil, func() float64 { return float64(b.Stats().Clients) })
		m.Counter("page_slow_total", "Streams of the page that were cut off, since nobody read them.", nil, func() float64 { return float64(b.Stats().Slow) })
		m.Counter("page_refused_total", "Streams of the page that were refused, since there were too many.", nil, func() float64 { return float64(b.Stats().Refused) })
	}
	m.Faults(func() []metrics.Fault {
		list := []metrics.Fault{}
		for _, f := range d.gw.Faults() {
			list = append(list, metrics.Fault{Code: string(f.Code), Severity: f.Severity.String(), Kind: string(f.Subject.Kind), Of: f.Subject.Name, To: f.Subject.To})
		}
		return list
	})
	for r := queue.RefusedFullAlarm; r <= queue.RefusedInvalid; r++ {
		m.Counter("queue_refused_total", "Records not stored, by reason.", map[string]string{"reason": r.String()},
			func() float64 { return float64(d.queue.Stats().Refused[r]) })
	}
}

func (d *Daemon) listen() (err error) {
	if d.cfg.HTTP == "" {
		return nil
	}
	if d.http, err = net.Listen("tcp", d.cfg.HTTP); err != nil {
		return fmt.Errorf("open http %s: %w; set another address as `http` in the config, or \"\" for none", d.cfg.HTTP, err)
	}
	d.close = append(d.close, func() error {
		if err := d.http.Close(); !errors.Is(err, net.ErrClosed) {
			return err
		}
		return nil
	})
	return nil
}

// HTTPAddr is where metrics and health are served; nil if nowhere.
func (d *Daemon) HTTPAddr() net.Addr {
	if d.http == nil {
		return nil
	}
	return d.http.Addr()
}

// BrokerAddr is where the embedded broker listens; nil if there is none.
func (d *Daemon) BrokerAddr() net.Addr {
	if d.broker == nil {
		return nil
	}
	return d.broker.Addr()
}

// newServer bounds what a client can hold: whoever is slow or sends without end must not use up the gateway's memory and
// descriptors. Requests have no bodies, and the longest answer, all metrics, is some hundred kilobytes.
func newServer(h http.Handler) *http.Server {
	return &http.Server{Handler: h, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 10 * time.Second,
		WriteTimeout: 30 * time.Second, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 16 << 10}
}

// shutdown gives answers that are on their way a second. A client that just keeps its connection open is no failure.
func shutdown(srv *http.Server) error {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	if err := srv.Shutdown(ctx); !errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	return srv.Close()
}

// Run works until ctx ends, then stops in order and closes everything. After a stop that was asked for it returns nil.
func (d *Daemon) Run(ctx context.Context) error {
	srv := newServer(d.handler())
	served := make(chan struct{})
	go func() {
		defer close(served)
		if d.http == nil {
			return
		}
		if err := srv.Serve(d.http); !errors.Is(err, http.ErrServerClosed) {
			d.log.Error("http has stopped", "err", err)
		}
	}()
	d.log.Info("serving", "site", d.cfg.Site, "gateway", d.cfg.Gateway, "bearers", len(d.links), "state", d.cfg.State)
	told := make(chan struct{})
	asked := context.AfterFunc(ctx, func() {
		defer close(told)
		d.log.Info("stopping")
	})
	earsCtx, deafen := context.WithCancel(context.WithoutCancel(ctx))
	deaf := make(chan struct{})
	go func() {
		defer close(deaf)
		d.hearAnnunciators(earsCtx)
	}()
	historyCtx, endHistory := context.WithCancel(context.WithoutCancel(ctx))
	recorded := make(chan struct{})
	go func() {
		defer close(recorded)
		if d.history != nil {
			var answering sync.WaitGroup
			answering.Go(func() { d.history.Serve(historyCtx) })
			answering.Go(func() { d.recall(historyCtx) })
			d.history.Run(historyCtx)
			answering.Wait()
		}
	}()
	err := d.gw.Run(ctx)
	deafen()
	<-deaf
	endHistory() // after its sink has said goodbye
	<-recorded
	if !asked() {
		<-told // so that this comes before "stopped"
	}
	if d.board != nil {
		d.board.Close() // its streams would last for ever
	}
	err = errors.Join(err, shutdown(srv))
	<-served
	if err = errors.Join(err, d.shut()); err == nil {
		d.log.Info("stopped")
	}
	return err
}

func (d *Daemon) handler() http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", d.metrics.Handler())
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) { answer(w, d.health()) })
	mux.HandleFunc("GET /readyz", func(w http.ResponseWriter, _ *http.Request) { answer(w, d.ready()) })
	mux.Handle("/", d.page())
	return mux
}

// health is an answer: whether all is well, and which part is. Reason tells, in words, what is known of each part that is
// not; of two bearers one is enough, so there can be a reason although all is well.
type health struct {
	OK     bool            `json:"ok"`
	Parts  map[string]bool `json:"parts"`
	Reason string          `json:"reason,omitempty"`
}

// part notes how a part is; why is what to say if it is not well. It returns ok.
func (h *health) part(name string, ok bool, why string) bool {
	h.Parts[name] = ok
	if !ok {
		h.say(name, why)
	}
	return ok
}

func (h *health) say(name, what string) {
	if h.Reason != "" {
		h.Reason += "; "
	}
	h.Reason += name + ": " + what
}

// health: the process works and its queue can be relied on.
func (d *Daemon) health() health {
	broken := false
	select {
	case <-d.queue.Broken():
		broken = true
	default:
	}
	h := health{Parts: map[string]bool{}}
	h.OK = h.part("queue", !broken, "its file failed; the gateway ends, to be started anew")
	return h
}

// ready: a trip would be heard, stored and delivered now.
func (d *Daemon) ready() health {
	h := d.health()
	serving := h.part("serving", d.gw.Ready(), "the gateway is starting or stopping")
	bearer := false
	for i, l := range d.links {
		bearer = h.part("bearer "+l.Name(), l.Up(), d.linkReason(i)) || bearer
		if l.Up() && i < len(d.cfg.Modem) && d.cfg.Modem[i].Silent() != "" { // trips are heard all the same
			h.say("bearer "+l.Name(), "only listens: "+d.cfg.Modem[i].Silent())
		}
	}
	if st := d.queue.Stats(); h.OK && st.Full() {
		h.OK = h.part("queue", false, fmt.Sprintf("full, %d KiB of %d KiB: trips are refused; make room on its disk, or see that the broker is reached",
			st.BytesUsed>>10, st.Capacity>>10))
	}
	h.OK = h.OK && bearer && serving
	sessions := d.gw.Sessions()
	for _, name := range slices.Sorted(maps.Keys(sessions)) {
		if name == config.HistoryName { // a trip is heard, stored and delivered without it
			if err := sessions[name]; err != nil {
				h.say("sink "+name, fmt.Sprintf("not written: %v", err))
			}
			continue
		}
		h.OK = h.part("sink "+name, sessions[name] == nil, fmt.Sprintf("no session: %v", sessions[name])) && h.OK
	}
	return h
}

// linkReason is what can be said of a bearer that is down. The modems come first among the links, in the config's order.
func (d *Daemon) linkReason(i int) string {
	if i >= len(d.cfg.Modem) {
		return "no UDP socket at " + d.cfg.Wifi.Listen
	}
	device := d.cfg.Modem[i].Device
	if _, err := os.Stat(device); errors.Is(err, fs.ErrNotExist) {
		return "there is no " + device + ": is the modem plugged in?"
	}
	return "no modem answers at " + device
}

func answer(w http.ResponseWriter, h health) {
	w.Header().Set("Content-Type", "application/json")
	if !h.OK {
		w.WriteHeader(http.StatusServiceUnavailable)
	}
	json.NewEncoder(w).Encode(h)
}
