package care

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/domain"
	"drumline/domain/customers"
)

func date(s string) domain.Date {
	if s == "" {
		return domain.Date{}
	}
	d, err := domain.ParseDate(s)
	if err != nil {
		panic(err)
	}
	return d
}

func cleaned(on string, scopes ...string) Cleaning {
	return Cleaning{DoneOn: date(on), Scopes: scopes, DoneBy: ByUs}
}

func voided(c Cleaning) Cleaning {
	at := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	c.VoidedAt = &at
	return c
}

// dues gives the due date of each scope of the lint path.
func dues(t *testing.T, cleanings []Cleaning, installed string) (map[string]string, Task) {
	tasks := Due(customers.Unit{Kind: "electric_dryer", InstalledOn: date(installed)}, cleanings, Rules{})
	require.Len(t, tasks, 2)
	require.Equal(t, "lint_path", tasks[0].ID)
	require.Equal(t, "screen", tasks[1].ID)
	require.True(t, tasks[1].DueOn.IsZero(), "the screen never has a date")
	require.Equal(t, EachLoad, tasks[1].Scopes[0].Basis)
	out := map[string]string{}
	for _, s := range tasks[0].Scopes {
		if out[s.Scope] = s.DueOn.String(); s.DueOn.IsZero() {
			out[s.Scope] = ""
		}
	}
	return out, tasks[0]
}

func all(due string) map[string]string {
	return map[string]string{Cabinet: due, Blower: due, TransitionDuct: due, Run: due, Hood: due}
}

func with(base map[string]string, scope, due string) map[string]string {
	base[scope] = due
	return base
}

// At least once a year, all of the path: common practice, no source. The
// clamping of 29 February is the calendar's.
func TestDueDates(t *testing.T) {
	whole := []string{Cabinet, Blower, TransitionDuct, Run, Hood}
	for _, c := range []struct {
		name      string
		cleanings []Cleaning
		installed string
		want      map[string]string
		next      string
	}{
		{"nothing known", nil, "", all(""), ""},
		{"installed", nil, "2025-06-15", all("2026-06-15"), "2026-06-15"},
		{"installed on a leap day", nil, "2024-02-29", all("2025-02-28"), "2025-02-28"},
		{"whole path", []Cleaning{cleaned("2025-09-01", whole...)}, "2020-01-01", all("2026-09-01"), "2026-09-01"},
		{"on a leap day", []Cleaning{cleaned("2024-02-29", whole...)}, "", all("2025-02-28"), "2025-02-28"},
		{"the screen moves nothing", []Cleaning{cleaned("2026-01-10", Screen)}, "2025-06-15", all("2026-06-15"), "2026-06-15"},
		{"the hood moves the hood", []Cleaning{cleaned("2026-01-10", Hood)}, "2025-06-15", with(all("2026-06-15"), Hood, "2027-01-10"), "2026-06-15"},
		{"part known", []Cleaning{cleaned("2026-01-10", Run)}, "", with(all(""), Run, "2027-01-10"), "2027-01-10"},
		{"latest counts, in any order", []Cleaning{cleaned("2025-01-01", whole...), cleaned("2025-12-01", whole...), cleaned("2025-05-05", whole...)}, "",
			all("2026-12-01"), "2026-12-01"},
		{"a voided one never was", []Cleaning{voided(cleaned("2025-12-01", whole...)), cleaned("2025-02-01", whole...)}, "", all("2026-02-01"), "2026-02-01"},
		{"only a voided one", []Cleaning{voided(cleaned("2025-12-01", whole...))}, "2025-06-15", all("2026-06-15"), "2026-06-15"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, task := dues(t, c.cleanings, c.installed)
			require.Equal(t, c.want, got)
			require.Equal(t, date(c.next), task.DueOn)
			require.NotEmpty(t, task.Reason)
		})
	}
}

func TestAKindWithoutTasksHasNone(t *testing.T) {
	require.Equal(t, []Task{}, Due(customers.Unit{Kind: "toaster", InstalledOn: date("2020-01-01")}, []Cleaning{cleaned("2026-01-10", Run)}, Rules{}))
	require.True(t, Next(nil).IsZero())
}

func TestReasonsSayWhatIsKnown(t *testing.T) {
	_, task := dues(t, nil, "")
	require.Equal(t, "Not known for the heater box and cabinet, the blower, the transition duct, the exhaust run and the hood: "+
		"no cleaning is on record and neither is the day of installation.", task.Reason)
	_, task = dues(t, []Cleaning{cleaned("2026-01-10", Run)}, "")
	require.Equal(t, "Due first: the exhaust run, last cleaned on 2026-01-10; that may go 12 months at most. "+
		"Not known for the heater box and cabinet, the blower, the transition duct and the hood: "+
		"no cleaning is on record and neither is the day of installation.", task.Reason)
	_, task = dues(t, []Cleaning{cleaned("2026-01-10", Cabinet, Blower, TransitionDuct, Run)}, "2025-06-15")
	require.Equal(t, "No cleaning is on record for the hood: due 12 months after the installation on 2025-06-15.", task.Reason)
}

