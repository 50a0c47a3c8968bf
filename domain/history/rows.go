package history

import (
	"cmp"
	"slices"
	"time"

	"drumline/domain"
)

// careOnly is the complaint of calls about care alone: they are neither repairs
// nor come-backs.
const careOnly = "care"

// What ended the time a repair lasted.
const (
	Lasts = 0 // nothing so far
	Same  = 1 // the same complaint, or the same fault
	Other = 2 // another one
)

// CallRow is one call that put a unit back to service, and how long that
// lasted: until the next call about the unit.
type CallRow struct {
	CallID    domain.ID   `db:"call_id"`
	UnitID    domain.ID   `db:"unit_id"`
	Kind      string      `db:"kind"`
	Model     string      `db:"model"`
	Complaint string      `db:"complaint"`
	TechID    domain.ID   `db:"tech_id"`
	ClosedOn  domain.Date `db:"closed_on"`
	EndedOn   domain.Date `db:"ended_on"` // zero: nothing has come
	Cause     int         `db:"cause"`
	NextCall  domain.ID   `db:"next_call"`
	Visits    int         `db:"visits"`
}

// RepairRow is one repair of one fault on such a call, and how long it lasted:
// until a fault was found on a later call.
type RepairRow struct {
	ConclusionID domain.ID   `db:"conclusion_id"`
	CallID       domain.ID   `db:"call_id"`
	UnitID       domain.ID   `db:"unit_id"`
	Kind         string      `db:"kind"`
	Model        string      `db:"model"`
	Complaint    string      `db:"complaint"`
	Part         string      `db:"part"`
	Fault        string      `db:"fault"`
	PartNumber   string      `db:"part_number"`
	PartSource   string      `db:"part_source"`
	Lot          string      `db:"lot"`
	TechID       domain.ID   `db:"tech_id"`
	FixedOn      domain.Date `db:"fixed_on"`
	EndedOn      domain.Date `db:"ended_on"`
	Cause        int         `db:"cause"`
}

// rawCall, rawConclusion and rawUnit are a unit as the views show it.
type rawCall struct {
	CallID    domain.ID  `db:"call_id"`
	UnitID    domain.ID  `db:"unit_id"`
	Complaint string     `db:"complaint"`
	Outcome   string     `db:"outcome"`
	OpenedAt  time.Time  `db:"opened_at"`
	ClosedAt  *time.Time `db:"closed_at"`
	ClosedBy  domain.ID  `db:"closed_by"`
	Visits    int        `db:"visits"`
}

type rawConclusion struct {
	ConclusionID domain.ID `db:"conclusion_id"`
	CallID       domain.ID `db:"call_id"`
	UnitID       domain.ID `db:"unit_id"`
	Part         string    `db:"part"`
	Fault        string    `db:"fault"`
	Mended       bool      `db:"mended"`
	ConcludedBy  domain.ID `db:"concluded_by"`
	PartNumber   string    `db:"part_number"`
	PartSource   string    `db:"part_source"`
	Lot          string    `db:"lot"`
}

type rawUnit struct {
	UnitID    domain.ID  `db:"unit_id"`
	Kind      string     `db:"kind"`
	Model     string     `db:"model"`
	RetiredAt *time.Time `db:"retired_at"`
}

// unitHistory is all that is on record of one unit's calls.
type unitHistory struct {
	unit        rawUnit
	calls       []rawCall
	conclusions []rawConclusion
	zone        *time.Location
}

func (h *unitHistory) on(t time.Time) domain.Date { return domain.DateOf(t.In(h.zone)) }

// rows puts the history of a unit together. A call that was cancelled is no
// come-back, and neither is one about care.
func (h *unitHistory) rows() ([]CallRow, []RepairRow) {
	h.calls = slices.DeleteFunc(slices.Clone(h.calls), func(c rawCall) bool { return c.Outcome == "cancelled" || c.Complaint == careOnly })
	slices.SortFunc(h.calls, func(a, b rawCall) int {
		return cmp.Or(a.OpenedAt.Compare(b.OpenedAt), cmp.Compare(a.CallID.String(), b.CallID.String()))
	})
	var calls []CallRow
	var repairs []RepairRow
	for i, c := range h.calls {
		if c.Outcome != "returned_to_service" || c.ClosedAt == nil {
			continue
		}
		calls = append(calls, h.callRow(c, h.after(i)))
		for _, n := range h.of(c.CallID) {
			if n.Mended {
				repairs = append(repairs, h.repairRow(c, n, h.after(i)))
			}
		}
	}
	return calls, repairs
}

