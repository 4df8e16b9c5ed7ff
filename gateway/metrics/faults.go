package metrics

import "github.com/prometheus/client_golang/prometheus"

// Fault is one that stands.
type Fault struct {
	Code, Severity string
	Kind, Of, To   string // whose: a node, hop (from Of to To), zone, bearer, sink, annunciator, gateway
}

var (
	faultDesc = prometheus.NewDesc("longlane_fault_standing", "1 for each fault that stands. A hop is of the node that sends, to the one that hears.",
		[]string{"code", "severity", "kind", "of", "to"}, nil)
	faultsDesc = prometheus.NewDesc("longlane_faults_standing", "Faults that stand, by severity: with trouble silence can no longer be trusted; watch is to be seen to before it is so.",
		[]string{"severity"}, nil)
)

// faults tells at each scrape what stands then.
type faults func() []Fault

// Faults registers the faults that stand, read at each scrape.
func (m *Metrics) Faults(read func() []Fault) { m.registry.MustRegister(faults(read)) }

func (f faults) Describe(ch chan<- *prometheus.Desc) {
	ch <- faultDesc
	ch <- faultsDesc
}

func (f faults) Collect(ch chan<- prometheus.Metric) {
	counts := map[string]int{"watch": 0, "trouble": 0}
	told := map[Fault]bool{}
	for _, v := range f() {
		counts[v.Severity]++
		if told[v] { // a series that is given twice would spoil the whole scrape
			continue
		}
		told[v] = true
		ch <- prometheus.MustNewConstMetric(faultDesc, prometheus.GaugeValue, 1, v.Code, v.Severity, v.Kind, v.Of, v.To)
	}
	for severity, n := range counts {
		ch <- prometheus.MustNewConstMetric(faultsDesc, prometheus.GaugeValue, float64(n), severity)
	}
}
