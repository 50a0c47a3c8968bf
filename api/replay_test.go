package api_test

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/domain"
	"drumline/domain/care"
	"drumline/shared/mail"
)

// replay is three years of one shop: its clock, what happens when, and every
// message that left.
type replay struct {
	*scene
	w     *world
	k     *care.Worker
	box   *postbox
	now   time.Time
	looks int // of the worker

	units            map[string]string // name → id
	customers, sites map[string]string // customer's first name → id, of their first site
	zones            map[string]string // customer's address → zone of the site of their units
	tasks            map[string]string // id → name
	happen           []happening
	sent             []sending
	lived            time.Time       // what is before it has been lived once
	answers          map[string]bool // addresses that answer their second message, fourth, and so on
	later            []happening     // answers to come
}

// happening is something done once, when the clock first reads at or later.
type happening struct {
	at time.Time
	do func()
}

// step is how often the worker looks: at four times of the day.
const step = 6 * time.Hour

// sending is a message as it left.
type sending struct {
	at    time.Time // in the zone of the site
	to    string
	id    string
	msg   mail.Message
	again bool // in a time that is lived for the second time
}

func utc(t require.TestingT, text string) time.Time {
	at, err := time.Parse("2006-01-02 15:04", text)
	require.NoError(t, err)
	return at
}

func newReplay(t *testing.T, start string) *replay {
	w := newLongWorld(t)
	r := &replay{w: w, now: utc(t, start), units: map[string]string{}, customers: map[string]string{}, sites: map[string]string{}, zones: map[string]string{}, tasks: map[string]string{},
		answers: map[string]bool{}}
	w.clock.stop(r.now)
	r.scene = newScene(w.newShop("cedar-court"))
	r.box = &postbox{answer: func(_ int, m mail.Message) mail.Outcome {
		zone, err := time.LoadLocation(r.zones[m.To.Addr])
		require.NoError(t, err)
		now := w.clock.now()
		r.sent = append(r.sent, sending{now.In(zone), m.To.Addr, m.MessageID, m, now.Before(r.lived)})
		return mail.Outcome{Kind: mail.Accepted, Code: 250}
	}}
	r.k = w.worker(r.box)
	return r
}

// on has something happen at a time (UTC), once.
func (r *replay) on(text string, do func()) {
	r.happen = append(r.happen, happening{utc(r.w.t, text), do})
}

// customer is a new one with a site in a zone, who answers or does not.
func (r *replay) customer(name, zone string, answers bool) {
	email := strings.ToLower(name) + "@homes.example"
	id := r.dispatcher.post("/v1/customers", m{"name": name + " Fenn", "email": email, "phone": "555 0144"}).id()
	r.customers[name] = id
	r.sites[name] = r.dispatcher.post("/v1/sites", m{"customer_id": id, "address": "9 Aspen Way", "time_zone": zone}).id()
	r.zones[email], r.answers[email] = zone, answers
}

// unit is a new dryer of a customer, or something else.
func (r *replay) unit(name, whose, installed string, more m) {
	body := m{"site_id": r.sites[whose], "kind": "electric_dryer", "model": "QX-41", "serial": name, "installed_on": installed}
	for k, v := range more {
		body[k] = v
	}
	r.units[name] = r.dispatcher.post("/v1/units", body).id()
}

// cleaned records a cleaning of all that the unit's care takes.
func (r *replay) cleaned(unit, on string, scopes ...string) string {
	if scopes == nil {
		scopes = []string{"cabinet", "blower", "transition_duct", "run", "hood"}
	}
	return r.dispatcher.post("/v1/units/"+r.units[unit]+"/care/cleanings", m{"done_on": on, "done_by": "us", "scopes": scopes}).id()
}

// look lets the worker look until nothing is left to do, after what has
// happened until now.
func (r *replay) look() {
	r.w.clock.stop(r.now)
	for _, list := range []*[]happening{&r.happen, &r.later} {
		*list = slices.DeleteFunc(*list, func(h happening) bool {
			if h.at.After(r.now) {
				return false
			}
			h.do()
			return true
		})
	}
	before := len(r.sent)
	for i := range 20 {
		r.w.clock.stop(r.now.Add(time.Duration(i) * 1100 * time.Millisecond))
		n, err := r.k.Tick(r.w.t.Context())
		require.NoError(r.w.t, err)
		r.looks++
		if n == 0 {
			break
		}
		require.Less(r.w.t, i, 19, "the worker finds no end")
	}
	for _, s := range r.sent[before:] {
		r.answer(s)
	}
}

