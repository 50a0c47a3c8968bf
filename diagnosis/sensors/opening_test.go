package sensors_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis/sensors"
)

func ptr(v float64) *float64 { return &v }

// ramp heats from 300 K at rate K/s, sampled every step seconds; the contact
// opens at opens and, on the way down, closes at closes.
func ramp(rate, step, opens, closes float64) (t, kelvin []float64, closed []bool) {
	k, contact, up := 300.0, true, true
	for at := 0.0; k > closes-15 || up; at += step {
		if k >= opens {
			contact = false
		}
		if !up && k <= closes {
			contact = true
		}
		t, kelvin, closed = append(t, at), append(kelvin, k), append(closed, contact)
		if k > opens+5 {
			up = false
		}
		if up {
			k += rate * step
		} else {
			k -= rate * step
		}
	}
	return t, kelvin, closed
}

func TestOpeningFromSeries(t *testing.T) {
	const rate = 2.0 / 60
	ts, kelvin, closed := ramp(rate, 10, 341.5, 325)
	o, err := sensors.OpeningFromSeries(ts, kelvin, closed)
	require.NoError(t, err)
	require.Equal(t, sensors.Opened, o.State)
	require.LessOrEqual(t, o.Low, 341.5)
	require.GreaterOrEqual(t, o.High, 341.5)
	require.InDelta(t, rate*10, o.High-o.Low, 1e-9, "one sample apart")
	require.InDelta(t, rate, o.Rate, 1e-9)
	require.InDelta(t, 2, o.Lag, 1e-9, "60 s at 2 K/min")
	require.NotNil(t, o.Recloses)
	require.InDelta(t, 325, *o.Recloses, rate*10)
	require.InDelta(t, o.High-*o.Recloses, *o.Differential, 1e-12)
	require.False(t, o.Chatter)
}

func TestOpeningStates(t *testing.T) {
	ts := []float64{0, 30, 60, 90}
	kelvin := []float64{300, 310, 320, 330}
	o, err := sensors.OpeningFromSeries(ts, kelvin, []bool{true, true, true, true})
	require.NoError(t, err)
	require.Equal(t, sensors.NeverOpened, o.State)
	require.Equal(t, 330.0, o.Low)
	require.InDelta(t, 1.0/3, o.Rate, 1e-9)
	o, err = sensors.OpeningFromSeries(ts, kelvin, []bool{false, false, true, true})
	require.NoError(t, err)
	require.Equal(t, sensors.OpenCold, o.State)
	require.Equal(t, 300.0, o.High)
	o, err = sensors.OpeningFromSeries(ts[:1], kelvin[:1], []bool{true})
	require.NoError(t, err)
	require.Equal(t, sensors.NeverOpened, o.State)
	require.Zero(t, o.Rate)
	o, err = sensors.OpeningFromSeries(ts, kelvin, []bool{true, false, false, false})
	require.NoError(t, err)
	require.InDelta(t, 1.0/3, o.Rate, 1e-9, "from the two samples there are")
}

// A disc that never opened is the more to blame the longer it was held hot.
func TestSoakLowersTheLagOfADiscThatNeverOpened(t *testing.T) {
	quick, err := sensors.OpeningFromSeries([]float64{0, 10, 20}, []float64{330, 335, 340}, []bool{true, true, true})
	require.NoError(t, err)
	held, err := sensors.OpeningFromSeries([]float64{0, 10, 20, 140, 260}, []float64{330, 335, 340, 340, 339.5}, []bool{true, true, true, true, true})
	require.NoError(t, err)
	k1, _ := quick.Estimate(sensors.DefaultResponse(), 1)
	k2, _ := held.Estimate(sensors.DefaultResponse(), 1)
	require.Less(t, k1, 320.0)
	require.Greater(t, k2, 337.0)
}

func TestChatterIsNotReclosing(t *testing.T) {
	ts := []float64{0, 10, 20, 30, 40, 50, 60}
	kelvin := []float64{338, 340, 341, 341.5, 342, 335, 326}
	o, err := sensors.OpeningFromSeries(ts, kelvin, []bool{true, true, false, true, false, false, true})
	require.NoError(t, err)
	require.True(t, o.Chatter)
	require.Equal(t, 340.0, o.Low)
	require.Equal(t, 341.0, o.High)
	require.Equal(t, 326.0, *o.Recloses)
	require.InDelta(t, 15, *o.Differential, 1e-12)
}

