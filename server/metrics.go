package server

import (
	"net/http"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// metrics are the figures of a server, by route and never by what was asked
// for or who asked.
type metrics struct {
	registry   *prometheus.Registry
	requests   *prometheus.CounterVec
	took       *prometheus.HistogramVec
	turnedAway prometheus.Counter
	signIns    *prometheus.CounterVec
	faults     *prometheus.CounterVec
}

func newMetrics(atWork func() float64) *metrics {
	m := &metrics{
		registry: prometheus.NewRegistry(),
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "holdfast_requests_total", Help: "Requests by route and status.",
		}, []string{"route", "status"}),
		took: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "holdfast_request_seconds", Help: "How long requests took by route.", Buckets: []float64{.001, .005, .02, .1, .5, 2, 10, 60},
		}, []string{"route"}),
		turnedAway: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "holdfast_turned_away_total", Help: "Requests that found no place and were answered 503.",
		}),
		signIns: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "holdfast_sign_ins_total", Help: "Sign-ins by outcome: done, refused, slowed.",
		}, []string{"outcome"}),
		faults: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "holdfast_faults_total", Help: "Failures of the program by kind.",
		}, []string{"kind"}),
	}
	m.registry.MustRegister(
		m.requests, m.took, m.turnedAway, m.signIns, m.faults,
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "holdfast_requests_at_work", Help: "Requests at work now."}, atWork),
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
	)
	return m
}

// saw counts a request that ended.
func (m *metrics) saw(route string, status int, took time.Duration) {
	if route == "" {
		route = "none"
	}
	m.requests.WithLabelValues(route, strconv.Itoa(status)).Inc()
	m.took.WithLabelValues(route).Observe(took.Seconds())
}

// Metrics serves the figures of this server in Prometheus' text format. They
// are for whoever runs the machine: keep the address to the machine.
func (s *Server) Metrics() http.Handler {
	return promhttp.HandlerFor(s.metrics.registry, promhttp.HandlerOpts{})
}
