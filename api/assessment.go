package api

import (
	"context"
	"net/http"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/repair"
)

// RankedFault is one fault with its probability.
type RankedFault struct {
	Fault       string   `json:"fault"`
	Name        string   `json:"name"`
	Part        string   `json:"part"`
	Probability float64  `json:"probability" doc:"Of a cause: that it is there. Several may be, so they need not add up to one. Of a second barrier: that it has failed."`
	Tested      bool     `json:"tested" doc:"A conclusive finding speaks about it."`
	Mended      bool     `json:"mended" doc:"Work has been done on its part."`
	Reasons     []string `json:"reasons"`
}

// AssessedPart is where one part stands.
type AssessedPart struct {
	Part      string     `json:"part"`
	Name      string     `json:"name"`
	Role      string     `json:"role" doc:"ordinary, second_barrier, airway, supply or use."`
	Outcome   string     `json:"outcome" doc:"inconclusive when nothing settles it."`
	Fault     string     `json:"fault,omitempty"`
	FaultName string     `json:"fault_name,omitempty"`
	ReadingID *domain.ID `json:"reading_id,omitempty" doc:"The reading that decides it."`
	Phase     string     `json:"phase,omitempty"`
	Sentence  string     `json:"sentence,omitempty"`
}

// NextCheck is a check worth doing now.
type NextCheck struct {
	Check        string   `json:"check"`
	Name         string   `json:"name"`
	Position     string   `json:"position,omitempty"`
	PositionName string   `json:"position_name,omitempty"`
	State        string   `json:"state" doc:"How the machine must stand: phone, off, isolated, running_closed or live_open."`
	Minutes      float64  `json:"minutes" doc:"With what it takes to get there."`
	GainBits     float64  `json:"gain_bits" doc:"Expected fall of uncertainty."`
	Reason       string   `json:"reason"`
	Cautions     []string `json:"cautions"`
}

// MissingParameter is a data-sheet value that would settle a verdict.
type MissingParameter struct {
	Parameter string `json:"parameter"`
	Name      string `json:"name"`
	Where     string `json:"where" doc:"Where a tech finds it."`
}

// Contradiction is two readings that cannot both be right.
type Contradiction struct {
	Part       string   `json:"part"`
	ReadingIDs []string `json:"reading_ids"`
	Sentence   string   `json:"sentence"`
}

// Doubt is a reading, or an instrument, that does not fit the rest.
type Doubt struct {
	ReadingID    *domain.ID `json:"reading_id,omitempty" doc:"The reading to repeat: the one that fits least."`
	Check        string     `json:"check"`
	Position     string     `json:"position,omitempty"`
	InstrumentID *domain.ID `json:"instrument_id,omitempty" doc:"When all readings of one instrument are in doubt."`
	Fits         float64    `json:"fits" doc:"Chance of that reading, given all the others."`
	Probability  float64    `json:"probability,omitempty" doc:"That the instrument is wrong; absent of a single reading."`
	Sentence     string     `json:"sentence"`
}

// Experience is what the shop's own verified repairs put into the ranking.
type Experience struct {
	Cases      int     `json:"cases" doc:"Calls of this shop with this complaint, of this kind of unit, that ended with a verified finding."`
	ModelCases int     `json:"model_cases" doc:"Of them, on this model."`
	Strength   float64 `json:"strength" doc:"How many cases the catalogue's figures count for against the shop's, and the kind's against the model's."`
}

