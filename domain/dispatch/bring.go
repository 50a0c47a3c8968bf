package dispatch

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/customers"
	"drumline/domain/repair"
)

// details is what is read about the visits of a sheet in one round trip.
type details struct {
	dossiers []customers.Dossier
	answers  []map[string]string
	records  []repair.UnitRecord
	notices  map[domain.ID][]customers.NoticeFlag
	fitted   map[string]*[]repair.FittedBefore
}

func (s *Service) fillStops(ctx context.Context, p domain.Principal, out *Sheet) error {
	if len(out.Stops) == 0 {
		return nil
	}
	var d details
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) { d.queue(b, p.Shop, out.Stops) })
	if err != nil {
		return err
	}
	for i := range out.Stops {
		stop := &out.Stops[i]
		stop.Dossier, stop.Hazards, stop.Notices = d.dossiers[i], d.records[i].Hazards, d.notices[stop.Visit.UnitID]
		cat, err := s.Calls.Catalogues.Of(ctx, s.DB, p, stop.Visit.Edition)
		if err != nil {
			return err
		}
		k, ok := cat.Kind(stop.Dossier.Unit.Kind)
		if !ok {
			stop.Warnings = append(stop.Warnings, "The catalogue has no such kind of appliance any more.")
			continue
		}
		a, err := s.Repair.Assess(ctx, p, stop.Visit.CallID)
		if err != nil {
			return err
		}
		stop.describe(k, d.answers[i])
		stop.expect(k, a.Result, *d.fitted[stop.kind])
	}
	return nil
}

func (d *details) queue(b *pgx.Batch, shop domain.ID, stops []SheetStop) {
	*d = details{dossiers: make([]customers.Dossier, len(stops)), answers: make([]map[string]string, len(stops)), records: make([]repair.UnitRecord, len(stops)),
		fitted: map[string]*[]repair.FittedBefore{}}
	ids := make([]string, len(stops))
	for i, st := range stops {
		ids[i] = st.Visit.ID.String()
		customers.QueueDossier(b, shop, calls.UnitOfCall, st.Visit.CallID, &d.dossiers[i])
		calls.QueueAnswers(b, shop, calls.CallByID, st.Visit.CallID, &d.answers[i])
		repair.QueueUnit(b, shop, st.Visit.UnitID, &d.records[i])
	}
	customers.QueueNotices(b, shop, calls.UnitsOfVisits, ids, &d.notices)
	for _, st := range stops {
		if kind := st.kind; d.fitted[kind] == nil {
			d.fitted[kind] = new([]repair.FittedBefore)
			repair.QueueFittedBefore(b, shop, kind, d.fitted[kind])
		}
	}
}

// describe puts kind, complaint and triage answers into the catalogue's words.
func (s *SheetStop) describe(k *catalogue.Kind, answers map[string]string) {
	s.Kind, s.Complaint = k.Name, s.Visit.Complaint
	if cp, ok := k.Complaint(s.Visit.Complaint); ok {
		s.Complaint = cp.Name
	}
	var given []calls.Answer
	for q, a := range answers {
		given = append(given, calls.Answer{Question: q, Answer: a})
	}
	s.Said = calls.Words(k, s.Visit.Complaint, given)
}

// expect says what is likely to be at fault, what to bring for it, and which
// sheet values the next checks will ask for.
func (s *SheetStop) expect(k *catalogue.Kind, a diagnosis.Assessment, before []repair.FittedBefore) {
	s.Stop = a.Stop
	chance := map[string]float64{}
	for _, r := range a.Ranking {
		f, ok := k.Fault(r.Fault)
		if !ok || r.Mended {
			continue
		}
		if len(s.Faults) < sheetFaults {
			s.Faults = append(s.Faults, LikelyFault{r.Name, r.Probability, f.Minutes})
		}
		if fix, ok := k.Action(f.Fix); ok && fix.Fits {
			chance[f.Part] = 1 - (1-chance[f.Part])*(1-r.Probability)
		}
	}
	for part, p := range chance {
		if p < worthABring {
			continue
		}
		name := part
		if x, ok := k.Part(part); ok {
			name = x.Name
		}
		s.Parts = append(s.Parts, PartToBring{name, p, numbersFor(k, part, customers.ModelNorm(s.Dossier.Unit.Model), before)})
	}
	slices.SortFunc(s.Parts, func(x, y PartToBring) int {
		return cmp.Or(cmp.Compare(y.Probability, x.Probability), cmp.Compare(x.Part, y.Part))
	})
	s.Parts = s.Parts[:min(len(s.Parts), sheetParts)]
	s.values(k, a)
}

