package figure

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"strconv"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"

	"drumline/domain/history/survival"
)

// key is one entry of the explanation above the frame: a sample and its words.
type key struct {
	words string
	paint func(c draw.Canvas, from, to vg.Point)
}

// sheet is a page being laid out, from the top: title, keys, frames side by
// side, numbers at risk, notes.
type sheet struct {
	labels Labels
	drawn  Drawn
	about  string // the first sentence of the description
	keys   []key
	frames []*plot.Plot
	splits []float64 // where the frames after the first begin, of the width
	height vg.Length // of the frames
	risk   []riskRow
}

// newSheet starts a page.
func newSheet(figure, about string, l Labels) *sheet {
	l.Title, l.X, l.Y = clean(l.Title), clean(l.X), clean(l.Y)
	return &sheet{labels: l, about: about, height: frameHeight, drawn: Drawn{Figure: figure, Status: survival.OK}}
}

// refuse turns the page into one that says why there is no picture.
func (s *sheet) refuse(status survival.Status, words string) []byte {
	s.drawn.Status, s.drawn.Words = status, words
	s.keys, s.frames, s.risk = nil, nil, nil
	return s.svg()
}

// ready tells whether the series can be drawn, and the page of words if not.
func (s *sheet) ready() (refusal []byte, ok bool) {
	status := statusOf(s.drawn.Series)
	if status != survival.OK {
		return s.refuse(status, reason(status)), false
	}
	if !sound(s.drawn.Series) {
		s.drawn.Series = nil
		return s.refuse(survival.Undefined, reason(survival.Undefined)), false
	}
	return nil, true
}

// block is the text of a paragraph.
func (s *sheet) block(sty draw.TextStyle, words string, most int) []string {
	return wrap(sty, words, pageWidth-2*margin, most)
}

// svg draws the page.
func (s *sheet) svg() []byte {
	title := s.block(bold(titleSize), s.labels.Title, 2)
	rows := s.keyRows()
	var notes []string
	for _, n := range s.drawn.Notes {
		notes = append(notes, s.block(text(smallSize), n, 4)...)
	}
	words := s.block(text(axisSize), s.drawn.Words, 6)
	body := s.height
	if len(s.frames) == 0 {
		body = vg.Length(len(words)+2) * lineHeight * 1.3
	}
	height := 2*margin + vg.Length(len(title))*titleSize*1.35 + vg.Length(len(rows))*lineHeight +
		body + s.riskHeight() + vg.Length(len(notes))*lineHeight + margin

	page := vgsvg.New(pageWidth, height)
	c := draw.New(page)
	c.SetColor(white)
	c.Fill(c.Rectangle.Path())
	inner := draw.Crop(c, margin, -margin, margin, -margin)
	y := inner.Max.Y
	y = lines(inner, bold(titleSize), title, y, titleSize*1.35)
	for _, row := range rows {
		y -= lineHeight
		paintKeys(inner, row, y)
	}
	y -= margin / 2
	if len(s.frames) == 0 {
		lines(inner, text(axisSize), words, y-lineHeight, lineHeight*1.3)
	}
	s.paintFrames(inner, y)
	y -= body
	y = s.paintRisk(inner, y)
	lines(inner, text(smallSize), notes, y, lineHeight)
	return s.finish(page)
}

// lines writes lines downwards from y and returns where they end.
func lines(c draw.Canvas, sty draw.TextStyle, words []string, y, height vg.Length) vg.Length {
	for _, w := range words {
		y -= height
		c.FillText(sty, vg.Point{X: c.Min.X, Y: y + 3}, w)
	}
	return y
}

// frameArea is where a frame stands with its axes' names.
func (s *sheet) frameArea(inner draw.Canvas, i int, top vg.Length) draw.Canvas {
	width := inner.Max.X - inner.Min.X
	area := inner
	area.Min.Y, area.Max.Y = top-s.height, top
	if i > 0 {
		area.Min.X = inner.Min.X + vg.Length(s.splits[i-1])*width
	}
	if i < len(s.splits) {
		area.Max.X = inner.Min.X + vg.Length(s.splits[i])*width - 2*margin
	}
	return area
}

func (s *sheet) paintFrames(inner draw.Canvas, top vg.Length) {
	for i, p := range s.frames {
		area := s.frameArea(inner, i, top)
		p.Draw(area)
		in := p.DataCanvas(area)
		s.drawn.Frames = append(s.drawn.Frames, Frame{
			Left: in.Min.X.Points(), Bottom: in.Min.Y.Points(), Right: in.Max.X.Points(), Top: in.Max.Y.Points(),
			MinX: p.X.Min, MaxX: p.X.Max, MinY: p.Y.Min, MaxY: p.Y.Max})
	}
}

