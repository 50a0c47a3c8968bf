package figure

import (
	"fmt"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg/draw"

	"drumline/domain/history/survival"
)

// maxDots is how many marks on a path can be told apart.
const maxDots = 150

// Cusum draws the path of a chart and the limit at which it raises an alarm.
// points are what the chart's Run gave, one an observation.
func Cusum(l Labels, chart survival.Cusum, points []survival.ChartPoint) []byte {
	s := newSheet("cusum", "CUSUM: failures beyond what is expected, summed and never below 0.", l)
	path := Series{Name: "path", Kind: Line, Status: survival.OK}
	alarms, top := 0, chart.H
	for i, q := range points {
		path.Points = append(path.Points, Point{X: float64(i + 1), Y: q.C, Marked: q.Alarm})
		top = max(top, q.C)
		if q.Alarm {
			alarms++
		}
	}
	if len(points) == 0 {
		return s.refuse(survival.Undefined, "There is nothing to draw: the chart has no observation yet, or a figure of it makes no sense.")
	}
	last := float64(len(points))
	s.drawn.Series = []Series{path, {Name: "limit", Kind: Line, Status: survival.OK, Points: []Point{{X: 0, Y: chart.H}, {X: max(last, 2), Y: chart.H}}}}
	if refusal, ok := s.ready(); !ok {
		return refusal
	}
	p := axes(s.labels, 0, max(last, 2)*1.02, 0, upTo(top*1.04))
	s.paintCusum(p)
	s.drawn.Notes = append(s.drawn.Notes, fmt.Sprintf("Reference value k = %s, limit h = %s; %s in %s.", figures(chart.K), figures(chart.H), plural(alarms, "alarm"), plural(len(points), "observation")))
	s.frames = []*plot.Plot{p}
	return s.svg()
}

func (s *sheet) paintCusum(p *plot.Plot) {
	line := draw.LineStyle{Color: black, Width: 1.2}
	dots, alarm := patterns[0].mark(1.8), patterns[2].mark(5)
	p.Add(painter(func(c draw.Canvas, p *plot.Plot) {
		paintLine(c, p, patterns[1].line(), s.drawn.Series[1].Points)
		path := s.drawn.Series[0].Points
		paintLine(c, p, line, path)
		for _, q := range path {
			if q.Marked {
				dot(c, p, alarm, q.X, q.Y)
			} else if len(path) <= maxDots {
				dot(c, p, dots, q.X, q.Y)
			}
		}
	}))
	s.keys = []key{lineKey("path", line), lineKey("limit: alarm when reached", patterns[1].line()), markKey("alarm", alarm)}
}
