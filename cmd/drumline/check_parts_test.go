package main

import (
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/api"
	"drumline/api/wire"
)

func TestCheckReadsFigures(t *testing.T) {
	ohms, air := []string{"Ohm", "mOhm", "MOhm"}, []string{"[in_i'H2O]", "Pa"}
	for _, c := range []struct {
		typed   string
		units   []string
		figures string
		unit    string
	}{
		{"12.50", ohms, "12.50", "Ohm"},
		{"1.2 MOhm", ohms, "1.2", "MOhm"},
		{"1.2MOhm", ohms, "1.2", "MOhm"},
		{"1.2 mOhm", ohms, "1.2", "mOhm"},
		{".5", ohms, "0.5", "Ohm"},
		{"-.5 Ohm", ohms, "-0.5", "Ohm"},
		{"+3e3", ohms, "3e3", "Ohm"},
		{"151 150, 149; 148 Ohm", ohms, "151 150 149 148", "Ohm"},
		{"1.15 in_i'H2O", air, "1.15", "[in_i'H2O]"},
		{"287 Pa", air, "287", "Pa"},
		{"1.2 mohm", ohms, "", ""}, // a thousand million apart: capitals count
		{"1,5", ohms, "", ""},
		{"1.2.3", ohms, "", ""},
		{"05", ohms, "", ""},
		{"1e999", ohms, "", ""},
		{"hot", ohms, "", ""},
		{"5 kOhm", ohms, "", ""},
		{"5 6 kOhm 7", ohms, "", ""},
		{"", ohms, "", ""},
	} {
		got, unit, err := readFigures(c.typed, c.units)
		require.Equal(t, c.figures == "", err != nil, "%q: %v %v", c.typed, got, err)
		texts := []string{}
		for _, d := range got {
			texts = append(texts, d.Text)
		}
		require.Equal(t, c.figures, strings.Join(texts, " "), c.typed)
		require.Equal(t, c.unit, unit, c.typed)
	}
}

func TestCheckReadsALoggedRun(t *testing.T) {
	file := filepath.Join(t.TempDir(), "a run.csv")
	for text, wrong := range map[string]string{
		"0,70,1\n10, 71.5 ,0\r\n": "", "0,70\n1,71": "line 1: give 3 columns", "0,70,1\n1,x,1": "line 2: give seconds and a number",
		"0,70,open": "line 1: give 1 for a closed contact or 0", "": "line 1",
	} {
		require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
		name, unit := cutUnit(file+" Cel", []string{"[degF]", "Cel"})
		require.Equal(t, []string{file, "Cel"}, []string{name, unit})
		s, err := readSeries(name, unit, true)
		if wrong != "" {
			require.ErrorContains(t, err, wrong)
			continue
		}
		require.NoError(t, err)
		require.Equal(t, &api.ReadingSeries{Unit: "Cel", Seconds: []float64{0, 10}, Value: []float64{70, 71.5}, Closed: []bool{true, false}}, s)
	}
	require.NoError(t, os.WriteFile(file, make([]byte, maxSeriesFile+1), 0o600))
	_, err := readSeries(file, "Cel", false)
	require.ErrorContains(t, err, "too long")
}

// formOf is a form of a check with a choice that may be left out, a number and
// two places.
func formOf(typed string) (*form, *output) {
	said := &output{}
	v := &visiting{terminal: newTerminal(context.Background(), strings.NewReader(typed), said), phase: "as_found"}
	f := newForm(v, api.CatalogueCheck{ID: "c", Positions: []api.CataloguePosition{{ID: "p1", Name: "Left"}, {ID: "p2", Name: "Right"}, {ID: "p3", Name: "Top", Has: "top"}},
		Inputs: []api.CatalogueInput{{ID: "look", Name: "Look", Choices: []api.CatalogueName{{ID: "a", Name: "A"}, {ID: "b", Name: "B"}}},
			{ID: "volts", Name: "Volts", Quantity: "voltage", Units: []string{"V"}, Required: true, OverRange: true}}}, "")
	return f, said
}

