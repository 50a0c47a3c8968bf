package repair

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/audit"
	"drumline/domain/calls"
	"drumline/domain/care"
	"drumline/domain/customers"
	"drumline/shared/pg"
)

// Missing is one thing that keeps a call from closing with an outcome.
type Missing struct {
	ID   string // of a closing item, "part:<id>", "fault:<id>", "hazard:<id>", "notice:<id>", "safety_notice:<id>" or a word
	Text string // what is missing and what to do
}

// Statement is one thing the tech confirms when closing.
type Statement struct {
	ID       string
	Text     string
	StatedBy domain.ID  // zero: not stated
	StatedAt *time.Time // nil: not stated
	Counts   bool       // stated, and nothing was done to the unit since
}

// Closing is what keeps a call from closing, outcome by outcome.
type Closing struct {
	Call       calls.Call
	Outcomes   []OutcomeGaps // in the order of calls.Outcomes
	Statements []Statement   // of the complaint's closing list
}

// OutcomeGaps is what is missing for one outcome. A note it takes is listed as
// missing, since it is given with the closing itself.
type OutcomeGaps struct {
	Outcome calls.Outcome
	Missing []Missing
}

// statedRow is a closing statement on record.
type statedRow struct {
	Statement string    `db:"statement"`
	StatedBy  domain.ID `db:"stated_by"`
	StatedAt  time.Time `db:"stated_at"`
}

// closingCase is all that decides how a call may be closed.
type closingCase struct {
	caseRows
	conclusions []Conclusion
	hazards     []Hazard
	stated      []statedRow
	notices     []customers.NoticeFlag // safety notices not yet handled
	cleanings   []care.Cleaning        // of the unit, voided ones among them
}

// queue reads what belongs to the case itself apart.
func (c *closingCase) queue(b *pgx.Batch, shop, call domain.ID) {
	queueConclusionHeads(b, shop, call, &c.conclusions)
	queueHazards(b, shop, call, &c.hazards)
	customers.QueueUnitNotices(b, shop, calls.UnitOfCall, call, &c.notices)
	care.QueueCleanings(b, shop, calls.UnitOfCall, call, &c.cleanings)
	pg.All(b, &c.stated, `SELECT statement, stated_by, stated_at FROM closing_statement WHERE shop_id = $1 AND call_id = $2 ORDER BY statement`, shop, call)
}

// closingList is the closing list of the call's complaint.
func (c *closingCase) closingList() []catalogue.Closing {
	if cp, ok := c.kind.Complaint(c.call.Complaint); ok {
		return cp.Closing
	}
	return nil
}

// lastAction is when the last action that stands was recorded: a statement
// made before it speaks of another machine.
func (c *closingCase) lastAction() time.Time {
	var last time.Time
	for _, a := range c.actions {
		if a.VoidedAt == nil && a.RecordedAt.After(last) {
			last = a.RecordedAt
		}
	}
	return last
}

// statements lists what the tech confirms for this unit, in the order of the
// catalogue.
func (c *closingCase) statements() []Statement {
	out, last := []Statement{}, c.lastAction()
	for _, cl := range c.closingList() {
		if cl.Statement == "" || !fitted(c.dossier.Unit, cl.Has, "") {
			continue
		}
		s := Statement{ID: cl.Statement, Text: cl.Text}
		for _, r := range c.stated {
			if r.Statement == cl.Statement {
				s.StatedBy, s.StatedAt, s.Counts = r.StatedBy, &r.StatedAt, !r.StatedAt.Before(last)
			}
		}
		out = append(out, s)
	}
	return out
}

// gaps is what is missing for each outcome, a note apart.
func (c *closingCase) gaps(o calls.Outcome) []Missing {
	switch o {
	case calls.ReturnedToService:
		return append(c.engineGaps(nil), c.dangers()...)
	case calls.Limited:
		return slices.Concat(c.needsHazard(), c.engineGaps(c.badBarrier), c.dangers())
	case calls.LeftOutOfService:
		return append(c.needsHazard(), c.unnoticed()...)
	case calls.NoFaultFound:
		return slices.Concat(c.concluded(), c.engineGaps(isPart), c.dangers())
	case calls.CareDone:
		return slices.Concat(c.careGaps(), c.engineGaps(isPart), c.dangers())
	}
	return c.unnoticed()
}

