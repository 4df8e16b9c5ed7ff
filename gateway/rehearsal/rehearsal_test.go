package rehearsal

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"strings"
	"testing"
	"time"

	"longlane/radio/ether"
)

// meadow is n gates in sight of the house, each with some trips a day.
func meadow(n int, tripsADay float64) ether.Scenario {
	s := ether.Scenario{Name: "the meadow", Air: new(ether.Channel), CheckIn: ether.Duration(15 * time.Minute)}
	s.Air.SetDefaults()
	s.Air.Region, s.Air.Frequency, s.Air.Fading = "europe", 869.525, "rayleigh"
	for i := range n {
		s.Nodes = append(s.Nodes, ether.Node{Name: fmt.Sprintf("gate-%d", i), RSSI: -100 - float64(i%10), DriftPPM: float64(i%9-4) * 10,
			Rate: &ether.Rate{PerHour: tripsADay / 24, DwellMin: ether.Duration(time.Second), DwellMax: ether.Duration(5 * time.Second)}})
	}
	return s
}

func rehearse(t testing.TB, s ether.Scenario, seed uint64, length time.Duration) *Report {
	t.Helper()
	r, err := Run(context.Background(), Options{Scenario: s, Seed: seed, For: length})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestYear(t *testing.T) {
	r := rehearse(t, meadow(50, 0.4), 1, 10*24*time.Hour)
	t.Logf("%+v", r)
}

var _ = errors.Is
var _ = reflect.DeepEqual
var _ = strings.Contains
