package sensors_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis/sensors"
)

// dryer is an outlet that follows a first order towards hot with the heat on
// and towards cool with it off. The heat is switched by temperature (off, on),
// or by the clock when heat and rest are set, as a high limit in the heater
// box does.
type dryer struct {
	hot, cool, tau float64 // °F, °F, s
	off, on        float64 // °F; off 0: never
	heat, rest     float64 // s
	start          float64 // °F
	minutes        float64
	step           float64 // s between samples
	noise          float64 // °F, standard deviation
	coolDown       float64 // s at the end without heat
}

// run gives a log of the dryer.
func (d dryer) run(seed uint64) (t, kelvin []float64) {
	rng := rand.New(rand.NewPCG(seed, 1))
	temp, heating, since := d.start, true, 0.0
	const dt = 0.1
	next := 0.0
	for at := 0.0; at <= d.minutes*60; at += dt {
		if at >= next-1e-9 {
			t, kelvin = append(t, at), append(kelvin, fahrenheit(temp+d.noise*rng.NormFloat64()))
			next += d.step
		}
		switch {
		case at > d.minutes*60-d.coolDown:
			heating = false
		case d.heat > 0:
			if since += dt; heating && since > d.heat || !heating && since > d.rest {
				heating, since = !heating, 0
			}
		case heating && d.off > 0 && temp >= d.off, !heating && temp <= d.on:
			heating = !heating
		}
		target := d.cool
		if heating {
			target = d.hot
		}
		temp += (target - temp) * dt / d.tau
	}
	return t, kelvin
}

// Invented machines; their figures are common practice, no source.
func healthy() dryer {
	return dryer{hot: 190, cool: 75, tau: 300, off: 155, on: 135, start: 75, minutes: 25, step: 2}
}

func starved() dryer {
	return dryer{hot: 200, cool: 80, tau: 150, heat: 50, rest: 100, start: 75, minutes: 25, step: 2}
}

func stuck() dryer {
	return dryer{hot: 215, cool: 75, tau: 200, start: 75, minutes: 15, step: 2}
}

func leaking() dryer {
	return dryer{hot: 128, cool: 75, tau: 180, start: 75, minutes: 20, step: 2}
}

func analyse(d dryer, seed uint64) sensors.Run {
	t, kelvin := d.run(seed)
	return sensors.AnalyseRun(sensors.RunInput{T: t, Kelvin: kelvin, Setting: sensors.High, Load: sensors.Empty})
}

func TestHealthyRun(t *testing.T) {
	r := analyse(healthy(), 1)
	require.Equal(t, sensors.OperatingThermostat, r.Pattern, r.Note)
	require.Empty(t, r.Note)
	require.InDelta(t, fahrenheit(155), r.Off, 0.3)
	require.InDelta(t, fahrenheit(135), r.On, 0.3)
	require.InDelta(t, 20.0/1.8, r.Differential, 0.5)
	require.InDelta(t, 300*math.Log(55.0/35), r.Heat, 3, "190−135 to 190−155")
	require.InDelta(t, 300*math.Log(80.0/60), r.Rest, 3)
	require.InDelta(t, r.Heat/(r.Heat+r.Rest), r.Duty, 1e-9)
	require.Less(t, r.OffSpread, 0.3)
	require.InDelta(t, 0, r.Drift, 0.05)
	require.Equal(t, 6, r.Cycles)
	require.InDelta(t, 1500, r.Seconds, 2)
}

func TestPatterns(t *testing.T) {
	late, early := healthy(), healthy()
	late.off, late.on, late.hot = 182, 160, 230
	early.off, early.on, early.tau = 120, 100, 450
	cooled := healthy()
	cooled.coolDown = 300
	warm := healthy()
	warm.start = 150
	low := starved()
	low.hot, low.heat, low.rest = 170, 75, 130
	brief := healthy()
	brief.minutes = 3
	hot := stuck()
	hot.minutes, hot.coolDown = 20, 400
	longLow := dryer{hot: 128, cool: 75, tau: 240, heat: 500, rest: 60, start: 75, minutes: 40, step: 2}
	cases := []struct {
		name string
		d    dryer
		want sensors.Pattern
	}{
		{"opens late", late, sensors.OperatingThermostat},
		{"opens early", early, sensors.OperatingThermostat},
		{"with the cool-down at the end", cooled, sensors.OperatingThermostat},
		{"begun warm", warm, sensors.OperatingThermostat},
		{"too little air", starved(), sensors.HighLimit},
		{"too little air, slower", low, sensors.HighLimit},
		{"never switches off", stuck(), sensors.NoCycling},
		{"stopped by the tech", hot, sensors.NoCycling},
		{"seal leak", leaking(), sensors.ReadsLow},
		{"seal leak with long heats", longLow, sensors.ReadsLow},
		{"three minutes", brief, sensors.TooShort},
	}
	for _, c := range cases {
		r := analyse(c.d, 7)
		require.Equal(t, c.want, r.Pattern, "%s: %+v", c.name, r)
	}
	require.Contains(t, analyse(late, 1).Note, "late")
	require.Contains(t, analyse(early, 1).Note, "early")
}

