package history

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"sync"

	"drumline/domain"
	"drumline/domain/history/survival"
)

// Horizons are the days within which the trade counts a return as a come-back.
var Horizons = []int{30, 90}

// Within is the share that has come back within so many days.
type Within struct {
	Days    int    `json:"within_days"`
	Events  int    `json:"events"`
	AtRisk  int    `json:"at_risk" doc:"Still followed on that day."`
	Share   Figure `json:"share" doc:"Kaplan-Meier: repairs that are still young count for as long as they were followed."`
	Same    Figure `json:"same" doc:"Share whose first return is about the same (Aalen-Johansen)."`
	Other   Figure `json:"other" doc:"Share whose first return is about something else."`
	Naive   Figure `json:"naive" doc:"Events over all repairs: too low, since it takes young repairs for good ones. Shown for comparison only."`
	Worth   Figure `json:"effective_repairs" doc:"As many fully followed repairs as this is worth."`
	Status  string `json:"status"`
	Method  string `json:"method"`
	Means   string `json:"sentence"`
	Repairs int    `json:"repairs"`
}

// Reason counts come-backs by what the owner and the tech found behind them.
type Reason struct {
	Reason string `json:"reason" db:"reason"`
	Count  int    `json:"count" db:"count"`
}

// ComeBacks answers what share of the work comes back.
type ComeBacks struct {
	Head
	Calls      []Within `json:"calls" doc:"Calls that put a unit back to service: does the same complaint come again?"`
	Faults     []Within `json:"faults" doc:"Repairs of faults: is the same fault found again?"`
	Reasons    []Reason `json:"reasons" doc:"Of calls about the same complaint within 90 days; unset where nobody has said."`
	FirstVisit Figure   `json:"first_visit_fixed" doc:"Share of the calls put back to service on their first visit (Wilson)."`
}

// ComeBacks gives the shares within 30 and 90 days.
func (s *Service) ComeBacks(ctx context.Context, p domain.Principal, f Filter) (ComeBacks, error) {
	return Ask(ctx, s, p, "come-backs", f, (*asking).comeBacks)
}

func (a *asking) comeBacks() ComeBacks {
	calls, repairs := a.callRows(), a.repairRows(nil)
	out := ComeBacks{Head: a.head(calls, Same, "kaplan-meier by call, log-log limits; aalen-johansen for the same and another"), Reasons: a.whys(), FirstVisit: a.firstVisit()}
	var called, found survival.Competing
	atOnce(func() { called = survival.CumulativeIncidence(calls, Level) }, func() { found = survival.CumulativeIncidence(repairs, Level) })
	out.Calls, out.Faults = make([]Within, len(Horizons)), make([]Within, len(Horizons))
	var work []func()
	for i, n := range Horizons {
		work = append(work, func() { out.Calls[i] = within(calls, &called, n, "calls", "the same complaint") },
			func() { out.Faults[i] = within(repairs, &found, n, "repairs", "the same fault") })
	}
	atOnce(work...)
	last := out.Calls[len(out.Calls)-1]
	out.Status, out.Sentence, out.AtRisk = last.Status, last.Means, last.AtRisk
	return out
}

// atOnce does work side by side: each reads the same rows and writes its own
// answer.
func atOnce(work ...func()) {
	var wg sync.WaitGroup
	for _, w := range work {
		wg.Go(w)
	}
	wg.Wait()
}

// within is the share come back within n days.
func within(rows []survival.Row, c *survival.Competing, n int, what, again string) Within {
	r := survival.RepeatWithin(rows, Same, n, Level)
	w := Within{Days: n, Events: r.Events, AtRisk: r.AtRisk, Share: limited(r.F, r.Interval), Naive: limited(r.Naive, r.NaiveInterval), Worth: bare(r.EffectiveN),
		Status: string(r.Status), Method: r.Method, Repairs: r.Repairs}
	same, other := c.At(Same, n), c.At(Other, n)
	w.Same, w.Other = limited(same.F, same.Interval), limited(other.F, other.Interval)
	w.Means = shareSentence(w, what, again)
	return w
}

func shareSentence(w Within, what, again string) string {
	switch survival.Status(w.Status) {
	case survival.OK:
		text := fmt.Sprintf("About %s of our %s come back with %s within %d days", percent(w.Share.Value), what, again, w.Days)
		if w.Share.Low != nil && w.Share.High != nil {
			text += fmt.Sprintf(" (between %s and %s)", percent(w.Share.Low), percent(w.Share.High))
		}
		return text + fmt.Sprintf(", going by %d followed at least in part.", w.Repairs)
	case survival.NotReached:
		return fmt.Sprintf("None of our %s has been followed for %d days yet.", what, w.Days)
	}
	return fmt.Sprintf("There are no %s to go by.", what)
}

func percent(v *float64) string {
	if v == nil {
		return "?"
	}
	return fmt.Sprintf("%.3g %%", 100**v)
}

// whys counts the reasons of calls that came back about the same complaint
// within the longest horizon.
func (a *asking) whys() []Reason {
	count := map[string]int{}
	for _, c := range a.calls {
		exit, cause, ok := days(c.ClosedOn, c.EndedOn, c.Cause, a.cut)
		if !ok || cause != Same || exit > Horizons[len(Horizons)-1] {
			continue
		}
		count[cmp.Or(a.reasons[c.NextCall], "unset")]++
	}
	out := []Reason{}
	for _, reason := range slices.Sorted(maps.Keys(count)) {
		out = append(out, Reason{reason, count[reason]})
	}
	slices.SortStableFunc(out, func(x, y Reason) int { return cmp.Compare(y.Count, x.Count) })
	return out
}

func (a *asking) firstVisit() Figure {
	n, first := 0, 0
	for _, c := range a.calls {
		if c.Visits == 0 {
			continue
		}
		if n++; c.Visits == 1 {
			first++
		}
	}
	return shareOf(first, n)
}

// shareOf is x of n with Wilson's limits.
func shareOf(x, n int) Figure {
	if n == 0 {
		return Figure{Status: string(survival.Undefined)}
	}
	v := float64(x) / float64(n)
	i := survival.Wilson(float64(x), float64(n), Level)
	return Figure{Value: &v, Low: ptr(i.Lo), High: ptr(i.Hi), Status: string(survival.OK)}
}
