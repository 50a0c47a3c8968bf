package diagnosis

import (
	"drumline/diagnosis/airflow"
	"drumline/diagnosis/measure"
)

// The units the section speaks in.
const (
	sayFlow     = "[cft_i]/min"
	sayPressure = "[in_i'H2O]"
	sayHeat     = "[degF]"
)

func cfm(q float64) string   { return measure.Format(q, sayFlow, measure.Flow, 0) }
func water(p float64) string { return measure.Format(p, sayPressure, measure.Pressure, 0) }
func hot(k float64) string   { return measure.Format(k, sayHeat, measure.Temperature, 0) }

// degrees is a difference of temperatures, whole.
func degrees(k float64) string { return trimNumber(k*9/5, 0) + " °F" }

// sentence tells a tech what the figures come to.
func (a *Air) sentence() string {
	s := ""
	if e := a.Expected; e != nil {
		s = "Clean, the run as described passes about " + span(e.Least.Flow, e.Flow, sayFlow, measure.Flow) + ", up to " + whole(e.Share) + " of the air with the duct off, and shows " +
			span(e.Least.Collar, e.Collar, sayPressure, measure.Pressure) + " at the collar, with " + e.Blower + " (own arithmetic)."
	}
	if a.Flow != nil {
		s = joined(s, "Measured with the duct on: "+cfm(a.Flow.Flow)+".")
	}
	return joined(joined(joined(s, a.Blockage.sentence()), a.Box.sentence()), a.Balance.sentence())
}

func (b *Blockage) sentence() string {
	if b == nil {
		return ""
	}
	s := "At that flow a clean run takes " + water(b.Clean) + "; the collar shows " + water(b.Collar)
	if b.Blocked {
		return s + ": something blocks transition piece, run or hood."
	}
	return s + ": the run is not blocked."
}

// sentence gives the heater box with its margin.
func (b *HeaterBox) sentence() string {
	if b == nil {
		return ""
	}
	s := "With " + kilowatts(b.Watts) + " (" + b.Origin + ") the air in the heater box averages " + hot(b.Mean) + " while the element is on, " +
		"empty or with a dry load (own arithmetic)"
	switch {
	case b.Margin == nil:
		return s + ". Enter the high limit's rating from the data sheet to see the margin."
	case *b.Margin-2*b.U > 0:
		return s + "; the high limit is rated " + hot(*b.Rating) + ", " + degrees(*b.Margin) + " above."
	case *b.Margin > 0:
		return s + "; the high limit is rated " + hot(*b.Rating) + ", only " + degrees(*b.Margin) + " above: with hot spots it may switch. Get more air through."
	}
	return s + "; the high limit is rated " + hot(*b.Rating) + ", " + degrees(-*b.Margin) + " below: it must switch. Get more air through before any part is blamed."
}

// sentence says whether heat made and heat carried out agree.
func (b *HeatBalance) sentence() string {
	switch {
	case b == nil:
		return ""
	case b.Skipped != "":
		return "No heat balance: " + b.Skipped + "."
	case b.Agrees:
		return "Heat made and heat carried out agree."
	}
	s := "Heat made and heat carried out disagree; likeliest out is the "
	switch b.Suspect {
	case airflow.OfRise:
		return s + "outlet temperature: it would have to be " + degrees(b.Outcome.Rise) + " above the room, not " + degrees(b.Rise) + ". Put the bead in mid-stream and repeat."
	case airflow.OfWatts:
		return s + "heat: it would have to be " + kilowatts(b.Watts) + ". Measure the heater's current and volts."
	}
	return s + "flow: it would have to be " + cfm(b.Flow) + ". Measure the speed again in a straight piece of duct."
}
