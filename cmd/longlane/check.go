package main

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"longlane/gateway/config"
	"longlane/gateway/roster"
	"longlane/gateway/webhook"
	"longlane/radio/lane"
	"longlane/radio/lora"
	"longlane/radio/modem/lines"
)

var checkCommand = command{
	name:    "check",
	brief:   "read a configuration and say what is wrong with it, all at once",
	usage:   "[--config FILE] [--json]\n       longlane check --board-password FILE",
	example: "  longlane check --config longlane.toml\n  longlane check --board-password /etc/longlane/board.pass",
	run: func(ctx context.Context, c *call) error {
		path := c.String("config", defaultConfig, "the configuration `file` to check")
		asJSON := c.Bool("json", false, "print the result as JSON")
		passwordFile := c.String("board-password", "", "ask for a password of the page, and write its hash into this `file`; nothing is checked")
		if _, err := c.parse(0); err != nil {
			return err
		}
		if *passwordFile != "" {
			return setBoardPassword(ctx, c, *passwordFile)
		}
		cfg, err := loadConfig(*path)
		var r *roster.Roster
		if err == nil {
			r, err = siteRoster(*path, cfg)
		}
		var found *laneFound
		if err == nil {
			var l *lane.Lane
			if l, err = siteLane(*path, cfg); l != nil {
				found = laneOf(cfg, l, r)
			}
		}
		if *asJSON {
			return checkJSON(c, cfg, found, err)
		}
		if err != nil {
			return err
		}
		explain(c, *path, cfg, r)
		if found != nil {
			explainLane(c, found)
		}
		return nil
	},
}

type problemJSON struct {
	File     string `json:"file,omitempty"`
	Line     int    `json:"line,omitempty"`
	Column   int    `json:"column,omitempty"`
	Field    string `json:"field,omitempty"`
	Found    string `json:"found,omitempty"`
	Expected string `json:"expected,omitempty"`
	Hint     string `json:"hint,omitempty"`
	Message  string `json:"message"`
}

func checkJSON(c *call, cfg *config.Config, found *laneFound, err error) error {
	list := []problemJSON{}
	var ps config.Problems
	if errors.As(err, &ps) {
		for _, p := range ps {
			list = append(list, problemJSON{p.File, p.Line, p.Col, p.Field, p.Found, p.Expected, p.Hint, p.Error()})
		}
	} else if err != nil {
		list = append(list, problemJSON{Message: err.Error()})
	}
	result := map[string]any{"ok": err == nil, "problems": list}
	if cfg != nil {
		if samples := samplesJSON(cfg); samples != nil {
			result["samples"] = samples
		}
		if hooks := webhooksJSON(cfg); hooks != nil {
			result["webhooks"] = hooks
		}
		if found != nil {
			result["lane"] = found
		}
	}
	if e := c.json(result); e != nil {
		return e
	}
	var usage usageError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &usage):
		return badUsage("problems found: %d", len(list))
	}
	return fmt.Errorf("problems found: %d", len(list))
}

// siteRoster is the list of nodes that a gateway with this config would go by; nil if there is none yet.
func siteRoster(path string, cfg *config.Config) (*roster.Roster, error) {
	r, err := roster.Open(cfg.State)
	if errors.Is(err, roster.ErrNone) {
		return nil, nil
	} else if err != nil {
		return nil, err
	}
	if r.SiteName != cfg.Site {
		return nil, badUsage("%s: site is %q, but the roster in %s is of %q", path, cfg.Site, cfg.State, r.SiteName)
	}
	return r, nil
}

// explain says what the gateway would do with a good config; r is nil while there is no node.
func explain(c *call, path string, cfg *config.Config, r *roster.Roster) {
	fmt.Fprintf(c.out, "%s is good: gateway %q of the site %q, state in %s\n", path, cfg.Gateway, cfg.Site, cfg.State)
	for _, m := range cfg.Modem {
		what := "this modem will only listen: " + m.Silent() + "; nodes get no receipts by it"
		if m.Silent() == "" {
			what = fmt.Sprintf("transmits at %d dBm", m.Power)
		}
		fmt.Fprintf(c.out, "  modem %s: %s, %.3f MHz, SF%d, %d kHz; %s\n", m.Name, m.Device, float64(m.Frequency)/1e6,
			m.SpreadingFactor, m.Bandwidth/1000, what)
		explainRules(c, &m)
		explainLines(c, &m)
	}
	if cfg.Wifi != nil {
		fmt.Fprintf(c.out, "  Wi-Fi: UDP on %s\n", cfg.Wifi.Listen)
	}
	if cfg.Broker != nil {
		fmt.Fprintf(c.out, "  broker: %s\n", cfg.Broker.URL)
	} else {
		fmt.Fprintf(c.out, "  broker: embedded, on %s; it keeps nothing for absent subscribers\n", cfg.Embedded.Listen)
	}
	for i := range cfg.Webhook {
		explainWebhook(c, &cfg.Webhook[i])
	}
	explainBoard(c, cfg)
	explainHistory(c, &cfg.History)
	if r == nil {
		fmt.Fprintf(c.out, "  nodes: none yet; add one with: longlane enrol add NAME --zone ZONE --config %s\n", path)
		return
	}
	inUse := 0
	for _, n := range r.Nodes {
		if !n.Revoked {
			inUse++
		}
	}
	fmt.Fprintf(c.out, "  nodes: %d enrolled\n", inUse)
}

// explainHistory says what is kept for years.
func explainHistory(c *call, h *config.History) {
	if h.Off {
		fmt.Fprintln(c.out, "  history: none is kept")
		return
	}
	fmt.Fprintf(c.out, "  history: trips, faults and watched time for %v, check-ins by the hour for %v, %d MiB at the most\n", h.Trips, h.Hours, h.MaxMiB)
}