// sampleWidth is the room of a key's sample.
const sampleWidth = vg.Length(26)

// keyRows lays the keys out in rows.
func (s *sheet) keyRows() [][]key {
	var rows [][]key
	room := vg.Length(0)
	for _, k := range s.keys {
		k.words = fit(text(smallSize), k.words, (pageWidth-2*margin)/2-sampleWidth-12)
		w := keyWidth(k)
		if w > room {
			rows = append(rows, nil)
			room = pageWidth - 2*margin
		}
		rows[len(rows)-1] = append(rows[len(rows)-1], k)
		room -= w
	}
	return rows
}

func keyWidth(k key) vg.Length { return sampleWidth + 4 + text(smallSize).Width(k.words) + 12 }

func paintKeys(c draw.Canvas, row []key, y vg.Length) {
	x := c.Min.X
	for _, k := range row {
		k.paint(c, vg.Point{X: x, Y: y + 5}, vg.Point{X: x + sampleWidth, Y: y + 5})
		c.FillText(text(smallSize), vg.Point{X: x + sampleWidth + 4, Y: y + 2}, k.words)
		x += keyWidth(k)
	}
}

// lineKey explains a line; markKey a mark; bandKey a shaded band.
func lineKey(words string, sty draw.LineStyle) key {
	return key{words, func(c draw.Canvas, a, b vg.Point) { c.StrokeLine2(sty, a.X, a.Y, b.X, b.Y) }}
}

func markKey(words string, sty draw.GlyphStyle) key {
	return key{words, func(c draw.Canvas, a, b vg.Point) { c.DrawGlyphNoClip(sty, vg.Point{X: (a.X + b.X) / 2, Y: a.Y}) }}
}

func bandKey(words string, pat pattern) key {
	return key{words, func(c draw.Canvas, a, b vg.Point) {
		c.FillPolygon(pat.band(), []vg.Point{{X: a.X, Y: a.Y - 4}, {X: b.X, Y: a.Y - 4}, {X: b.X, Y: a.Y + 4}, {X: a.X, Y: a.Y + 4}})
		for _, y := range []vg.Length{a.Y - 4, a.Y + 4} {
			c.StrokeLine2(pat.edge(), a.X, y, b.X, y)
		}
	}}
}

// finish writes title, description and numbers into the page.
func (s *sheet) finish(page *vgsvg.Canvas) []byte {
	var out bytes.Buffer
	page.WriteTo(&out)
	numbers, err := json.Marshal(s.drawn)
	if err != nil {
		panic("figure: numbers that are not finite were let through: " + err.Error())
	}
	_, after, _ := bytes.Cut(out.Bytes(), []byte("<svg "))
	attrs, rest, _ := bytes.Cut(after, []byte(">"))
	var b bytes.Buffer
	b.WriteString(`<svg role="img" aria-labelledby="title desc" `)
	b.Write(attrs)
	b.WriteString(">\n<title id=\"title\">" + escape(s.labels.Title) + "</title>\n<desc id=\"desc\">" + escape(s.describe()) + "</desc>\n<metadata>")
	b.WriteString(escape(string(numbers)))
	b.WriteString("</metadata>")
	// Whoever lacks the font takes one of the same widths. A quotation mark
	// inside a label is written as a reference, so only styles are met.
	b.Write(bytes.ReplaceAll(rest, []byte(`style="font-family:Liberation Sans;`), []byte(`style="font-family:Liberation Sans,Arial,Helvetica,sans-serif;`)))
	return b.Bytes()
}

func escape(s string) string {
	var b strings.Builder
	xml.EscapeText(&b, []byte(s))
	return b.String()
}

// describe says in sentences what the picture shows.
func (s *sheet) describe() string {
	parts := []string{s.about}
	if s.drawn.Words != "" {
		parts = append(parts, s.drawn.Words)
	}
	if s.labels.X != "" {
		parts = append(parts, "Across: "+s.labels.X+".")
	}
	if s.labels.Y != "" {
		parts = append(parts, "Up: "+s.labels.Y+".")
	}
	for _, x := range s.drawn.Series {
		parts = append(parts, summary(x))
	}
	return strings.Join(append(parts, s.drawn.Notes...), " ")
}

// summary is a sentence about one series.
func summary(x Series) string {
	if x.Status != survival.OK || len(x.Points) == 0 {
		return x.Name + ": nothing to draw."
	}
	last := x.Points[len(x.Points)-1]
	if x.Kind == Bars || len(x.Points) > 1 && x.Kind == Points {
		return x.Name + ": " + strconv.Itoa(len(x.Points)) + " values."
	}
	return x.Name + ": " + figures(last.Y) + " at " + figures(last.X) + "."
}
