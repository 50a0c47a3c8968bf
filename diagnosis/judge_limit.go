package diagnosis

import (
	"math"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
)

// Origins of a limit that no document states.
const (
	originPractice = "common practice, no source"
	originShop     = "the shop's own figure"
	originComputed = "own arithmetic"
	unconfirmed    = " (unconfirmed)"
)

// bounds is a limit made ready to compare: SI, of one quantity.
type bounds struct {
	limit    *Limit
	quantity measure.Quantity
	missing  string // data-sheet parameter without which there is no limit
}

// bounds resolves a limit of the check: the data sheet first, then the
// catalogue's own figures, unless the sheet is indispensable.
func (j *job) bounds(l *catalogue.Limit) bounds {
	b := j.sheetOrOwn(l)
	if b.limit != nil {
		b.limit.rule = j.unit.Rule
	}
	return b
}

func (j *job) sheetOrOwn(l *catalogue.Limit) bounds {
	b := bounds{quantity: j.quantityOf(l)}
	if l.Parameter != "" {
		if sv, ok := j.sheet[l.Parameter]; ok {
			b.limit = j.sheetLimit(l, sv, b.quantity)
		}
		if b.limit == nil && l.Indispensable {
			b.missing = l.Parameter
			return b
		}
	}
	if b.limit == nil {
		b.limit = ownLimit(l, b.quantity)
	}
	return b
}

func (j *job) quantityOf(l *catalogue.Limit) measure.Quantity {
	if l.Quantity != "" {
		return measure.Quantity(l.Quantity)
	}
	if in, ok := j.check.Input(l.Input); ok {
		return measure.Quantity(in.Quantity)
	}
	return ""
}

// toleranceIsPractice is added to the origin of a sheet's figure that is judged
// within a tolerance the sheet does not give.
const toleranceIsPractice = "; tolerance " + originPractice

// sheetLimit makes the limit a sheet value gives; nil when it gives none, or
// contradicts itself (low above high, not finite).
func (j *job) sheetLimit(l *catalogue.Limit, sv SheetValue, q measure.Quantity) *Limit {
	out := &Limit{Low: sv.Low, High: sv.High, Unit: sv.Unit, Mark: catalogue.Sheet, Origin: sv.Origin, Confirmed: sv.Confirmed}
	if out.Unit == "" {
		out.Unit = l.Unit
	}
	if out.Origin == "" {
		out.Origin = "data sheet"
	}
	if !sv.Confirmed {
		out.Origin += unconfirmed
	}
	if sv.Low == nil && sv.High == nil && sv.Value != nil {
		out.Low, out.High = j.around(l, *sv.Value, q)
		if _, stated := j.sheet[l.ToleranceParameter]; !stated && l.Tolerance != nil && l.Mark == catalogue.CommonPractice {
			out.Origin += toleranceIsPractice
		}
	}
	if (out.Low == nil && out.High == nil) || !orderly(out.Low, out.High) {
		return nil
	}
	return out
}

func orderly(low, high *float64) bool {
	for _, p := range []*float64{low, high} {
		if p != nil && (math.IsNaN(*p) || math.IsInf(*p, 0)) {
			return false
		}
	}
	return low == nil || high == nil || *low <= *high
}

// around makes the two ends of a single sheet value: by the form of the
// parameter, then by its tolerance, then by the sides the catalogue's own
// limit has.
func (j *job) around(l *catalogue.Limit, v float64, q measure.Quantity) (low, high *float64) {
	form := ""
	if p, ok := j.kind.Parameter(l.Parameter); ok {
		form = p.Form
	}
	switch {
	case form == "at_most":
		return nil, &v
	case form == "at_least":
		return &v, nil
	}
	if t, ok := j.tolerance(l, v, q); ok {
		a, b := v-t, v+t
		return &a, &b
	}
	switch {
	case l.Low == nil && l.High != nil:
		return nil, &v
	case l.Low != nil && l.High == nil:
		return &v, nil
	}
	return &v, &v
}

// tolerance is the half width around a single sheet value, SI.
func (j *job) tolerance(l *catalogue.Limit, v float64, q measure.Quantity) (float64, bool) {
	if sv, ok := j.sheet[l.ToleranceParameter]; ok && sv.Value != nil && *sv.Value > 0 && !math.IsInf(*sv.Value, 0) {
		return *sv.Value, true
	}
	if l.Tolerance != nil {
		t, err := measure.DiffToSI(*l.Tolerance, l.Unit, q)
		return math.Abs(t), err == nil
	}
	if l.RelativeTolerance != nil {
		return math.Abs(*l.RelativeTolerance * v), true
	}
	if l.Low != nil && l.High != nil {
		t, err := measure.DiffToSI((*l.High-*l.Low)/2, l.Unit, q)
		return t, err == nil
	}
	return 0, false
}

// ownLimit is the catalogue's figure; nil when it has none.
func ownLimit(l *catalogue.Limit, q measure.Quantity) *Limit {
	out := &Limit{Unit: l.Unit, Mark: l.Mark, Origin: ownOrigin(l), Confirmed: true}
	for _, side := range []struct {
		from *float64
		to   **float64
	}{{l.Low, &out.Low}, {l.High, &out.High}} {
		if side.from == nil {
			continue
		}
		si, err := measure.ToSI(*side.from, l.Unit, q)
		if err != nil {
			return nil
		}
		*side.to = &si
	}
	if out.Low == nil && out.High == nil {
		return nil
	}
	return out
}

func ownOrigin(l *catalogue.Limit) string {
	switch {
	case l.Mark == catalogue.Own && l.Source != "":
		return originShop + ", " + l.Source
	case l.Mark == catalogue.Own:
		return originShop
	case l.Mark == catalogue.CommonPractice || (l.Mark == "" && l.Source == ""):
		return originPractice
	case l.Source != "":
		return l.Source
	case l.Mark == catalogue.Computed:
		return originComputed
	}
	return originPractice
}

// compare holds a value against a limit by the decision rule the limit
// carries. Without a limit nothing is decided.
func compare(x, u float64, l *Limit) measure.Conformity {
	switch {
	case l == nil:
	case l.Low != nil && l.High != nil:
		return measure.Between(x, u, *l.Low, *l.High, l.rule)
	case l.High != nil:
		return measure.Upper(x, u, *l.High, l.rule)
	case l.Low != nil:
		return measure.Lower(x, u, *l.Low, l.rule)
	}
	return measure.Conformity{Probability: 0.5, Outcome: measure.Inconclusive}
}

// nearHigh says whether a value lies nearer to the upper end of a limit.
func nearHigh(x float64, l *Limit) bool {
	switch {
	case l.Low == nil:
		return true
	case l.High == nil:
		return false
	}
	return math.Abs(x-*l.High) < math.Abs(x-*l.Low)
}
