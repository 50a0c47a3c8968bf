package api

import (
	"context"
	"encoding/hex"
	"net/http"

	"drumline/api/wire"
	"drumline/domain"
	"drumline/domain/care"
	"drumline/domain/dispatch/hours"
)

// CarePolicy is how and when the shop writes to its customers.
type CarePolicy struct {
	Enabled       bool       `json:"enabled" doc:"Nothing is planned or sent before."`
	Paused        bool       `json:"paused" doc:"Nothing is sent; what becomes useless meanwhile is missed."`
	DryRun        bool       `json:"dry_run" doc:"Everything but the sending. What was not sent is not sent later."`
	Language      string     `json:"language"`
	SenderName    string     `json:"sender_name"`
	SenderAddress string     `json:"sender_address"`
	ReplyTo       string     `json:"reply_to"`
	Phone         string     `json:"phone"`
	PostalAddress string     `json:"postal_address"`
	Greeting      string     `json:"greeting"`
	Closing       string     `json:"closing"`
	LeadDays      []int      `json:"lead_days" doc:"Days before the due date, negative after it; one message for each."`
	GraceDays     int        `json:"grace_days" doc:"Days after the due date a message is still worth sending."`
	WindowFrom    string     `json:"window_from" doc:"HH:MM at the site."`
	WindowTo      string     `json:"window_to"`
	SeasonFrom    *int       `json:"season_from,omitempty" doc:"First month (1 to 12) the shop would rather clean in."`
	SeasonTo      *int       `json:"season_to,omitempty" doc:"Last such month."`
	Tasks         []string   `json:"tasks" doc:"Tasks that are written about; none: all that are ours to do."`
	PerMinute     int        `json:"per_minute"`
	Flood         int        `json:"flood" doc:"More than so many late by a day at once wait for the owner's word."`
	ConfirmVisits bool       `json:"confirm_visits"`
	DayBefore     bool       `json:"day_before"`
	SendReport    bool       `json:"send_report"`
	Late          int        `json:"late" doc:"Messages about care that are late by more than a day."`
	HeldBack      bool       `json:"held_back" doc:"They wait for the owner's word: let-go."`
	FloodUntil    *wire.Time `json:"flood_until,omitempty" doc:"The owner's word holds until then."`
	BounceKey     string     `json:"bounce_key,omitempty" doc:"Hexadecimal; signs reports of returned mail. Shown to the owner alone."`
}

// CarePolicyPatch changes it.
type CarePolicyPatch struct {
	Enabled       wire.Opt[bool]     `json:"enabled,omitzero"`
	Paused        wire.Opt[bool]     `json:"paused,omitzero"`
	DryRun        wire.Opt[bool]     `json:"dry_run,omitzero"`
	Language      wire.Opt[string]   `json:"language,omitzero"`
	SenderName    wire.Opt[string]   `json:"sender_name,omitzero"`
	SenderAddress wire.Opt[string]   `json:"sender_address,omitzero"`
	ReplyTo       wire.Opt[string]   `json:"reply_to,omitzero"`
	Phone         wire.Opt[string]   `json:"phone,omitzero"`
	PostalAddress wire.Opt[string]   `json:"postal_address,omitzero"`
	Greeting      wire.Opt[string]   `json:"greeting,omitzero"`
	Closing       wire.Opt[string]   `json:"closing,omitzero"`
	LeadDays      wire.Opt[[]int]    `json:"lead_days,omitzero"`
	GraceDays     wire.Opt[int]      `json:"grace_days,omitzero"`
	WindowFrom    wire.Opt[string]   `json:"window_from,omitzero"`
	WindowTo      wire.Opt[string]   `json:"window_to,omitzero"`
	SeasonFrom    wire.Opt[int]      `json:"season_from,omitzero"`
	SeasonTo      wire.Opt[int]      `json:"season_to,omitzero"`
	Tasks         wire.Opt[[]string] `json:"tasks,omitzero"`
	PerMinute     wire.Opt[int]      `json:"per_minute,omitzero"`
	Flood         wire.Opt[int]      `json:"flood,omitzero"`
	ConfirmVisits wire.Opt[bool]     `json:"confirm_visits,omitzero"`
	DayBefore     wire.Opt[bool]     `json:"day_before,omitzero"`
	SendReport    wire.Opt[bool]     `json:"send_report,omitzero"`
}

