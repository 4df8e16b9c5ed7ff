package annunciator

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"time"
)

// play is a sound that waits for its turn, or is being played.
type play struct {
	claim     string
	chime     string
	volume    int // percent of what the hour gives
	e         *event
	before    time.Duration
	notBefore time.Duration
	left      int // repetitions after this one
	tries     int
	plays     bool // it has not failed at once
}

// maxQueue bounds the sounds that wait.
const maxQueue = 64

// announced is how long an announcement may wait for its turn.
const announced = 10 * time.Minute

// claimOf names what an event does, once. It is fit for a file's name only after hashing.
func claimOf(e *event, what string) string { return e.key + " " + what }

// enqueue has an event's chime wait for its turn.
func (c *Core) enqueue(e *event) {
	conf := c.zoneConfig(e.Zone)
	chime, repeats, volume := ChimeOf(e.Zone), conf.Repeats, conf.Volume
	if e.Kind != kindTrip && e.Passage < len(c.cfg.Passages) {
		p := c.cfg.Passages[e.Passage]
		chime, repeats, volume = ChimeOfPassage(e.Passage, e.Kind), p.Repeats, p.Volume
	}
	p := &play{claim: claimOf(e, "sound"), chime: chime, volume: volume, e: e, before: e.at + conf.Limit, left: repeats - 1}
	if len(c.queue) >= maxQueue {
		e.What, e.Why, e.Took = Counted, "too many sounds wait for their turn", c.took(e)
		c.pay(e, oweSound)
		c.tell(e)
		return
	}
	c.queue = append(c.queue, p)
}

// startSound plays what has waited longest, once nothing is played. What has become too old is not.
func (c *Core) startSound() {
	c.queue = slices.DeleteFunc(c.queue, func(p *play) bool {
		if c.now.Mono < p.before {
			return false
		}
		if p.e != nil && p.e.owes(oweSound) {
			why := "other sounds took too long"
			if p.tries > 0 {
				why = "the player failed: " + c.errors["player"]
			}
			c.unsounded(p.e, why)
		}
		return true
	})
	if c.playing != nil {
		return
	}
	for i, p := range c.queue {
		if p.notBefore > c.now.Mono {
			continue
		}
		c.queue = slices.Delete(c.queue, i, i+1)
		c.playing = p
		c.emit(Play{Claim: p.claim, Chime: p.chime, Volume: c.volume() * p.volume / 100, Before: p.before})
		return
	}
}

// unsounded ends an event that was to sound and did not. Its contacts and commands have acted.
func (c *Core) unsounded(e *event, why string) {
	e.What, e.Why, e.Took = Silent, why, c.took(e)
	c.pay(e, oweSound)
	c.tell(e)
	c.note(slog.LevelError, "an opening did not sound", "zone", e.Zone, "id", e.ID, "why", why)
}

func (c *Core) begun(in Begun) {
	if r := c.running[in.Claim]; r != nil {
		c.pay(r.e, oweCommand+r.name)
		return
	}
	p := c.playing
	if p == nil || p.claim != in.Claim || p.e == nil || !p.e.owes(oweSound) {
		return
	}
	p.e.Took = c.took(p.e)
}

// plays notes that an event has sounded.
func (c *Core) plays(claim string) {
	p := c.playing
	if p == nil || p.claim != claim || p.plays {
		return
	}
	p.plays = true
	c.fail("player", "")
	if p.e == nil || !p.e.owes(oweSound) {
		return
	}
	c.last = &LastSound{Source: p.e.Source, ID: p.e.ID, Zone: p.e.Zone, What: p.e.Kind}
	if !c.now.Wall.IsZero() {
		c.last.Time = c.now.Wall.UTC().Format(time.RFC3339)
	}
	c.pay(p.e, oweSound)
	c.tell(p.e)
}

// retryFirst and retryMost bound the pauses before a sound that failed is tried again, within its limit.
const (
	retryFirst = time.Second
	retryMost  = 10 * time.Second
)

