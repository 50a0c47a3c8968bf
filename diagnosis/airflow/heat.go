package airflow

import "math"

// Rise is how much warmer, in K, air gets that takes up watts at a flow in
// m³/s: all the air through the heater, nothing stored, nothing evaporated. It
// holds empty or dry with the element on; a wet load cools the outlet.
func (a Air) Rise(watts, flow float64) float64 {
	if flow <= 0 {
		return 0
	}
	return watts / (a.Density * heatCapacity * flow)
}

// Power is the heat in W that a flow takes up when it gets warmer by rise (K).
func (a Air) Power(flow, rise float64) float64 { return a.Density * heatCapacity * flow * rise }

// FlowOf is the flow in m³/s at which watts warm the air by rise (K).
func (a Air) FlowOf(watts, rise float64) float64 {
	if rise <= 0 {
		return 0
	}
	return watts / (a.Density * heatCapacity * rise)
}

// Box is the mean temperature in K of the air in the heater box of a machine
// in a room at room (K). Hot spots and leaking seals make the high limit act
// earlier than this mean says.
func (a Air) Box(room, watts, flow float64) float64 { return room + a.Rise(watts, flow) }

// Margin is how far, in K, the mean of the heater box stays below the high
// limit's rating (K); negative when it is above. The outlet temperature says
// nothing about it: the limit sits in the heater box.
func (a Air) Margin(rating, room, watts, flow float64) float64 {
	return rating - a.Box(room, watts, flow)
}

// Measured is a quantity with its standard uncertainty.
type Measured struct{ Value, U float64 }

// Balance is a heat balance of three measured quantities: watts, flow in m³/s
// and temperature rise in K, the element on for Duty (0 to 1) of the time.
// Losses is the standard uncertainty, as a share, of what the balance leaves
// out: heat through the cabinet, heat of the motor.
type Balance struct {
	Watts, Flow, Rise Measured
	Duty              float64
	Losses            float64
}

// Of a balance, the quantity that is likely out.
type Of string

// The three quantities.
const (
	OfWatts Of = "power"
	OfFlow  Of = "flow"
	OfRise  Of = "rise"
)

// Outcome is what a balance comes to: whether the three agree within twice
// their uncertainty, what each would have to be for the other two to be right,
// and which is likeliest out when they do not: the one least surely known, for
// the error that explains the difference is the least surprising there.
type Outcome struct {
	Agrees            bool
	Watts, Flow, Rise float64 // W, m³/s, K
	Suspect           Of
}

// Check compares power × duty with what the air carries away. ok is false when
// one of the three is not positive.
func (b Balance) Check(air Air) (out Outcome, ok bool) {
	if !(b.Watts.Value > 0 && b.Flow.Value > 0 && b.Rise.Value > 0 && b.Duty > 0 && b.Duty <= 1) || !air.usable() {
		return Outcome{}, false
	}
	given := b.Watts.Value * b.Duty
	carried := air.Power(b.Flow.Value, b.Rise.Value)
	u := math.Sqrt(sq(given*b.Watts.U/b.Watts.Value) + sq(carried*b.Flow.U/b.Flow.Value) + sq(carried*b.Rise.U/b.Rise.Value) + sq(given*b.Losses))
	out = Outcome{
		Agrees: math.Abs(given-carried) <= 2*u,
		Watts:  carried / b.Duty,
		Flow:   air.FlowOf(given, b.Rise.Value),
		Rise:   air.Rise(given, b.Flow.Value),
	}
	if !out.Agrees {
		out.Suspect = b.suspect()
	}
	return out, true
}

// suspect is the quantity with the greatest uncertainty for its size; the flow
// among equals, being the hardest to measure.
func (b Balance) suspect() Of {
	worst, most := OfFlow, b.Flow.U/b.Flow.Value
	if u := b.Rise.U / b.Rise.Value; u > most {
		worst, most = OfRise, u
	}
	if b.Watts.U/b.Watts.Value > most {
		worst = OfWatts
	}
	return worst
}

func sq(x float64) float64 { return x * x }
