package api_test

import (
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"drumline/domain"
	"drumline/shared/pg"
)

// nearLimit is a bias heater at 8300 Ω, allowed up to 8400 Ω, by a meter good
// to 1 %: it is within its limits with a probability of 0.98.
func (j *job) nearLimit() m {
	meter := j.tech.post("/v1/instruments", m{"name": "Pocket meter", "accuracies": []m{{"quantity": "resistance",
		"method": "meter", "percent_of_reading": 1, "counts": 2, "resolution": m{"value": 1, "unit": "Ohm"}}}}).id()
	j.isolate()
	return with(found("bias_heater", value("resistance", 8300, "Ohm"), choice("wires_off", "yes")), "instrument_id", meter)
}

func TestEachShopJudgesByItsOwnRule(t *testing.T) {
	w := newWorld(t)
	a, b := w.jobIn(func(w *world) shop { return w.a }), w.jobIn(func(w *world) shop { return w.b })
	strict := m{"decision_rule": m{"accept": 0.99, "reject": 0.01}}
	w.a.owner.do("PATCH", "/v1/shop", strict, "If-Match", "*").want(200)

	near := a.tech.post(a.readings, a.nearLimit())
	require.Equal(t, "inconclusive", near.verdict(0)["outcome"])
	require.Equal(t, m{"accept": 0.99, "reject": 0.01}, m(near.verdict(0)["decision_rule"].(map[string]any)))
	require.NotEmpty(t, near.verdict(0)["do"])
	other := b.tech.post(b.readings, b.nearLimit())
	require.Equal(t, "conforms", other.verdict(0)["outcome"])
	require.Equal(t, m{"accept": 0.95, "reject": 0.05}, m(other.verdict(0)["decision_rule"].(map[string]any)))
	require.Equal(t, other.verdict(0)["probability"], near.verdict(0)["probability"], "what was found is the same")
	require.InDelta(t, 0.98, near.verdict(0)["probability"], 0.005)
	require.Equal(t, near.at("reading", "verdicts"), a.tech.get("/v1/readings/"+near.str("reading", "id")).at("verdicts"))
}

func TestANewRuleJudgesOpenCallsAnew(t *testing.T) {
	j := newJob(t)
	got := j.tech.post(j.readings, j.nearLimit())
	require.Equal(t, "conforms", got.verdict(0)["outcome"])
	id := got.str("reading", "id")
	j.s.owner.do("PATCH", "/v1/shop", m{"decision_rule": m{"accept": 0.99}}, "If-Match", "*").want(200)

	require.Equal(t, []any{id}, j.tech.get("/v1/calls/"+j.call+"/assessment").at("outdated"))
	require.Equal(t, 1.0, j.tech.do("POST", "/v1/calls/"+j.call+"/rederive", nil).want(200).at("changed"))
	require.Equal(t, "inconclusive", j.tech.get("/v1/readings/"+id).str("verdicts", 0, "outcome"))
	history := j.tech.get("/v1/readings/" + id + "/verdicts")
	require.Len(t, history.at("items"), 2, "the first verdict is kept")
	require.Equal(t, "conforms", history.str("items", 0, "outcome"))
	require.Equal(t, 0.95, history.at("items", 0, "decision_rule", "accept"))
	require.Equal(t, 0.99, history.at("items", 1, "decision_rule", "accept"))

	// Back again: what was said by the first rule is said once more.
	j.s.owner.do("PATCH", "/v1/shop", m{"decision_rule": m{"accept": 0.95}}, "If-Match", "*").want(200)
	require.Equal(t, 1.0, j.tech.do("POST", "/v1/calls/"+j.call+"/rederive", nil).want(200).at("changed"))
	require.Equal(t, "conforms", j.tech.get("/v1/readings/"+id).str("verdicts", 0, "outcome"))
	require.Len(t, j.tech.get("/v1/readings/"+id+"/verdicts").at("items"), 3)
}

