package main

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/api/apitest"
	"drumline/domain"
	"drumline/domain/repair"
)

// attempts bounds how often a form is filled in anew after it was refused.
const attempts = 6

// kindForm is what a client reads of a kind.
type kindForm struct {
	ID         string `json:"id"`
	Fuel       string `json:"fuel"`
	Complaints []struct {
		ID string `json:"id"`
	} `json:"complaints"`
	Checks []checkForm `json:"checks"`
}

type checkForm struct {
	fitting
	Positions []fitting   `json:"positions"`
	Inputs    []inputForm `json:"inputs"`
	Series    *struct {
		Closed bool `json:"closed"`
	} `json:"series"`
}

type fitting struct {
	ID    string `json:"id"`
	Name  string `json:"name"`
	Has   string `json:"has"`
	Lacks string `json:"lacks"`
}

type inputForm struct {
	Name      string   `json:"name"`
	Quantity  string   `json:"quantity"`
	Units     []string `json:"units"`
	Choices   []any    `json:"choices"`
	Many      bool     `json:"many"`
	OverRange bool     `json:"over_range"`
	Low       *float64 `json:"low"`
	High      *float64 `json:"high"`
}

// byFeatures sorts what there is to do by the features a machine needs for it;
// files are a logged run without and with a contact.
func (k kindForm) byFeatures(files map[bool]string) map[string][]everyCheck {
	out := map[string][]everyCheck{}
	for _, c := range k.Checks {
		places := c.Positions
		if len(places) == 0 {
			places = []fitting{{}}
		}
		for i, p := range places {
			has := slices.DeleteFunc([]string{c.Has, p.Has}, func(s string) bool { return s == "" })
			slices.Sort(has)
			key := strings.Join(slices.Compact(has), ",")
			out[key] = append(out[key], c.items(p.ID, i == 0, files)...)
		}
	}
	return out
}

// items are the ways to do a check at a place; some of them at the first alone.
func (c checkForm) items(place string, first bool, files map[bool]string) []everyCheck {
	out := []everyCheck{{check: c.ID, position: place}}
	if c.Series != nil {
		out = append(out, everyCheck{check: c.ID, position: place, file: files[c.Series.Closed]})
	}
	if first {
		out = append(out, everyCheck{check: c.ID, position: place, notDone: true})
	}
	if first && slices.ContainsFunc(c.Inputs, func(in inputForm) bool { return in.OverRange }) {
		out = append(out, everyCheck{check: c.ID, position: place, over: true})
	}
	return out
}

func (k kindForm) check(id string) checkForm {
	return k.Checks[slices.IndexFunc(k.Checks, func(c checkForm) bool { return c.ID == id })]
}

func plainWorker(t *testing.T, v ready, role domain.Role) worker {
	_, doc := request(t, "GET", v.URL+"/openapi.json", "", "")
	valid, err := apitest.New([]byte(doc))
	require.NoError(t, err)
	return worker{t, v.URL, v.Tokens[role], valid, new(int)}
}

// bench is a place where machines of every kind stand.
type bench struct {
	t                *testing.T
	v                ready
	dispatcher, tech worker
	kind             kindForm
	calls            int
}

// walk does the items at one machine, and then reads what the service kept.
func (b *bench) walk(features string, items []everyCheck) {
	call, visit := b.machine(strings.FieldsFunc(features, func(r rune) bool { return r == ',' }))
	w := &everyWalk{kind: b.kind, todo: items}
	p := &typist{}
	p.answer = w.answer
	said := work(b.t, atMachine(b.v), p, visit)
	require.Empty(b.t, w.refused, "%s", said)
	kept := map[string]int{}
	for _, r := range b.tech.get("/v1/calls/" + call + "/readings")["items"].([]any) {
		position, _ := dig(b.t, r, "position").(string)
		why, _ := dig(b.t, r, "not_done").(string)
		kept[fmt.Sprint(dig(b.t, r, "check"), " ", position, " ", why)]++
		require.Equal(b.t, why == "", len(dig(b.t, r, "verdicts").([]any)) > 0, "%v", r)
	}
	for _, e := range items {
		key := fmt.Sprint(e.check, " ", e.position, " ", map[bool]string{true: "No access."}[e.notDone])
		require.Positive(b.t, kept[key], "%v\n%s", e, said)
		kept[key]--
	}
}