// answer has who answers tell by the link, a day after, that it has been done.
func (r *replay) answer(s sending) {
	n := 0
	for _, x := range r.sent {
		if x.to == s.to {
			n++
		}
	}
	if r.answers[s.to] && n%2 == 0 {
		r.later = append(r.later, happening{s.at.Add(24 * time.Hour), func() {
			require.Equal(r.w.t, 200, r.w.visit("POST", "/v1/care-replies/"+tokenOf(r.w.t, s.msg), "want=done").status)
		}})
	}
}

// run lives from now until the end, with a look every six hours. Nobody
// looks from the first to the second of away; at each of back the clock is set
// back once by so much.
func (r *replay) run(end string, away [2]string, back map[string]time.Duration) {
	t := r.w.t
	month := r.now.Month()
	for ; r.now.Before(utc(t, end)); r.now = r.now.Add(step) {
		if r.now.Before(utc(t, away[0])) || !r.now.Before(utc(t, away[1])) {
			r.look()
		}
		if by, ok := back[r.now.Format("2006-01-02 15:04")]; ok {
			delete(back, r.now.Format("2006-01-02 15:04"))
			r.lived, r.now = r.now, r.now.Add(-by-step)
		}
		if r.now.Month() != month {
			month = r.now.Month()
			r.noLaterThanAYear()
		}
	}
	require.Empty(t, back)
	require.Empty(t, r.happen)
}

// noLaterThanAYear holds every due date against what it rests on: the rule is
// at least once a year (366 days at most, across a 29 February).
func (r *replay) noLaterThanAYear() {
	for name, id := range r.units {
		plan := r.dispatcher.get("/v1/units/" + id + "/care")
		installed, _ := r.dispatcher.get("/v1/units/" + id).at("installed_on").(string)
		for i := range plan.at("tasks").([]any) {
			for j := range plan.at("tasks", i, "scopes").([]any) {
				s := plan.at("tasks", i, "scopes", j).(map[string]any)
				due, dated := s["due_on"].(string)
				if !dated {
					continue
				}
				anchor, done := s["last_done_on"].(string)
				if !done {
					anchor = installed
				}
				days := civil(r.w.t, due).Sub(civil(r.w.t, anchor)).Hours() / 24
				require.True(r.w.t, days > 0 && days <= 366, "%s: %v due on %s, %v days after %s", name, s["scope"], due, days, anchor)
			}
		}
	}
}

func civil(t require.TestingT, text string) time.Time {
	d, err := domain.ParseDate(text)
	require.NoError(t, err)
	return d.Time()
}

// entries gives the whole ledger.
func (r *replay) entries() []m {
	var out []m
	for query := "?page_size=200"; ; {
		page := r.dispatcher.get("/v1/reminders" + query)
		for _, x := range page.at("items").([]any) {
			out = append(out, x.(m))
		}
		next, more := page.body["next_cursor"].(string)
		if !more {
			return out
		}
		query = "?page_size=200&cursor=" + next
	}
}

// text is the ledger in a form that is the same each time: ids are names, and
// Message-IDs the number of the message.
func (r *replay) text(entries []m) string {
	byTime := slices.SortedFunc(slices.Values(r.sent), func(a, b sending) int { return cmp.Or(a.at.Compare(b.at), cmp.Compare(a.to, b.to)) })
	number, at := map[string]int{}, map[string]time.Time{}
	for i, s := range byTime {
		number[s.id], at[s.id] = i+1, s.at
	}
	names := map[string]string{}
	for name, id := range r.units {
		names[id] = name
	}
	var lines []string
	for _, e := range entries {
		task := e["task"].(string)
		line := fmt.Sprintf("%s  %-4s %-14s %-12s due %s  %3v ahead  %-10s", e["planned_at"].(string)[:10], e["kind"], names[e["unit_id"].(string)],
			cmp.Or(r.tasks[task], task), e["due_on"], e["lead_days"], e["state"])
		if id, mailed := e["message_id"].(string); mailed {
			line += fmt.Sprintf(" %s %s, message %d", at[id].Format("2006-01-02 15:04"), at[id].Location(), number[id])
		} else {
			line += " " + fmt.Sprint(e["reason"])
		}
		lines = append(lines, line)
	}
	slices.Sort(lines)
	return "# planned on (UTC), kind, unit, task, due date, days ahead, what became of it, when it left at the site\n" + strings.Join(lines, "\n") + "\n"
}
