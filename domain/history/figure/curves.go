package figure

import (
	"fmt"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"drumline/domain/history/survival"
)

// NamedCurve is the curve of one group.
type NamedCurve struct {
	Name  string
	Curve survival.Curve
}

// Curve draws Kaplan-Meier curves of up to 6 groups with the limits of each
// step, and below the axis how many are still followed. Short strokes across a
// line are days on which the follow-up of a repair ended without an event; they
// are left out where there are more than 40.
func Curve(l Labels, groups []NamedCurve) []byte {
	s := newSheet("curve", "Kaplan-Meier curves: the share that has not come back, by the day since the repair.", l)
	var ends [][]Point
	for _, g := range groups {
		x := Series{Name: clean(g.Name), Kind: Steps, Status: g.Curve.Status}
		var censored []Point
		if g.Curve.Status == survival.OK {
			x.Points = []Point{{X: 0, Y: 1, AtRisk: g.Curve.N}}
		}
		for _, step := range g.Curve.Steps {
			p := Point{X: float64(step.Day), Y: step.S, AtRisk: step.AtRisk, Lo: number(step.Interval.Lo), Hi: number(step.Interval.Hi)}
			x.Points = append(x.Points, p)
			if step.Censored > 0 {
				censored = append(censored, p)
			}
		}
		s.drawn.Series = append(s.drawn.Series, x)
		ends = append(ends, censored)
	}
	return s.steps(l.Level, 1, ends)
}

// NamedMCF is the mean cumulative function of one group.
type NamedMCF struct {
	Name string
	MCF  survival.MCF
}

// MeanCumulative draws the mean number of failures per unit of up to 6 groups.
// Where fewer than 10 units are at risk the line is thin and light.
func MeanCumulative(l Labels, groups []NamedMCF) []byte {
	s := newSheet("mean_cumulative", "Mean cumulative functions: failures per unit, by the day of its watch.", l)
	small := false
	for _, g := range groups {
		x := Series{Name: clean(g.Name), Kind: Steps, Status: g.MCF.Status}
		if g.MCF.Status == survival.OK && len(g.MCF.Steps) == 0 {
			x.Status = survival.TooFew
		}
		if len(g.MCF.Steps) > 0 {
			x.Points = []Point{{AtRisk: g.MCF.Steps[0].AtRisk}}
		}
		for _, step := range g.MCF.Steps {
			small = small || step.Small
			x.Points = append(x.Points, Point{X: float64(step.Day), Y: step.MCF, AtRisk: step.AtRisk, Marked: step.Small,
				Lo: number(step.Interval.Lo), Hi: number(step.Interval.Hi)})
		}
		s.drawn.Series = append(s.drawn.Series, x)
	}
	if small {
		s.drawn.Notes = append(s.drawn.Notes, "The thin end of a line rests on fewer than 10 units.")
	}
	return s.steps(l.Level, 0, nil)
}

// Incidence draws the share that each cause has struck first. The causes are
// named in the order of their numbers; one that has no name is called by its
// number.
func Incidence(l Labels, c survival.Competing, causes []string) []byte {
	s := newSheet("incidence", "Cumulative incidence: the share struck first by each cause. The shares add up.", l)
	count := len(c.Events)
	if c.Status != survival.OK || count == 0 {
		s.drawn.Series = []Series{{Name: s.labels.Title, Kind: Steps, Status: c.Status}}
		if c.Status == survival.OK {
			s.drawn.Series[0].Status = survival.TooFew
		}
		return s.steps(0, 1, nil)
	}
	for k := range count {
		name := fmt.Sprintf("cause %d", k+1)
		if k < len(causes) {
			name = clean(causes[k])
		}
		x := Series{Name: name, Kind: Steps, Status: c.Status, Points: []Point{{AtRisk: c.N}}}
		for _, step := range c.Steps {
			x.Points = append(x.Points, Point{X: float64(step.Day), Y: step.CIF[k], AtRisk: step.AtRisk})
		}
		s.drawn.Series = append(s.drawn.Series, x)
	}
	return s.steps(0, 0, nil)
}

// steps draws the series as step lines over days. Shares that end at 1 have
// top 1; else the axis ends above the largest value. ends are marks on the
// lines, by series.
func (s *sheet) steps(level, top float64, ends [][]Point) []byte {
	if refusal, ok := s.ready(); !ok {
		return refusal
	}
	if len(s.drawn.Series) > maxGroups {
		return s.refuse(survival.Undefined, fmt.Sprintf("%d lines cannot be told apart: choose at most %d.", len(s.drawn.Series), maxGroups))
	}
	days, banded := s.extent(&top)
	p := axes(s.labels, 0, days, 0, top)
	if s.drawn.Figure != "mean_cumulative" {
		p.Y.Tick.Marker = marks(nice(0, top, 6, percent))
	}
	for i, x := range s.drawn.Series {
		s.addSteps(p, patterns[i], x, i)
	}
	if banded {
		s.keys = append(s.keys, bandKey(limitsName(level), patterns[0]))
	}
	s.censored(p, ends)
	s.frames = []*plot.Plot{p}
	return s.svg()
}

