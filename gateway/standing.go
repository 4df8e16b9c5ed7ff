package gateway

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"longlane/gateway/health"
)

// Faults of nodes, bearers and sinks that the house was told of stand until they end, though the gateway is started anew
// meanwhile. So they are kept in the queue's file, written after the fact and without waiting: one that a crash overtakes
// is told a second time, or is not ended.
type standing struct {
	faults  map[string]bool // by key
	words   map[string]said // of these
	changed bool
	writing bool
}

// standingName is where they are kept: of each a line, its key, and behind tabs since when, RFC 3339 or nothing, and what was said of it.
const standingName = "standing"

// said is what the house was told of a fault.
type said struct {
	since  time.Time // zero: the clock was not set
	detail string
}

// key tells the standing faults apart; "" for a kind that has no end to wait for.
func (n Notice) key() string {
	switch n.Code {
	case NoticeOverdue, NoticeSlowWay:
		return n.Code + " " + strconv.Itoa(int(n.Node))
	case NoticeQueueFull, NoticeUnheard:
		return n.Code
	case NoticeAnnunciatorLost, NoticeTestFailed, NoticeBearerDown, NoticeReceiveOnly, NoticeAirtimeShort, NoticeSetAside, NoticeGivenUp, NoticeMissed, NoticeUnusedSink:
		return n.Code + " " + n.about
	}
	if slices.Contains(health.Codes, health.Code(n.Code)) {
		return n.Code + " " + n.about
	}
	return ""
}

func (s *standing) note(n Notice, at time.Time) {
	key := n.key()
	if key == "" || s.faults[key] == !n.Ended {
		return
	}
	s.changed = true
	if n.Ended {
		delete(s.faults, key)
		delete(s.words, key)
	} else {
		s.faults[key], s.words[key] = true, said{at, n.Detail}
	}
}

// restore takes up the faults that stood when the last run ended, before anything runs. Those of what is no longer there
// end.
func (in *ingest) restore() {
	in.standing.faults, in.standing.words = map[string]bool{}, map[string]said{}
	stored, err := in.g.o.Queue.Get(standingName)
	if err != nil {
		in.g.o.Log.Warn("which faults stood before is not known: they may not be ended", "err", err)
	}
	for key := range strings.Lines(string(stored)) {
		key, words, _ := strings.Cut(strings.TrimSuffix(key, "\n"), "\t")
		since, detail, _ := strings.Cut(words, "\t")
		at, _ := time.Parse(time.RFC3339, since) // zero if it is not known
		code, about, _ := strings.Cut(key, " ")
		in.standing.faults[key], in.standing.words[key] = true, said{at, detail}
		switch code {
		case NoticeSlowWay:
			id, _ := strconv.ParseUint(about, 10, 8)
			if in.house.nodes[uint8(id)] != nil { // it ends by events that come at once
				in.tries[uint8(id)] = &tries{told: true}
			} else {
				in.notice(Notice{Code: code, Ended: true, Node: uint8(id), Detail: in.g.nodeName(uint8(id)) + " is shut out"})
			}
		case NoticeReceiveOnly, NoticeAirtimeShort:
			s := in.g.senders[about]
			if s == nil {
				in.notice(Notice{Code: code, Ended: true, about: about, Detail: fmt.Sprintf("there is no bearer %s any more", about)})
			} else if code == NoticeAirtimeShort { // until it is seen to be over
				in.short[about] = true
				s.withheld.Store(int64(in.g.o.Clock.Mono()))
			}
		case NoticeQueueFull:
			in.room.told = true
		case NoticeUnheard:
			in.ears.unheard = true
		case NoticeAnnunciatorLost:
			if a := in.ears.known[about]; a != nil {
				a.told = true
			} else {
				in.notice(Notice{Code: code, Ended: true, about: about, Detail: fmt.Sprintf("the config does not name the annunciator %s any more", about)})
			}
		case NoticeTestFailed:
			if t, err := parseTested(about); err == nil {
				in.ears.watch(t).told = true // if it is gone, the first look at it ends that
			}
		case NoticeUnusedSink:
			if _, still := in.g.unused[about]; !still {
				in.notice(Notice{Code: code, Ended: true, about: about, Detail: fmt.Sprintf("the queue keeps nothing for %s any more but what it is sent", about)})
			}
		case NoticeSetAside, NoticeGivenUp, NoticeMissed:
			switch s := in.g.sink(about); {
			case s != nil && code == NoticeSetAside:
				s.told = true
			case s != nil && code == NoticeGivenUp:
				s.refusing[""] = true
			case s != nil:
				s.missing = true
			default:
				in.notice(Notice{Code: code, Ended: true, about: about, Detail: fmt.Sprintf("there is no sink %s any more", about)})
			}
		}
	}
}