// Explanation says how a fault came to its probability.
type Explanation struct {
	CallID      domain.ID  `json:"call_id"`
	Fault       string     `json:"fault"`
	Name        string     `json:"name"`
	Start       float64    `json:"start" doc:"Probability from the complaint alone."`
	Probability float64    `json:"probability" doc:"Now."`
	Steps       []Step     `json:"steps" doc:"Telephone answers, then readings by time."`
	Flip        *Flip      `json:"flip,omitempty" doc:"The first reading that, had it come out otherwise, would put another fault first."`
	Sets        []FaultSet `json:"sets" doc:"The likeliest sets of faults that are there together, and no others."`
	Covered     float64    `json:"sets_cover" doc:"Share of the probability that all sets looked at hold."`
	Approximate bool       `json:"approximate" doc:"Too many findings hang together to be weighed exactly."`
	Away        string     `json:"away,omitempty" doc:"What the likeliest fault explains that would else speak for another."`
	Coverage    float64    `json:"coverage" doc:"Share of what could be wrong that a conclusive finding has touched."`
	Conflict    float64    `json:"conflict_bits" doc:"Above zero the readings pull apart, below zero they bear each other out."`
}

// FaultSet is faults that are there together.
type FaultSet struct {
	Faults      []string `json:"faults"`
	Probability float64  `json:"probability"`
}

// Step is what one answer or reading did.
type Step struct {
	Question    string     `json:"question,omitempty"`
	ReadingID   *domain.ID `json:"reading_id,omitempty"`
	Name        string     `json:"name"`
	Result      string     `json:"result"`
	Decibans    float64    `json:"decibans" doc:"Ten times the logarithm of how many times the odds rose, in the order of entry: 10 is ten times, 3 is double. They add up."`
	Alone       float64    `json:"alone" doc:"The same against leaving only this one out. These do not add up where readings explain each other."`
	Probability float64    `json:"probability" doc:"After it."`
}

// Flip is a reading on which the conclusion hangs.
type Flip struct {
	ReadingID *domain.ID `json:"reading_id,omitempty"`
	Name      string     `json:"name"`
	Fault     string     `json:"fault" doc:"First then."`
	Sentence  string     `json:"sentence"`
}

// Assessment is where a call stands.
type Assessment struct {
	CallID           domain.ID          `json:"call_id"`
	Kind             string             `json:"kind"`
	CatalogueVersion int                `json:"catalogue_version" doc:"Of the kind."`
	Catalogue        string             `json:"catalogue" doc:"Hash of the whole catalogue."`
	EngineVersion    string             `json:"engine_version"`
	Sentence         string             `json:"sentence"`
	Stop             string             `json:"stop,omitempty" doc:"Why the machine must not run before something is mended: show it before all else. Powered checks are not offered then."`
	Enough           bool               `json:"enough" doc:"Settled: conclude."`
	Exhausted        bool               `json:"exhausted" doc:"No check left pays, though nothing is settled: repeat what was inconclusive, ask for a second opinion, or conclude with a reason."`
	Doubt            *Doubt             `json:"doubt,omitempty" doc:"What does not fit the rest: settle it before any part is blamed."`
	Experience       Experience         `json:"experience"`
	Approximate      bool               `json:"approximate" doc:"Too many findings hang together to be weighed exactly: the ranking rests on sets of few faults."`
	Coverage         float64            `json:"coverage" doc:"Share of what could be wrong that a conclusive finding has touched."`
	Ranking          []RankedFault      `json:"ranking" doc:"Likeliest first."`
	Barriers         []RankedFault      `json:"barriers" doc:"Second barriers: they decide safety and never rank as first cause."`
	Parts            []AssessedPart     `json:"parts"`
	Air              *Air               `json:"air,omitempty" doc:"Physics of the exhaust run and the heater box; absent when nothing is known of either."`
	Next             []NextCheck        `json:"next" doc:"Best first."`
	Missing          []MissingParameter `json:"missing"`
	Contradictions   []Contradiction    `json:"contradictions"`
	SetAside         []domain.ID        `json:"set_aside" doc:"Readings that wait for a competent countersignature: they do not count."`
	Outdated         []domain.ID        `json:"outdated" doc:"Readings judged anew for this answer, whose stored verdicts say something else; rederive stores the new ones."`
}

