package calls

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis/catalogue"
	"drumline/domain"
)

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// kind is an invented kind with two questions.
func kind() *catalogue.Kind {
	return &catalogue.Kind{ID: "electric_dryer", Complaints: []catalogue.Complaint{
		{ID: "too_hot", Say: "Keep an eye on it.", Triage: []catalogue.Question{
			{ID: "smell", Ask: "Does it smell?", Answers: []catalogue.Answer{
				{ID: "yes", Text: "Yes", Advice: "Stop using it and unplug it."}, {ID: "no", Text: "No"}}},
			{ID: "off", Ask: "Warm while off?", Answers: []catalogue.Answer{
				{ID: "yes", Text: "Yes", Advice: "Unplug it now."}, {ID: "no", Text: "No"}, {ID: "again", Advice: "Stop using it and unplug it."}}},
		}},
		{ID: "no_heat"},
	}}
}

func TestTriageKnowsOnlyTheCatalogue(t *testing.T) {
	for name, c := range map[string]struct {
		complaint string
		answers   map[string]string
		pointers  []string
	}{
		"none":             {"too_hot", nil, nil},
		"all":              {"too_hot", map[string]string{"smell": "yes", "off": "no"}, nil},
		"other complaint":  {"sparks", nil, []string{"/complaint"}},
		"empty complaint":  {"", map[string]string{"smell": "yes"}, []string{"/complaint"}},
		"unknown question": {"too_hot", map[string]string{"colour": "yes"}, []string{"/triage/colour"}},
		"unknown answer":   {"too_hot", map[string]string{"smell": "perhaps"}, []string{"/triage/smell"}},
		"both, in order":   {"too_hot", map[string]string{"smell": "", "a/b~c": "no"}, []string{"/triage/a~1b~0c", "/triage/smell"}},
		"more than asked":  {"too_hot", map[string]string{"a": "", "b": "", "c": ""}, []string{"/triage"}},
		"nothing is asked": {"no_heat", map[string]string{"smell": "yes"}, []string{"/triage"}},
	} {
		t.Run(name, func(t *testing.T) {
			var ps domain.Problems
			checkTriage(&ps, kind(), c.complaint, c.answers)
			err := ps.Err()
			if c.pointers == nil {
				require.NoError(t, err)
				return
			}
			var got []string
			for _, f := range err.(*domain.Error).Fields {
				got = append(got, f.Pointer)
			}
			require.Equal(t, c.pointers, got)
		})
	}
}

func TestAdviceOfAnswersComesFirstAndOnce(t *testing.T) {
	answers := []Answer{{Question: "off", Answer: "again"}, {Question: "smell", Answer: "yes"}}
	require.Equal(t, []string{"Stop using it and unplug it.", "Keep an eye on it."}, Advice(kind(), "too_hot", answers))
	require.Equal(t, []string{"Keep an eye on it."}, Advice(kind(), "too_hot", nil))
	require.Equal(t, []string{}, Advice(kind(), "sparks", answers))
}

func TestWordsKeepWhatTheCatalogueDropped(t *testing.T) {
	said := Words(kind(), "too_hot", []Answer{{Question: "gone", Answer: "x"}, {Question: "off", Answer: "dropped"}, {Question: "smell", Answer: "no"}})
	require.Len(t, said, 3)
	require.Equal(t, "No", said[0].Text)
	require.Equal(t, "Warm while off?", said[1].Ask)
	require.Empty(t, said[1].Text)
	require.Equal(t, "gone", said[2].Question)
	require.Empty(t, said[2].Ask)
}

func TestMergedAnswersKeepWhoAsked(t *testing.T) {
	first, second := domain.NewID(noon), domain.NewID(noon)
	later := noon.Add(time.Hour)
	old := merged(nil, map[string]string{"smell": "no", "off": "no", "gone": "x"}, first, noon)
	got := merged(old, map[string]string{"smell": "yes", "off": "no"}, second, later)
	require.Equal(t, []Answer{
		{Question: "off", Answer: "no", AskedBy: first, AskedAt: noon},
		{Question: "smell", Answer: "yes", AskedBy: second, AskedAt: later},
	}, got)
}

// The whole life cycle: every pair of statuses, allowed or not.
func TestVisitStepsAreExactlyTheseSeven(t *testing.T) {
	allowed := map[[2]VisitStatus]bool{
		{Booked, OnTheWay}: true, {Booked, VisitCancelled}: true,
		{OnTheWay, OnSite}: true, {OnTheWay, VisitNoAccess}: true, {OnTheWay, VisitCancelled}: true,
		{OnSite, Done}: true, {OnSite, VisitNoAccess}: true,
	}
	for _, from := range VisitStatuses() {
		for _, to := range VisitStatuses() {
			err := checkStep(Visit{Status: from, TechID: domain.NewID(noon)}, Open, to)
			if allowed[[2]VisitStatus{from, to}] {
				require.NoError(t, err, "%s to %s", from, to)
			} else {
				require.Equal(t, domain.Conflict, domain.KindOf(err), "%s to %s", from, to)
			}
		}
	}
}

