package planfiles

import (
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"text/tabwriter"

	"longlane/proto"
	"longlane/radio/paragraph"
)

// WriteText says what was written and what to do next.
func (s *Set) WriteText(to io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "\nWritten into %s\n", s.Dir)
	t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	for _, f := range s.Files {
		fmt.Fprintf(t, "  %s\t%s\n\t  %s\n", f.Name, f.What, f.Next)
	}
	t.Flush()
	fmt.Fprintf(&b, "\nEnrol the nodes, in this order:\n\n")
	for _, e := range s.Enrol {
		fmt.Fprintf(&b, "  %s\n", e)
	}
	if s.has(surveyFile) {
		b.WriteString("\n" + paragraph.Wrap("That gives a site without nodes these ids, by which "+surveyFile+" goes: the zones' nodes in the order of the zones' names, then the relays. "+
			"If nodes of the site have been enrolled before, put their ids (longlane enrol list) into it.", "", "", 120) + "\n")
		for _, u := range s.nodes {
			fmt.Fprintf(&b, "  %3d  %s\n", u.id, u.site.Name)
		}
		fmt.Fprintf(&b, "  %3d  the gateway\n", proto.GatewayBase)
	}
	if s.has(scenarioFile) {
		fmt.Fprintf(&b, "\nWith the cards there, a trial of the whole house, in two terminals:\n\n  longlane run --config %s\n  longlane sim --scenario %s --modem %s --out %s\n\n",
			Shell(filepath.Join(s.Dir, gatewayFile)), Shell(filepath.Join(s.Dir, scenarioFile)), Shell(filepath.Join(s.Dir, simulatedModem)), Shell(filepath.Join(s.Dir, simulatedLog)))
		b.WriteString(paragraph.Wrap(fmt.Sprintf("Trips come at random, %g an hour at each zone, as in the plan's busiest hour: wait for the first. The log of longlane run tells of "+
			"each, and so does the gateway's page, whose address longlane check names. Ctrl-C ends either.", s.trips), "", "", 120) + "\n")
	}
	for _, left := range s.Left {
		b.WriteString("\n" + paragraph.Wrap("Left out: "+left+".", "", "", 120))
	}
	_, err := io.WriteString(to, b.String())
	return err
}

func (s *Set) has(name string) bool {
	for _, f := range s.Files {
		if f.Name == name {
			return true
		}
	}
	return false
}
