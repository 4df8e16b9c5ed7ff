package daemon

import (
	"encoding/hex"
	"fmt"
	"log/slog"
	"strconv"
	"strings"
	"sync"
	"time"

	"longlane/gateway"
	"longlane/gateway/annunciator"
	"longlane/gateway/annunciator/chime"
	"longlane/gateway/annunciator/output"
	"longlane/gateway/annunciator/unit"
	"longlane/gateway/config"
	"longlane/gateway/mqtt"
)

// Helpers are the command lines that make this program a helper of an annunciator: see package output.
type Helpers struct{ Act, Hold []string }

// NewAnnunciator opens what the unit in a building stands on. show may be nil.
func NewAnnunciator(cfg *config.Annunciator, version string, h Helpers, show func(annunciator.View), log *slog.Logger) (*unit.Unit, error) {
	clock, err := gateway.SystemClock()
	if err != nil {
		return nil, err
	}
	b := cfg.Broker
	o := unit.Options{Core: coreConfig(cfg, clock), Name: cfg.Name, Version: version, State: cfg.State,
		Broker: mqtt.SubscribeOptions{URL: b.URL, ClientID: b.ClientID, User: b.User, PasswordFile: b.PasswordFile, CAFile: b.CAFile},
		Sound:  func(name string) (chime.Sound, error) { return soundOf(cfg, name) },
		Player: cfg.Player.Command, PlayerLimit: time.Duration(cfg.Player.Limit), Commands: map[string]unit.Command{},
		Contacts: map[string]output.Contact{}, Act: h.Act, Hold: h.Hold, Wall: wallOf(clock), Show: show, Log: log}
	for name, r := range cfg.Command {
		o.Commands[name] = unit.Command{Argv: r.Run, Limit: time.Duration(r.Limit)}
	}
	for name, s := range cfg.Contact {
		c := output.Contact{Argv: s.Command, Rest: s.NormallyClosed, Safe: s.Safe == "closed"}
		if s.GPIO != nil {
			c.Pin = new(pin(s.GPIO))
		}
		o.Contacts[name] = c
	}
	if l := cfg.Light; l != nil {
		o.Light = &output.Contact{Argv: l.Command}
		if l.GPIO != nil {
			o.Light.Pin = new(pin(l.GPIO))
		}
	}
	u, err := unit.New(o)
	if err != nil {
		return nil, err
	}
	log.Info("this unit tells who comes", "site", cfg.Site, "name", cfg.Name, "state", cfg.State, "broker", b.URL, "events remembered", annunciator.Remembered)
	return u, nil
}

func coreConfig(cfg *config.Annunciator, clock gateway.Clock) annunciator.Config {
	c := annunciator.Config{Site: cfg.Site, Boot: hex.EncodeToString(clock.Boot[:]), Zones: map[string]annunciator.Zone{}, Other: zoneOf(cfg.Zones),
		Contacts: map[string]annunciator.Contact{}, Grace: time.Duration(cfg.Supervision.After), SoundTests: cfg.SoundTests, Volume: cfg.Volume}
	for name, z := range cfg.Zone {
		c.Zones[name] = zoneOf(z)
	}
	for _, p := range cfg.Passage {
		c.Passages = append(c.Passages, annunciator.Passage{Outer: p.Outer, Inner: p.Inner, Within: time.Duration(p.Within), Wait: time.Duration(p.Wait),
			Departure: departures[p.Departure], Repeats: p.Repeats, Volume: p.Volume})
	}
	for name, s := range cfg.Contact {
		c.Contacts[name] = annunciator.Contact{Hold: s.Hold, Min: time.Duration(s.Min), Max: time.Duration(s.Max)}
	}
	for _, v := range cfg.VolumeAt {
		c.Volumes = append(c.Volumes, annunciator.Hours{From: config.Minute(v.From), To: config.Minute(v.To), Volume: v.Volume})
	}
	for _, q := range cfg.Quiet {
		c.Quiet = append(c.Quiet, annunciator.Hours{From: config.Minute(q.From), To: config.Minute(q.To), Except: q.Except})
	}
	s := cfg.Supervision
	c.Trouble = annunciator.Announcement{Sound: s.Sound, Volume: s.Volume, Contacts: s.Contacts, Commands: s.Commands}
	c.Deaf = c.Trouble
	return c
}

func zoneOf(z config.ZoneSound) annunciator.Zone {
	return annunciator.Zone{Title: z.Title, Ignore: z.Ignore, Limit: time.Duration(z.Limit), HoldOff: time.Duration(z.HoldOff), Sound: z.Sound,
		Repeats: z.Repeats, Volume: z.Volume, Contacts: z.Contacts, Commands: z.Commands}
}

var departures = map[string]annunciator.Departure{"usual": annunciator.DepartureUsual, "sound": annunciator.DepartureSound, "silent": annunciator.DepartureSilent}

// soundOf makes a chime by its name. If its file cannot be read it gives the one that there would be without, and the error.
func soundOf(cfg *config.Annunciator, name string) (chime.Sound, error) {
	c, notes := chimeOf(cfg, name)
	s, err := c.Sound(notes)
	if err != nil {
		return chime.Make(notes), err
	}
	return s, nil
}

// chimeOf is what the config says of a chime, and the notes that hold if it says nothing.
func chimeOf(cfg *config.Annunciator, name string) (config.Chime, []chime.Note) {
	what, rest, _ := strings.Cut(name, " ")
	i, _ := strconv.Atoi(rest)
	switch what {
	case "zone":
		z := cfg.ZoneSound(rest)
		return config.Chime{Notes: z.Notes, File: z.File}, chime.ForName(rest)
	case "arrival":
		p := cfg.Passage[i]
		return config.Chime{Notes: p.Notes, File: p.File}, chime.Arrival(i)
	case "departure":
		p := cfg.Passage[i]
		return config.Chime{Notes: p.DepartureNotes, File: p.DepartureFile}, chime.Departure(i)
	}
	return cfg.Chime[name], map[string][]chime.Note{annunciator.ChimeTrouble: chime.Trouble, annunciator.ChimeTroubleEnded: chime.TroubleEnded,
		annunciator.ChimeDeaf: chime.Deaf, annunciator.ChimeDeafEnded: chime.DeafEnded}[name]
}

// AnnunciatorClock gives this machine's boot, and the time of day; zero while the clock is not set.
func AnnunciatorClock() (boot string, wall time.Time, err error) {
	clock, err := gateway.SystemClock()
	if err != nil {
		return "", time.Time{}, fmt.Errorf("read the clock: %w", err)
	}
	return hex.EncodeToString(clock.Boot[:]), wallOf(clock)(), nil
}

// wallOf asks only now and then whether the clock is set: that takes a file, and the unit asks for the time with each message.
func wallOf(clock gateway.Clock) func() time.Time {
	const each = 5 * time.Second
	var mu sync.Mutex
	var set bool
	asked := -each
	return func() time.Time {
		mu.Lock()
		defer mu.Unlock()
		if now := clock.Mono(); now-asked >= each {
			set, asked = clock.Set(), now
		}
		if !set {
			return time.Time{}
		}
		return clock.Wall()
	}
}
