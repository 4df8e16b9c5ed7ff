package gateway

import (
	"slices"

	"longlane/radio"
)

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
