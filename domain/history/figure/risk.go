package figure

import (
	"strconv"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// riskRow is how many of a group are still followed, below the axis.
type riskRow struct {
	pat    pattern
	points []Point
}

// atRisk is how many were followed up to x: those at risk at the next step. After
// the last step nobody is.
func (r riskRow) atRisk(x float64) int {
	for _, p := range r.points {
		if p.X >= x && p.X > 0 {
			return p.AtRisk
		}
	}
	return 0
}

func (s *sheet) riskHeight() vg.Length {
	if len(s.risk) == 0 {
		return 0
	}
	return vg.Length(len(s.risk)+1)*lineHeight + margin
}

// paintRisk writes the rows under the ticks of the first frame and returns where
// they end.
func (s *sheet) paintRisk(c draw.Canvas, y vg.Length) vg.Length {
	if len(s.risk) == 0 {
		return y
	}
	y -= lineHeight
	c.FillText(text(smallSize), vg.Point{X: c.Min.X, Y: y}, "Still followed (at risk)")
	f, p := s.drawn.Frames[0], s.frames[0]
	number := text(smallSize)
	number.XAlign = draw.XCenter
	for _, row := range s.risk {
		y -= lineHeight
		c.StrokeLine2(row.pat.line(), c.Min.X, y+4, c.Min.X+sampleWidth, y+4)
		for _, t := range p.X.Tick.Marker.Ticks(p.X.Min, p.X.Max) {
			x := f.Left + (t.Value-f.MinX)/(f.MaxX-f.MinX)*(f.Right-f.Left)
			c.FillText(number, vg.Point{X: vg.Length(x), Y: y}, strconv.Itoa(row.atRisk(t.Value)))
		}
	}
	return y - margin
}
