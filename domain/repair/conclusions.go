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
	"drumline/domain/audit"
	"drumline/domain/calls"
	"drumline/domain/once"
	"drumline/shared/pg"
)

// MaxConclusions bounds the conclusions of one call, voided ones among them.
const MaxConclusions = 50

// Conclusion says what was wrong: the fault of a part, what was done about it,
// the parts fitted and the readings it rests on.
type Conclusion struct {
	ID              domain.ID    `db:"id"`
	CallID          domain.ID    `db:"call_id"`
	VisitID         domain.ID    `db:"visit_id"`
	Part            string       `db:"part"`
	Fault           string       `db:"fault"`
	ActionID        domain.ID    `db:"action_id"` // zero: nothing done yet
	Note            string       `db:"note"`
	AgainstEvidence string       `db:"against_evidence"` // the stated reason
	Supported       bool         `db:"supported"`
	Probability     float64      `db:"probability"` // the engine's, at that moment
	Snapshot        Snapshot     `db:"assessment"`
	EngineVersion   string       `db:"engine_version"`
	ConcludedBy     domain.ID    `db:"concluded_by"`
	ConcludedAt     time.Time    `db:"concluded_at"`
	VoidedAt        *time.Time   `db:"voided_at"`
	VoidedBy        domain.ID    `db:"voided_by"`
	VoidReason      string       `db:"void_reason"`
	Edition         int64        `db:"edition"` // of the shop's own content, by which the call is judged
	Fitted          []FittedPart `db:"-"`
	Readings        []domain.ID  `db:"-"`
}

const conclusionColumns = `id, call_id, visit_id, part, fault, action_id, note, against_evidence, supported, probability, assessment, engine_version,
	concluded_by, concluded_at, voided_at, voided_by, void_reason,
	(SELECT c.edition FROM call c WHERE c.shop_id = conclusion.shop_id AND c.id = conclusion.call_id) AS edition`

// Snapshot is what the engine said when the conclusion was drawn.
type Snapshot struct {
	Why       string          `json:"why"` // why the evidence carries the conclusion, or does not
	Coverage  float64         `json:"coverage"`
	Ranking   []SnapshotFault `json:"ranking"` // the likeliest ten
	Barriers  []SnapshotFault `json:"barriers"`
	Catalogue string          `json:"catalogue"` // hash of the whole catalogue
}

// SnapshotFault is one fault of a Snapshot.
type SnapshotFault struct {
	Fault       string  `json:"fault"`
	Part        string  `json:"part"`
	Probability float64 `json:"probability"`
	Tested      bool    `json:"tested"`
}

// FittedPart is one part fitted to the unit.
type FittedPart struct {
	Conclusion  domain.ID `db:"conclusion_id"`
	N           int       `db:"n"`
	Number      string    `db:"number"`
	Name        string    `db:"name"`
	Source      string    `db:"source"` // one of PartSources
	Lot         string    `db:"lot"`
	OldPartKept bool      `db:"old_part_kept"`
}

// PartSources lists where a part can come from.
func PartSources() []string { return []string{"new_maker", "new_other_maker", "used", "customer"} }

// NewConclusion is a conclusion as the tech draws it.
type NewConclusion struct {
	VisitID         domain.ID
	Part            string
	Fault           string
	ActionID        domain.ID
	Note            string
	AgainstEvidence string
	Readings        []domain.ID
	Fitted          []FittedPart
}

// concluding is a conclusion on its way through its transaction.
type concluding struct {
	s      *Service
	n      NewConclusion
	c      caseRows
	visits []calls.Visit
	drawn  []Conclusion
}

// Conclude stores a conclusion of a call with what the engine says at this
// moment. When the evidence does not carry it, a reason must be stated.
func (s *Service) Conclude(ctx context.Context, p domain.Principal, key once.Key, call domain.ID, n NewConclusion) (Conclusion, bool, error) {
	now := s.Now()
	g := &concluding{}
	load := func(b *pgx.Batch) {
		*g = concluding{s: s, n: n}
		queueLockedCase(b, p, now, call, &g.c)
		calls.QueueVisits(b, p.Shop, call, &g.visits)
		queueConclusionHeads(b, p.Shop, call, &g.drawn)
	}
	return once.Do(ctx, s.DB, p, now, key, load, func(ctx context.Context, tx *pg.Tx, out *pgx.Batch) (Conclusion, error) {
		if err := s.openIn(ctx, tx, &g.c); err != nil {
			return Conclusion{}, err
		}
		if err := g.check(p); err != nil {
			return Conclusion{}, err
		}
		renewed, err := s.renewAll(ctx, tx, &g.c, now)
		if err != nil {
			return Conclusion{}, err
		}
		v, err := g.judge(p, now)
		if err != nil {
			return Conclusion{}, err
		}
		queueSupersede(out, p.Shop, renewed)
		v.queueInsert(out, p.Shop)
		audit.Queue(out, tx.P, now, audit.Entry{Action: "created", Entity: "conclusion", ID: v.ID})
		return v, nil
	})
}