// Rederived is what deriving anew came to.
type Rederived struct {
	Changed    int        `json:"changed" doc:"Readings whose verdicts came out differently."`
	Assessment Assessment `json:"assessment"`
}

func (a *API) viewAssessment(ctx context.Context, v repair.Assessment) Assessment {
	out := Assessment{CallID: v.CallID, Kind: v.Kind, CatalogueVersion: v.CatalogueVersion, Catalogue: v.Catalogue, EngineVersion: v.Engine,
		Sentence: v.Result.Sentence, Stop: v.Result.Stop, Enough: v.Result.Enough, Exhausted: v.Result.Exhausted, Approximate: v.Result.Approximate, Coverage: v.Result.Coverage, Ranking: viewRanking(v.Result.Ranking),
		Barriers: viewRanking(v.Result.Barriers), Parts: []AssessedPart{}, Next: []NextCheck{}, Missing: []MissingParameter{},
		Contradictions: []Contradiction{}, SetAside: v.SetAside, Outdated: v.Outdated}
	out.Air = viewAir(v.Result.Air)
	x := v.Experience
	out.Experience = Experience{Cases: x.Kind.Cases, ModelCases: x.Model.Cases, Strength: x.Weight()}
	if d := v.Result.Doubt; d != nil {
		out.Doubt = &Doubt{ReadingID: parsedID(d.Reading), Check: d.Check, Position: d.Position, InstrumentID: parsedID(d.Meter), Fits: d.Fits,
			Probability: d.Probability, Sentence: d.Sentence}
	}
	for _, c := range v.Contradictions {
		out.Contradictions = append(out.Contradictions, Contradiction{c.Part, c.Readings[:], c.Sentence})
	}
	k, ok := a.words(ctx, v.Edition).Kind(v.Kind)
	if !ok {
		return out // an answer stored before the kind left the catalogue
	}
	for _, p := range v.Parts {
		out.Parts = append(out.Parts, viewPart(k, p))
	}
	for _, n := range v.Result.Next {
		out.Next = append(out.Next, viewNext(k, n))
	}
	for _, id := range v.Result.Missing {
		out.Missing = append(out.Missing, viewMissing(k, id))
	}
	return out
}

func viewRanking(rs []diagnosis.Ranked) []RankedFault {
	out := []RankedFault{}
	for _, r := range rs {
		v := RankedFault{Fault: r.Fault, Name: r.Name, Part: r.Part, Probability: r.Probability, Tested: r.Tested, Mended: r.Mended, Reasons: []string{}}
		v.Reasons = append(v.Reasons, r.Reasons...)
		out = append(out, v)
	}
	return out
}

func viewPart(k *catalogue.Kind, p repair.PartState) AssessedPart {
	out := AssessedPart{Part: p.Part, Outcome: string(p.Outcome), Fault: p.Fault, Phase: string(p.Phase), Sentence: p.Sentence}
	if part, ok := k.Part(p.Part); ok {
		out.Name, out.Role = part.Name, string(part.Role)
	}
	if f, ok := k.Fault(p.Fault); ok {
		out.FaultName = f.Name
	}
	out.ReadingID = parsedID(p.Reading)
	return out
}

// parsedID is an id the engine carries as text, nil for none.
func parsedID(text string) *domain.ID {
	id, err := domain.ParseID(text)
	if err != nil {
		return nil
	}
	return &id
}

func viewExplanation(call domain.ID, e diagnosis.Explanation) Explanation {
	out := Explanation{CallID: call, Fault: e.Fault, Name: e.Name, Start: e.Start, Probability: e.Probability, Steps: []Step{}, Away: e.Away,
		Sets: []FaultSet{}, Covered: e.Covered, Approximate: e.Approximate, Coverage: e.Coverage, Conflict: e.Conflict}
	for _, s := range e.Sets {
		out.Sets = append(out.Sets, FaultSet(s))
	}
	for _, s := range e.Steps {
		out.Steps = append(out.Steps, Step{Question: s.Question, ReadingID: parsedID(s.Reading), Name: s.Name, Result: s.Result,
			Decibans: s.Decibans, Alone: s.Alone, Probability: s.Probability})
	}
	if f := e.Flip; f != nil {
		out.Flip = &Flip{ReadingID: parsedID(f.Reading), Name: f.Name, Fault: f.Fault, Sentence: f.Sentence}
	}
	return out
}

