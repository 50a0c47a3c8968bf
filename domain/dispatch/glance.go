package dispatch

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/care"
	"drumline/domain/customers"
	"drumline/domain/people"
	"drumline/domain/repair"
)

// Glance is what a dispatcher must know of a unit while its owner is on the
// phone.
type Glance struct {
	Dossier       customers.Dossier
	Kind          string // in words
	Calls         []PastCall
	Guarantees    []Guarantee // that still run, longest first
	ComeBack      bool        // a guarantee runs, or a repair was closed not long ago
	Hazards       []repair.Hazard
	Notices       []customers.NoticeFlag
	Visits        []calls.Visit // booked or under way; to a tech their own
	CareDue       domain.Date   // zero: nobody knows
	CareOverdue   bool
	Sentence      string
	ModelKnown    bool // there is a data sheet for the model
	WaitingSince  *time.Time
	PartsHaveCome bool // of a call that has no return visit yet
}

// PastCall is one call with what came of it.
type PastCall struct {
	calls.Call
	ComplaintName string
	Conclusions   []PastConclusion
}

// PastConclusion is what was at fault, in words.
type PastConclusion struct {
	repair.Conclusion
	PartName, FaultName string
}

// Guarantee is what the shop still answers for.
type Guarantee struct {
	CallID      domain.ID
	FaultName   string
	LabourUntil domain.Date
	PartUntil   domain.Date // zero: no part of ours was fitted
}

// lastCalls is how many calls are shown.
const lastCalls = 3

// glancing is what is read for a Glance.
type glancing struct {
	rule      Rule
	shop      people.Shop
	calls     []calls.Call
	record    repair.UnitRecord
	cleanings []care.Cleaning
	careRules care.Rules
	out       Glance
}

// AtAGlance gives what is known of a unit in one answer; to a tech a unit they
// were not sent to is absent.
func (s *Service) AtAGlance(ctx context.Context, p domain.Principal, unit domain.ID) (Glance, error) {
	if _, err := s.Customers.ReadUnit(ctx, p, unit); err != nil {
		return Glance{}, err
	}
	var g glancing
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		g = glancing{}
		queueRule(b, p.Shop, &g.rule)
		people.QueueShop(b, p.Shop, &g.shop)
		customers.QueueDossier(b, p.Shop, customers.UnitByID, unit, &g.out.Dossier)
		calls.QueueUnitCalls(b, p.Shop, unit, 50, &g.calls)
		calls.QueueUnitVisits(b, p.Shop, unit, &g.out.Visits)
		repair.QueueUnit(b, p.Shop, unit, &g.record)
		customers.QueueUnitNotices(b, p.Shop, customers.UnitByID, unit, &g.out.Notices)
		care.QueueCleanings(b, p.Shop, customers.UnitByID, unit, &g.cleanings)
		care.QueueRules(b, p.Shop, &g.careRules)
	})
	if err != nil {
		return Glance{}, err
	}
	return g.out, s.see(ctx, p, &g)
}

// see puts together what was read.
func (s *Service) see(ctx context.Context, p domain.Principal, g *glancing) error {
	zone, err := time.LoadLocation(orText(g.out.Dossier.Site.TimeZone, g.shop.TimeZone))
	if err != nil {
		return fmt.Errorf("dispatch: zone of unit %s: %w", g.out.Dossier.Unit.ID, err)
	}
	today := domain.DateOf(s.Now().In(zone))
	g.out.Hazards, g.out.ModelKnown = g.record.Hazards, !g.out.Dossier.SheetID.IsZero()
	g.out.CareDue = care.Next(care.Due(g.out.Dossier.Unit, g.cleanings, g.careRules))
	g.out.CareOverdue = care.Overdue(g.out.CareDue, today)
	for i, c := range g.calls {
		cat, err := s.Calls.Catalogues.Of(ctx, s.DB, p, c.Edition)
		if err != nil {
			return err
		}
		k, _ := cat.Kind(g.out.Dossier.Unit.Kind)
		if i == 0 && k != nil {
			g.out.Kind = k.Name
		}
		past := g.past(c, k)
		g.guarantees(past, zone, today)
		g.recently(c, s.Now())
		g.standing(c)
		if i < lastCalls {
			g.out.Calls = append(g.out.Calls, past)
		}
	}
	if g.out.Kind == "" {
		if k, ok := s.Calls.Catalogues.BuiltIn().Kind(g.out.Dossier.Unit.Kind); ok {
			g.out.Kind = k.Name
		}
	}
	longestFirst(g.out.Guarantees)
	g.out.Sentence = g.sentence(s.Now())
	if p.Role == domain.Tech {
		g.out.Visits = slices.DeleteFunc(g.out.Visits, func(v calls.Visit) bool { return v.TechID != p.Person })
	}
	return nil
}

func orText(s, fallback string) string {
	if s == "" {
		return fallback
	}
	return s
}

