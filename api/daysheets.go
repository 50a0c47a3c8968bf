package api

import (
	"bytes"
	"context"
	_ "embed"
	"fmt"
	"html/template"
	"net/http"
	"strings"
	"time"

	"drumline/api/wire"
	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/customers"
	"drumline/domain/dispatch"
	"drumline/domain/repair"
)

// DaySheet is one tech's ordered day.
type DaySheet struct {
	TechID  domain.ID      `json:"tech_id"`
	Tech    string         `json:"tech"`
	Date    domain.Date    `json:"date"`
	Zone    string         `json:"time_zone"`
	Working []WorkingTime  `json:"working" doc:"Empty: a day off, or nobody has entered hours."`
	Base    *Coordinates   `json:"base,omitempty" doc:"Where the day begins and ends; absent: nobody has entered it."`
	Home    float64        `json:"travel_home_minutes" doc:"From the last visit to the base."`
	BackAt  *wire.Time     `json:"back_at,omitempty" doc:"At the base, estimated."`
	Driving float64        `json:"driving_minutes" doc:"With the ways from and to the base."`
	Work    float64        `json:"work_minutes"`
	Guessed bool           `json:"travel_guessed" doc:"A place is not located: some travel is a guess."`
	Visits  []DaySheetStop `json:"visits"`
}

// WorkingTime is one stretch of work.
type WorkingTime struct {
	StartsAt wire.Time `json:"starts_at"`
	EndsAt   wire.Time `json:"ends_at"`
}

// DaySheetStop is one visit of the day.
type DaySheetStop struct {
	Visit         Visit             `json:"visit"`
	Travel        float64           `json:"travel_minutes" doc:"From the place before."`
	TravelKnown   bool              `json:"travel_known"`
	ArrivesAt     wire.Time         `json:"arrives_at" doc:"Estimated."`
	Slack         float64           `json:"slack_minutes" doc:"Until the promise to the customer is broken; below 0: it will be."`
	Warnings      []string          `json:"warnings"`
	Customer      GlanceCustomer    `json:"customer"`
	Site          Site              `json:"site"`
	Unit          Unit              `json:"unit"`
	Kind          string            `json:"kind_name"`
	Complaint     string            `json:"complaint_name"`
	Answers       []DaySheetAnswer  `json:"answers"`
	Faults        []DaySheetFault   `json:"faults" doc:"The likeliest three as the call stands."`
	Parts         []DaySheetPart    `json:"parts_to_bring" doc:"Likeliest first."`
	ValuesKnown   []DaySheetValue   `json:"sheet_values_known" doc:"What the next checks ask for and the data sheet states."`
	ValuesMissing []DaySheetMissing `json:"sheet_values_missing" doc:"Look for the tech sheet in the machine: enter these."`
	Cautions      []string          `json:"cautions" doc:"Of the fuel and of the next checks. Local codes, licensed trades and the maker's instructions come first."`
	PartsArrived  *wire.Time        `json:"parts_arrived_at,omitempty" doc:"When the parts came that the call waited for: take them along."`
	Stop          string            `json:"stop,omitempty" doc:"Why the machine must not run."`
	Hazards       []Hazard          `json:"hazards" doc:"Not cleared."`
	Notices       []UnitNotice      `json:"safety_notices"`
}

// DaySheetAnswer is a triage answer in words.
type DaySheetAnswer struct {
	Ask    string `json:"ask"`
	Text   string `json:"text"`
	Advice string `json:"advice,omitempty" doc:"What the customer was told at once."`
}

// DaySheetValue is a value of the data sheet in one line.
type DaySheetValue struct {
	Parameter string `json:"parameter"`
	Name      string `json:"name"`
	Text      string `json:"text" doc:"As it was entered, e.g. 20 to 24 Ω."`
	Confirmed bool   `json:"confirmed" doc:"Two people read the same figure."`
}

// DaySheetMissing is a value the data sheet lacks.
type DaySheetMissing struct {
	Parameter string `json:"parameter"`
	Name      string `json:"name"`
	Where     string `json:"where,omitempty" doc:"Where a tech finds it."`
}

// DaySheetFault is a likely fault.
type DaySheetFault struct {
	Name        string  `json:"name"`
	Probability float64 `json:"probability"`
	Minutes     float64 `json:"minutes" doc:"To mend it."`
}

// DaySheetPart is a part to bring.
type DaySheetPart struct {
	Part        string           `json:"part"`
	Probability float64          `json:"probability" doc:"That it is needed."`
	Fitted      []DaySheetFitted `json:"fitted_before" doc:"What the shop has fitted for it: in the same model first, then most often."`
}

// DaySheetFitted is a part number the shop has used.
type DaySheetFitted struct {
	Number    string `json:"number"`
	Name      string `json:"name"`
	Times     int    `json:"times"`
	SameModel int    `json:"times_same_model" doc:"Of those, in the same model. 0: compare the number before you order or take it."`
}

