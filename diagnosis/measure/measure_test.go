package measure_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis/measure"
)

func TestSIUnitIsItsOwnUnit(t *testing.T) {
	for _, q := range measure.Quantities() {
		unit := measure.SIUnit(q)
		require.NotEmpty(t, unit, q)
		si, err := measure.ToSI(12.5, unit, q)
		require.NoError(t, err)
		require.Equal(t, 12.5, si, q)
	}
	require.Empty(t, measure.SIUnit("colour"))
	require.False(t, measure.Quantity("colour").Known())
}

func TestQuantitiesIsACopy(t *testing.T) {
	measure.Quantities()[0] = "spoilt"
	require.Equal(t, measure.Temperature, measure.Quantities()[0])
}

func TestSlipsNameTheRightCode(t *testing.T) {
	slips := []struct {
		unit  string
		q     measure.Quantity
		right string
	}{
		{"degF", measure.Temperature, "[degF]"},
		{"°F", measure.Temperature, "[degF]"},
		{"F°", measure.Temperature, "[degF]"},
		{"degC", measure.Temperature, "Cel"},
		{"C", measure.Temperature, "Cel"},
		{"cfm", measure.Flow, "[cft_i]/min"},
		{"[CFM]", measure.Flow, "[cft_i]/min"},
		{"inH2O", measure.Pressure, "[in_i'H2O]"},
		{"psi", measure.Pressure, "[psi]"},
		{"ohm", measure.Resistance, "Ohm"},
		{"kohm", measure.Resistance, "kOhm"},
		{"Ω", measure.Resistance, "Ohm"},
		{"Cel/min", measure.TemperatureRate, "K/min"},
		{"[degF]/min", measure.TemperatureRate, "[degR]/min"},
		{"[degF]/s", measure.TemperatureRate, "[degR]/s"},
		{"rpm", measure.Frequency, "{rev}/min"},
		{"fpm", measure.Speed, "[ft_i]/min"},
		{"µF", measure.Capacitance, "uF"},
		{"lb", measure.Mass, "[lb_av]"},
		{"in", measure.Length, "[in_i]"},
	}
	for _, s := range slips {
		_, err := measure.ToSI(1, s.unit, s.q)
		var unitErr *measure.UnitError
		require.ErrorAs(t, err, &unitErr, s.unit)
		require.Equal(t, s.right, unitErr.Right, s.unit)
		require.ErrorContains(t, err, "write "+s.right)
		_, err = measure.ToSI(1, s.right, s.q)
		require.NoError(t, err, "the code offered for %s must be accepted", s.unit)
	}
}

func TestFootIsAFemtotonne(t *testing.T) {
	_, err := measure.ToSI(35, "ft", measure.Length)
	require.EqualError(t, err, `unknown unit "ft" for length: in UCUM ft is a femtotonne; write [ft_i]`)
}

func TestUnitErrors(t *testing.T) {
	_, err := measure.ToSI(1, "furlong", measure.Length)
	require.EqualError(t, err, `unknown unit "furlong" for length: write a UCUM code such as m`)
	_, err = measure.ToSI(1, "Ohm", measure.TemperatureDifference)
	require.EqualError(t, err, `"Ohm" is a unit of resistance, not of temperature difference (for example K)`)
	_, err = measure.ToSI(1, "m", "colour")
	require.ErrorIs(t, err, measure.ErrUnit)
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		_, err = measure.ToSI(v, "Ohm", measure.Resistance)
		require.ErrorIs(t, err, measure.ErrUnit)
		require.ErrorContains(t, err, "not a finite number")
		_, err = measure.FromSI(v, "Ohm", measure.Resistance)
		require.ErrorIs(t, err, measure.ErrUnit)
	}
	_, err = measure.ToSI(1e308, "GOhm", measure.Resistance)
	require.ErrorContains(t, err, "not a finite number", "an overflow")
	_, err = measure.DiffToSI(1, "cfm", measure.Flow)
	require.ErrorContains(t, err, "[cft_i]/min")
	_, err = measure.DiffFromSI(1, "cfm", measure.Flow)
	require.Error(t, err)
	_, err = measure.FromSI(1, "cfm", measure.Flow)
	require.Error(t, err)
}

