package figure

import (
	"fmt"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"drumline/domain/history/survival"
)

// tenth is the share failed at B10.
const tenth = 0.1

// paperShares are the ticks of Weibull paper.
var paperShares = []float64{0.0001, 0.0002, 0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.4, 0.632, 0.8, 0.9, 0.95, 0.99, 0.999}

// paper is where a share failed stands on Weibull paper: ln(-ln(1-F)).
func paper(f float64) float64 { return math.Log(-math.Log1p(-f)) }

// share is the inverse of paper.
func share(y float64) float64 { return -math.Expm1(-math.Exp(y)) }

// WeibullPlot draws lives on Weibull paper: the age on a logarithmic axis, the
// share failed so that a Weibull life is a straight line. The fitted line is
// dashed past the longest follow-up. B10 stands with its profile limits, and the
// picture says when it is extrapolated. lives are those the fit was made of.
func WeibullPlot(l Labels, fit survival.Weibull, lives []survival.Life) []byte {
	s := newSheet("weibull", "Weibull paper: the share failed by age.", l)
	at := Series{Name: "failures", Kind: Points, Status: fit.Status}
	for _, q := range survival.PlottingPositions(lives) {
		at.Points = append(at.Points, Point{X: q.Time, Y: q.F})
	}
	if len(at.Points) == 0 || !(fit.B10.Value > 0) {
		at.Status = fit.Status
		if fit.Status == survival.OK {
			at.Status = survival.Undefined
		}
	}
	s.drawn.Series = []Series{at}
	if at.Status != survival.OK {
		s.drawn.Words = fmt.Sprintf("%d failures among %d.", fit.Failures, fit.N)
		return s.refuse(at.Status, reason(at.Status)+" "+s.drawn.Words)
	}
	b10 := Point{X: fit.B10.Value, Y: tenth, Lo: number(fit.B10.Profile.Lo), Hi: number(fit.B10.Profile.Hi), Marked: fit.B10.Extrapolated}
	s.drawn.Series = append(s.drawn.Series, Series{Name: "B10", Kind: Across, Status: survival.OK, Points: []Point{b10}})
	return s.weibull(fit)
}

// weibull lays the paper out and draws the series failures and B10 on it.
func (s *sheet) weibull(fit survival.Weibull) []byte {
	lo, hi, low, high := s.paperRange(fit)
	line := Series{Name: "fitted line", Kind: Line, Status: survival.OK}
	for _, y := range []float64{low, high} {
		line.Points = append(line.Points, Point{X: fit.Scale.Value * math.Exp(y/fit.Shape.Value), Y: share(y)})
	}
	s.drawn.Series = append(s.drawn.Series, line)
	if refusal, ok := s.ready(); !ok {
		return refusal
	}
	p := axes(s.labels, math.Log(lo), math.Log(hi), low, high)
	p.X.Tick.Marker = marks(logTicks(lo, hi))
	p.Y.Tick.Marker = marks(paperTicks(low, high))
	s.paintWeibull(p, fit)
	s.weibullWords(fit)
	s.frames = []*plot.Plot{p}
	return s.svg()
}

// paperRange are the ends of the age axis and of the scaled share.
func (s *sheet) paperRange(fit survival.Weibull) (lo, hi, low, high float64) {
	failures, b10 := s.drawn.Series[0].Points, s.drawn.Series[1].Points[0]
	lo, hi = min(failures[0].X, b10.X), max(fit.Longest, b10.X)
	if b10.Lo != nil {
		lo = min(lo, max(*b10.Lo, lo/30))
	}
	if b10.Hi != nil {
		hi = max(hi, min(*b10.Hi, hi*30))
	}
	low = min(paper(failures[0].Y), paper(0.05)) - 0.5
	high = max(paper(failures[len(failures)-1].Y), paper(0.2)) + 0.5
	return lo / 1.25, hi * 1.25, low, high
}

