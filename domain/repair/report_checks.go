package repair

import (
	"slices"
	"strings"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
)

// ReportCheck is one check at one position, as found and after the work.
type ReportCheck struct {
	Check    string // id
	Name     string
	Position string // in words; empty for a check without positions
	About    string // the part it speaks about, plainly
	AsFound  *ReportReading
	After    *ReportReading
}

// ReportReading is one reading in words.
type ReportReading struct {
	Result  string        // the figure that was compared, or what was seen
	Values  []ReportValue // all that was entered
	Outcome diagnosis.Outcome
	Limit   *ReportLimit // nil: a look, or no limit known
}

// ReportValue is one input as entered.
type ReportValue struct {
	Input   string
	Name    string
	Text    string // "126, 127, 126 °F", or the name of a choice
	Entered []string
	Unit    string // UCUM code; empty for a choice
}

// ReportLimit is what a reading was held against.
type ReportLimit struct {
	Text      string // "at most 0.6 in w.g."
	Low, High *float64
	Unit      string // UCUM code of Low and High
	Origin    string
	Confirmed bool // of a data-sheet value: two people agree
}

// checks lists what counts, in the order it was first done: of a check at a
// position the last reading as found, and the last taken after the work.
func (g *reporting) checks() []ReportCheck {
	out := []ReportCheck{}
	for _, r := range g.readings {
		ch, ok := g.kind.Check(r.Check)
		if !ok || !r.Weighs() || r.NotDone != "" {
			continue
		}
		name := positionName(ch, r.Position)
		i := slices.IndexFunc(out, func(c ReportCheck) bool { return c.Check == r.Check && c.Position == name })
		if i < 0 {
			i = len(out)
			out = append(out, ReportCheck{Check: ch.ID, Name: ch.Name, Position: name, About: g.about(ch, r)})
		}
		if r.Phase == diagnosis.AsFound {
			out[i].AsFound = readingInWords(ch, r)
		} else {
			out[i].After = readingInWords(ch, r)
		}
	}
	return out
}

func positionName(ch *catalogue.Check, id string) string {
	for _, p := range ch.Positions {
		if p.ID == id && p.Name != "" {
			return p.Name
		}
	}
	return id
}

// about is the part a reading says most of.
func (g *reporting) about(ch *catalogue.Check, r *Reading) string {
	id := ""
	if len(ch.Parts) > 0 {
		id = ch.Parts[0]
	}
	if len(r.Verdicts) > 0 {
		id = r.Verdicts[0].Part
	}
	if p, ok := g.kind.Part(id); ok {
		return p.Plain
	}
	return id
}

func readingInWords(ch *catalogue.Check, r *Reading) *ReportReading {
	out := &ReportReading{Values: valuesInWords(ch, r), Outcome: outcomeOf(r)}
	out.Result = lookResult(ch, out.Values)
	i := slices.IndexFunc(r.Verdicts, func(v Verdict) bool { return v.LimitOrigin != "" })
	if i < 0 {
		return out
	}
	v := r.Verdicts[i]
	q := limitQuantity(ch, v)
	unit := shownUnit(r, v, q)
	out.Limit = limitInWords(v, q, unit)
	if v.Measured != nil {
		out.Result = measure.Format(*v.Measured, unit, q, v.Uncertainty) + resultWord(q)
	}
	return out
}

// resultWord says what kind of figure is shown when it is not one of those
// entered.
func resultWord(q measure.Quantity) string {
	switch q {
	case measure.TemperatureDifference:
		return " difference"
	case measure.TemperatureRate:
		return " rise"
	}
	return ""
}

// outcomeOf is the outcome of a whole reading: one part that does not conform
// decides.
func outcomeOf(r *Reading) diagnosis.Outcome {
	out := diagnosis.Inconclusive
	for _, v := range r.Verdicts {
		if v.Outcome == diagnosis.DoesNotConform {
			return v.Outcome
		}
		if v.Outcome == diagnosis.Conforms {
			out = v.Outcome
		}
	}
	return out
}

// lookResult is what was seen; for figures without a comparison the first.
func lookResult(ch *catalogue.Check, vs []ReportValue) string {
	for _, v := range vs {
		if in, ok := ch.Input(v.Input); ok && (in.Quantity != "" || v.Input == "result") {
			return v.Text
		}
	}
	if len(vs) > 0 {
		return vs[0].Text
	}
	return "logged run"
}

