package figure

import (
	"encoding/xml"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/domain/history/survival"
)

// shape counts what a picture is made of.
type shape struct {
	paths, texts int
	words        []string
	svg          []byte
}

var allowedElements = map[string]bool{"svg": true, "title": true, "desc": true, "metadata": true, "g": true, "path": true, "text": true}

// parse reads a picture as XML and refuses what has no place in one.
func parse(t require.TestingT, svg []byte) shape {
	out := shape{svg: svg}
	in := xml.NewDecoder(strings.NewReader(string(svg)))
	inText := false
	for {
		token, err := in.Token()
		if err == io.EOF {
			return out
		}
		require.NoError(t, err)
		switch e := token.(type) {
		case xml.StartElement:
			require.True(t, allowedElements[e.Name.Local], "element %s", e.Name.Local)
			for _, a := range e.Attr {
				require.False(t, strings.HasPrefix(a.Name.Local, "on"), "attribute %s", a.Name.Local)
			}
			inText = e.Name.Local == "text"
			if inText {
				out.texts++
			}
			if e.Name.Local == "path" {
				out.paths++
			}
		case xml.CharData:
			if inText {
				out.words = append(out.words, string(e))
			}
		case xml.EndElement:
			inText = false
		}
	}
}

var sizes = regexp.MustCompile(`font-size:([0-9.]+)px`)

// Every example is XML of the few elements allowed, has words for screen
// readers, no small text, no text off the page, and the same bytes each time.
func TestExamplesAreSound(t *testing.T) {
	again := examples(t)
	for name, svg := range examples(t) {
		require.Equal(t, string(again[name]), string(svg), name)
		s := parse(t, svg)
		require.Positive(t, s.texts, name)
		require.Contains(t, string(svg), `<svg role="img" aria-labelledby="title desc" width="453.54pt"`)
		require.Regexp(t, `<title id="title">[^<]+</title>\s*<desc id="desc">[^<]+</desc>`, string(svg))
		for _, m := range sizes.FindAllStringSubmatch(string(svg), -1) {
			require.GreaterOrEqual(t, value(t, m[1]), 9.0, name)
		}
		onThePage(t, svg, name)
	}
}

func value(t require.TestingT, s string) float64 {
	x, err := strconv.ParseFloat(s, 64)
	require.NoError(t, err)
	return x
}

var (
	viewBox = regexp.MustCompile(`viewBox="0 0 ([0-9.]+) ([0-9.]+)"`)
	written = regexp.MustCompile(`(?s)<text x="([-0-9.e]+)" y="([-0-9.e]+)" transform="scale\(1, -1\)"\s+style="[^"]*font-weight:([a-z]+)[^"]*font-size:([0-9.]+)px[^"]*">([^<]*)</text>`)
)

// onThePage checks that upright texts begin and end on the page.
func onThePage(t require.TestingT, svg []byte, about string) {
	box := viewBox.FindSubmatch(svg)
	width, height := value(t, string(box[1])), value(t, string(box[2]))
	for _, m := range written.FindAllSubmatch(svg, -1) {
		var words string
		require.NoError(t, xml.Unmarshal([]byte("<a>"+string(m[5])+"</a>"), &words))
		x, y, sty := value(t, string(m[1])), -value(t, string(m[2])), text(9)
		if string(m[3]) == "bold" {
			sty = bold(titleSize)
		}
		if x < 0 || y < 0 { // the name of the upward axis, turned about the origin
			continue
		}
		require.LessOrEqual(t, x+sty.Width(words).Points(), width+1, "%s: %q", about, words)
		require.LessOrEqual(t, y, height, "%s: %q", about, words)
	}
}

