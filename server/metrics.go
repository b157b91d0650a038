package server

import (
	"fmt"
	"net/http"
	"time"

	"github.com/VictoriaMetrics/metrics"
)

// figures are the counts and times of a server, by route and never by what
// was asked for or who asked.
type figures struct {
	set        *metrics.Set
	turnedAway *metrics.Counter // requests that found no place and were answered 503
}

// tookBounds bound the times of requests, in seconds.
var tookBounds = []float64{.001, .005, .02, .1, .5, 2, 10, 60}

func newFigures(atWork func() float64, writable func() bool) *figures {
	set := metrics.NewSet()
	set.NewGauge("holdfast_requests_at_work", atWork)
	set.NewGauge("holdfast_writable", func() float64 { return map[bool]float64{true: 1}[writable()] })
	return &figures{set, set.NewCounter("holdfast_turned_away_total")}
}

// saw counts a request that ended.
func (f *figures) saw(route string, status int, took time.Duration) {
	if route == "" {
		route = "none"
	}
	f.set.GetOrCreateCounter(fmt.Sprintf("holdfast_requests_total{route=%q,status=\"%d\"}", route, status)).Inc()
	f.set.GetOrCreatePrometheusHistogramExt(fmt.Sprintf("holdfast_request_seconds{route=%q}", route), tookBounds).Update(took.Seconds())
}

// signIn counts a try to sign in by how it ended: done, refused or slowed.
func (f *figures) signIn(outcome string) {
	f.set.GetOrCreateCounter(fmt.Sprintf("holdfast_sign_ins_total{outcome=%q}", outcome)).Inc()
}

// fault counts a failure of the program by its kind.
func (f *figures) fault(kind string) {
	f.set.GetOrCreateCounter(fmt.Sprintf("holdfast_faults_total{kind=%q}", kind)).Inc()
}

// Metrics serves the figures of this server in Prometheus' text format. They
// are for whoever runs the machine: keep the address to the machine.
func (s *Server) Metrics() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/plain; version=0.0.4; charset=utf-8")
		s.figures.set.WritePrometheus(w)
		metrics.WriteProcessMetrics(w)
		metrics.WriteFDMetrics(w)
	})
}