func TestVisitStepsNeedSomebodyAndAnOpenCall(t *testing.T) {
	tech := domain.NewID(noon)
	for _, c := range []struct {
		name string
		v    Visit
		call Status
		to   VisitStatus
		ok   bool
	}{
		{"nobody can be on the way", Visit{Status: Booked}, Open, OnTheWay, false},
		{"nobody's visit can be cancelled", Visit{Status: Booked}, Open, VisitCancelled, true},
		{"no way to a closed call", Visit{Status: Booked, TechID: tech}, Closed, OnTheWay, false},
		{"nor on site", Visit{Status: OnTheWay, TechID: tech}, Closed, OnSite, false},
		{"who is there may leave", Visit{Status: OnSite, TechID: tech}, Closed, Done, true},
		{"waiting for parts is open", Visit{Status: Booked, TechID: tech}, WaitingForParts, OnTheWay, true},
	} {
		require.Equal(t, c.ok, checkStep(c.v, c.call, c.to) == nil, c.name)
	}
}

func TestReasons(t *testing.T) {
	for _, c := range []struct {
		to     VisitStatus
		reason string
		ok     bool
	}{
		{VisitCancelled, "Customer is away.", true}, {VisitCancelled, "", false}, {VisitCancelled, " \n", false},
		{VisitNoAccess, "", true}, {VisitNoAccess, "Gate locked.", true}, {OnSite, "", true}, {OnSite, "Why not", false},
		{Booked, "", true}, {"elsewhere", "", false}, {VisitCancelled, "bell\a", false},
	} {
		require.Equal(t, c.ok, checkReason(c.to, c.reason) == nil, "%s %q", c.to, c.reason)
	}
}

func TestWindows(t *testing.T) {
	for _, c := range []struct {
		name         string
		starts, ends time.Time
		pointer      string
	}{
		{"an hour", noon, noon.Add(time.Hour), ""},
		{"a day", noon, noon.Add(24 * time.Hour), ""},
		{"longer", noon, noon.Add(24*time.Hour + time.Microsecond), "/ends_at"},
		{"empty", noon, noon, "/ends_at"},
		{"backwards", noon, noon.Add(-time.Second), "/ends_at"},
		{"no start", time.Time{}, noon, "/starts_at"},
		{"no end", noon, time.Time{}, "/ends_at"},
	} {
		var ps domain.Problems
		checkWindow(&ps, c.starts, c.ends)
		if err := ps.Err(); c.pointer == "" {
			require.NoError(t, err, c.name)
		} else {
			require.Equal(t, c.pointer, err.(*domain.Error).Fields[0].Pointer, c.name)
		}
	}
}

func TestVisitChangesAreJudged(t *testing.T) {
	tech, other := domain.NewID(noon), domain.NewID(noon)
	end, far, note := noon.Add(2*time.Hour), noon.Add(30*time.Hour), "Ring twice."
	base := Visit{TechID: tech, StartsAt: noon, EndsAt: noon.Add(time.Hour), Status: Booked, Version: 3}
	for _, c := range []struct {
		name     string
		status   VisitStatus
		change   VisitChange
		version  int64
		bookable bool
		want     domain.Kind
		ok       bool
	}{
		{"note", Done, VisitChange{Note: &note}, 3, true, 0, true},
		{"longer", Booked, VisitChange{EndsAt: &end}, 3, true, 0, true},
		{"any version", Booked, VisitChange{EndsAt: &end}, domain.AnyVersion, true, 0, true},
		{"stale", Booked, VisitChange{Note: &note}, 2, true, domain.PreconditionFailed, false},
		{"moved while on the way", OnTheWay, VisitChange{EndsAt: &end}, 3, true, domain.Conflict, false},
		{"handed over when done", Done, VisitChange{TechID: &other}, 3, true, domain.Conflict, false},
		{"same tech when done", Done, VisitChange{TechID: &tech}, 3, true, 0, true},
		{"to somebody who does not go", Booked, VisitChange{TechID: &other}, 3, false, domain.Invalid, false},
		{"too long", Booked, VisitChange{EndsAt: &far}, 3, true, domain.Invalid, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			v := base
			v.Status = c.status
			err := c.change.judge(&v, c.version, c.bookable)
			if c.ok {
				require.NoError(t, err)
			} else {
				require.Equal(t, c.want, domain.KindOf(err))
			}
		})
	}
}

// Whatever is changed, the feed names exactly what differs.
func TestFeedNamesWhatDiffers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) Visit {
			return Visit{StartsAt: noon.Add(time.Duration(rapid.IntRange(0, 1).Draw(t, name+" start")) * time.Hour), EndsAt: noon.Add(3 * time.Hour),
				TechID: domain.ID{byte(rapid.IntRange(0, 1).Draw(t, name+" tech"))}, Note: rapid.SampledFrom([]string{"", "x"}).Draw(t, name+" note")}
		}
		a, b := draw("before"), draw("after")
		var want []string
		if !a.StartsAt.Equal(b.StartsAt) {
			want = append(want, "moved")
		}
		if a.TechID != b.TechID {
			want = append(want, "assigned")
		}
		if a.Note != b.Note {
			want = append(want, "noted")
		}
		require.Equal(t, want, changes(a, b))
	})
}

func TestChangesOfACallAreChecked(t *testing.T) {
	long, closing, waits := string(make([]rune, 2001)), Closed, WaitingForParts
	fine := "Hums, then\nstops."
	require.NoError(t, Change{Description: &fine, Status: &waits}.check())
	require.Error(t, Change{Description: &long}.check())
	require.Error(t, Change{Status: &closing}.check())
	bell := "ding\a"
	require.Error(t, Change{Description: &bell}.check())
}