func (s *sheet) paintWeibull(p *plot.Plot, fit survival.Weibull) {
	failures, b10, line := s.drawn.Series[0].Points, s.drawn.Series[1].Points[0], s.drawn.Series[2].Points
	solid := draw.LineStyle{Color: black, Width: 1.4}
	dashed := patterns[1].line()
	point, cross := patterns[0].mark(2.6), patterns[2].mark(5)
	bar := draw.LineStyle{Color: patterns[2].ink, Width: 2}
	p.Add(painter(func(c draw.Canvas, p *plot.Plot) {
		end := math.Log(fit.Longest)
		x0, x1, y0, y1 := math.Log(line[0].X), math.Log(line[1].X), paper(line[0].Y), paper(line[1].Y)
		split := min(max(end, x0), x1)
		at := y0 + (split-x0)/(x1-x0)*(y1-y0)
		stroke(c, p, solid, []float64{x0, split}, []float64{y0, at})
		stroke(c, p, dashed, []float64{split, x1}, []float64{at, y1})
		for _, q := range failures {
			dot(c, p, point, math.Log(q.X), paper(q.Y))
		}
		limits(c, p, bar, b10)
		dot(c, p, cross, math.Log(b10.X), paper(b10.Y))
	}))
	s.keys = append(s.keys, markKey("failures", point), lineKey("Weibull line", solid))
	if line[1].X > fit.Longest {
		s.keys = append(s.keys, lineKey("past the follow-up", dashed))
	}
	s.keys = append(s.keys, key{"B10 and its " + limitsName(s.labels.Level), lineMark(bar, cross).paint})
}

// lineMark is a sample of a mark on a line.
func lineMark(line draw.LineStyle, mark draw.GlyphStyle) key {
	l, m := lineKey("", line), markKey("", mark)
	return key{"", func(c draw.Canvas, a, b vg.Point) { l.paint(c, a, b); m.paint(c, a, b) }}
}

// limits draws the bar of B10 from limit to limit, with ends where they exist
// inside the frame.
func limits(c draw.Canvas, p *plot.Plot, bar draw.LineStyle, b10 Point) {
	lo, hi := p.X.Min, p.X.Max
	if b10.Lo != nil {
		lo = math.Log(*b10.Lo)
	}
	if b10.Hi != nil {
		hi = math.Log(*b10.Hi)
	}
	y := paper(b10.Y)
	stroke(c, p, bar, []float64{lo, hi}, []float64{y, y})
	for _, x := range []float64{lo, hi} {
		at := place(c, p, []float64{x}, []float64{y})[0]
		if x > p.X.Min && x < p.X.Max {
			c.StrokeLine2(bar, at.X, at.Y-5, at.X, at.Y+5)
		}
	}
}

// weibullWords writes the figures below the frame.
func (s *sheet) weibullWords(fit survival.Weibull) {
	s.drawn.Notes = append(s.drawn.Notes, fmt.Sprintf("%s among %d; shape %s, scale %s; B10 %s (profile limits %s to %s).", plural(fit.Failures, "failure"), fit.N,
		figures(fit.Shape.Value), figures(fit.Scale.Value), figures(fit.B10.Value), orNone(fit.B10.Profile.Lo), orNone(fit.B10.Profile.Hi)))
	if fit.B10.Extrapolated {
		s.drawn.Notes = append(s.drawn.Notes, "B10 is EXTRAPOLATED: it lies past the longest follow-up ("+figures(fit.Longest)+"), where nothing was seen.")
	}
}

func orNone(n survival.Number) string {
	if !n.OK() {
		return "none"
	}
	return figures(n.Value)
}

// paperTicks are the shares between two scaled ends, thinned where they crowd.
func paperTicks(low, high float64) []plot.Tick {
	var ticks []plot.Tick
	for _, f := range paperShares {
		y := paper(f)
		if y < low || y > high || len(ticks) > 0 && y-ticks[len(ticks)-1].Value < (high-low)/18 {
			continue
		}
		ticks = append(ticks, plot.Tick{Value: y, Label: percent(f)})
	}
	return ticks
}

// logTicks are 1, 2 and 5 times powers of ten between two ages, or the powers
// alone when there are many; at their logarithms.
func logTicks(lo, hi float64) []plot.Tick {
	steps := []float64{1, 2, 5}
	if hi/lo > 3000 {
		steps = steps[:1]
	}
	every := max(1, int(math.Log10(hi/lo)/8))
	var ticks []plot.Tick
	for e := int(math.Floor(math.Log10(lo))); float64(e) <= math.Log10(hi); e += every {
		for _, m := range steps {
			x := m * math.Pow(10, float64(e))
			if x >= lo && x <= hi {
				ticks = append(ticks, plot.Tick{Value: math.Log(x), Label: figures(x)})
			}
		}
	}
	if len(ticks) < 2 {
		ticks = nil
		for _, t := range nice(lo, hi, 5, figures) {
			ticks = append(ticks, plot.Tick{Value: math.Log(t.Value), Label: t.Label})
		}
	}
	return ticks
}