func viewPolicy(v care.Policy, h care.Held, owner bool) CarePolicy {
	out := CarePolicy{Enabled: v.Enabled, Paused: v.Paused, DryRun: v.DryRun, Language: v.Language, SenderName: v.SenderName, SenderAddress: v.SenderAddress,
		ReplyTo: v.ReplyTo, Phone: v.Phone, PostalAddress: v.PostalAddress, Greeting: v.Greeting, Closing: v.Closing, LeadDays: v.LeadDays, GraceDays: v.GraceDays,
		WindowFrom: v.WindowFrom.String(), WindowTo: v.WindowTo.String(), SeasonFrom: v.SeasonFrom, SeasonTo: v.SeasonTo, Tasks: v.Tasks, PerMinute: v.PerMinute,
		Flood: v.Flood, ConfirmVisits: v.ConfirmVisits, DayBefore: v.DayBefore, SendReport: v.SendReport, Late: h.Late, HeldBack: h.Holds, FloodUntil: timeOrNone(v.FloodUntil)}
	if owner {
		out.BounceKey = hex.EncodeToString(v.BounceKey)
	}
	return out
}

// clocks reads the two times of a patch.
func (p CarePolicyPatch) clocks() (from, to wire.Opt[hours.Clock], err error) {
	var ps domain.Problems
	for _, x := range []struct {
		pointer string
		text    wire.Opt[string]
		dst     *wire.Opt[hours.Clock]
	}{{"/window_from", p.WindowFrom, &from}, {"/window_to", p.WindowTo, &to}} {
		if !x.text.Set {
			continue
		}
		c, err := hours.ParseClock(x.text.V)
		if err != nil {
			ps.Add(x.pointer, "format", "A time of day is written HH:MM.")
		}
		*x.dst = wire.Opt[hours.Clock]{Set: true, V: c}
	}
	return from, to, ps.Err()
}

func (p CarePolicyPatch) apply(v *care.Policy, from, to wire.Opt[hours.Clock]) {
	set(&v.Enabled, p.Enabled)
	set(&v.Paused, p.Paused)
	set(&v.DryRun, p.DryRun)
	set(&v.Language, p.Language)
	set(&v.SenderName, p.SenderName)
	set(&v.SenderAddress, p.SenderAddress)
	set(&v.ReplyTo, p.ReplyTo)
	set(&v.Phone, p.Phone)
	set(&v.PostalAddress, p.PostalAddress)
	set(&v.Greeting, p.Greeting)
	set(&v.Closing, p.Closing)
	set(&v.LeadDays, p.LeadDays)
	set(&v.GraceDays, p.GraceDays)
	set(&v.WindowFrom, from)
	set(&v.WindowTo, to)
	setPtr(&v.SeasonFrom, p.SeasonFrom)
	setPtr(&v.SeasonTo, p.SeasonTo)
	set(&v.PerMinute, p.PerMinute)
	set(&v.Flood, p.Flood)
	set(&v.ConfirmVisits, p.ConfirmVisits)
	set(&v.DayBefore, p.DayBefore)
	set(&v.SendReport, p.SendReport)
	if set(&v.Tasks, p.Tasks); v.Tasks == nil {
		v.Tasks = []string{}
	}
}

const policyText = `Who writes, in which language, when and about what. Messages leave between 08:00 and 20:00 at the site, whatever the window; a customer
gets one message about care a day, for all units together. After an outage only the most urgent message about a date is sent, and many at once wait for
the owner's word. A message says what the householder may do and never to open the appliance.`

func (a *API) registerCarePolicy(e *Edge) {
	const base, tag = "/v1/care/policy", "care"
	read := show("read-care-policy", base, tag, office, "Show how and when the shop writes to its customers")
	read.Description = policyText
	register(e, read, func(ctx context.Context, _ *struct{}) (*item[CarePolicy], error) {
		p := principal(ctx)
		v, err := a.Care.ReadPolicy(ctx, p)
		if err != nil {
			return nil, err
		}
		h, err := a.Care.ReadHeld(ctx, p)
		return itemOf(v.Version, viewPolicy(v, h, p.Role == domain.Owner)), err
	})
	register(e, change("change-care-policy", base, tag, ownerly, "Change how and when the shop writes"),
		func(ctx context.Context, in *struct {
			Body CarePolicyPatch
		}) (*item[CarePolicy], error) {
			from, to, err := in.Body.clocks()
			if err != nil {
				return nil, err
			}
			p := principal(ctx)
			v, err := a.Care.ChangePolicy(ctx, p, ifMatch(ctx), func(v *care.Policy) { in.Body.apply(v, from, to) })
			if err != nil {
				return nil, err
			}
			h, err := a.Care.ReadHeld(ctx, p)
			return itemOf(v.Version, viewPolicy(v, h, true)), err
		})
	register(e, Op{ID: "let-go-reminders", Method: http.MethodPost, Path: base + "/let-go", Roles: ownerly, Tags: []string{tag}, Status: http.StatusNoContent,
		Summary: "Let messages go that were held back after an outage", Description: "The owner's word that they may leave; it holds for 72 hours."},
		func(ctx context.Context, _ *struct{}) (*struct{}, error) {
			return nil, a.Care.LetGo(ctx, principal(ctx))
		})
}