func (c *Core) ended(in Ended) {
	if r := c.running[in.Claim]; r != nil {
		delete(c.running, in.Claim)
		c.pay(r.e, oweCommand+r.name) // one that could not be started will not be for being tried again
		c.fail("command "+r.name, in.Err)
		return
	}
	p := c.playing
	if p == nil || p.claim != in.Claim {
		return
	}
	if in.Err == "" {
		c.plays(in.Claim)
		c.repeat(p)
	}
	c.playing = nil
	if in.Err != "" {
		c.fail("player", in.Err)
		if !p.plays {
			p.notBefore = c.now.Mono + min(retryFirst<<min(p.tries, 4), retryMost)
			p.tries++
			c.queue = append(c.queue, p)
		}
	}
}

// repeat has what is left of a sound's repetitions wait behind what else waits.
func (c *Core) repeat(p *play) {
	if p.left <= 0 || len(c.queue) >= maxQueue {
		return
	}
	again := *p
	first, _, _ := strings.Cut(p.claim, " again ")
	again.claim = fmt.Sprintf("%s again %d", first, p.left)
	again.left, again.plays, again.tries = p.left-1, false, 0
	c.queue = append(c.queue, &again)
}

// announce has supervision speak of what the text says. Its claim is of this episode alone.
func (c *Core) announce(chime, words string, a Announcement) {
	c.episode++
	c.record(record{Episode: c.episode, Series: c.series})
	claim, before := fmt.Sprintf("episode %s %d %s", c.series, c.episode, chime), c.now.Mono+announced
	for _, name := range a.Commands {
		event, err := json.Marshal(map[string]string{"what": chime, "text": words})
		if err != nil {
			panic(err) // two texts
		}
		c.enqueueCommand(&run{claim: claim + " " + name, name: name, event: event, before: before,
			env: []string{"LONGLANE_SITE=" + c.cfg.Site, "LONGLANE_TEXT=" + text(words), "LONGLANE_WHAT=" + chime}})
	}
	if a.Sound && len(c.queue) < maxQueue {
		c.queue = append(c.queue, &play{claim: claim, chime: chime, volume: a.Volume, before: before})
	}
}

// unannounce takes back what has not begun; it reports whether it did.
func (c *Core) unannounce(chime string) bool {
	n := len(c.queue)
	c.queue = slices.DeleteFunc(c.queue, func(p *play) bool { return p.chime == chime && p.e == nil })
	return len(c.queue) < n
}

// run is a command that waits, or runs.
type run struct {
	claim, name string
	e           *event
	event       []byte
	env         []string
	before      time.Duration
}

// maxCommands bounds the commands that wait.
const maxCommands = 256

func (c *Core) command(name string, e *event) {
	claim := claimOf(e, oweCommand+name)
	if c.running[claim] != nil || slices.ContainsFunc(c.commands, func(r *run) bool { return r.claim == claim }) {
		return
	}
	env := []string{"LONGLANE_SITE=" + c.cfg.Site, "LONGLANE_WHAT=" + e.Kind, "LONGLANE_ZONE=" + e.Zone, "LONGLANE_TITLE=" + text(c.Title(e.Zone)),
		"LONGLANE_SOURCE=" + e.Source, "LONGLANE_ID=" + e.ID, fmt.Sprintf("LONGLANE_AGE_S=%.1f", (c.now.Mono - e.at).Seconds())}
	if e.Unproven {
		env = append(env, "LONGLANE_UNPROVEN=1")
	}
	c.enqueueCommand(&run{claim: claim, name: name, e: e, event: slices.Clone(e.Payload), env: env, before: e.at + c.zoneConfig(e.Zone).Limit})
}

func (c *Core) enqueueCommand(r *run) {
	if len(c.commands) >= maxCommands {
		c.fail("command "+r.name, "too many commands wait")
		c.pay(r.e, oweCommand+r.name)
		return
	}
	c.commands = append(c.commands, r)
}

// text makes a title fit for an environment variable.
func text(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, s)
}

// startCommands starts what waits as far as there is room.
func (c *Core) startCommands() {
	c.commands = slices.DeleteFunc(c.commands, func(r *run) bool {
		switch {
		case c.now.Mono >= r.before:
			c.fail("command "+r.name, "the commands before it took too long: it was not run")
			c.pay(r.e, oweCommand+r.name)
		case len(c.running) < c.cfg.MaxCommands:
			c.running[r.claim] = r
			c.emit(Run{r.claim, r.name, r.event, r.env, r.before})
		default:
			return false
		}
		return true
	})
}
