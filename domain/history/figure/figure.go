// Package figure draws the results of package survival as SVG pictures for
// paper and screen: curves, incidence, Weibull paper, funnels, CUSUM and Pareto
// charts. Pure: the same results give the same bytes.
//
// A picture is 16 cm wide with no text below 9 pt. Series are told apart by
// line pattern, mark and weight, never by colour alone. It carries a title and a
// description for screen readers and no script. The numbers it was drawn from
// are inside it as metadata (Read). Where survival has no result, the picture
// says so in words.
package figure

import (
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"math"

	"drumline/domain/history/survival"
)

// Labels are the words round a picture. They may be anything: control and
// direction characters are dropped, and what is too long ends in an ellipsis.
type Labels struct {
	Title string
	X, Y  string  // names of the axes, with their units
	Level float64 // of the limits drawn, such as 0.95, to be named; 0: not named
}

// Kind says how a series is drawn.
type Kind string

// The kinds of series. Lo and Hi of a point are limits of Y, of an Across
// series limits of X.
const (
	Steps  Kind = "steps"  // holds its value from each X to the next
	Line   Kind = "line"   // straight from point to point
	Points Kind = "points" // marks alone
	Across Kind = "across" // marks with limits along X
	Bars   Kind = "bars"   // from 0 to Y, one a label
)

// Point is one drawn value. Lo and Hi are nil where there are no limits.
// Marked points stand out: greyed-out steps, alarms, groups outside the limits.
type Point struct {
	X      float64  `json:"x"`
	Y      float64  `json:"y"`
	Lo     *float64 `json:"lo,omitempty"`
	Hi     *float64 `json:"hi,omitempty"`
	AtRisk int      `json:"at_risk,omitempty"`
	Label  string   `json:"label,omitempty"`
	Marked bool     `json:"marked,omitempty"`
}

// Series is one line, set of marks or set of bars.
type Series struct {
	Name   string          `json:"name"`
	Kind   Kind            `json:"kind"`
	Status survival.Status `json:"status"`
	Points []Point         `json:"points"`
}

// Frame is where the axes stand, in points from the lower left corner of the
// page, and the values at their ends as they are scaled (a logarithm on
// logarithmic axes).
type Frame struct {
	Left, Bottom, Right, Top float64
	MinX, MaxX, MinY, MaxY   float64
}

// Drawn is what a picture shows. When Status is not ok there are no axes, and
// Words say why.
type Drawn struct {
	Figure string          `json:"figure"`
	Status survival.Status `json:"status"`
	Words  string          `json:"words,omitempty"`
	Notes  []string        `json:"notes,omitempty"`
	Series []Series        `json:"series"`
	Frames []Frame         `json:"frames,omitempty"`
}

// Read gives back the numbers a picture of this package was drawn from.
func Read(svg []byte) (Drawn, error) {
	var doc struct {
		Metadata string `xml:"metadata"`
	}
	if err := xml.Unmarshal(svg, &doc); err != nil {
		return Drawn{}, fmt.Errorf("read the picture: %w", err)
	}
	if doc.Metadata == "" {
		return Drawn{}, errors.New("the picture carries no numbers: it was not drawn here")
	}
	var d Drawn
	if err := json.Unmarshal([]byte(doc.Metadata), &d); err != nil {
		return Drawn{}, fmt.Errorf("read the picture's numbers: %w", err)
	}
	return d, nil
}

// maxGroups is how many line patterns can be told apart in print (judgement, no
// source).
const maxGroups = 6

// number turns a figure that may be missing into a pointer.
func number(n survival.Number) *float64 {
	if !n.OK() {
		return nil
	}
	return &n.Value
}

// sound tells whether every value can be drawn.
func sound(series []Series) bool {
	for _, s := range series {
		for _, p := range s.Points {
			if !finite(p.X) || !finite(p.Y) || p.Lo != nil && !finite(*p.Lo) || p.Hi != nil && !finite(*p.Hi) {
				return false
			}
		}
	}
	return true
}

// finite also refuses what would overflow when scaled.
func finite(x float64) bool { return math.Abs(x) < 1e150 }

// reason puts a status into words.
func reason(s survival.Status) string {
	switch s {
	case survival.TooFew:
		return "Too few events for this picture: a line drawn from them would say more than is known."
	case survival.NotReached:
		return "The follow-up does not reach far enough for this picture."
	}
	return "There is nothing to draw: the figures do not exist for this selection."
}

// statusOf is the status of a picture of several results: ok when one is.
func statusOf(series []Series) survival.Status {
	status := survival.Undefined
	for i, s := range series {
		if s.Status == survival.OK {
			return survival.OK
		}
		if i == 0 {
			status = s.Status
		}
	}
	return status
}
