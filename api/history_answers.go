package api

import (
	"bytes"
	"context"
	_ "embed"
	"encoding/base64"
	"encoding/csv"
	"fmt"
	"html/template"
	"net/http"
	"strconv"
	"strings"

	"drumline/api/wire"
	"drumline/domain"
	"drumline/domain/customers"
	"drumline/domain/history"
)

const (
	csvType = "text/csv"
	svgType = "image/svg+xml"
)

// HistoryFilter chooses the repairs an answer rests on.
type HistoryFilter struct {
	From       domain.Date `query:"from" doc:"Closed on this day or later."`
	Until      domain.Date `query:"until" doc:"Closed on this day or before."`
	Kind       string      `query:"kind" maxLength:"40"`
	Model      string      `query:"model" maxLength:"80" doc:"Compared without case, spaces and punctuation."`
	Complaint  string      `query:"complaint" maxLength:"40"`
	TechID     domain.ID   `query:"tech_id" doc:"Who concluded."`
	Part       string      `query:"part" maxLength:"40"`
	PartSource string      `query:"part_source" enum:"new_maker,new_other_maker,used,customer"`
	Fault      string      `query:"fault" maxLength:"60"`
}

func (f HistoryFilter) filter() history.Filter {
	return history.Filter{From: f.From, Until: f.Until, Kind: f.Kind, Model: customers.ModelNorm(f.Model), Complaint: f.Complaint, TechID: f.TechID, Part: f.Part,
		PartSource: f.PartSource, Fault: f.Fault}
}

// answerOut is an answer as JSON, as a table or as a picture of the same
// numbers.
type answerOut struct {
	ContentType string `header:"Content-Type"`
	Policy      string `header:"Content-Security-Policy"`
	Cache       string `header:"Cache-Control"`
	Body        any
}

// tableOut writes rows as CSV (RFC 4180). A text that a spreadsheet would take
// for a formula gets an apostrophe.
func tableOut(rows [][]any) (*answerOut, error) {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	w.UseCRLF = true
	for _, r := range rows {
		line := make([]string, len(r))
		for i, v := range r {
			line[i] = cell(v)
		}
		if err := w.Write(line); err != nil {
			return nil, fmt.Errorf("api: table: %w", err)
		}
	}
	w.Flush()
	return &answerOut{ContentType: csvType + "; charset=utf-8; header=present", Cache: "private, no-store", Body: b.Bytes()}, w.Error()
}

func cell(v any) string {
	switch x := v.(type) {
	case nil:
		return ""
	case *float64:
		if x == nil {
			return ""
		}
		return cell(*x)
	case float64:
		return strconv.FormatFloat(x, 'g', -1, 64)
	case string:
		if x != "" && strings.ContainsRune("=+-@\t\r", rune(x[0])) {
			return "'" + x
		}
		return x
	}
	return fmt.Sprint(v)
}

// asked registers one question: JSON by default, its table as CSV.
func asked[I, T any](e *Edge, id, path, summary, description string, answer func(context.Context, *I) (T, error), table func(T) [][]any,
	picture func(context.Context, *I) ([]byte, error)) {
	op := show(id, path, "history", ownerly, summary)
	op.Description = description + " Each answer says how much it rests on, and why there is no figure where there is none. With Accept: text/csv the same numbers as a table."
	op.Produces = []string{jsonType, csvType}
	if picture != nil {
		op.Description += " With Accept: image/svg+xml as a picture, legible in grey."
		op.Produces = append(op.Produces, svgType)
	}
	op.Errors = []int{http.StatusUnprocessableEntity}
	register(e, op, func(ctx context.Context, in *I) (*answerOut, error) {
		if offer(ctx) == svgType {
			svg, err := picture(ctx, in)
			return &answerOut{ContentType: svgType, Policy: "default-src 'none'; style-src 'unsafe-inline'", Cache: "private, no-store", Body: svg}, err
		}
		t, err := answer(ctx, in)
		if err != nil {
			return nil, err
		}
		if offer(ctx) == csvType {
			return tableOut(table(t))
		}
		return &answerOut{ContentType: jsonType, Cache: "private, no-store", Body: t}, nil
	})
}

type byGroup struct {
	HistoryFilter
	By string `query:"by" enum:"part,part_source,fault,kind,model,tech" doc:"What is compared."`
}

