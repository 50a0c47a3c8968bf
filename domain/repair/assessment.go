package repair

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/audit"
	"drumline/domain/calls"
	"drumline/shared/pg"
)

// Assessment is where a call stands.
type Assessment struct {
	CallID           domain.ID
	Kind             string
	CatalogueVersion int    // of the kind
	Catalogue        string // hash of the whole catalogue
	Engine           string
	Result           diagnosis.Assessment
	Parts            []PartState
	SetAside         []domain.ID // readings that wait for a competent countersignature
	Outdated         []domain.ID // readings whose stored verdicts no longer say what this assessment says
	Contradictions   []Contradiction
	Experience       diagnosis.Experience // of the shop with the complaint
	Edition          int64                // of the shop's own content, by which the call is judged
}

// What the brief form keeps.
const (
	briefFaults = 5
	briefChecks = 3
)

// brief is the assessment as a tech in a cellar with one bar of signal gets it
// with each reading: the likeliest faults, the parts and second barriers
// something is known of, and the best checks. The whole is read by itself.
func (a Assessment) brief() Assessment {
	a.Result.Ranking = a.Result.Ranking[:min(briefFaults, len(a.Result.Ranking))]
	a.Result.Next = a.Result.Next[:min(briefChecks, len(a.Result.Next))]
	a.Result.Barriers = slices.DeleteFunc(slices.Clone(a.Result.Barriers), func(r diagnosis.Ranked) bool { return !r.Tested })
	if air := a.Result.Air; air != nil {
		a.Result.Air = nil
		if air.Sentence != "" {
			a.Result.Air = &diagnosis.Air{Sentence: air.Sentence}
		}
	}
	a.Parts = slices.DeleteFunc(slices.Clone(a.Parts), func(p PartState) bool { return p.Reading == "" })
	return a
}

// PartState is where a part stands, with the sentence that decides it.
type PartState struct {
	diagnosis.PartState
	Sentence string
}

// Contradiction is two readings of the machine as found that cannot both be
// right.
type Contradiction struct {
	Part     string
	Readings [2]string
	Sentence string
}

// assess gives the assessment of a joined case.
func (s *Service) assess(c *caseRows) (Assessment, error) {
	k := c.kind
	d := known(k, c.diagnosisCase())
	res, err := diagnosis.Assess(k, d)
	if err != nil {
		return Assessment{}, fmt.Errorf("repair: assess call %s: %w", c.call.ID, err)
	}
	a := Assessment{CallID: c.call.ID, Kind: k.ID, CatalogueVersion: k.Version, Catalogue: c.catalogue.Version, Edition: c.call.Edition, Engine: diagnosis.EngineVersion,
		Result: res, Parts: []PartState{}, SetAside: []domain.ID{}, Outdated: []domain.ID{}, Contradictions: contradictions(k, d),
		Experience: d.Experience}
	for _, p := range res.Parts {
		a.Parts = append(a.Parts, PartState{p, sentenceOf(d, p)})
	}
	for _, r := range c.readings {
		if r.VoidedAt == nil && r.waits() {
			a.SetAside = append(a.SetAside, r.ID)
		}
	}
	a.Result.Parts = nil
	return a, nil
}

// known leaves out what the catalogue has dropped since it was recorded, so
// that an old call can still be read.
func known(k *catalogue.Kind, d diagnosis.Case) diagnosis.Case {
	d.Readings = slices.DeleteFunc(slices.Clone(d.Readings), func(j diagnosis.Judged) bool {
		ch, ok := k.Check(j.Reading.Check)
		return !ok || slices.ContainsFunc(j.Verdicts, func(v diagnosis.Verdict) bool { _, found := ch.Finding(v.Finding); return !found })
	})
	d.Done = slices.DeleteFunc(slices.Clone(d.Done), func(a diagnosis.Done) bool { _, found := k.Action(a.Action); return !found })
	cp, ok := k.Complaint(d.Complaint)
	if !ok {
		return d
	}
	d.Triage = maps.Clone(d.Triage)
	maps.DeleteFunc(d.Triage, func(question, answer string) bool {
		q, found := cp.Question(question)
		if found {
			_, found = q.Answer(answer)
		}
		return !found
	})
	return d
}

func sentenceOf(d diagnosis.Case, p diagnosis.PartState) string {
	for _, j := range d.Readings {
		if p.Reading == "" || j.Reading.ID != p.Reading {
			continue
		}
		for _, v := range j.Verdicts {
			if v.Part == p.Part && v.Outcome == p.Outcome {
				return v.Sentence
			}
		}
	}
	return ""
}

// unlikely is the chance of a finding below which it speaks against a fault.
// Judgement, no source.
const unlikely = 0.1

