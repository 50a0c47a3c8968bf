package history

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"

	"drumline/domain"
	"drumline/domain/history/survival"
)

// RankedGroup is one part, source, model or tech beside the shop.
type RankedGroup struct {
	Name     string  `json:"name"`
	Events   int     `json:"events"`
	Repairs  float64 `json:"effective_repairs" doc:"As many fully followed repairs as theirs are worth."`
	Raw      Figure  `json:"raw" doc:"On few repairs mostly luck."`
	Share    Figure  `json:"share" doc:"Drawn towards the shop's by how few they are (empirical Bayes)."`
	PWorse   Figure  `json:"p_worse" doc:"Probability that the true share is above the shop's. The order is by it."`
	Low95    float64 `json:"funnel_low_95"`
	High95   float64 `json:"funnel_high_95"`
	Low998   float64 `json:"funnel_low_998"`
	High998  float64 `json:"funnel_high_998"`
	Outside  bool    `json:"outside_998" doc:"Of the exact limits around the shop's share: worth a look."`
	Adjusted *Figure `json:"against_expected,omitempty" doc:"Of a tech: come-backs over those expected on the same work (same model and fault); 1 is as good as the shop."`
	Expected float64 `json:"expected,omitempty"`
}

// Ranking answers who or what stands out.
type Ranking struct {
	Head
	By     string        `json:"by"`
	Days   int           `json:"within_days"`
	Shop   Figure        `json:"shop_share"`
	Prior  string        `json:"prior" doc:"How far the groups differ at all."`
	Groups []RankedGroup `json:"groups"`
}

// sureToBeWorse is from which probability on a group is spoken of (judgement,
// no source).
const sureToBeWorse = 0.9

// Ranking ranks groups by the probability of being worse than the shop. A group
// of one never tops it by luck.
func (s *Service) Ranking(ctx context.Context, p domain.Principal, f Filter, by string) (Ranking, error) {
	return Ask(ctx, s, p, "ranking "+by, f, func(a *asking) Ranking { return a.ranking(by) })
}

func (a *asking) ranking(by string) Ranking {
	horizon := Horizons[len(Horizons)-1]
	all := a.repairRows(nil)
	shop := survival.RepeatWithin(all, Same, horizon, Level)
	out := Ranking{Head: a.head(all, Same, "share back within 90 days; beta-binomial empirical bayes on effective repairs; exact funnel limits"), By: by, Days: horizon,
		Shop: limited(shop.F, shop.Interval), Groups: []RankedGroup{}}
	out.Status, out.AtRisk = string(shop.Status), shop.AtRisk
	var gs []survival.Group
	rows, old := a.rowsBy(by), a.oldEnough(by, horizon)
	for _, name := range slices.Sorted(maps.Keys(rows)) {
		g := old[name]
		g.Name = name
		if g, ok := followed(g, rows[name], horizon); ok {
			gs = append(gs, g)
		}
	}
	r := survival.RankShares(gs, Level)
	out.Prior = string(r.Prior.Kind)
	for _, g := range r.Groups {
		out.Groups = append(out.Groups, a.ranked(g, r.Prior.Rate, by, horizon))
	}
	out.Sentence = rankSentence(&out, shop.Status)
	return out
}

// followed is a group's events by the horizon and the repairs they are out of:
// the effective number where the curve reaches so far, so that a young repair
// is not taken for a good one; else only those old enough, good or bad.
func followed(old survival.Group, rows []survival.Row, horizon int) (survival.Group, bool) {
	r := survival.RepeatWithin(rows, Same, horizon, Level)
	if r.Status == survival.OK && r.EffectiveN.OK() && r.F.OK() && r.F.Value > 0 && r.F.Value < 1 {
		return survival.Group{Name: old.Name, Events: r.F.Value * r.EffectiveN.Value, Size: r.EffectiveN.Value}, true
	}
	return old, old.Size > 0
}

// oldEnough counts the repairs of each group that are old enough to tell.
func (a *asking) oldEnough(by string, horizon int) map[string]survival.Group {
	out := map[string]survival.Group{}
	for _, r := range a.repairs {
		if back, ok := a.matured(r, horizon); ok {
			g := out[a.by(r, by)]
			g.Size++
			g.Events += float64(one(back))
			out[a.by(r, by)] = g
		}
	}
	return out
}