type byPart struct {
	HistoryFilter
	By string `query:"by" enum:"part_number,part_source,lot" default:"part_number"`
}

type byRanked struct {
	HistoryFilter
	By string `query:"by" enum:"part,part_source,fault,kind,model,tech" default:"part"`
}

type byCause struct {
	HistoryFilter
	By  string `query:"by" enum:"fault,part,part_source,kind,model" default:"fault"`
	Per string `query:"per" enum:"repair,day" default:"repair" doc:"What the rates are per."`
}

func (a *API) registerHistoryAnswers(e *Edge) {
	const base = "/v1/history/"
	asked(e, "read-history-summary", base+"summary", "Show the five numbers first",
		"Come-backs within 30 and 90 days, first-visit fix rate, the part that stands out, and whether it gets better.",
		func(ctx context.Context, in *HistoryFilter) (history.Summary, error) {
			return a.History.Summary(ctx, principal(ctx), in.filter())
		}, summaryTable, nil)
	asked(e, "read-come-backs", base+"come-backs", "Show what share of the work comes back",
		"By call (the same complaint again) and by repair (the same fault again), with the reasons that were put down. The naive rate takes young repairs for good ones and is shown for comparison only.",
		func(ctx context.Context, in *HistoryFilter) (history.ComeBacks, error) {
			return a.History.ComeBacks(ctx, principal(ctx), in.filter())
		}, comeBackTable,
		func(ctx context.Context, in *HistoryFilter) ([]byte, error) {
			return a.History.Picture(ctx, principal(ctx), "come-backs", in.filter(), "")
		})
	asked(e, "read-time-to-come-back", base+"time-to-come-back", "Show how soon the same fault comes back",
		"The curve of all repairs, and with by of the largest groups. Whether groups differ is withheld where the test would mislead.",
		func(ctx context.Context, in *byGroup) (history.TimeToComeBack, error) {
			return a.History.TimeToComeBack(ctx, principal(ctx), in.filter(), in.By)
		}, curveTable,
		func(ctx context.Context, in *byGroup) ([]byte, error) {
			return a.History.Picture(ctx, principal(ctx), "time-to-come-back", in.filter(), in.By)
		})
	asked(e, "read-repeats", base+"repeats", "Show how many further repairs a unit needs",
		"The mean number per unit since its first repair, which is not counted: it brought the unit to the shop.",
		func(ctx context.Context, in *HistoryFilter) (history.Repeats, error) {
			return a.History.Repeats(ctx, principal(ctx), in.filter())
		}, repeatTable,
		func(ctx context.Context, in *HistoryFilter) ([]byte, error) {
			return a.History.Picture(ctx, principal(ctx), "repeats", in.filter(), "")
		})
	asked(e, "read-part-life", base+"part-life", "Show how long fitted parts last",
		"By part number, source or lot. Fewer than three failures give no life; what is longer than anything followed is marked as a guess.",
		func(ctx context.Context, in *byPart) (history.PartLives, error) {
			return a.History.PartLife(ctx, principal(ctx), in.filter(), in.By)
		}, lifeTable,
		func(ctx context.Context, in *byPart) ([]byte, error) {
			return a.History.Picture(ctx, principal(ctx), "part-life", in.filter(), in.By)
		})
	asked(e, "read-trend", base+"trend", "Show whether it gets better or worse",
		"Each unit's own time is looked at, never calendar dates, which a growing shop would take for worsening. A chart for each part of a kind rings when it begins to come back twice as often.",
		func(ctx context.Context, in *HistoryFilter) (history.Trend, error) {
			return a.History.Trend(ctx, principal(ctx), in.filter())
		}, trendTable,
		func(ctx context.Context, in *HistoryFilter) ([]byte, error) {
			return a.History.Picture(ctx, principal(ctx), "trend", in.filter(), "")
		})
	asked(e, "read-ranking", base+"ranking", "Show what stands out",
		"By the probability of being worse than the shop, so that one of one never tops the list. Techs are compared on the same work.",
		func(ctx context.Context, in *byRanked) (history.Ranking, error) {
			return a.History.Ranking(ctx, principal(ctx), in.filter(), in.By)
		}, rankTable,
		func(ctx context.Context, in *byRanked) ([]byte, error) {
			return a.History.Picture(ctx, principal(ctx), "ranking", in.filter(), in.By)
		})
	asked(e, "read-pareto", base+"pareto", "Show what comes back most",
		"By count, with rates beside it: volume is not badness.",
		func(ctx context.Context, in *byCause) (history.Pareto, error) {
			return a.History.Pareto(ctx, principal(ctx), in.filter(), in.By, in.Per)
		}, paretoTable,
		func(ctx context.Context, in *byCause) ([]byte, error) {
			return a.History.Picture(ctx, principal(ctx), "pareto", in.filter(), in.By)
		})
	a.registerWeek(e)
	a.registerQuarter(e)
	a.registerComeBack(e)
}

