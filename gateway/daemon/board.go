package daemon

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"time"

	"longlane/gateway"
	"longlane/gateway/board"
	"longlane/gateway/config"
	"longlane/gateway/logbook"
	"longlane/gateway/picture"
	"longlane/radio/lane"
)

// openBoard makes the owner's page, if the config has one. What it shows comes from the gateway, which is made afterwards.
func (d *Daemon) openBoard() error {
	if why := d.cfg.NoBoard(); why != "" {
		d.log.Info("no page is served", "why", why)
		return nil
	}
	o := board.Options{Listen: d.cfg.HTTP, Hosts: d.cfg.Board.Hosts, Log: d.log}
	if path := d.cfg.Board.PasswordFile; path != "" {
		hash, err := config.ReadHash(path)
		if err != nil {
			return err
		}
		o.Password = hash
	}
	plan, err := d.plan()
	if err != nil { // the page is there without it, not to scale
		d.log.Error("the lane is not drawn to scale", "err", err)
	}
	d.picture = picture.New(picture.Options{Site: d.cfg.Site, Gateway: d.cfg.Gateway, Clock: d.clock, Titles: d.titles(), Low: d.cfg.LowBattery, Plan: plan,
		Bearers: d.bearersNow, Sinks: d.sinksNow, Annunciators: d.annunciatorsNow, Queue: d.queueNow,
		Faults: func() []gateway.Fault { return d.gw.Faults() }, Seen: func(id string) error { return d.gw.Seen(id) },
		History: d.readHistory, Passes: d.cfg.Passage.Settings(), Tell: func(e board.Event) { d.board.Tell(e) }})
	o.Source = d.picture
	d.board, err = board.New(o)
	return err
}

// plan is the lane from above, if the config names its file.
func (d *Daemon) plan() (*board.Plan, error) {
	if d.cfg.Lane == "" {
		return nil, nil
	}
	l, err := config.ReadLane(d.cfg.Lane)
	if err != nil {
		return nil, err
	}
	p := &board.Plan{}
	for _, s := range l.Sites {
		if s.Role == lane.RoleCandidate {
			continue // nothing stands there
		}
		name := s.Name
		if s.Role == lane.RoleGateway {
			name = d.cfg.Gateway
		}
		p.Places = append(p.Places, board.Place{Name: name, XY: board.XY{X: s.At.East, Y: s.At.North}})
	}
	if len(l.Course) > 0 {
		var line []board.XY
		for _, at := range l.Course {
			line = append(line, board.XY{X: at.East, Y: at.North})
		}
		p.Course = append(p.Course, line)
	}
	return p, nil
}

func (d *Daemon) titles() map[string]string {
	m := map[string]string{}
	for zone := range d.cfg.Zone {
		m[zone] = d.cfg.Title(zone)
	}
	return m
}

func (d *Daemon) readHistory(ctx context.Context) (logbook.Reader, error) {
	if d.history == nil {
		return nil, errors.New("the config has switched the history off")
	}
	return d.history.Reader(ctx)
}

func (d *Daemon) bearersNow() (list []board.Bearer) {
	for i, l := range d.links {
		b := board.Bearer{Name: l.Name(), Up: l.Up()}
		if !b.Up {
			b.Why = d.linkReason(i)
		}
		if i < len(d.cfg.Modem) {
			m := &d.cfg.Modem[i]
			b.Radio, b.Silent = true, m.Silent()
			b.Noise = board.Figure(noiseOf(d.modems[i])())
			if k := d.keepers[m.Name]; k != nil {
				b.Used, b.Lawful, b.Rule = k.Used().Seconds(), k.Budget().Seconds(), "the rules of "+m.Region
			}
		}
		list = append(list, b)
	}
	return list
}

func (d *Daemon) sinksNow() (list []board.Sink) {
	sessions, cursors := d.gw.Sessions(), d.gw.Cursors()
	for _, name := range slices.Sorted(maps.Keys(sessions)) {
		s := board.Sink{Name: name, Up: sessions[name] == nil, Oldest: d.gw.OldestAge(name).Seconds()}
		if !s.Up {
			s.Why = sessions[name].Error()
		}
		if c := cursors[name]; c != nil {
			s.Waiting, _ = c.Depth()
			s.Required = c.MaxLag() == 0
		}
		list = append(list, s)
	}
	return list
}

func (d *Daemon) annunciatorsNow() (list []board.Annunciator) {
	for _, name := range d.cfg.Annunciators {
		a := board.Annunciator{Name: name, Up: d.gw.AnnunciatorUp(name)}
		if !a.Up {
			a.Why = "it does not say that it is there"
		}
		list = append(list, a)
	}
	return list
}

func (d *Daemon) queueNow() board.Queue {
	st := d.queue.Stats()
	q := board.Queue{Used: st.BytesUsed, Capacity: st.Capacity}
	for _, c := range d.gw.Cursors() {
		n, _ := c.Depth()
		q.Waiting = max(q.Waiting, n)
	}
	return q
}

// recall gives the page the margins of the last day. The history's file may take a while to open.
func (d *Daemon) recall(ctx context.Context) {
	if d.picture == nil || d.history == nil {
		return
	}
	for {
		err := d.picture.Recall(ctx)
		if err == nil {
			return
		}
		d.log.Debug("margins of the last day are not known yet", "err", err)
		select {
		case <-ctx.Done():
			return
		case <-time.After(time.Minute):
		}
	}
}

// page is the board, or says why there is none.
func (d *Daemon) page() http.Handler {
	if d.board != nil {
		return d.board
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		http.Error(w, fmt.Sprintf("No page is served: %s.", d.cfg.NoBoard()), http.StatusNotFound)
	})
}
