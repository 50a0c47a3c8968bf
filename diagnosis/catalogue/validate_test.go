package catalogue

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// lamp is a small kind that is valid as it stands; the table below breaks it
// one rule at a time.
const lamp = `kind: lamp
name: Lamp
version: 1
features:
  - {id: dimmer, name: 'Has it a dimmer?'}
as_found:
  - {id: cold, name: Not lit since it was last at rest.}
parameters:
  - {id: bulb_ohms, name: Bulb resistance, form: band, quantity: resistance, units: [Ohm], where: Nameplate.}
parts:
  - {id: bulb, name: Bulb, plain: the bulb, role: ordinary}
  - {id: fuse, name: Fuse, plain: the fuse, role: second_barrier, has: dimmer}
faults:
  - {id: bulb_open, part: bulb, mode: open, name: Bulb open, plain: The bulb is broken., fix: replace_part, minutes: 5, mark: common_practice}
  - {id: bulb_weak, part: bulb, mode: high, name: Bulb weak, plain: The bulb is old., fix: replace_part, minutes: 5, mark: common_practice}
  - {id: fuse_late, part: fuse, mode: late, name: Fuse late, plain: The fuse is slow., fix: replace_part, minutes: 5, mark: common_practice}
actions:
  - {id: replace_part, name: Replace, plain: fitted a new part, touches: [chosen], destroys: [cold], cleans: [hood]}
checks:
  - id: bulb_ends
    name: Bulb end to end
    parts: [bulb]
    why: An open bulb does not light.
    instructions: [Measure across the bulb.]
    place: Socket
    state: isolated
    cautions: [Let it cool.]
    minutes: 2
    answers: [bulb_resistance]
    needs: [cold]
    positions:
      - {id: left, name: left bulb, limit: ends}
    rule: range
    inputs:
      - {id: resistance, name: End to end, quantity: resistance, units: [Ohm], required: true, over_range: true}
    limits:
      - {id: ends, input: resistance, parameter: bulb_ohms, high: 100, unit: Ohm, mark: common_practice}
    findings:
      - id: conforms
        verdicts: [{part: bulb, outcome: conforms}]
        sentence: 'The bulb has {value}.'
        weights: {bulb_open: 0.05, bulb_weak: 0.1}
        otherwise: 0.9
        mark: common_practice
      - id: high
        verdicts: [{part: bulb, outcome: does_not_conform, fault: bulb_weak}]
        sentence: 'The bulb has {value}, limit {limit}.'
        weights: {bulb_open: 0.05, bulb_weak: 0.8}
        otherwise: 0.05
        mark: common_practice
      - id: open
        verdicts: [{part: bulb, outcome: does_not_conform, fault: bulb_open}]
        sentence: The bulb is open.
        weights: {bulb_open: 0.9, bulb_weak: 0.1}
        otherwise: 0.05
        mark: common_practice
      - id: between_high
        verdicts: [{part: bulb, outcome: inconclusive}]
        sentence: The meter cannot tell.
        do: Measure again.
  - id: fuse_look
    name: Look at the fuse
    parts: [fuse]
    why: It must be the right one.
    instructions: [Read the stamp.]
    place: Foot
    state: running_closed
    cautions: [Never bypass a fuse.]
    minutes: 1
    answers: [fuse_kind]
    rule: choice
    inputs:
      - {id: result, name: What it shows, required: true, choices: [{id: right, name: Right}, {id: late, name: Slow one}]}
    findings:
      - id: right
        verdicts: [{part: fuse, outcome: conforms}]
        sentence: The fuse is right.
        weights: {fuse_late: 0.1}
        otherwise: 0.98
        mark: common_practice
      - id: late
        verdicts: [{part: fuse, outcome: does_not_conform, fault: fuse_late}]
        sentence: The fuse is a slow one.
        weights: {fuse_late: 0.9}
        otherwise: 0.02
        mark: common_practice
complaints:
  - id: dark
    name: Dark
    say: Leave it off.
    triage:
      - id: since
        ask: Since when?
        answers:
          - {id: today, text: Today, weights: {bulb_open: 2}}
          - {id: longer, text: Longer}
    causes:
      - {fault: bulb_open, prior: 0.7, explains: 'yes', mark: common_practice}
      - {fault: bulb_weak, prior: 0.3, explains: 'yes', mark: common_practice}
      - {fault: fuse_late, prior: 0.02, explains: second_barrier, mark: common_practice}
    closing:
      - {id: bulb, text: Bulb measured, any_of: [bulb_ends]}
      - {id: lit, text: It lights, statement: lit}
`

