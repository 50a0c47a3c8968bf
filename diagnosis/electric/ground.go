package electric

import "math"

// Touch is where a grounded coil touches the case.
type Touch struct {
	Share   float64 // of the coil between the terminal and the spot, 0 to 1
	Contact float64 // ohm, of the contact itself
}

// TouchAt finds the spot from the resistances in ohm of terminal a to case,
// terminal b to case and end to end:
//
//	contact = (Ra + Rb − Rab)/2, share = (Ra − contact)/Rab
//
// The contact is common to Ra and Rb; with one of the two alone a dirty contact
// would pass for a longer piece of coil. False when the three cannot belong to
// one coil with one spot, beyond what slack (ohm) explains.
func TouchAt(a, b, ends, slack float64) (Touch, bool) {
	if !(ends > 0) || !(a >= 0) || !(b >= 0) || !finite(a+b+ends) {
		return Touch{}, false
	}
	t := Touch{Contact: (a + b - ends) / 2}
	t.Share = (a - t.Contact) / ends
	if t.Contact < -slack || t.Share < -slack/ends || t.Share > 1+slack/ends {
		return Touch{}, false
	}
	t.Contact = math.Max(t.Contact, 0)
	t.Share = share(t.Share)
	return t, true
}

// FromOther is the same spot seen from the other end of the coil.
func (t Touch) FromOther() Touch { return Touch{Share: 1 - t.Share, Contact: t.Contact} }

// Leak is the current in ampere and the heat of the coil in watts, with the
// thermostat open and the terminal's leg live: V/(x·R + r) through the piece
// of coil between terminal and spot. ends is the coil's resistance in ohm.
// The current is +Inf where nothing is in its way; the coil then makes none of
// the heat.
func (t Touch) Leak(leg, ends float64) (amps, watts float64) {
	piece := t.Share * ends
	if !(piece+t.Contact > 0) {
		return math.Inf(1), 0
	}
	amps = leg / (piece + t.Contact)
	if piece == 0 {
		return amps, 0
	}
	return amps, amps * amps * piece
}

// Hold is whether a breaker carries a current.
type Hold string

// What a breaker does.
const (
	Holds   Hold = "the breaker holds"
	MayHold Hold = "the breaker may hold for an hour"
	Trips   Hold = "the breaker trips"
)

// The breaker of a dryer has 30 A (common practice, no source); one of up to
// 50 A carries its rating for good and trips within the hour at 135 % of it
// (UL 489, from memory).
const (
	BreakerAmps  = 30.0
	BreakerTrips = 1.35 * BreakerAmps
)

// Breaker says what the breaker of a dryer does at a current in ampere.
func Breaker(amps float64) Hold {
	switch {
	case amps <= BreakerAmps:
		return Holds
	case amps < BreakerTrips:
		return MayHold
	}
	return Trips
}
