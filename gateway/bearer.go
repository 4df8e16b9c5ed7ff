package gateway

import (
	"fmt"
	"slices"
	"time"

	"longlane/radio"
)

// outage is a bearer that does not work.
type outage struct {
	since time.Duration
	told  bool

	earlier bool // it was told in an earlier run, since when is not known
}

// downFor is how long a bearer may be down before the house hears of it: a modem that is plugged in again, or starts
// with the gateway, is back sooner.
const downFor = 10 * time.Second

// watchBearers tells the house that a bearer does not work, and that it does again.
func (in *ingest) watchBearers() {
	now := in.g.o.Clock.Mono()
	for _, l := range in.g.o.Links {
		o := in.down[l.Name()]
		switch {
		case l.Up():
			if o != nil && o.told {
				after := " after " + (now - o.since).Round(time.Second).String()
				if o.earlier {
					after = ""
				}
				in.notice(Notice{Code: NoticeBearerDown, Ended: true, about: l.Name(), Detail: l.Name() + " works again" + after})
			}
			delete(in.down, l.Name())
		case o == nil:
			in.down[l.Name()] = &outage{since: now}
		case !o.told && now-o.since >= downFor:
			o.told = true
			in.notice(Notice{Code: NoticeBearerDown, about: l.Name(), Detail: fmt.Sprintf("%s does not work: nothing that comes by it can be heard; the log says why", l.Name())})
		}
	}
}

// deaf tells why a node that comes by bearer cannot be heard; "" if it can be. One that has not been heard in this run
// (bearer is "") may come by any.
func (in *ingest) deaf(bearer string) string {
	links := in.g.o.Links
	if !slices.ContainsFunc(links, isDown) {
		return "" // as nearly always
	}
	down := slices.DeleteFunc(slices.Clone(links), radio.Link.Up)
	switch {
	case len(down) == len(links):
		return "no bearer of the gateway works, so it cannot be heard"
	}
	for _, l := range down {
		if bearer == "" || l.Name() == bearer {
			return l.Name() + " does not work, so it may not be heard"
		}
	}
	return ""
}

func isDown(l radio.Link) bool { return !l.Up() }
