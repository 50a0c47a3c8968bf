package seed

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis/catalogue"
	"drumline/domain"
	"drumline/domain/people"
	"drumline/shared/pg"
	"drumline/shared/pg/pgtest"
)

var now = time.Date(2026, 3, 4, 15, 0, 0, 0, time.UTC)

func options(t *testing.T, scale float64) Options {
	t.Helper()
	cat, err := catalogue.Open()
	require.NoError(t, err)
	return Options{Seed: DefaultSeed, Scale: scale, Now: now, Keys: people.NewKeyring("drumline", "k"), Catalogue: cat}
}

// filled is a database after a Run, with its options.
func filled(t *testing.T, scale float64) Options {
	t.Helper()
	o := options(t, scale)
	o.DB = open(t)
	require.NoError(t, Run(context.Background(), o))
	return o
}

func open(t *testing.T) *pg.DB {
	t.Helper()
	url, err := URL(pgtest.New(t).AppURL)
	require.NoError(t, err)
	db, err := pg.Open(t.Context(), url, pg.Options{Access: people.Access})
	require.NoError(t, err)
	t.Cleanup(db.Close)
	return db
}

// summary is everything of a shop but ids: what a seed must give again.
func summary(t *testing.T, o Options, s SignIn) []string {
	t.Helper()
	var id domain.ID
	require.NoError(t, o.DB.Pool.QueryRow(t.Context(), `SELECT id FROM shop_directory WHERE code = $1`, s.Shop).Scan(&id))
	var out []string
	tx, err := o.DB.Pool.Begin(t.Context())
	require.NoError(t, err)
	defer func() { require.NoError(t, tx.Rollback(t.Context())) }()
	_, err = tx.Exec(t.Context(), `SELECT set_config('app.shop', $1, true)`, id.String())
	require.NoError(t, err)
	for _, q := range []string{
		`SELECT 'unit', model, serial, installed_on::text, '' FROM unit`,
		`SELECT 'call', opened_at::text, status, coalesce(outcome, ''), (comes_back_from IS NOT NULL)::text FROM call`,
		`SELECT 'reading', r.check_id || ' ' || r.position, r.phase, r.observed_at::text, (SELECT string_agg(v.input || '=' || v.entered, ' ' ORDER BY input, n) FROM reading_value v WHERE v.reading_id = r.id) FROM reading r`,
		`SELECT 'verdict', part, outcome, finding, fault FROM verdict`,
		`SELECT 'conclusion', part, fault, against_evidence, supported::text FROM conclusion`,
		`SELECT 'action', action, part, done_at::text, '' FROM action`,
		`SELECT 'cleaning', done_on::text, done_by, array_to_string(scopes, '+'), '' FROM cleaning`,
	} {
		rows, err := tx.Query(t.Context(), q)
		require.NoError(t, err)
		for rows.Next() {
			vs, err := rows.Values()
			require.NoError(t, err)
			out = append(out, fmt.Sprint(vs...))
		}
		require.NoError(t, rows.Err())
	}
	slices.Sort(out)
	return out
}

func TestASeedGivesTheSameShopAgain(t *testing.T) {
	a, b := filled(t, 0.06), filled(t, 0.06)
	for _, s := range SignIns() {
		if s.Role == domain.Owner {
			require.Equal(t, summary(t, a, s), summary(t, b, s))
		}
	}
	there, complete, err := Complete(t.Context(), a.DB)
	require.NoError(t, err)
	require.True(t, there && complete)
}

func TestARunBrokenOffIsNotComplete(t *testing.T) {
	o := options(t, 0.06)
	o.DB = open(t)
	there, complete, err := Complete(t.Context(), o.DB)
	require.NoError(t, err)
	require.False(t, there || complete)
	ctx, cancel := context.WithCancel(t.Context())
	o.Progress = func(done, _ int) {
		if done == 4 {
			cancel()
		}
	}
	require.Error(t, Run(ctx, o))
	there, complete, err = Complete(t.Context(), o.DB)
	require.NoError(t, err)
	require.True(t, there && !complete)
}

func TestScaleIsAShare(t *testing.T) {
	for _, scale := range []float64{0, -1, 1.5, math.NaN()} {
		require.Error(t, Run(t.Context(), options(t, scale)))
	}
}