// careGaps is what a call about care alone misses to be done: something
// cleaned, and no fault, which belongs to a call of its own.
func (c *closingCase) careGaps() []Missing {
	if c.call.Complaint != catalogue.CareVisit {
		return []Missing{{"complaint", "This call is about a complaint, not about care alone. Close it with what came of the complaint."}}
	}
	out := c.concluded()
	cleaned := slices.ContainsFunc(c.cleanings, func(cl care.Cleaning) bool {
		return cl.VoidedAt == nil && cl.DoneBy == care.ByUs && !cl.RecordedAt.Before(c.call.OpenedAt)
	})
	if !cleaned {
		out = append(out, Missing{"cleaning", "Record what was cleaned: as an action of the call, or as a cleaning of the unit done by us."})
	}
	return out
}

// engineGaps is what the engine misses before the unit goes back to service,
// of the kinds that keep chooses; nil chooses all. Readings that wait for a
// countersignature prove nothing.
func (c *closingCase) engineGaps(keep func(id string) bool) []Missing {
	stated := map[string]bool{}
	for _, s := range c.statements() {
		stated[s.ID] = s.Counts
	}
	var faults []string
	for _, v := range live(c.conclusions) {
		faults = append(faults, v.Fault)
	}
	out := []Missing{}
	for _, g := range diagnosis.Open(c.kind, c.diagnosisCase(), stated, faults) {
		if keep == nil || keep(g.ID) {
			out = append(out, Missing(g))
		}
	}
	return out
}

func isPart(gap string) bool { return strings.HasPrefix(gap, "part:") }

// badBarrier says whether a gap is a second barrier that does not work.
func (c *closingCase) badBarrier(gap string) bool {
	p, ok := c.kind.Part(strings.TrimPrefix(gap, "part:"))
	return ok && isPart(gap) && p.Role == catalogue.SecondBarrier
}

// dangers lists the hazards, and the safety notices of danger now, that keep
// the unit out of use.
func (c *closingCase) dangers() []Missing {
	var out []Missing
	for _, n := range c.notices {
		if n.Level == customers.NoticeDangerNow {
			out = append(out, Missing{"safety_notice:" + n.ID.String(), fmt.Sprintf("Safety notice: %s.%s Do what it asks and record it as handled, or leave the unit out of service.",
				n.Title, toRead(n.ToRead))})
		}
	}
	for _, h := range c.hazards {
		if h.Stops() {
			out = append(out, Missing{"hazard:" + h.ID.String(),
				fmt.Sprintf("%s (%s), and it is not cleared. Put it right and clear the hazard, or leave the unit out of service.", h.Kind().Plain, h.Level)})
		}
	}
	return out
}

// toRead asks for what of the nameplate would tell whether a notice concerns
// the unit at all.
func toRead(what []string) string {
	if len(what) == 0 {
		return ""
	}
	return " Whether it concerns this unit is not known: read its " + strings.Join(what, " and ") + "."
}

// unnoticed lists dangers the customer has no written notice of: a unit that
// is left as it is must not be left without one.
func (c *closingCase) unnoticed() []Missing {
	var out []Missing
	noticed := false
	for _, h := range c.hazards {
		noticed = noticed || h.ClearedAt == nil && h.NoticeGiven
		if h.Stops() && !h.NoticeGiven {
			out = append(out, Missing{"notice:" + h.ID.String(),
				fmt.Sprintf("%s (%s). Leave a written notice and record the hazard with notice_given.", h.Kind().Plain, h.Level)})
		}
	}
	for _, g := range c.engineGaps(c.badBarrier) {
		if !noticed {
			out = append(out, Missing{g.ID, g.Text + " Record it as a hazard, with a written notice left."})
		}
	}
	return out
}

// needsHazard wants a hazard on record the customer was given notice of.
func (c *closingCase) needsHazard() []Missing {
	for _, h := range c.hazards {
		if h.ClearedAt == nil && h.NoticeGiven {
			return nil
		}
	}
	return []Missing{{"hazard_notice", "Record the hazard that limits the use of the unit, with notice_given: a written notice was left with the customer."}}
}

// concluded lists the faults concluded on a call that found none.
func (c *closingCase) concluded() []Missing {
	var out []Missing
	for _, v := range live(c.conclusions) {
		f, ok := c.kind.Fault(v.Fault)
		if ok && f.Mode == "none" {
			continue
		}
		name := v.Fault
		if ok {
			name = f.Name
		}
		out = append(out, Missing{"fault:" + v.Fault, fmt.Sprintf("%s has been concluded. Void that conclusion, or close with what came of it.", name)})
	}
	return out
}