// DayPlanRequest asks for an order of the day.
type DayPlanRequest struct {
	Apply bool `json:"apply,omitempty" doc:"Store the new times; else the plan is only shown."`
}

// DayPlan is an order of the day.
type DayPlan struct {
	Feasible bool          `json:"feasible"`
	Exact    bool          `json:"exact" doc:"false: more than 12 visits; a good order, not proven the best."`
	Applied  bool          `json:"applied"`
	Before   float64       `json:"driving_minutes_before"`
	Driving  float64       `json:"driving_minutes"`
	FinishAt wire.Time     `json:"finish_at" doc:"Back at the base."`
	Sentence string        `json:"sentence,omitempty" doc:"What cannot be met, when not everything can."`
	Visits   []PlannedStop `json:"visits"`
}

// PlannedStop is one visit of the order.
type PlannedStop struct {
	VisitID     domain.ID `json:"visit_id"`
	Address     string    `json:"address"`
	StartsAt    wire.Time `json:"starts_at"`
	EndsAt      wire.Time `json:"ends_at"`
	Travel      float64   `json:"travel_minutes"`
	TravelKnown bool      `json:"travel_known" doc:"false: a place is not located, or it is settled."`
	Wait        float64   `json:"wait_minutes"`
	Slack       float64   `json:"slack_minutes"`
	Settled     bool      `json:"settled" doc:"Under way or over: it stays, and no travel is counted."`
	Moved       bool      `json:"moved" doc:"Its time differs from the one it is booked for."`
	Unmet       bool      `json:"unmet" doc:"Its window cannot be met with the others."`
}

func viewDaySheet(s dispatch.Sheet) DaySheet {
	out := DaySheet{TechID: s.TechID, Tech: s.Tech, Date: s.Date, Zone: s.Zone.String(), Working: []WorkingTime{}, Driving: s.Driving.Minutes(),
		Work: s.Work.Minutes(), Guessed: s.Guessed, Home: s.Home.Minutes(), Visits: viewed(s.Stops, viewDaySheetStop)}
	if s.Base.Known {
		out.Base = &Coordinates{s.Base.Lat, s.Base.Lon}
	}
	if !s.BackAt.IsZero() {
		out.BackAt = timeOrNone(&s.BackAt)
	}
	for _, w := range s.Working {
		out.Working = append(out.Working, WorkingTime{wire.At(w.From), wire.At(w.To)})
	}
	return out
}

func viewDaySheetStop(s *dispatch.SheetStop) DaySheetStop {
	out := DaySheetStop{Visit: viewVisit(s.Visit.Visit), Travel: s.Travel.Minutes(), TravelKnown: s.TravelKnown, ArrivesAt: wire.At(s.Arrives),
		Slack: s.Slack.Minutes(), Warnings: texts(s.Warnings), Customer: GlanceCustomer{s.Dossier.Customer.ID, s.Dossier.Customer.Name, s.Dossier.Customer.Phone},
		Site: viewSite(s.Dossier.Site), Unit: viewUnit(s.Dossier.Unit, s.Notices), Kind: s.Kind, Complaint: s.Complaint, Answers: []DaySheetAnswer{},
		Faults: []DaySheetFault{}, Parts: []DaySheetPart{}, ValuesKnown: []DaySheetValue{}, ValuesMissing: []DaySheetMissing{}, Cautions: texts(s.Cautions),
		PartsArrived: timeOrNone(s.Visit.PartsArrivedAt), Stop: s.Stop,
		Hazards: viewed(s.Hazards, func(h *repair.Hazard) Hazard { return viewHazard(*h) }), Notices: viewNotices(s.Notices)}
	for _, a := range s.Said {
		out.Answers = append(out.Answers, DaySheetAnswer{a.Ask, a.Text, a.Advice})
	}
	for _, v := range s.Known {
		out.ValuesKnown = append(out.ValuesKnown, DaySheetValue(v))
	}
	for _, m := range s.Missing {
		out.ValuesMissing = append(out.ValuesMissing, DaySheetMissing{m.ID, m.Name, m.Where})
	}
	for _, f := range s.Faults {
		out.Faults = append(out.Faults, DaySheetFault(f))
	}
	for _, p := range s.Parts {
		one := DaySheetPart{Part: p.Part, Probability: p.Probability, Fitted: []DaySheetFitted{}}
		for _, n := range p.Numbers {
			one.Fitted = append(one.Fitted, DaySheetFitted(n))
		}
		out.Parts = append(out.Parts, one)
	}
	return out
}

