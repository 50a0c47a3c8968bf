package survival

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// cases groups the rows of a table by a column, in order.
func cases(rows []record, column string) (names []string, groups map[string][]record) {
	groups = map[string][]record{}
	for _, r := range rows {
		if groups[r[column]] == nil {
			names = append(names, r[column])
		}
		groups[r[column]] = append(groups[r[column]], r)
	}
	return names, groups
}

// Source: R 4.2.2, survival 3.5-3, survfit with the three conf.type.
func TestKaplanMeierAgainstR(t *testing.T) {
	names, groups := cases(expected(t, "km"), "case")
	require.Len(t, names, 14)
	for _, name := range names {
		rows := kmRows(t, name)
		for kind, ends := range map[Limits][2]string{
			Plain: {"plain_lo", "plain_hi"}, Log: {"log_lo", "log_hi"}, LogLog: {"loglog_lo", "loglog_hi"},
		} {
			c := KaplanMeier(rows, 1, 0.95, kind)
			require.Equal(t, OK, c.Status)
			require.Len(t, c.Steps, len(groups[name]), name)
			for i, r := range groups[name] {
				s := c.Steps[i]
				require.Equal(t, []int{r.int(t, "time"), r.int(t, "n_risk"), r.int(t, "n_event"), r.int(t, "n_censor")},
					[]int{s.Day, s.AtRisk, s.Events, s.Censored}, name)
				same(t, r, "surv", number(s.S), closedForm)
				same(t, r, "se_greenwood", s.SE, closedForm)
				same(t, r, "cumhaz_na", number(s.CumHazard), closedForm)
				same(t, r, "se_cumhaz_aalen", number(s.CumHazardSE), closedForm)
				sameInterval(t, r, ends[0], ends[1], s.Interval, closedForm)
			}
		}
	}
}

// Source: R, quantile.survfit.
func TestQuantilesAgainstR(t *testing.T) {
	kinds := map[string]Limits{"plain": Plain, "log": Log, "log-log": LogLog}
	for _, r := range expected(t, "km_quantiles") {
		c := KaplanMeier(kmRows(t, r["case"]), 1, 0.95, kinds[r["conf_type"]])
		q := c.Quantile(r.float(t, "fail_prob"))
		same(t, r, "time", q.Time, closedForm)
		sameInterval(t, r, "lo", "hi", q.Interval, closedForm)
	}
}

func TestMedianSaysWhyItIsMissing(t *testing.T) {
	c := KaplanMeier(kmRows(t, "edge_no_event"), 1, 0.95, LogLog)
	require.Equal(t, NotReached, c.Median().Time.Status)
	require.Equal(t, Undefined, c.Quantile(1).Time.Status)
	bad := KaplanMeier(endings(0, 1), 1, 0.95, LogLog)
	require.Equal(t, Undefined, bad.Status, "a return on the day of the fix is day 1, never 0")
	require.Equal(t, Undefined, bad.Median().Time.Status)
}

// An early risk set of one takes the whole curve down; conditioning mends it.
func TestFromConditionsOnAStartDay(t *testing.T) {
	rows := []Row{followed(1, 0, 5, 1)}
	for i := range 20 {
		rows = append(rows, followed(i+2, 10, 100+i, i%2))
	}
	early := KaplanMeier(rows, 1, 0.95, LogLog)
	require.Zero(t, early.Steps[len(early.Steps)-1].S)
	late := KaplanMeier(From(rows, 10), 1, 0.95, LogLog)
	require.Equal(t, 20, late.Steps[0].AtRisk)
	require.Greater(t, late.Steps[10].S, 0.5)
}