func TestOpeningShortForms(t *testing.T) {
	o, err := sensors.OpeningShort(sensors.WarmUp{LastClosed: ptr(350)})
	require.NoError(t, err)
	require.Equal(t, sensors.NeverOpened, o.State)
	o, err = sensors.OpeningShort(sensors.WarmUp{FirstOpen: ptr(295)})
	require.NoError(t, err)
	require.Equal(t, sensors.OpenCold, o.State)
	o, err = sensors.OpeningShort(sensors.WarmUp{LastClosed: ptr(340), FirstOpen: ptr(341), Seconds: 240, Recloses: ptr(325)})
	require.NoError(t, err)
	require.InDelta(t, 20.0/1.8/240, o.Rate, 1e-12, "20 °F in four minutes: 5 °F/min")
	require.Equal(t, 16.0, *o.Differential)
}

func TestOpeningShortRefuses(t *testing.T) {
	nan := math.NaN()
	for _, w := range []sensors.WarmUp{
		{},
		{LastClosed: ptr(nan)},
		{LastClosed: ptr(68)}, // degrees entered as kelvin
		{LastClosed: ptr(340), FirstOpen: ptr(math.Inf(1))},
		{LastClosed: ptr(340), FirstOpen: ptr(341), Seconds: -1},
		{LastClosed: ptr(340), FirstOpen: ptr(341), Seconds: nan},
		{LastClosed: ptr(340), FirstOpen: ptr(341), Rate: nan},
		{LastClosed: ptr(340), FirstOpen: ptr(341), Rate: 1e300},
		{LastClosed: ptr(340), FirstOpen: ptr(341), Seconds: 1e-300},
		{LastClosed: ptr(340), FirstOpen: ptr(341), Recloses: ptr(341)},
	} {
		_, err := sensors.OpeningShort(w)
		require.ErrorContains(t, err, "warm-up: ")
	}
}

func TestOpeningFromSeriesRefuses(t *testing.T) {
	yes := []bool{true, true}
	for name, c := range map[string]struct{ t, k []float64 }{
		"empty":        {nil, nil},
		"lengths":      {[]float64{0}, []float64{300, 301}},
		"still":        {[]float64{0, 0}, []float64{300, 301}},
		"backwards":    {[]float64{1, 0}, []float64{300, 301}},
		"not a time":   {[]float64{0, math.NaN()}, []float64{300, 301}},
		"endless":      {[]float64{0, math.Inf(1)}, []float64{300, 301}},
		"not a value":  {[]float64{0, 1}, []float64{300, math.NaN()}},
		"over range":   {[]float64{0, 1}, []float64{300, 9999}},
		"degrees as K": {[]float64{0, 1}, []float64{68, 70}},
	} {
		_, err := sensors.OpeningFromSeries(c.t, c.k, yes)
		require.Error(t, err, name)
	}
}

// With the ramp at 5 °F/min and 60 s of lag the limit of ±10 °F is just kept;
// a heat gun at 50 °F/min must be repeated ten times slower.
func TestTooFast(t *testing.T) {
	const tenF = 10.0 / 1.8
	response := sensors.DefaultResponse()
	slow := sensors.WarmUp{LastClosed: ptr(340), FirstOpen: ptr(340.5), Seconds: 240}
	o, err := sensors.OpeningShort(slow)
	require.NoError(t, err)
	fast, repeatAt := o.TooFast(tenF, response)
	require.False(t, fast)
	require.InDelta(t, 5.0/1.8/60, repeatAt, 1e-12)
	slow.Seconds = 24
	o, err = sensors.OpeningShort(slow)
	require.NoError(t, err)
	fast, _ = o.TooFast(tenF, response)
	require.True(t, fast)
	_, u := o.Estimate(response, 0.5)
	require.Greater(t, u, tenF, "such a test cannot tell ±10 °F")
	slow.Seconds = 0
	o, err = sensors.OpeningShort(slow)
	require.NoError(t, err)
	fast, _ = o.TooFast(tenF, response)
	require.True(t, fast, "an unknown rate may be any")
	fast, repeatAt = sensors.Opening{State: sensors.OpenCold}.TooFast(tenF, sensors.Response{})
	require.False(t, fast)
	require.Zero(t, repeatAt)
}