// The whole plan of the main shop, without a database.
func TestThePlanIsTwoYearsOfAShop(t *testing.T) {
	o := options(t, 1)
	p, err := newPlan(mainShop, o, 1)
	require.NoError(t, err)
	require.Len(t, p.homes, 60)
	require.InDelta(t, 72, len(p.units), 10)
	require.Greater(t, len(p.calls), 130)
	ends, faults, busy := map[string]int{}, map[string]int{}, map[window]bool{}
	returns := 0
	for _, c := range p.calls {
		ends[c.outcome]++
		faults[c.fault]++
		require.True(t, c.opened.After(now.Add(-History-24*time.Hour)) && c.opened.Before(now), c.opened)
		for _, v := range c.visits {
			require.False(t, busy[v], "a tech in two places")
			busy[v] = true
			require.True(t, v.starts.After(c.opened))
		}
		if c.before != nil {
			require.True(t, c.opened.After(c.before.over()))
			if c.before.fault == c.fault && c.before.outcome == "returned_to_service" && c.opened.Sub(c.before.over()) < 90*24*time.Hour {
				returns++
			}
		}
	}
	for _, end := range []string{"", "returned_to_service", "declined", "no_access", "left_out_of_service"} {
		require.NotZero(t, ends[end], "%q in %v", end, ends)
	}
	require.NotZero(t, returns, "come-backs")
	require.Greater(t, faults["run_restricted"], faults["coil_wrong"], "the likely faults are the frequent ones")
}

// errUnknown says that the engine does not know a check or takes no reading of it.
var errUnknown = errors.New("not judged")

// judged gives the findings of a check on a machine of a model with a fault.
func judged(k *catalogue.Kind, m *model, fault, check string) ([]string, error) {
	ch, ok := k.Check(check)
	if !ok || !m.fits(ch.Has, ch.Lacks) {
		return nil, errUnknown
	}
	d := newMachine(m, fault, "", random(1, 2))
	vs, ok := d.observe(check, "")
	if !ok {
		return nil, errUnknown
	}
	var out []string
	for _, v := range vs {
		in, known := ch.Input(v.Input)
		if !known {
			return nil, fmt.Errorf("%s has no input %s", check, v.Input)
		}
		if in.Quantity == "" && !slices.ContainsFunc(in.Choices, func(c catalogue.Choice) bool { return c.ID == v.Choice }) {
			return nil, fmt.Errorf("%s: %s has no choice %s", check, v.Input, v.Choice)
		}
		if in.Quantity != "" && !slices.Contains(in.Units, v.Unit) {
			return nil, fmt.Errorf("%s: %s does not take %s", check, v.Input, v.Unit)
		}
		out = append(out, v.Input)
	}
	return out, nil
}

// Every check of the working order can be entered as the catalogue asks, for
// every model and every fault a customer can complain of.
func TestEveryReadingIsWhatTheCatalogueAsksFor(t *testing.T) {
	cat, err := catalogue.Open()
	require.NoError(t, err)
	k, ok := cat.Kind(kindID)
	require.True(t, ok)
	complaint, ok := k.Complaint(complaintID)
	require.True(t, ok)
	for _, cause := range complaint.Causes {
		for i := range models {
			for _, check := range order {
				_, err := judged(k, &models[i], cause.Fault, check)
				if err != nil {
					require.ErrorIs(t, err, errUnknown, "%s with %s", models[i].name, cause.Fault)
				}
			}
		}
	}
	for _, cl := range complaint.Closing {
		if len(cl.AnyOf) > 0 {
			require.Contains(t, order, cl.AnyOf[0], "the closing list asks for it")
		}
	}
}

func TestTriageKeepsWithTheFault(t *testing.T) {
	p, err := newPlan(mainShop, options(t, 0.1), 1)
	require.NoError(t, err)
	low := map[string]int{}
	for _, fault := range []string{"bias_heater_open", "run_restricted"} {
		r := random(3, 4)
		for range 300 {
			if p.triage(r, fault)["setting"] == "low_only" {
				low[fault]++
			}
		}
	}
	require.Greater(t, low["bias_heater_open"], 2*low["run_restricted"])
}

// The demo's figures are its own: none is a check value of the trade.
func TestSheetsStateWhatTheModelIs(t *testing.T) {
	m := &models[2]
	require.InDelta(t, m.r25, m.thermistor(77), 1e-6*m.r25, "25 °C is 77 °F")
	require.Greater(t, m.thermistor(60), m.thermistor(90), "resistance falls as temperature rises")
	for i := range models {
		require.GreaterOrEqual(t, len(models[i].sheet()), 6, models[i].name)
		require.Equal(t, models[i].rating == 0, models[i].has("thermistor"), models[i].name)
	}
}