// What the structure of each example is.
func TestShapes(t *testing.T) {
	for name, want := range map[string]struct {
		series int
		words  []string
	}{
		"curve":     {2, []string{"Maintained", "Nonmaintained", "95 % limits", "follow-up ended", "Still followed (at risk)", "11", "12", "0 %", "100 %"}},
		"curves":    {3, []string{"M-A", "M-B", "M-C"}},
		"mcf":       {1, []string{"engines", "replacements per unit", "41"}},
		"bearings":  {3, []string{"past the follow-up", "10 %", "B10 is EXTRAPOLATED: it lies past the longest follow-up (2050), where nothing was seen."}},
		"fans":      {3, []string{"Weibull line", "12 failures among 70; shape 1.058, scale 26297; B10 3137 (profile limits 1420 to 5662)."}},
		"incidence": {2, []string{"same fault", "other fault"}},
		"funnel":    {6, []string{"Tech A", "Tech D", "Tech E", "Tech J", "99.8 % limits"}},
		"cusum":     {2, []string{"limit: alarm when reached", "Reference value k = 1.5, limit h = 5; 7 alarms in 35 observations."}},
		"pareto":    {4, []string{"drive belt", "22, 37.9 %", "control board", "raw rate"}},
		"too_few":   {1, []string{"Two failures"}},
	} {
		svg := examples(t)[name]
		d, err := Read(svg)
		require.NoError(t, err)
		require.Len(t, d.Series, want.series, name)
		s := parse(t, svg)
		for _, w := range want.words {
			require.Contains(t, s.words, w, name)
		}
		if name == "too_few" {
			require.Equal(t, survival.TooFew, d.Status)
			require.Equal(t, 1, s.paths, "the paper alone")
			require.Contains(t, strings.Join(s.words, " "), "Too few events")
		}
	}
}

// One of one is not named, though it lies above the interpolated limit.
func TestOneOfOneIsNotOutside(t *testing.T) {
	require.Greater(t, 1.0, survival.FunnelLimits(0.13, 1).Hi998.Share)
	s := parse(t, examples(t)["funnel"])
	require.NotContains(t, s.words, "Tech B")
}

// The numbers in the picture are those of the curve, bit by bit.
func TestNumbersAreTheCurves(t *testing.T) {
	groups := amlCurves(t)
	d, err := Read(examples(t)["curve"])
	require.NoError(t, err)
	for i, g := range groups {
		points := d.Series[i].Points
		require.Equal(t, Point{Y: 1, AtRisk: g.Curve.N}, points[0])
		require.Len(t, points, len(g.Curve.Steps)+1)
		for j, s := range g.Curve.Steps {
			require.Equal(t, Point{X: float64(s.Day), Y: s.S, AtRisk: s.AtRisk, Lo: number(s.Interval.Lo), Hi: number(s.Interval.Hi)}, points[j+1])
		}
	}
}

func TestNumbersOfTheOthers(t *testing.T) {
	ex := examples(t)
	m := valveSeats(t)
	d, err := Read(ex["mcf"])
	require.NoError(t, err)
	for j, s := range m.Steps {
		require.Equal(t, Point{X: float64(s.Day), Y: s.MCF, AtRisk: s.AtRisk, Marked: s.Small, Lo: &s.Interval.Lo.Value, Hi: &s.Interval.Hi.Value}, d.Series[0].Points[j+1])
	}
	bearings := lives(t, "bearingcage")
	fit := survival.FitWeibull(bearings, 0.95)
	d, err = Read(ex["bearings"])
	require.NoError(t, err)
	for j, q := range survival.PlottingPositions(bearings) {
		require.Equal(t, Point{X: q.Time, Y: q.F}, d.Series[0].Points[j])
	}
	require.Equal(t, Point{X: fit.B10.Value, Y: 0.1, Lo: &fit.B10.Profile.Lo.Value, Hi: &fit.B10.Profile.Hi.Value, Marked: true}, d.Series[1].Points[0])
	for _, q := range d.Series[2].Points {
		require.InDelta(t, -math.Expm1(-math.Pow(q.X/fit.Scale.Value, fit.Shape.Value)), q.Y, 1e-12, "the line is the fit's")
	}
	_, path := cusumRun(t)
	d, err = Read(ex["cusum"])
	require.NoError(t, err)
	for j, q := range path {
		require.Equal(t, Point{X: float64(j + 1), Y: q.C, Marked: q.Alarm}, d.Series[0].Points[j])
	}
	rows := toyPareto(t)
	d, err = Read(ex["pareto"])
	require.NoError(t, err)
	for j, it := range rows.Items {
		require.Equal(t, float64(it.Count), d.Series[0].Points[j].Y)
		require.Equal(t, it.CumShare.Value, d.Series[1].Points[j].Y)
		require.Equal(t, it.BayesRate.Value, d.Series[2].Points[j].Y)
		require.Equal(t, number(it.BayesInterval.Hi), d.Series[2].Points[j].Hi)
	}
	d, err = Read(ex["funnel"])
	require.NoError(t, err)
	for _, q := range d.Series[5].Points {
		require.Equal(t, survival.FunnelLimits(0.13, int(q.X)).Hi998.Share, q.Y)
	}
}