func (a *asking) ranked(g survival.Ranked, shop float64, by string, horizon int) RankedGroup {
	mean := g.Mean
	out := RankedGroup{Name: g.Name, Events: int(g.Events + 0.5), Repairs: g.Size, Raw: bare(g.Raw), Share: Figure{&mean, ptr(g.Interval.Lo), ptr(g.Interval.Hi), string(survival.OK)},
		PWorse: bare(g.PWorse)}
	f := survival.FunnelLimits(shop, max(1, int(g.Size+0.5)))
	out.Low95, out.High95, out.Low998, out.High998 = f.Lo95.Share, f.Hi95.Share, f.Lo998.Share, f.Hi998.Share
	if g.Raw.OK() {
		out.Outside = g.Raw.Value < out.Low998 || g.Raw.Value > out.High998
	}
	if by == "tech" {
		s := survival.Standardise(a.mix(g.Name, horizon), Level)
		adjusted := limited(s.Ratio, s.Interval)
		out.Adjusted, out.Expected = &adjusted, s.Expected
	}
	return out
}

// mix is the work of a tech, by model and fault, with the shop's share for the
// same: the hard jobs go to the best.
func (a *asking) mix(tech string, horizon int) []survival.Stratum {
	type work struct{ kind, model, fault string }
	type count struct{ mine, mineBack, all, back int }
	of := map[work]*count{}
	var order []work
	for _, r := range a.repairs {
		back, ok := a.matured(r, horizon)
		if !ok {
			continue
		}
		w := work{r.Kind, r.Model, r.Fault}
		if of[w] == nil {
			of[w] = &count{}
			order = append(order, w)
		}
		c := of[w]
		c.all++
		c.back += one(back)
		if a.tech(r.TechID) == tech {
			c.mine++
			c.mineBack += one(back)
		}
	}
	var out []survival.Stratum
	for _, w := range order {
		if c := of[w]; c.mine > 0 {
			out = append(out, survival.Stratum{Events: c.mineBack, Repairs: c.mine, ShopShare: float64(c.back) / float64(c.all)})
		}
	}
	return out
}

// matured says whether a repair came back within the horizon; ok is false while
// it is younger, even when it has come back already: to take the young bad ones
// and leave the young good ones out would blame whoever has much recent work. A
// unit that went out of use before is not known either.
func (a *asking) matured(r RepairRow, horizon int) (back, ok bool) {
	if dayCount(r.FixedOn, a.cut) < horizon {
		return false, false
	}
	exit, cause, ok := days(r.FixedOn, r.EndedOn, r.Cause, a.cut)
	early := exit <= horizon
	return early && cause == Same, ok && (cause != Lasts || exit >= horizon)
}

func one(b bool) int {
	if b {
		return 1
	}
	return 0
}

func rankSentence(r *Ranking, status survival.Status) string {
	switch {
	case status != survival.OK || len(r.Groups) == 0:
		return "There is too little to compare."
	case r.Groups[0].PWorse.Value == nil || *r.Groups[0].PWorse.Value < sureToBeWorse:
		return "Nothing stands out: the differences may well be chance."
	}
	g := r.Groups[0]
	return fmt.Sprintf("%s stands out: worse than the shop with a probability of %s (about %s come back, where the shop has %s).",
		g.Name, percent(g.PWorse.Value), percent(g.Share.Value), percent(r.Shop.Value))
}

// ParetoLine is one cause beside the others.
type ParetoLine struct {
	Name     string  `json:"name"`
	Count    int     `json:"count"`
	Share    Figure  `json:"share"`
	CumShare Figure  `json:"cumulative_share"`
	Exposure float64 `json:"exposure"`
	Rate     Figure  `json:"rate"`
	Bayes    Figure  `json:"shrunk_rate" doc:"Drawn towards the rate of all by how little it rests on."`
}

// Pareto answers what keeps the shop busy: volume is not badness.
type Pareto struct {
	Head
	By    string       `json:"by"`
	Per   string       `json:"per" doc:"What the rates are per."`
	Lines []ParetoLine `json:"lines" doc:"By count."`
}

