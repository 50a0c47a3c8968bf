package figure

import (
	"fmt"
	"math"
	"strconv"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"drumline/domain/history/survival"
)

// maxBars is how many causes stand in one picture.
const maxBars = 20

const barHeight = vg.Length(17)

// Pareto draws causes by count, the most frequent at the top: bars of the count
// with the cumulated share written beside them, and the rate drawn towards the
// rate of all with its limits and, as a ring, the raw rate. X names the counts, Y
// the rate with its unit. The first 20 causes are drawn; a note counts the rest.
func Pareto(l Labels, rows survival.Pareto) []byte {
	s := newSheet("pareto", "Pareto: causes by count, with the rate of each.", l)
	items := rows.Items
	if rows.Status != survival.OK || rows.Total == 0 || len(items) == 0 {
		status := rows.Status
		if status == survival.OK {
			status = survival.TooFew
		}
		return s.refuse(status, reason(status))
	}
	if len(items) > maxBars {
		s.drawn.Notes = append(s.drawn.Notes, fmt.Sprintf("%s with fewer failures are not drawn.", plural(len(items)-maxBars, "cause")))
		items = items[:maxBars]
	}
	s.drawn.Notes = append(s.drawn.Notes, "The order is by count, which is volume; the rate on the right tells what is bad. Beside each bar: count, cumulated share.")
	s.drawn.Series = paretoSeries(items)
	if refusal, ok := s.ready(); !ok {
		return refusal
	}
	s.height = vg.Length(len(items))*barHeight + 4*lineHeight
	s.splits = []float64{0.62}
	s.frames = []*plot.Plot{s.countFrame(items[0].Count, len(items)), s.rateFrame(len(items))}
	s.keys = append(s.keys, markKey("rate, drawn towards all", patterns[0].mark(3)),
		lineKey(limitsName(s.labels.Level), draw.LineStyle{Color: black, Width: 1.2}), markKey("raw rate", ring()))
	return s.svg()
}

func ring() draw.GlyphStyle { return draw.GlyphStyle{Color: black, Radius: 3, Shape: draw.RingGlyph{}} }

// paretoSeries are count, cumulated share, drawn-in and raw rate; X is the rank.
func paretoSeries(items []survival.ParetoItem) []Series {
	out := []Series{{Name: "count", Kind: Bars}, {Name: "cumulated share", Kind: Points}, {Name: "rate", Kind: Points}, {Name: "raw rate", Kind: Points}}
	for i := range out {
		out[i].Status = survival.OK
	}
	for i, it := range items {
		rank, label := float64(i+1), clean(it.Name)
		out[0].Points = append(out[0].Points, Point{X: rank, Y: float64(it.Count), Label: label})
		if it.CumShare.OK() {
			out[1].Points = append(out[1].Points, Point{X: rank, Y: it.CumShare.Value, Label: label})
		}
		if it.BayesRate.OK() {
			out[2].Points = append(out[2].Points, Point{X: rank, Y: it.BayesRate.Value, Label: label, Lo: number(it.BayesInterval.Lo), Hi: number(it.BayesInterval.Hi)})
		}
		if it.Rate.Value.OK() {
			out[3].Points = append(out[3].Points, Point{X: rank, Y: it.Rate.Value.Value, Label: label})
		}
	}
	return out
}

// countFrame holds the bars; ranks go down.
func (s *sheet) countFrame(largest, n int) *plot.Plot {
	p := axes(Labels{X: s.labels.X}, 0, float64(largest)*1.45, -float64(n)-0.5, -0.5)
	p.X.Tick.Marker = marks(nice(0, float64(largest), 4, figures))
	var names []plot.Tick
	for _, q := range s.drawn.Series[0].Points {
		names = append(names, plot.Tick{Value: -q.X, Label: fit(text(smallSize), q.Label, 110)})
	}
	p.Y.Tick.Marker, p.Y.Tick.Length = marks(names), 0
	cumulated := map[float64]float64{}
	for _, q := range s.drawn.Series[1].Points {
		cumulated[q.X] = q.Y
	}
	p.Add(painter(func(c draw.Canvas, p *plot.Plot) {
		for _, q := range s.drawn.Series[0].Points {
			at := place(c, p, []float64{0, q.Y}, []float64{-q.X, -q.X})
			bar := []vg.Point{{X: at[0].X, Y: at[0].Y - 5}, {X: at[1].X, Y: at[0].Y - 5}, {X: at[1].X, Y: at[0].Y + 5}, {X: at[0].X, Y: at[0].Y + 5}}
			c.FillPolygon(patterns[5].ink, bar)
			words := strconv.Itoa(int(q.Y))
			if share, ok := cumulated[q.X]; ok {
				words += ", " + strconv.FormatFloat(math.Round(share*1000)/10, 'f', -1, 64) + " %"
			}
			c.FillText(text(smallSize), vg.Point{X: at[1].X + 4, Y: at[1].Y - 3}, words)
		}
	}))
	return p
}

// rateFrame holds the rates with their limits.
func (s *sheet) rateFrame(n int) *plot.Plot {
	top := 0.0
	for _, q := range s.drawn.Series[2].Points {
		top = max(top, q.Y)
		if q.Hi != nil {
			top = max(top, *q.Hi)
		}
	}
	// A raw rate far out is written at the edge: it is luck, mostly, and would
	// squeeze all others.
	widest := 0.0
	for _, q := range s.drawn.Series[3].Points {
		widest = max(widest, q.Y)
	}
	top = max(top, min(widest, 1.5*top))
	p := axes(Labels{}, 0, upTo(top), -float64(n)-0.5, -0.5)
	p.X.Label.Text = fit(p.X.Label.TextStyle, s.labels.Y, pageWidth*0.36)
	p.X.Tick.Marker = marks(nice(0, p.X.Max, 4, figures))
	var places []plot.Tick
	for i := range n {
		places = append(places, plot.Tick{Value: -float64(i + 1)})
	}
	p.Y.Tick.Marker, p.Y.Tick.Length = marks(places), 0
	p.Add(painter(func(c draw.Canvas, p *plot.Plot) {
		for _, q := range s.drawn.Series[2].Points {
			if q.Lo != nil && q.Hi != nil {
				stroke(c, p, draw.LineStyle{Color: black, Width: 1.2}, []float64{*q.Lo, *q.Hi}, []float64{-q.X, -q.X})
			}
			dot(c, p, patterns[0].mark(3), q.Y, -q.X)
		}
		for _, q := range s.drawn.Series[3].Points {
			dot(c, p, ring(), q.Y, -q.X)
			if q.Y > p.X.Max {
				words := "raw " + figures(q.Y) + " \u2192"
				at := place(c, p, []float64{p.X.Max}, []float64{-q.X})[0]
				c.FillText(text(smallSize), vg.Point{X: at.X - text(smallSize).Width(words) - 2, Y: at.Y - 3}, words)
			}
		}
	}))
	return p
}
