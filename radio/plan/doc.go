// Package plan answers before anything is bought or dug whether a place can be reached: what a signal loses between two sites of a
// lane, term by term; how often a trip is heard in time; which settings are lawful, receipts and all; how long a battery lasts; and
// which relays, by what bearer, are the cheapest that meet a goal. It reads no file and has no clock, and its answer depends on
// nothing but what it is given.
//
//	p, err := plan.Make(lane, plan.Options{})
//	p.WriteText(os.Stdout)
//
// In the order of the files:
//
//	way.go       what is lost between two sites, and what is not counted twice
//	bearer.go    the settings that may be used, and what receipts cost in airtime
//	hop.go       the link budget of a hop, its margin and how uncertain that is
//	fading.go    from margin to availability, and to the time after which a trip is heard
//	energy.go    batteries and the sun
//	dwell.go     who breaks a beam, and for how long
//	gate.go      the light of a beam, the drop along its cable
//	contact.go   what silence from a zone proves, by its contact and wire
//	question.go  all ways of a lane, surveyed
//	arrange.go   the cheapest set of relays, with a bound where it is not proven
//	route.go     by which of them a zone's trips go
//	choose.go    which setting, and with it which relays
//	plan.go      the answer
//	building.go  what Wi-Fi does for those who are to hear of a trip
//	links.go     each hop once, and what it would be by other settings: for pictures
//	between.go   two sites by every setting
//	advice.go    what would help, and which assumption decides, both found by trying
//	text.go      the answer in words, json.go for machines
//
// Figures that no publication gives are assumptions of this package. Each stands in Options, with its default, and can be replaced.
package plan
