package customers

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"drumline/diagnosis/catalogue"
	"drumline/domain"
)

func TestMatchSerial(t *testing.T) {
	for _, c := range []struct {
		serial, from, to string
		want             SerialMatch
	}{
		{"", "", "", SerialInside}, // a notice without a range is for every unit
		{"anything", "", "", SerialInside},
		{"AB100000", "AB100000", "AB199999", SerialInside}, // both bounds belong to it
		{"AB199999", "AB100000", "AB199999", SerialInside},
		{"ab-150 000", "AB100000", "AB199999", SerialInside},
		{"AB099999", "AB100000", "AB199999", SerialOutside},
		{"AB200000", "AB100000", "AB199999", SerialOutside},
		{"AC150000", "AB100000", "AB199999", SerialOutside},
		{"", "AB100000", "AB199999", SerialUnread},
		{" - ", "AB100000", "AB199999", SerialUnread},
		{"AB15000", "AB100000", "AB199999", SerialUnread},   // a digit is missing
		{"AB1500000", "AB100000", "AB199999", SerialUnread}, // one too many
		{"A8150000", "AB100000", "AB199999", SerialUnread},  // a digit where a letter stands
		{"ABI50000", "AB100000", "AB199999", SerialUnread},  // a letter where a digit stands
		{"AB150000", "AB100000", "", SerialInside},
		{"AB050000", "AB100000", "", SerialOutside},
		{"AB1500000", "AB100000", "", SerialUnread},
		{"AB050000", "", "AB100000", SerialInside},
		{"AB150000", "", "AB100000", SerialOutside},
		{"999", "998", "1002", SerialInside}, // the shorter before the longer
		{"1001", "998", "1002", SerialInside},
		{"997", "998", "1002", SerialOutside},
		{"1003", "998", "1002", SerialOutside},
		{"10000", "998", "10002", SerialInside},
		{"1500", "998", "10002", SerialUnread}, // between the bounds, built like neither
		{"1A5", "100", "2B0", SerialInside},    // the bounds differ there, so either may stand
		{"105", "100", "2B0", SerialInside},
		{"10F", "100", "2B0", SerialUnread},
	} {
		require.Equal(t, c.want, MatchSerial(c.serial, c.from, c.to), "%q in %q..%q", c.serial, c.from, c.to)
	}
}

// A serial number that is not built like a bound is never silently outside,
// however it is written, and writing changes nothing.
func TestNoSerialIsSilentlyClean(t *testing.T) {
	numbers := rapid.StringMatching(`[A-C]{0,2}[0-9]{1,5}`)
	rapid.Check(t, func(t *rapid.T) {
		from, to, s := numbers.Draw(t, "from"), numbers.Draw(t, "to"), rapid.StringMatching(`[A-C0-9]{0,7}`).Draw(t, "serial")
		if serialLess(to, from) {
			from, to = to, from
		}
		got := MatchSerial(s, from, to)
		if len(s) != len(from) && len(s) != len(to) {
			require.Equal(t, SerialUnread, got)
		}
		if got == SerialOutside {
			require.True(t, serialLess(s, from) || serialLess(to, s))
		}
		if got == SerialInside {
			require.False(t, serialLess(s, from) || serialLess(to, s))
		}
		require.Equal(t, got, MatchSerial(strings.ToLower(strings.Join(strings.Split(s, ""), " ")), from, to), "spaces and small letters change nothing")
		require.Equal(t, SerialInside, MatchSerial(from, from, to))
		require.Equal(t, SerialInside, MatchSerial(to, from, to))
		require.Equal(t, SerialUnread, MatchSerial("", from, to))
	})
}

