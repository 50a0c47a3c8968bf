package catalogue

import (
	"encoding/json"
	"reflect"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"
)

func dryer(t *testing.T) *Kind {
	t.Helper()
	c, err := Open()
	require.NoError(t, err)
	k, ok := c.Kind("electric_dryer")
	require.True(t, ok)
	return k
}

func TestOpen(t *testing.T) {
	c, err := Open()
	require.NoError(t, err)
	again, err := Open()
	require.NoError(t, err)
	require.Same(t, c, again, "parsed once")
	require.Len(t, c.Version, 16)
	_, ok := c.Kind("microwave_oven")
	require.False(t, ok)
}

func TestVersionFollowsContent(t *testing.T) {
	one, err := read(fstest.MapFS{"lamp.yaml": {Data: []byte(lamp)}})
	require.NoError(t, err)
	same, err := read(fstest.MapFS{"lamp.yaml": {Data: []byte(lamp)}})
	require.NoError(t, err)
	other, err := read(fstest.MapFS{"lamp.yaml": {Data: []byte(lamp + "# more\n")}})
	require.NoError(t, err)
	require.Equal(t, one.Version, same.Version)
	require.NotEqual(t, one.Version, other.Version)
}

func TestKindInTwoFiles(t *testing.T) {
	_, err := read(fstest.MapFS{"a.yaml": {Data: []byte(lamp)}, "b.yaml": {Data: []byte(lamp)}})
	require.EqualError(t, err, `b.yaml:1: kind "lamp" is in another file too`)
}

func TestBrokenFileIsRefused(t *testing.T) {
	_, err := read(fstest.MapFS{"a.yaml": {Data: []byte("kind: [")}})
	require.ErrorContains(t, err, "a.yaml:")
}

func TestLookups(t *testing.T) {
	k := dryer(t)
	for i := range k.Checks {
		c, ok := k.Check(k.Checks[i].ID)
		require.True(t, ok)
		require.Same(t, &k.Checks[i], c)
		for n := range c.Inputs {
			in, ok := c.Input(c.Inputs[n].ID)
			require.True(t, ok)
			require.Same(t, &c.Inputs[n], in)
		}
		for n := range c.Findings {
			f, ok := c.Finding(c.Findings[n].ID)
			require.True(t, ok)
			require.Same(t, &c.Findings[n], f)
		}
	}
	for _, ok := range []bool{
		found(k.Part("blower")), found(k.Fault("blower_slips")), found(k.Parameter("thermistor_curve")),
		found(k.Action("clean_run")), found(k.Complaint("runs_too_hot")), found(k.Feature("dual_coil")),
	} {
		require.True(t, ok)
	}
	for _, ok := range []bool{
		found(k.Check("x")), found(k.Part("")), found(k.Fault("x")), found(k.Parameter("x")),
		found(k.Action("x")), found(k.Complaint("x")), found(k.Feature("x")),
	} {
		require.False(t, ok)
	}
	c, _ := k.Complaint("runs_too_hot")
	q, ok := c.Question("warm_when_off")
	require.True(t, ok)
	a, ok := q.Answer("yes")
	require.True(t, ok)
	require.Contains(t, a.Advice, "Unplug it NOW")
	_, ok = q.Answer("maybe")
	require.False(t, ok)
	require.True(t, found(c.Cause("coil_grounded")))
	require.False(t, found(c.Question("x")))
}

func found[T any](_ *T, ok bool) bool { return ok }

// A check made by hand, as in a test, has no index and is searched.
func TestLookupWithoutIndex(t *testing.T) {
	c := Check{
		Inputs: []Input{{ID: "resistance"}}, Findings: []Finding{{ID: "high"}},
		Positions: []Position{{ID: "left"}}, Limits: []Limit{{ID: "ends"}},
	}
	require.True(t, found(c.Input("resistance")))
	require.True(t, found(c.Finding("high")))
	require.True(t, found(c.Position("left")))
	require.True(t, found(c.Limit("ends")))
	require.False(t, found(c.Input("x")))
}

// The types are served as they are: each exported field has the same
// snake_case name in JSON as in the file.
func TestJSONNamesAreTheFilesNames(t *testing.T) {
	for _, x := range []any{Kind{}, Feature{}, Parameter{}, Part{}, Fault{}, Action{}, Complaint{}, Question{}, Answer{},
		Cause{}, Closing{}, Check{}, Position{}, Input{}, Choice{}, SeriesForm{}, Limit{}, Finding{}, Says{}} {
		typ := reflect.TypeOf(x)
		for i := range typ.NumField() {
			f := typ.Field(i)
			if !f.IsExported() {
				continue
			}
			name := f.Tag.Get("yaml")
			require.Regexp(t, snake, name, "%s.%s", typ.Name(), f.Name)
			require.Equal(t, name+",omitempty", f.Tag.Get("json"), "%s.%s", typ.Name(), f.Name)
		}
	}
	out, err := json.Marshal(dryer(t))
	require.NoError(t, err)
	require.Contains(t, string(out), `"kind":"electric_dryer"`)
}