// check holds the conclusion against catalogue and call, evidence apart.
func (g *concluding) check(p domain.Principal) error {
	if err := mustBeOpen(g.c.call); err != nil {
		return err
	}
	if len(g.drawn) >= MaxConclusions {
		return domain.Errorf(domain.Conflict, "A call holds at most %d conclusions.", MaxConclusions)
	}
	var ps domain.Problems
	g.checkVisit(&ps, p)
	g.checkFault(&ps)
	g.checkAction(&ps)
	g.checkReadings(&ps)
	checkFitted(&ps, g.n.Fitted)
	ps.Text("/note", g.n.Note, 0, 2000, true)
	ps.Text("/against_evidence", g.n.AgainstEvidence, 0, 2000, true)
	if err := ps.Err(); err != nil {
		return err
	}
	if slices.ContainsFunc(g.drawn, func(o Conclusion) bool { return o.VoidedAt == nil && o.Fault == g.n.Fault }) {
		return domain.Errorf(domain.Conflict, "This fault has been concluded already. Void that conclusion first to draw it anew.")
	}
	return nil
}

// checkVisit wants a visit of the call; to a tech one of their own.
func (g *concluding) checkVisit(ps *domain.Problems, p domain.Principal) {
	i := slices.IndexFunc(g.visits, func(v calls.Visit) bool {
		return v.ID == g.n.VisitID && (p.Role != domain.Tech || v.TechID == p.Person)
	})
	switch {
	case i < 0:
		ps.Add("/visit_id", "unknown", "There is no such visit of this call.")
	case mustBeAttended(g.visits[i]) != nil:
		ps.Add("/visit_id", "not_attended", "This visit did not take place. Name the one at which it was found out.")
	}
}

func (g *concluding) checkFault(ps *domain.Problems) {
	p, known := g.c.kind.Part(g.n.Part)
	if !known || !fitted(g.c.dossier.Unit, p.Has, p.Lacks) {
		ps.Add("/part", "unknown", "This unit has no such part. Correct the unit's features if it has.")
		return
	}
	if f, ok := g.c.kind.Fault(g.n.Fault); !ok || f.Part != p.ID {
		ps.Add("/fault", "unknown", "%s has these faults in the catalogue: %s.", p.Name, strings.Join(faultsOf(g.c.kind, p.ID), ", "))
	}
}

func faultsOf(k *catalogue.Kind, part string) []string {
	var out []string
	for _, f := range k.Faults {
		if f.Part == part {
			out = append(out, f.ID)
		}
	}
	return out
}

// checkAction wants an action of this call that mends the part.
func (g *concluding) checkAction(ps *domain.Problems) {
	if g.n.ActionID.IsZero() {
		return
	}
	i := slices.IndexFunc(g.c.actions, func(a Action) bool { return a.ID == g.n.ActionID && a.VoidedAt == nil })
	if i < 0 {
		ps.Add("/action_id", "unknown", "There is no such action of this call, or it was voided.")
		return
	}
	a := g.c.actions[i]
	f, ok := g.c.kind.Fault(g.n.Fault)
	if ok && f.Fix != a.Action && !touches(g.c.kind, diagnosis.Done{Action: a.Action, Part: a.Part}, g.n.Part) {
		ps.Add("/action_id", "other_part", "This action was not done to the part. Name the one that mends it, or leave it out.")
	}
}

func (g *concluding) checkReadings(ps *domain.Problems) {
	if len(g.n.Readings) == 0 && strings.TrimSpace(g.n.AgainstEvidence) == "" {
		ps.Add("/readings", "required", "Name the readings the conclusion rests on.")
	}
	for i, id := range g.n.Readings {
		at := pointerAt("/readings", i)
		k := slices.IndexFunc(g.c.readings, func(r *Reading) bool { return r.ID == id })
		switch {
		case k < 0:
			ps.Add(at, "unknown", "There is no such reading of this call.")
		case slices.Contains(g.n.Readings[:i], id):
			ps.Add(at, "twice", "Name each reading once.")
		case g.c.readings[k].VoidedAt != nil:
			ps.Add(at, "voided", "This reading was voided: nothing rests on it.")
		case g.c.readings[k].waits():
			ps.Add(at, "set_aside", "This reading waits for a competent person to countersign it.")
		case g.c.readings[k].NotDone != "":
			ps.Add(at, "not_done", "This check was not done: nothing rests on it.")
		}
	}
}

