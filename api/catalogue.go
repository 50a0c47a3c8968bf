package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"sync"

	"drumline/api/wire"
	"drumline/diagnosis/catalogue"
	"drumline/domain"
)

// Catalogue is what the trade knows of each kind of appliance, as far as a
// client needs it to draw its forms.
type Catalogue struct {
	Version string          `json:"version" doc:"Hash of the whole content. An assessment names the one it rests on."`
	Kinds   []CatalogueKind `json:"kinds"`
}

// CatalogueKind is one kind of appliance.
type CatalogueKind struct {
	ID         string               `json:"id"`
	Name       string               `json:"name"`
	Version    int                  `json:"version"`
	Fuel       string               `json:"fuel,omitempty" doc:"What every unit of the kind heats with; absent: the unit says."`
	Note       string               `json:"note" doc:"What to know of every figure of the kind."`
	Features   []CatalogueName      `json:"features" doc:"What some machines have and others lack, worded as a question."`
	AsFound    []CatalogueName      `json:"as_found" doc:"States that work on the unit ends for good."`
	Parameters []CatalogueParameter `json:"parameters" doc:"What a data sheet states."`
	Parts      []CataloguePart      `json:"parts"`
	Faults     []CatalogueFault     `json:"faults"`
	Checks     []CatalogueCheck     `json:"checks"`
	Actions    []CatalogueAction    `json:"actions"`
	Complaints []CatalogueComplaint `json:"complaints"`
}

// CatalogueName is an id with its wording.
type CatalogueName struct {
	ID   string `json:"id"`
	Name string `json:"name"`
}

// CatalogueParameter is a value a model's data sheet states.
type CatalogueParameter struct {
	ID       string   `json:"id"`
	Name     string   `json:"name"`
	Form     string   `json:"form" doc:"value, band, at_most, at_least, curve or text."`
	Quantity string   `json:"quantity,omitempty"`
	Units    []string `json:"units" doc:"Accepted UCUM codes, usual one first."`
	Where    string   `json:"where"`
}

// CataloguePart is a part, a passage or a habit that can be at fault.
type CataloguePart struct {
	ID    string `json:"id"`
	Name  string `json:"name"`
	Plain string `json:"plain" doc:"Words a customer understands."`
	Role  string `json:"role"`
	Has   string `json:"has,omitempty" doc:"Feature of the unit it needs."`
	Lacks string `json:"lacks,omitempty" doc:"Feature of the unit that takes its place."`
}

// CatalogueFault is one failure mode of one part in one direction.
type CatalogueFault struct {
	ID      string  `json:"id"`
	Part    string  `json:"part"`
	Name    string  `json:"name"`
	Plain   string  `json:"plain"`
	Fix     string  `json:"fix,omitempty" doc:"The action that usually mends it."`
	Minutes float64 `json:"minutes"`
}

// CatalogueCheck is one test procedure.
type CatalogueCheck struct {
	ID           string              `json:"id"`
	Name         string              `json:"name"`
	Parts        []string            `json:"parts"`
	Why          string              `json:"why"`
	Instructions []string            `json:"instructions"`
	Place        string              `json:"place"`
	State        string              `json:"state" doc:"How the machine must stand: phone, off, isolated, running_closed or live_open."`
	Gas          bool                `json:"gas"`
	ElectricOnly bool                `json:"electric_only"`
	Competence   string              `json:"competence,omitempty" doc:"What the person needs: live, gas or refrigerant."`
	Cautions     []string            `json:"cautions"`
	Minutes      float64             `json:"minutes"`
	Answers      []string            `json:"answers"`
	Needs        []string            `json:"needs" doc:"As-found states that must still stand."`
	Destroys     []string            `json:"destroys" doc:"As-found states that doing it ends."`
	Has          string              `json:"has,omitempty"`
	Lacks        string              `json:"lacks,omitempty"`
	For          []string            `json:"for" doc:"Complaints it is asked for; empty: every one. It may be read, and close a call, for any."`
	Positions    []CataloguePosition `json:"positions" doc:"Empty: the check is done once."`
	Inputs       []CatalogueInput    `json:"inputs"`
	Series       *CatalogueSeries    `json:"series,omitempty" doc:"The check also takes a logged series in place of its numbers."`
	Limits       []CatalogueLimit    `json:"limits"`
	Findings     []CatalogueFinding  `json:"findings" doc:"What the check can come to."`
}