// numbersFor is what the shop has fitted for the faults of a part: what it has
// fitted in the same model first, then the most often fitted.
func numbersFor(k *catalogue.Kind, part, model string, before []repair.FittedBefore) []FittedNumber {
	out := []FittedNumber{}
	for _, f := range before {
		fault, ok := k.Fault(f.Fault)
		if !ok || fault.Part != part {
			continue
		}
		i := slices.IndexFunc(out, func(x FittedNumber) bool { return x.Number == f.Number })
		if i < 0 {
			i, out = len(out), append(out, FittedNumber{Number: f.Number, Name: f.Name})
		}
		out[i].Times += f.Times
		if model != "" && f.Model == model {
			out[i].SameModel += f.Times
		}
	}
	slices.SortFunc(out, func(x, y FittedNumber) int {
		return cmp.Or(cmp.Compare(y.SameModel, x.SameModel), cmp.Compare(y.Times, x.Times), cmp.Compare(x.Number, y.Number))
	})
	return out[:min(len(out), sheetFitted)]
}

// gasCaution comes before all others of a unit that burns gas.
const gasCaution = "Gas: licensed fitter only; the local code comes first. Smell of gas: touch no switch, leave, shut the gas outside, call from outside."

// values says which values of the data sheet the next checks ask for, and what
// to beware of in them.
func (s *SheetStop) values(k *catalogue.Kind, a diagnosis.Assessment) {
	if s.Dossier.Unit.Fuel == "gas" {
		s.Cautions = append(s.Cautions, gasCaution)
	}
	most := len(s.Cautions) + sheetWarned
	for _, n := range a.Next[:min(len(a.Next), sheetChecks)] {
		ch, ok := k.Check(n.Check)
		if !ok {
			continue
		}
		for _, c := range ch.Cautions {
			if len(s.Cautions) < most && !slices.Contains(s.Cautions, c) {
				s.Cautions = append(s.Cautions, c)
			}
		}
		for _, l := range ch.Limits {
			if x, ok := k.Parameter(l.Parameter); ok {
				s.value(*x)
			}
		}
	}
}

// value adds a parameter to what is known or missing, once.
func (s *SheetStop) value(x catalogue.Parameter) {
	if slices.ContainsFunc(s.Known, func(v KnownValue) bool { return v.Parameter == x.ID }) ||
		slices.ContainsFunc(s.Missing, func(m catalogue.Parameter) bool { return m.ID == x.ID }) {
		return
	}
	i := slices.IndexFunc(s.Dossier.Sheet, func(v customers.SheetValue) bool { return v.Parameter == x.ID })
	if i < 0 {
		s.Missing = append(s.Missing, x)
		return
	}
	v := s.Dossier.Sheet[i]
	s.Known = append(s.Known, KnownValue{x.ID, x.Name, written(v, measure.Quantity(x.Quantity)), !v.ConfirmedBy.IsZero()})
}

// written is a sheet value in one line, with the digits it was entered with.
func written(v customers.SheetValue, q measure.Quantity) string {
	e := v.Entered
	text := ""
	switch {
	case v.Words != "":
		return v.Words
	case len(e.Curve) > 0:
		return fmt.Sprintf("curve of %d points", len(e.Curve))
	case e.Low != "" && e.High != "":
		text = e.Low + " to " + e.High
	case e.High != "":
		text = "at most " + e.High
	case e.Low != "":
		text = "at least " + e.Low
	default:
		text = e.Value
	}
	text = strings.TrimSpace(text + " " + measure.Symbol(v.Unit, q))
	if e.Percent != "" {
		text += " ± " + e.Percent + " %"
	}
	return text
}
