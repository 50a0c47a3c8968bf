package figure

import (
	"fmt"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"drumline/domain/history/survival"
)

// FunnelGroup is who or what is compared: how many of its repairs came back.
type FunnelGroup struct {
	Name            string
	Events, Repairs int
}

// funnelTail names one limit of a funnel.
type funnelTail struct {
	name  string
	share func(survival.Funnel) float64
	of    int // pattern
}

var funnelTails = []funnelTail{
	{"lower 95 %", func(f survival.Funnel) float64 { return f.Lo95.Share }, 1},
	{"upper 95 %", func(f survival.Funnel) float64 { return f.Hi95.Share }, 1},
	{"lower 99.8 %", func(f survival.Funnel) float64 { return f.Lo998.Share }, 2},
	{"upper 99.8 %", func(f survival.Funnel) float64 { return f.Hi998.Share }, 2},
}

// Funnel draws the shares of groups against their number of repairs, with exact
// limits round the pooled share. Groups outside the 95 % limits are named, those
// outside 99.8 % have a filled mark. Outside is told by the exact counts: the
// lines are interpolated between counts, and one of one lies above them even
// where one repair in eight comes back. A group without repairs, or with more
// events than repairs, is not drawn.
func Funnel(l Labels, pooled float64, groups []FunnelGroup) []byte {
	s := newSheet("funnel", "Funnel: the share of each group against its number of repairs.", l)
	at := Series{Name: "groups", Kind: Points, Status: survival.OK}
	most := 1
	for _, g := range groups {
		f := survival.FunnelLimits(pooled, g.Repairs)
		if f.Status != survival.OK || g.Events < 0 || g.Events > g.Repairs {
			continue
		}
		x := float64(g.Events) / float64(g.Repairs)
		p := Point{X: float64(g.Repairs), Y: x, Marked: outside(g.Events, f.Lo998, f.Hi998)}
		if outside(g.Events, f.Lo95, f.Hi95) {
			p.Label = clean(g.Name)
		}
		at.Points = append(at.Points, p)
		most = max(most, g.Repairs)
	}
	if len(at.Points) == 0 {
		return s.refuse(survival.Undefined, reason(survival.Undefined))
	}
	s.drawn.Series = []Series{at, {Name: "pooled share", Kind: Line, Status: survival.OK, Points: []Point{{X: 1, Y: pooled}, {X: float64(most), Y: pooled}}}}
	s.drawn.Series = append(s.drawn.Series, funnelLines(pooled, most)...)
	return s.funnel(float64(most))
}

// outside tells whether a count is rarer than the tails of the limits.
func outside(events int, lo, hi survival.FunnelLimit) bool {
	return events < lo.Count || events > hi.Count
}

// funnelLines are the limits at up to some 200 numbers of repairs.
func funnelLines(pooled float64, most int) []Series {
	lines := make([]Series, len(funnelTails))
	for i, t := range funnelTails {
		lines[i] = Series{Name: t.name, Kind: Line, Status: survival.OK}
	}
	for n := 1; ; {
		f := survival.FunnelLimits(pooled, n)
		for i, t := range funnelTails {
			lines[i].Points = append(lines[i].Points, Point{X: float64(n), Y: t.share(f)})
		}
		if n == most {
			return lines
		}
		n = min(most, max(n+1, n+most/200))
	}
}

func (s *sheet) funnel(most float64) []byte {
	groups := s.drawn.Series[0].Points
	top := s.drawn.Series[1].Points[0].Y * 2
	for _, q := range groups {
		top = max(top, q.Y)
	}
	p := axes(s.labels, 0, most*1.05, 0, min(1.03, top*1.15))
	p.Y.Tick.Marker = marks(nice(0, p.Y.Max, 6, percent))
	plain, far := patterns[0].mark(2.6), patterns[0].mark(3.6)
	plain.Shape = draw.RingGlyph{}
	middle := thin(black)
	p.Add(painter(func(c draw.Canvas, p *plot.Plot) {
		paintLine(c, p, middle, s.drawn.Series[1].Points)
		for i, t := range funnelTails {
			paintLine(c, p, patterns[t.of].line(), s.drawn.Series[2+i].Points)
		}
		for _, q := range groups {
			sty := plain
			if q.Marked {
				sty = far
			}
			dot(c, p, sty, q.X, q.Y)
		}
		name(c, p, groups)
	}))
	s.keys = []key{markKey("group", plain), markKey("outside 99.8 %", far), lineKey("pooled share", middle),
		lineKey("95 % limits", patterns[1].line()), lineKey("99.8 % limits", patterns[2].line())}
	s.drawn.Notes = append(s.drawn.Notes, fmt.Sprintf("Named: outside 95 %%. Chance alone puts %[2]s of %[1]s there: look first at those outside 99.8 %%, told by exact counts.",
		plural(len(groups), "group"), figures(math.Round(5*float64(len(groups)))/100)))
	s.frames = []*plot.Plot{p}
	return s.svg()
}

