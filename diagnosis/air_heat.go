package diagnosis

import (
	"math"

	"drumline/diagnosis/airflow"
	"drumline/diagnosis/measure"
	"drumline/diagnosis/sensors"
)

// What is taken where nothing was measured. Common practice, no source: the
// room, and how far it may be off; the supply, and with it the heat of an
// element nobody measured; what the cabinet loses and what hot air weighs less
// than standard air; how far the mean of a cycle lies from the middle of its
// ends.
const (
	usualRoom    = 297.039 // K, 75 °F
	roomSlack    = 5.6     // K, half width
	wattsSlack   = 0.10    // share, half width, of the nameplate at volts that were measured
	unmeasured   = 0.20    // the same at volts that were not
	balanceLoss  = 0.10    // share, standard uncertainty
	cycleMiddle  = 2.0     // K, standard uncertainty
	leastHeat    = 100.0   // W: below, the element was not on
	highLimitTag = "high_limit_rating"
)

// heat fills in the heater box and the balance from the flow.
func (m *model) heat(a *Air) {
	watts, origin, ok := m.watts()
	if !ok {
		return
	}
	room, roomU, assumed := m.room()
	a.Box = m.box(*a.Flow, watts, room, roomU)
	a.Box.Origin = origin
	if assumed {
		a.Box.Origin += "; room of 75 °F assumed"
	}
	a.Balance = m.balance(*a.Flow, watts, room, roomU)
}

// watts is the heat of the element while it is on: by its amperes and volts,
// else by the nameplate at the volts measured, else by the nameplate.
func (m *model) watts() (airflow.Measured, string, bool) {
	if j := m.standingOf("heater_current"); j != nil {
		a, okA := j.number("current")
		v, okV := j.number("volts")
		if p := a.si * v.si; okA && okV {
			return airflow.Measured{Value: p, U: math.Hypot(a.u*v.si, v.u*a.si)}, "amperes times volts", p >= leastHeat
		}
	}
	u := m.c.Unit
	if u.Watts == nil || !(*u.Watts >= leastHeat) || *u.Watts > maxValue {
		return airflow.Measured{}, "", false
	}
	if j := m.standingOf("supply"); j != nil && u.Volts != nil && *u.Volts > 0 {
		if v, ok := j.number("line_to_line"); ok {
			x := v.si / *u.Volts
			p := *u.Watts * x * x
			return airflow.Measured{Value: p, U: math.Hypot(measure.Rectangular(wattsSlack*p), 2*p*v.u/math.Max(v.si, 1))},
				"nameplate at the volts measured", p >= leastHeat
		}
	}
	return airflow.Measured{Value: *u.Watts, U: measure.Rectangular(unmeasured * *u.Watts)}, "nameplate, volts not measured", true
}

// room is the temperature of the air drawn in: the start of an air-only run
// from cold, else the usual one.
func (m *model) room() (k, u float64, assumed bool) {
	if j := m.standingOf("air_only"); j != nil && j.choice("already_warm") != "yes" {
		if n, ok := j.number("start_temperature"); ok {
			return n.si, n.u, false
		}
	}
	return usualRoom, measure.Rectangular(roomSlack), true
}

// box is the heater box at a flow, against the rating of the high limit.
func (m *model) box(q MeasuredAir, w airflow.Measured, room, roomU float64) *HeaterBox {
	air := airflow.Standard()
	b := &HeaterBox{Watts: w.Value, Room: room, Rise: air.Rise(w.Value, q.Flow), Mean: air.Box(room, w.Value, q.Flow)}
	b.U = measure.Combine(roomU, b.Rise*w.U/w.Value, b.Rise*q.U/q.Flow)
	if rating := positive(m.c.Sheet, highLimitTag); rating > 0 {
		margin := air.Margin(rating, room, w.Value, q.Flow)
		b.Rating, b.Margin = &rating, &margin
	}
	return b
}

// balance is the heat balance over the latest run, nil without a run.
func (m *model) balance(q MeasuredAir, w airflow.Measured, room, roomU float64) *HeatBalance {
	j := m.standingOf("run")
	if j == nil {
		return nil
	}
	out := &HeatBalance{Reading: j.reading.ID}
	in, _ := j.run()
	if in.Load == sensors.Wet {
		out.Skipped = "the load was wet, and drying takes up the heat"
		return out
	}
	outlet, ok := 0.0, false
	if outlet, out.Duty, ok = j.cycle(in); !ok || outlet <= room {
		out.Skipped, out.Duty = "the run does not tell how long the heat was on and off", 0
		return out
	}
	out.Rise = outlet - room
	rise := airflow.Measured{Value: out.Rise, U: measure.Combine(roomU, j.uncertainty(outlet, measure.Temperature), cycleMiddle)}
	out.Outcome, _ = airflow.Balance{Watts: w, Flow: airflow.Measured{Value: q.Flow, U: q.U}, Rise: rise, Duty: out.Duty, Losses: balanceLoss}.Check(airflow.Standard())
	return out
}

// cycle is the mean outlet temperature of a run, K, and the share of the time
// the heat was on.
func (j *job) cycle(in sensors.RunInput) (outlet, duty float64, ok bool) {
	if p, steady := j.steady(in, j.offLimit(in.Setting)); steady && p == sensors.ReadsLow {
		return in.Off[0], 1, true // ten minutes on end at one temperature
	}
	run := sensors.AnalyseRun(in)
	if run.Off > 0 && run.On > 0 && run.Duty > 0 && run.Duty <= 1 {
		return (run.Off + run.On) / 2, run.Duty, true
	}
	return 0, 0, false
}