// explainRules says by which rules a modem sends, and what they leave.
func explainRules(c *call, m *config.Modem) {
	b, err := m.Band()
	if err != nil || m.Silent() != "" { // a good config's modem without a band only listens
		return
	}
	frame := m.Settings().Airtime(m.Unit.Longest())
	fmt.Fprintf(c.out, "    by the rules for %v\n", b)
	what, then := "receipt", "nodes wait, and trips still sound"
	switch m.Unit {
	case config.UnitNode:
		what, then = "frame", "this node waits, keeps its trips, and announces them as soon as that is lawful"
	case config.UnitRelay:
		what, then = "frame with all its hop records", "this relay passes nothing on until that is lawful, and frames must find another way"
	}
	fmt.Fprintf(c.out, "    a %s takes %v on the air, so up to %d an hour; when they are used up %s\n", what,
		frame.Round(time.Millisecond/10), b.FramesPerHour(m.Settings(), m.Unit.Longest()), then)
	fmt.Fprintf(c.out, "    %s\n", lora.Caution)
}

// explainWebhook says what a webhook is sent, with the body for a sample event.
func explainWebhook(c *call, w *config.Webhook) {
	age := "however old they are"
	if w.MaxAge != 0 {
		age = "up to " + w.MaxAge.String() + " old"
	}
	where := ""
	if len(w.Zones) > 0 {
		where = ", of the zones " + strings.Join(w.Zones, ", ")
	}
	u, err := url.Parse(w.URL)
	if err != nil { // a good config's URL is good
		return
	}
	fmt.Fprintf(c.out, "  webhook %s: %s to %s; %s%s, %s\n", w.Name, w.Method, webhook.Origin(u), strings.Join(w.Events, ", "), where, age)
	if w.TokenFile != "" && u.Scheme == "http" {
		fmt.Fprintln(c.out, "    its token goes there unencrypted: use https:// unless the wire is yours alone")
	}
	if text, ok := sampleBody(w); ok {
		fmt.Fprintf(c.out, "    sample body (%s): %s\n", w.ContentType, text)
	}
}

// sampleBody is the body for a sample event; ok is false if there is none.
func sampleBody(w *config.Webhook) (text string, ok bool) {
	if w.Method == http.MethodGet {
		return "", false
	}
	t, err := w.Template()
	if err != nil { // a good config's template is good
		return "", false
	}
	b, err := t.Try(w.Events)
	return string(b), err == nil
}

type webhookJSON struct {
	Webhook     string `json:"webhook"`
	ContentType string `json:"content_type,omitempty"`
	Body        string `json:"sample_body,omitempty"`
}

func webhooksJSON(cfg *config.Config) (list []webhookJSON) {
	for i := range cfg.Webhook {
		w := &cfg.Webhook[i]
		text, _ := sampleBody(w)
		list = append(list, webhookJSON{w.Name, w.ContentType, text})
	}
	return list
}

// explainLines shows what a modem's line dialect makes of its sample lines: what each group catches, and the frame.
func explainLines(c *call, m *config.Modem) {
	d, err := m.LineDialect()
	if err != nil || d == nil { // a good config's dialect is good
		return
	}
	if len(d.Unset) > 0 {
		fmt.Fprintf(c.out, "    no line of [[modem.line.initialise]] sets %s; make sure that the modem keeps to what is written above\n",
			strings.Join(d.Unset, ", "))
	}
	if len(m.Line.Receive.Samples) == 0 {
		fmt.Fprintln(c.out, "    [modem.line.receive] has no samples: the pattern has not been tried; copy some lines of the modem there")
	}
	for _, s := range m.Line.Receive.Samples {
		if t, err := d.Try(s); err == nil {
			explainTrial(c, t)
		}
	}
}

func explainTrial(c *call, t lines.Trial) {
	fmt.Fprintf(c.out, "    sample %q\n", t.Sample)
	for _, g := range t.Groups {
		means := ""
		if g.Value != "" {
			means = " = " + g.Value
		}
		fmt.Fprintf(c.out, "      %-8s %q%s\n", g.Name, g.Text, means)
	}
	if t.Raw > 0 {
		fmt.Fprintf(c.out, "      frame    the %d bytes after the line\n", t.Raw)
	} else {
		fmt.Fprintf(c.out, "      frame    %d bytes: % x\n", len(t.Frame), t.Frame)
	}
	if !t.Measured {
		fmt.Fprintln(c.out, "      how well it was heard counts as not measured: that takes both rssi and snr as numbers")
	}
}

type sampleJSON struct {
	Modem  string            `json:"modem"`
	Sample string            `json:"sample"`
	Groups map[string]string `json:"groups"`
	Frame  string            `json:"frame,omitempty"`     // hexadecimal
	Raw    int               `json:"raw_bytes,omitempty"` // so many bytes after the line are the frame
	RSSI   *float64          `json:"rssi_dbm,omitempty"`  // neither if not measured
	SNR    *float64          `json:"snr_db,omitempty"`
}

// samplesJSON is what explainLines shows, of all modems of a good config.
func samplesJSON(cfg *config.Config) (list []sampleJSON) {
	for _, m := range cfg.Modem {
		d, err := m.LineDialect()
		if err != nil || d == nil {
			continue
		}
		for _, s := range m.Line.Receive.Samples {
			t, _ := d.Try(s)
			j := sampleJSON{Modem: m.Name, Sample: s, Groups: map[string]string{}, Frame: hex.EncodeToString(t.Frame), Raw: t.Raw}
			for _, g := range t.Groups {
				j.Groups[g.Name] = g.Text
			}
			if t.Measured {
				j.RSSI, j.SNR = &t.RSSI, &t.SNR
			}
			list = append(list, j)
		}
	}
	return list
}