// A point of 9 °F is a cold day, a difference of 9 °F is 5 K.
func TestPointsAndDifferencesAreKeptApart(t *testing.T) {
	point, err := measure.ToSI(9, "[degF]", measure.Temperature)
	require.NoError(t, err)
	require.InDelta(t, 260.3722222222, point, 1e-9)
	for _, convert := range []func() (float64, error){
		func() (float64, error) { return measure.ToSI(9, "[degF]", measure.TemperatureDifference) },
		func() (float64, error) { return measure.DiffToSI(9, "[degF]", measure.Temperature) },
		func() (float64, error) { return measure.DiffToSI(5, "Cel", measure.Temperature) },
		func() (float64, error) { return measure.DiffToSI(9, "[degR]", measure.Temperature) },
	} {
		k, err := convert()
		require.NoError(t, err)
		require.InDelta(t, 5, k, 1e-12)
	}
	back, err := measure.DiffFromSI(5, "[degF]", measure.Temperature)
	require.NoError(t, err)
	require.InDelta(t, 9, back, 1e-12)
	ohm, err := measure.DiffToSI(1.4, "kOhm", measure.Resistance)
	require.NoError(t, err)
	require.InDelta(t, 1400, ohm, 1e-9)
}

func TestCheckPhysical(t *testing.T) {
	inf := math.Inf(1)
	cases := []struct {
		si float64
		q  measure.Quantity
		ok bool
	}{
		{0, measure.Temperature, true},
		{-0.001, measure.Temperature, false},
		{-40, measure.TemperatureDifference, true},
		{-1, measure.TemperatureRate, true},
		{0, measure.Resistance, true},
		{-0.1, measure.Resistance, false},
		{-150, measure.Pressure, true},
		{-101326, measure.Pressure, false},
		{-12, measure.Voltage, true},
		{-1, measure.Time, false},
		{-1, measure.Length, false},
		{-1, measure.Flow, false},
		{-1, measure.Speed, false},
		{-1, measure.Power, false},
		{-1, measure.Frequency, false},
		{-1e-6, measure.Capacitance, false},
		{-0.05, measure.Ratio, true},
		{-1, measure.Angle, true},
		{1, "colour", false},
	}
	for _, c := range cases {
		require.Equal(t, c.ok, measure.CheckPhysical(c.si, c.q) == nil, "%v %s", c.si, c.q)
	}
	for _, q := range measure.Quantities() {
		require.Error(t, measure.CheckPhysical(math.NaN(), q))
		require.Error(t, measure.CheckPhysical(inf, q))
		require.Error(t, measure.CheckPhysical(-inf, q))
	}
	require.EqualError(t, measure.CheckPhysical(-1, measure.Temperature), "below absolute zero")
}

func TestFormat(t *testing.T) {
	cases := []struct {
		si   float64
		unit string
		q    measure.Quantity
		u    float64
		want string
	}{
		{339.8166667, "[degF]", measure.Temperature, 0, "152 °F"},
		{339.8166667, "[degF]", measure.Temperature, 6, "152 °F"},
		{339.8166667, "Cel", measure.Temperature, 0.05, "66.67 °C"},
		{233.15, "[degF]", measure.Temperature, 0, "-40 °F"},
		{255.3722222, "[degF]", measure.Temperature, 0, "0 °F"},
		{5400, "kOhm", measure.Resistance, 50, "5.4 kΩ"},
		{5400, "Ohm", measure.Resistance, 50, "5400 Ω"},
		{32554, "Ohm", measure.Resistance, 200, "32,554 Ω"},
		{0.12, "Ohm", measure.Resistance, 0.3, "0.12 Ω"},
		{10.6666667, "Ohm", measure.Resistance, 0.2, "10.7 Ω"},
		{10.6666667, "Ohm", measure.Resistance, 0.003, "10.667 Ω"},
		{1.2e6, "MOhm", measure.Resistance, 0, "1.2 MΩ"},
		{22.5, "A", measure.Current, 0.4, "22.5 A"},
		{149.45334, "[in_i'H2O]", measure.Pressure, 3, "0.6 in w.g."},
		{-24.90889, "[in_i'H2O]", measure.Pressure, 3, "-0.1 in w.g."},
		{7.62, "[ft_i]/min", measure.Speed, 0.5, "1500 fpm"},
		{0.06182511506, "[cft_i]/min", measure.Flow, 0, "131 cfm"},
		{5.5555556, "[degF]", measure.TemperatureDifference, 0, "10 °F"},
		{0.0463, "[degR]/min", measure.TemperatureRate, 0, "5 °F/min"},
		{0.7, "%", measure.Ratio, 0, "70%"},
		{0.7, "1", measure.Ratio, 0, "0.7"},
		{4.5e-5, "uF", measure.Capacitance, 0, "45 µF"},
		{4.5e-5, "F", measure.Capacitance, 0, "0.000045 F"},
		{math.Pi, "deg", measure.Angle, 0, "180°"},
		{0, "V", measure.Voltage, 0.3, "0 V"},
		{-1e-9, "V", measure.Voltage, 0.3, "-0.000000001 V"},
		{1e18, "Ohm", measure.Resistance, 0, "1e+18 Ω"},
		{5, "cfm", measure.Pressure, 0, "5 Pa"},
		{5, "m", "colour", 0, "5"},
		{math.NaN(), "V", measure.Voltage, 0, "no value"},
		{math.Inf(1), "V", measure.Voltage, 0, "no value"},
	}
	for _, c := range cases {
		require.Equal(t, c.want, measure.Format(c.si, c.unit, c.q, c.u), "%v %s", c.si, c.unit)
	}
	require.Equal(t, "°F", measure.Symbol("[degF]", measure.Temperature))
	require.Equal(t, "cfm", measure.Symbol("cfm", measure.Flow))
}