// Pareto counts returns about the same by fault, part or model, beside what
// they are out of: repairs, or days in which they could have come back.
func (s *Service) Pareto(ctx context.Context, p domain.Principal, f Filter, by, per string) (Pareto, error) {
	return Ask(ctx, s, p, "pareto "+by+" "+per, f, func(a *asking) Pareto { return a.pareto(by, per) })
}

func (a *asking) pareto(by, per string) Pareto {
	out, _ := a.paretoOf(by, per)
	return out
}

// paretoOf is pareto with what the numerics gave.
func (a *asking) paretoOf(by, per string) (Pareto, survival.Pareto) {
	out := Pareto{Head: a.head(a.repairRows(nil), Same, "counts of the same fault again; garwood limits; gamma-poisson empirical bayes"), By: by, Lines: []ParetoLine{},
		Per: map[string]string{"repair": "repair", "day": "1000 days followed"}[per]}
	of := map[string]*survival.Cause{}
	for _, r := range a.repairs {
		name := a.by(r, by)
		exit, cause, ok := days(r.FixedOn, r.EndedOn, r.Cause, a.cut)
		if !ok || name == "" {
			continue
		}
		if of[name] == nil {
			of[name] = &survival.Cause{Name: name}
		}
		c := of[name]
		c.Count += one(cause == Same)
		if c.Exposure++; per == "day" {
			c.Exposure += float64(exit)/1000 - 1
		}
	}
	var causes []survival.Cause
	for _, c := range of {
		causes = append(causes, *c)
	}
	slices.SortFunc(causes, func(x, y survival.Cause) int { return cmp.Compare(x.Name, y.Name) })
	p := survival.ParetoOf(causes, Level)
	out.Status = string(p.Status)
	for _, i := range p.Items {
		out.Lines = append(out.Lines, ParetoLine{i.Name, i.Count, bare(i.Share), bare(i.CumShare), i.Exposure, limited(i.Rate.Value, i.Rate.Interval), limited(i.BayesRate, i.BayesInterval)})
	}
	out.Sentence = "Nothing has come back yet."
	if len(out.Lines) > 0 && out.Lines[0].Count > 0 {
		l := out.Lines[0]
		out.Sentence = fmt.Sprintf("Most often it is %s: %d of %d returns. That is volume; the rates say what is bad.", l.Name, l.Count, p.Total)
	}
	return out, p
}

// Summary is the five numbers an owner looks at first.
type Summary struct {
	Head
	Within30   Within `json:"within_30_days"`
	Within90   Within `json:"within_90_days"`
	FirstVisit Figure `json:"first_visit_fixed"`
	FirstSays  string `json:"first_visit_sentence"`
	WorstPart  string `json:"worst_part,omitempty" doc:"Worse than the shop with a probability of 0.9 or more; absent when none is."`
	PartSays   string `json:"worst_part_sentence"`
	Direction  string `json:"direction"`
	TrendSays  string `json:"trend_sentence"`
}

// Summary gives the five numbers; the other questions go deeper.
func (s *Service) Summary(ctx context.Context, p domain.Principal, f Filter) (Summary, error) {
	return Ask(ctx, s, p, "summary", f, (*asking).summary)
}

func (a *asking) summary() Summary {
	var c ComeBacks
	var r Ranking
	var t Trend
	atOnce(func() { c = a.comeBacks() }, func() { r = a.ranking("part") }, func() { t = a.trend() })
	out := Summary{Head: c.Head, Within30: c.Calls[0], Within90: c.Calls[1], FirstVisit: c.FirstVisit, PartSays: r.Sentence, Direction: t.Direction, TrendSays: t.Sentence}
	out.FirstSays = "No call says how many visits it took."
	if c.FirstVisit.Value != nil {
		out.FirstSays = fmt.Sprintf("%s of the calls were put right on the first visit.", percent(c.FirstVisit.Value))
	}
	if len(r.Groups) > 0 && r.Groups[0].PWorse.Value != nil && *r.Groups[0].PWorse.Value >= sureToBeWorse {
		out.WorstPart = r.Groups[0].Name
	}
	return out
}