func TestCheckMarksTheFieldThatWasRefused(t *testing.T) {
	f, said := formOf("Top\n/n\n2\n\n240\n" + "b\n" + "1\n" + "-\n\n")
	require.NoError(t, f.where())
	require.NoError(t, f.answers())
	require.Equal(t, api.NewReading{Check: "c", Position: "p2", Phase: "as_found",
		Values: []api.ReadingValue{{Input: "volts", Value: &wire.Decimal{Text: "240", Value: 240}, Unit: "V"}}}, f.reading())

	refused := func(errs ...wire.FieldError) bool { return f.mark(&refusal{422, wire.Problem{Errors: errs}}) }
	require.False(t, refused(wire.FieldError{Pointer: "/check", Detail: "Not here."}))
	require.False(t, refused(wire.FieldError{In: "header", Pointer: "/values/0", Detail: "Header."}))

	require.True(t, refused(wire.FieldError{Pointer: "/values", Detail: "Look is needed."}, wire.FieldError{Pointer: "/phase", Detail: "Too early."}))
	require.Contains(t, said.String(), "! Too early.\n")
	require.NoError(t, f.answers())
	require.Contains(t, said.String(), "! Look: Look is needed.\n")
	require.Len(t, f.reading().Values, 2)

	require.True(t, refused(wire.FieldError{Pointer: "/position", Detail: "Elsewhere."}))
	require.NoError(t, f.where())
	require.Contains(t, said.String(), "Enter keeps Right")
	require.Equal(t, "p1", f.reading().Position)

	require.True(t, refused(wire.FieldError{Pointer: "/values/0/choice", Detail: "Not so."}))
	require.NoError(t, f.answers())
	require.Contains(t, said.String(), "Enter keeps B; - leaves it out")
	require.Len(t, f.reading().Values, 1, "it was left out")

	require.True(t, refused(wire.FieldError{Pointer: "/values/0/value", Detail: "Beyond."}))
	require.ErrorIs(t, f.answers(), errLeave, "nothing was changed, and the whole form was asked")
	require.Contains(t, said.String(), "Nothing was changed: here is the whole form.\n")
}

func TestCheckThatCannotBeDone(t *testing.T) {
	f, _ := formOf("1\na\n/n\n\nSeized.\n")
	require.NoError(t, f.where())
	require.ErrorIs(t, f.answers(), errNotDone)
	require.NoError(t, f.because())
	require.Equal(t, api.NewReading{Check: "c", Position: "p1", Phase: "as_found", NotDone: "Seized."}, f.reading())
}

// service is a stand-in that loses, refuses and renews.
type service struct {
	*httptest.Server
	mu      sync.Mutex // held by a handler, and by the test between requests
	lose    int        // connections to break off
	token   string
	renewed int
	keys    []string
}

func newService(t *testing.T) *service {
	s := &service{token: "t0"}
	reply := func(w http.ResponseWriter, status int, body any) {
		w.WriteHeader(status)
		require.NoError(t, json.NewEncoder(w).Encode(body))
	}
	mux := http.NewServeMux()
	mux.HandleFunc("POST /v1/sessions", func(w http.ResponseWriter, _ *http.Request) {
		reply(w, 201, m{"access_token": s.token, "refresh_token": "r0", "later": true})
	})
	mux.HandleFunc("POST /v1/sessions/refresh", func(w http.ResponseWriter, r *http.Request) {
		s.renewed++
		text, err := io.ReadAll(r.Body)
		require.NoError(t, err)
		require.JSONEq(t, `{"refresh_token":"r0"}`, string(text))
		require.Empty(t, r.Header.Get("Authorization"))
		reply(w, 200, m{"access_token": s.token, "refresh_token": "r1"})
	})
	mux.HandleFunc("POST /v1/x", func(w http.ResponseWriter, r *http.Request) {
		s.keys = append(s.keys, r.Header.Get("Idempotency-Key"))
		if s.lose--; s.lose >= 0 {
			panic(http.ErrAbortHandler)
		}
		if r.Header.Get("Authorization") != "Bearer "+s.token {
			reply(w, 401, m{"status": 401, "detail": "Sign in."})
			return
		}
		reply(w, 201, m{"id": "x"})
	})
	mux.HandleFunc("GET /v1/away", func(w http.ResponseWriter, r *http.Request) {
		http.Redirect(w, r, "/v1/x", http.StatusTemporaryRedirect)
	})
	mux.HandleFunc("GET /v1/odd", func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "<html>") })
	s.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.mu.Lock()
		defer s.mu.Unlock()
		mux.ServeHTTP(w, r)
	}))
	t.Cleanup(s.Close)
	return s
}

