package history

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/domain"
	"drumline/domain/history/survival"
)

// alikeShop is a shop whose techs are all alike: each repair comes back within 90
// days with a chance of 0.1. The second tech joined so many days ago, and the
// shop mends each day what perDay says.
func alikeShop(seed uint64, days, joined int, perDay func(day int) int) *asking {
	old, fresh := domain.ID{1}, domain.ID{2}
	a := &asking{cut: domain.Date{Year: 2026, Month: 1, Day: 1}, names: map[domain.ID]string{old: "Old", fresh: "Fresh"}}
	r := rand.New(rand.NewPCG(seed, 2))
	for ago := days; ago > 0; ago-- {
		for n := range 2 * perDay(days-ago) {
			row := RepairRow{Kind: "washer", Fault: "f", Part: "p", TechID: old, FixedOn: domain.DateOf(a.cut.Time().AddDate(0, 0, -ago))}
			if n%2 == 1 && ago <= joined {
				row.TechID = fresh
			}
			if r.Float64() < 0.1 {
				row.EndedOn, row.Cause = domain.DateOf(row.FixedOn.Time().AddDate(0, 0, 1+r.IntN(90))), Same
			}
			a.repairs = append(a.repairs, row)
		}
	}
	return a
}

// Whoever has much recent work is not blamed for it: over 200 shops the ratio
// of observed to expected of a tech like the others is 1 within three standard
// errors, whenever they joined. Counting repairs that came back before they are
// 90 days old, and not the others, makes it 3.2 after 100 days.
func TestATechWhoJoinedLatelyIsNotBlamed(t *testing.T) {
	for _, joined := range []int{100, 130, 200, 700} {
		observed, expected := 0.0, 0.0
		for seed := range uint64(200) {
			s := survival.Standardise(alikeShop(seed, 730, joined, func(int) int { return 1 }).mix("Fresh", 90), Level)
			observed += float64(s.Observed)
			expected += s.Expected
		}
		t.Logf("joined %d days ago: %.0f observed, %.1f expected", joined, observed, expected)
		require.Greater(t, expected, 100.0)
		require.InDelta(t, 1, observed/expected, 3/math.Sqrt(expected))
	}
}

// The share a chart takes for good is the true one, however fast the shop
// grows: 0.1 within 0.005 over 60 shops. Young repairs that came back already
// would make it 0.119 in a shop that grows sixteenfold.
func TestAGrowingShopKeepsItsBaseline(t *testing.T) {
	for _, growth := range []int{1, 4, 16} {
		good := 0.0
		for seed := range uint64(60) {
			cs := alikeShop(seed, 730, 0, func(day int) int { return 1 + (growth-1)*day/730 }).charts()
			require.Len(t, cs, 1)
			good += cs[0].Good / 60
		}
		t.Logf("growth %d: %.4f", growth, good)
		require.InDelta(t, 0.1, good, 0.005)
	}
}

func TestMatured(t *testing.T) {
	a := &asking{cut: domain.Date{Year: 2026, Month: 1, Day: 1}}
	ago := func(n int) domain.Date { return domain.DateOf(a.cut.Time().AddDate(0, 0, -n)) }
	for _, c := range []struct {
		name     string
		r        RepairRow
		back, ok bool
	}{
		{"young and good", RepairRow{FixedOn: ago(89)}, false, false},
		{"young and back", RepairRow{FixedOn: ago(89), EndedOn: ago(50), Cause: Same}, false, false},
		{"old and good", RepairRow{FixedOn: ago(90)}, false, true},
		{"back on the last day", RepairRow{FixedOn: ago(100), EndedOn: ago(10), Cause: Same}, true, true},
		{"back a day later", RepairRow{FixedOn: ago(101), EndedOn: ago(10), Cause: Same}, false, true},
		{"another fault first", RepairRow{FixedOn: ago(100), EndedOn: ago(90), Cause: Other}, false, true},
		{"out of use first", RepairRow{FixedOn: ago(100), EndedOn: ago(90)}, false, false},
	} {
		back, ok := a.matured(c.r, 90)
		require.Equal(t, c.ok, ok, c.name)
		require.Equal(t, c.back, ok && back, c.name)
	}
}