// after gives the calls opened after a call was closed, in order.
func (h *unitHistory) after(i int) []rawCall {
	var out []rawCall
	for _, c := range h.calls {
		if c.OpenedAt.After(*h.calls[i].ClosedAt) {
			out = append(out, c)
		}
	}
	return out
}

func (h *unitHistory) of(call domain.ID) []rawConclusion {
	var out []rawConclusion
	for _, n := range h.conclusions {
		if n.CallID == call {
			out = append(out, n)
		}
	}
	slices.SortFunc(out, func(a, b rawConclusion) int { return cmp.Compare(a.ConclusionID.String(), b.ConclusionID.String()) })
	return out
}

// callRow follows a call to the next about the unit. It is the same again when
// the complaint is, or when a fault mended then is found once more.
func (h *unitHistory) callRow(c rawCall, later []rawCall) CallRow {
	r := CallRow{CallID: c.CallID, UnitID: c.UnitID, Kind: h.unit.Kind, Model: h.unit.Model, Complaint: c.Complaint, TechID: c.ClosedBy,
		ClosedOn: h.on(*c.ClosedAt), Visits: c.Visits}
	mended := map[string]bool{}
	for i, n := range h.of(c.CallID) {
		if mended[n.Fault] = n.Mended; i == 0 {
			r.TechID = n.ConcludedBy
		}
	}
	for i, l := range later {
		if i > 0 && h.on(l.OpenedAt) != r.EndedOn {
			break
		}
		cause := Other
		if l.Complaint == c.Complaint || slices.ContainsFunc(h.of(l.CallID), func(n rawConclusion) bool { return mended[n.Fault] }) {
			cause = Same
		}
		if i == 0 || cause == Same && r.Cause == Other {
			r.EndedOn, r.Cause, r.NextCall = h.on(l.OpenedAt), cause, l.CallID
		}
	}
	r.EndedOn, r.Cause = h.retired(r.EndedOn, r.Cause)
	if r.Cause == Lasts {
		r.NextCall = domain.ID{}
	}
	return r
}

// repairRow follows the repair of a fault to the next fault found on the unit.
func (h *unitHistory) repairRow(c rawCall, n rawConclusion, later []rawCall) RepairRow {
	r := RepairRow{ConclusionID: n.ConclusionID, CallID: c.CallID, UnitID: c.UnitID, Kind: h.unit.Kind, Model: h.unit.Model, Complaint: c.Complaint, Part: n.Part,
		Fault: n.Fault, PartNumber: n.PartNumber, PartSource: n.PartSource, Lot: n.Lot, TechID: n.ConcludedBy, FixedOn: h.on(*c.ClosedAt)}
	for _, l := range later {
		found := h.of(l.CallID)
		if len(found) == 0 {
			continue
		}
		on := h.on(l.OpenedAt)
		if !r.EndedOn.IsZero() && on != r.EndedOn {
			break
		}
		cause := Other
		if slices.ContainsFunc(found, func(x rawConclusion) bool { return x.Fault == n.Fault }) {
			cause = Same
		}
		if r.EndedOn.IsZero() || cause == Same {
			r.EndedOn, r.Cause = on, cause
		}
	}
	r.EndedOn, r.Cause = h.retired(r.EndedOn, r.Cause)
	return r
}

// retired ends the time with the unit, if that comes first.
func (h *unitHistory) retired(on domain.Date, cause int) (domain.Date, int) {
	if h.unit.RetiredAt == nil {
		return on, cause
	}
	if gone := h.on(*h.unit.RetiredAt); on.IsZero() || gone.Before(on) {
		return gone, Lasts
	}
	return on, cause
}

// days is how long a row was followed by the day of the data cut, and what
// ended it then; ok is false for one that had not begun to be.
func days(from, ended domain.Date, cause int, cut domain.Date) (exit, by int, ok bool) {
	if !from.Before(cut) {
		return 0, 0, false
	}
	if ended.IsZero() || cut.Before(ended) {
		ended, cause = cut, Lasts
	}
	return max(1, int(ended.Time().Sub(from.Time())/(24*time.Hour))), cause, true
}
