package history

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"drumline/domain"
	"drumline/domain/history/survival"
)

// PartLife is how long the parts of one number, source and lot last.
type PartLife struct {
	Name    string `json:"name"`
	Head    Head   `json:"head"`
	Shape   Figure `json:"shape" doc:"Of the Weibull life: below 1 early failures, above 1 wear; only p_shape_is_one decides."`
	Scale   Figure `json:"scale_days"`
	Tenth   Figure `json:"b10_days" doc:"Day by which a tenth has failed."`
	Beyond  bool   `json:"b10_extrapolated" doc:"Longer than anything was followed: a guess."`
	P       Figure `json:"p_shape_is_one" doc:"That the failures are as even as chance."`
	AtLeast Figure `json:"mean_days_at_least" doc:"With no failure: the mean life is above this with 95 %, if failures come evenly."`

	fit   survival.Weibull
	lives []survival.Life
}

// PartLives answers how long parts last.
type PartLives struct {
	Head
	By    string     `json:"by"`
	Parts []PartLife `json:"parts" doc:"Most fitted first."`
}

// mostParts is how many parts are shown: those fitted most.
const mostParts = 20

// PartLife gives the lives of fitted parts by number, source or lot. A part
// fails when the same fault comes back; everything else only ends the watch.
func (s *Service) PartLife(ctx context.Context, p domain.Principal, f Filter, by string) (PartLives, error) {
	return Ask(ctx, s, p, "part-life "+by, f, func(a *asking) PartLives { return a.partLife(by) })
}

func (a *asking) partLife(by string) PartLives {
	a.repairs = slices.DeleteFunc(a.repairs, func(r RepairRow) bool { return r.PartNumber == "" })
	out := PartLives{Head: a.head(a.repairRows(nil), Same, "weibull life by maximum likelihood, right censored; profile limits"), By: by, Parts: []PartLife{}}
	names, rows := a.partRows(by)
	for _, name := range names {
		out.Parts = append(out.Parts, a.life(name, rows[name]))
	}
	out.Sentence = partsSentence(&out)
	return out
}

// partKey is what a part is told from others by: number, source and lot, as far
// as asked.
func partKey(r *RepairRow, by string) [3]string {
	switch by {
	case "part_source":
		return [3]string{r.PartNumber, r.PartSource}
	case "lot":
		return [3]string{r.PartNumber, r.PartSource, "lot " + cmp.Or(r.Lot, "not known")}
	}
	return [3]string{r.PartNumber}
}

// partRows gives the rows of the parts fitted most, by name, most first.
func (a *asking) partRows(by string) (names []string, rows map[string][]survival.Row) {
	of, units := map[[3]string][]survival.Row{}, unitNumbers{}
	for i := range a.repairs {
		r := &a.repairs[i]
		if exit, cause, ok := days(r.FixedOn, r.EndedOn, r.Cause, a.cut); ok {
			key := partKey(r, by)
			of[key] = append(of[key], survival.Row{Exit: exit, Cause: cause, Unit: units.of(r.UnitID)})
		}
	}
	rows = map[string][]survival.Row{}
	for key, rs := range of {
		name := strings.TrimRight(strings.Join(key[:], ", "), ", ")
		rows[name] = rs
		names = append(names, name)
	}
	slices.SortFunc(names, func(x, y string) int { return cmp.Or(cmp.Compare(len(rows[y]), len(rows[x])), cmp.Compare(x, y)) })
	return names[:min(mostParts, len(names))], rows
}

func (a *asking) life(name string, rows []survival.Row) PartLife {
	l := PartLife{Name: name, Head: a.head(rows, Same, "weibull, profile limits")}
	for _, r := range rows {
		l.lives = append(l.lives, survival.Life{Entry: float64(r.Entry), Exit: float64(r.Exit), Failed: r.Cause == Same})
	}
	w := survival.FitWeibull(l.lives, Level)
	l.fit, l.Head.Status = w, string(w.Status)
	missing := Figure{Status: string(w.Status)}
	l.Shape, l.Scale, l.Tenth, l.P, l.AtLeast = missing, missing, missing, bare(w.ShapeIsOne.P), bare(w.AtLeastIfExponential)
	if w.Status == survival.OK {
		l.Shape, l.Scale, l.Tenth, l.Beyond = fitted(w.Shape), fitted(w.Scale), fitted(w.B10.Fitted), w.B10.Extrapolated
	}
	l.Head.Sentence = lifeSentence(l)
	return l
}