// NewCareTask is a care task of the shop's own.
type NewCareTask struct {
	Kind     string    `json:"kind,omitempty" maxLength:"40" doc:"Of all units of this kind; or give unit_id."`
	UnitID   domain.ID `json:"unit_id,omitzero"`
	Shortens string    `json:"shortens,omitempty" enum:"lint_path" doc:"Sets the interval of the built-in task, which it can only shorten; then without scopes."`
	Name     string    `json:"name" minLength:"1" maxLength:"120"`
	Whose    string    `json:"whose" enum:"us,customer"`
	Scopes   []string  `json:"scopes,omitempty" maxItems:"8" doc:"Short names in small letters; each is due from its own last cleaning."`
	Months   int       `json:"months" minimum:"1" maximum:"60" doc:"The longest it may go."`
	Advice   string    `json:"advice,omitempty" maxLength:"400" doc:"What the householder may do, for the message. Never to open the appliance."`
}

// OwnCareTask is a care task of the shop's own, as it is on record.
type OwnCareTask struct {
	ID        domain.ID  `json:"id"`
	Kind      string     `json:"kind,omitempty"`
	UnitID    *domain.ID `json:"unit_id,omitempty"`
	Shortens  string     `json:"shortens,omitempty"`
	Name      string     `json:"name"`
	Whose     string     `json:"whose"`
	Scopes    []string   `json:"scopes"`
	Months    int        `json:"months"`
	Advice    string     `json:"advice,omitempty"`
	CreatedAt wire.Time  `json:"created_at"`
	RetiredAt *wire.Time `json:"retired_at,omitempty"`
}

func viewOwnTask(o care.OwnTask) OwnCareTask {
	return OwnCareTask{ID: o.ID, Kind: o.Kind, UnitID: idOrNone(o.UnitID), Shortens: o.Shortens, Name: o.Name, Whose: o.Whose, Scopes: o.Scopes, Months: o.Months,
		Advice: o.Advice, CreatedAt: wire.At(o.CreatedAt), RetiredAt: timeOrNone(o.RetiredAt)}
}

func (n NewCareTask) task() care.OwnTask {
	scopes := n.Scopes
	if scopes == nil {
		scopes = []string{}
	}
	return care.OwnTask{Kind: n.Kind, UnitID: n.UnitID, Shortens: n.Shortens, Name: n.Name, Whose: n.Whose, Scopes: scopes, Months: n.Months, Advice: n.Advice}
}

func (a *API) registerCareTasks(e *Edge) {
	const op, base, tag = "create-care-task", "/v1/care/tasks", "care"
	register(e, create(op, base, tag, office, "Add a care task of the shop's own", "For a kind of unit or for one unit. Due dates follow at once."),
		func(ctx context.Context, in *struct {
			RawBody []byte
			Body    NewCareTask
		}) (*made[OwnCareTask], error) {
			o, replayed, err := a.Care.AddTask(ctx, principal(ctx), onceKey(ctx, op, in.RawBody), in.Body.task())
			return madeOf(base, o.Version, replayed, viewOwnTask(o)), err
		})
	register(e, show("list-care-tasks", base, tag, anyone, "List the shop's own care tasks, retired ones among them"),
		func(ctx context.Context, _ *struct{}) (*page[OwnCareTask], error) {
			ts, err := a.Care.ListTasks(ctx, principal(ctx))
			return everything(ts, viewOwnTask), err
		})
	register(e, retire("retire-care-task", base+"/{id}", tag, office, "Take a care task out of use"),
		func(ctx context.Context, in *ByID) (*struct{}, error) {
			_, err := a.Care.RetireTask(ctx, principal(ctx), in.ID, ifMatch(ctx))
			return nil, err
		})
}
