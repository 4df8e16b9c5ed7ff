package main

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"

	"longlane/gateway/config"
	"longlane/gateway/roster"
	"longlane/radio/lane"
)

// siteLane is the place that a config names; nil if it names none.
func siteLane(path string, cfg *config.Config) (*lane.Lane, error) {
	l, err := cfg.ReadLane(path)
	var ps config.Problems
	if errors.As(err, &ps) || errors.Is(err, fs.ErrNotExist) {
		err = usageError{err}
	}
	return l, err
}

// laneFound is what a lane file holds, in words and for machines.
type laneFound struct {
	File    string         `json:"file"`
	Sites   int            `json:"sites"`
	Roles   map[string]int `json:"roles"`
	Zones   int            `json:"zones"`
	Cover   int            `json:"cover"`
	Longest float64        `json:"longest_way_m"` // between two sites
	// What the roster has and the lane file lacks, or the other way round.
	NodesWithoutSite  []string `json:"nodes_without_site"`
	ZonesNotInLane    []string `json:"zones_not_in_lane"`
	ZonesNotEnrolled  []string `json:"zones_not_enrolled"`
	between           [2]string
	lowest, highest   float64
	coverWords, words []string
}

// laneOf counts what there is; r is nil while there is no node.
func laneOf(cfg *config.Config, l *lane.Lane, r *roster.Roster) *laneFound {
	f := &laneFound{File: cfg.Lane, Sites: len(l.Sites), Roles: map[string]int{}, Zones: len(l.Zones), Cover: len(l.Cover),
		NodesWithoutSite: []string{}, ZonesNotInLane: []string{}, ZonesNotEnrolled: []string{}}
	for i := range l.Sites {
		s := &l.Sites[i]
		f.Roles[string(s.Role)]++
		h := l.Terrain.Height(s.At)
		if i == 0 {
			f.lowest, f.highest = h, h
		}
		f.lowest, f.highest = min(f.lowest, h), max(f.highest, h)
		for j := range i {
			if d := s.At.Distance(l.Sites[j].At); d > f.Longest {
				f.Longest, f.between = d, [2]string{l.Sites[j].Name, s.Name}
			}
		}
	}
	for _, role := range lane.Roles {
		if n := f.Roles[string(role)]; n > 0 {
			f.words = append(f.words, several(n, string(role)))
		}
	}
	kinds := map[lane.Kind]int{}
	for _, c := range l.Cover {
		kinds[c.Kind]++
	}
	for _, kind := range lane.Kinds {
		if n := kinds[kind]; n > 0 {
			f.coverWords = append(f.coverWords, several(n, string(kind)))
		}
	}
	if r == nil {
		return f
	}
	watched, drawn := map[string]bool{}, map[string]bool{}
	for _, z := range l.Zones {
		drawn[z.Name] = true
	}
	for _, n := range r.Nodes {
		if n.Revoked {
			continue
		}
		if l.Site(n.Name) == nil {
			f.NodesWithoutSite = append(f.NodesWithoutSite, n.Name)
		}
		for _, in := range n.Inputs {
			if !watched[in.Zone] && !drawn[in.Zone] {
				f.ZonesNotInLane = append(f.ZonesNotInLane, in.Zone)
			}
			watched[in.Zone] = true
		}
	}
	for _, z := range l.Zones {
		if !watched[z.Name] {
			f.ZonesNotEnrolled = append(f.ZonesNotEnrolled, z.Name)
		}
	}
	return f
}

// explainLane says what the lane file holds, and hints at what it and the list of nodes do not agree on.
func explainLane(c *call, f *laneFound) {
	fmt.Fprintf(c.out, "  lane: %s: sites: %s; zones: %d; cover: %s\n", f.File, strings.Join(f.words, ", "), f.Zones, orNone(f.coverWords))
	if f.Longest > 0 {
		fmt.Fprintf(c.out, "    farthest apart: %s and %s, %.0f m; their ground is at %.0f to %.0f m\n", f.between[0], f.between[1], f.Longest, f.lowest, f.highest)
	}
	hint := func(what string, names []string, then string) {
		if len(names) > 0 {
			fmt.Fprintf(c.out, "    %s: %s; %s\n", what, strings.Join(names, ", "), then)
		}
	}
	hint("nodes without a site", f.NodesWithoutSite, "add a table [site.NAME] for each, or no map shows where it stands")
	hint("zones without a table", f.ZonesNotInLane, "add [zone.NAME] with the site whose node watches it")
	hint("zones that no enrolled node watches", f.ZonesNotEnrolled, "that is right if they are planned")
}

func several(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func orNone(words []string) string {
	if len(words) == 0 {
		return "none"
	}
	return strings.Join(words, ", ")
}