func viewNext(k *catalogue.Kind, n diagnosis.Next) NextCheck {
	out := NextCheck{Check: n.Check, Position: n.Position, Minutes: n.Minutes, GainBits: n.Gain, Reason: n.Reason, Cautions: []string{}}
	ch, ok := k.Check(n.Check)
	if !ok {
		return out
	}
	out.Name, out.State = ch.Name, string(ch.State)
	out.Cautions = append(out.Cautions, ch.Cautions...)
	if p, ok := ch.Position(n.Position); ok {
		out.PositionName = p.Name
	}
	return out
}

func viewMissing(k *catalogue.Kind, id string) MissingParameter {
	out := MissingParameter{Parameter: id}
	if p, ok := k.Parameter(id); ok {
		out.Name, out.Where = p.Name, p.Where
	}
	return out
}

const assessText = `Probabilities are of the catalogue's causes, several at once allowed, and rest on judgement until the shop's own verified repairs speak:
how many of them entered is under experience. They do not release a machine: a fault may be outside of the list. Second barriers stand apart and decide safety. Checks are offered by gain per minute, as-found checks before those that
destroy their evidence; a live or gas check is offered only to a person with that competence. Local codes, licensed trades and the maker's
instructions come first.`

func (a *API) registerAssessment(e *Edge) {
	assess := show("read-assessment", "/v1/calls/{id}/assessment", "readings", anyone, "Show where a call stands and what to check next")
	assess.Description = assessText
	assess.Errors = []int{http.StatusConflict}
	register(e, assess, func(ctx context.Context, in *ByID) (*struct{ Body Assessment }, error) {
		v, err := a.Repair.Assess(ctx, principal(ctx), in.ID)
		if err != nil {
			return nil, err
		}
		return &struct{ Body Assessment }{a.viewAssessment(ctx, v)}, nil
	})
	explain := show("read-explanation", "/v1/calls/{id}/explanation", "readings", anyone, "Show how a fault came to its probability")
	explain.Description = "What each telephone answer and each reading did to one fault, the likeliest unless another is named."
	explain.Errors = []int{http.StatusUnprocessableEntity}
	register(e, explain, func(ctx context.Context, in *struct {
		ByID
		Fault string `query:"fault" maxLength:"80" doc:"Of the ranking."`
	}) (*struct{ Body Explanation }, error) {
		v, err := a.Repair.Explain(ctx, principal(ctx), in.ID, in.Fault)
		if err != nil {
			return nil, err
		}
		return &struct{ Body Explanation }{viewExplanation(in.ID, v)}, nil
	})
	register(e, Op{ID: "rederive-verdicts", Method: http.MethodPost, Path: "/v1/calls/{id}/rederive", Tags: []string{"readings"}, Roles: field,
		Errors: []int{http.StatusConflict}, Summary: "Derive the verdicts of a call anew",
		Description: "After a data-sheet value was entered or confirmed, the unit was corrected, or the service was updated. Verdicts that come out " +
			"differently are added and supersede the old ones, which are kept. A new reading does the same on its way. Repeating it changes nothing."},
		func(ctx context.Context, in *ByID) (*struct{ Body Rederived }, error) {
			v, n, err := a.Repair.Rederive(ctx, principal(ctx), in.ID)
			if err != nil {
				return nil, err
			}
			return &struct{ Body Rederived }{Rederived{Changed: n, Assessment: a.viewAssessment(ctx, v)}}, nil
		})
}