// contradictions finds readings of the machine as found where one shows a
// fault and another clears the same part of it, with no action between that
// could account for both.
func contradictions(k *catalogue.Kind, d diagnosis.Case) []Contradiction {
	out := []Contradiction{}
	for _, a := range d.Readings {
		for _, v := range a.Verdicts {
			if v.Outcome != diagnosis.DoesNotConform || !asFound(a) {
				continue
			}
			for _, b := range d.Readings {
				if asFound(b) && clears(k, a.Reading, b, v) && !between(k, d.Done, v.Part, a.Reading.At, b.Reading.At) {
					out = append(out, Contradiction{v.Part, [2]string{a.Reading.ID, b.Reading.ID}, contradiction(k, a, b, v)})
				}
			}
		}
	}
	return out
}

func asFound(j diagnosis.Judged) bool {
	return j.Reading.Phase == diagnosis.AsFound && !j.Reading.SetAside
}

// clears says whether reading b clears the part of the fault v names: it is
// the same check at the same place with the other result, or its finding is
// unlikely with that fault.
func clears(k *catalogue.Kind, a diagnosis.Reading, b diagnosis.Judged, v diagnosis.Verdict) bool {
	i := slices.IndexFunc(b.Verdicts, func(o diagnosis.Verdict) bool { return o.Part == v.Part && o.Outcome == diagnosis.Conforms })
	if i < 0 {
		return false
	}
	if a.Check == b.Reading.Check {
		return a.Position == b.Reading.Position
	}
	ch, ok := k.Check(b.Reading.Check)
	if !ok {
		return false
	}
	f, ok := ch.Finding(b.Verdicts[i].Finding)
	if !ok || len(f.Weights) == 0 {
		return false
	}
	w, stated := f.Weights[v.Fault]
	return stated && w <= unlikely
}

// between says whether an action touched the part between two instants.
func between(k *catalogue.Kind, done []diagnosis.Done, part string, a, b time.Time) bool {
	if b.Before(a) {
		a, b = b, a
	}
	return slices.ContainsFunc(done, func(d diagnosis.Done) bool {
		return !d.At.Before(a) && !d.At.After(b) && touches(k, d, part)
	})
}

// touches says whether an action ends the evidence about a part.
func touches(k *catalogue.Kind, d diagnosis.Done, part string) bool {
	a, ok := k.Action(d.Action)
	return ok && slices.ContainsFunc(a.Touches, func(t string) bool {
		return t == "all" || t == part || t == "chosen" && d.Part == part
	})
}

func contradiction(k *catalogue.Kind, a, b diagnosis.Judged, v diagnosis.Verdict) string {
	part := v.Part
	if p, ok := k.Part(v.Part); ok {
		part = p.Name
	}
	return fmt.Sprintf("%s: %s shows a fault, %s finds it good. One of them is wrong: repeat both.", part, checkName(k, a), checkName(k, b))
}

func checkName(k *catalogue.Kind, j diagnosis.Judged) string {
	ch, ok := k.Check(j.Reading.Check)
	if !ok {
		return j.Reading.Check
	}
	return strings.TrimSpace(ch.Name + " " + j.Reading.At.UTC().Format("(2 Jan, 15:04 UTC)"))
}

// Assess gives the assessment of a call. Verdicts that are out of date are
// judged anew for it, in memory; Rederive stores them.
func (s *Service) Assess(ctx context.Context, p domain.Principal, call domain.ID) (Assessment, error) {
	c, renewed, err := s.readCase(ctx, p, call)
	if err != nil {
		return Assessment{}, err
	}
	a, err := s.assess(c)
	for _, r := range renewed {
		a.Outdated = append(a.Outdated, r.reading.ID)
	}
	return a, err
}

// Explain says how a fault of a call came to its probability; an empty fault
// stands for the likeliest. Verdicts are brought up to date as for Assess.
func (s *Service) Explain(ctx context.Context, p domain.Principal, call domain.ID, fault string) (diagnosis.Explanation, error) {
	c, _, err := s.readCase(ctx, p, call)
	if err != nil {
		return diagnosis.Explanation{}, err
	}
	e, err := diagnosis.Explain(c.kind, known(c.kind, c.diagnosisCase()), fault)
	if errors.Is(err, diagnosis.ErrNoCause) {
		return e, domain.Field("fault", "unknown", "That is not a cause of this complaint on this machine. Take one of the assessment's ranking.")
	}
	if err != nil {
		return e, fmt.Errorf("repair: explain call %s: %w", call, err)
	}
	return e, nil
}