// The last peak of a log that ends in the cool-down is not the thermostat's.
func TestCoolDownIsNotACycle(t *testing.T) {
	d := healthy()
	full := analyse(d, 1)
	d.coolDown = 300
	d.minutes += 1 // ends the heat somewhere in a cycle
	r := analyse(d, 1)
	require.InDelta(t, full.Off, r.Off, 0.2)
	require.Less(t, r.OffSpread, 0.5)
}

// A blocked duct leaves the outlet normal or low: hot outlet means the control,
// not the air.
func TestRestrictedAirIsNotAHotOutlet(t *testing.T) {
	r := analyse(starved(), 1)
	require.Equal(t, sensors.HighLimit, r.Pattern)
	require.Less(t, r.Peak, fahrenheit(145))
	require.InDelta(t, 50, r.Heat, 5)
	require.InDelta(t, 100, r.Rest, 6)
	require.Contains(t, r.Note, "want of air")
}

func TestWetLoadIsNotJudged(t *testing.T) {
	for _, d := range []dryer{healthy(), starved(), stuck(), leaking()} {
		ts, kelvin := d.run(1)
		r := sensors.AnalyseRun(sensors.RunInput{T: ts, Kelvin: kelvin, Setting: sensors.High, Load: sensors.Wet})
		require.Equal(t, sensors.WetLoad, r.Pattern)
		require.Contains(t, r.Note, "repeat")
	}
}

// The model's limits outrank common practice: a 125 °F thermostat is no high
// limit, and 182 °F is in order where the sheet says so.
func TestLimitsOfTheModel(t *testing.T) {
	cool := dryer{hot: 160, cool: 75, tau: 200, off: 125, on: 108, start: 75, minutes: 25, step: 2}
	ts, kelvin := cool.run(1)
	low, high := fahrenheit(118), fahrenheit(132)
	in := sensors.RunInput{T: ts, Kelvin: kelvin, Setting: sensors.High, Load: sensors.Dry, LimitLow: &low, LimitHigh: &high}
	r := sensors.AnalyseRun(in)
	require.Equal(t, sensors.OperatingThermostat, r.Pattern, "%+v", r)
	require.NotContains(t, r.Note, "early")
	in.LimitLow, in.LimitHigh = nil, nil
	require.Equal(t, sensors.HighLimit, sensors.AnalyseRun(in).Pattern, "without the sheet it looks like the high limit")

	hot := dryer{hot: 230, cool: 75, tau: 240, off: 180, on: 160, start: 75, minutes: 25, step: 2}
	ts, kelvin = hot.run(1)
	low, high = fahrenheit(170), fahrenheit(190)
	in = sensors.RunInput{T: ts, Kelvin: kelvin, Setting: sensors.High, Load: sensors.Dry, LimitLow: &low, LimitHigh: &high}
	r = sensors.AnalyseRun(in)
	require.Equal(t, sensors.OperatingThermostat, r.Pattern)
	require.NotContains(t, r.Note, "late")
}

// Noise, sampling, gaps and spikes of loggers do not change what a run says.
func TestLoggersOfEveryKind(t *testing.T) {
	for _, step := range []float64{0.2, 0.5, 1, 2, 5, 10} {
		for _, noise := range []float64{0, 0.5, 1.5} {
			d := healthy()
			d.step, d.noise = step, noise
			r := analyse(d, 3)
			require.Equal(t, sensors.OperatingThermostat, r.Pattern, "%v s, %v °F: %+v", step, noise, r)
			require.InDelta(t, fahrenheit(155), r.Off, 1.3, "%v s, %v °F", step, noise)
			require.InDelta(t, fahrenheit(135), r.On, 1.3, "%v s, %v °F", step, noise)
			d = starved()
			d.step, d.noise = step, noise
			r = analyse(d, 3)
			require.Equal(t, sensors.HighLimit, r.Pattern, "%v s, %v °F: %+v", step, noise, r)
		}
	}
}

