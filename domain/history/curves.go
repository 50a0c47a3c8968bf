package history

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"drumline/domain"
	"drumline/domain/history/survival"
)

// CurvePoint is the share come back by a day, with its limits.
type CurvePoint struct {
	Day    int      `json:"day"`
	AtRisk int      `json:"at_risk"`
	Share  float64  `json:"share"`
	Low    *float64 `json:"low,omitempty"`
	High   *float64 `json:"high,omitempty"`
}

// GroupCurve is the curve of one group.
type GroupCurve struct {
	Name   string       `json:"name"`
	Head   Head         `json:"head"`
	Points []CurvePoint `json:"points" doc:"At most 500 steps of a long curve."`
	Median Figure       `json:"median_days" doc:"Day by which half has come back."`
	Tenth  Figure       `json:"tenth_days" doc:"Day by which a tenth has."`
}

// TimeToComeBack answers how soon the same fault comes back.
type TimeToComeBack struct {
	Head
	By     string       `json:"by,omitempty"`
	Curves []GroupCurve `json:"curves"`
	ChiSq  Figure       `json:"log_rank"`
	P      Figure       `json:"p" doc:"That groups differ so much by chance; withheld where it would mislead, and status says why."`
}

// mostGroups is how many groups are compared: the largest.
const mostGroups = 6

// TimeToComeBack gives the curve of all repairs, or with by of the largest
// groups of part, part_source, fault, kind, model or tech.
func (s *Service) TimeToComeBack(ctx context.Context, p domain.Principal, f Filter, by string) (TimeToComeBack, error) {
	return Ask(ctx, s, p, "time-to-come-back "+by, f, func(a *asking) TimeToComeBack { return a.timeToComeBack(by) })
}

// by names the group of a repair; empty for none.
func (a *asking) by(r RepairRow, by string) string {
	switch by {
	case "part":
		return r.Part
	case "part_source":
		return cmp.Or(r.PartSource, "nothing fitted")
	case "fault":
		return r.Fault
	case "kind":
		return r.Kind
	case "model":
		return cmp.Or(r.Model, "not known")
	case "tech":
		return a.tech(r.TechID)
	case "part_number":
		return r.PartNumber
	case "lot":
		return r.Lot
	}
	return ""
}

func (a *asking) tech(id domain.ID) string { return cmp.Or(a.names[id], id.String()) }

// groups gives the largest groups by name, at most n.
func (a *asking) groups(by string, n int) []string {
	count := map[string]int{}
	for _, r := range a.repairs {
		if g := a.by(r, by); g != "" {
			count[g]++
		}
	}
	names := make([]string, 0, len(count))
	for g := range count {
		names = append(names, g)
	}
	slices.SortFunc(names, func(x, y string) int { return cmp.Or(cmp.Compare(count[y], count[x]), cmp.Compare(x, y)) })
	return names[:min(n, len(names))]
}

func (a *asking) timeToComeBack(by string) TimeToComeBack {
	all := a.repairRows(nil)
	out := TimeToComeBack{Head: a.head(all, Same, "kaplan-meier by repair, log-log limits"), By: by, Curves: []GroupCurve{}}
	out.ChiSq, out.P = Figure{Status: string(survival.Undefined)}, Figure{Status: string(survival.Undefined)}
	out.Curves = append(out.Curves, a.curve("all", all))
	var sets [][]survival.Row
	if by != "" {
		rows := a.rowsBy(by)
		for _, g := range a.groups(by, mostGroups) {
			sets = append(sets, rows[g])
			out.Curves = append(out.Curves, a.curve(g, rows[g]))
		}
	}
	if len(sets) > 1 {
		t := survival.LogRankTest(sets, Same, 0)
		out.ChiSq, out.P = bare(t.ChiSq), bare(t.P)
	}
	first := out.Curves[0]
	out.Status, out.Sentence = first.Head.Status, first.Head.Sentence
	return out
}

func (a *asking) curve(name string, rows []survival.Row) GroupCurve {
	c := survival.KaplanMeier(rows, Same, Level, survival.LogLog)
	g := GroupCurve{Name: name, Head: a.head(rows, Same, "kaplan-meier, log-log limits"), Points: []CurvePoint{}}
	for _, s := range c.Steps {
		if s.Events == 0 {
			continue
		}
		p := CurvePoint{Day: s.Day, AtRisk: s.AtRisk, Share: 1 - s.S}
		if s.Interval.Hi.OK() {
			low := 1 - s.Interval.Hi.Value
			p.Low = &low
		}
		if s.Interval.Lo.OK() {
			high := 1 - s.Interval.Lo.Value
			p.High = &high
		}
		g.Points = append(g.Points, p)
	}
	g.Points = thinned(g.Points)
	median, tenth := c.Median(), c.Quantile(0.1)
	g.Median, g.Tenth = limited(median.Time, median.Interval), limited(tenth.Time, tenth.Interval)
	g.Head.Status = string(c.Status)
	g.Head.Sentence = medianSentence(g)
	return g
}

