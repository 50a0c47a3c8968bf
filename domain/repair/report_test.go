package repair

import (
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"drumline/domain/calls"
)

func TestHeadlineInvitesOnlyToASafeAppliance(t *testing.T) {
	usable := []calls.Outcome{calls.ReturnedToService, calls.NoFaultFound}
	for _, o := range append(calls.Outcomes(), "") {
		c := calls.Call{Status: calls.Closed, Outcome: o}
		if o == "" {
			c.Status = calls.Open
		}
		text, ok := headline(c, "electric clothes dryer", false)
		require.Equal(t, slices.Contains(usable, o), ok, "%s: %s", o, text)
		require.NotEmpty(t, text)
		text, ok = headline(c, "electric clothes dryer", true)
		require.False(t, ok, o)
		require.Contains(t, text, "Do not use your electric clothes dryer", o)
	}
}

// Nothing a customer reads sends them inside the machine or onto a roof, or
// has them defeat a safety device.
func TestTextsForCustomersAreSafe(t *testing.T) {
	bad := regexp.MustCompile(`(?i)\b(open (the|your) (cabinet|panel|cover)|take off|unscrew|bypass|bridge|jumper|reset it yourself|climb (up|onto))\b`)
	texts := append(cautions("electric_dryer"), cautions("anything_else")...)
	for _, k := range HazardKinds() {
		texts = append(texts, k.Plain, k.Ask)
		require.NotEmpty(t, k.Ask, k.ID)
	}
	for _, s := range texts {
		require.NotRegexp(t, bad, strings.TrimPrefix(s, "Never open the cabinet."))
	}
	require.Contains(t, cautions("anything_else")[1], "Never open the cabinet")
}

func TestHazardStops(t *testing.T) {
	cleared := noon
	for _, c := range []struct {
		h    Hazard
		want bool
	}{
		{Hazard{What: "missing_ground", Level: DangerNow}, true},
		{Hazard{What: "missing_ground", Level: AtRisk}, false},
		{Hazard{What: "safety_device_failed", Level: BelowPresentCode}, true},
		{Hazard{What: "safety_device_bypassed", Level: AtRisk}, true},
		{Hazard{What: "safety_device_bypassed", Level: DangerNow, ClearedAt: &cleared}, false},
		{Hazard{What: "of a later version", Level: DangerNow}, true},
	} {
		require.Equal(t, c.want, c.h.Stops(), "%s %s", c.h.What, c.h.Level)
	}
}

// A limit is worded in the unit that was entered. 145 and 165 °F are 335.93 and
// 347.04 K; a difference of 10 °F is 5.56 K.
func TestLimitsInWords(t *testing.T) {
	k := dryer(t)
	f := func(v float64) *float64 { return &v }
	for _, c := range []struct {
		check, entered, limitUnit string
		low, high                 *float64
		want                      string
	}{
		{"as_found_run", "[degF]", "[degF]", f((145 + 459.67) / 1.8), f((165 + 459.67) / 1.8), "145 to 165 °F"},
		{"as_found_run", "Cel", "[degF]", f((145 + 459.67) / 1.8), f((165 + 459.67) / 1.8), "63 to 74 °C"},
		{"as_found_run", "[degF]", "[degF]", nil, f(8 / 1.8), "at most 8 °F"}, // a difference, not 8 °F above its zero
		{"air_only_run", "[degF]", "[degF]", nil, f(10 / 1.8), "at most 10 °F"},
		{"hood", "m/s", "[ft_i]/min", f(1200 * 0.00508), nil, "at least 6.1 m/s"},
		{"coil_to_case", "kOhm", "MOhm", f(1e6), nil, "at least 1000 kΩ"},
		{"duct_off_run", "m/s", "1", f(0.7), nil, "at least 70%"},
		{"bias_heater", "kOhm", "Ohm", f(5600), f(8400), "5.6 to 8.4 kΩ"},
	} {
		ch, ok := k.Check(c.check)
		require.True(t, ok)
		v := Verdict{LimitLow: c.low, LimitHigh: c.high, LimitUnit: c.limitUnit, LimitOrigin: "somewhere"}
		r := &Reading{Values: []Value{{Unit: c.entered}}}
		q := limitQuantity(ch, v)
		require.Equal(t, c.want, limitInWords(v, q, shownUnit(r, v, q)).Text, c.check)
	}
}