// A display that shows whole degrees has no noise to speak of, only steps.
func TestWholeDegrees(t *testing.T) {
	for _, c := range []struct {
		d    dryer
		want sensors.Pattern
	}{{healthy(), sensors.OperatingThermostat}, {starved(), sensors.HighLimit}, {stuck(), sensors.NoCycling}, {leaking(), sensors.ReadsLow}} {
		ts, kelvin := c.d.run(1)
		for i, k := range kelvin {
			kelvin[i] = fahrenheit(math.Round(k*1.8 - 459.67))
		}
		r := sensors.AnalyseRun(sensors.RunInput{T: ts, Kelvin: kelvin, Setting: sensors.High, Load: sensors.Empty})
		require.Equal(t, c.want, r.Pattern, "%+v", r)
		if c.want == sensors.OperatingThermostat {
			require.InDelta(t, 300*math.Log(55.0/35), r.Heat, 8)
		}
	}
}

// Logged once a minute a short heat cannot be told from a longer one.
func TestSlowLoggingIsOwnedUpTo(t *testing.T) {
	d := starved()
	d.step = 60
	r := analyse(d, 1)
	require.NotEqual(t, sensors.OperatingThermostat, r.Pattern, "%+v", r)
	require.NotEqual(t, sensors.ReadsLow, r.Pattern, "%+v", r)
	stuckRun := stuck()
	stuckRun.step = 60
	require.Equal(t, sensors.NoCycling, analyse(stuckRun, 1).Pattern, "a climb needs no fine log")
	slow := healthy()
	slow.step, slow.tau, slow.minutes = 60, 900, 120
	require.Equal(t, sensors.OperatingThermostat, analyse(slow, 1).Pattern, "nor do slow cycles")
}

func TestGapsAndSpikes(t *testing.T) {
	ts, kelvin := healthy().run(1)
	whole := sensors.AnalyseRun(sensors.RunInput{T: ts, Kelvin: kelvin, Load: sensors.Empty})
	kelvin[200], kelvin[333], kelvin[400], kelvin[500] = 300, 420, math.NaN(), math.Inf(1)
	ts[450] = ts[440] // a clock that stepped back
	cut := append([]float64(nil), ts[:280]...)
	cut = append(cut, ts[380:]...)
	cutK := append([]float64(nil), kelvin[:280]...)
	cutK = append(cutK, kelvin[380:]...)
	r := sensors.AnalyseRun(sensors.RunInput{T: cut, Kelvin: cutK, Load: sensors.Empty})
	require.Equal(t, sensors.OperatingThermostat, r.Pattern, "%+v", r)
	require.InDelta(t, whole.Off, r.Off, 0.5)
	require.InDelta(t, whole.Heat, r.Heat, 5, "a stretch across the gap is no heating time")
	require.InDelta(t, whole.Rest, r.Rest, 5)
	require.Less(t, r.Cycles, whole.Cycles)
}

// An intermittently welded contact: it cycles twice and then climbs on.
func TestClimbAfterCyclesIsNoCycling(t *testing.T) {
	ts, kelvin := healthy().run(1)
	n := len(ts) / 2
	run, temp := ts[:n], kelvin[:n:n]
	at, k := run[n-1], temp[n-1]
	for range 200 {
		at, k = at+2, k+0.15
		run, temp = append(run[:len(run):len(run)], at), append(temp, k)
	}
	r := sensors.AnalyseRun(sensors.RunInput{T: run, Kelvin: temp, Setting: sensors.High, Load: sensors.Empty})
	require.Equal(t, sensors.NoCycling, r.Pattern, "%+v", r)
}

func kelvins(f ...float64) []float64 {
	var out []float64
	for _, v := range f {
		out = append(out, fahrenheit(v))
	}
	return out
}