// CatalogueFinding is one possible result of a check.
type CatalogueFinding struct {
	ID       string `json:"id"`
	Sentence string `json:"sentence" doc:"Of its verdicts; figures stand in braces."`
	Do       string `json:"do,omitempty" doc:"What to do next when it settles nothing."`
	Stop     bool   `json:"stop" doc:"The machine must not run again before what it shows is mended."`
}

// CataloguePosition is one place a check is done at.
type CataloguePosition struct {
	ID         string `json:"id"`
	Name       string `json:"name"`
	ClosedCold *bool  `json:"closed_cold,omitempty" doc:"Of a contact: closed at room temperature when healthy."`
	Has        string `json:"has,omitempty"`
	Lacks      string `json:"lacks,omitempty"`
}

// CatalogueInput is one thing to enter.
type CatalogueInput struct {
	ID        string          `json:"id"`
	Name      string          `json:"name"`
	Quantity  string          `json:"quantity,omitempty" doc:"Absent for a choice."`
	Units     []string        `json:"units" doc:"Accepted UCUM codes, usual one first."`
	Choices   []CatalogueName `json:"choices"`
	Many      bool            `json:"many" doc:"Several values in order."`
	Required  bool            `json:"required"`
	OverRange bool            `json:"over_range" doc:"The meter's over range (open) is a valid entry."`
	Low       *float64        `json:"low,omitempty" doc:"Plausible range in the first unit."`
	High      *float64        `json:"high,omitempty"`
	Help      string          `json:"help,omitempty"`
}

// CatalogueSeries is the form of a logged series.
type CatalogueSeries struct {
	Quantity string   `json:"quantity"`
	Units    []string `json:"units"`
	Closed   bool     `json:"closed" doc:"Each point also says whether the contact was closed."`
}

// CatalogueLimit is what an input is judged against when the data sheet does
// not state the parameter.
type CatalogueLimit struct {
	ID            string   `json:"id"`
	Input         string   `json:"input"`
	Parameter     string   `json:"parameter,omitempty" doc:"The data-sheet parameter that wins over the figures here."`
	Indispensable bool     `json:"indispensable" doc:"Without the parameter the verdict is inconclusive."`
	Low           *float64 `json:"low,omitempty"`
	High          *float64 `json:"high,omitempty"`
	Tolerance     *float64 `json:"tolerance,omitempty" doc:"Around a single data-sheet value."`
	Unit          string   `json:"unit,omitempty"`
	Mark          string   `json:"mark,omitempty" doc:"sheet, published, common_practice or computed."`
	Source        string   `json:"source,omitempty"`
}

// CatalogueAction is something done to the unit.
type CatalogueAction struct {
	ID       string   `json:"id"`
	Name     string   `json:"name"`
	Plain    string   `json:"plain"`
	Fits     bool     `json:"fits" doc:"It takes a part from the van."`
	Touches  []string `json:"touches" doc:"Parts whose evidence it ends; chosen: the part named with the action; all: every part."`
	Destroys []string `json:"destroys"`
	Cleans   []string `json:"cleans" doc:"Care scopes."`
}

// CatalogueComplaint is what a customer says is wrong.
type CatalogueComplaint struct {
	ID      string              `json:"id"`
	Name    string              `json:"name"`
	Say     string              `json:"say" doc:"Advice read to every caller."`
	Triage  []CatalogueQuestion `json:"triage"`
	Causes  []CatalogueCause    `json:"causes"`
	Closing []CatalogueClosing  `json:"closing" doc:"What must be on record before the unit goes back to service."`
}

// CatalogueQuestion is one question of the telephone triage.
type CatalogueQuestion struct {
	ID      string            `json:"id"`
	Ask     string            `json:"ask"`
	Answers []CatalogueAnswer `json:"answers"`
}

// CatalogueAnswer is one answer to a triage question.
type CatalogueAnswer struct {
	ID     string `json:"id"`
	Text   string `json:"text"`
	Advice string `json:"advice,omitempty" doc:"Said to the caller at once."`
}

// CatalogueCause ties a fault to a complaint.
type CatalogueCause struct {
	Fault    string  `json:"fault"`
	Prior    float64 `json:"prior" doc:"Judgement of the trade, before anything is known."`
	Explains string  `json:"explains" doc:"yes, no or second_barrier."`
	Mark     string  `json:"mark,omitempty"`
	Note     string  `json:"note,omitempty"`
}

