package main

import (
	"fmt"
	"net/url"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/api/apitest"
	"drumline/shared/mail/sink"
	"drumline/shared/pg/pgtest"
)

// Two services and two workers on one database, with one key file: who signs in
// at one is known at the other, and each mail leaves once.
func TestSeveralOfEachOnOneDatabase(t *testing.T) {
	db := pgtest.New(t)
	keys := filepath.Join(t.TempDir(), "keys.json")
	base := settings("DRUMLINE_DATABASE_URL", db.AppURL, "DRUMLINE_OWNER_PASSWORD", "a long password 1", "DRUMLINE_KEY_FILE", keys)
	for _, args := range [][]string{{"keys"}, {"shop", "create", "--code", "elm-yard", "--name", "Elm Yard", "--time-zone", zoneAtNoon(time.Now()), "--owner-name", "Olive", "--email", "olive@elm.example"}} {
		_, err := toEnd(t, base, args...)
		require.NoError(t, err)
	}
	var services []*running
	var urls []string
	// The second as behind a pooler that lends connections by transaction: without prepared statements.
	for _, database := range []string{db.AppURL, unprepared(t, db.AppURL)} {
		r := start(t, with(base, "DRUMLINE_DATABASE_URL", database), "serve", "--listen", "127.0.0.1:0")
		r.until("address", func() bool { return servingAt.MatchString(r.stderr.String()) })
		services, urls = append(services, r), append(urls, servingAt.FindStringSubmatch(r.stderr.String())[1])
	}
	token := signIn(t, urls[0], "elm-yard", "olive@elm.example", "a long password 1")
	_, doc := request(t, "GET", urls[0]+"/openapi.json", "", "")
	valid, err := apitest.New([]byte(doc))
	require.NoError(t, err)
	var n int
	one, other := worker{t, urls[0], token, valid, &n}, worker{t, urls[1], token, valid, &n}
	const customers = 12
	for i := range customers {
		customer := one.post("/v1/customers", m{"name": "Odile Fenn", "email": fmt.Sprintf("odile%d@fenn.example", i), "phone": "555 0144"})["id"]
		site := other.post("/v1/sites", m{"customer_id": customer, "address": "9 Aspen Way", "postal_code": "80301"})["id"]
		one.post("/v1/units", m{"site_id": site, "kind": "electric_dryer", "model": "QX-41", "installed_on": time.Now().AddDate(-1, 0, 5).Format("2006-01-02")})
	}
	other.ask(200, "PATCH", "/v1/care/policy", m{"enabled": true, "sender_name": "Elm Yard", "sender_address": "care@elm.example", "phone": "555 0100",
		"postal_address": "3 Elm Lane", "window_from": "08:00", "window_to": "20:00", "lead_days": []int{30}}, "If-Match", "*")
	require.Equal(t, one.get("/v1/care/policy"), other.get("/v1/care/policy"))

	box, err := sink.Start("127.0.0.1:0", time.Now)
	require.NoError(t, err)
	defer func() { require.NoError(t, box.Close()) }()
	env := settings("DRUMLINE_WORKER_URL", db.WorkerURL, "DRUMLINE_KEY_FILE", keys, "DRUMLINE_BASE_URL", urls[0], "DRUMLINE_MAIL_SERVER", "smtp+plain://"+box.Addr())
	workers := []*running{start(t, env, "worker"), start(t, with(env, "DRUMLINE_WORKER_URL", unprepared(t, db.WorkerURL)), "worker")}
	workers[0].until("mails", func() bool { return len(box.Mails()) >= customers })
	time.Sleep(3 * time.Second) // a few more looks of both: what is sent twice would come now
	got := map[string]int{}
	for _, mailed := range box.Mails() {
		got[mailed.To]++
	}
	require.Len(t, got, customers)
	for to, n := range got {
		require.Equal(t, 1, n, to)
	}
	for _, r := range append(workers, services...) {
		r.interrupt()
	}
}

// unprepared is a sign-in that leaves no prepared statement on its connection.
func unprepared(t *testing.T, raw string) string {
	t.Helper()
	u, err := url.Parse(raw)
	require.NoError(t, err)
	q := u.Query()
	q.Set("default_query_exec_mode", "cache_describe")
	u.RawQuery = q.Encode()
	return u.String()
}

// with is an environment in which one variable differs.
func with(env func(string) string, name, value string) func(string) string {
	return func(n string) string {
		if n == name {
			return value
		}
		return env(n)
	}
}

// zoneAtNoon is a zone in which it is about noon: messages leave by day.
func zoneAtNoon(now time.Time) string {
	h := now.UTC().Hour() - 12
	return fmt.Sprintf("Etc/GMT%+d", h) // POSIX: Etc/GMT+5 is five hours behind
}
