package api

import (
	"bytes"
	"context"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"regexp"
	"strings"

	"drumline/api/wire"
	"drumline/domain"
	"drumline/domain/repair"
)

// Report is what the customer gets to read of a call, in plain words.
type Report struct {
	CallID    domain.ID       `json:"call_id"`
	MadeOn    domain.Date     `json:"made_on" doc:"Days are those at the site."`
	Shop      string          `json:"shop"`
	Customer  string          `json:"customer"`
	Site      ReportSite      `json:"site"`
	Unit      ReportUnit      `json:"unit"`
	Complaint string          `json:"complaint"`
	InWords   string          `json:"description" doc:"The customer's own words."`
	Status    string          `json:"status"`
	Outcome   string          `json:"outcome,omitempty"`
	Note      string          `json:"outcome_note,omitempty"`
	OpenedOn  domain.Date     `json:"opened_on"`
	ClosedOn  *domain.Date    `json:"closed_on,omitempty"`
	Headline  string          `json:"headline" doc:"Whether the appliance may be used, in one sentence."`
	Usable    bool            `json:"usable" doc:"It may be used without limits."`
	Visits    []ReportVisit   `json:"visits"`
	Checks    []ReportCheck   `json:"checks"`
	Findings  []ReportFinding `json:"findings"`
	Work      []ReportWork    `json:"work"`
	Confirmed []string        `json:"confirmed" doc:"What the tech confirmed when closing."`
	Hazards   []ReportHazard  `json:"hazards"`
	Cautions  []string        `json:"cautions"`
	Care      []ReportCare    `json:"care"`
	NextDueOn *domain.Date    `json:"next_due_on,omitempty" doc:"The earliest date of care."`
	Notice    string          `json:"notice"`
}

// ReportSite is where the appliance stands.
type ReportSite struct {
	Label      string `json:"label,omitempty"`
	Address    string `json:"address"`
	PostalCode string `json:"postal_code,omitempty"`
}

// ReportUnit is the appliance.
type ReportUnit struct {
	Kind        string       `json:"kind"`
	Name        string       `json:"name"`
	Maker       string       `json:"maker,omitempty"`
	Model       string       `json:"model,omitempty"`
	Serial      string       `json:"serial,omitempty"`
	InstalledOn *domain.Date `json:"installed_on,omitempty"`
}

// ReportVisit says who was there and when.
type ReportVisit struct {
	On  domain.Date `json:"visited_on"`
	Who string      `json:"who,omitempty"`
}

// ReportCheck is one check as found and after the work.
type ReportCheck struct {
	Check    string         `json:"check"`
	Name     string         `json:"name"`
	Position string         `json:"position,omitempty"`
	About    string         `json:"about" doc:"The part, in words a customer understands."`
	AsFound  *ReportReading `json:"as_found,omitempty"`
	After    *ReportReading `json:"after,omitempty"`
}

// ReportReading is one reading in words.
type ReportReading struct {
	Result  string        `json:"result" doc:"The figure that was compared, with its unit, or what was seen."`
	Outcome string        `json:"outcome" doc:"conforms, does_not_conform or inconclusive."`
	Values  []ReportValue `json:"values" doc:"As entered."`
	Limit   *ReportLimit  `json:"limit,omitempty" doc:"Absent: a look, or no limit known."`
}

// ReportValue is one input as entered.
type ReportValue struct {
	Input   string   `json:"input"`
	Name    string   `json:"name"`
	Text    string   `json:"text"`
	Entered []string `json:"entered"`
	Unit    string   `json:"unit,omitempty" doc:"UCUM code; absent for a choice."`
}

// ReportLimit is what a reading was held against.
type ReportLimit struct {
	Text      string        `json:"text"`
	Low       *wire.Decimal `json:"low,omitempty"`
	High      *wire.Decimal `json:"high,omitempty"`
	Unit      string        `json:"unit" doc:"UCUM code of low and high."`
	Origin    string        `json:"origin"`
	Confirmed bool          `json:"confirmed" doc:"Of a data-sheet value: two people agree."`
}

// ReportFinding is a conclusion in the customer's words.
type ReportFinding struct {
	Part            string       `json:"part"`
	Fault           string       `json:"fault"`
	Done            string       `json:"done,omitempty" doc:"Absent: nothing has been done about it."`
	Note            string       `json:"note,omitempty"`
	AgainstEvidence string       `json:"against_evidence,omitempty" doc:"Why it was concluded although the readings alone do not show it."`
	Parts           []FittedPart `json:"parts"`
}