func TestConcerns(t *testing.T) {
	one := Notice{Kind: "electric_dryer", Maker: "Alder Works", Model: "QX-410", SerialFrom: "100", SerialTo: "199"}
	many := Notice{Kind: "electric_dryer", Maker: "Alder Works", Model: "QX-4*"}
	unit := func(maker, model, serial string) Nameplate { return Nameplate{"electric_dryer", maker, model, serial} }
	for _, c := range []struct {
		name   string
		notice Notice
		unit   Nameplate
		toRead []string
		want   bool
	}{
		{"all fits", one, unit("alder works", "qx 410", "150"), nil, true},
		{"no maker on record", one, unit("", "QX-410", "150"), nil, true},
		{"the maker's short name", one, unit("Alder", "QX-410", "150"), nil, true},
		{"another maker's name on the same model", one, unit("Birch", "QX-410", "150"), []string{"maker"}, true},
		{"another kind", one, Nameplate{"refrigerator", "Alder Works", "QX-410", "150"}, nil, false},
		{"another model", one, unit("Alder Works", "QX-411", "150"), nil, false},
		{"a longer model without a star", one, unit("Alder Works", "QX-410W", "150"), nil, false},
		{"the beginning of the model", one, unit("Alder Works", "QX", "150"), []string{"model"}, true},
		{"no model", one, unit("Alder Works", "", "150"), []string{"model"}, true},
		{"no model, no maker", one, unit("", "", "150"), []string{"model"}, true},
		{"no model, another maker", one, unit("Birch", "", "150"), nil, false},
		{"nothing on record", one, unit("", "", ""), []string{"model", "serial"}, true},
		{"no serial", one, unit("Alder Works", "QX-410", ""), []string{"serial"}, true},
		{"a serial of another length", one, unit("Alder Works", "QX-410", "1500"), []string{"serial"}, true},
		{"a serial outside", one, unit("Alder Works", "QX-410", "200"), nil, false},
		{"a serial outside, no model", one, unit("Alder Works", "", "200"), nil, false},
		{"a star takes longer models", many, unit("Alder Works", "QX-410W", ""), nil, true},
		{"a star takes the beginning itself", many, unit("Alder Works", "QX-4", ""), nil, true},
		{"a star takes no others", many, unit("Alder Works", "QX-510", ""), nil, false},
		{"shorter than the star", many, unit("Alder Works", "QX", ""), []string{"model"}, true},
	} {
		toRead, got := c.notice.Concerns(c.unit)
		require.Equal(t, c.want, got, c.name)
		require.Equal(t, c.toRead, toRead, c.name)
	}
}

func TestNoticeIsHeldAgainstRules(t *testing.T) {
	cat, err := catalogue.Open()
	require.NoError(t, err)
	good := Notice{Kind: "electric_dryer", Model: "QX-4*", SerialFrom: "100", SerialTo: "199", Title: "The element can touch its case",
		WhatToDo: "Fit the new element. Never bypass the cut-off.", Level: NoticeAtRisk, Reference: "Notice 2026-7", IssuedOn: domain.Date{Year: 2026, Month: 3, Day: 2}}
	require.NoError(t, good.check(cat))
	for _, c := range []struct {
		edit func(*Notice)
		want string
	}{
		{func(n *Notice) { n.Kind = "microwave" }, "/kind unknown"},
		{func(n *Notice) { n.Model = "" }, "/model required"},
		{func(n *Notice) { n.Model = "*" }, "/model unnamed"},
		{func(n *Notice) { n.Model = "Q*X" }, "/model star"},
		{func(n *Notice) { n.Model = "Q* " }, "/model star"},
		{func(n *Notice) { n.SerialFrom = "--" }, "/serial_from unreadable"},
		{func(n *Notice) { n.SerialFrom = "200" }, "/serial_to order"},
		{func(n *Notice) { n.SerialTo = "99" }, "/serial_to order"},
		{func(n *Notice) { n.Title = " " }, "/title required"},
		{func(n *Notice) { n.WhatToDo = "Bypass the cut-off until the part arrives." }, "/what_to_do defeats_safety"},
		{func(n *Notice) { n.Title = "Bridge the thermostat" }, "/title defeats_safety"},
		{func(n *Notice) { n.Reference = "" }, "/reference required"},
		{func(n *Notice) { n.Level = "below_present_code" }, "/level unknown"},
		{func(n *Notice) { n.IssuedOn = domain.Date{} }, "/issued_on required"},
	} {
		n := good
		c.edit(&n)
		var e *domain.Error
		require.ErrorAs(t, n.check(cat), &e, c.want)
		require.Len(t, e.Fields, 1, c.want)
		require.Equal(t, c.want, e.Fields[0].Pointer+" "+e.Fields[0].Code)
	}
}

func TestNoticeAdvice(t *testing.T) {
	certain := NoticeFlag{Title: "The element can touch its case", Level: NoticeDangerNow}
	unread := NoticeFlag{Title: "The lid can fall", Level: NoticeDangerNow, ToRead: []string{ReadSerial}}
	risk, done := certain, certain
	risk.Level, done.Handled = NoticeAtRisk, &Handling{}
	require.Empty(t, NoticeAdvice(nil))
	require.Empty(t, NoticeAdvice([]NoticeFlag{risk, done}))
	got := NoticeAdvice([]NoticeFlag{certain, unread, risk, unread})
	require.Len(t, got, 2)
	require.Contains(t, got[0], "The element can touch its case. Stop using it now.")
	require.Contains(t, got[1], "Do not use it until its nameplate has been read.")
	require.NotContains(t, got[1], unread.Title, "what may not concern it is not read out as if it did")
	for _, s := range got {
		require.Empty(t, catalogue.Defeats(s))
	}
}
