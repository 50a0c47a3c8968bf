package main

import (
	"slices"
	"sync"
	"time"
)

// work collects when requests ended and how long they took. Safe for
// concurrent use.
type work struct {
	mu   sync.Mutex
	done []done
}

type done struct {
	end  time.Time
	took time.Duration
}

func (w *work) add(end time.Time, took time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.done = append(w.done, done{end, took})
}

// Round is what one side did in one measured stretch.
type Round struct {
	Requests  int       `json:"requests"`
	PerSecond float64   `json:"requests_per_second"`
	P50       float64   `json:"p50_ms"`
	P99       float64   `json:"p99_ms"`
	Memory    int64     `json:"resident_bytes,omitempty"` // of the service, 0 where the system does not say
	Processor Processor `json:"processor_ms_per_request"`
	all       int       // warm-up included
}

// measured gives the requests that ended in the seconds after the warm-up,
// which began with the first request.
func (w *work) measured(seconds int) Round {
	if len(w.done) == 0 {
		return Round{}
	}
	first := w.done[0].end.Add(-w.done[0].took)
	for _, d := range w.done {
		if begun := d.end.Add(-d.took); begun.Before(first) {
			first = begun
		}
	}
	from := first.Add(warmUp)
	to := from.Add(time.Duration(seconds) * time.Second)
	var took []float64
	for _, d := range w.done {
		if !d.end.Before(from) && d.end.Before(to) {
			took = append(took, milliseconds(d.took))
		}
	}
	if len(took) == 0 {
		return Round{}
	}
	slices.Sort(took)
	return Round{Requests: len(took), PerSecond: float64(len(took)) / float64(seconds), P50: percentile(took, 50), P99: percentile(took, 99)}
}

// percentile of sorted values, by the nearest rank.
func percentile(sorted []float64, p int) float64 {
	return sorted[max(0, (len(sorted)*p+99)/100-1)]
}

func median(xs []float64) float64 {
	s := slices.Sorted(slices.Values(xs))
	if n := len(s); n%2 == 0 {
		return (s[n/2-1] + s[n/2]) / 2
	}
	return s[len(s)/2]
}