// noteFor is what the note of an outcome has to say; empty when it may be left
// out.
func (c *closingCase) noteFor(o calls.Outcome) string {
	switch o {
	case calls.LeftOutOfService:
		return "Say in the note how the unit was isolated and labelled."
	case calls.Limited:
		return "Say in the note how the unit may be used and how not."
	case calls.Declined, calls.NotWorthRepairing, calls.NoAccess, calls.Cancelled:
		return "Say in the note why."
	case calls.NoFaultFound:
		if !c.ranAsFound() {
			return "No run of the unit as found is on record. Do one, or say in the note why not."
		}
	}
	return ""
}

// ranAsFound says whether a reading of the running unit as found counts.
func (c *closingCase) ranAsFound() bool {
	return slices.ContainsFunc(c.readings, func(r *Reading) bool {
		ch, ok := c.kind.Check(r.Check)
		return ok && powered(ch) && r.Weighs() && r.NotDone == "" && r.Phase == diagnosis.AsFound
	})
}

// missing is what keeps the call from closing with an outcome and a note.
func (c *closingCase) missing(o calls.Outcome, note string) []Missing {
	out := c.gaps(o)
	if text := c.noteFor(o); text != "" && strings.TrimSpace(note) == "" {
		out = append(out, Missing{"note", text})
	}
	return out
}

func (c *closingCase) closing() Closing {
	out := Closing{Call: c.call, Statements: c.statements()}
	for _, o := range calls.Outcomes() {
		out.Outcomes = append(out.Outcomes, OutcomeGaps{o, c.missing(o, "")})
	}
	return out
}

// ReadClosing gives what keeps a call from closing, outcome by outcome, with
// verdicts brought up to date as Close will. Of a closed call nothing is
// missing.
func (s *Service) ReadClosing(ctx context.Context, p domain.Principal, call domain.ID) (Closing, error) {
	rows, _, err := s.readCase(ctx, p, call)
	if err != nil {
		return Closing{}, err
	}
	c := closingCase{caseRows: *rows}
	if err := s.DB.Read(ctx, p, func(b *pgx.Batch) { c.queue(b, p.Shop, call) }); err != nil {
		return Closing{}, err
	}
	if c.call.Status == calls.Closed {
		return Closing{Call: c.call, Outcomes: []OutcomeGaps{}, Statements: c.statements()}, nil
	}
	return c.closing(), nil
}

// state takes statements over into the case and queues them. A statement made
// again counts from now.
func (c *closingCase) state(b *pgx.Batch, p domain.Principal, now time.Time, ids []string) error {
	var ps domain.Problems
	known := c.statements()
	for i, id := range ids {
		switch {
		case !slices.ContainsFunc(known, func(s Statement) bool { return s.ID == id }):
			ps.Add(pointerAt("/statements", i), "unknown", "The closing list asks for: %s.", statementIDs(known))
		case slices.Contains(ids[:i], id):
			ps.Add(pointerAt("/statements", i), "twice", "State each once.")
		}
	}
	if err := ps.Err(); err != nil {
		return err
	}
	for _, id := range ids {
		c.stated = slices.DeleteFunc(c.stated, func(r statedRow) bool { return r.Statement == id })
		c.stated = append(c.stated, statedRow{id, p.Person, now})
		b.Queue(`INSERT INTO closing_statement (shop_id, call_id, statement, stated_by, stated_at) VALUES ($1, $2, $3, $4, $5)
			ON CONFLICT (shop_id, call_id, statement) DO UPDATE SET stated_by = excluded.stated_by, stated_at = excluded.stated_at`,
			p.Shop, c.call.ID, id, p.Person, now)
	}
	if len(ids) > 0 {
		audit.Queue(b, p, now, audit.Entry{Action: "stated", Entity: "call", ID: c.call.ID, Fields: ids})
	}
	return nil
}

func statementIDs(ss []Statement) string {
	ids := make([]string, 0, len(ss))
	for _, s := range ss {
		ids = append(ids, s.ID)
	}
	return strings.Join(ids, ", ")
}

// queueLocked reads a call for closing and locks it.
func (c *closingCase) queueLocked(b *pgx.Batch, p domain.Principal, now time.Time, call domain.ID) {
	queueLockedCase(b, p, now, call, &c.caseRows)
	c.queue(b, p.Shop, call)
}