func TestLampIsValid(t *testing.T) {
	k, err := Load("lamp.yaml", []byte(lamp))
	require.NoError(t, err)
	require.Equal(t, "lamp", k.ID)
}

// Every message names the file and the line of what is wrong.
func TestLoadNamesTheLine(t *testing.T) {
	for _, c := range []struct {
		name, old, new string
		where          string // text on the line named, when it is not that of old
		want           string
	}{
		{"syntax", "name: Lamp\n", "name: [Lamp\n", "", "did not find"},
		{"syntax further down", "say: Leave it off.", "say: {a", "", "did not find"},
		{"tab", "say: Leave it off.", "say: x\n\t- y", "", "tab character"},
		{"unknown key", "version: 1\n", "version: 1\ncolour: red\n", "colour", "field colour not found"},
		{"repeated key", "version: 1\n", "version: 1\nversion: 2\n", "version: 2", "already"},
		{"wrong type", "minutes: 2\n", "minutes: soon\n", "minutes: soon", "cannot unmarshal"},
		{"kind id", "kind: lamp", "kind: Lamp Kind", "", "not snake_case"},
		{"microwave", "kind: lamp", "kind: microwave_oven", "", "microwave ovens are not worked on"},
		{"version", "version: 1", "version: 0", "", "1 or more"},
		{"feature without name", "name: 'Has it a dimmer?'", "name: ''", "", "must not be empty"},
		{"id twice", "{id: bulb_weak, part", "{id: bulb_open, part", "", "there twice"},
		{"id form", "{id: left, name", "{id: Left-Bulb, name", "", "not snake_case"},
		{"parameter form", "form: band", "form: curves", "", "none of"},
		{"parameter quantity", "quantity: resistance, units: [Ohm], where", "quantity: ohms, units: [Ohm], where", "", "not a quantity"},
		{"parameter unit", "units: [Ohm], where", "units: [V], where", "", "V"},
		{"parameter without unit", "units: [Ohm], where", "units: [], where", "", "names no unit"},
		{"curve of volts", "form: band, quantity: resistance, units: [Ohm]", "form: curve, quantity: voltage, units: [V]", "", "a curve is of resistance"},
		{"part role", "plain: the bulb, role: ordinary", "plain: the bulb, role: main", "", "none of"},
		{"part feature", "has: dimmer", "has: dimer", "", `no feature "dimer"`},
		{"part feature both ways", "has: dimmer", "has: dimmer, lacks: dimmer", "", "same feature"},
		{"fault part", "part: bulb, mode: high", "part: bulp, mode: high", "", `no part "bulp"`},
		{"fault mode twice", "part: bulb, mode: high", "part: bulb, mode: open", "", "twice"},
		{"fault fix", "plain: The bulb is old., fix: replace_part", "plain: The bulb is old., fix: replace_all", "", `no action "replace_all"`},
		{"fault without fix", "plain: The bulb is old., fix: replace_part, ", "plain: The bulb is old., ", "", "must be given"},
		{"fault minutes", "plain: The bulb is old., fix: replace_part, minutes: 5", "plain: The bulb is old., fix: replace_part, minutes: .inf", "", "above 0"},
		{"fault mark", "plain: The fuse is slow., fix: replace_part, minutes: 5, mark: common_practice", "plain: The fuse is slow., fix: replace_part, minutes: 5, mark: guess", "", "none of"},
		{"action touches", "touches: [chosen]", "touches: [bulbs]", "", `no part "bulbs"`},
		{"action destroys", "destroys: [cold]", "destroys: [warm]", "", `no as-found state "warm"`},
		{"action cleans", "cleans: [hood]", "cleans: [house]", "", "none of"},
		{"check parts", "parts: [bulb]", "parts: [bulbs]", "", `no part "bulbs"`},
		{"check without answers", "answers: [bulb_resistance]", "answers: []", "", "must not be empty"},
		{"check state", "state: isolated", "state: unplugged", "", "none of"},
		{"check without instructions", "instructions: [Read the stamp.]", "instructions: []", "id: fuse_look", "needs an instruction"},
		{"powered without caution", "cautions: [Never bypass a fuse.]", "cautions: []", "id: fuse_look", "needs a caution"},
		{"live without competence", "state: running_closed", "state: live_open", "id: fuse_look", `needs competence "live"`},
		{"gas without competence", "place: Foot", "place: Foot\n    gas: true", "id: fuse_look", `needs competence "gas"`},
		{"gas and electric", "place: Foot", "place: Foot\n    gas: true\n    competence: gas\n    electric_only: true", "id: fuse_look", "both gas work"},
		{"competence", "place: Foot", "place: Foot\n    competence: wizard", "competence", "none of"},
		{"check minutes", "minutes: 2\n", "minutes: 0\n", "minutes: 0", "above 0"},
		{"check needs", "needs: [cold]", "needs: [clod]", "", `no as-found state "clod"`},
		{"position limit", "limit: ends}", "limit: end}", "", `no limit "end"`},
		{"rule", "rule: choice", "rule: look", "", `no rule "look"`},
		{"rule's input", "{id: result, name", "{id: results, name", "", `reads an input "result"`},
		{"rule's finding", "- id: between_high", "- id: between", "- id: conforms", `may give "between_high"`},
		{"finding of a choice", "{id: late, name: Slow one}", "{id: slow, name: Slow one}", "- id: right", `may give "slow"`},
		{"input unit", "units: [Ohm], required", "units: [ohm], required", "", "Ohm"},
		{"input range", "over_range: true}", "over_range: true, low: 5, high: 4}", "", "not below high"},
		{"choice with a unit", "choices: [{id: right", "units: [V], choices: [{id: right", "", "a choice has no"},
		{"limit input", "{id: ends, input: resistance", "{id: ends, input: volts", "", `no input "volts"`},
		{"limit parameter", "parameter: bulb_ohms", "parameter: bulb_volts", "", `no parameter "bulb_volts"`},
		{"limit unit", "high: 100, unit: Ohm", "high: 100, unit: A", "", "A"},
		{"limit without figure", "high: 100, unit", "unit", "parameter: bulb_ohms, unit", "no figure to fall back on"},
		{"limit not finite", "high: 100", "high: .nan", "", "finite"},
		{"limit of the sheet without parameter", "parameter: bulb_ohms, high: 100, unit: Ohm, mark: common_practice", "high: 100, unit: Ohm, mark: sheet", "", "names no parameter"},
		{"published without source", "unit: Ohm, mark: common_practice", "unit: Ohm, mark: published", "", "names its source"},
		{"tolerance", "parameter: bulb_ohms", "tolerance: -1, parameter: bulb_ohms", "", "above 0"},
		{"placeholder", "has {value}.", "has {ohms}.", "", "{ohms}"},
		{"verdict part", "[{part: bulb, outcome: conforms}]", "[{part: fuse, outcome: conforms}]", "", "not a part of check bulb_ends"},
		{"verdict outcome", "[{part: bulb, outcome: conforms}]", "[{part: bulb, outcome: fine}]", "", "none of"},
		{"verdict without fault", "outcome: does_not_conform, fault: fuse_late", "outcome: does_not_conform", "", "must name the fault"},
		{"verdict of another's fault", "outcome: does_not_conform, fault: fuse_late", "outcome: does_not_conform, fault: bulb_open", "", "a fault of bulb, not of fuse"},
		{"verdict fault unknown", "outcome: does_not_conform, fault: fuse_late", "outcome: does_not_conform, fault: fuse_slow", "", `no fault "fuse_slow"`},
		{"fault of a part that conforms", "[{part: bulb, outcome: conforms}]", "[{part: bulb, outcome: conforms, fault: bulb_open}]", "", "only a part that does not conform"},
		{"nothing to do", "        do: Measure again.\n", "", "- id: between_high", "must not be empty"},
		{"weight of no fault", "{fuse_late: 0.1}", "{fuse_slow: 0.1}", "", `no fault "fuse_slow"`},
		{"weight of 1", "{fuse_late: 0.9}", "{fuse_late: 1}", "", "between 0 and 1"},
		{"otherwise of 0", "otherwise: 0.98", "otherwise: 0", "", "between 0 and 1"},
		{"otherwise does not add up", "otherwise: 0.98", "otherwise: 0.9", "- id: right", "otherwise adds up to 0.920"},
		{"weights do not add up", "{fuse_late: 0.9}", "{fuse_late: 0.5}", "- id: right", "chances given fuse_late add up to 0.600"},
		{"one answer", "          - {id: longer, text: Longer}\n", "", "- {id: today", "at least two answers"},
		{"answer's weight", "{bulb_open: 2}", "{bulb_open: -2}", "", "above 0"},
		{"answer's fault", "{bulb_open: 2}", "{bulb_shut: 2}", "", "not a cause of dark"},
		{"cause", "{fault: bulb_weak, prior", "{fault: bulb_dim, prior", "", `no fault "bulb_dim"`},
		{"cause twice", "{fault: bulb_weak, prior", "{fault: bulb_open, prior", "", "there twice"},
		{"priors", "prior: 0.7", "prior: 0.6", "- {fault: bulb_open", "add up to 0.900"},
		{"prior", "prior: 0.02", "prior: 0", "", "between 0 and 1"},
		{"explains", "explains: second_barrier", "explains: maybe", "", "none of"},
		{"barrier as first cause", "prior: 0.02, explains: second_barrier", "prior: 0.001, explains: 'yes'", "", "never a first cause"},
		{"first cause as barrier", "prior: 0.3, explains: 'yes'", "prior: 0.3, explains: second_barrier", "", "bulb is not a second barrier"},
		{"closing check", "any_of: [bulb_ends]", "any_of: [bulb_end]", "", `no check "bulb_end"`},
		{"closing of neither", "text: It lights, statement: lit", "text: It lights", "", "neither a statement nor checks"},
		{"closing feature", "statement: lit", "statement: lit, has: light", "", `no feature "light"`},
		{"bypass", "text: It lights", "text: Bypass the fuse and see", "", "defeat a safety device"},
		{"bypass in an id", "{id: today, text", "{id: bypass_fuse, text", "", "defeat a safety device"},
		{"long sentence", "[Let it cool.]", "[" + strings.Repeat("very ", 20) + "hot.]", "", "a sentence of 21 words"},
	} {
		t.Run(c.name, func(t *testing.T) {
			require.Equal(t, 1, strings.Count(lamp, c.old), "the text to break must be there once")
			broken := strings.Replace(lamp, c.old, c.new, 1)
			i := strings.Index(lamp, c.old)
			if c.where != "" {
				i = strings.Index(broken, c.where)
			}
			require.GreaterOrEqual(t, i, 0)
			line := 1 + strings.Count(broken[:i], "\n")
			_, err := Load("lamp.yaml", []byte(broken))
			require.Error(t, err)
			require.Contains(t, linesWith(err, c.want), fmt.Sprintf("lamp.yaml:%d:", line), "%v", err)
		})
	}
}