func (s *service) set(change func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	change()
}

func TestCheckSession(t *testing.T) {
	far := newService(t)
	s, err := signedIn(t.Context(), far.URL+"/", api.SignIn{Shop: "s", Email: "e", Password: "p"})
	require.NoError(t, err)
	var got struct {
		ID string `json:"id"`
	}
	require.NoError(t, s.post("/v1/x", "k1", m{}, &got))
	require.Equal(t, "x", got.ID)

	far.set(func() { far.token = "t1" }) // the old one has ended
	require.NoError(t, s.post("/v1/x", "k2", m{}, &got))
	far.set(func() { require.Equal(t, 1, far.renewed) })

	far.set(func() { far.lose, far.keys = 2, nil })
	require.NoError(t, s.post("/v1/x", "k3", m{}, &got))
	far.set(func() { require.Equal(t, []string{"k3", "k3", "k3"}, far.keys, "the same request, once") })
	far.set(func() { far.lose = 99 })
	require.ErrorContains(t, s.post("/v1/x", "k4", m{}, &got), "no answer")

	require.EqualError(t, s.get("/v1/away", &got), "the service answered 307 Temporary Redirect")
	require.ErrorContains(t, s.get("/v1/odd", &got), "is not what this program knows")
	far.Close()
	ctx, cancel := context.WithCancel(t.Context())
	s.ctx = ctx
	time.AfterFunc(50*time.Millisecond, cancel)
	require.ErrorIs(t, s.get("/v1/x", &got), context.Canceled)
	for _, address := range []string{"", "127.0.0.1:8080", "ftp://host", "http://"} {
		_, err := signedIn(t.Context(), address, api.SignIn{})
		require.ErrorContains(t, err, "no address of a service", address)
	}
}

func TestCheckTerminal(t *testing.T) {
	said := &output{}
	in, far := io.Pipe()
	ctx, cancel := context.WithCancel(t.Context())
	p := newTerminal(ctx, in, said)
	p.say("Maker %s", "A\x1b]0;x\aB")
	require.Equal(t, "Maker A]0;xB\n", said.String())
	go func() { _, _ = io.WriteString(far, " a \n/b\nlast") }()
	got, err := p.ask("? ")
	require.NoError(t, err)
	require.Equal(t, "a", got)
	_, err = p.ask("? ")
	require.ErrorIs(t, err, errBack)
	time.AfterFunc(20*time.Millisecond, cancel)
	_, err = p.ask("? ")
	require.ErrorIs(t, err, context.Canceled, "it does not wait for a person who is gone")

	p = newTerminal(t.Context(), strings.NewReader("/q\nlast"), said)
	got, err = p.secret("Password: ")
	require.NoError(t, err)
	require.Equal(t, "/q", got, "a password may be anything")
	got, err = p.ask("? ")
	require.NoError(t, err)
	require.Equal(t, "last", got)
	_, err = p.ask("? ")
	require.ErrorIs(t, err, errLeave)
}

func TestCheckCommandLine(t *testing.T) {
	const visit = "0199c0de-0000-7000-8000-000000000001"
	typed := func(text string, pairs ...string) (string, error) {
		var out, errs output
		err := run(t.Context(), []string{"check", visit}, settings(pairs...), strings.NewReader(text), &out, &errs)
		return out.String(), err
	}
	_, err := typed("")
	require.EqualError(t, err, "give --url, or set DRUMLINE_URL")
	far := newService(t)
	known := []string{"DRUMLINE_URL", far.URL, "DRUMLINE_SHOP", "s", "DRUMLINE_EMAIL", "e@s.example"}
	_, err = typed("", known...)
	require.ErrorContains(t, err, "give the password")
	said, err := typed("secret\n", known...)
	require.Error(t, err, "it has no such visit")
	require.Equal(t, "Password of e@s.example: ", said, "no word of a network where there is none")
	require.True(t, readable("http://shop.example"))
	require.False(t, readable("https://shop.example"))

	help, err := toEnd(t, settings(), "check", "--help")
	require.NoError(t, err)
	for _, want := range []string{"<visit>", "--phase", "DRUMLINE_PASSWORD", "/n (the check in hand", "maker's instructions"} {
		require.Contains(t, strings.Join(strings.Fields(help), " "), want)
	}
}