// ReportWork is something done to the appliance.
type ReportWork struct {
	On   domain.Date `json:"done_on"`
	Text string      `json:"text"`
	Note string      `json:"note,omitempty"`
}

// ReportHazard is a danger found.
type ReportHazard struct {
	What        string       `json:"what"`
	Plain       string       `json:"plain"`
	Level       string       `json:"level"`
	LevelText   string       `json:"level_text"`
	Found       string       `json:"found"`
	Done        string       `json:"done"`
	Told        string       `json:"told"`
	ToldOn      domain.Date  `json:"told_on"`
	NoticeGiven bool         `json:"notice_given"`
	Ask         string       `json:"ask,omitempty" doc:"What to do while it is not cleared."`
	ClearedOn   *domain.Date `json:"cleared_on,omitempty"`
	ClearedNote string       `json:"cleared_note,omitempty"`
}

// ReportCare is a care task with its due date.
type ReportCare struct {
	Task   string       `json:"task"`
	Whose  string       `json:"whose" doc:"us or customer."`
	DueOn  *domain.Date `json:"due_on,omitempty"`
	Reason string       `json:"reason"`
}

func viewReport(r repair.Report) Report {
	out := Report{CallID: r.Call.ID, MadeOn: r.MadeOn, Shop: r.Shop.Name, Customer: r.Customer.Name,
		Site: ReportSite{Label: r.Site.Label, Address: r.Site.Address, PostalCode: r.Site.PostalCode},
		Unit: ReportUnit{Kind: r.Unit.Kind, Name: r.Appliance, Maker: r.Unit.Maker, Model: r.Unit.Model, Serial: r.Unit.Serial,
			InstalledOn: dateOrNone(r.Unit.InstalledOn)},
		Complaint: r.Complaint, InWords: r.Call.Description, Status: string(r.Call.Status), Outcome: string(r.Call.Outcome), Note: r.Call.OutcomeNote,
		OpenedOn: r.OpenedOn, ClosedOn: dateOrNone(r.ClosedOn), Headline: r.Headline, Usable: r.Usable, Visits: []ReportVisit{},
		Checks: []ReportCheck{}, Findings: []ReportFinding{}, Work: []ReportWork{}, Confirmed: r.Confirmed, Hazards: []ReportHazard{},
		Cautions: r.Cautions, Care: []ReportCare{}, Notice: r.Notice}
	for _, v := range r.Visits {
		out.Visits = append(out.Visits, ReportVisit(v))
	}
	for _, w := range r.Work {
		out.Work = append(out.Work, ReportWork(w))
	}
	for _, c := range r.Checks {
		out.Checks = append(out.Checks, ReportCheck{Check: c.Check, Name: c.Name, Position: c.Position, About: c.About,
			AsFound: viewReportReading(c.AsFound), After: viewReportReading(c.After)})
	}
	for _, f := range r.Findings {
		out.Findings = append(out.Findings, ReportFinding{Part: f.Part, Fault: f.Fault, Done: f.Done, Note: f.Note, AgainstEvidence: f.AgainstEvidence,
			Parts: viewFitted(f.Fitted)})
	}
	for _, h := range r.Hazards {
		out.Hazards = append(out.Hazards, viewReportHazard(h))
	}
	out.takeCare(r.Care)
	return out
}

func (r *Report) takeCare(cs []repair.ReportCare) {
	for _, c := range cs {
		due := dateOrNone(c.DueOn)
		r.Care = append(r.Care, ReportCare{Task: c.Task, Whose: c.Whose, DueOn: due, Reason: c.Reason})
		if due != nil && (r.NextDueOn == nil || due.Before(*r.NextDueOn)) {
			r.NextDueOn = due
		}
	}
}

func viewReportReading(r *repair.ReportReading) *ReportReading {
	if r == nil {
		return nil
	}
	out := &ReportReading{Result: r.Result, Outcome: string(r.Outcome), Values: []ReportValue{}}
	for _, v := range r.Values {
		out.Values = append(out.Values, ReportValue(v))
	}
	if l := r.Limit; l != nil {
		out.Limit = &ReportLimit{Text: l.Text, Low: number(l.Low), High: number(l.High), Unit: l.Unit, Origin: l.Origin, Confirmed: l.Confirmed}
	}
	return out
}

func viewReportHazard(h repair.ReportHazard) ReportHazard {
	return ReportHazard{What: h.What, Plain: h.Plain, Level: string(h.Level), LevelText: h.LevelText, Found: h.Found, Done: h.Done, Told: h.Told,
		ToldOn: h.ToldOn, NoticeGiven: h.NoticeGiven, Ask: h.Ask, ClearedOn: dateOrNone(h.ClearedOn), ClearedNote: h.ClearedNote}
}