var withinHeader = []any{"of", "within_days", "repairs", "events", "at_risk", "share", "low", "high", "same", "other", "naive", "status", "data_cut_on"}

func withinRows(of string, ws []history.Within, cut domain.Date) [][]any {
	var out [][]any
	for _, w := range ws {
		out = append(out, []any{of, w.Days, w.Repairs, w.Events, w.AtRisk, w.Share.Value, w.Share.Low, w.Share.High, w.Same.Value, w.Other.Value, w.Naive.Value, w.Status, cut})
	}
	return out
}

func comeBackTable(c history.ComeBacks) [][]any {
	rows := append([][]any{withinHeader}, withinRows("calls", c.Calls, c.DataCutOn)...)
	rows = append(rows, withinRows("faults", c.Faults, c.DataCutOn)...)
	for _, r := range c.Reasons {
		rows = append(rows, []any{"reason " + r.Reason, 90, nil, r.Count, nil, nil, nil, nil, nil, nil, nil, "ok", c.DataCutOn})
	}
	return rows
}

func summaryTable(s history.Summary) [][]any {
	return append([][]any{{"number", "value", "low", "high", "status", "sentence", "data_cut_on"}}, [][]any{
		{"within_30_days", s.Within30.Share.Value, s.Within30.Share.Low, s.Within30.Share.High, s.Within30.Status, s.Within30.Means, s.DataCutOn},
		{"within_90_days", s.Within90.Share.Value, s.Within90.Share.Low, s.Within90.Share.High, s.Within90.Status, s.Within90.Means, s.DataCutOn},
		{"first_visit_fixed", s.FirstVisit.Value, s.FirstVisit.Low, s.FirstVisit.High, s.FirstVisit.Status, s.FirstSays, s.DataCutOn},
		{"worst_part", s.WorstPart, nil, nil, s.Status, s.PartSays, s.DataCutOn},
		{"direction", s.Direction, nil, nil, s.Status, s.TrendSays, s.DataCutOn}}...)
}

func curveTable(t history.TimeToComeBack) [][]any {
	rows := [][]any{{"group", "day", "at_risk", "share", "low", "high", "repairs", "data_cut_on"}}
	for _, c := range t.Curves {
		for _, p := range c.Points {
			rows = append(rows, []any{c.Name, p.Day, p.AtRisk, p.Share, p.Low, p.High, c.Head.Repairs, t.DataCutOn})
		}
	}
	return rows
}

func repeatTable(r history.Repeats) [][]any {
	rows := [][]any{{"day", "at_risk", "mean", "low", "high", "small", "units", "data_cut_on"}}
	for _, p := range r.Points {
		rows = append(rows, []any{p.Day, p.AtRisk, p.Mean, p.Low, p.High, p.Small, r.Units, r.DataCutOn})
	}
	return rows
}

func lifeTable(l history.PartLives) [][]any {
	rows := [][]any{{"part", "fitted", "failed", "shape", "shape_low", "shape_high", "scale_days", "b10_days", "b10_low", "b10_high", "b10_extrapolated", "p_shape_is_one", "status", "data_cut_on"}}
	for _, p := range l.Parts {
		rows = append(rows, []any{p.Name, p.Head.Repairs, p.Head.Events, p.Shape.Value, p.Shape.Low, p.Shape.High, p.Scale.Value, p.Tenth.Value, p.Tenth.Low, p.Tenth.High, p.Beyond, p.P.Value,
			p.Head.Status, l.DataCutOn})
	}
	return rows
}