func (g *glancing) past(c calls.Call, k *catalogue.Kind) PastCall {
	out := PastCall{Call: c, ComplaintName: c.Complaint}
	if k != nil {
		if cp, ok := k.Complaint(c.Complaint); ok {
			out.ComplaintName = cp.Name
		}
	}
	for _, v := range g.record.Conclusions {
		if v.CallID != c.ID {
			continue
		}
		v.Fitted = g.record.PartsOf(v.ID)
		named := PastConclusion{Conclusion: v, PartName: v.Part, FaultName: v.Fault}
		if k != nil {
			if part, ok := k.Part(v.Part); ok {
				named.PartName = part.Name
			}
			if f, ok := k.Fault(v.Fault); ok {
				named.FaultName = f.Name
			}
		}
		out.Conclusions = append(out.Conclusions, named)
	}
	return out
}

// guarantees adds what still runs of a repair: from the day the call was
// closed, on labour for what was mended, on parts where the shop fitted any.
func (g *glancing) guarantees(c PastCall, zone *time.Location, today domain.Date) {
	if c.ClosedAt == nil || c.Outcome != calls.ReturnedToService && c.Outcome != calls.Limited {
		return
	}
	closed := domain.DateOf(c.ClosedAt.In(zone))
	for _, v := range c.Conclusions {
		if v.ActionID.IsZero() {
			continue
		}
		w := Guarantee{CallID: c.ID, FaultName: v.FaultName, LabourUntil: plusDays(closed, g.rule.LabourDays)}
		for _, f := range v.Fitted {
			if f.Source != "customer" {
				w.PartUntil = plusDays(closed, g.rule.PartDays)
			}
		}
		if !w.LabourUntil.Before(today) || !w.PartUntil.IsZero() && !w.PartUntil.Before(today) {
			g.out.Guarantees = append(g.out.Guarantees, w)
			g.out.ComeBack = true
		}
	}
}

// recently notes a repair after which the same complaint is a come-back, by
// the rule that calls are opened by.
func (g *glancing) recently(c calls.Call, now time.Time) {
	if c.Outcome == calls.ReturnedToService && c.ClosedAt != nil && !c.ClosedAt.Before(now.Add(-calls.ComesBackWithin)) {
		g.out.ComeBack = true
	}
}

func plusDays(d domain.Date, n int) domain.Date { return domain.DateOf(d.Time().AddDate(0, 0, n)) }

// standing notes an open call that waits for parts, or whose parts have come
// without a return visit booked.
func (g *glancing) standing(c calls.Call) {
	switch {
	case c.Status == calls.WaitingForParts:
		if since := c.StatusSince; g.out.WaitingSince == nil || since.Before(*g.out.WaitingSince) {
			g.out.WaitingSince = &since
		}
	case c.Status == calls.Open && c.PartsArrivedAt != nil:
		booked := false
		for _, v := range g.out.Visits {
			booked = booked || v.CallID == c.ID
		}
		g.out.PartsHaveCome = g.out.PartsHaveCome || !booked
	}
}

// sentence says the gravest first.
func (g *glancing) sentence(now time.Time) string {
	u := g.out.Dossier.Unit
	var parts []string
	for _, n := range g.out.Notices {
		if n.Level == customers.NoticeDangerNow {
			parts = append(parts, "Safety notice: "+n.Title)
		}
	}
	if n := len(g.out.Hazards); n > 0 {
		parts = append(parts, counted(n, "hazard")+" not cleared")
	}
	if n := len(g.out.Guarantees); n > 0 {
		parts = append(parts, "guarantee runs on "+strings.ToLower(g.out.Guarantees[0].FaultName)+" until "+latest(g.out.Guarantees[0]).String()+": this may be a come-back")
	} else if g.out.ComeBack {
		parts = append(parts, "repaired not long ago: this may be a come-back")
	}
	if w := g.out.WaitingSince; w != nil {
		parts = append(parts, "a call has waited for parts for "+waited(now.Sub(*w)))
	}
	if g.out.PartsHaveCome {
		parts = append(parts, "the parts have come: book the return visit")
	}
	if g.out.CareOverdue {
		parts = append(parts, "care was due on "+g.out.CareDue.String())
	}
	if len(parts) == 0 {
		parts = append(parts, "nothing is open")
	}
	return strings.TrimSpace(strings.Join([]string{g.out.Kind, u.Maker, u.Model}, " ")) + ": " + strings.Join(parts, "; ") + "."
}

func longestFirst(gs []Guarantee) {
	slices.SortStableFunc(gs, func(a, b Guarantee) int { return latest(b).Time().Compare(latest(a).Time()) })
}

func latest(g Guarantee) domain.Date {
	if g.PartUntil.IsZero() || g.PartUntil.Before(g.LabourUntil) {
		return g.LabourUntil
	}
	return g.PartUntil
}

// waited is how long in words, by whole days.
func waited(d time.Duration) string {
	if n := int(d.Hours() / 24); n > 0 {
		return counted(n, "day")
	}
	return "less than a day"
}

func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
