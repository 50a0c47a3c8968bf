package api

import (
	"context"
	"math"
	"net/http"

	"drumline/api/wire"
	"drumline/domain"
	"drumline/domain/dispatch"
	"drumline/domain/dispatch/hours"
)

// DispatchRule is how the shop drives and books.
type DispatchRule struct {
	Detour        float64  `json:"detour" doc:"Length of the road as a multiple of the straight line."`
	Speed         Quantity `json:"speed" doc:"Average speed door to door, as km/h."`
	UnknownTravel float64  `json:"unknown_travel_minutes" doc:"Travel to or from a place nobody has located."`
	Window        float64  `json:"window_minutes" doc:"Length of the arrival windows offered."`
	Hold          float64  `json:"hold_minutes" doc:"How long a window is held while somebody is on the phone."`
	LabourDays    int      `json:"guarantee_labour_days"`
	PartDays      int      `json:"guarantee_part_days"`
}

// DispatchRulePatch changes it.
type DispatchRulePatch struct {
	Detour        wire.Opt[float64] `json:"detour,omitzero"`
	KmPerHour     wire.Opt[float64] `json:"speed_km_per_hour,omitzero"`
	UnknownTravel wire.Opt[float64] `json:"unknown_travel_minutes,omitzero"`
	Window        wire.Opt[float64] `json:"window_minutes,omitzero"`
	Hold          wire.Opt[float64] `json:"hold_minutes,omitzero"`
	LabourDays    wire.Opt[int]     `json:"guarantee_labour_days,omitzero"`
	PartDays      wire.Opt[int]     `json:"guarantee_part_days,omitzero"`
}

func viewRule(r dispatch.Rule) DispatchRule {
	return DispatchRule{Detour: r.Detour, Speed: Quantity{wire.NewDecimal(math.Round(r.Speed*3.6*1e6) / 1e6), "km/h"}, UnknownTravel: r.UnknownMinutes, Window: r.WindowMinutes,
		Hold: r.HoldMinutes, LabourDays: r.LabourDays, PartDays: r.PartDays}
}

func (p DispatchRulePatch) apply(r *dispatch.Rule) {
	set(&r.Detour, p.Detour)
	set(&r.UnknownMinutes, p.UnknownTravel)
	set(&r.WindowMinutes, p.Window)
	set(&r.HoldMinutes, p.Hold)
	set(&r.LabourDays, p.LabourDays)
	set(&r.PartDays, p.PartDays)
	if p.KmPerHour.Set {
		r.Speed = p.KmPerHour.V / 3.6
	}
}

// WorkingSpan is one stretch of work.
type WorkingSpan struct {
	Weekday int    `json:"weekday" minimum:"1" maximum:"7" doc:"1 is Monday, 7 Sunday (ISO 8601)."`
	Starts  string `json:"starts" pattern:"^([01][0-9]|2[0-3]):[0-5][0-9]$" doc:"HH:MM in the shop's zone."`
	Ends    string `json:"ends" pattern:"^(([01][0-9]|2[0-3]):[0-5][0-9]|24:00)$" doc:"HH:MM, up to 24:00. Work past midnight is two stretches."`
}

// Coordinates is a place on the Earth.
type Coordinates struct {
	Latitude  float64 `json:"latitude" minimum:"-90" maximum:"90" doc:"Degrees."`
	Longitude float64 `json:"longitude" minimum:"-180" maximum:"180" doc:"Degrees."`
}

// NewWorkingWeek is when a person works.
type NewWorkingWeek struct {
	Spans []WorkingSpan `json:"spans" maxItems:"28"`
	Base  *Coordinates  `json:"base,omitempty" doc:"Where the day begins and ends; absent: not known."`
}

// WorkingWeek is when a person works, as it is on record.
type WorkingWeek struct {
	PersonID domain.ID `json:"person_id"`
	NewWorkingWeek
}

func viewWeek(w dispatch.Week) WorkingWeek {
	out := WorkingWeek{PersonID: w.PersonID, NewWorkingWeek: NewWorkingWeek{Spans: []WorkingSpan{}}}
	for _, s := range w.Spans {
		out.Spans = append(out.Spans, WorkingSpan{s.Weekday, hours.Clock(s.Starts).String(), hours.Clock(s.Ends).String()})
	}
	if w.Latitude != nil && w.Longitude != nil {
		out.Base = &Coordinates{*w.Latitude, *w.Longitude}
	}
	return out
}

func (n NewWorkingWeek) read(person domain.ID) (dispatch.Week, error) {
	w := dispatch.Week{PersonID: person}
	if n.Base != nil {
		w.Latitude, w.Longitude = &n.Base.Latitude, &n.Base.Longitude
	}
	for _, s := range n.Spans {
		from, err := hours.ParseClock(s.Starts)
		if err != nil {
			return w, err
		}
		to, err := hours.ParseClock(s.Ends)
		if err != nil {
			return w, err
		}
		w.Spans = append(w.Spans, dispatch.Span{Weekday: s.Weekday, Starts: int(from), Ends: int(to)})
	}
	return w, nil
}

// NewTimeOff is days on which nobody, or one person, does not work.
type NewTimeOff struct {
	PersonID domain.ID   `json:"person_id,omitzero" doc:"Absent: the whole shop is closed."`
	StartsOn domain.Date `json:"starts_on"`
	EndsOn   domain.Date `json:"ends_on" doc:"The last day."`
	Starts   string      `json:"starts,omitempty" pattern:"^([01][0-9]|2[0-3]):[0-5][0-9]$" doc:"With ends: a part of each day, HH:MM; absent: all day."`
	Ends     string      `json:"ends,omitempty" pattern:"^(([01][0-9]|2[0-3]):[0-5][0-9]|24:00)$"`
	Note     string      `json:"note,omitempty" maxLength:"200"`
}

