package main

import (
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"drumline/cmd/drumline/seed"
	"drumline/domain"
)

// typist answers what the program asks: its standard input and output in one.
// A read is a question, because nothing is read ahead of one.
type typist struct {
	output
	answer func(asked, said string) (string, error) // said is all since the last answer
	heard  int
}

// Read types one line.
func (p *typist) Read(b []byte) (int, error) {
	all := p.String()
	said := all[p.heard:]
	p.heard = len(all)
	line, err := p.answer(said[strings.LastIndexByte(said, '\n')+1:], said)
	if err != nil {
		return 0, err
	}
	return copy(b, line+"\n"), nil
}

// line is one question, known by a part of it, and what is typed.
type line struct{ asked, typed string }

// scripted types lines in turn, and ends the input where another question
// comes.
func scripted(t *testing.T, lines []line) *typist {
	p := &typist{}
	p.answer = func(asked, _ string) (string, error) {
		if len(lines) == 0 {
			return "", io.EOF
		}
		next := lines[0]
		if lines = lines[1:]; !assert.Contains(t, asked, next.asked, p.String()) {
			lines = nil
			return "", io.EOF
		}
		return next.typed, nil
	}
	t.Cleanup(func() { assert.Empty(t, lines, "typed to the end") })
	return p
}

// atMachine is the environment of a tech of the demo.
func atMachine(v ready) func(string) string {
	s := seed.Find(domain.Tech)
	return settings("DRUMLINE_URL", v.URL, "DRUMLINE_SHOP", s.Shop, "DRUMLINE_EMAIL", s.Email, "DRUMLINE_PASSWORD", seed.Password)
}

// work runs the client against the person.
func work(t *testing.T, getenv func(string) string, p *typist, args ...string) string {
	t.Helper()
	var errs output
	require.NoError(t, run(t.Context(), append([]string{"check"}, args...), getenv, p, &p.output, &errs), p.String())
	require.Empty(t, errs.String())
	return p.String()
}

// TestCheckWalk goes through the demo's call: LOW as hot as HIGH, an open bias
// heater.
func TestCheckWalk(t *testing.T) {
	r, v := demo(t, short(t))
	defer r.interrupt()
	const next = "Next check"
	p := scripted(t, []line{
		{next, "/n"}, {next, "??"}, // a list
		{next, ""}, {"", "/b"},
		{next, "as_found_run"},
		{"File of the logged run", "/no/such/file"}, {"File of the logged run", ""},
		{"when heat goes off", "151 150 151 psi"}, {"when heat goes off", "OL"}, {"when heat goes off", "hot"}, {"when heat goes off", "151 150 151"},
		{"when heat comes on", "132, 133, 132 degF"}, {"each heating spell", "300 190 186 s"}, {"each rest", ""},
		{"Heat setting", ""}, {"Heat setting", "9"}, {"Heat setting", "high"}, {"Load", "1"}, {"Current of one leg", "22.3A"}, {"Instrument", ""},
		{next, "low_setting_cycle"},
		{"off, HIGH", "151 150"}, {"off, LOW", "1490 149"}, {"Instrument", ""},
		{"off, LOW", ""}, // refused: beyond what can be; and kept
		{"off, HIGH", ""}, {"off, LOW", "65 Cel"}, {"Instrument", ""},
		{next, "duct_and_box"}, {"How is it isolated", "/n"}, {"Why", ""}, {"Why", "The panel is blocked in."},
		{next, "bias_heater"},
		{"How is it isolated", "plug_in_sight"}, {"live source before", "yes"},
		{"l1 to l2", "yes"}, {"l1 to n", "no"}, {"l2 to n", "no"}, {"l1 to ground", "yes"}, {"l2 to ground", "no"}, {"n to ground", "no"}, {"again afterwards", "yes"},
		{"How is it isolated", "2"}, {"live source before", "yes"}, // one leg was not proven dead
		{"l1 to l2", "yes"}, {"l1 to n", "maybe"}, {"l1 to n", "no"}, {"l2 to n", "no"}, {"l1 to ground", "yes"}, {"l2 to ground", "y"}, {"n to ground", "n"}, {"again afterwards", "yes"},
		{"Across the small terminals", "OL kOhm"}, {"ires", ""}, {"ires", "yes"}, {"Instrument", "1"}, {"leads shorted", "20 mOhm"},
		{"Enter to leave", ""},
	})
	_, printed, ok := strings.Cut(r.stdout.String(), "go run ./cmd/drumline check ")
	require.True(t, ok, "the demo says how")
	printed, _, _ = strings.Cut(printed, "\n")
	said := work(t, settings("DRUMLINE_PASSWORD", seed.Password), p, strings.Fields(printed)...)
	for _, want := range []string{`"psi" is no unit of this`, "Why can it not be done?", "Recorded as not done.", "l2_ground", "The bias heater is open",
		"The fault is shown: bias heater open", "Enough is known: record the conclusion."} {
		require.Contains(t, said, want)
	}
	require.Regexp(t, `! Outlet when heat goes off, LOW: [^\n]+\n  Outlet when heat goes off, LOW \(`, said, "what was refused stands beside its field")
	status, text := request(t, "GET", v.URL+"/v1/calls/"+v.Call.String()+"/readings", v.Tokens[domain.Tech], "")
	require.Equal(t, 200, status)
	var kept struct {
		Items []struct {
			Check   string `json:"check"`
			NotDone string `json:"not_done"`
			Values  []m    `json:"values"`
		} `json:"items"`
	}
	require.NoError(t, json.Unmarshal([]byte(text), &kept))
	require.Len(t, kept.Items, 4, "what was left by /b, or refused, is not stored")
	require.Equal(t, "The panel is blocked in.", kept.Items[2].NotDone)
	require.Equal(t, true, kept.Items[3].Values[0]["over_range"])
}