// State records what the tech confirms of the closing list of an open call.
func (s *Service) State(ctx context.Context, p domain.Principal, call domain.ID, ids []string) (Closing, error) {
	now := s.Now()
	var c closingCase
	err := s.DB.Write(ctx, p,
		func(b *pgx.Batch) {
			c = closingCase{}
			c.queueLocked(b, p, now, call)
		},
		func(ctx context.Context, tx *pg.Tx) error {
			if err := s.openIn(ctx, tx, &c.caseRows); err != nil {
				return err
			}
			if err := mustBeOpen(c.call); err != nil {
				return err
			}
			if _, err := s.renewAll(ctx, tx, &c.caseRows, now); err != nil { // for the answer; Close stores it
				return err
			}
			b := &pgx.Batch{}
			if err := c.state(b, tx.P, now, ids); err != nil {
				return err
			}
			return tx.Send(ctx, b)
		})
	if err != nil {
		return Closing{}, err
	}
	return c.closing(), nil
}

// End says how a call ends.
type End struct {
	Outcome    calls.Outcome
	Note       string
	Statements []string // confirmed with the closing
}

// check holds an end against its form and the role of p: a dispatcher ends
// only what came to nothing.
func (e End) check(p domain.Principal) error {
	var ps domain.Problems
	if !slices.Contains(calls.Outcomes(), e.Outcome) {
		ps.Add("/outcome", "unknown", "There is no such outcome.")
	}
	ps.Text("/note", e.Note, 0, 2000, true)
	if err := ps.Err(); err != nil {
		return err
	}
	if p.Role == domain.Dispatcher && e.Outcome != calls.NoAccess && e.Outcome != calls.Cancelled {
		return domain.Errorf(domain.Forbidden, "A dispatcher closes a call as no_access or cancelled. Any other outcome is for the one who was at the unit to say.")
	}
	return nil
}

// Close ends a call with an outcome if its version is still version. When
// something is missing for the outcome the error is a Conflict that lists it
// under missing in Extra, and nothing is stored. Visits on site stay as they are.
func (s *Service) Close(ctx context.Context, p domain.Principal, call domain.ID, version int64, e End) (calls.Call, error) {
	if err := e.check(p); err != nil {
		return calls.Call{}, err
	}
	now := s.Now()
	var c closingCase
	err := s.DB.Write(ctx, p,
		func(b *pgx.Batch) {
			c = closingCase{}
			c.queueLocked(b, p, now, call)
		},
		func(ctx context.Context, tx *pg.Tx) error {
			if err := s.openIn(ctx, tx, &c.caseRows); err != nil {
				return err
			}
			b := &pgx.Batch{}
			if err := s.end(ctx, tx, b, &c, version, e, now); err != nil {
				return err
			}
			calls.Close(b, tx.P, now, call, e.Outcome, e.Note)
			if e.Outcome != calls.NoAccess && e.Outcome != calls.Cancelled {
				care.ReportReady(b, tx.P, now, call)
			}
			if err := s.learn(ctx, tx, b, &c, e.Outcome, now); err != nil {
				return err
			}
			return tx.Send(ctx, b)
		})
	if err != nil {
		return calls.Call{}, err
	}
	v := c.call
	v.Status, v.Outcome, v.OutcomeNote, v.ClosedBy, v.ClosedAt, v.StatusSince, v.Version = calls.Closed, e.Outcome, e.Note, p.Person, &now, now, v.Version+1
	return v, nil
}

// end judges the end of a locked call and queues what goes with it.
func (s *Service) end(ctx context.Context, tx *pg.Tx, b *pgx.Batch, c *closingCase, version int64, e End, now time.Time) error {
	if version != domain.AnyVersion && c.call.Version != version {
		return pg.Stale()
	}
	if err := mustBeOpen(c.call); err != nil {
		return err
	}
	renewed, err := s.renewAll(ctx, tx, &c.caseRows, now)
	if err != nil {
		return err
	}
	if err := c.state(b, tx.P, now, e.Statements); err != nil {
		return err
	}
	if missing := c.missing(e.Outcome, e.Note); len(missing) > 0 {
		return notYet(e.Outcome, missing)
	}
	queueSupersede(b, tx.P.Shop, renewed)
	if e.Outcome != calls.LeftOutOfService {
		for _, i := range c.isolations {
			queueEnd(b, tx.P.Shop, i, now, "The call was closed.")
		}
	}
	return nil
}

func notYet(o calls.Outcome, missing []Missing) error {
	list := make([]map[string]string, 0, len(missing))
	for _, m := range missing {
		list = append(list, map[string]string{"id": m.ID, "text": m.Text})
	}
	err := domain.Errorf(domain.Conflict, "The call cannot be closed as %s yet. Missing: %s", o, missing[0].Text)
	if n := len(missing) - 1; n > 0 {
		err.Message += fmt.Sprintf(" And %d more.", n)
	}
	err.Extra = map[string]any{"missing": list}
	return err
}