// readCase reads a call with its verdicts brought up to date in memory.
func (s *Service) readCase(ctx context.Context, p domain.Principal, call domain.ID) (*caseRows, []renewal, error) {
	now := s.Now()
	c := &caseRows{}
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		*c = caseRows{}
		calls.QueueCall(b, p, call, &c.call)
		queueCase(b, p, now, atCall(call), c)
	})
	if err != nil {
		return nil, nil, err
	}
	if err := s.openOf(ctx, p, c); err != nil {
		return nil, nil, err
	}
	basis, err := c.basis()
	if err != nil {
		return nil, nil, err
	}
	stale := c.outdated(basis)
	if ids := withSeries(stale); len(ids) > 0 {
		var rows []seriesRow
		if err := s.DB.Read(ctx, p, func(b *pgx.Batch) { queueSeries(b, p.Shop, ids, &rows) }); err != nil {
			return nil, nil, err
		}
		takeSeries(stale, rows)
	}
	renewed, err := c.renew(stale, basis, now)
	return c, renewed, err
}

// Rederive judges the readings of an open call anew and stores the verdicts
// that came out differently; changed is how many readings that are. The call
// is taken to the shop's newest content, if that still holds all the call uses.
func (s *Service) Rederive(ctx context.Context, p domain.Principal, call domain.ID) (a Assessment, changed int, err error) {
	now := s.Now()
	var c caseRows
	err = s.DB.Write(ctx, p,
		func(b *pgx.Batch) {
			c = caseRows{}
			queueLockedCase(b, p, now, call, &c)
		},
		func(ctx context.Context, tx *pg.Tx) error {
			if err := mustBeOpen(c.call); err != nil {
				return err
			}
			b := &pgx.Batch{}
			if err := s.takeEdition(ctx, tx, b, &c, now); err != nil {
				return err
			}
			renewed, err := s.renewAll(ctx, tx, &c, now)
			if err != nil {
				return err
			}
			changed = len(renewed)
			if a, err = s.assess(&c); err != nil || changed == 0 && b.Len() == 0 {
				return err
			}
			queueSupersede(b, p.Shop, renewed)
			audit.Queue(b, tx.P, now, audit.Entry{Action: "rederived", Entity: "call", ID: call, Fields: []string{"verdicts"}})
			return tx.Send(ctx, b)
		})
	return a, changed, err
}

// takeEdition takes a locked case to the newest edition of the shop's content.
// Where that has dropped what the call uses, the call stays with its own.
func (s *Service) takeEdition(ctx context.Context, tx *pg.Tx, b *pgx.Batch, c *caseRows, now time.Time) error {
	if err := s.openIn(ctx, tx, c); err != nil || c.call.Edition == tx.P.Edition {
		return err
	}
	newest, err := s.Catalogues.In(ctx, tx, tx.P.Edition)
	if err != nil {
		return err
	}
	k, ok := newest.Kind(c.dossier.Unit.Kind)
	if !ok || !c.fits(k) {
		return nil
	}
	c.catalogue, c.kind = newest, k
	c.call.Edition = tx.P.Edition
	c.call.Version++
	calls.TakeEdition(b, tx.P, now, c.call.ID, tx.P.Edition)
	return nil
}

// fits says whether a kind knows all that is on record of the case.
func (c *caseRows) fits(k *catalogue.Kind) bool {
	d := c.diagnosisCase()
	left := known(k, d)
	_, ok := k.Complaint(d.Complaint)
	return ok && len(left.Readings) == len(d.Readings) && len(left.Done) == len(d.Done) && len(left.Triage) == len(d.Triage)
}

// RepairMinutes is how long the repair of a call takes by expectation: as it
// stands, and as its complaint usually does before anything is known.
type RepairMinutes struct{ Now, Usual float64 }

// ExpectedMinutes weighs the minutes of each fault by its probability. Where
// several faults are likely, theirs add up.
func (s *Service) ExpectedMinutes(ctx context.Context, p domain.Principal, call domain.ID) (RepairMinutes, error) {
	c, _, err := s.readCase(ctx, p, call)
	if err != nil {
		return RepairMinutes{}, err
	}
	d := known(c.kind, c.diagnosisCase())
	now, err := c.expected(d)
	if err != nil {
		return RepairMinutes{}, err
	}
	usual, err := c.expected(diagnosis.Case{Complaint: d.Complaint, Unit: d.Unit, Sheet: d.Sheet, Experience: d.Experience})
	return RepairMinutes{now, usual}, err
}

func (c *caseRows) expected(d diagnosis.Case) (float64, error) {
	a, err := diagnosis.Assess(c.kind, d)
	if err != nil {
		return 0, fmt.Errorf("repair: minutes of call %s: %w", c.call.ID, err)
	}
	sum := 0.0
	for _, r := range a.Ranking {
		if f, ok := c.kind.Fault(r.Fault); ok && !r.Mended {
			sum += r.Probability * f.Minutes
		}
	}
	return sum, nil
}