func TestRunNotedByHand(t *testing.T) {
	cases := []struct {
		name string
		in   sensors.RunInput
		want sensors.Pattern
	}{
		{"in order", sensors.RunInput{Off: kelvins(154, 156, 155), On: kelvins(134, 136, 135), Heat: []float64{240, 110, 115}, Rest: []float64{60, 62, 61}}, sensors.OperatingThermostat},
		{"high limit", sensors.RunInput{Off: kelvins(128, 131, 130), On: kelvins(110, 112, 111), Heat: []float64{120, 45, 50}, Rest: []float64{110, 120, 115}}, sensors.HighLimit},
		{"high limit at a normal outlet", sensors.RunInput{Off: kelvins(150, 151), On: kelvins(130, 131), Heat: []float64{45, 50}}, sensors.HighLimit},
		{"late", sensors.RunInput{Off: kelvins(183, 185), On: kelvins(160, 161), Heat: []float64{300, 150}}, sensors.OperatingThermostat},
		{"late, one cycle is enough", sensors.RunInput{Off: kelvins(190), On: kelvins(165)}, sensors.OperatingThermostat},
		{"the highest temperature alone", sensors.RunInput{Off: kelvins(190)}, sensors.NoCycling},
		{"one cycle", sensors.RunInput{Off: kelvins(155), On: kelvins(135), Heat: []float64{200}}, sensors.TooShort},
		{"low and not timed", sensors.RunInput{Off: kelvins(130, 131), On: kelvins(110, 111)}, sensors.TooShort},
		{"right and not timed", sensors.RunInput{Off: kelvins(155, 156), On: kelvins(135, 136)}, sensors.OperatingThermostat},
		{"seal leak", sensors.RunInput{Off: kelvins(125, 126), On: kelvins(110, 111), Heat: []float64{600, 420}}, sensors.ReadsLow},
		{"never off", sensors.RunInput{Reached: fahrenheit(186), Seconds: 600}, sensors.NoCycling},
		{"low and never off", sensors.RunInput{Reached: fahrenheit(124), Seconds: 900}, sensors.ReadsLow},
		{"not yet off", sensors.RunInput{Reached: fahrenheit(150), Seconds: 900}, sensors.TooShort},
		{"nothing", sensors.RunInput{}, sensors.TooShort},
		{"not numbers", sensors.RunInput{Off: []float64{math.NaN(), math.Inf(1), 0}, Heat: []float64{-1, math.NaN()}}, sensors.TooShort},
	}
	for _, c := range cases {
		c.in.Setting, c.in.Load = sensors.High, sensors.Empty
		r := sensors.AnalyseRun(c.in)
		require.Equal(t, c.want, r.Pattern, "%s: %+v", c.name, r)
	}
}

func TestFiguresOfANotedRun(t *testing.T) {
	r := sensors.AnalyseRun(sensors.RunInput{
		Off: []float64{340, 341, 342}, On: []float64{330, 331, 329}, Heat: []float64{300, 100, 110}, Rest: []float64{60, 70, 65},
		Setting: sensors.High, Load: sensors.Empty,
	})
	require.Equal(t, 3, r.Cycles)
	require.InDelta(t, 341, r.Off, 1e-9)
	require.InDelta(t, 1/math.Sqrt(3), r.OffU, 1e-9)
	require.InDelta(t, 2, r.OffSpread, 1e-9)
	require.InDelta(t, 342, r.OffMax, 1e-9)
	require.InDelta(t, 330, r.On, 1e-9)
	require.InDelta(t, 11, r.Differential, 1e-9)
	require.InDelta(t, 105, r.Heat, 1e-9, "the heat from cold is left out")
	require.InDelta(t, 65, r.Rest, 1e-9)
	require.InDelta(t, 105.0/170, r.Duty, 1e-9)
	require.InDelta(t, 1, r.Drift, 1e-9)
	require.InDelta(t, 342, r.Peak, 1e-9)
}