// mostPoints is how many steps of a curve are given.
const mostPoints = 500

// thinned leaves steps out of a long curve, evenly over the days; the last one
// stays.
func thinned(ps []CurvePoint) []CurvePoint {
	if len(ps) <= mostPoints {
		return ps
	}
	out := make([]CurvePoint, 0, mostPoints+1)
	for i := range mostPoints {
		out = append(out, ps[i*len(ps)/mostPoints])
	}
	return append(out, ps[len(ps)-1])
}

func medianSentence(g GroupCurve) string {
	switch {
	case g.Head.Repairs == 0:
		return "There are no repairs to go by."
	case g.Median.Value != nil:
		return fmt.Sprintf("Half of these repairs have the same fault again after %.0f days.", *g.Median.Value)
	case g.Tenth.Value != nil:
		return fmt.Sprintf("A tenth of these repairs has the same fault again after %.0f days; half of them never had it for as long as they were followed.", *g.Tenth.Value)
	}
	return fmt.Sprintf("Fewer than a tenth of these %d repairs had the same fault again for as long as they were followed.", g.Head.Repairs)
}

// RepeatPoint is the mean number of faults a unit has had by a day.
type RepeatPoint struct {
	Day    int      `json:"day"`
	AtRisk int      `json:"at_risk"`
	Mean   float64  `json:"mean"`
	Low    *float64 `json:"low,omitempty"`
	High   *float64 `json:"high,omitempty"`
	Small  bool     `json:"small" doc:"Fewer than ten units at risk: do not lean on it."`
}

// Repeats answers how many more repairs a unit needs once we know it.
type Repeats struct {
	Head
	Variance string        `json:"variance"`
	Points   []RepeatPoint `json:"points"`
	Yearly   Figure        `json:"per_unit_and_year" doc:"Over the last third of the time followed."`
}

// Repeats gives the mean number of further faults per unit since the first
// repair: the first brought the unit to us and says nothing.
func (s *Service) Repeats(ctx context.Context, p domain.Principal, f Filter) (Repeats, error) {
	return Ask(ctx, s, p, "repeats", f, (*asking).repeats)
}

// watch is one unit since its first repair.
type watch struct {
	from   domain.Date
	first  domain.ID // the call that began it
	to     int
	events []int
}

// watches follows each unit from its first repair to the data cut, or as long
// as it was in use. Faults mended on one day count each.
func (a *asking) watches() []watch {
	of := map[domain.ID]*watch{}
	var order []domain.ID
	for _, r := range a.repairs { // by the day of the repair
		w := of[r.UnitID]
		if w == nil {
			w = &watch{from: r.FixedOn, first: r.CallID}
			of[r.UnitID] = w
			order = append(order, r.UnitID)
		} else if r.CallID != w.first { // what came back on the same day is day 1
			w.events = append(w.events, max(1, dayCount(w.from, r.FixedOn)))
		}
		end := a.cut
		if r.Cause == Lasts && !r.EndedOn.IsZero() && r.EndedOn.Before(end) {
			end = r.EndedOn // the unit went out of use
		}
		w.to = dayCount(w.from, end)
	}
	out := make([]watch, 0, len(order))
	for _, id := range order {
		if w := of[id]; w.to > 0 {
			w.events = slices.DeleteFunc(w.events, func(d int) bool { return d > w.to })
			out = append(out, *w)
		}
	}
	return out
}

func dayCount(from, to domain.Date) int { return int(to.Time().Sub(from.Time()).Hours() / 24) }

func (a *asking) repeats() Repeats {
	var hs []survival.History
	for _, w := range a.watches() {
		hs = append(hs, survival.History{To: w.to, Events: w.events})
	}
	m := survival.MeanCumulative(hs, Level)
	out := Repeats{Head: Head{Units: m.Units, Repairs: len(a.repairs), Events: m.Events, ExposureDays: m.Exposure, AtRisk: m.Units, DataCutOn: a.cut, Level: Level,
		Method: "mean cumulative function since the first repair of each unit, which is not counted", Status: string(m.Status)},
		Variance: m.Variance, Points: []RepeatPoint{}, Yearly: bare(m.YearlySlope)}
	for _, s := range m.Steps {
		if s.Events > 0 {
			out.Points = append(out.Points, RepeatPoint{s.Day, s.AtRisk, s.MCF, ptr(s.Interval.Lo), ptr(s.Interval.Hi), s.Small})
		}
	}
	switch {
	case m.Status != survival.OK:
		out.Sentence = "There are no units to go by."
	case out.Yearly.Value == nil:
		out.Sentence = fmt.Sprintf("%d units had %d further repairs: too few to give a yearly figure.", m.Units, m.Events)
	default:
		out.Sentence = fmt.Sprintf("A unit we have repaired needs about %.2g further repairs a year.", *out.Yearly.Value)
	}
	return out
}