func paintLine(c draw.Canvas, p *plot.Plot, sty draw.LineStyle, points []Point) {
	var xs, ys []float64
	for _, q := range points {
		xs, ys = append(xs, q.X), append(ys, q.Y)
	}
	stroke(c, p, sty, xs, ys)
}

// maxNames is how many groups are named in a picture.
const maxNames = 25

// name writes the labels of points where they cover neither each other nor a
// mark; a fine line leads to one that had to move. What finds no room anywhere
// is not named in the picture, only in its numbers.
func name(c draw.Canvas, p *plot.Plot, points []Point) {
	sty := text(smallSize)
	var taken []vg.Rectangle
	for _, q := range points {
		at := place(c, p, []float64{q.X}, []float64{q.Y})[0]
		taken = append(taken, vg.Rectangle{Min: vg.Point{X: at.X - 3, Y: at.Y - 3}, Max: vg.Point{X: at.X + 3, Y: at.Y + 3}})
	}
	named := 0
	for _, q := range points {
		if q.Label == "" || named == maxNames {
			continue
		}
		words := fit(sty, q.Label, 90)
		at := place(c, p, []float64{q.X}, []float64{q.Y})[0]
		if box, ok := room(c.Rectangle, taken, at, sty.Width(words)); ok {
			taken = append(taken, box)
			named++
			lead(c, at, box)
			c.FillPolygon(white, []vg.Point{box.Min, {X: box.Max.X, Y: box.Min.Y}, box.Max, {X: box.Min.X, Y: box.Max.Y}})
			c.FillText(sty, vg.Point{X: box.Min.X, Y: box.Min.Y + 2}, words)
		}
	}
}

// room looks for a free place for words round a point, ever farther away.
func room(frame vg.Rectangle, taken []vg.Rectangle, at vg.Point, width vg.Length) (vg.Rectangle, bool) {
	for _, dy := range []vg.Length{0, 11, -11, 22, -22, 33, -33, 44, -44} {
		for _, x := range []vg.Length{at.X + 6, at.X - 6 - width, at.X - width/2} {
			box := vg.Rectangle{Min: vg.Point{X: x, Y: at.Y + dy - 5}, Max: vg.Point{X: x + width, Y: at.Y + dy + 6}}
			if box.Min.X >= frame.Min.X && box.Max.X <= frame.Max.X && box.Min.Y >= frame.Min.Y && box.Max.Y <= frame.Max.Y && free(box, taken) {
				return box, true
			}
		}
	}
	return vg.Rectangle{}, false
}

func free(box vg.Rectangle, taken []vg.Rectangle) bool {
	for _, t := range taken {
		if box.Min.X < t.Max.X && t.Min.X < box.Max.X && box.Min.Y < t.Max.Y && t.Min.Y < box.Max.Y {
			return false
		}
	}
	return true
}

// lead draws a fine line from a point to words that stand well above or below.
func lead(c draw.Canvas, at vg.Point, box vg.Rectangle) {
	x := min(max(at.X, box.Min.X), box.Max.X)
	switch {
	case box.Min.Y > at.Y+8:
		c.StrokeLine2(thin(patterns[5].ink), at.X, at.Y, x, box.Min.Y)
	case box.Max.Y < at.Y-8:
		c.StrokeLine2(thin(patterns[5].ink), at.X, at.Y, x, box.Max.Y)
	}
}