var drawnPath = regexp.MustCompile(`<path d="([ML0-9.,e-]+)"`)

// The lines on the page stand where the numbers say, by the frame.
func TestLinesStandWhereTheNumbersSay(t *testing.T) {
	for _, name := range []string{"curve", "curves", "mcf", "incidence"} {
		svg := examples(t)[name]
		d, err := Read(svg)
		require.NoError(t, err)
		drawn := map[string]bool{}
		for _, m := range drawnPath.FindAllSubmatch(svg, -1) {
			for _, at := range strings.FieldsFunc(string(m[1]), func(r rune) bool { return r == 'M' || r == 'L' }) {
				drawn[rounded(t, at)] = true
			}
		}
		f := d.Frames[0]
		for _, s := range d.Series {
			for _, q := range s.Points {
				x := f.Left + (q.X-f.MinX)/(f.MaxX-f.MinX)*(f.Right-f.Left)
				y := f.Bottom + (q.Y-f.MinY)/(f.MaxY-f.MinY)*(f.Top-f.Bottom)
				require.True(t, near(drawn, x, y), "%s %s: nothing at %v, %v", name, s.Name, x, y)
			}
		}
	}
}

// rounded is a place in tenths of a point.
func rounded(t require.TestingT, at string) string {
	x, y, _ := strings.Cut(at, ",")
	return tenths(value(t, x), value(t, y), 0, 0)
}

func tenths(x, y, dx, dy float64) string {
	return strconv.Itoa(int(math.Floor(x*10)+dx)) + " " + strconv.Itoa(int(math.Floor(y*10)+dy))
}

// near looks in the square of a tenth of a point round a place.
func near(drawn map[string]bool, x, y float64) bool {
	for _, dx := range []float64{0, -1, 1} {
		for _, dy := range []float64{0, -1, 1} {
			if drawn[tenths(x, y, dx, dy)] {
				return true
			}
		}
	}
	return false
}

// hostile labels.
var hostile = []string{
	`<script>alert(1)</script>`, `"><image href="x" onload="y">`, `]]>&amp;&#0;`, "tech \u202Egnp.exe\u2066", "a\x00b\x1bc\uFFFE\xff\nd",
	strings.Repeat("very long ", 30), strings.Repeat("W", 300), `style="font-family:Liberation Sans;`, "שלום مرحبا 漢字", "",
}

func TestHostileLabels(t *testing.T) {
	lives := lives(t, "genfan")
	curves, mcf := amlCurves(t), valveSeats(t)
	shop := survival.CumulativeIncidence(rowsOf(t, "shop_sim", "model")["M-A"], 0.95)
	for _, h := range hostile {
		l := Labels{Title: h, X: h, Y: h, Level: 0.95}
		pareto := survival.ParetoOf([]survival.Cause{{Name: h, Count: 3, Exposure: 2}, {Name: h + "2", Count: 1, Exposure: 5}}, 0.95)
		for _, svg := range [][]byte{
			Curve(l, []NamedCurve{{h, curves[0].Curve}, {h, curves[1].Curve}}),
			MeanCumulative(l, []NamedMCF{{h, mcf}}),
			WeibullPlot(l, survival.FitWeibull(lives, 0.95), lives),
			Incidence(l, shop, []string{h, h}),
			Funnel(l, 0.1, []FunnelGroup{{h, 20, 30}, {h, 1, 40}, {h, 29, 30}}),
			Cusum(l, survival.Cusum{K: 1, H: 2}, survival.Cusum{K: 1, H: 2}.Run([]survival.Observation{{Events: 3, Exposure: 1}})),
			Pareto(l, pareto),
		} {
			s := parse(t, svg)
			onThePage(t, svg, h)
			d, err := Read(svg)
			require.NoError(t, err)
			require.Equal(t, survival.OK, d.Status)
			require.NotContains(t, string(svg), "\u202E")
			require.NotContains(t, string(svg), "\u2066")
			for _, w := range s.words {
				require.LessOrEqual(t, len([]rune(w)), 2*maxLabel)
			}
			if len(h) == 300 {
				require.Contains(t, strings.Join(s.words, ""), "…")
			}
		}
	}
}