// One per cent of 152 °F is 1.52 °F, not one per cent of 340 K.
func TestPercentOfATemperatureIsOfTheFigureShown(t *testing.T) {
	a := measure.Accuracy{Percent: 1}
	require.InDelta(t, 1.52/1.8/math.Sqrt(3), a.StandardOf(339.8166667, measure.Temperature), 1e-6)
	require.InDelta(t, 3.398/math.Sqrt(3), a.Standard(339.8166667), 1e-3)
	require.InDelta(t, 2/math.Sqrt(3), a.StandardOf(200, measure.Resistance), 1e-9)
}

func TestDegreesOfFreedomEdges(t *testing.T) {
	inf := math.Inf(1)
	require.Equal(t, inf, measure.EffectiveDOF(nil, nil))
	require.Equal(t, inf, measure.EffectiveDOF([]float64{0, 0}, []float64{1, 1}))
	require.Equal(t, inf, measure.EffectiveDOF([]float64{1, 2}, []float64{inf}), "all type B")
	require.InDelta(t, 9, measure.EffectiveDOF([]float64{3}, []float64{9}), 1e-12)
	require.Equal(t, inf, measure.T95(0.5))
	require.Equal(t, inf, measure.T95(math.NaN()))
	require.Equal(t, inf, measure.T(1, 5))
	require.InDelta(t, 1.959964, measure.T95(inf), 1e-6)
	require.Equal(t, measure.T95(16), measure.T95(16.99), "truncated")
}

func TestCombineDoesNotOverflow(t *testing.T) {
	require.InDelta(t, 5, measure.Combine(3, -4), 1e-12)
	require.Zero(t, measure.Combine())
	require.InEpsilon(t, math.Sqrt2*1e300, measure.Combine(1e300, 1e300), 1e-12)
}

func TestMean(t *testing.T) {
	m, u, nu := measure.Mean([]float64{1, 2, 3, 4})
	require.Equal(t, 2.5, m)
	require.InDelta(t, math.Sqrt(5.0/3/4), u, 1e-12)
	require.Equal(t, 3.0, nu)
	m, u, nu = measure.Mean([]float64{7})
	require.Equal(t, []float64{7, math.Inf(1), 0}, []float64{m, u, nu})
	m, u, nu = measure.Mean(nil)
	require.Equal(t, []float64{0, 0, 0}, []float64{m, u, nu})
	require.Zero(t, measure.CovarianceOfMeans([]float64{1}, []float64{1}))
}

func TestUpperLower(t *testing.T) {
	rule := measure.Rule{}
	cases := []struct {
		y, u float64
		p    float64
		want measure.Outcome
	}{
		{10, 1, 0.5, measure.Inconclusive},
		{8.35, 1, 0.9505, measure.Conforms},
		{8.36, 1, 0.9495, measure.Inconclusive},
		{11.64, 1, 0.0505, measure.Inconclusive},
		{11.65, 1, 0.0495, measure.DoesNotConform},
		{10, 0, 1, measure.Conforms},
		{10.0001, 0, 0, measure.DoesNotConform},
	}
	for _, c := range cases {
		up := measure.Upper(c.y, c.u, 10, rule)
		require.InDelta(t, c.p, up.Probability, 1e-4, "%v", c)
		require.Equal(t, c.want, up.Outcome, "%v", c)
		require.Equal(t, up, measure.Lower(-c.y, c.u, -10, rule), "a mirror image")
	}
}

func TestWithoutANumberNothingIsDecided(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	want := measure.Conformity{Probability: 0.5, Outcome: measure.Inconclusive}
	require.Equal(t, want, measure.Upper(nan, 1, 10, measure.Rule{}))
	require.Equal(t, want, measure.Upper(1, nan, 10, measure.Rule{}))
	require.Equal(t, want, measure.Upper(1, -1, 10, measure.Rule{}))
	require.Equal(t, want, measure.Upper(1, inf, 10, measure.Rule{}))
	require.Equal(t, want, measure.Lower(inf, 1, 10, measure.Rule{}))
	require.Equal(t, want, measure.Between(1, 1, nan, 10, measure.Rule{}))
	require.Equal(t, want, measure.Between(5, 1, 10, 0, measure.Rule{}), "limits in the wrong order")
}