// extent is the last day and whether any series has limits; it raises top.
func (s *sheet) extent(top *float64) (days float64, banded bool) {
	largest := 0.0
	for _, x := range s.drawn.Series {
		for _, p := range x.Points {
			days, largest = max(days, p.X), max(largest, p.Y)
			if p.Hi != nil {
				banded, largest = true, max(largest, min(*p.Hi, 3*p.Y))
			}
		}
	}
	if *top == 0 {
		*top = upTo(largest)
	}
	return max(days, 1), banded
}

// addSteps adds one line, its key and its row of numbers at risk.
func (s *sheet) addSteps(p *plot.Plot, pat pattern, x Series, i int) {
	name := x.Name
	if x.Status != survival.OK {
		name += ": nothing to draw (" + string(x.Status) + ")"
	}
	s.keys = append(s.keys, lineKey(name, pat.line()))
	if x.Status != survival.OK {
		return
	}
	if s.drawn.Figure != "incidence" {
		s.risk = append(s.risk, riskRow{pat, x.Points})
	} else if i == 0 {
		// All causes share the same rows; the one line of numbers has no pattern.
		s.risk = []riskRow{{pattern{}, x.Points}}
	}
	p.Add(painter(func(c draw.Canvas, p *plot.Plot) {
		bands(c, p, pat, x.Points)
		strong, weak := split(x.Points)
		xs, ys := staircase(strong, func(q Point) float64 { return q.Y })
		stroke(c, p, pat.line(), xs, ys)
		light := pat.line()
		light.Width = 0.6
		xs, ys = staircase(weak, func(q Point) float64 { return q.Y })
		stroke(c, p, light, xs, ys)
	}))
}

// split parts a line where its marked, weak end begins; both share that point.
func split(points []Point) (strong, weak []Point) {
	for i, p := range points {
		if p.Marked {
			return points[:i+1], points[i:]
		}
	}
	return points, nil
}

// staircase are the corners of a line that holds its value up to the next step.
func staircase(points []Point, value func(Point) float64) (xs, ys []float64) {
	for i, p := range points {
		if i > 0 {
			xs, ys = append(xs, p.X), append(ys, ys[len(ys)-1])
		}
		xs, ys = append(xs, p.X), append(ys, value(p))
	}
	return xs, ys
}

// bands shades between the limits, wherever both are there.
func bands(c draw.Canvas, p *plot.Plot, pat pattern, points []Point) {
	for start := 0; start < len(points); {
		end := start
		for end < len(points) && points[end].Lo != nil && points[end].Hi != nil {
			end++
		}
		if end > start {
			// The last step's limits hold up to the next one.
			run := points[start:end:end]
			if end < len(points) {
				last := run[len(run)-1]
				last.X = points[end].X
				run = append(run, last)
			}
			band(c, p, pat, run)
		}
		start = end + 1
	}
}

func band(c draw.Canvas, p *plot.Plot, pat pattern, run []Point) {
	xs, lo := staircase(run, func(q Point) float64 { return *q.Lo })
	_, hi := staircase(run, func(q Point) float64 { return *q.Hi })
	fill(c, p, pat, xs, lo, hi)
	stroke(c, p, pat.edge(), xs, lo)
	stroke(c, p, pat.edge(), xs, hi)
}

// maxEnds is how many marks on a line can be told apart.
const maxEnds = 40

// censored marks the days on which a follow-up ended.
func (s *sheet) censored(p *plot.Plot, ends [][]Point) {
	shown := false
	for i, points := range ends {
		if len(points) > maxEnds || len(points) == 0 {
			continue
		}
		shown = true
		p.Add(painter(func(c draw.Canvas, p *plot.Plot) {
			for _, q := range points {
				at := place(c, p, []float64{q.X}, []float64{q.Y})[0]
				c.StrokeLine2(draw.LineStyle{Color: patterns[i].ink, Width: 0.9}, at.X, at.Y-3, at.X, at.Y+3)
			}
		}))
	}
	if shown {
		s.keys = append(s.keys, key{"follow-up ended", func(c draw.Canvas, a, b vg.Point) {
			c.StrokeLine2(thin(black), a.X, a.Y, b.X, b.Y)
			c.StrokeLine2(draw.LineStyle{Color: black, Width: 0.9}, (a.X+b.X)/2, a.Y-3, (a.X+b.X)/2, a.Y+3)
		}})
	}
}