// What cannot be drawn is said in words, never an empty frame.
func TestWordsInPlaceOfAFrame(t *testing.T) {
	l := Labels{Title: "Nothing"}
	bad := survival.Curve{Status: survival.OK, N: 1, Steps: []survival.Step{{Day: 1, S: math.NaN()}}}
	for name, c := range map[string]struct {
		svg    []byte
		status survival.Status
	}{
		"no groups":    {Curve(l, nil), survival.Undefined},
		"undefined":    {Curve(l, []NamedCurve{{"x", survival.KaplanMeier(nil, 1, 0.95, survival.LogLog)}}), survival.Undefined},
		"not finite":   {Curve(l, []NamedCurve{{"x", bad}}), survival.Undefined},
		"too many":     {Curve(l, make7(amlCurves(t)[0])), survival.Undefined},
		"not reached":  {Curve(l, []NamedCurve{{"x", survival.Curve{Status: survival.NotReached}}}), survival.NotReached},
		"no failure":   {MeanCumulative(l, []NamedMCF{{"x", survival.MeanCumulative([]survival.History{{To: 9}}, 0.95)}}), survival.TooFew},
		"no cause":     {Incidence(l, survival.CumulativeIncidence([]survival.Row{{Exit: 5}}, 0.95), nil), survival.TooFew},
		"no fit":       {WeibullPlot(l, survival.FitWeibull(nil, 0.95), nil), survival.Undefined},
		"no group":     {Funnel(l, 0.1, nil), survival.Undefined},
		"no share":     {Funnel(l, math.NaN(), techs), survival.Undefined},
		"no chart":     {Cusum(l, survival.Cusum{}, nil), survival.Undefined},
		"no causes":    {Pareto(l, survival.ParetoOf(nil, 0.95)), survival.ParetoOf(nil, 0.95).Status},
		"chart is off": {Cusum(l, survival.Cusum{H: math.Inf(1)}, []survival.ChartPoint{{C: 1}}), survival.Undefined},
	} {
		d, err := Read(c.svg)
		require.NoError(t, err, name)
		require.NotEqual(t, survival.OK, d.Status, name)
		if name != "no causes" {
			require.Equal(t, c.status, d.Status, name)
		}
		require.NotEmpty(t, d.Words, name)
		require.Empty(t, d.Frames, name)
		require.Equal(t, 1, parse(t, c.svg).paths, name)
	}
}

func make7(c NamedCurve) []NamedCurve { return []NamedCurve{c, c, c, c, c, c, c} }

func TestReadRefuses(t *testing.T) {
	_, err := Read([]byte("<svg></svg>"))
	require.Error(t, err)
	_, err = Read([]byte("no picture"))
	require.Error(t, err)
	_, err = Read([]byte("<svg><metadata>{</metadata></svg>"))
	require.Error(t, err)
}

// Whatever the shop, a curve is drawn with its numbers or refused in words.
func TestAnyShopIsDrawn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var rows []survival.Row
		var units []survival.Life
		for i := range rapid.IntRange(0, 25).Draw(t, "rows") {
			entry := rapid.IntRange(0, 5).Draw(t, "entry")
			r := survival.Row{Entry: entry, Exit: entry + rapid.IntRange(1, 2000).Draw(t, "days"), Cause: rapid.IntRange(0, 3).Draw(t, "cause"), Unit: i}
			rows = append(rows, r)
			units = append(units, survival.Life{Entry: float64(r.Entry), Exit: float64(r.Exit) * rapid.Float64Range(1, 1e6).Draw(t, "unit"), Failed: r.Cause > 0})
		}
		km := survival.KaplanMeier(rows, 1, 0.95, survival.LogLog)
		l := Labels{Title: rapid.String().Draw(t, "title"), Level: 0.95}
		for _, svg := range [][]byte{
			Curve(l, []NamedCurve{{l.Title, km}}),
			Incidence(l, survival.CumulativeIncidence(rows, 0.95), nil),
			WeibullPlot(l, survival.FitWeibull(units, 0.95), units),
			Funnel(l, rapid.Float64Range(0, 1).Draw(t, "pooled"), []FunnelGroup{{"x", km.Events, km.N}}),
		} {
			parse(t, svg)
			onThePage(t, svg, "any")
			d, err := Read(svg)
			require.NoError(t, err)
			require.Equal(t, d.Status == survival.OK, len(d.Frames) > 0)
			require.Equal(t, d.Status == survival.OK, d.Words == "")
		}
	})
}