// CatalogueClosing is one thing that must be on record at the closing.
type CatalogueClosing struct {
	ID        string   `json:"id"`
	Text      string   `json:"text"`
	AnyOf     []string `json:"any_of" doc:"Checks of which one must conform as a verification reading."`
	Statement string   `json:"statement,omitempty" doc:"What the tech confirms instead."`
	Has       string   `json:"has,omitempty"`
}

// viewed shows each item of a list.
func viewed[T, D any](items []T, view func(*T) D) []D {
	out := make([]D, 0, len(items))
	for i := range items {
		out = append(out, view(&items[i]))
	}
	return out
}

// texts is a list that is written as [] when it is empty.
func texts(s []string) []string { return append([]string{}, s...) }

func viewKind(k *catalogue.Kind) CatalogueKind {
	return CatalogueKind{ID: k.ID, Name: k.Name, Version: k.Version, Fuel: k.Fuel, Note: k.Note, Features: viewed(k.Features, viewFeature),
		AsFound: viewed(k.AsFound, viewFeature), Parameters: viewed(k.Parameters, viewParameter), Parts: viewed(k.Parts, viewCataloguePart),
		Faults: viewed(k.Faults, viewFault), Checks: viewed(k.Checks, viewCheck), Actions: viewed(k.Actions, viewCatalogueAction),
		Complaints: viewed(k.Complaints, viewComplaint)}
}

func viewFeature(f *catalogue.Feature) CatalogueName { return CatalogueName{f.ID, f.Name} }

func viewParameter(p *catalogue.Parameter) CatalogueParameter {
	return CatalogueParameter{ID: p.ID, Name: p.Name, Form: p.Form, Quantity: p.Quantity, Units: texts(p.Units), Where: p.Where}
}

func viewCataloguePart(p *catalogue.Part) CataloguePart {
	return CataloguePart{ID: p.ID, Name: p.Name, Plain: p.Plain, Role: string(p.Role), Has: p.Has, Lacks: p.Lacks}
}

func viewFault(f *catalogue.Fault) CatalogueFault {
	return CatalogueFault{ID: f.ID, Part: f.Part, Name: f.Name, Plain: f.Plain, Fix: f.Fix, Minutes: f.Minutes}
}

func viewCheck(c *catalogue.Check) CatalogueCheck {
	out := CatalogueCheck{ID: c.ID, Name: c.Name, Parts: texts(c.Parts), Why: c.Why, Instructions: texts(c.Instructions), Place: c.Place,
		State: string(c.State), Gas: c.Gas, ElectricOnly: c.Electric, Competence: c.Competence, Cautions: texts(c.Cautions), Minutes: c.Minutes,
		Answers: texts(c.Answers), Needs: texts(c.Needs), Destroys: texts(c.Destroys), Has: c.Has, Lacks: c.Lacks, For: texts(c.For),
		Positions: viewed(c.Positions, viewPosition), Inputs: viewed(c.Inputs, viewInput), Limits: viewed(c.Limits, viewLimit),
		Findings: viewed(c.Findings, viewFinding)}
	if s := c.Series; s != nil {
		out.Series = &CatalogueSeries{Quantity: s.Quantity, Units: texts(s.Units), Closed: s.Closed}
	}
	return out
}

func viewFinding(f *catalogue.Finding) CatalogueFinding {
	return CatalogueFinding{f.ID, f.Sentence, f.Do, f.Stop}
}

func viewPosition(p *catalogue.Position) CataloguePosition {
	return CataloguePosition{ID: p.ID, Name: p.Name, ClosedCold: p.ClosedCold, Has: p.Has, Lacks: p.Lacks}
}

func viewInput(i *catalogue.Input) CatalogueInput {
	return CatalogueInput{ID: i.ID, Name: i.Name, Quantity: i.Quantity, Units: texts(i.Units), Many: i.Many, Required: i.Required,
		OverRange: i.OverRange, Low: i.Low, High: i.High, Help: i.Help,
		Choices: viewed(i.Choices, func(c *catalogue.Choice) CatalogueName { return CatalogueName{c.ID, c.Name} })}
}

