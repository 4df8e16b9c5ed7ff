package planfiles

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

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
		var ids []string
		for _, u := range s.nodes {
			ids = append(ids, fmt.Sprintf("%s %d", u.site.Name, u.id))
		}
		b.WriteString("\n" + paragraph.Wrap(fmt.Sprintf("%s goes by the node ids that this order gives to a site without nodes: %s; 240 is the gateway. The zones' nodes come first, in the order of "+
			"the zones' names, and then the relays. If nodes of the site have been enrolled before, put their ids (longlane enrol list) into it.", surveyFile, strings.Join(ids, ", ")), "", "", 100) + "\n")
	}
	for _, left := range s.Left {
		b.WriteString("\n" + paragraph.Wrap("Left out: "+left+".", "", "", 100) + "\n")
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
