package api

import (
	"context"
	"net/http"

	"drumline/api/wire"
	"drumline/domain"
	"drumline/domain/customers"
)

// NewSafetyNotice is a safety notice to enter.
type NewSafetyNotice struct {
	Kind       string      `json:"kind" maxLength:"60" doc:"A kind of the catalogue."`
	Maker      string      `json:"maker,omitempty" maxLength:"80" doc:"As the notice names it. It is compared without case, spaces and punctuation, and one that begins like the other counts as the same."`
	Model      string      `json:"model" minLength:"1" maxLength:"80" doc:"Compared without case, spaces and punctuation. A * at the end means every model that begins like this."`
	SerialFrom string      `json:"serial_from,omitempty" maxLength:"80" doc:"The first serial number concerned; absent: from the beginning."`
	SerialTo   string      `json:"serial_to,omitempty" maxLength:"80" doc:"The last serial number concerned; absent: without end."`
	Title      string      `json:"title" minLength:"1" maxLength:"200" doc:"What it warns of, in words that may be read to the customer."`
	WhatToDo   string      `json:"what_to_do" minLength:"1" maxLength:"2000" doc:"For office and tech. It may not tell anyone to put a safety device out of action."`
	Level      string      `json:"level" enum:"danger_now,at_risk,information" doc:"danger_now: must not be used as it is; the customer is told so when a call is opened."`
	Reference  string      `json:"reference" minLength:"1" maxLength:"400" doc:"Who published it, and its number."`
	IssuedOn   domain.Date `json:"issued_on"`
}

// SafetyNoticePatch changes a safety notice.
type SafetyNoticePatch struct {
	Kind       *string          `json:"kind,omitempty" maxLength:"60"`
	Maker      wire.Opt[string] `json:"maker,omitzero" maxLength:"80"`
	Model      *string          `json:"model,omitempty" minLength:"1" maxLength:"80"`
	SerialFrom wire.Opt[string] `json:"serial_from,omitzero" maxLength:"80"`
	SerialTo   wire.Opt[string] `json:"serial_to,omitzero" maxLength:"80"`
	Title      *string          `json:"title,omitempty" minLength:"1" maxLength:"200"`
	WhatToDo   *string          `json:"what_to_do,omitempty" minLength:"1" maxLength:"2000"`
	Level      *string          `json:"level,omitempty" enum:"danger_now,at_risk,information"`
	Reference  *string          `json:"reference,omitempty" minLength:"1" maxLength:"400"`
	IssuedOn   *domain.Date     `json:"issued_on,omitempty"`
}

// SafetyNotice is what a maker or an authority warns of, for a model and a
// range of serial numbers.
type SafetyNotice struct {
	ID         domain.ID   `json:"id"`
	Kind       string      `json:"kind"`
	Maker      string      `json:"maker"`
	Model      string      `json:"model"`
	SerialFrom string      `json:"serial_from"`
	SerialTo   string      `json:"serial_to"`
	Title      string      `json:"title"`
	WhatToDo   string      `json:"what_to_do"`
	Level      string      `json:"level"`
	Reference  string      `json:"reference"`
	IssuedOn   domain.Date `json:"issued_on"`
	CreatedAt  wire.Time   `json:"created_at"`
	UpdatedAt  wire.Time   `json:"updated_at"`
	RetiredAt  *wire.Time  `json:"retired_at,omitempty"`
}

// UnitNotice is a safety notice as it stands beside a unit it touches.
type UnitNotice struct {
	ID       domain.ID `json:"id" doc:"Of the safety notice."`
	Title    string    `json:"title"`
	Level    string    `json:"level" doc:"danger_now, at_risk or information."`
	WhatToDo string    `json:"what_to_do"`
	Say      string    `json:"say,omitempty" doc:"Tell the customer at once. Only of level danger_now."`
	Certain  bool      `json:"certain" doc:"false: by what is on record the unit cannot be ruled out. Read what to_read names off the nameplate."`
	ToRead   []string  `json:"to_read" doc:"maker, model or serial: what is missing on record, or does not fit the notice's."`
}