func fitted(f survival.Fitted) Figure {
	v := f.Value
	return Figure{&v, ptr(f.Profile.Lo), ptr(f.Profile.Hi), string(survival.OK)}
}

func lifeSentence(l PartLife) string {
	switch {
	case l.Head.Events == 0:
		return fmt.Sprintf("None of the %d fitted has failed so far.", l.Head.Repairs)
	case survival.Status(l.Head.Status) != survival.OK:
		return fmt.Sprintf("%d of %d failed: too few to say how long they last.", l.Head.Events, l.Head.Repairs)
	case l.Beyond:
		return fmt.Sprintf("A tenth may fail within about %.0f days, which is longer than any was followed: a guess.", *l.Tenth.Value)
	}
	return fmt.Sprintf("A tenth fails within about %.0f days.", *l.Tenth.Value)
}

func partsSentence(out *PartLives) string {
	if len(out.Parts) == 0 {
		out.Status = string(survival.Undefined)
		return "No part that was fitted is on record with its number."
	}
	first := out.Parts[0]
	return fmt.Sprintf("Most fitted is %s. %s", first.Name, first.Head.Sentence)
}

// Trend answers whether it is getting better or worse.
type Trend struct {
	Head
	Laplace       Figure  `json:"laplace_u" doc:"Above 0: faults come later in each unit's time, which is worse."`
	LaplaceP      Figure  `json:"laplace_p"`
	MILHDBK       Figure  `json:"power_law_chi_square"`
	MILHDBKP      Figure  `json:"power_law_p"`
	LewisRobinson Figure  `json:"lewis_robinson_u" doc:"Laplace's figure guarded against clusters."`
	Shape         Figure  `json:"power_law_shape" doc:"Above 1: worse."`
	Direction     string  `json:"direction" doc:"worse, better or no_evidence."`
	Charts        []Chart `json:"charts" doc:"Has a part on a kind of machine begun to come back more often? One chart for each."`
	FalseAlarms   float64 `json:"false_alarms_a_year" doc:"So many alarms a year are to be expected over all charts when nothing is wrong."`
}

// Chart is a CUSUM of repairs of one part of a kind: 1 for one that came back
// within 90 days, in the order in which that became known.
type Chart struct {
	Part    string       `json:"part"`
	Kind    string       `json:"kind"`
	Repairs int          `json:"repairs"`
	Events  int          `json:"events"`
	Good    float64      `json:"good_share" doc:"The shop's own share, which is taken for good."`
	Bad     float64      `json:"bad_share" doc:"Twice as many."`
	K       float64      `json:"k"`
	H       float64      `json:"h"`
	Points  []ChartPoint `json:"points"`
	Alarms  int          `json:"alarms"`
	Status  string       `json:"status"`
}

// ChartPoint is the chart after one repair has become known.
type ChartPoint struct {
	KnownOn domain.Date `json:"known_on"`
	C       float64     `json:"c"`
	Alarm   bool        `json:"alarm,omitempty"`
}

// falseAlarms is how many alarms a year over all charts are borne when nothing
// is wrong (judgement, no source).
const falseAlarms = 1.0

// fewestForAChart is how many repairs a chart needs (judgement, no source).
const fewestForAChart = 20

// Trend tests each unit's own time since its first repair, and watches parts.
func (s *Service) Trend(ctx context.Context, p domain.Principal, f Filter) (Trend, error) {
	return Ask(ctx, s, p, "trend", f, (*asking).trend)
}

