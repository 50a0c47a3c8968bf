package catalogue

import (
	"encoding/json"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// sample is a supplement a shop might write, read from its file as the edge
// would. Its content is invented.
func sample(t *testing.T) Supplement {
	t.Helper()
	text, err := os.ReadFile("../../testdata/own/hose_clip.json")
	require.NoError(t, err)
	var s Supplement
	require.NoError(t, json.Unmarshal(text, &s))
	return s
}

func opened(t *testing.T) *Catalogue {
	t.Helper()
	c, err := Open()
	require.NoError(t, err)
	return c
}

func TestExtendAddsAndLeavesTheBaseAlone(t *testing.T) {
	c := opened(t)
	base, _ := c.Kind("electric_dryer")
	before, err := json.Marshal(base)
	require.NoError(t, err)

	out, flaws := c.Extend([]Supplement{sample(t)})
	require.Empty(t, flaws[0])
	require.NotEqual(t, c.Version, out.Version)
	k, ok := out.Kind("electric_dryer")
	require.True(t, ok)
	ch, ok := k.Check("own_duct_clip")
	require.True(t, ok)
	require.Equal(t, "choice", ch.Rule)
	cp, _ := k.Complaint("runs_too_hot")
	cause, ok := cp.Cause("own_clip_lost")
	require.True(t, ok)
	require.Equal(t, 0.05, cause.Prior)
	sum := 0.0
	for _, x := range cp.Causes {
		if x.Explains == ExplainsYes {
			sum += x.Prior
		}
	}
	require.InDelta(t, 1, sum, 1e-9, "room was made")
	hood, _ := k.Check("collar_pressure")
	require.Equal(t, Own, hood.Limits[0].Mark)
	m, ok := k.Model("zq 400-e")
	require.True(t, ok)
	require.Equal(t, []string{"thermistor"}, m.Features)

	after, err := json.Marshal(base)
	require.NoError(t, err)
	require.JSONEq(t, string(before), string(after), "the built-in kind is shared by all shops")
	other, _ := out.Kind("washer")
	same, _ := c.Kind("washer")
	require.Same(t, same, other)
}

// What a shop writes is held to the rules of the built-in files, in the same
// words, at its own path.
func TestExtendFindsTheFlawWhereItIs(t *testing.T) {
	for name, x := range map[string]struct {
		change  func(*Supplement)
		path    string
		message string
	}{
		"no title":            {func(s *Supplement) { s.Title = " " }, "title", "must not be empty"},
		"unknown kind":        {func(s *Supplement) { s.Kind = "microwave" }, "kind", `there is no kind "microwave"`},
		"id of the built in":  {func(s *Supplement) { s.Checks[0].ID = "hood_look" }, "checks[0].id", "does not begin with own_"},
		"long sentence":       {func(s *Supplement) { s.Checks[0].Instructions[0] = long }, "checks[0].instructions[0]", "a sentence of 22 words; at most 20"},
		"bypass":              {func(s *Supplement) { s.Checks[0].Instructions[0] = "Jumper the high limit." }, "checks[0].instructions[0]", "defeat a safety device"},
		"bypass in the note":  {func(s *Supplement) { s.Note = "Bypass the cut-off." }, "note", "defeat a safety device"},
		"no state":            {func(s *Supplement) { s.Checks[0].State = "" }, "checks[0].state", "is none of"},
		"live, no competence": {func(s *Supplement) { s.Checks[0].State = LiveOpen }, "checks[0]", `needs competence "live"`},
		"no caution":          {func(s *Supplement) { s.Checks[0].State, s.Checks[0].Cautions = RunningClosed, nil }, "checks[0]", "needs a caution"},
		"weights":             {func(s *Supplement) { s.Checks[0].Findings[0].Otherwise = 0.5 }, "checks[0].findings", "otherwise adds up to"},
		"no such fault":       {func(s *Supplement) { s.Checks[0].Findings[1].Verdicts[0].Fault = "own_gone" }, "checks[0].findings[1].verdicts[0].fault", "there is no fault"},
		"no such rule":        {func(s *Supplement) { s.Checks[0].Rule = "guess" }, "checks[0].rule", ""},
		"cause of nothing":    {func(s *Supplement) { s.Causes[0].Complaint = "sings" }, "causes[0].complaint", "there is no complaint"},
		"unknown cause":       {func(s *Supplement) { s.Causes[0].Fault = "own_gone" }, "causes[0].fault", "there is no fault"},
		"all the room":        {func(s *Supplement) { s.Causes[0].Prior = 0.95 }, "causes", "at most 0.9"},
		"no check to limit":   {func(s *Supplement) { s.Limits[0].Check = "own_gone" }, "limits[0].check", "there is no check"},
		"limit of the code":   {func(s *Supplement) { s.Limits[0].Check, s.Limits[0].Limit = "frame_ground", "ground" }, "limits[0].limit", "is published"},
		"wrong unit":          {func(s *Supplement) { s.Limits[0].Unit = "mOhms" }, "limits[0].unit", ""},
		"open end":            {func(s *Supplement) { s.Limits[0].High = nil }, "limits[0]", "gives neither low nor high"},
		"closing of nothing":  {func(s *Supplement) { s.Closing[0].AnyOf = []string{"own_gone"} }, "closing[0].any_of[0]", "there is no check"},
		"model's feature":     {func(s *Supplement) { s.Models[0].Features = []string{"wings"} }, "models[0].features[0]", "there is no feature"},
		"model twice":         {func(s *Supplement) { s.Models = append(s.Models, Model{Model: "ZQ400E"}) }, "models[1].model", "is there twice"},
	} {
		t.Run(name, func(t *testing.T) {
			s := sample(t)
			x.change(&s)
			out, flaws := opened(t).Extend([]Supplement{s})
			require.NotEmpty(t, flaws[0])
			found := false
			for _, f := range flaws[0] {
				found = found || f.Path == x.path && strings.Contains(f.Message, x.message)
			}
			require.True(t, found, "%v", flaws[0])
			if k, ok := out.Kind("electric_dryer"); ok {
				_, there := k.Check("own_duct_clip")
				require.False(t, there, "what is unsound is left out")
			}
		})
	}
}

const long = "Look at the clip that holds the duct to the collar behind the dryer and say whether it is there and tight."

func TestExtendKeepsTheSoundBesideTheUnsound(t *testing.T) {
	bad, good := sample(t), sample(t)
	bad.Checks[0].Rule = "guess"
	out, flaws := opened(t).Extend([]Supplement{bad, good})
	require.NotEmpty(t, flaws[0])
	require.Empty(t, flaws[1])
	k, _ := out.Kind("electric_dryer")
	_, there := k.Check("own_duct_clip")
	require.True(t, there)
}

func TestExtendMayBuildOnAnother(t *testing.T) {
	first := sample(t)
	second := Supplement{Kind: first.Kind, Title: "Clip, one more word", Closing: []AddedClosing{{Complaint: "runs_too_hot",
		Closing: Closing{ID: "own_clip_again", Text: "The clip was looked at twice.", AnyOf: []string{"own_duct_clip"}}}}}
	_, flaws := opened(t).Extend([]Supplement{first, second})
	require.Empty(t, flaws[0])
	require.Empty(t, flaws[1])
	_, flaws = opened(t).Extend([]Supplement{second})
	require.NotEmpty(t, flaws[0], "alone it hangs in the air")
}

// Whatever a prior of an added cause, the sum stays 1 and the order of the
// others stays.
func TestExtendMakesRoomEvenly(t *testing.T) {
	c, s := opened(t), sample(t)
	base, _ := c.Kind("electric_dryer")
	before, _ := base.Complaint("runs_too_hot")
	rapid.Check(t, func(t *rapid.T) {
		s.Causes[0].Prior = rapid.Float64Range(0.001, ownShare).Draw(t, "prior")
		e := extension{base: base, s: &s}
		k := e.apply()
		require.Empty(t, e.flaws)
		after, _ := k.Complaint("runs_too_hot")
		for i, x := range before.Causes {
			want := x.Prior
			if x.Explains == ExplainsYes {
				want *= 1 - s.Causes[0].Prior
			}
			require.InDelta(t, want, after.Causes[i].Prior, 1e-12)
		}
	})
}

func TestModelsAreComparedWithoutPunctuation(t *testing.T) {
	require.True(t, SameModel("zq-400 e", "ZQ400E"))
	require.False(t, SameModel("zq400e", "zq400f"))
	_, ok := (&Kind{Models: []Model{{Model: "--"}}}).Model("")
	require.False(t, ok, "no model is no model")
}
