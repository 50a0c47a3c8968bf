package repair

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/care"
	"drumline/domain/customers"
	"drumline/domain/people"
)

// Report is what the customer gets to read of a call: texts are plain words,
// days are those at the site.
type Report struct {
	Shop      people.Shop
	Customer  customers.Customer
	Site      customers.Site
	Unit      customers.Unit
	Call      calls.Call
	Appliance string // name of the kind
	Complaint string
	MadeOn    domain.Date
	OpenedOn  domain.Date
	ClosedOn  domain.Date // zero while the call is open
	Headline  string      // may it be used?
	Usable    bool        // the headline says that it may be used without limits
	Visits    []ReportVisit
	Checks    []ReportCheck
	Findings  []ReportFinding
	Work      []ReportWork
	Confirmed []string // closing statements that count
	Hazards   []ReportHazard
	Cautions  []string
	Care      []ReportCare
	Notice    string // what comes before every word of it
}

// ReportVisit says who was there and when.
type ReportVisit struct {
	On  domain.Date
	Who string // empty: nobody was assigned
}

// ReportFinding is a conclusion in the customer's words.
type ReportFinding struct {
	Part            string // the part, plainly
	Fault           string // what was wrong, plainly
	Done            string // what was done about it; empty: nothing yet
	Note            string
	AgainstEvidence string // the reason, when the readings alone do not carry it
	Fitted          []FittedPart
}

// ReportWork is an action in the customer's words.
type ReportWork struct {
	On   domain.Date
	Text string
	Note string
}

// ReportHazard is a hazard in the customer's words.
type ReportHazard struct {
	Hazard
	Plain     string
	LevelText string
	Ask       string // what to do while it is not cleared; empty once it is
	ToldOn    domain.Date
	ClearedOn domain.Date // zero: it is not cleared
}

// ReportCare is a care task with its due date.
type ReportCare struct {
	Task   string
	Whose  string      // us or customer
	DueOn  domain.Date // zero: no date
	Reason string
}

// LocalFirst is the sentence that outranks every text of the service.
const LocalFirst = "Local codes, licensed trades and the maker's instructions come first, before everything written here."

// reporting is all that a report is made of.
type reporting struct {
	closingCase
	shop      people.Shop
	names     map[domain.ID]string
	visits    []calls.Visit
	drawn     conclusionRows
	careRules care.Rules
	zone      *time.Location
	now       time.Time
}

// ReadReport gives the report of a call as it stands now.
func (s *Service) ReadReport(ctx context.Context, p domain.Principal, call domain.ID) (Report, error) {
	now := s.Now()
	var g reporting
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		g = reporting{now: now}
		calls.QueueCall(b, p, call, &g.call)
		queueCase(b, p, now, atCall(call), &g.caseRows)
		g.closingCase.queue(b, p.Shop, call)
		g.drawn.queue(b, p.Shop, call)
		calls.QueueVisits(b, p.Shop, call, &g.visits)
		care.QueueRules(b, p.Shop, &g.careRules)
		people.QueueShop(b, p.Shop, &g.shop)
		people.QueueNames(b, p.Shop, &g.names)
	})
	if err != nil {
		return Report{}, err
	}
	if err := s.openOf(ctx, p, &g.caseRows); err != nil {
		return Report{}, err
	}
	if g.zone, err = time.LoadLocation(g.dossier.Site.TimeZone); err != nil {
		return Report{}, err
	}
	return g.report(), nil
}

func (g *reporting) day(t time.Time) domain.Date { return domain.DateOf(t.In(g.zone)) }

func (g *reporting) report() Report {
	d := g.dossier
	r := Report{Shop: g.shop, Customer: d.Customer, Site: d.Site, Unit: d.Unit, Call: g.call, Appliance: g.kind.Name, Complaint: g.call.Complaint,
		MadeOn: g.day(g.now), OpenedOn: g.day(g.call.OpenedAt), Visits: g.attended(), Checks: g.checks(), Findings: g.findings(), Work: g.work(),
		Confirmed: g.confirmed(), Hazards: g.dangersFound(), Care: g.care(), Notice: LocalFirst}
	if cp, ok := g.kind.Complaint(g.call.Complaint); ok {
		r.Complaint = cp.Name
	}
	if g.call.ClosedAt != nil {
		r.ClosedOn = g.day(*g.call.ClosedAt)
	}
	r.Headline, r.Usable = headline(g.call, strings.ToLower(g.kind.Name), slices.ContainsFunc(g.hazards, Hazard.Stops))
	r.Cautions = cautions(g.kind.ID)
	return r
}

// headline says in one sentence whether the appliance may be used.
func headline(c calls.Call, appliance string, stopped bool) (text string, usable bool) {
	your := "Your " + appliance
	switch {
	case c.Outcome == calls.LeftOutOfService:
		return "Do not use your " + appliance + ". It has been left out of service.", false
	case stopped:
		return "Do not use your " + appliance + ". A danger was found that has not been put right.", false
	case c.Status != calls.Closed:
		return "The work is not finished. Do not use your " + appliance + " until we tell you that you may.", false
	}
	switch c.Outcome {
	case calls.ReturnedToService:
		return your + " was repaired and checked. You may use it again.", true
	case calls.Limited:
		return your + " may be used only within the limits written here. Read the dangers found.", false
	case calls.NoFaultFound:
		return "We found no fault. You may use your " + appliance + ".", true
	case calls.Declined:
		return your + " was not repaired, as you decided.", false
	case calls.NotWorthRepairing:
		return your + " was not repaired: a repair is not worth its price.", false
	case calls.NoAccess:
		return "We could not get to your " + appliance + ". Nothing was done.", false
	}
	return "This call was cancelled. Nothing was repaired.", false
}