func trendTable(t history.Trend) [][]any {
	rows := [][]any{{"kind", "part", "known_on", "c", "h", "alarm", "laplace_u", "direction", "data_cut_on"}, {nil, nil, nil, nil, nil, nil, t.Laplace.Value, t.Direction, t.DataCutOn}}
	for _, c := range t.Charts {
		for _, p := range c.Points {
			rows = append(rows, []any{c.Kind, c.Part, p.KnownOn, p.C, c.H, p.Alarm, nil, nil, t.DataCutOn})
		}
	}
	return rows
}

func rankTable(r history.Ranking) [][]any {
	rows := [][]any{{r.By, "events", "effective_repairs", "raw", "share", "low", "high", "p_worse", "funnel_low_998", "funnel_high_998", "outside_998", "against_expected", "data_cut_on"}}
	for _, g := range r.Groups {
		var adjusted *float64
		if g.Adjusted != nil {
			adjusted = g.Adjusted.Value
		}
		rows = append(rows, []any{g.Name, g.Events, g.Repairs, g.Raw.Value, g.Share.Value, g.Share.Low, g.Share.High, g.PWorse.Value, g.Low998, g.High998, g.Outside, adjusted, r.DataCutOn})
	}
	return rows
}

func paretoTable(p history.Pareto) [][]any {
	rows := [][]any{{p.By, "count", "share", "cumulative_share", "exposure", "per", "rate", "low", "high", "shrunk_rate", "data_cut_on"}}
	for _, l := range p.Lines {
		rows = append(rows, []any{l.Name, l.Count, l.Share.Value, l.CumShare.Value, l.Exposure, p.Per, l.Rate.Value, l.Rate.Low, l.Rate.High, l.Bayes.Value, p.DataCutOn})
	}
	return rows
}

//go:embed week.html
var weekHTML string

var weekPage = template.Must(template.New("week").Funcs(template.FuncMap{"day": longDay, "words": underscored, "minutes": inHours}).Parse(weekHTML))

var weekPolicy = "default-src 'none'; style-src '" + styleHash(weekHTML) + "'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// underscored shows a code as words.
func underscored(s string) string {
	if s == "" {
		return "not said yet"
	}
	return strings.ReplaceAll(s, "_", " ")
}

func inHours(minutes float64) string { return fmt.Sprintf("%.1f h", minutes/60) }

// weekView is the Friday page with the name of the shop.
type weekView struct {
	Shop string
	history.Week
}

func (a *API) registerWeek(e *Edge) {
	op := show("read-week", "/v1/history/week", "history", ownerly, "Show the Friday page")
	op.Description = "What the owner goes through once a week: calls closed, open by age, waiting for parts over seven days, left unsafe, come-backs with their reason, closed against the evidence, without verification, what runs out. Also as a page to print (Accept: text/html)."
	op.Produces = []string{jsonType, "text/html"}
	register(e, op, func(ctx context.Context, in *struct {
		Until domain.Date `query:"until" doc:"The last of the seven days; absent: today."`
	}) (*answerOut, error) {
		w, err := a.History.ReadWeek(ctx, principal(ctx), in.Until)
		if err != nil {
			return nil, err
		}
		if offer(ctx) != "text/html" {
			return &answerOut{ContentType: jsonType, Cache: "private, no-store", Body: w}, nil
		}
		shop, err := a.People.ReadShop(ctx, principal(ctx))
		if err != nil {
			return nil, err
		}
		var page bytes.Buffer
		if err := weekPage.Execute(&page, weekView{shop.Name, w}); err != nil {
			return nil, fmt.Errorf("api: the Friday page: %w", err)
		}
		return &answerOut{ContentType: "text/html; charset=utf-8", Policy: weekPolicy, Cache: "private, no-store", Body: page.Bytes()}, nil
	})
}

//go:embed quarter.html
var quarterHTML string

var quarterPage = template.Must(template.New("quarter").Funcs(template.FuncMap{"day": longDay, "words": underscored, "percent": shareText, "picture": pictureOf}).Parse(quarterHTML))

var quarterPolicy = "default-src 'none'; img-src data:; style-src '" + styleHash(quarterHTML) + "'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