func (a *asking) trend() Trend {
	var ws []survival.Window
	exposure, events := 0, 0
	for _, w := range a.watches() {
		v := survival.Window{To: float64(w.to)}
		for _, e := range w.events {
			v.Events = append(v.Events, float64(e))
		}
		exposure, events = exposure+w.to, events+len(w.events)
		ws = append(ws, v)
	}
	t, law := survival.TestTrend(ws, Level), survival.FitPowerLaw(ws, Level)
	out := Trend{Head: Head{Units: len(ws), Repairs: len(a.repairs), Events: events, ExposureDays: exposure, AtRisk: len(ws), DataCutOn: a.cut, Level: Level,
		Method: "each unit's own time since its first repair, which is not counted; laplace guarded by lewis-robinson, power law beside it", Status: string(t.Status)},
		Laplace: bare(t.Laplace), LaplaceP: bare(t.LaplaceP), MILHDBK: bare(t.MILHDBK), MILHDBKP: bare(t.MILHDBKP), LewisRobinson: bare(t.LewisRobinson),
		Shape: Figure{Status: string(law.Status)}, Direction: string(t.Direction), FalseAlarms: falseAlarms}
	if law.Status == survival.OK {
		v := law.Shape
		out.Shape = Figure{&v, ptr(law.ShapeLimits.Lo), ptr(law.ShapeLimits.Hi), string(survival.OK)}
	}
	out.Charts = a.charts()
	out.Sentence = trendSentence(out)
	return out
}

func trendSentence(t Trend) string {
	text := map[string]string{string(survival.Worse): "Repeat repairs are coming faster than they did.", string(survival.Better): "Repeat repairs are coming more slowly than they did.",
		string(survival.NoEvidence): "There is no evidence that repeat repairs come faster or more slowly."}[t.Direction]
	if survival.Status(t.Status) != survival.OK {
		text = fmt.Sprintf("%d repeat repairs are too few to see a trend.", t.Events)
	}
	for _, c := range t.Charts {
		if c.Alarms > 0 && c.Points[len(c.Points)-1].Alarm {
			text += fmt.Sprintf(" The chart of %s on %s rings now.", c.Part, c.Kind)
		}
	}
	return text
}

// known is a repair whose first 90 days are over.
type known struct {
	on   domain.Date
	back bool
}

// charts watches each part of a kind that has been mended often enough.
func (a *asking) charts() []Chart {
	horizon := Horizons[len(Horizons)-1]
	of := map[[2]string][]known{}
	all, back := 0, 0
	for _, r := range a.repairs {
		b, ok := a.matured(r, horizon)
		if !ok {
			continue
		}
		k := known{on: domain.DateOf(r.FixedOn.Time().AddDate(0, 0, horizon)), back: b}
		back += one(b)
		all++
		key := [2]string{r.Kind, r.Part}
		of[key] = append(of[key], k)
	}
	var keys [][2]string
	for key, ks := range of {
		if len(ks) >= fewestForAChart {
			keys = append(keys, key)
		}
	}
	slices.SortFunc(keys, func(x, y [2]string) int { return cmp.Or(cmp.Compare(x[0], y[0]), cmp.Compare(x[1], y[1])) })
	out := []Chart{}
	for _, key := range keys {
		out = append(out, chart(key, of[key], back, all, len(keys), a))
	}
	return out
}

// chart draws one chart, so that all together ring falsely as seldom as said.
func chart(key [2]string, ks []known, back, all, charts int, a *asking) Chart {
	slices.SortStableFunc(ks, func(x, y known) int { return cmp.Compare(dayNumber(x.on), dayNumber(y.on)) })
	good := (float64(back) + 0.5) / (float64(all) + 1) // half a repair: no share is nothing
	c := Chart{Kind: key[0], Part: key[1], Repairs: len(ks), Good: good, Bad: min(2*good, 0.95), Points: []ChartPoint{}}
	years := max(1, float64(dayCount(ks[0].on, a.cut))/365)
	choice := survival.ChooseBernoulli(c.Good, c.Bad, survival.Alarms{Charts: charts, Observations: max(1, float64(len(ks))/years), FalseAlarms: falseAlarms})
	if c.Status = string(choice.Status); choice.Status != survival.OK {
		return c
	}
	c.K, c.H = choice.K, choice.H
	xs := make([]survival.Observation, len(ks))
	for i, k := range ks {
		if xs[i].Exposure = 1; k.back {
			xs[i].Events = 1
			c.Events++
		}
	}
	for i, p := range (survival.Cusum{K: c.K, H: c.H, Reset: true}).Run(xs) {
		c.Points = append(c.Points, ChartPoint{ks[i].on, p.C, p.Alarm})
		if p.Alarm {
			c.Alarms++
		}
	}
	return c
}