func viewLimit(l *catalogue.Limit) CatalogueLimit {
	return CatalogueLimit{ID: l.ID, Input: l.Input, Parameter: l.Parameter, Indispensable: l.Indispensable, Low: l.Low, High: l.High,
		Tolerance: l.Tolerance, Unit: l.Unit, Mark: string(l.Mark), Source: l.Source}
}

func viewCatalogueAction(v *catalogue.Action) CatalogueAction {
	return CatalogueAction{ID: v.ID, Name: v.Name, Plain: v.Plain, Fits: v.Fits, Touches: texts(v.Touches), Destroys: texts(v.Destroys), Cleans: texts(v.Cleans)}
}

func viewComplaint(c *catalogue.Complaint) CatalogueComplaint {
	return CatalogueComplaint{ID: c.ID, Name: c.Name, Say: c.Say, Triage: viewed(c.Triage, viewQuestion), Causes: viewed(c.Causes, viewCause),
		Closing: viewed(c.Closing, viewClosing)}
}

func viewQuestion(q *catalogue.Question) CatalogueQuestion {
	return CatalogueQuestion{ID: q.ID, Ask: q.Ask, Answers: viewed(q.Answers, func(a *catalogue.Answer) CatalogueAnswer {
		return CatalogueAnswer{a.ID, a.Text, a.Advice}
	})}
}

func viewCause(c *catalogue.Cause) CatalogueCause {
	return CatalogueCause{Fault: c.Fault, Prior: c.Prior, Explains: string(c.Explains), Mark: string(c.Mark), Note: c.Note}
}

func viewClosing(c *catalogue.Closing) CatalogueClosing {
	return CatalogueClosing{ID: c.ID, Text: c.Text, AnyOf: texts(c.AnyOf), Statement: c.Statement, Has: c.Has}
}

const catalogueText = `Everything a client needs to draw the form of each check: inputs with quantity, accepted UCUM units, choices and plausible ranges;
positions; series; cautions; circuit state. It changes only with a new version of the service, or with what the shop adds to it, whose ids begin with own_: keep it, and ask again with If-None-Match.
Ask for one kind, with Accept-Encoding: gzip, where the line is slow: the answer is then a fifth of its size.
Chances and minutes are judgement of the trade. Local codes, licensed trades and the maker's instructions come first; the data sheet of the model
outranks every figure given here.`

func (a *API) registerCatalogue(e *Edge) {
	op := show("read-catalogue", "/v1/catalogue", "catalogue", anyone, "Show the catalogue of kinds, checks, faults and actions")
	op.Description, op.Compress = catalogueText, true
	made := cataloguePages(a.Catalogue)
	register(e, op, func(ctx context.Context, in *struct {
		Kind string `query:"kind" maxLength:"80" doc:"Only this kind."`
	}) (*item[Catalogue], error) {
		c, err := a.Supplements.Current(ctx, principal(ctx))
		if err != nil {
			return nil, err
		}
		pages := made
		if c != a.Catalogue {
			pages = cataloguePages(c)
		}
		page, ok := pages[in.Kind]
		if !ok {
			return nil, domain.Absent()
		}
		shown := page()
		return &shown, nil
	})
}

// cataloguePages gives each answer: of a kind under its id, of all kinds under
// the empty one. Each is made when it is first asked for.
func cataloguePages(c *catalogue.Catalogue) map[string]func() item[Catalogue] {
	page := func(kinds ...*catalogue.Kind) func() item[Catalogue] {
		return sync.OnceValue(func() item[Catalogue] {
			out := Catalogue{Version: c.Version, Kinds: []CatalogueKind{}}
			for _, k := range kinds {
				out.Kinds = append(out.Kinds, viewKind(k))
			}
			return taggedByContent(out)
		})
	}
	pages := map[string]func() item[Catalogue]{"": page(c.Kinds...)}
	for _, k := range c.Kinds {
		pages[k.ID] = page(k)
	}
	return pages
}

// taggedByContent gives the answer a strong tag made of its bytes: a service
// that shows the same catalogue in another way has another entity.
func taggedByContent[T any](body T) item[T] {
	text, err := wire.Marshal(body)
	if err != nil {
		panic("api: catalogue: " + err.Error())
	}
	sum := sha256.Sum256(text)
	return item[T]{ETag: `"` + hex.EncodeToString(sum[:12]) + `"`, Body: body}
}