// valuesInWords gives what was entered, in the order of the check's inputs.
func valuesInWords(ch *catalogue.Check, r *Reading) []ReportValue {
	out := []ReportValue{}
	for i := range ch.Inputs {
		in := &ch.Inputs[i]
		v := ReportValue{Input: in.ID, Name: in.Name}
		for _, e := range r.Values {
			if e.Input == in.ID {
				v.Entered, v.Unit = append(v.Entered, enteredText(in, e)), e.Unit
			}
		}
		if len(v.Entered) == 0 {
			continue
		}
		v.Text = strings.Join(v.Entered, ", ")
		if v.Unit != "" && !r.over(in.ID) {
			v.Text = withSymbol(v.Text, measure.Symbol(v.Unit, measure.Quantity(in.Quantity)))
		}
		out = append(out, v)
	}
	return out
}

func (r *Reading) over(input string) bool {
	return slices.ContainsFunc(r.Values, func(v Value) bool { return v.Input == input && v.Over })
}

func enteredText(in *catalogue.Input, v Value) string {
	if v.Over {
		return "no connection (over range)"
	}
	for _, c := range in.Choices {
		if c.ID == v.Entered && c.Name != "" {
			return c.Name
		}
	}
	return v.Entered
}

func withSymbol(number, symbol string) string {
	if symbol == "%" || symbol == "°" || symbol == "" {
		return number + symbol
	}
	return number + " " + symbol
}

// limitQuantity finds of what quantity a verdict's limit is: of the check's
// limit with the same figures, else of the first its unit fits.
func limitQuantity(ch *catalogue.Check, v Verdict) measure.Quantity {
	first := measure.Quantity("")
	for _, l := range ch.Limits {
		q := quantityOf(ch, l)
		if _, err := measure.FromSI(1, v.LimitUnit, q); err != nil {
			continue
		}
		if sameFigure(l.Low, l.Unit, q, v.LimitLow) && sameFigure(l.High, l.Unit, q, v.LimitHigh) {
			return q
		}
		if first == "" {
			first = q
		}
	}
	if first == "" {
		return MainQuantity(ch)
	}
	return first
}

func quantityOf(ch *catalogue.Check, l catalogue.Limit) measure.Quantity {
	if l.Quantity != "" {
		return measure.Quantity(l.Quantity)
	}
	if in, ok := ch.Input(l.Input); ok {
		return measure.Quantity(in.Quantity)
	}
	return ""
}

func sameFigure(x *float64, unit string, q measure.Quantity, si *float64) bool {
	if x == nil || si == nil {
		return x == nil && si == nil
	}
	v, err := measure.ToSI(*x, unit, q)
	return err == nil && v-*si < 1e-9*max(1, *si) && *si-v < 1e-9*max(1, *si)
}

// shownUnit is the unit the tech entered, when it fits; else the limit's. A
// share is shown in per cent.
func shownUnit(r *Reading, v Verdict, q measure.Quantity) string {
	if q == measure.Ratio {
		return "%"
	}
	for _, e := range r.Values {
		if _, err := measure.FromSI(1, e.Unit, q); e.Unit != "" && err == nil {
			return e.Unit
		}
	}
	return v.LimitUnit
}

func limitInWords(v Verdict, q measure.Quantity, unit string) *ReportLimit {
	l := &ReportLimit{Unit: unit, Origin: v.LimitOrigin, Confirmed: v.LimitConfirmed, Low: inUnit(v.LimitLow, unit, q), High: inUnit(v.LimitHigh, unit, q)}
	show := func(x *float64) string { return measure.Format(*x, unit, q, 0) }
	switch {
	case v.LimitLow != nil && v.LimitHigh != nil && *v.LimitLow == *v.LimitHigh:
		l.Text = show(v.LimitLow)
	case v.LimitLow != nil && v.LimitHigh != nil:
		high := show(v.LimitHigh)
		l.Text = strings.TrimSuffix(show(v.LimitLow), symbolOf(high)) + " to " + high
	case v.LimitHigh != nil:
		l.Text = "at most " + show(v.LimitHigh)
	case v.LimitLow != nil:
		l.Text = "at least " + show(v.LimitLow)
	}
	return l
}

// symbolOf is the unit of a formatted figure, with the space before it.
func symbolOf(figure string) string {
	if i := strings.LastIndexByte(figure, ' '); i > 0 {
		return figure[i:]
	}
	return ""
}

func inUnit(si *float64, unit string, q measure.Quantity) *float64 {
	if si == nil {
		return nil
	}
	v, err := measure.FromSI(*si, unit, q)
	if err != nil {
		return nil
	}
	return &v
}