func checkFitted(ps *domain.Problems, fitted []FittedPart) {
	for i, f := range fitted {
		at := pointerAt("/parts", i)
		ps.Text(at+"/number", f.Number, 1, 80, false)
		ps.Text(at+"/name", f.Name, 0, 120, false)
		ps.Text(at+"/lot", f.Lot, 0, 80, false)
		if !slices.Contains(PartSources(), f.Source) {
			ps.Add(at+"/source", "unknown", "A part comes from: %s.", strings.Join(PartSources(), ", "))
		}
	}
}

// judge asks the engine whether the evidence carries the conclusion.
func (g *concluding) judge(p domain.Principal, now time.Time) (Conclusion, error) {
	a, err := g.s.assess(&g.c)
	if err != nil {
		return Conclusion{}, err
	}
	ok, why := diagnosis.Supports(a.Result, g.c.diagnosisCase().Readings, g.n.Fault)
	if !ok && strings.TrimSpace(g.n.AgainstEvidence) == "" {
		return Conclusion{}, domain.Field("/against_evidence", "required",
			"The evidence does not carry this: %s Repeat the checks that speak against it, or state in against_evidence why you conclude it all the same.", why)
	}
	v := Conclusion{ID: domain.NewID(now), CallID: g.c.call.ID, VisitID: g.n.VisitID, Part: g.n.Part, Fault: g.n.Fault, ActionID: g.n.ActionID,
		Note: g.n.Note, AgainstEvidence: strings.TrimSpace(g.n.AgainstEvidence), Supported: ok, Probability: probabilityOf(a.Result, g.n.Fault),
		Snapshot: snapshot(a, why), EngineVersion: diagnosis.EngineVersion, ConcludedBy: p.Person, ConcludedAt: now,
		Edition: g.c.call.Edition, Fitted: []FittedPart{}, Readings: append([]domain.ID{}, g.n.Readings...)}
	for n, f := range g.n.Fitted {
		f.Conclusion, f.N = v.ID, n
		v.Fitted = append(v.Fitted, f)
	}
	return v, nil
}

// probabilityOf is what the engine gives a fault; 0 for one that is no cause
// of the complaint.
func probabilityOf(a diagnosis.Assessment, fault string) float64 {
	for _, r := range slices.Concat(a.Ranking, a.Barriers) {
		if r.Fault == fault {
			return r.Probability
		}
	}
	return 0
}

func snapshot(a Assessment, why string) Snapshot {
	return Snapshot{Why: why, Coverage: a.Result.Coverage, Ranking: snapshotFaults(a.Result.Ranking), Barriers: snapshotFaults(a.Result.Barriers),
		Catalogue: a.Catalogue}
}

func snapshotFaults(rs []diagnosis.Ranked) []SnapshotFault {
	out := []SnapshotFault{}
	for _, r := range rs[:min(len(rs), 10)] {
		out = append(out, SnapshotFault{Fault: r.Fault, Part: r.Part, Probability: r.Probability, Tested: r.Tested})
	}
	return out
}

func (v *Conclusion) queueInsert(b *pgx.Batch, shop domain.ID) {
	b.Queue(`INSERT INTO conclusion (shop_id, id, call_id, visit_id, part, fault, action_id, note, against_evidence, supported, probability, assessment,
			engine_version, concluded_by, concluded_at)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15)`,
		shop, v.ID, v.CallID, v.VisitID, v.Part, v.Fault, v.ActionID, v.Note, v.AgainstEvidence, v.Supported, v.Probability, v.Snapshot,
		v.EngineVersion, v.ConcludedBy, v.ConcludedAt)
	for _, f := range v.Fitted {
		b.Queue(`INSERT INTO part_fitted (shop_id, conclusion_id, n, number, name, source, lot, old_part_kept) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`,
			shop, v.ID, f.N, f.Number, f.Name, f.Source, f.Lot, f.OldPartKept)
	}
	for _, r := range v.Readings {
		b.Queue(`INSERT INTO conclusion_reading (shop_id, conclusion_id, reading_id) VALUES ($1, $2, $3)`, shop, v.ID, r)
	}
}

// queueConclusionHeads reads the conclusions of a call without parts and
// readings, oldest first, voided ones among them.
func queueConclusionHeads(b *pgx.Batch, shop, call domain.ID, dst *[]Conclusion) {
	pg.All(b, dst, `SELECT `+conclusionColumns+` FROM conclusion WHERE shop_id = $1 AND call_id = $2 ORDER BY concluded_at, id`, shop, call)
}

