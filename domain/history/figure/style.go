package figure

import (
	"image/color"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Sizes of text in points: 9 is the least that is read in print.
const (
	titleSize = 12
	axisSize  = 10
	smallSize = 9
)

// The page.
const (
	pageWidth   = 16 * vg.Centimeter
	frameHeight = 8.5 * vg.Centimeter
	margin      = vg.Length(6)
	lineHeight  = vg.Length(12)
)

// Ink for what is not a series.
var (
	black = color.NRGBA{A: 255}
	faint = color.NRGBA{R: 205, G: 205, B: 205, A: 255}
	white = color.NRGBA{R: 255, G: 255, B: 255, A: 255}
)

// pattern is how a series looks. Its dash and mark tell it apart without its
// colour; all colours are dark enough on white for thin lines.
type pattern struct {
	ink   color.NRGBA
	dash  []vg.Length
	width vg.Length
	glyph draw.GlyphDrawer
}

// patterns of up to maxGroups series.
var patterns = [maxGroups]pattern{
	{color.NRGBA{A: 255}, nil, 1.6, draw.CircleGlyph{}},
	{color.NRGBA{R: 0, G: 90, B: 160, A: 255}, []vg.Length{7, 3}, 1.6, draw.BoxGlyph{}},
	{color.NRGBA{R: 175, G: 70, B: 0, A: 255}, []vg.Length{1.5, 2}, 1.8, draw.PyramidGlyph{}},
	{color.NRGBA{R: 0, G: 110, B: 80, A: 255}, []vg.Length{9, 3, 1.5, 3}, 1.6, draw.SquareGlyph{}},
	{color.NRGBA{R: 125, G: 45, B: 115, A: 255}, []vg.Length{3, 3}, 2.4, draw.CrossGlyph{}},
	{color.NRGBA{R: 90, G: 90, B: 90, A: 255}, []vg.Length{14, 4}, 0.9, draw.PlusGlyph{}},
}

func (p pattern) line() draw.LineStyle {
	return draw.LineStyle{Color: p.ink, Width: p.width, Dashes: p.dash}
}

// edge is the line of a band's limits: the same pattern, thin.
func (p pattern) edge() draw.LineStyle {
	return draw.LineStyle{Color: p.ink, Width: 0.5, Dashes: p.dash}
}

// band fills between limits; several bands laid over each other stay light.
func (p pattern) band() color.NRGBA {
	c := p.ink
	c.A = 26
	return c
}

func (p pattern) mark(radius vg.Length) draw.GlyphStyle {
	return draw.GlyphStyle{Color: p.ink, Radius: radius, Shape: p.glyph}
}

// text is a style of the given size at the left of its place, on its baseline.
func text(size vg.Length) draw.TextStyle {
	return draw.TextStyle{Color: black, Font: font.From(font.Font{Typeface: "Liberation", Variant: "Sans"}, size),
		XAlign: draw.XLeft, YAlign: draw.YBottom, Handler: plot.DefaultTextHandler}
}

func bold(size vg.Length) draw.TextStyle {
	t := text(size)
	t.Font.Weight = 3 // bold, in the steps of CSS around normal, which is 0
	return t
}

// thin is a fine solid line.
func thin(c color.Color) draw.LineStyle { return draw.LineStyle{Color: c, Width: 0.6} }
