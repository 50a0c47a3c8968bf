package api

import (
	"drumline/diagnosis"
	"drumline/diagnosis/measure"
	"drumline/domain"
)

// Air is what the physics of the exhaust run and the heater box says. The code
// is no more than a reminder: check local code; the maker's figure wins.
type Air struct {
	Sentence   string       `json:"sentence,omitempty" doc:"What the figures come to, for the tech."`
	Expected   *ExpectedAir `json:"expected,omitempty" doc:"Of the run as described, clean."`
	Why        string       `json:"why,omitempty" doc:"Why nothing is expected."`
	CodeLength *Quantity    `json:"code_length,omitempty" doc:"What the code's table counts of the concealed run, bends included."`
	Flow       *Quantity    `json:"flow,omitempty" doc:"Measured with the duct on."`
	FlowU      *Quantity    `json:"flow_uncertainty,omitempty" doc:"Standard uncertainty of flow."`
	Blockage   *Blockage    `json:"blockage,omitempty"`
	Box        *HeaterBox   `json:"heater_box,omitempty"`
	Balance    *HeatBalance `json:"heat_balance,omitempty"`
	Notes      []AirNote    `json:"notes" doc:"What code or maker may have against the run as described."`
}

// ExpectedAir is what the run as described lets through when clean.
type ExpectedAir struct {
	Share       float64   `json:"share" doc:"Of the air with the duct off, from 0 to 1."`
	Flow        *Quantity `json:"flow"`
	Collar      *Quantity `json:"collar_pressure" doc:"Static, at the dryer's collar."`
	LeastFlow   *Quantity `json:"least_flow" doc:"With a weaker blower of the same flow; the same where the data sheet gives its pressure."`
	LeastCollar *Quantity `json:"least_collar_pressure"`
	Blower      string    `json:"blower" doc:"What it was computed with: a generic blower, or that of the data sheet."`
	Put         string    `json:"assumed,omitempty" doc:"What was put in for what nobody said of the run."`
}

// Blockage compares the static pressure at the collar with what the run takes
// when clean at the flow that was measured.
type Blockage struct {
	ReadingID *domain.ID `json:"reading_id,omitempty"`
	Collar    *Quantity  `json:"collar_pressure"`
	Clean     *Quantity  `json:"clean_pressure"`
	Blocked   bool       `json:"blocked"`
}

// HeaterBox is the mean temperature of the air in the heater box with the
// element on, empty or with a dry load. The high limit sits there.
type HeaterBox struct {
	Power       *Quantity `json:"power" doc:"Heat of the element."`
	Origin      string    `json:"power_origin"`
	Room        *Quantity `json:"room"`
	Rise        *Quantity `json:"rise" doc:"A difference, in K."`
	Mean        *Quantity `json:"mean"`
	Uncertainty *Quantity `json:"uncertainty" doc:"Standard uncertainty of mean, a difference, in K."`
	Rating      *Quantity `json:"high_limit_rating,omitempty"`
	Margin      *Quantity `json:"margin,omitempty" doc:"Rating less mean, a difference, in K; negative: the high limit must switch."`
}

// HeatBalance holds the heat that is made against the heat the air carries out.
type HeatBalance struct {
	ReadingID *domain.ID `json:"reading_id,omitempty" doc:"Of the run."`
	Skipped   string     `json:"skipped,omitempty" doc:"Why there is none."`
	Duty      float64    `json:"duty,omitempty" doc:"Share of the time the heat was on."`
	Rise      *Quantity  `json:"rise,omitempty" doc:"Of the outlet over the room, a difference, in K."`
	Agrees    bool       `json:"agrees"`
	Suspect   string     `json:"suspect,omitempty" doc:"What is likeliest out when they disagree: power, flow or rise."`
}

// AirNote is one thing code or maker may have against the run.
type AirNote struct {
	ID     string `json:"id"`
	Text   string `json:"text"`
	Clause string `json:"clause" doc:"Section and edition; check local code."`
}

// in shows an SI figure of a quantity.
func in(v float64, q measure.Quantity) *Quantity { return quantity(&v, measure.SIUnit(q)) }

// maybe shows one that may be absent.
func maybe(v *float64, q measure.Quantity) *Quantity { return quantity(v, measure.SIUnit(q)) }

func viewAir(a *diagnosis.Air) *Air {
	if a == nil {
		return nil
	}
	out := &Air{Sentence: a.Sentence, Why: a.Why, CodeLength: maybe(a.CodeLength, measure.Length), Box: viewBox(a.Box), Notes: []AirNote{}}
	if e := a.Expected; e != nil {
		out.Expected = &ExpectedAir{Share: e.Share, Flow: in(e.Flow, measure.Flow), Collar: in(e.Collar, measure.Pressure),
			LeastFlow: in(e.Least.Flow, measure.Flow), LeastCollar: in(e.Least.Collar, measure.Pressure), Blower: e.Blower, Put: e.Put}
	}
	if f := a.Flow; f != nil {
		out.Flow, out.FlowU = in(f.Flow, measure.Flow), in(f.U, measure.Flow)
	}
	if b := a.Blockage; b != nil {
		out.Blockage = &Blockage{parsedID(b.Reading), in(b.Collar, measure.Pressure), in(b.Clean, measure.Pressure), b.Blocked}
	}
	if b := a.Balance; b != nil {
		out.Balance = &HeatBalance{ReadingID: parsedID(b.Reading), Skipped: b.Skipped, Duty: b.Duty, Agrees: b.Agrees, Suspect: string(b.Suspect)}
		if b.Skipped == "" {
			out.Balance.Rise = in(b.Rise, measure.TemperatureDifference)
		}
	}
	for _, n := range a.Notes {
		out.Notes = append(out.Notes, AirNote{n.ID, n.Text, n.Clause})
	}
	return out
}

func viewBox(b *diagnosis.HeaterBox) *HeaterBox {
	if b == nil {
		return nil
	}
	difference := measure.TemperatureDifference
	return &HeaterBox{Power: in(b.Watts, measure.Power), Origin: b.Origin, Room: in(b.Room, measure.Temperature), Rise: in(b.Rise, difference),
		Mean: in(b.Mean, measure.Temperature), Uncertainty: in(b.U, difference), Rating: maybe(b.Rating, measure.Temperature), Margin: maybe(b.Margin, difference)}
}