// conclusionRows is what the queries for conclusions give.
type conclusionRows struct {
	heads    []Conclusion
	fitted   []FittedPart
	readings []usedReading
}

type usedReading struct {
	Conclusion domain.ID `db:"conclusion_id"`
	Reading    domain.ID `db:"reading_id"`
}

// queue reads the conclusions of a call with all they hold.
func (q *conclusionRows) queue(b *pgx.Batch, shop, call domain.ID) {
	const ofCall = ` WHERE shop_id = $1 AND conclusion_id = ANY (ARRAY(SELECT id FROM conclusion WHERE shop_id = $1 AND call_id = $2))`
	queueConclusionHeads(b, shop, call, &q.heads)
	pg.All(b, &q.fitted, `SELECT conclusion_id, n, number, name, source, lot, old_part_kept FROM part_fitted`+ofCall+` ORDER BY conclusion_id, n`, shop, call)
	pg.All(b, &q.readings, `SELECT conclusion_id, reading_id FROM conclusion_reading`+ofCall+` ORDER BY conclusion_id, reading_id`, shop, call)
}

// joined puts parts and readings into their conclusions.
func (q *conclusionRows) joined() []Conclusion {
	of := make(map[domain.ID]*Conclusion, len(q.heads))
	for i := range q.heads {
		v := &q.heads[i]
		v.Fitted, v.Readings = []FittedPart{}, []domain.ID{}
		of[v.ID] = v
	}
	for _, f := range q.fitted {
		of[f.Conclusion].Fitted = append(of[f.Conclusion].Fitted, f)
	}
	for _, r := range q.readings {
		of[r.Conclusion].Readings = append(of[r.Conclusion].Readings, r.Reading)
	}
	return q.heads
}

// live leaves voided conclusions out.
func live(vs []Conclusion) []Conclusion {
	return slices.DeleteFunc(slices.Clone(vs), func(v Conclusion) bool { return v.VoidedAt != nil })
}

// ListConclusions gives the conclusions of a call, oldest first, voided ones
// among them.
func (s *Service) ListConclusions(ctx context.Context, p domain.Principal, call domain.ID) ([]Conclusion, error) {
	var c calls.Call
	var q conclusionRows
	err := s.DB.Read(ctx, p, func(b *pgx.Batch) {
		q = conclusionRows{}
		calls.QueueCall(b, p, call, &c)
		q.queue(b, p.Shop, call)
	})
	if err != nil {
		return nil, err
	}
	return q.joined(), nil
}

// callOfConclusion gives the call of a conclusion: $1 is the shop, $2 the
// conclusion.
const callOfConclusion = `SELECT call_id FROM conclusion WHERE shop_id = $1 AND id = $2`

// VoidConclusion takes a conclusion of an open call back. Voiding it again
// changes nothing.
func (s *Service) VoidConclusion(ctx context.Context, p domain.Principal, id domain.ID, reason string) (Conclusion, error) {
	if err := checkReason(reason); err != nil {
		return Conclusion{}, err
	}
	now := s.Now()
	var c calls.Call
	var v Conclusion
	var q conclusionRows
	err := s.DB.Write(ctx, p,
		func(b *pgx.Batch) {
			calls.QueueLock(b, p.Shop, callOfConclusion, id, &c)
			pg.One(b, &v, `SELECT `+conclusionColumns+` FROM conclusion WHERE shop_id = $1 AND id = $2`, p.Shop, id)
		},
		func(ctx context.Context, tx *pg.Tx) error {
			b := &pgx.Batch{}
			q = conclusionRows{}
			calls.QueueCall(b, p, v.CallID, &c)
			q.queue(b, p.Shop, v.CallID)
			if err := tx.Send(ctx, b); err != nil || v.VoidedAt != nil {
				return err
			}
			if err := mayVoid(c, 0, "conclusion"); err != nil {
				return err
			}
			b = &pgx.Batch{}
			b.Queue(`UPDATE conclusion SET voided_at = $3, voided_by = $4, void_reason = $5 WHERE shop_id = $1 AND id = $2`, p.Shop, id, now, p.Person, reason)
			audit.Queue(b, tx.P, now, audit.Entry{Action: "voided", Entity: "conclusion", ID: id})
			v.VoidedAt, v.VoidedBy, v.VoidReason = &now, p.Person, reason
			return tx.Send(ctx, b)
		})
	if err != nil {
		return Conclusion{}, err
	}
	return v.with(q.joined()), nil
}

// with takes parts and readings over from the same conclusion of the list.
func (v Conclusion) with(all []Conclusion) Conclusion {
	for _, o := range all {
		if o.ID == v.ID {
			v.Fitted, v.Readings = o.Fitted, o.Readings
		}
	}
	return v
}
