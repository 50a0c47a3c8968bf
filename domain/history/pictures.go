package history

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"drumline/domain"
	"drumline/domain/history/figure"
	"drumline/domain/history/survival"
)

// Picture draws the answer to a question as SVG, from the same rows and by the
// same numerics as the answer itself. by chooses groups where the question has
// them. A question that has no picture is Absent.
func (s *Service) Picture(ctx context.Context, p domain.Principal, question string, f Filter, by string) ([]byte, error) {
	draw, ok := pictures[question]
	if !ok {
		return nil, domain.Absent()
	}
	a, err := s.gather(ctx, p, f, question)
	if err != nil {
		return nil, err
	}
	return draw(a, by), nil
}

// gather brings up to date and reads what a question rests on.
func (s *Service) gather(ctx context.Context, p domain.Principal, f Filter, question string) (*asking, error) {
	if err := forOwner(p); err != nil {
		return nil, err
	}
	if err := s.settled(ctx, p); err != nil {
		return nil, err
	}
	cut, _, err := s.today(ctx, p)
	if err != nil {
		return nil, err
	}
	a := &asking{filter: f, cut: cut}
	return a, s.load(ctx, p, a, aboutCalls[question])
}

var pictures = map[string]func(a *asking, by string) []byte{
	"come-backs":        (*asking).drawIncidence,
	"time-to-come-back": (*asking).drawCurves,
	"repeats":           (*asking).drawRepeats,
	"part-life":         (*asking).drawLife,
	"trend":             (*asking).drawChart,
	"ranking":           (*asking).drawFunnel,
	"pareto":            (*asking).drawPareto,
}

func (a *asking) drawIncidence(string) []byte {
	return figure.Incidence(figure.Labels{Title: "What share of our calls comes back, and about what", X: "days since the call was closed", Y: "share of calls", Level: Level},
		survival.CumulativeIncidence(a.callRows(), Level), []string{"the same complaint", "another complaint"})
}

func (a *asking) drawCurves(by string) []byte {
	groups := []figure.NamedCurve{{Name: "all", Curve: survival.KaplanMeier(a.repairRows(nil), Same, Level, survival.LogLog)}}
	if by != "" {
		groups = nil
		rows := a.rowsBy(by)
		for _, g := range a.groups(by, mostGroups) {
			groups = append(groups, figure.NamedCurve{Name: spoken(g), Curve: survival.KaplanMeier(rows[g], Same, Level, survival.LogLog)})
		}
	}
	return figure.Curve(figure.Labels{Title: "How soon the same fault comes back", X: "days since the repair", Y: "share not come back", Level: Level}, groups)
}

func (a *asking) drawRepeats(string) []byte {
	var hs []survival.History
	for _, w := range a.watches() {
		hs = append(hs, survival.History{To: w.to, Events: w.events})
	}
	return figure.MeanCumulative(figure.Labels{Title: "Further repairs of a unit since its first", X: "days since the first repair", Y: "repairs per unit", Level: Level},
		[]figure.NamedMCF{{Name: "all units", MCF: survival.MeanCumulative(hs, Level)}})
}

// drawLife draws the part fitted most of those whose life could be told, else
// the one fitted most.
func (a *asking) drawLife(by string) []byte {
	answer := a.partLife(by)
	l := figure.Labels{Title: "How long a fitted part lasts", X: "days since it was fitted", Y: "share failed", Level: Level}
	if len(answer.Parts) == 0 {
		return figure.WeibullPlot(l, survival.FitWeibull(nil, Level), nil)
	}
	i := max(0, slices.IndexFunc(answer.Parts, func(p PartLife) bool { return p.fit.Status == survival.OK }))
	l.Title = "How long it lasts: " + answer.Parts[i].Name
	return figure.WeibullPlot(l, answer.Parts[i].fit, answer.Parts[i].lives)
}

