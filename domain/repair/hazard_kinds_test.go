package repair

import (
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/diagnosis/catalogue"
)

var sentenceEnds = regexp.MustCompile(`[.!?;:]+(\s+|$)|\n+`)

// texts lists everything of a kind that somebody reads.
func (k HazardKind) texts() []string {
	return slices.Concat([]string{k.Name, k.Plain, k.Ask, k.Source}, k.Look, k.Do)
}

func TestHazardKindsAreComplete(t *testing.T) {
	seen := map[string]bool{}
	for _, k := range HazardKinds() {
		require.Regexp(t, `^[a-z]+(_[a-z]+)*$`, k.ID)
		require.False(t, seen[k.ID], "%s stands twice", k.ID)
		seen[k.ID] = true
		for _, s := range []string{k.Name, k.Plain, k.Ask, string(k.Usual), string(k.Mark)} {
			require.NotEmpty(t, s, k.ID)
		}
		require.NotEmpty(t, k.Look, k.ID)
		require.NotEmpty(t, k.Do, k.ID)
		require.Contains(t, Levels(), k.Usual, k.ID)
		require.Contains(t, []Level{"", DangerNow}, k.Least, k.ID)
		require.True(t, k.Least == "" || k.Usual == k.Least, "%s is usually less grave than it may be", k.ID)
		require.Contains(t, []HazardMark{HazardPublished, HazardPractice, HazardFromMemory}, k.Mark, k.ID)
		require.Equal(t, k.Mark == HazardPractice, k.Source == "", "%s: what is published names its source, common practice has none", k.ID)
		for _, s := range k.texts() {
			require.Empty(t, catalogue.Defeats(s), "%s: %s", k.ID, s)
			for _, sentence := range sentenceEnds.Split(s, -1) {
				require.LessOrEqual(t, len(strings.Fields(sentence)), 20, "%s: %s", k.ID, sentence)
			}
		}
	}
	require.Equal(t, "other", HazardKinds()[len(seen)-1].ID, "an unknown kind is shown as the last one")
}

// What the trade must know of (common practice, no source): each has a kind.
func TestEachRuleOfSafetyHasAKind(t *testing.T) {
	for _, id := range []string{"not_isolated", "capacitor_charge", "inverter_bus", "gas_smell", "gas_leak", "gas_connector", "carbon_monoxide",
		"hydrocarbon_refrigerant", "refrigerant_leak", "safety_device_bypassed", "safety_device_failed", "lint_fire", "hot_parts", "sharp_edges", "strap_wrong",
		"three_wire_supply", "aluminium_wiring", "missing_ground", "tip_over", "unstable_stack", "water_leak", "water_damage", "wet_floor",
		"two_person_lift", "ladder_or_roof"} {
		_, ok := hazardKind(id)
		require.True(t, ok, id)
	}
}

// Keeps agrees with what stops the closing of a call.
func TestKeepsIsWhatStops(t *testing.T) {
	for _, k := range HazardKinds() {
		for _, level := range Levels() {
			n := NewHazard{What: k.ID, Level: level, Found: "x", Done: "x", Told: "x"}
			if n.check() != nil {
				continue // a level that is refused
			}
			want := k.Keeps() == KeepsAlways || level == DangerNow
			require.Equal(t, want, Hazard{What: k.ID, Level: level}.Stops(), "%s %s", k.ID, level)
		}
	}
}

func TestLevelsTooLowAreRefused(t *testing.T) {
	for _, id := range []string{"gas_smell", "gas_leak", "carbon_monoxide", "refrigerant_leak"} {
		err := NewHazard{What: id, Level: AtRisk, Found: "x", Done: "x", Told: "x"}.check()
		require.ErrorContains(t, err, "too_low", id)
	}
}
