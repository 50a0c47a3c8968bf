package api

import (
	"context"
	"fmt"

	"drumline/api/wire"
	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/isolate"
	"drumline/domain/history"
)

// Calibrations is how well the service's probabilities agreed with what was
// verified.
type Calibrations struct {
	Complaints []Calibration `json:"complaints" doc:"Most calls first."`
}

// Calibration is that of one complaint.
type Calibration struct {
	Kind        string           `json:"kind"`
	Complaint   string           `json:"complaint"`
	Name        string           `json:"name"`
	Calls       int              `json:"calls" doc:"Calls that ended with a verified finding."`
	Status      string           `json:"status" doc:"ok, or too_few: under 200 calls, when the figures are shown but prove nothing."`
	First       float64          `json:"first" doc:"Share of the calls whose likeliest fault was verified."`
	FirstThree  float64          `json:"first_three" doc:"Share with a verified fault among the three likeliest."`
	Unlisted    int              `json:"unlisted" doc:"Calls in which a fault was verified that the ranking does not list."`
	Brier       float64          `json:"brier" doc:"Mean over all faults of the squared difference of probability and outcome. Lower is better."`
	LogScore    float64          `json:"log_score" doc:"Mean of the negative natural logarithm of the chance given to what came. Lower is better."`
	Reliability float64          `json:"reliability" doc:"Part of brier that comes of probabilities that do not mean what they say (Murphy 1973); at most 0.01 is aimed at."`
	Resolution  float64          `json:"resolution" doc:"Part that telling calls apart takes off brier. Higher is better."`
	Uncertainty float64          `json:"uncertainty" doc:"Part no probabilities could avoid."`
	Within      float64          `json:"within" doc:"What the ten bins hide: brier is reliability less resolution plus uncertainty plus this."`
	Bins        []CalibrationBin `json:"bins" doc:"All faults of all calls, by the probability they had."`
	Sentence    string           `json:"sentence"`
}

// CalibrationBin is one tenth of the scale.
type CalibrationBin struct {
	From      float64 `json:"from"`
	To        float64 `json:"to"`
	Count     int     `json:"count"`
	Predicted float64 `json:"predicted" doc:"Mean probability."`
	Observed  float64 `json:"observed" doc:"Share that was verified."`
}

func viewCalibration(cat *catalogue.Catalogue, c history.Calibration) Calibration {
	s := c.Scores
	n := float64(s.Count)
	out := Calibration{Kind: c.Kind, Complaint: c.Complaint, Name: complaintName(cat, c.Kind, c.Complaint), Calls: s.Count, Status: string(c.Status),
		First: float64(s.TopFound) / n, FirstThree: float64(c.FirstThree) / n, Unlisted: s.Unlisted, Brier: s.Every.Brier, LogScore: s.Every.Log,
		Reliability: s.Every.Reliability, Resolution: s.Every.Resolution, Uncertainty: s.Every.Uncertainty, Within: s.Every.Within}
	for _, b := range s.Every.Bins {
		out.Bins = append(out.Bins, CalibrationBin{b.Low, b.High, b.Count, b.Predicted, b.Observed})
	}
	out.Sentence = sentenceOf(c.Status, s)
	return out
}

// sentenceOf is what an owner reads first.
func sentenceOf(status history.Status, s isolate.CallCalibration) string {
	text := fmt.Sprintf("In %d of %d calls the likeliest fault was the one verified", s.TopFound, s.Count)
	if status == history.TooFew {
		return text + "; too few calls yet to say how far the probabilities can be trusted."
	}
	if s.Every.Reliability <= 0.01 {
		return text + ", and the probabilities mean what they say."
	}
	return text + ", but the probabilities do not mean what they say: see the table."
}

func complaintName(c *catalogue.Catalogue, kind, complaint string) string {
	if k, ok := c.Kind(kind); ok {
		if c, ok := k.Complaint(complaint); ok {
			return c.Name
		}
	}
	return complaint
}

const calibrationText = `Compares the probabilities each call ended with against what was verified: a machine proven after the repair, or found sound in a run. It
counts calls closed from the instant given on, before the other. The figures rest on this shop's calls alone.`

func (a *API) registerHistory(e *Edge) {
	op := show("read-calibration", "/v1/history/calibration", "history", ownerly, "Show how well the probabilities agreed with what was found")
	op.Description = calibrationText
	register(e, op, func(ctx context.Context, in *struct {
		From  wire.Time `query:"from" doc:"Calls closed from this instant on."`
		Until wire.Time `query:"until" doc:"Calls closed before this instant."`
	}) (*struct{ Body Calibrations }, error) {
		found, err := a.History.Calibration(ctx, principal(ctx), history.Span{From: in.From.Time, Until: in.Until.Time})
		if err != nil {
			return nil, err
		}
		cat, err := a.Supplements.Current(ctx, principal(ctx))
		if err != nil {
			return nil, err
		}
		out := Calibrations{Complaints: []Calibration{}}
		for _, c := range found {
			out.Complaints = append(out.Complaints, viewCalibration(cat, c))
		}
		return &struct{ Body Calibrations }{out}, nil
	})
}