// drawChart draws the chart that has rung most, else the one with most repairs.
func (a *asking) drawChart(string) []byte {
	charts := a.charts()
	l := figure.Labels{Title: "Does a part come back more often than it did?", X: "repairs, in the order in which their end became known", Y: "cusum"}
	if len(charts) == 0 {
		return figure.Cusum(l, survival.Cusum{}, nil)
	}
	c := slices.MaxFunc(charts, func(x, y Chart) int {
		if x.Alarms != y.Alarms {
			return x.Alarms - y.Alarms
		}
		return x.Repairs - y.Repairs
	})
	l.Title = fmt.Sprintf("Does it come back more often? %s, %s", spoken(c.Part), spoken(c.Kind))
	points := make([]survival.ChartPoint, len(c.Points))
	for i, p := range c.Points {
		points[i] = survival.ChartPoint{C: p.C, Alarm: p.Alarm}
	}
	return figure.Cusum(l, survival.Cusum{K: c.K, H: c.H, Reset: true}, points)
}

func (a *asking) drawFunnel(by string) []byte {
	r := a.ranking(orDefault(by, "part"))
	var groups []figure.FunnelGroup
	for _, g := range r.Groups {
		groups = append(groups, figure.FunnelGroup{Name: spoken(g.Name), Events: g.Events, Repairs: int(g.Repairs + 0.5)})
	}
	shop := 0.0
	if r.Shop.Value != nil {
		shop = *r.Shop.Value
	}
	return figure.Funnel(figure.Labels{Title: "Who or what stands out from the shop", X: "repairs (effective)", Y: fmt.Sprintf("share back within %d days", r.Days), Level: Level}, shop, groups)
}

func (a *asking) drawPareto(by string) []byte {
	answer, rows := a.paretoOf(orDefault(by, "fault"), "repair")
	for i := range rows.Items {
		rows.Items[i].Name = spoken(rows.Items[i].Name)
	}
	rows.Items = rows.Items[:min(len(rows.Items), 12)]
	return figure.Pareto(figure.Labels{Title: "What comes back most", X: "returns", Y: "per " + answer.Per, Level: Level}, rows)
}

func orDefault(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

// spoken shows a code as words.
func spoken(code string) string { return strings.ReplaceAll(code, "_", " ") }

// Quarter is a printable report: what three months brought, and the answers of
// all repairs up to their end with their pictures.
type Quarter struct {
	From, Until domain.Date
	Months      ComeBacks // of the calls closed in the three months
	Summary     Summary
	ComeBacks   ComeBacks
	Pareto      Pareto
	Ranking     Ranking
	Parts       PartLives
	Pictures    map[string][]byte // by question
}

// ReadQuarter gives the report of the three months that end with a day; zero is
// the last whole day. What happened to these repairs until the data cut counts.
func (s *Service) ReadQuarter(ctx context.Context, p domain.Principal, until domain.Date) (Quarter, error) {
	cut, _, err := s.today(ctx, p)
	if err != nil {
		return Quarter{}, err
	}
	if until.IsZero() {
		until = cut
	}
	q := Quarter{From: domain.DateOf(until.AddMonths(-3).Time().AddDate(0, 0, 1)), Until: until, Pictures: map[string][]byte{}}
	months, err := s.gather(ctx, p, Filter{From: q.From, Until: q.Until}, "summary")
	if err != nil {
		return q, err
	}
	q.Months = months.comeBacks()
	a, err := s.gather(ctx, p, Filter{Until: q.Until}, "summary") // three months are too short for most
	if err != nil {
		return q, err
	}
	q.Summary, q.ComeBacks, q.Pareto, q.Ranking = a.summary(), a.comeBacks(), a.pareto("fault", "repair"), a.ranking("part")
	for name, draw := range pictures {
		if name != "part-life" { // it leaves out what fitted nothing: last
			q.Pictures[name] = draw(a, "")
		}
	}
	q.Pictures["part-life"], q.Parts = a.drawLife("part_number"), a.partLife("part_number")
	return q, nil
}
