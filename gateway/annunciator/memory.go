package annunciator

import (
	"encoding/json"
	"maps"
	"slices"
	"time"
)

// record is one entry of lasting memory: what has changed. The later one of the same thing counts.
type record struct {
	Event   *event        `json:"event,omitempty"`
	Zone    string        `json:"zone,omitempty"` // when its last opening acted, by Now.Mono of the unit's boot
	Acted   time.Duration `json:"acted,omitempty"`
	Boot    string        `json:"boot,omitempty"`
	Trouble *trouble      `json:"trouble,omitempty"` // without a text: it is no more
	Deaf    *bool         `json:"deaf,omitempty"`
	Episode int           `json:"episode,omitempty"`
	Series  string        `json:"series,omitempty"` // of episodes
}

func (r record) line() []byte {
	b, err := json.Marshal(r)
	if err != nil {
		panic(err) // plain fields
	}
	return b
}

// record has a change written. What it points to is written as it stands at the end of the step.
func (c *Core) record(r record) {
	c.recordNo++
	if r.Event != nil && slices.ContainsFunc(c.unsaved, func(u record) bool { return u.Event == r.Event }) {
		return
	}
	c.unsaved = append(c.unsaved, r)
}

func (c *Core) save() {
	if len(c.unsaved) == 0 {
		return
	}
	s := Save{Upto: c.recordNo}
	for _, r := range c.unsaved {
		s.Records = append(s.Records, r.line())
	}
	c.unsaved = nil
	c.emit(s)
}

// sane reports whether e can be one of ours: a card may have damaged it and left it JSON.
func (e *event) sane() bool {
	return e.Passage >= 0 && (e.At == nil || e.At.Mono.Abs() < maxMono)
}

// restore takes in a record of an earlier life.
func (c *Core) restore(line []byte) bool {
	var r record
	if err := json.Unmarshal(line, &r); err != nil || r.Event != nil && !r.Event.sane() {
		return false
	}
	switch {
	case r.Event != nil:
		e := r.Event
		e.key, e.hold, e.received = keyOf(e.Source, e.ID), -1, c.now.Mono
		if c.events[e.key] == nil {
			c.order = append(c.order, e.key)
		}
		c.events[e.key] = e
		for len(c.order) > Remembered {
			delete(c.events, c.order[0])
			c.order = c.order[1:]
		}
	case r.Zone != "":
		if r.Boot == c.cfg.Boot && r.Acted <= c.now.Mono {
			c.zone(r.Zone).acted = mark{r.Acted, true}
		}
	case r.Trouble != nil:
		if t := r.Trouble; t.Text == "" {
			delete(c.troubles, t.Key)
		} else {
			t.due = Never
			if t.Standing != t.Announced {
				t.due = c.now.Mono + c.cfg.Grace
			}
			c.troubles[t.Key] = t
		}
	case r.Deaf != nil:
		c.deaf, c.said = *r.Deaf, *r.Deaf
	case r.Episode > 0:
		c.episode, c.series = r.Episode, r.Series
	default:
		return false
	}
	return true
}

// resume takes up what earlier lives owed.
func (c *Core) resume() {
	for _, key := range c.order {
		switch e := c.events[key]; {
		case len(e.Owes) == 0, len(e.Owes) == 1 && e.owes(oweReport): // see tellAll
		case e.At == nil:
			c.tooOld(e, "its age cannot be known")
		default:
			c.waiting = append(c.waiting, e)
		}
	}
}

// Snapshot is all that is to be remembered, as records: they can take the place of all that were saved.
func (c *Core) Snapshot() [][]byte {
	var list [][]byte
	for _, key := range c.order {
		e := *c.events[key]
		if len(e.Owes) == 0 { // what matters of it is that it has been
			e = event{Source: e.Source, ID: e.ID, What: e.What}
		}
		list = append(list, record{Event: &e}.line())
	}
	for _, name := range slices.Sorted(maps.Keys(c.zones)) {
		if z := c.zones[name]; z.acted.is {
			list = append(list, record{Zone: name, Acted: z.acted.at, Boot: c.cfg.Boot}.line())
		}
	}
	for _, key := range slices.Sorted(maps.Keys(c.troubles)) {
		if t := c.troubles[key]; !t.Of || t.Announced {
			list = append(list, record{Trouble: t}.line())
		}
	}
	if c.episode > 0 {
		list = append(list, record{Episode: c.episode, Series: c.series}.line())
	}
	return append(list, record{Deaf: new(c.said)}.line())
}