func viewDayPlan(d dispatch.DayPlan) DayPlan {
	out := DayPlan{Feasible: d.Plan.Feasible, Exact: d.Plan.Exact, Applied: d.Applied, Before: d.Before.Minutes(), Driving: d.Plan.Driving.Minutes(),
		FinishAt: wire.At(d.Plan.Finish), Sentence: d.Plan.Sentence, Visits: []PlannedStop{}}
	for _, v := range d.Settled {
		out.Visits = append(out.Visits, PlannedStop{VisitID: v.ID, Address: d.Addresses[v.ID], StartsAt: wire.At(v.StartsAt), EndsAt: wire.At(v.EndsAt), Settled: true})
	}
	for _, v := range d.Plan.Visits {
		if v.Stop >= len(d.Visits) { // a window held on the phone
			continue
		}
		was := d.Visits[v.Stop]
		out.Visits = append(out.Visits, PlannedStop{VisitID: was.ID, Address: d.Addresses[was.ID], StartsAt: wire.At(v.Starts), EndsAt: wire.At(v.Ends), Travel: v.Travel.Minutes(),
			TravelKnown: v.TravelKnown, Wait: v.Wait.Minutes(), Slack: v.Slack.Minutes(), Moved: !v.Starts.Equal(was.StartsAt), Unmet: v.Unmet})
	}
	return out
}

//go:embed daysheet.html
var daySheetHTML string

var daySheetPage = template.Must(template.New("day sheet").Funcs(template.FuncMap{
	"day": longDay, "percent": percentOf, "grave": func(l customers.NoticeLevel) bool { return l == customers.NoticeDangerNow },
	"spoken":  func(s calls.VisitStatus) string { return strings.ReplaceAll(string(s), "_", " ") },
	"minutes": func(d time.Duration) string { return fmt.Sprintf("%.0f min", d.Minutes()) },
}).Parse(daySheetHTML))

// daySheetPolicy allows the page its own style and nothing else.
var daySheetPolicy = "default-src 'none'; style-src '" + styleHash(daySheetHTML) + "'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

func percentOf(p float64) string {
	if p < 0.01 {
		return "under 1 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

// pagedSheet is a day sheet with its times in the shop's zone.
type pagedSheet struct{ dispatch.Sheet }

// Clock shows an instant as it is read on the wall.
func (p pagedSheet) Clock(t time.Time) string { return t.In(p.Zone).Format("15:04") }

// Last says whether a stop is the last of the day.
func (p pagedSheet) Last(i int) bool { return i == len(p.Stops)-1 }

// ByTechAndDate names a tech's day.
type ByTechAndDate struct {
	Tech domain.ID   `path:"tech" doc:"Id of a person."`
	Date domain.Date `path:"date" doc:"Civil date in the shop's zone."`
}

const daySheetText = `The tech's day in order: promised windows, travel and estimated arrivals, what the customer said, what is likely to be at fault, parts to bring
with the numbers this shop has fitted before, data-sheet values known and missing, hazards and safety notices. As application/json, or as a page to
print with Accept: text/html. Local codes, licensed trades and the maker's instructions come first.`

const planText = `Orders the day's booked visits so that every promised window is met with the least driving: exactly up to 12 visits. A visit without a window
begins when the customer was told; what is under way or over stays, and the plan begins where the last such visit leaves the tech; a window held on the
phone stays free; nothing is planned into the past. Driving is of what is still ahead. A day that cannot be met names the smallest set of windows to
give up; with apply it is refused with 409 (extra.unmet_visits) and nothing changes.`

func (a *API) registerDaySheets(e *Edge) {
	const path, tag = "/v1/day-sheets/{tech}/{date}", "dispatch"
	op := show("read-day-sheet", path, tag, anyone, "Show a tech's day; a tech their own")
	op.Description, op.Produces = daySheetText, []string{jsonType, "text/html"}
	register(e, op, func(ctx context.Context, in *ByTechAndDate) (*reportOut, error) {
		s, err := a.Dispatch.ReadDay(ctx, principal(ctx), in.Tech, in.Date)
		if err != nil {
			return nil, err
		}
		if offer(ctx) != "text/html" {
			return &reportOut{ContentType: jsonType, Body: viewDaySheet(s)}, nil
		}
		var page bytes.Buffer
		if err := daySheetPage.Execute(&page, pagedSheet{s}); err != nil {
			return nil, fmt.Errorf("api: day sheet of %s: %w", in.Tech, err)
		}
		return &reportOut{ContentType: "text/html; charset=utf-8", Policy: daySheetPolicy, Body: page.Bytes()}, nil
	})
	register(e, Op{ID: "plan-day", Method: http.MethodPost, Path: path + "/plan", Roles: office, Tags: []string{tag}, Summary: "Order a tech's day with the least driving",
		Description: planText, Errors: []int{http.StatusConflict, http.StatusUnprocessableEntity}},
		func(ctx context.Context, in *struct {
			ByTechAndDate
			Body DayPlanRequest
		}) (*struct{ Body DayPlan }, error) {
			d, err := a.Dispatch.PlanDay(ctx, principal(ctx), in.Tech, in.Date, in.Body.Apply)
			if err != nil {
				return nil, err
			}
			return &struct{ Body DayPlan }{viewDayPlan(d)}, nil
		})
}
