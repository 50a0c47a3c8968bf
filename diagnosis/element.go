package diagnosis

import "math"

// Figures of the supply. The breaker of a dryer has 30 A (common practice, no
// source); one of up to 50 A carries its rating for good and trips within the
// hour at 135 % of it (UL 489, from memory).
const (
	breakerAmps  = 30.0
	breakerTrips = 1.35 * breakerAmps
	usualLeg     = 120.0 // V, a leg to ground where the unit's volts are not known
)

// hotResistance is the resistance in ohm at which an element makes watts at
// volts: R = V²/P. False when it has none.
func hotResistance(watts, volts float64) (float64, bool) {
	r := volts * volts / watts
	return r, watts > 0 && volts > 0 && finite(r) && r > 0
}

// elementPower is the heat in watts of a resistance at volts.
func elementPower(volts, ohm float64) float64 { return volts * volts / ohm }

// legVolts is the voltage of a leg to ground for a supply: half of a split
// phase, or of three phases (about 208 V) the line over √3.
func legVolts(volts *float64) float64 {
	switch {
	case volts == nil || *volts <= 0:
		return usualLeg
	case math.Abs(*volts-208) < 10:
		return *volts / math.Sqrt(3)
	case *volts < 150:
		return *volts
	}
	return *volts / 2
}

// touch is where a grounded coil touches the case.
type touch struct {
	share   float64 // of the coil between the terminal and the spot, 0 to 1
	contact float64 // ohm, of the contact itself
}

// touchAt finds the spot from the resistances in ohm of terminal a to case,
// terminal b to case and end to end:
//
//	contact = (Ra + Rb − Rab)/2, share = (Ra − contact)/Rab
//
// The contact is common to Ra and Rb; with one of the two alone a dirty contact
// would pass for a longer piece of coil. False when the three cannot belong to
// one coil with one spot, beyond what slack (ohm) explains.
func touchAt(a, b, ends, slack float64) (touch, bool) {
	if !(ends > 0) || !(a >= 0) || !(b >= 0) || !finite(a+b+ends) {
		return touch{}, false
	}
	t := touch{contact: (a + b - ends) / 2}
	t.share = (a - t.contact) / ends
	if t.contact < -slack || t.share < -slack/ends || t.share > 1+slack/ends {
		return touch{}, false
	}
	t.contact = math.Max(t.contact, 0)
	t.share = math.Min(math.Max(t.share, 0), 1)
	return t, true
}

// fromOther is the same spot seen from the other end of the coil.
func (t touch) fromOther() touch { return touch{share: 1 - t.share, contact: t.contact} }

// leak is the current in ampere and the heat of the coil in watts, with the
// thermostat open and the terminal's leg live: V/(x·R + r) through the piece
// of coil between terminal and spot. ends is the coil's resistance in ohm.
// Both are infinite where nothing is in the way of the current.
func (t touch) leak(legVolts, ends float64) (amps, watts float64) {
	piece := t.share * ends
	amps = legVolts / (piece + t.contact)
	if piece == 0 {
		return amps, 0
	}
	return amps, amps * amps * piece
}

// hold is whether a breaker carries a current.
type hold string

const (
	holds    hold = "the breaker holds"
	mayHold  hold = "the breaker may hold for an hour"
	tripping hold = "the breaker trips"
)

func breaker(amps float64) hold {
	switch {
	case amps <= breakerAmps:
		return holds
	case amps < breakerTrips:
		return mayHold
	}
	return tripping
}
