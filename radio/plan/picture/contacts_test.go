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
		row := fmt.Sprintf(`<tr><th scope="row">%s</th><td>%s</td><td>%s</td><td>%s</td><td>%s</td><td>%s</td></tr>`, c.Zone.Name, c.Kind(), c.Cut, c.Short, c.Unpowered, c.Dirt)
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