// HandledNotice is a safety notice beside a unit, with the record that it was
// handled.
type HandledNotice struct {
	UnitNotice
	Handled *NoticeHandling `json:"handled,omitempty" doc:"Absent: still to be seen to."`
}

// NoticedUnit is a unit a safety notice touches.
type NoticedUnit struct {
	UnitID     domain.ID       `json:"unit_id"`
	SiteID     domain.ID       `json:"site_id"`
	CustomerID domain.ID       `json:"customer_id"`
	Maker      string          `json:"maker"`
	Model      string          `json:"model"`
	Serial     string          `json:"serial"`
	Certain    bool            `json:"certain"`
	ToRead     []string        `json:"to_read" doc:"What to read off the nameplate before it can be ruled in or out."`
	Handled    *NoticeHandling `json:"handled,omitempty"`
}

// NewNoticeHandling says that a notice was handled for a unit.
type NewNoticeHandling struct {
	DoneOn domain.Date `json:"done_on" doc:"Not after today at the unit."`
	DoneBy string      `json:"done_by" minLength:"1" maxLength:"200" doc:"Who did it: the tech, the maker's service."`
	Note   string      `json:"note" minLength:"1" maxLength:"2000" doc:"What was done, or what the nameplate said that rules the unit out."`
}

// NoticeVoid takes a record back.
type NoticeVoid struct {
	Reason string `json:"reason" minLength:"1" maxLength:"400"`
}

// NoticeHandling is the record that a notice was handled for a unit.
type NoticeHandling struct {
	ID         domain.ID   `json:"id"`
	NoticeID   domain.ID   `json:"notice_id"`
	UnitID     domain.ID   `json:"unit_id"`
	DoneOn     domain.Date `json:"done_on"`
	DoneBy     string      `json:"done_by"`
	Note       string      `json:"note"`
	RecordedBy domain.ID   `json:"recorded_by"`
	RecordedAt wire.Time   `json:"recorded_at"`
	VoidedAt   *wire.Time  `json:"voided_at,omitempty"`
	VoidedBy   *domain.ID  `json:"voided_by,omitempty"`
	VoidReason string      `json:"void_reason,omitempty"`
}

func viewNotice(n customers.Notice) SafetyNotice {
	return SafetyNotice{ID: n.ID, Kind: n.Kind, Maker: n.Maker, Model: n.Model, SerialFrom: n.SerialFrom, SerialTo: n.SerialTo, Title: n.Title,
		WhatToDo: n.WhatToDo, Level: string(n.Level), Reference: n.Reference, IssuedOn: n.IssuedOn,
		CreatedAt: wire.At(n.CreatedAt), UpdatedAt: wire.At(n.UpdatedAt), RetiredAt: timeOrNone(n.RetiredAt)}
}

func viewUnitNotice(f customers.NoticeFlag) UnitNotice {
	return UnitNotice{ID: f.ID, Title: f.Title, Level: string(f.Level), WhatToDo: f.WhatToDo, Say: f.Say(), Certain: f.Certain(), ToRead: texts(f.ToRead)}
}

func viewNotices(flags []customers.NoticeFlag) []UnitNotice {
	return viewed(flags, func(f *customers.NoticeFlag) UnitNotice { return viewUnitNotice(*f) })
}

func viewHandledNotice(f customers.NoticeFlag) HandledNotice {
	return HandledNotice{viewUnitNotice(f), viewHandled(f.Handled)}
}

func viewNoticedUnit(u customers.NoticedUnit) NoticedUnit {
	return NoticedUnit{UnitID: u.UnitID, SiteID: u.SiteID, CustomerID: u.CustomerID, Maker: u.Maker, Model: u.Model, Serial: u.Serial,
		Certain: u.Flag.Certain(), ToRead: texts(u.Flag.ToRead), Handled: viewHandled(u.Flag.Handled)}
}

func viewHandling(h customers.Handling) NoticeHandling {
	return NoticeHandling{ID: h.ID, NoticeID: h.NoticeID, UnitID: h.UnitID, DoneOn: h.DoneOn, DoneBy: h.DoneBy, Note: h.Note,
		RecordedBy: h.RecordedBy, RecordedAt: wire.At(h.RecordedAt), VoidedAt: timeOrNone(h.VoidedAt), VoidedBy: idOrNone(h.VoidedBy), VoidReason: h.VoidReason}
}