func TestTheRuleIsTheOwnersToChange(t *testing.T) {
	w := newWorld(t)
	before := w.a.tech.get("/v1/shop")
	require.Equal(t, 0.95, before.at("decision_rule", "accept"))
	require.Equal(t, 0.05, before.at("decision_rule", "reject"))
	for _, c := range []*client{w.a.tech, w.a.dispatcher} {
		c.do("PATCH", "/v1/shop", m{"decision_rule": m{"accept": 0.9}}, "If-Match", "*").want(403)
	}
	w.a.owner.do("PATCH", "/v1/shop", m{"decision_rule": m{"accept": 0.9}}).want(428)
	for _, tt := range []struct {
		rule  m
		field string
	}{
		{m{"accept": 0.5}, "/decision_rule/accept"},
		{m{"accept": 1}, "/decision_rule/accept"},
		{m{"accept": 95}, "/decision_rule/accept"},
		{m{"accept": -1e300}, "/decision_rule/accept"},
		{m{"reject": 0}, "/decision_rule/reject"},
		{m{"reject": 0.5}, "/decision_rule/reject"},
		{m{"accept": 0.99, "reject": 5}, "/decision_rule/reject"},
	} {
		bad := w.a.owner.do("PATCH", "/v1/shop", m{"decision_rule": tt.rule}, "If-Match", "*").want(422)
		require.Equal(t, []string{tt.field + " range"}, bad.fields(), "%s", bad.raw)
	}
	w.a.owner.do("PATCH", "/v1/shop", m{"decision_rule": m{"accept": "high"}}, "If-Match", "*").want(422)
	w.a.owner.do("PATCH", "/v1/shop", m{"decision_rule": m{"guard": 1}}, "If-Match", "*").want(422)
	require.Equal(t, before.raw, w.a.tech.get("/v1/shop").raw, "nothing was changed")

	after := w.a.owner.do("PATCH", "/v1/shop", m{"decision_rule": m{"reject": 0.02}}, "If-Match", before.etag()).want(200)
	require.Equal(t, 0.95, after.at("decision_rule", "accept"), "the member that was left out is kept")
	require.Equal(t, 0.02, after.at("decision_rule", "reject"))
	require.NotEqual(t, before.etag(), after.etag())
	w.a.owner.do("PATCH", "/v1/shop", m{"decision_rule": m{"reject": 0.01}}, "If-Match", before.etag()).want(412)
	require.Equal(t, 0.05, w.b.owner.get("/v1/shop").at("decision_rule", "reject"), "the other shop has its own")

	for _, tt := range []struct {
		patch m
		want  m
	}{
		{m{"accept": 0.98, "reject": 0.03}, m{"accept": 0.98, "reject": 0.03}},
		{m{"accept": nil}, m{"accept": 0.95, "reject": 0.03}},
		{m{"accept": 0.6, "reject": nil}, m{"accept": 0.6, "reject": 0.05}},
		{m{}, m{"accept": 0.6, "reject": 0.05}},
		{nil, m{"accept": 0.95, "reject": 0.05}},
	} {
		got := w.a.owner.do("PATCH", "/v1/shop", m{"decision_rule": tt.patch}, "If-Match", "*").want(200)
		require.Equal(t, tt.want, m(got.at("decision_rule").(map[string]any)), "%v", tt.patch)
	}
}

func TestTheTrailNamesWhatOfTheRuleChanged(t *testing.T) {
	w := newWorld(t)
	w.a.owner.do("PATCH", "/v1/shop", m{"decision_rule": m{"accept": 0.99}}, "If-Match", "*").want(200)
	var rows []struct {
		Person domain.ID `db:"person_id"`
		Fields []string  `db:"fields"`
	}
	require.NoError(t, w.pool.Read(t.Context(), domain.System(w.a.id, "test"), func(b *pgx.Batch) {
		pg.All(b, &rows, `SELECT person_id, fields FROM audit WHERE shop_id = $1 AND entity = 'shop' AND action = 'changed'`, w.a.id)
	}))
	require.Len(t, rows, 1)
	require.Equal(t, w.a.owner.id, rows[0].Person)
	require.Equal(t, []string{"decision_rule.accept"}, rows[0].Fields)
}
