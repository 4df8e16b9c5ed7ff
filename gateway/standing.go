package gateway

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
)

// Faults of nodes, bearers and sinks that the house was told of stand until they end, though the gateway is started anew
// meanwhile. So they are kept in the queue's file, written after the fact and without waiting: one that a crash overtakes
// is told a second time, or is not ended.
type standing struct {
	faults  map[string]bool // by key
	changed bool
	writing bool
}

const standingName = "standing" // value: the keys, a line each

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
	return ""
}

func (s *standing) note(n Notice) {
	key := n.key()
	if key == "" || s.faults[key] == !n.Ended {
		return
	}
	s.changed = true
	if n.Ended {
		delete(s.faults, key)
	} else {
		s.faults[key] = true
	}
}

// restore takes up the faults that stood when the last run ended, before anything runs. Those of what is no longer there
// end.
func (in *ingest) restore() {
	in.standing.faults = map[string]bool{}
	stored, err := in.g.o.Queue.Get(standingName)
	if err != nil {
		in.g.o.Log.Warn("which faults stood before is not known: they may not be ended", "err", err)
	}
	for key := range strings.Lines(string(stored)) {
		key = strings.TrimSuffix(key, "\n")
		code, about, _ := strings.Cut(key, " ")
		in.standing.faults[key] = true
		switch code {
		case NoticeOverdue:
			id, _ := strconv.ParseUint(about, 10, 8)
			if n := in.house.nodes[uint8(id)]; n != nil {
				n.told = true
			} else {
				in.notice(Notice{Code: code, Ended: true, Node: uint8(id), Detail: in.g.nodeName(uint8(id)) + " is shut out and no longer waited for"})
			}
		case NoticeSlowWay:
			id, _ := strconv.ParseUint(about, 10, 8)
			if in.house.nodes[uint8(id)] != nil { // it ends by events that come at once
				in.tries[uint8(id)] = &tries{told: true}
			} else {
				in.notice(Notice{Code: code, Ended: true, Node: uint8(id), Detail: in.g.nodeName(uint8(id)) + " is shut out"})
			}
		case NoticeBearerDown:
			if in.g.senders[about] != nil {
				in.down[about] = &outage{since: in.g.o.Clock.Mono(), told: true, earlier: true}
			} else {
				in.notice(Notice{Code: code, Ended: true, about: about, Detail: fmt.Sprintf("there is no bearer %s any more", about)})
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
		text += key + "\n"
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