func viewHandled(h *customers.Handling) *NoticeHandling {
	if h == nil {
		return nil
	}
	v := viewHandling(*h)
	return &v
}

func (p SafetyNoticePatch) edit(n *customers.Notice) {
	for _, c := range []struct {
		dst *string
		src *string
	}{{&n.Kind, p.Kind}, {&n.Model, p.Model}, {&n.Title, p.Title}, {&n.WhatToDo, p.WhatToDo}, {&n.Reference, p.Reference}} {
		if c.src != nil {
			*c.dst = *c.src
		}
	}
	if p.Level != nil {
		n.Level = customers.NoticeLevel(*p.Level)
	}
	if p.IssuedOn != nil {
		n.IssuedOn = *p.IssuedOn
	}
	set(&n.Maker, p.Maker)
	set(&n.SerialFrom, p.SerialFrom)
	set(&n.SerialTo, p.SerialTo)
}

const noticeText = `What a maker or an authority warns of. Units it touches are flagged when a call is opened, on visits and on the unit until it is
recorded as handled for them. What cannot be ruled out is flagged, with certain false and what to read off the nameplate: a unit without a serial
number; one whose number is not built like a bound of the range (as long, letters and digits in the same places); one whose model is only the
beginning of the notice's, or missing; one of another maker under the same model. Serial numbers are compared by their capitals and digits, the
shorter before the longer, then as text; both bounds belong to the range. Enter each model of a list as a notice of its own, or end the
model with * for all that begin alike. The text of the notice as published, local codes, licensed trades and the maker's instructions come first.`

func (a *API) registerNotices(e *Edge) {
	const op = "create-safety-notice"
	register(e, create(op, "/v1/safety-notices", "safety notices", ownerly, "Enter a safety notice", noticeText),
		func(ctx context.Context, in *struct {
			RawBody []byte
			Body    NewSafetyNotice
		}) (*made[SafetyNotice], error) {
			n := in.Body
			v, replayed, err := a.Customers.CreateNotice(ctx, principal(ctx), onceKey(ctx, op, in.RawBody), customers.Notice{Kind: n.Kind, Maker: n.Maker,
				Model: n.Model, SerialFrom: n.SerialFrom, SerialTo: n.SerialTo, Title: n.Title, WhatToDo: n.WhatToDo,
				Level: customers.NoticeLevel(n.Level), Reference: n.Reference, IssuedOn: n.IssuedOn})
			return madeOf("/v1/safety-notices/"+v.ID.String(), v.Version, replayed, viewNotice(v)), err
		})
	register(e, show("list-safety-notices", "/v1/safety-notices", "safety notices", anyone, "List safety notices in the order they were entered"), a.listNotices)
	register(e, show("read-safety-notice", "/v1/safety-notices/{id}", "safety notices", anyone, "Show a safety notice"),
		func(ctx context.Context, in *ByID) (*item[SafetyNotice], error) {
			n, err := a.Customers.ReadNotice(ctx, principal(ctx), in.ID)
			return itemOf(n.Version, viewNotice(n)), err
		})
	patch := change("change-safety-notice", "/v1/safety-notices/{id}", "safety notices", ownerly, "Change a safety notice")
	patch.Description += " What was recorded as handled stays so: when a notice asks for something new, enter a new one."
	register(e, patch, func(ctx context.Context, in *struct {
		ByID
		Body SafetyNoticePatch
	}) (*item[SafetyNotice], error) {
		n, err := a.Customers.ChangeNotice(ctx, principal(ctx), in.ID, ifMatch(ctx), in.Body.edit)
		return itemOf(n.Version, viewNotice(n)), err
	})
	register(e, retire("retire-safety-notice", "/v1/safety-notices/{id}", "safety notices", ownerly, "Retire a safety notice: it flags no unit any more"),
		func(ctx context.Context, in *ByID) (*struct{}, error) {
			return nil, a.Customers.RetireNotice(ctx, principal(ctx), in.ID, ifMatch(ctx))
		})
	a.registerNoticedUnits(e)
	a.registerNoticeHandlings(e)
}

