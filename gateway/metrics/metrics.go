// Package metrics holds every metric's name. It is told what happens (its methods are what the core's Meter asks for)
// and reads gauges as they are scraped. All are registered on a registry of the caller's.
//
// Names follow Prometheus' conventions, but for _dbm and _db: decibels have no base unit there.
package metrics

import (
	"math"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// Metrics are the gateway's.
type Metrics struct {
	registry  *prometheus.Registry
	frames    *prometheus.CounterVec
	hopRSSI   *prometheus.GaugeVec
	hopSNR    *prometheus.GaugeVec
	hopMargin *prometheus.GaugeVec
	hopFrames *prometheus.CounterVec
	receipts  *prometheus.CounterVec
	hints     *prometheus.CounterVec
	commits   prometheus.Histogram
	uncommit  prometheus.Counter
	publish   *prometheus.HistogramVec
	refused   *prometheus.CounterVec
	sessions  *prometheus.CounterVec
	drops     *prometheus.CounterVec
	heard     *prometheus.CounterVec
	heardTook *prometheus.HistogramVec
	unheard   prometheus.Counter
	tests     *prometheus.CounterVec
	testTook  *prometheus.GaugeVec
}

// Lists are the closed lists that label values are drawn from; each is created at zero at the start, so that "none"
// can be told from "not known".
type Lists struct {
	Bearers, Verdicts, Hints, Drops, Annunciators, Whats []string
	Sinks                                                map[string][]string // by name: why its sessions end
}

var buckets = []float64{.0005, .001, .002, .005, .01, .02, .05, .1, .2, .5, 1, 2, 5, 10}

// New makes the metrics and registers them, with the Go runtime's and the process's.
func New(l Lists) *Metrics {
	counter := func(name, help string, labels ...string) *prometheus.CounterVec {
		return prometheus.NewCounterVec(prometheus.CounterOpts{Name: name, Help: help}, labels)
	}
	gauge := func(name, help string, labels ...string) *prometheus.GaugeVec {
		return prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: name, Help: help}, labels)
	}
	m := &Metrics{
		registry:  prometheus.NewRegistry(),
		frames:    counter("longlane_frames_total", "Packets received, by bearer and by what became of them.", "bearer", "verdict"),
		hopRSSI:   gauge("longlane_hop_rssi_dbm", "Received power of the last accepted frame over a hop, in dBm.", "from", "to"),
		hopSNR:    gauge("longlane_hop_snr_db", "Signal-to-noise ratio of the last accepted frame over a hop, in dB.", "from", "to"),
		hopMargin: gauge("longlane_hop_margin_db", "By how much the last accepted frame over a hop was above what its spreading factor needs, in dB.", "from", "to"),
		hopFrames: counter("longlane_hop_frames_total", "Accepted frames over a hop, by whether it is proven who sent there and who heard. A relay that is not enrolled is \"-\".", "from", "to", "verified"),
		receipts:  counter("longlane_receipts_total", "Receipts handed to a bearer, by result; late: for want of lawful airtime, until the node listened no more.", "bearer", "result"),
		hints:     counter("longlane_hints_total", "Beacons and hop acknowledgements handed to a bearer, by result; late: for want of lawful airtime, until they were of no use.", "bearer", "what", "result"),
		commits: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "longlane_commit_duration_seconds", Buckets: buckets,
			Help: "Time from handing an event or a mark to the queue until it is on the disk."}),
		uncommit: prometheus.NewCounter(prometheus.CounterOpts{Name: "longlane_commit_failures_total",
			Help: "Events and marks that could not be stored; no receipt was sent for them."}),
		publish: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "longlane_publish_duration_seconds", Buckets: buckets,
			Help: "Time from publishing until the receiver's acknowledgement, by sink and lane."}, []string{"sink", "lane"}),
		refused:  counter("longlane_publish_failures_total", "Publications that were not acknowledged in their session.", "sink", "lane"),
		sessions: counter("longlane_session_ends_total", "Sessions that ended or could not be made, by sink and reason.", "sink", "reason"),
		drops:    counter("longlane_drops_total", "Things dropped because something was full.", "what"),
		heard:    counter("longlane_heard_total", "Openings that an annunciator has confirmed, by what it has done. Those that the config does not name are \"-\".", "annunciator", "what"),
		heardTook: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "longlane_heard_seconds", Buckets: buckets,
			Help: "Time from the reception of an opening until an annunciator has confirmed it."}, []string{"annunciator"}),
		unheard:  prometheus.NewCounter(prometheus.CounterOpts{Name: "longlane_unheard_total", Help: "Trips that no annunciator has confirmed in time."}),
		tests:    counter("longlane_test_trips_total", "Test trips, by whether they were stored and confirmed by all in time.", "node", "passed"),
		testTook: gauge("longlane_test_trip_seconds", "Of the last test trip of a node: from its making until the disk and the last annunciator had it. A failed one counts only those that had it.", "node"),
	}
	m.registry.MustRegister(m.frames, m.hopRSSI, m.hopSNR, m.hopMargin, m.hopFrames, m.receipts, m.hints, m.commits, m.uncommit, m.publish,
		m.refused, m.sessions, m.drops, m.heard, m.heardTook, m.unheard, m.tests, m.testTook, collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	m.start(l)
	return m
}

