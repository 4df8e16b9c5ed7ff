//go:build !arm

package picture

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"longlane/radio/plan"
)

// TestContactsOnThePage: the page has what silence proves of each zone in a table, by name, and the resistors of the one whose wire is supervised.
func TestContactsOnThePage(t *testing.T) {
	p := make_(t, orchard(t), plan.Options{})
	var b bytes.Buffer
	if err := WritePage(&b, p); err != nil {
		t.Fatal(err)
	}
	page, _, _ := strings.Cut(b.String(), "<h2>The report</h2>")
	kinds := map[plan.Sign]bool{}
	for i := range p.Contacts {
		c := &p.Contacts[i]
		kinds[c.Cut] = true
		row := fmt.Sprintf(`<tr role="row"><th scope="row" role="rowheader">%s</th>`, c.Zone.Name)
		for _, cell := range [][2]string{{"Its contact", c.Kind()}, {"Wire cut", string(c.Cut)}, {"Wire shorted", string(c.Short)}, {"Sensor without power", string(c.Unpowered)}, {"Lens dirty", string(c.Dirt)}} {
			row += fmt.Sprintf(`<td role="cell" data-head="%s">%s</td>`, cell[0], cell[1])
		}
		row += "</tr>"
		if strings.Count(page, row) != 1 {
			t.Errorf("the page has the row %s %d times", row, strings.Count(page, row))
		}
	}
	if len(kinds) != 3 {
		t.Fatalf("cuts of %d kinds, want three: else a column that is another's would not be seen", len(kinds))
	}
	if !strings.Contains(page, "Supervised wires (river-gate): Two resistors") {
		t.Error("the page does not tell of the resistors")
	}
}