//go:embed report.html
var reportHTML string

var reportPage = template.Must(template.New("report").Funcs(template.FuncMap{
	"day": longDay, "mark": outcomeMark, "source": sourceText, "limit": limitOf, "details": detailsOf, "tight": tight,
	"better": betterOf,
}).Parse(reportHTML))

// reportPolicy allows the page its own style and nothing else: no script, no
// request to anywhere.
var reportPolicy = "default-src 'none'; style-src '" + styleHash(reportHTML) + "'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// styleHash is the source expression (CSP Level 3, 2.3.1) for the only style
// element of a page, which holds no template actions.
func styleHash(page string) string {
	_, rest, _ := strings.Cut(page, "<style>")
	style, _, _ := strings.Cut(rest, "</style>")
	sum := sha256.Sum256([]byte(style))
	return "sha256-" + base64.StdEncoding.EncodeToString(sum[:])
}

// longDay writes a date for readers of any country: 4 March 2026.
func longDay(d any) string {
	switch v := d.(type) {
	case domain.Date:
		return v.Time().Format("2 January 2006")
	case *domain.Date:
		if v != nil {
			return longDay(*v)
		}
	}
	return ""
}

// outcomeMark says an outcome in a word and a sign that survives a bad copy.
func outcomeMark(outcome string) string {
	switch outcome {
	case "conforms":
		return "✓ good"
	case "does_not_conform":
		return "✗ not good"
	}
	return "? unclear"
}

func sourceText(source string) string {
	switch source {
	case "new_maker":
		return "new, from the maker"
	case "new_other_maker":
		return "new, from another maker"
	case "used":
		return "used part"
	}
	return "brought by you"
}

// limitOf is the limit of a check: of the reading after the work, else as found.
func limitOf(c ReportCheck) *ReportLimit {
	for _, r := range []*ReportReading{c.After, c.AsFound} {
		if r != nil && r.Limit != nil && r.Limit.Text != "" {
			return r.Limit
		}
	}
	return nil
}

// detailsOf lists the figures behind a result, when there are more than it.
func detailsOf(r *ReportReading) string {
	var out []string
	for _, v := range r.Values {
		if v.Unit != "" && v.Text != r.Result {
			out = append(out, v.Name+": "+v.Text)
		}
	}
	if len(r.Values) < 2 || len(out) < 2 {
		return ""
	}
	return strings.Join(out, "; ")
}

var figureUnit = regexp.MustCompile(`([0-9]) ([^ 0-9(][^ ]{0,4})`)

// tight keeps a figure and its unit on one line.
func tight(s string) string { return figureUnit.ReplaceAllString(s, "$1\u00a0$2") }

// betterOf lists what was not good as found and is good now, with figures.
func betterOf(cs []ReportCheck) []string {
	var out []string
	for _, c := range cs {
		if c.AsFound == nil || c.After == nil || c.AsFound.Outcome != "does_not_conform" || c.After.Outcome != "conforms" {
			continue
		}
		text := tight(fmt.Sprintf("%s: %s before, %s after", c.Name, c.AsFound.Result, c.After.Result))
		if l := limitOf(c); l != nil {
			text += tight("; it should be " + l.Text)
		}
		out = append(out, text+".")
	}
	return out
}

// reportOut is the report as JSON or as a page.
type reportOut struct {
	ContentType string `header:"Content-Type"`
	Policy      string `header:"Content-Security-Policy"`
	Body        any
}

const reportText = `For the customer, in plain words: as found and after with figures, limits and their origins, what was wrong and what was done, dangers,
cautions, the next cleaning. As application/json, or as a page to print with Accept: text/html. Of an open call it says where the work stands.`

func (a *API) registerReport(e *Edge) {
	op := show("read-report", "/v1/calls/{id}/report", "closing", anyone, "Show the report of a call for the customer")
	op.Description = reportText
	op.Produces = []string{jsonType, "text/html"}
	register(e, op, func(ctx context.Context, in *ByID) (*reportOut, error) {
		r, err := a.Repair.ReadReport(ctx, principal(ctx), in.ID)
		if err != nil {
			return nil, err
		}
		if offer(ctx) != "text/html" {
			return &reportOut{ContentType: jsonType, Body: viewReport(r)}, nil
		}
		var page bytes.Buffer
		if err := reportPage.Execute(&page, viewReport(r)); err != nil {
			return nil, fmt.Errorf("api: report of call %s: %w", in.ID, err)
		}
		return &reportOut{ContentType: "text/html; charset=utf-8", Policy: reportPolicy, Body: page.Bytes()}, nil
	})
}