// Noting by hand what the log shows leads to the same figures and pattern.
func TestNotesSayWhatTheLogSays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := healthy()
		d.off = rapid.Float64Range(148, 162).Draw(t, "off")
		d.on = d.off - rapid.Float64Range(12, 28).Draw(t, "differential")
		d.tau = rapid.Float64Range(250, 500).Draw(t, "tau")
		d.minutes = 40
		logged := analyse(d, 1)
		heat := d.tau * math.Log((d.hot-d.on)/(d.hot-d.off))
		rest := d.tau * math.Log((d.off-d.cool)/(d.on-d.cool))
		noted := sensors.AnalyseRun(sensors.RunInput{
			Off: kelvins(d.off, d.off), On: kelvins(d.on, d.on), Heat: []float64{heat, heat}, Rest: []float64{rest, rest},
			Setting: sensors.High, Load: sensors.Empty,
		})
		require.InDelta(t, noted.Off, logged.Off, 0.3)
		require.InDelta(t, noted.On, logged.On, 0.3)
		require.InDelta(t, noted.Heat, logged.Heat, 4)
		require.InDelta(t, noted.Rest, logged.Rest, 4)
		require.Equal(t, noted.Pattern, logged.Pattern)
	})
}

// Where the clock of a log begins, and its order of magnitude of noise, do not
// matter.
func TestClockDoesNotMatter(t *testing.T) {
	ts, kelvin := starved().run(5)
	a := sensors.AnalyseRun(sensors.RunInput{T: ts, Kelvin: kelvin, Load: sensors.Empty})
	for i := range ts {
		ts[i] += 40000
	}
	b := sensors.AnalyseRun(sensors.RunInput{T: ts, Kelvin: kelvin, Load: sensors.Empty})
	require.Equal(t, a.Pattern, b.Pattern)
	require.Equal(t, a.Cycles, b.Cycles)
	require.InDelta(t, a.Heat, b.Heat, 1e-6)
}

func TestAnalyseRunLeavesItsInputAlone(t *testing.T) {
	ts, kelvin := healthy().run(1)
	kelvin[100] = 500
	keptT, keptK := append([]float64(nil), ts...), append([]float64(nil), kelvin...)
	sensors.AnalyseRun(sensors.RunInput{T: ts, Kelvin: kelvin})
	require.Equal(t, keptT, ts)
	require.Equal(t, keptK, kelvin)
}

func finiteRun(t *testing.T, r sensors.Run) {
	t.Helper()
	for _, v := range []float64{r.Off, r.OffU, r.OffSpread, r.OffMax, r.On, r.Differential, r.Heat, r.Rest, r.Duty, r.Drift, r.Peak, r.Seconds} {
		require.False(t, math.IsNaN(v) || math.IsInf(v, 0), "%+v", r)
	}
	require.NotEmpty(t, r.Pattern)
	require.True(t, r.Duty >= 0 && r.Duty <= 1)
	require.GreaterOrEqual(t, r.OffSpread, 0.0)
}

func FuzzAnalyseRun(f *testing.F) {
	f.Add([]byte{0, 10, 60, 90, 20, 80, 10, 90, 15}, 300.0, 0.5, 30.0, true)
	f.Add([]byte{255, 0, 255, 0}, math.NaN(), 1e300, math.Inf(1), false)
	f.Add([]byte{1, 2, 3, 4, 5, 6, 7, 8}, 310.0, 5.0, 1e-300, true)
	f.Fuzz(func(t *testing.T, raw []byte, base, scale, step float64, logged bool) {
		var at, kelvin []float64
		for i, b := range raw {
			at = append(at, float64(i)*step)
			kelvin = append(kelvin, base+scale*float64(b))
		}
		in := sensors.RunInput{Load: sensors.Empty, Setting: sensors.Setting("any"), LimitLow: &base, LimitHigh: &scale}
		if logged {
			in.T, in.Kelvin = at, kelvin
		} else {
			in.Off, in.On, in.Heat, in.Rest, in.Reached, in.Seconds = kelvin, kelvin, at, at, base, step
		}
		finiteRun(t, sensors.AnalyseRun(in))
	})
}

func BenchmarkAnalyseRun(b *testing.B) {
	d := healthy()
	d.noise = 1
	ts, kelvin := d.run(1)
	in := sensors.RunInput{T: ts, Kelvin: kelvin, Setting: sensors.High, Load: sensors.Empty}
	for b.Loop() {
		sensors.AnalyseRun(in)
	}
}

func BenchmarkOpeningFromSeries(b *testing.B) {
	ts, kelvin, closed := ramp(2.0/60, 2, 341.5, 325)
	for b.Loop() {
		if _, err := sensors.OpeningFromSeries(ts, kelvin, closed); err != nil {
			b.Fatal(err)
		}
	}
}