func (m *Metrics) start(l Lists) {
	for _, b := range l.Bearers {
		for _, v := range l.Verdicts {
			m.frames.WithLabelValues(b, v)
		}
		for _, r := range []string{"sent", "failed", "late"} {
			m.receipts.WithLabelValues(b, r)
			for _, h := range l.Hints {
				m.hints.WithLabelValues(b, h, r)
			}
		}
	}
	for s, ends := range l.Sinks {
		for _, lane := range []string{"live", "backlog", "state"} {
			m.publish.WithLabelValues(s, lane)
			m.refused.WithLabelValues(s, lane)
		}
		for _, e := range ends {
			m.sessions.WithLabelValues(s, e)
		}
	}
	for _, d := range l.Drops {
		m.drops.WithLabelValues(d)
	}
	for _, a := range l.Annunciators {
		m.heardTook.WithLabelValues(a)
		for _, w := range l.Whats {
			m.heard.WithLabelValues(a, w)
		}
	}
}

// Frame counts a packet.
func (m *Metrics) Frame(bearer, verdict string) { m.frames.WithLabelValues(bearer, verdict).Inc() }

// Hop notes how a hop was heard, each figure not a number if it is not known. One that is not proven only counts: its
// figures are nobody's word.
func (m *Metrics) Hop(from, to string, rssi, snr, margin float64, proven bool) {
	word := "no"
	if proven {
		word = "yes"
		for gauge, v := range map[*prometheus.GaugeVec]float64{m.hopRSSI: rssi, m.hopSNR: snr, m.hopMargin: margin} {
			if !math.IsNaN(v) {
				gauge.WithLabelValues(from, to).Set(v)
			}
		}
	}
	m.hopFrames.WithLabelValues(from, to, word).Inc()
}

// Receipt counts a receipt.
func (m *Metrics) Receipt(bearer, result string) { m.receipts.WithLabelValues(bearer, result).Inc() }

// Hint counts a beacon or a hop acknowledgement.
func (m *Metrics) Hint(bearer, what, result string) {
	m.hints.WithLabelValues(bearer, what, result).Inc()
}

// Committed notes a commit's time.
func (m *Metrics) Committed(took time.Duration, failed bool) {
	if failed {
		m.uncommit.Inc()
		return
	}
	m.commits.Observe(took.Seconds())
}

// Published notes a publication's time.
func (m *Metrics) Published(sink, lane string, took time.Duration, ok bool) {
	if !ok {
		m.refused.WithLabelValues(sink, lane).Inc()
		return
	}
	m.publish.WithLabelValues(sink, lane).Observe(took.Seconds())
}

// Session counts the end of a session.
func (m *Metrics) Session(sink, end string) { m.sessions.WithLabelValues(sink, end).Inc() }

// Dropped counts a drop.
func (m *Metrics) Dropped(what string) { m.drops.WithLabelValues(what).Inc() }

// Heard counts a confirmation.
func (m *Metrics) Heard(annunciator, what string, took time.Duration) {
	m.heard.WithLabelValues(annunciator, what).Inc()
	m.heardTook.WithLabelValues(annunciator).Observe(took.Seconds())
}

// Unheard counts a trip that nobody has confirmed.
func (m *Metrics) Unheard() { m.unheard.Inc() }

// Tested notes what came of a test trip.
func (m *Metrics) Tested(node string, passed bool, took time.Duration) {
	word := "no"
	if passed {
		word = "yes"
	}
	m.tests.WithLabelValues(node, word).Inc()
	m.testTook.WithLabelValues(node).Set(took.Seconds())
}

// Up registers a gauge that is 1 while ok reports true: a bearer with a working device, a sink with a session.
func (m *Metrics) Up(what, name string, ok func() bool) {
	m.registry.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "longlane_" + what + "_up",
		Help: "1 while the " + what + " is up.", ConstLabels: prometheus.Labels{what: name}}, func() float64 {
		if ok() {
			return 1
		}
		return 0
	}))
}

// Gauge registers a gauge read at each scrape.
func (m *Metrics) Gauge(name, help string, labels map[string]string, read func() float64) {
	m.registry.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "longlane_" + name, Help: help,
		ConstLabels: labels}, read))
}

// Counter registers a counter read at each scrape from one that somebody else keeps.
func (m *Metrics) Counter(name, help string, labels map[string]string, read func() float64) {
	m.registry.MustRegister(prometheus.NewCounterFunc(prometheus.CounterOpts{Name: "longlane_" + name, Help: help,
		ConstLabels: labels}, read))
}

// Handler serves the exposition.
func (m *Metrics) Handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{})
}