// A run is noted with the current of a leg or with a look at the burner: one
// of the two must be there to enter.
func TestRunReadsCurrentOrBurner(t *testing.T) {
	for old, want := range map[string]string{
		"{id: burner, name: Burner at the highest temperature": "",
		"{id: flame, name: Burner at the highest temperature":  `rule run reads one of the inputs [burner current], and none is listed`,
	} {
		gas, err := builtIn.ReadFile("gas_dryer.yaml")
		require.NoError(t, err)
		_, err = Load("gas_dryer.yaml", []byte(strings.Replace(string(gas), "{id: burner, name: Burner at the highest temperature", old, 1)))
		if want == "" {
			require.NoError(t, err)
			continue
		}
		require.ErrorContains(t, err, want)
	}
}

// linesWith gives the lines of the error that hold the words.
func linesWith(err error, words string) string {
	var out []string
	for l := range strings.SplitSeq(err.Error(), "\n") {
		if strings.Contains(l, words) {
			out = append(out, l)
		}
	}
	return strings.Join(out, "\n")
}

func TestCauseOutOfReach(t *testing.T) {
	broken := strings.NewReplacer("bulb_open: 0.05, bulb_weak: 0.1}", "bulb_open: 0.05}",
		"bulb_open: 0.05, bulb_weak: 0.8}", "bulb_open: 0.05}", "bulb_open: 0.9, bulb_weak: 0.1}", "bulb_open: 0.9}").Replace(lamp)
	_, err := Load("lamp.yaml", []byte(broken))
	require.ErrorContains(t, err, "no finding of any check speaks for or against bulb_weak")
}

func TestOneDocumentAFile(t *testing.T) {
	_, err := Load("lamp.yaml", []byte(lamp+"---\nkind: other\n"))
	require.ErrorContains(t, err, "lamp.yaml:1: one document a file")
}

func TestEmptyFile(t *testing.T) {
	for _, data := range []string{"", "# nothing\n", "null\n", "[]\n", "\x00"} {
		_, err := Load("empty.yaml", []byte(data))
		require.ErrorContains(t, err, "empty.yaml:1:", "%q", data)
	}
}

func FuzzLoad(f *testing.F) {
	f.Add([]byte(lamp))
	f.Add([]byte("kind: &a [*a]"))
	f.Add([]byte("- x: {"))
	f.Fuzz(func(t *testing.T, data []byte) {
		k, err := Load("f.yaml", data)
		if (k == nil) == (err == nil) {
			t.Fatal("either a kind or an error")
		}
	})
}