// TimeOff is days off on record.
type TimeOff struct {
	ID        domain.ID   `json:"id"`
	PersonID  *domain.ID  `json:"person_id,omitempty" doc:"Absent: the whole shop."`
	StartsOn  domain.Date `json:"starts_on"`
	EndsOn    domain.Date `json:"ends_on"`
	Starts    string      `json:"starts,omitempty"`
	Ends      string      `json:"ends,omitempty"`
	Note      string      `json:"note"`
	CreatedAt wire.Time   `json:"created_at"`
}

func viewTimeOff(v dispatch.TimeOff) TimeOff {
	out := TimeOff{ID: v.ID, PersonID: idOrNone(v.PersonID), StartsOn: v.StartsOn, EndsOn: v.EndsOn, Note: v.Note, CreatedAt: wire.At(v.CreatedAt)}
	if v.Starts != nil && v.Ends != nil {
		out.Starts, out.Ends = hours.Clock(*v.Starts).String(), hours.Clock(*v.Ends).String()
	}
	return out
}

func (n NewTimeOff) read() (dispatch.TimeOff, error) {
	v := dispatch.TimeOff{PersonID: n.PersonID, StartsOn: n.StartsOn, EndsOn: n.EndsOn, Note: n.Note}
	for _, x := range []struct {
		text string
		dst  **int
	}{{n.Starts, &v.Starts}, {n.Ends, &v.Ends}} {
		if x.text == "" {
			continue
		}
		c, err := hours.ParseClock(x.text)
		if err != nil {
			return v, err
		}
		minutes := int(c)
		*x.dst = &minutes
	}
	return v, nil
}

func timeOffID(v dispatch.TimeOff) domain.ID { return v.ID }

func (a *API) registerDispatch(e *Edge) {
	const tag = "dispatch"
	register(e, show("read-dispatch-rule", "/v1/dispatch-rule", tag, anyone, "Show how the shop drives and books"),
		func(ctx context.Context, _ *struct{}) (*item[DispatchRule], error) {
			r, err := a.Dispatch.ReadRule(ctx, principal(ctx))
			return itemOf(r.Version, viewRule(r)), err
		})
	register(e, change("change-dispatch-rule", "/v1/dispatch-rule", tag, ownerly, "Change how the shop drives and books"),
		func(ctx context.Context, in *struct{ Body DispatchRulePatch }) (*item[DispatchRule], error) {
			r, err := a.Dispatch.ChangeRule(ctx, principal(ctx), ifMatch(ctx), in.Body.apply)
			return itemOf(r.Version, viewRule(r)), err
		})
	register(e, show("read-working-week", "/v1/people/{id}/working-week", tag, anyone, "Show when a person works"),
		func(ctx context.Context, in *ByID) (*item[WorkingWeek], error) {
			w, err := a.Dispatch.ReadWeek(ctx, principal(ctx), in.ID)
			return itemOf(w.Version, viewWeek(w)), err
		})
	register(e, Op{ID: "put-working-week", Method: http.MethodPut, Path: "/v1/people/{id}/working-week", Roles: office, Tags: []string{tag}, IfMatch: true,
		Summary: "State when a person works", Errors: []int{http.StatusUnprocessableEntity},
		Description: "Civil times of the shop's zone: they hold across both changes of the clock. Visits that are booked already stay."},
		func(ctx context.Context, in *struct {
			ByID
			Body NewWorkingWeek
		}) (*item[WorkingWeek], error) {
			w, err := in.Body.read(in.ID)
			if err == nil {
				w, err = a.Dispatch.PutWeek(ctx, principal(ctx), ifMatch(ctx), w)
			}
			return itemOf(w.Version, viewWeek(w)), err
		})
	a.registerTimeOff(e, tag)
	a.registerSlots(e, tag)
}

func (a *API) registerTimeOff(e *Edge, tag string) {
	const op, base = "create-time-off", "/v1/time-off"
	register(e, create(op, base, tag, office, "Enter days off", "Of one person, or without a person of the whole shop. Visits that are booked already stay: see the day sheets."),
		func(ctx context.Context, in *struct {
			RawBody []byte
			Body    NewTimeOff
		}) (*made[TimeOff], error) {
			v, err := in.Body.read()
			if err != nil {
				return nil, err
			}
			got, replayed, err := a.Dispatch.AddTimeOff(ctx, principal(ctx), onceKey(ctx, op, in.RawBody), v)
			return madeOf(base+"/"+got.ID.String(), 0, replayed, viewTimeOff(got)), err
		})
	register(e, show("list-time-off", base, tag, anyone, "List days off, oldest entry first"),
		func(ctx context.Context, in *struct {
			Paging
			From  domain.Date `query:"from" doc:"Time off that ends on this day or later."`
			Until domain.Date `query:"until" doc:"Time off that begins on this day or earlier."`
		}) (*page[TimeOff], error) {
			var after domain.ID
			return list(ctx, a, in.Paging, &after, func(n int) ([]dispatch.TimeOff, error) {
				return a.Dispatch.ListTimeOff(ctx, principal(ctx), in.From, in.Until, after, n)
			}, timeOffID, viewTimeOff)
		})
	register(e, Op{ID: "drop-time-off", Method: http.MethodDelete, Path: base + "/{id}", Roles: office, Tags: []string{tag}, Status: http.StatusNoContent,
		Summary: "Take days off back"},
		func(ctx context.Context, in *ByID) (*struct{}, error) {
			return nil, a.Dispatch.DropTimeOff(ctx, principal(ctx), in.ID)
		})
}