type noticesQuery struct {
	Paging
	Kind    string `query:"kind" maxLength:"60"`
	Level   string `query:"level" enum:"danger_now,at_risk,information"`
	Retired bool   `query:"include_retired"`
}

func (a *API) listNotices(ctx context.Context, in *noticesQuery) (*page[SafetyNotice], error) {
	f := customers.NoticeFilter{Kind: in.Kind, Level: customers.NoticeLevel(in.Level), Retired: in.Retired}
	var after domain.ID
	return list(ctx, a, in.Paging, &after, func(n int) ([]customers.Notice, error) {
		return a.Customers.ListNotices(ctx, principal(ctx), f, after, n)
	}, func(n customers.Notice) domain.ID { return n.ID }, viewNotice)
}

func (a *API) registerNoticedUnits(e *Edge) {
	op := show("list-noticed-units", "/v1/safety-notices/{id}/units", "safety notices", office, "List the units in use that a safety notice touches")
	op.Description = "Those it cannot rule out are among them, with certain false. Units it was handled for are left out unless asked for. A retired notice touches none."
	register(e, op, func(ctx context.Context, in *struct {
		ByID
		Paging
		Handled bool `query:"include_handled"`
	}) (*page[NoticedUnit], error) {
		var after domain.ID
		return list(ctx, a, in.Paging, &after, func(n int) ([]customers.NoticedUnit, error) {
			return a.Customers.NoticedUnits(ctx, principal(ctx), in.ID, in.Handled, after, n)
		}, func(u customers.NoticedUnit) domain.ID { return u.UnitID }, viewNoticedUnit)
	})
	register(e, show("list-unit-notices", "/v1/units/{id}/safety-notices", "safety notices", anyone,
		"List the safety notices that touch a unit, the gravest first, handled ones among them"),
		func(ctx context.Context, in *ByID) (*page[HandledNotice], error) {
			flags, err := a.Customers.UnitNotices(ctx, principal(ctx), in.ID)
			return everything(flags, viewHandledNotice), err
		})
}

func (a *API) registerNoticeHandlings(e *Edge) {
	const op = "handle-safety-notice"
	record := create(op, "/v1/units/{id}/safety-notices/{notice_id}/handled", "safety notices", anyone, "Record that a safety notice was handled for a unit",
		"What it asks was done, or the nameplate showed that the unit is not concerned. The notice flags the unit no longer. A tech records it for units of their visits.")
	record.Errors = append(record.Errors, http.StatusConflict)
	register(e, record, func(ctx context.Context, in *struct {
		ByID
		NoticeID domain.ID `path:"notice_id" doc:"Id of the safety notice."`
		RawBody  []byte
		Body     NewNoticeHandling
	}) (*made[NoticeHandling], error) {
		n := in.Body
		h, replayed, err := a.Customers.HandleNotice(ctx, principal(ctx), onceKey(ctx, op, in.RawBody), in.ID, in.NoticeID,
			customers.Handling{DoneOn: n.DoneOn, DoneBy: n.DoneBy, Note: n.Note})
		return madeOf("/v1/units/"+in.ID.String()+"/safety-notices", 0, replayed, viewHandling(h)), err
	})
	register(e, Op{ID: "void-notice-handling", Method: http.MethodPost, Path: "/v1/safety-notice-handlings/{id}/void", Tags: []string{"safety notices"},
		Roles: office, Errors: []int{http.StatusUnprocessableEntity}, Summary: "Take back the record that a safety notice was handled",
		Description: "The notice flags the unit again. Voiding it again changes nothing."},
		func(ctx context.Context, in *struct {
			ByID
			Body NoticeVoid
		}) (*struct{ Body NoticeHandling }, error) {
			h, err := a.Customers.VoidHandling(ctx, principal(ctx), in.ID, in.Body.Reason)
			return &struct{ Body NoticeHandling }{viewHandling(h)}, err
		})
}
