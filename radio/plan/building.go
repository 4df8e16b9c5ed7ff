package plan

import (
	"fmt"

	"longlane/radio/lane"
)

// buildings tells of each place in which people are to hear of a trip, and which ordinary Wi-Fi would not join to a gateway: an annunciator there
// has the gateway's word by the network.
func (q *question) buildings() (list []string) {
	for i := range q.s.lane.Sites {
		s := &q.s.lane.Sites[i]
		if !s.Hears() || s.Role == lane.RoleGateway {
			continue
		}
		var near, bridge *Hop // what is best to any gateway
		for _, g := range q.gateways {
			if s.At.Distance(g.At) < 1 { // under one roof
				near, bridge = nil, nil
				break
			}
			q.s.look(s, g)
			w, err := q.loss(s, g, q.o.WiFiFrequency)
			if err != nil || w == nil { // where a formula does not hold; that is said under "Not judged"
				continue
			}
			if h := wifi(w, false, q.o); near == nil || h.Margin > near.Margin {
				near, bridge = h, wifi(w, true, q.o)
			}
		}
		if near == nil || near.Margin >= q.wifiMargin {
			continue
		}
		what := fmt.Sprintf("%s: people are to hear of a trip there, and ordinary Wi-Fi to %s is %.1f dB short of what the goal asks: lay a cable", s.Name, near.To.Name, q.wifiMargin-near.Margin)
		if bridge.Margin >= q.wifiMargin {
			what += ", or put up a bridge of two directional antennas"
		}
		list = append(list, what)
	}
	return list
}