// A reading far too coarse for the band has a low probability of lying in it
// wherever it is, and yet condemns nothing.
func TestCoarseReadingBetweenLimitsIsInconclusive(t *testing.T) {
	c := measure.Between(10, 100, 9, 11, measure.Rule{})
	require.Less(t, c.Probability, 0.05)
	require.Equal(t, measure.Inconclusive, c.Outcome)
	require.False(t, measure.Rule{}.CanAccept(100, 9, 11))
	require.True(t, measure.Rule{}.CanAccept(0.4, 9, 11))
	require.True(t, measure.Rule{}.CanAccept(0, 9, 9), "one exact value")
}

func TestBetween(t *testing.T) {
	cases := []struct {
		y, u float64
		want measure.Outcome
	}{
		{10, 0.2, measure.Conforms},
		{10.9, 0.2, measure.Inconclusive},
		{11.4, 0.2, measure.DoesNotConform},
		{8.6, 0.2, measure.DoesNotConform},
		{9, 0, measure.Conforms},
		{11, 0, measure.Conforms},
		{11.01, 0, measure.DoesNotConform},
		{8.99, 0, measure.DoesNotConform},
	}
	for _, c := range cases {
		require.Equal(t, c.want, measure.Between(c.y, c.u, 9, 11, measure.Rule{}).Outcome, "%v", c)
	}
}

func TestRuleGuard(t *testing.T) {
	accept, reject := measure.DefaultRule().Guard(2)
	require.InDelta(t, 3.2897, accept, 1e-4)
	require.InDelta(t, accept, reject, 1e-12)
	accept, reject = measure.Rule{Accept: 1, Reject: 0}.Guard(0)
	require.Zero(t, accept)
	require.Zero(t, reject)
	upsideDown := measure.Rule{Accept: 0.1, Reject: 0.9}
	require.Equal(t, measure.Upper(1, 1, 2, measure.Rule{}), measure.Upper(1, 1, 2, upsideDown), "the default steps in")
	atTheLimit := measure.GuardRule(0)
	require.Equal(t, measure.Conforms, measure.Upper(9.999, 1, 10, atTheLimit).Outcome)
	require.Equal(t, measure.DoesNotConform, measure.Upper(10.001, 1, 10, atTheLimit).Outcome)
}

func TestDefaultsAreMarkedAndCautious(t *testing.T) {
	readings := map[measure.Quantity]float64{
		measure.Temperature: 340, measure.Resistance: 10.2, measure.Current: 22.5, measure.Voltage: 240,
		measure.Pressure: 100, measure.Speed: 7, measure.Capacitance: 45e-6,
	}
	for q, si := range readings {
		d, ok := measure.DefaultFor("", q, si, true)
		require.True(t, ok, q)
		require.Equal(t, measure.CommonPractice, d.Mark)
		value, u := d.Correct(si, q)
		require.Equal(t, si, value, "no bias of %s", q)
		require.Greater(t, u/si, 0.001, q)
		require.Less(t, u/si, 0.2, q)
	}
	_, ok := measure.DefaultFor("vane", measure.Resistance, 1, true)
	require.False(t, ok)
	_, ok = measure.DefaultFor("", measure.Mass, 1, true)
	require.False(t, ok)
}

// Infrared on bright metal reads 20 to 60 °F low: common practice, no source.
func TestInfraredOnBrightMetal(t *testing.T) {
	d, ok := measure.DefaultFor("infrared", measure.Temperature, 333.15, false)
	require.True(t, ok)
	value, u := d.Correct(333.15, measure.Temperature)
	require.InDelta(t, 333.15+40/1.8, value, 1e-9)
	require.Greater(t, u, 20/1.8/math.Sqrt(3))
	_, tape := measure.Infrared(false).Correct(333.15, measure.Temperature)
	require.Less(t, tape, u)
}

func TestResistanceMeterLeadsAndRanges(t *testing.T) {
	value, u := measure.ResistanceMeter(0.5, false).Correct(0.5, measure.Resistance)
	require.InDelta(t, 0.2, value, 1e-12, "0.3 Ω of leads come off")
	_, zeroed := measure.ResistanceMeter(0.5, true).Correct(0.5, measure.Resistance)
	require.Greater(t, u, zeroed)
	for ohm, count := range map[float64]float64{0: 0.1, 600: 0.1, 601: 1, 10000: 10, 33000: 10, 1e6: 1000} {
		require.InDelta(t, count, measure.ResistanceMeter(ohm, true).Resolution, count*1e-9, "%v Ω", ohm)
	}
	require.Equal(t, 0.1, measure.ResistanceMeter(math.NaN(), true).Resolution)
}
