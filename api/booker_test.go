package api_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/api"
	"drumline/diagnosis/catalogue"
	"drumline/domain/people"
	"drumline/shared/pg"
)

// bookerEnv makes this program a booker: a process of its own with a service
// of its own on the same database.
const bookerEnv = "DRUMLINE_TEST_BOOKER"

func TestMain(m *testing.M) {
	for env, other := range map[string]func() error{bookerEnv: book, stormEnv: workInStorm} {
		if os.Getenv(env) == "" {
			continue
		}
		if err := other(); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

// bookerWork is what a booker is told on its input.
type bookerWork struct {
	URL, Shop, Email, Password string
	Bookings                   []booking
}

type booking struct {
	N            int
	Call, Tech   string
	Starts, Ends time.Time
}

func (b booking) overlaps(tech string, starts, ends time.Time) bool {
	return b.Tech == tech && b.Starts.Before(ends) && starts.Before(b.Ends)
}

// booked is what came of a booking.
type booked struct {
	N           int
	Status      int
	Raw         string
	Asked, Said time.Time
	Free        []struct {
		Tech   string    `json:"tech_id"`
		Starts time.Time `json:"starts_at"`
		Ends   time.Time `json:"ends_at"`
	}
}

// book serves, signs in to itself, books everything at once and tells what
// came of it.
func book() error {
	var w bookerWork
	if err := json.NewDecoder(os.Stdin).Decode(&w); err != nil {
		return err
	}
	ctx := context.Background()
	db, err := pg.Open(ctx, w.URL, pg.Options{Access: people.Access, MaxConns: 8})
	if err != nil {
		return err
	}
	defer db.Close()
	cat, err := catalogue.Open()
	if err != nil {
		return err
	}
	a := api.New(api.Deps{DB: db, Keys: people.NewKeyring("drumline-test", fmt.Sprint("k", os.Getpid())), Hasher: people.NewWeakHasher(),
		Catalogue: cat, Now: time.Now, AccessLife: 10 * time.Minute})
	server := httptest.NewServer(a.Edge("test", slog.New(slog.NewJSONHandler(os.Stderr, nil))).Handler())
	defer server.Close()
	token, err := signedIn(server, w)
	if err != nil {
		return err
	}
	out := make([]booked, len(w.Bookings))
	var wg sync.WaitGroup
	for i, b := range w.Bookings {
		wg.Go(func() { out[i] = b.post(server, token) })
	}
	wg.Wait()
	return json.NewEncoder(os.Stdout).Encode(out)
}

func signedIn(server *httptest.Server, w bookerWork) (string, error) {
	body, _ := json.Marshal(map[string]string{"shop": w.Shop, "email": w.Email, "password": w.Password})
	req, _ := http.NewRequest("POST", server.URL+"/v1/sessions", bytes.NewReader(body))
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Idempotency-Key", fmt.Sprint("sign-in-", os.Getpid()))
	res, err := server.Client().Do(req)
	if err != nil {
		return "", err
	}
	defer func() { _ = res.Body.Close() }()
	var got struct {
		Token string `json:"access_token"`
	}
	return got.Token, json.NewDecoder(res.Body).Decode(&got)
}

func (b booking) post(server *httptest.Server, token string) booked {
	body, _ := json.Marshal(map[string]any{"tech_id": b.Tech, "starts_at": b.Starts, "ends_at": b.Ends})
	req, _ := http.NewRequest("POST", server.URL+"/v1/calls/"+b.Call+"/visits", bytes.NewReader(body))
	req.Header.Set("Authorization", "Bearer "+token)
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Idempotency-Key", fmt.Sprint("booking-", b.N))
	out := booked{N: b.N, Asked: time.Now()}
	res, err := server.Client().Do(req)
	if err != nil {
		out.Raw = err.Error()
		return out
	}
	defer func() { _ = res.Body.Close() }()
	var raw bytes.Buffer
	_, _ = raw.ReadFrom(res.Body)
	out.Said, out.Status, out.Raw = time.Now(), res.StatusCode, raw.String()
	var said struct {
		Extra struct {
			Free json.RawMessage `json:"free_windows"`
		} `json:"extra"`
	}
	if json.Unmarshal(raw.Bytes(), &said) == nil && said.Extra.Free != nil {
		_ = json.Unmarshal(said.Extra.Free, &out.Free)
	}
	return out
}

// Two hundred bookings over windows that overlap at random, from two
// processes at once: no tech is in two places, nobody gets a server error,
// whoever is refused was refused for a visit that is there, and every window
// offered in its place was free when it was offered.
func TestRacingDispatchers(t *testing.T) {
	w := newWorld(t)
	s := newScene(w.a)
	all := racingBookings(t, s, 200)
	halves := [2][]booking{all[:100], all[100:]}
	var results [2][]booked
	var wg sync.WaitGroup
	for i, half := range halves {
		wg.Go(func() { results[i] = runBooker(t, w, s, half) })
	}
	wg.Wait()
	made, counts, offered := map[int]booked{}, map[int]int{}, 0
	got := append(results[0], results[1]...)
	for _, r := range got {
		counts[r.Status]++
		require.Contains(t, []int{201, 409}, r.Status, r.Raw)
		if r.Status == 201 {
			made[r.N] = r
		}
	}
	t.Logf("%v", counts)
	require.Positive(t, counts[409])
	for n := range made {
		for m := range made {
			require.False(t, n < m && all[n].overlaps(all[m].Tech, all[m].Starts, all[m].Ends), "%v and %v", all[n], all[m])
		}
	}
	for _, r := range got {
		if r.Status == 201 {
			continue
		}
		inWay := false
		for n := range made {
			inWay = inWay || all[n].overlaps(all[r.N].Tech, all[r.N].Starts, all[r.N].Ends)
		}
		require.True(t, inWay, "refused for nothing: %v", all[r.N])
		for _, f := range r.Free {
			offered++
			for n, m := range made {
				require.False(t, m.Said.Before(r.Asked) && all[n].overlaps(f.Tech, f.Starts, f.Ends), "offered %v, which %v had", f, all[n])
			}
		}
	}
	t.Logf("%d windows offered, e.g. %s", offered, got[len(got)-1].Raw)
	require.Positive(t, offered)
}

// racingBookings are windows of one day that overlap at random, of two techs.
func racingBookings(t *testing.T, s *scene, n int) []booking {
	spans := []m{}
	for d := 1; d <= 7; d++ {
		spans = append(spans, m{"weekday": d, "starts": "00:00", "ends": "24:00"})
	}
	techs := []*client{s.tech, s.mate}
	for _, c := range techs {
		s.dispatcher.do("PUT", "/v1/people/"+c.id.String()+"/working-week", m{"spans": spans}, "If-Match", "*").want(200)
	}
	var calls []string
	for range 10 {
		unit := s.dispatcher.post("/v1/units", m{"site_id": s.get("site"), "kind": "electric_dryer"}).id()
		calls = append(calls, s.dispatcher.post("/v1/calls", m{"unit_id": unit, "complaint": "runs_too_hot"}).id())
	}
	rnd := rand.New(rand.NewPCG(2026, 11))
	day := time.Now().UTC().AddDate(0, 0, 3).Truncate(24 * time.Hour)
	out := make([]booking, n)
	for i := range out {
		starts := day.Add(time.Duration(rnd.IntN(96)) * 15 * time.Minute)
		out[i] = booking{N: i, Call: calls[rnd.IntN(len(calls))], Tech: techs[rnd.IntN(2)].id.String(), Starts: starts,
			Ends: starts.Add(time.Duration(2+rnd.IntN(7)) * 15 * time.Minute)}
	}
	return out
}

func runBooker(t *testing.T, w *world, s *scene, bookings []booking) []booked {
	in, err := json.Marshal(bookerWork{URL: w.db.AppURL, Shop: s.code, Email: s.dispatcher.email, Password: testPassword, Bookings: bookings})
	require.NoError(t, err)
	cmd := exec.CommandContext(t.Context(), os.Args[0])
	cmd.Env = append(os.Environ(), bookerEnv+"=1")
	cmd.Stdin = bytes.NewReader(in)
	var out, log bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &log
	require.NoError(t, cmd.Run(), "%s", log.String())
	var got []booked
	require.NoError(t, json.Unmarshal(out.Bytes(), &got), "%s", out.String())
	require.Len(t, got, len(bookings))
	return got
}
