package figure

import (
	"math"
	"slices"
	"strconv"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// painter draws on the area between the axes.
type painter func(c draw.Canvas, p *plot.Plot)

// Plot calls the painter.
func (f painter) Plot(c draw.Canvas, p *plot.Plot) { f(c, p) }

// axes makes an empty frame for values from and to the given ends.
func axes(l Labels, minX, maxX, minY, maxY float64) *plot.Plot {
	p := plot.New()
	p.BackgroundColor = nil
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = minX, maxX, minY, maxY
	p.X.Label.Text, p.Y.Label.Text = l.X, l.Y
	for _, a := range []*plot.Axis{&p.X, &p.Y} {
		a.Label.TextStyle.Font = font.From(text(axisSize).Font, axisSize)
		a.Tick.Label.Font = text(smallSize).Font
		a.Label.Padding, a.Padding, a.Tick.Length = 3, 2, 4
		a.Width, a.Tick.Width = 0.7, 0.7
		a.Tick.Marker = marks(nice(a.Min, a.Max, 10, figures))
	}
	p.X.Label.Text = fit(p.X.Label.TextStyle, l.X, pageWidth-6*lineHeight)
	p.Y.Label.Text = fit(p.Y.Label.TextStyle, l.Y, frameHeight-3*lineHeight)
	p.Add(painter(grid))
	return p
}

// marks are ticks at given places.
type marks []plot.Tick

// Ticks are the marks, whatever the range.
func (m marks) Ticks(_, _ float64) []plot.Tick { return m }

// nice are ticks at multiples of 1, 2 or 5 times a power of ten: at most so many.
func nice(lo, hi float64, most int, name func(float64) string) []plot.Tick {
	step := math.Pow(10, math.Floor(math.Log10((hi-lo)/float64(most))))
	for _, m := range []float64{1, 2, 5, 10} {
		if (hi-lo)/(step*m) <= float64(most) {
			step *= m
			break
		}
	}
	var ticks []plot.Tick
	for i := math.Ceil(lo/step-1e-9) + 0; i*step <= hi+step*1e-9; i++ {
		x, _ := strconv.ParseFloat(strconv.FormatFloat(i*step+0, 'g', 12, 64), 64)
		ticks = append(ticks, plot.Tick{Value: x, Label: name(x)})
	}
	return ticks
}

// upTo is the end of an axis from 0 that leaves a little room above the largest
// value.
func upTo(largest float64) float64 {
	if largest <= 0 {
		return 1
	}
	return largest * 1.04
}

// grid draws fine lines at the ticks, behind everything else.
func grid(c draw.Canvas, p *plot.Plot) {
	trX, trY := p.Transforms(&c)
	for _, t := range p.X.Tick.Marker.Ticks(p.X.Min, p.X.Max) {
		if x := trX(t.Value); c.ContainsX(x) {
			c.StrokeLine2(draw.LineStyle{Color: faint, Width: 0.4}, x, c.Min.Y, x, c.Max.Y)
		}
	}
	for _, t := range p.Y.Tick.Marker.Ticks(p.Y.Min, p.Y.Max) {
		if y := trY(t.Value); c.ContainsY(y) {
			c.StrokeLine2(draw.LineStyle{Color: faint, Width: 0.4}, c.Min.X, y, c.Max.X, y)
		}
	}
}

// place turns values into places on the page.
func place(c draw.Canvas, p *plot.Plot, xs, ys []float64) []vg.Point {
	trX, trY := p.Transforms(&c)
	at := make([]vg.Point, len(xs))
	for i := range xs {
		at[i] = vg.Point{X: trX(xs[i]), Y: trY(ys[i])}
	}
	return at
}

// stroke draws a line through values, cut at the frame.
func stroke(c draw.Canvas, p *plot.Plot, sty draw.LineStyle, xs, ys []float64) {
	c.StrokeLines(sty, c.ClipLinesXY(place(c, p, xs, ys))...)
}

// dot draws a mark at a value when it lies inside the frame.
func dot(c draw.Canvas, p *plot.Plot, sty draw.GlyphStyle, x, y float64) {
	at := place(c, p, []float64{x}, []float64{y})[0]
	if c.ContainsX(at.X) && c.ContainsY(at.Y) {
		c.DrawGlyphNoClip(sty, at)
	}
}

// fill paints the area between two lines over the same places.
func fill(c draw.Canvas, p *plot.Plot, pat pattern, xs, lo, hi []float64) {
	back := slices.Clone(xs)
	slices.Reverse(back)
	down := slices.Clone(hi)
	slices.Reverse(down)
	c.FillPolygon(pat.band(), c.ClipPolygonXY(place(c, p, append(slices.Clone(xs), back...), append(slices.Clone(lo), down...))))
}
