package electric

import "math"

// UsualLeg is the voltage of a leg to neutral or ground, in volt, where the
// supply is not known.
const UsualLeg = 120.0

// ThreePhase is the line voltage in volt of a building with three phases of
// 120 V to neutral.
const ThreePhase = 208.0

const threePhaseSlack = 10.0 // V about ThreePhase

// Leg is the voltage of a leg to neutral for a supply of line volts: half of a
// split phase, of three phases (about 208 V) the line over √3, up to 150 V the
// line itself. UsualLeg where line is not above zero.
func Leg(line float64) float64 {
	switch {
	case !(line > 0):
		return UsualLeg
	case math.Abs(line-ThreePhase) < threePhaseSlack:
		return line / math.Sqrt(3)
	case line < 150:
		return line
	}
	return line / 2
}

// Band is a range of supply voltages as shares of the nominal one.
type Band struct {
	Low, High float64 // −0.05 is 5 % below nominal
	Source    string
}

// The published bands. ANSI C84.1 Table 1 from memory; later editions print
// 108 V for the least utilization voltage of Range A, older ones 110 V for
// circuits with lighting. The utilization bands state the low end only, their
// high end being that of the service. IEC 60038 for Europe was read.
var (
	ServiceA     = Band{-0.05, 0.05, "ANSI C84.1 Table 1, Range A, service (from memory)"}
	ServiceB     = Band{-0.083, 0.058, "ANSI C84.1 Table 1, Range B, service (from memory)"}
	UtilizationA = Band{-0.10, 0.05, "ANSI C84.1 Table 1, Range A, utilization (from memory)"}
	UtilizationB = Band{-0.13, 0.058, "ANSI C84.1 Table 1, Range B, utilization (-13 % read, the rest from memory)"}
	Europe       = Band{-0.10, 0.10, "IEC 60038, 230 V ±10 %"}
)

// StateMinimum is the least 120 V service a state rule lets stand for more
// than two minutes, in volt (83 Ill. Adm. Code 410.300(b)).
const StateMinimum = 113.0

// SplitPhase is the nominal supply of a North American dwelling in volt: leg
// to neutral and line to line (IEC 60038 Table 1, single-phase three-wire,
// 60 Hz).
func SplitPhase() (leg, line float64) { return 120, 240 }

// Limits are the least and the greatest voltage of a nominal one, in volt.
func (b Band) Limits(nominal float64) (low, high float64) {
	return nominal * (1 + b.Low), nominal * (1 + b.High)
}

// Drop is the share of its volts a supply loses under load: 1 − loaded/idle,
// below zero when it rose. False without idle volts.
func Drop(idle, loaded float64) (float64, bool) {
	d := 1 - loaded/idle
	return known(d, idle > 0 && loaded >= 0)
}

// Legs are the three voltages at the terminal block, in volt.
type Legs struct {
	One, Two float64 // each leg to neutral
	Line     float64 // leg to leg
}

// The usual input resistances of meters in ohm (common practice, no source).
const (
	HighImpedance = 10e6
	LowImpedance  = 3e3
)

// OpenLeg predicts what a meter shows when leg two is open ahead of the
// terminal block. leg is the live leg to neutral in volt; path the resistance
// in ohm from it to the dead terminal (the heater when the heat is on; what
// damp and wiring leak when it is off); load the resistance from the dead
// terminal to neutral beside the meter, +Inf for none; meter that of the meter.
// All resistances above zero.
//
// Through a heater of 10 Ω the dead leg shows its 120 V on either meter: only
// line to line, which shows 0, gives it away. With the heater off or its wire
// taken off, a meter of low impedance pulls the dead leg down to 0.
func OpenLeg(leg, path, load, meter float64) Legs {
	return Legs{
		One:  leg,
		Two:  leg * divider(path, Parallel(load, meter)),
		Line: leg * divider(load, Parallel(path, meter)),
	}
}

// divider is the share of a voltage over the lower of two resistances in
// series.
func divider(upper, lower float64) float64 {
	switch {
	case math.IsInf(upper, 1), !(lower > 0):
		return 0
	case math.IsInf(lower, 1), !(upper > 0):
		return 1
	}
	return 1 / (1 + upper/lower)
}

// Supply is what three voltages say of a supply.
type Supply int

// The supplies. BackFed: both legs show volts but in step, line to line being
// no more than their difference, so one leg is open and fed through the heater,
// or both are on one phase. LegDead: one leg next to nothing. LooseNeutral: the
// legs add up to the line but are far from equal. Wye: two legs of three
// phases, sound.
const (
	SplitPhaseSound Supply = iota
	Wye
	BackFed
	LegDead
	LooseNeutral
	Unclear // the three do not fit together: read them again
)

// Judgement, no source: what counts as next to nothing, as equal, and how far
// apart the legs may be before the neutral is doubted.
const (
	nothing = 0.1  // of a leg
	fits    = 0.05 // of the line expected from the legs
	uneven  = 0.15 // of the mean of both legs
)

// Read says what three voltages at the terminal block mean. All three from one
// meter under one load.
func (l Legs) Read() Supply {
	strong, weak := math.Max(l.One, l.Two), math.Min(l.One, l.Two)
	if !(weak >= 0) || !(l.Line >= 0) || !(strong > 0) || !finite(strong) || !finite(l.Line) {
		return Unclear
	}
	mean := strong/2 + weak/2 // the sum may be too large for a float
	even := strong-weak <= uneven*mean
	near := func(want float64) bool { return math.Abs(l.Line/mean/want-1) <= fits }
	switch {
	case weak <= nothing*strong:
		return LegDead
	case math.Abs(l.Line-(strong-weak)) <= nothing*mean: // both in step
		return BackFed
	case near(2) && even:
		return SplitPhaseSound
	case near(2):
		return LooseNeutral
	case near(math.Sqrt(3)) && even:
		return Wye
	}
	return Unclear
}