func shareText(f history.Figure) string {
	if f.Value == nil {
		return "none: " + strings.ReplaceAll(f.Status, "_", " ")
	}
	text := fmt.Sprintf("%.1f %%", 100**f.Value)
	if f.Low != nil && f.High != nil {
		text += fmt.Sprintf(" (%.1f to %.1f)", 100**f.Low, 100**f.High)
	}
	return text
}

// pictureOf is a picture as the address of an image: as such it can run
// nothing, whatever stands in it.
func pictureOf(svg []byte) template.URL {
	return template.URL("data:image/svg+xml;base64," + base64.StdEncoding.EncodeToString(svg)) //nolint:gosec // made of base64 alone
}

func (a *API) registerQuarter(e *Edge) {
	op := show("read-quarter", "/v1/history/quarter", "history", ownerly, "Print the report of a quarter")
	op.Description = "The repairs closed in three months with pictures and sentences, as a page to print. Ask a few months later for what has come back since."
	op.Produces = []string{"text/html"}
	register(e, op, func(ctx context.Context, in *struct {
		Until domain.Date `query:"until" doc:"The last day of the three months; absent: yesterday."`
	}) (*answerOut, error) {
		q, err := a.History.ReadQuarter(ctx, principal(ctx), in.Until)
		if err != nil {
			return nil, err
		}
		shop, err := a.People.ReadShop(ctx, principal(ctx))
		if err != nil {
			return nil, err
		}
		var page bytes.Buffer
		if err := quarterPage.Execute(&page, struct {
			Shop string
			history.Quarter
		}{shop.Name, q}); err != nil {
			return nil, fmt.Errorf("api: the quarter: %w", err)
		}
		return &answerOut{ContentType: "text/html; charset=utf-8", Policy: quarterPolicy, Cache: "private, no-store", Body: page.Bytes()}, nil
	})
}

// NewComeBack is why a call came back.
type NewComeBack struct {
	Reason string `json:"reason" enum:"same_part,wrong_diagnosis,workmanship,new_part_bad,duct_or_installation,use,unrelated"`
	Note   string `json:"note,omitempty" maxLength:"2000"`
}

// ComeBack is why a call came back, as it is on record.
type ComeBack struct {
	CallID      domain.ID  `json:"call_id"`
	Reason      string     `json:"reason,omitempty" doc:"Absent: nobody has said."`
	Note        string     `json:"note,omitempty"`
	SetBy       *domain.ID `json:"set_by,omitempty"`
	SetAt       *wire.Time `json:"set_at,omitempty"`
	EarlierID   domain.ID  `json:"earlier_call_id" doc:"The call it came back to."`
	EarlierTech *domain.ID `json:"earlier_tech_id,omitempty" doc:"Whom to talk it over with."`
}

func viewComeBack(c history.ComeBack) ComeBack {
	out := ComeBack{CallID: c.CallID, Reason: c.Reason, Note: c.Note, SetBy: idOrNone(c.SetBy), EarlierID: c.EarlierID, EarlierTech: idOrNone(c.EarlierTech)}
	if c.Version > 0 {
		out.SetAt = timeOrNone(&c.SetAt)
	}
	return out
}

func (a *API) registerComeBack(e *Edge) {
	const path = "/v1/calls/{id}/come-back"
	register(e, show("read-come-back", path, "history", ownerly, "Show why a call came back"),
		func(ctx context.Context, in *ByID) (*item[ComeBack], error) {
			c, err := a.History.ReadComeBack(ctx, principal(ctx), in.ID)
			if err != nil {
				return nil, err
			}
			return itemOf(c.Version, viewComeBack(c)), nil
		})
	register(e, Op{ID: "put-come-back", Method: http.MethodPut, Path: path, Roles: ownerly, Tags: []string{"history"}, IfMatch: true,
		Errors: []int{http.StatusUnprocessableEntity}, Summary: "Put down why a call came back",
		Description: "By the owner, after talking it over with the tech of the earlier repair. A call that did not come back is 404."},
		func(ctx context.Context, in *struct {
			ByID
			Body NewComeBack
		}) (*item[ComeBack], error) {
			c, err := a.History.SetComeBack(ctx, principal(ctx), in.ID, ifMatch(ctx), in.Body.Reason, in.Body.Note)
			if err != nil {
				return nil, err
			}
			return itemOf(c.Version, viewComeBack(c)), nil
		})
}