// The true opening, simulated with both lags, lies within the estimate.
func TestEstimateTakesTheLagOff(t *testing.T) {
	response := sensors.Response{Disc: 60, Thermometer: 5}
	for _, perMinute := range []float64{0.5, 2.5, 5} {
		const opens, step = 341.5, 1.0
		rate := perMinute / 60
		face, disc, bead := 300.0, 300.0, 300.0
		var ts, kelvin []float64
		var closed []bool
		for at := 0.0; disc < opens+1; at += step {
			ts, kelvin, closed = append(ts, at), append(kelvin, bead), append(closed, disc < opens)
			face += rate * step
			disc += (face - disc) * step / response.Disc
			bead += (face - bead) * step / response.Thermometer
		}
		o, err := sensors.OpeningFromSeries(ts, kelvin, closed)
		require.NoError(t, err)
		require.Greater(t, o.Low, opens, "the bead runs ahead of the disc")
		k, u := o.Estimate(response, 0.2)
		require.InDelta(t, opens, k, 0.1, "%v K/min", perMinute)
		require.InDelta(t, math.Hypot(0.2, rate*math.Hypot(60, 5)/math.Sqrt(3)), u, 0.05)
	}
}

// Typing the short form says the same as posting the log it sums up.
func TestShortFormIsTheSeries(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rate := rapid.Float64Range(0.2, 60).Draw(t, "K/min") / 60
		step := rapid.Float64Range(0.2, 10).Draw(t, "step")
		opens := rapid.Float64Range(320, 400).Draw(t, "opens")
		closes := opens - rapid.Float64Range(6, 30).Draw(t, "differential")
		ts, kelvin, closed := ramp(rate, step, opens, closes)
		long, err := sensors.OpeningFromSeries(ts, kelvin, closed)
		require.NoError(t, err)
		require.Equal(t, sensors.Opened, long.State)
		require.NotNil(t, long.Recloses)
		short, err := sensors.OpeningShort(sensors.WarmUp{
			LastClosed: &long.Low, FirstOpen: &long.High, Recloses: long.Recloses,
			Seconds: 20.0 / 1.8 / rate,
		})
		require.NoError(t, err)
		require.InDelta(t, long.Rate, short.Rate, 1e-6*rate)
		require.InDelta(t, long.Lag, short.Lag, 1e-6*long.Lag)
		require.Equal(t, *long.Differential, *short.Differential)
		a, ua := long.Estimate(sensors.DefaultResponse(), 1)
		b, ub := short.Estimate(sensors.DefaultResponse(), 1)
		require.InDelta(t, a, b, 1e-4)
		require.InDelta(t, ua, ub, 1e-4)
	})
}

func FuzzOpeningFromSeries(f *testing.F) {
	f.Add([]byte{0, 10, 20, 30, 200, 40}, 300.0, 2.0, 30.0)
	f.Add([]byte{1, 0, 1}, math.NaN(), 1e300, math.Inf(1))
	f.Fuzz(func(t *testing.T, raw []byte, base, scale, step float64) {
		var ts, kelvin []float64
		var closed []bool
		for i, b := range raw {
			ts = append(ts, float64(i)*step)
			kelvin = append(kelvin, base+scale*float64(b))
			closed = append(closed, b%3 != 0)
		}
		o, err := sensors.OpeningFromSeries(ts, kelvin, closed)
		if err != nil {
			return
		}
		k, u := o.Estimate(sensors.DefaultResponse(), 1)
		_, repeatAt := o.TooFast(5, sensors.DefaultResponse())
		for _, v := range []float64{o.Low, o.High, o.Rate, o.Lag, k, u, repeatAt} {
			require.False(t, math.IsNaN(v) || math.IsInf(v, 0), "%+v", o)
		}
		require.LessOrEqual(t, o.Low, o.High)
		if o.Differential != nil {
			require.Greater(t, *o.Differential, 0.0)
		}
	})
}