// unusedSinks tells of those for which the queue keeps events that nobody takes away. It comes after restore.
func (in *ingest) unusedSinks() {
	for _, name := range slices.Sorted(maps.Keys(in.g.unused)) {
		n := Notice{Code: NoticeUnusedSink, about: name, Detail: fmt.Sprintf("the config no longer has the sink %s, and the queue keeps %d events for it, "+
			"and all that follow: put it back, give its new name `formerly = %q`, or put %[3]q into `forget`", name, in.g.unused[name], name)}
		if !in.standing.faults[n.key()] {
			in.notice(n)
		}
	}
}

// saveStanding writes the standing faults if they have changed.
func (in *ingest) saveStanding() {
	s := &in.standing
	if !s.changed || s.writing {
		return
	}
	s.changed, s.writing = false, true
	in.flights++
	text := ""
	for key := range s.faults {
		since := ""
		if w := s.words[key]; !w.since.IsZero() {
			since = w.since.UTC().Format(time.RFC3339)
		}
		text += key + "\t" + since + "\t" + strings.ReplaceAll(s.words[key].detail, "\n", " ") + "\n"
	}
	go func() { // ends with the write; run waits for its answer
		in.g.results <- commitResult{standing: true, err: in.g.o.Queue.Put(standingName, []byte(text))}
	}()
}

func (in *ingest) standingSaved(err error) {
	in.standing.writing = false
	if err != nil {
		in.standing.changed = true // at the next tick
	}
}

// others are the standing faults that no verdict of health tells, as somebody is shown them.
func (s *standing) others(g *Gateway) (list []Fault) {
	for _, key := range slices.Sorted(maps.Keys(s.faults)) {
		if _, _, ofHealth := g.verdictOf(key); ofHealth {
			continue
		}
		code, about, _ := strings.Cut(key, " ")
		v := health.Verdict{Subject: health.Subject{Kind: health.KindGateway, Name: g.o.Name}, Code: health.Code(code), Severity: health.Trouble,
			Reason: s.words[key].detail, Evidence: []health.Figure{}, Since: health.Time{Wall: s.words[key].since}}
		switch code {
		case NoticeSlowWay, NoticeTestFailed:
			id, _, _ := strings.Cut(about, ".")
			if n, err := strconv.ParseUint(id, 10, 8); err == nil {
				v.Subject = health.Subject{Kind: health.KindNode, Name: g.nodeName(uint8(n))}
			}
			if t, err := parseTested(about); err == nil && code == NoticeTestFailed { // a node may have several inputs
				v.Subject = health.Subject{Kind: health.KindZone, Name: g.zone(t.node, t.input)}
			}
		case NoticeReceiveOnly, NoticeAirtimeShort:
			v.Subject = health.Subject{Kind: health.KindBearer, Name: about}
		case NoticeSetAside, NoticeGivenUp, NoticeMissed, NoticeUnusedSink:
			v.Subject = health.Subject{Kind: health.KindSink, Name: about}
		case NoticeAnnunciatorLost:
			v.Subject = health.Subject{Kind: health.KindAnnunciator, Name: about}
		}
		switch code {
		case NoticeSlowWay, NoticeAirtimeShort, NoticeUnusedSink, NoticeReceiveOnly, NoticeGivenUp:
			v.Severity = health.Watch // what comes still sounds
		}
		list = append(list, Fault{ID: key, Verdict: v})
	}
	return list
}