// machine opens a call about a machine of the kind, and brings the tech there.
func (b *bench) machine(features []string) (call, visit string) {
	d := b.dispatcher
	customer := d.post("/v1/customers", m{"name": "Fern Alder"})["id"]
	site := d.post("/v1/sites", m{"customer_id": customer, "address": "8 Mill Row"})["id"]
	unit := d.post("/v1/units", m{"site_id": site, "kind": b.kind.ID, "model": "EV-1", "features": features})["id"]
	call = d.post("/v1/calls", m{"unit_id": unit, "complaint": b.kind.Complaints[0].ID})["id"].(string)
	b.calls++
	start := time.Now().UTC().Add(time.Duration(9000+b.calls) * time.Hour).Truncate(time.Hour) // nobody is booked there
	me := b.tech.get("/v1/people/me")["id"]
	visit = d.post("/v1/calls/"+call+"/visits", m{"tech_id": me, "starts_at": start.Format(time.RFC3339), "ends_at": start.Add(time.Hour).Format(time.RFC3339),
		"override": "Any hour will do for this machine."})["id"].(string)
	for _, s := range []string{"on_the_way", "on_site"} {
		b.tech.ask(200, "POST", "/v1/visits/"+visit+"/status", m{"status": s}, "If-Match", "*")
	}
	return call, visit
}

// everyWalk types the answers of one machine.
type everyWalk struct {
	kind      kindForm
	todo      []everyCheck
	at        everyCheck
	questions int            // of the form
	asked     map[string]int // of them for each input
	refused   []string
}

// answer types one answer, made from the catalogue's entry of the check.
func (w *everyWalk) answer(asked, said string) (string, error) {
	switch {
	case strings.HasPrefix(asked, "Next check"), strings.HasPrefix(asked, "Enter to leave"):
		return w.next(), nil
	case strings.HasPrefix(asked, "How is it isolated") && w.kind.Fuel == "gas":
		return repair.GasCockAndPlug, nil
	case strings.HasPrefix(asked, "How is it isolated"):
		return "1", nil
	case strings.HasSuffix(asked, "? (yes/no): "):
		return "yes", nil
	case strings.HasPrefix(asked, "Why can it not"):
		return "No access.", nil
	case strings.HasPrefix(asked, "Enter sends it again"):
		w.refused = append(w.refused, fmt.Sprint(w.at, said))
		return "", io.EOF
	}
	if w.questions++; w.questions > attempts*len(w.kind.check(w.at.check).Inputs)+attempts {
		w.refused = append(w.refused, fmt.Sprint(w.at, said))
		return "/b", nil
	}
	return w.field(strings.TrimSpace(asked)), nil
}

// next takes the next item up.
func (w *everyWalk) next() string {
	if len(w.todo) == 0 {
		return "/q"
	}
	w.at, w.todo, w.questions, w.asked = w.todo[0], w.todo[1:], 0, map[string]int{}
	return w.at.check
}

// field answers a question of the form.
func (w *everyWalk) field(asked string) string {
	begins := func(name string) bool {
		return strings.HasPrefix(asked, name+":") || strings.HasPrefix(asked, name+" (")
	}
	switch {
	case begins("Where"):
		return w.at.position
	case w.at.notDone:
		return "/n"
	case begins("File of the logged run"):
		return w.at.file
	case begins("Instrument"):
		return "1"
	case begins("Meter with its leads shorted"):
		return "20 mOhm"
	}
	c := w.kind.check(w.at.check)
	i := slices.IndexFunc(c.Inputs, func(in inputForm) bool { return begins(in.Name) })
	if i < 0 {
		w.refused = append(w.refused, fmt.Sprint(w.at, asked))
		return "/b"
	}
	in := c.Inputs[i]
	if w.asked[in.Name]++; w.at.over && in.OverRange {
		return "OL"
	}
	return made(in, i, w.asked[in.Name])
}

// made is an answer to an input: another one each time it is asked again.
func made(in inputForm, n, attempt int) string {
	if in.Quantity == "" {
		return strconv.Itoa(1 + (attempt-1)%len(in.Choices))
	}
	low, high := 8.0, 12.0
	if in.Low != nil && in.High != nil {
		low, high = *in.Low, *in.High
	}
	step := 0.04 * float64(n%10) // falling from input to input, and rising when asked again
	share := 0.5 - step
	if attempt%2 == 0 {
		share = 0.5 + step
	}
	value := strconv.FormatFloat(low+(high-low)*share, 'f', 3, 64)
	if in.Many {
		value = value + " " + value + " " + value
	}
	return value + " " + in.Units[0]
}