// attended lists the visits that took place.
func (g *reporting) attended() []ReportVisit {
	out := []ReportVisit{}
	for _, v := range g.visits {
		if v.Status == calls.OnSite || v.Status == calls.Done || g.worked(v.ID) {
			out = append(out, ReportVisit{On: g.day(v.StartsAt), Who: g.names[v.TechID]})
		}
	}
	return out
}

func (g *reporting) worked(visit domain.ID) bool {
	return slices.ContainsFunc(g.readings, func(r *Reading) bool { return r.VisitID == visit && r.VoidedAt == nil }) ||
		slices.ContainsFunc(g.actions, func(a Action) bool { return a.VisitID == visit && a.VoidedAt == nil })
}

func (g *reporting) findings() []ReportFinding {
	out := []ReportFinding{}
	for _, v := range live(g.drawn.joined()) {
		f := ReportFinding{Part: v.Part, Fault: v.Fault, Note: v.Note, AgainstEvidence: v.AgainstEvidence, Fitted: v.Fitted}
		if p, ok := g.kind.Part(v.Part); ok {
			f.Part = p.Plain
		}
		if e, ok := g.kind.Fault(v.Fault); ok {
			f.Fault = e.Plain
		}
		f.Done = g.doneAbout(v)
		out = append(out, f)
	}
	return out
}

// doneAbout is the action a conclusion names, else the last that stands and
// touched its part.
func (g *reporting) doneAbout(v Conclusion) string {
	text := ""
	for _, a := range g.actions {
		if a.VoidedAt != nil {
			continue
		}
		if a.ID == v.ActionID {
			return g.actionText(a)
		}
		entry, ok := g.kind.Action(a.Action)
		if ok && v.ActionID.IsZero() && mends(g.kind, entry.ID) && touches(g.kind, diagnosis.Done{Action: a.Action, Part: a.Part}, v.Part) {
			text = g.actionText(a)
		}
	}
	return text
}

// mends says whether an action is the usual fix of some fault.
func mends(k *catalogue.Kind, action string) bool {
	return slices.ContainsFunc(k.Faults, func(f catalogue.Fault) bool { return f.Fix == action })
}

func (g *reporting) actionText(a Action) string {
	entry, ok := g.kind.Action(a.Action)
	if !ok {
		return a.Action
	}
	text := "We " + entry.Plain
	if p, known := g.kind.Part(a.Part); known {
		text += ": " + p.Plain
	}
	return text + "."
}

func (g *reporting) work() []ReportWork {
	out := []ReportWork{}
	for _, a := range g.actions {
		if a.VoidedAt == nil {
			out = append(out, ReportWork{On: g.day(a.DoneAt), Text: g.actionText(a), Note: a.Note})
		}
	}
	return out
}

func (g *reporting) confirmed() []string {
	out := []string{}
	for _, s := range g.statements() {
		if s.Counts {
			out = append(out, s.Text)
		}
	}
	return out
}

// levelText says a level in words.
func levelText(l Level) string {
	switch l {
	case DangerNow:
		return "Danger now: must not be used as it is"
	case AtRisk:
		return "At risk: can become dangerous"
	}
	return "Below present code: was allowed when it was made, and is not as safe as today's rules ask"
}

func (g *reporting) dangersFound() []ReportHazard {
	out := []ReportHazard{}
	for _, h := range g.hazards {
		r := ReportHazard{Hazard: h, Plain: h.Kind().Plain, LevelText: levelText(h.Level), Ask: h.Kind().Ask, ToldOn: g.day(h.ToldAt)}
		if h.ClearedAt != nil {
			r.Ask, r.ClearedOn = "", g.day(*h.ClearedAt)
		}
		out = append(out, r)
	}
	return out
}

func (g *reporting) care() []ReportCare {
	out := []ReportCare{}
	for _, t := range care.Due(g.dossier.Unit, g.cleanings, g.careRules) {
		out = append(out, ReportCare{Task: t.Name, Whose: t.Whose, DueOn: t.DueOn, Reason: t.Reason})
	}
	return out
}

// cautions is what a household should do and leave alone. Common practice, no
// source. No householder is ever told to open the cabinet.
func cautions(kind string) []string {
	general := []string{
		"Stop the appliance and unplug it if you smell burning or see smoke, and call us. If there is fire, leave and call the fire service.",
		"Never open the cabinet. What is behind its panels is for a trained technician only.",
	}
	if kind == "gas_dryer" {
		general = append([]string{
			"If you smell gas: light nothing, switch nothing, leave the house, and call the gas supplier from outside.",
			"Keep a carbon monoxide alarm near the bedrooms. The exhaust must end outdoors.",
		}, general...)
	}
	if kind != "electric_dryer" && kind != "gas_dryer" {
		return general
	}
	return append([]string{
		"Clean the lint screen with every load, and never run the dryer without it.",
		"Look at the outlet outside once a month while the dryer runs: the flap must open fully and the air must come out strong. Look from the ground; do not climb.",
		"Use no plastic or foil duct behind the dryer: metal only.",
		"Do not let the dryer run while you sleep or are away.",
		"Stop the dryer, unplug it and call us if loads take longer to dry than they used to.",
	}, general...)
}