func TestOverdueBeginsTheDayAfter(t *testing.T) {
	due := date("2026-03-01")
	require.False(t, Overdue(due, date("2026-02-28")))
	require.False(t, Overdue(due, due))
	require.True(t, Overdue(due, date("2026-03-02")))
	require.False(t, Overdue(domain.Date{}, date("2026-03-02")))
}

func TestScopesFollowTheirOwnCleanings(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		day := rapid.Custom(func(t *rapid.T) domain.Date {
			return domain.DateOf(time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, rapid.IntRange(0, 1000).Draw(t, "day")))
		})
		cleanings := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Cleaning {
			c := Cleaning{DoneOn: day.Draw(t, "on"), Scopes: rapid.SliceOfNDistinct(rapid.SampledFrom(Scopes()), 1, 6, rapid.ID).Draw(t, "scopes")}
			if rapid.Bool().Draw(t, "voided") {
				c = voided(c)
			}
			return c
		}), 0, 8).Draw(t, "cleanings")
		installed := day.Draw(t, "installed")
		before := Due(customers.Unit{Kind: "electric_dryer", InstalledOn: installed}, cleanings, Rules{})

		shuffled := rapid.Permutation(cleanings).Draw(t, "shuffled")
		require.Equal(t, dates(before), dates(Due(customers.Unit{Kind: "electric_dryer", InstalledOn: installed}, shuffled, Rules{})), "the order of the list does not matter")

		scope := rapid.SampledFrom(Scopes()).Draw(t, "scope")
		more := append(slices.Clone(cleanings), Cleaning{DoneOn: date("2027-01-01"), Scopes: []string{scope}})
		for at, due := range dates(Due(customers.Unit{Kind: "electric_dryer", InstalledOn: installed}, more, Rules{})) {
			want := dates(before)[at]
			if at == scope && scope != Screen {
				want = date("2028-01-01")
			}
			require.Equal(t, want, due, "a cleaning of %s and the date of %s", scope, at)
		}
	})
}

// dates gives the due date of each scope.
func dates(tasks []Task) map[string]domain.Date {
	out := map[string]domain.Date{}
	for _, t := range tasks {
		for _, s := range t.Scopes {
			out[s.Scope] = s.DueOn
		}
	}
	return out
}

// A roof outlet and a long run are cleaned twice a year (common practice, no
// source); bends count as 5 ft a right angle (IRC 2021, table M1502.4.6.1, 4
// inch mitred elbow).
func TestALongRunIsDueSooner(t *testing.T) {
	feet := func(n float64) *customers.Measure { return &customers.Measure{SI: 0.3048 * n} }
	for name, c := range map[string]struct {
		run    *customers.Exhaust
		months int
	}{
		"not described":        {nil, 12},
		"short":                {&customers.Exhaust{Termination: "wall", Concealed: &customers.Duct{Length: feet(24)}}, 12},
		"long":                 {&customers.Exhaust{Termination: "wall", Concealed: &customers.Duct{Length: feet(26)}}, 6},
		"long by its bends":    {&customers.Exhaust{Termination: "wall", Concealed: &customers.Duct{Length: feet(16), Bends: []customers.Bend{{Degrees: 90, Count: 2}}}}, 6},
		"short with its bends": {&customers.Exhaust{Termination: "wall", Concealed: &customers.Duct{Length: feet(14), Bends: []customers.Bend{{Degrees: 45, Count: 4}}}}, 12},
		"both pieces":          {&customers.Exhaust{Termination: "wall", Transition: &customers.Duct{Length: feet(6)}, Concealed: &customers.Duct{Length: feet(20)}}, 6},
		"roof":                 {&customers.Exhaust{Termination: "roof"}, 6},
	} {
		u := customers.Unit{Kind: "gas_dryer", InstalledOn: date("2024-08-31"), Exhaust: c.run}
		task := Due(u, nil, Rules{})[0]
		require.Equal(t, c.months, task.Months, name)
		want := "2025-08-31"
		if c.months == 6 {
			want = "2025-02-28"
			require.Contains(t, task.Reason, "because the run", name)
		}
		require.Equal(t, date(want), task.DueOn, name)
		screen := Due(u, nil, Rules{})[1]
		require.Zero(t, screen.Months)
		require.True(t, screen.DueOn.IsZero(), "the screen has no date")
	}
}
