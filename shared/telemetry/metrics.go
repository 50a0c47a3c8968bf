// Package telemetry counts what the service does, for Prometheus, and follows
// requests through it, for OpenTelemetry. Labels are words of the program (path
// templates, methods, statuses, outcomes): never a name, an address, a token or
// an id.
package telemetry

import (
	"net/http"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// durationBuckets are the advised bounds of http.server.request.duration, in
// seconds (OpenTelemetry semantic conventions for HTTP metrics).
var durationBuckets = []float64{.005, .01, .025, .05, .075, .1, .25, .5, .75, 1, 2.5, 5, 7.5, 10}

// Metrics are the figures of one process. Safe for concurrent use.
type Metrics struct {
	registry *prometheus.Registry
	requests *prometheus.HistogramVec
	mails    *prometheus.CounterVec
	missed   prometheus.Counter
	judged   prometheus.Counter
}

// NewMetrics makes the figures of a process of that version, those of the Go
// runtime and of the operating system's process among them.
func NewMetrics(version string) *Metrics {
	m := &Metrics{
		registry: prometheus.NewRegistry(),
		requests: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "http_server_request_duration_seconds",
			Help: "Duration of HTTP requests.", Buckets: durationBuckets}, []string{"http_request_method", "http_route", "http_response_status_code"}),
		mails: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "drumline_mails_total",
			Help: "Attempts to send a mail, by how they ended; ambiguous: nobody knows."}, []string{"outcome"}),
		missed: prometheus.NewCounter(prometheus.CounterOpts{Name: "drumline_reminders_missed_total",
			Help: "Reminders whose time passed before they could be sent."}),
		judged: prometheus.NewCounter(prometheus.CounterOpts{Name: "drumline_readings_judged_total",
			Help: "Readings judged and stored."}),
	}
	build := prometheus.NewGauge(prometheus.GaugeOpts{Name: "drumline_build_info", Help: "1, with the version.",
		ConstLabels: prometheus.Labels{"version": version}})
	build.Set(1)
	m.registry.MustRegister(m.requests, m.mails, m.missed, m.judged, build, collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return m
}

// Handler serves the figures in Prometheus' text format.
func (m *Metrics) Handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{})
}

// Request counts a finished request. route is a path template, method one of a
// fixed set, status 0 when nothing was answered.
func (m *Metrics) Request(method, route string, status int, took time.Duration) {
	code := ""
	if status != 0 {
		code = strconv.Itoa(status)
	}
	m.requests.WithLabelValues(method, route, code).Observe(took.Seconds())
}

// Mailed counts n attempts to send a mail that ended so.
func (m *Metrics) Mailed(outcome string, n int) { m.mails.WithLabelValues(outcome).Add(float64(n)) }

// Missed counts n reminders that were not sent in time.
func (m *Metrics) Missed(n int) { m.missed.Add(float64(n)) }

// Judged counts a reading.
func (m *Metrics) Judged() { m.judged.Inc() }

// Pool adds the figures of a database pool, read when they are asked for.
func (m *Metrics) Pool(name string, pool *pgxpool.Pool) {
	m.registry.MustRegister(&poolCollector{pool: pool, descs: poolDescs(name)})
}

// poolCollector reads a pool's own figures. Names as in OpenTelemetry's
// db.client.connection.*; pgx keeps the waiting time as a sum only.
type poolCollector struct {
	pool  *pgxpool.Pool
	descs []*prometheus.Desc
}

func poolDescs(name string) []*prometheus.Desc {
	of := func(metric, help string, labels ...string) *prometheus.Desc {
		return prometheus.NewDesc(metric, help, labels, prometheus.Labels{"db_client_connection_pool_name": name})
	}
	return []*prometheus.Desc{
		of("db_client_connection_count", "Connections, by state.", "db_client_connection_state"),
		of("db_client_connection_max", "Greatest number of connections."),
		of("db_client_connection_timeouts_total", "Requests for a connection that were given up."),
		of("db_client_connection_waits_total", "Requests for a connection that had to wait."),
		of("db_client_connection_wait_time_seconds_total", "Seconds waited for connections, in sum."),
	}
}

// Describe is of prometheus.Collector.
func (c *poolCollector) Describe(out chan<- *prometheus.Desc) {
	for _, d := range c.descs {
		out <- d
	}
}

// Collect is of prometheus.Collector.
func (c *poolCollector) Collect(out chan<- prometheus.Metric) {
	s := c.pool.Stat()
	send := func(i int, kind prometheus.ValueType, v float64, labels ...string) {
		out <- prometheus.MustNewConstMetric(c.descs[i], kind, v, labels...)
	}
	send(0, prometheus.GaugeValue, float64(s.AcquiredConns()), "used")
	send(0, prometheus.GaugeValue, float64(s.IdleConns()), "idle")
	send(1, prometheus.GaugeValue, float64(s.MaxConns()))
	send(2, prometheus.CounterValue, float64(s.CanceledAcquireCount()))
	send(3, prometheus.CounterValue, float64(s.EmptyAcquireCount()))
	send(4, prometheus.CounterValue, s.EmptyAcquireWaitTime().Seconds())
}
