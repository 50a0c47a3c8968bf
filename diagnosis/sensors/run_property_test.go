package sensors_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis/sensors"
)

// logger draws how a run is logged.
func logger(t *rapid.T, d *dryer) {
	d.step = rapid.SampledFrom([]float64{0.2, 0.5, 1, 2, 3, 5, 10}).Draw(t, "step")
	d.noise = rapid.Float64Range(0, 1.5).Draw(t, "noise")
	d.start = rapid.Float64Range(60, 100).Draw(t, "start")
}

// Any machine whose thermostat works is seen to work, whatever the logger.
func TestWorkingThermostatsAreRecognised(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := dryer{cool: 75}
		logger(t, &d)
		d.off = rapid.Float64Range(147, 163).Draw(t, "off")
		d.on = d.off - rapid.Float64Range(12, 30).Draw(t, "differential")
		d.hot = rapid.Float64Range(180, 230).Draw(t, "hot")
		heat := rapid.Float64Range(100, 220).Draw(t, "heat")
		d.tau = heat / math.Log((d.hot-d.on)/(d.hot-d.off))
		rest := d.tau * math.Log((d.off-d.cool)/(d.on-d.cool))
		d.minutes = math.Max(30, 5*(heat+rest)/60+2*d.tau/60)
		r := analyse(d, rapid.Uint64().Draw(t, "seed"))
		require.Equal(t, sensors.OperatingThermostat, r.Pattern, "%+v", r)
		require.InDelta(t, fahrenheit(d.off), r.Off, 1.5+0.15*d.step)
		require.InDelta(t, fahrenheit(d.on), r.On, 1.5+0.15*d.step)
		require.InDelta(t, heat, r.Heat, 0.15*heat+2*d.step)
	})
}

// Any machine that cycles on its high limit is seen to, and never taken for a
// working one.
func TestHighLimitCyclingIsRecognised(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := dryer{cool: 80, minutes: 30}
		logger(t, &d)
		d.heat = rapid.Float64Range(35, 72).Draw(t, "heat") // a coarse, noisy log stretches it by 12 s; the line is at 90 s
		d.rest = rapid.Float64Range(60, 180).Draw(t, "rest")
		d.tau = rapid.Float64Range(90, 160).Draw(t, "tau")
		peak := rapid.Float64Range(112, 142).Draw(t, "peak")
		a, b := math.Exp(-d.heat/d.tau), math.Exp(-d.rest/d.tau)
		d.hot = (peak*(1-a*b) - a*d.cool*(1-b)) / (1 - a)
		d.step = math.Min(d.step, 5)
		r := analyse(d, rapid.Uint64().Draw(t, "seed"))
		require.Equal(t, sensors.HighLimit, r.Pattern, "%+v", r)
		require.InDelta(t, d.heat, r.Heat, 15+2*d.step)
	})
}

// An outlet that never stops climbing is never excused.
func TestRunawaysAreRecognised(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := dryer{cool: 75, minutes: 20}
		logger(t, &d)
		d.hot = rapid.Float64Range(185, 260).Draw(t, "hot")
		d.tau = rapid.Float64Range(60, 300).Draw(t, "tau")
		d.step = rapid.SampledFrom([]float64{0.2, 1, 5, 20, 60}).Draw(t, "coarse step")
		d.noise = math.Min(d.noise, 1)
		r := analyse(d, rapid.Uint64().Draw(t, "seed"))
		require.Equal(t, sensors.NoCycling, r.Pattern, "%+v", r)
	})
}
