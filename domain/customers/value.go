package customers

import (
	"fmt"
	"strconv"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
	"drumline/domain"
)

// NewValue is a sheet value as somebody writes it. Which members belong
// together follows from the parameter's form: value (Value), band (Low and
// High, or Value and TolerancePercent), at_most (High), at_least (Low), curve
// (Curve and TemperatureUnit), text (Words).
type NewValue struct {
	Parameter string
	Entered   EnteredValue
	Words     string
	Unit      string
	Origin    string
}

// read checks v against the parameter's form and converts it to SI.
func (v NewValue) read(k *catalogue.Kind) (SheetValue, error) {
	param, ok := k.Parameter(v.Parameter)
	if !ok {
		return SheetValue{}, domain.Absent()
	}
	r := &valueReader{v: v, param: param, out: SheetValue{Parameter: v.Parameter, Unit: v.Unit, Entered: v.Entered, Words: v.Words,
		Origin: v.Origin, CurveKelvin: []float64{}, CurveOhm: []float64{}}}
	r.ps.Text("/origin", v.Origin, 1, 200, false)
	r.ps.Text("/words", v.Words, 0, 400, false)
	r.form()
	return r.out, r.ps.Err()
}

type valueReader struct {
	v     NewValue
	param *catalogue.Parameter
	out   SheetValue
	ps    domain.Problems
}

// forms says which members each form demands and allows.
var forms = map[string]struct{ must, may []string }{
	"value":    {must: []string{"value"}},
	"band":     {must: []string{"low", "high"}, may: []string{"value", "tolerance_percent"}},
	"at_most":  {must: []string{"high"}},
	"at_least": {must: []string{"low"}},
	"curve":    {must: []string{"curve"}},
	"text":     {must: []string{"words"}},
}

func (r *valueReader) form() {
	e := r.v.Entered
	given := map[string]bool{"value": e.Value != "", "low": e.Low != "", "high": e.High != "", "tolerance_percent": e.Percent != "",
		"curve": len(e.Curve) > 0, "words": r.v.Words != ""}
	f := forms[r.param.Form]
	around := r.param.Form == "band" && given["value"] && given["tolerance_percent"] && !given["low"] && !given["high"]
	for _, m := range f.must {
		if !given[m] && !around {
			r.ps.Add("/"+m, "required", "%s is stated as %q: give %s.", r.param.Name, r.param.Form, m)
		}
		delete(given, m)
	}
	for _, m := range f.may {
		delete(given, m)
	}
	for _, m := range []string{"value", "low", "high", "tolerance_percent", "curve", "words"} {
		if given[m] {
			r.ps.Add("/"+m, "not_expected", "%s is stated as %q: leave %s out.", r.param.Name, r.param.Form, m)
		}
	}
	if r.ps.Err() != nil || r.param.Form == "text" {
		return
	}
	if r.param.Form == "curve" {
		r.curve()
		return
	}
	r.figures(around)
}

func (r *valueReader) figures(around bool) {
	e := r.v.Entered
	r.out.Value = r.figure("/value", e.Value)
	r.out.Low = r.figure("/low", e.Low)
	r.out.High = r.figure("/high", e.High)
	if around && r.out.Value != nil {
		pct, err := strconv.ParseFloat(e.Percent, 64)
		if err != nil || !(pct > 0 && pct <= 90) {
			r.ps.Add("/tolerance_percent", "range", "A tolerance is above 0 and at most 90 per cent.")
			return
		}
		low, high := *r.out.Value*(1-pct/100), *r.out.Value*(1+pct/100)
		r.out.Low, r.out.High = &low, &high
	}
	if r.out.Low != nil && r.out.High != nil && *r.out.Low >= *r.out.High {
		r.ps.Add("/high", "order", "The high limit must lie above the low one.")
	}
}

// figure converts one written number; nil when it is absent or wrong.
func (r *valueReader) figure(pointer, written string) *float64 {
	if written == "" {
		return nil
	}
	q := measure.Quantity(r.param.Quantity)
	v, err := strconv.ParseFloat(written, 64)
	if err != nil {
		r.ps.Add(pointer, "number", "This is not a number.")
		return nil
	}
	si, err := measure.ToSI(v, r.v.Unit, q)
	if err != nil {
		r.ps.Add("/unit", "unit", "%s", err.Error())
		return nil
	}
	if err := measure.CheckPhysical(si, q); err != nil {
		r.ps.Add(pointer, "range", "%s", err.Error())
		return nil
	}
	return &si
}

// curve reads a table of temperature and resistance: 2 to 200 points in order
// of temperature.
func (r *valueReader) curve() {
	points := r.v.Entered.Curve
	if len(points) < 2 || len(points) > 200 {
		r.ps.Add("/curve", "length", "A curve has 2 to 200 points.")
		return
	}
	last := 0.0
	for i, p := range points {
		at := fmt.Sprintf("/curve/%d", i)
		ohm := r.figure(at+"/resistance", p.Resistance)
		t, err := strconv.ParseFloat(p.Temperature, 64)
		kelvin, uerr := measure.ToSI(t, r.v.Entered.TemperatureUnit, measure.Quantity("temperature"))
		switch {
		case uerr != nil:
			r.ps.Add("/temperature_unit", "unit", "%s", uerr.Error())
			return
		case err != nil || measure.CheckPhysical(kelvin, "temperature") != nil || kelvin <= last:
			r.ps.Add(at+"/temperature", "order", "Temperatures rise from point to point.")
			return
		case ohm == nil:
			return
		}
		last = kelvin
		r.out.CurveKelvin, r.out.CurveOhm = append(r.out.CurveKelvin, kelvin), append(r.out.CurveOhm, *ohm)
	}
}