// everyCheck is one item of the catalogue to do at one machine.
type everyCheck struct {
	check, position, file string
	notDone, over         bool
}

// TestCheckDrawsEveryForm does every check of every kind at every position,
// with answers made from the catalogue's entry alone: as numbers, as over range
// and as a logged run where it takes them; and says of every check once that it
// cannot be done. The service must take each.
func TestCheckDrawsEveryForm(t *testing.T) {
	r, v := demo(t, short(t))
	defer r.interrupt()
	files := map[bool]string{}
	for _, contact := range []bool{false, true} {
		files[contact] = filepath.Join(t.TempDir(), "run.csv")
		wave(t, files[contact], contact)
	}
	b := &bench{t: t, v: v, dispatcher: plainWorker(t, v, domain.Dispatcher), tech: plainWorker(t, v, domain.Tech)}
	kinds, ok := b.tech.get("/v1/catalogue")["kinds"].([]any)
	require.True(t, ok)
	require.NotEmpty(t, kinds)
	for _, k := range kinds {
		text, err := json.Marshal(k)
		require.NoError(t, err)
		b.kind = kindForm{}
		require.NoError(t, json.Unmarshal(text, &b.kind))
		t.Run(b.kind.ID, func(t *testing.T) {
			machines := b.kind.byFeatures(files)
			for _, features := range slices.Sorted(maps.Keys(machines)) {
				b.t = t
				b.walk(features, machines[features])
			}
		})
	}
}

// wave writes a logged run: to and fro, with a contact that opens on the way up.
func wave(t *testing.T, file string, contact bool) {
	t.Helper()
	var text strings.Builder
	for s := 0; s <= 1800; s += 10 {
		at := s % 240
		value := 110 + min(at, 240-at)/3
		fmt.Fprintf(&text, "%d,%d", s, value)
		if contact {
			fmt.Fprintf(&text, ",%d", map[bool]int{true: 1}[value < 140])
		}
		text.WriteString("\n")
	}
	require.NoError(t, os.WriteFile(file, []byte(text.String()), 0o600))
}
