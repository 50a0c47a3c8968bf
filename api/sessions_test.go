package api_test

import (
	"crypto/ed25519"
	"encoding/base64"
	"encoding/json"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/golang-jwt/jwt/v5"
	"github.com/stretchr/testify/require"

	"drumline/domain"
	"drumline/shared/pg/pgtest"
)

func TestSignInTellsNothing(t *testing.T) {
	w := newWorld(t)
	nobody := &client{w: w}
	var seen []string
	for _, c := range [][3]string{
		{"alder-lane", w.a.owner.email, "wrong password"},
		{"alder-lane", "nobody@alder-lane.example", testPassword},
		{"no-such-shop", w.a.owner.email, testPassword},
		{"birch-yard", w.a.owner.email, testPassword},
	} {
		got := nobody.do("POST", "/v1/sessions", map[string]any{"shop": c[0], "email": c[1], "password": c[2]}).want(401)
		seen = append(seen, string(got.raw))
	}
	for _, s := range seen {
		require.Equal(t, seen[0], s)
	}
	require.NotContains(t, w.logs.String(), testPassword)
	nobody.do("POST", "/v1/sessions", map[string]any{"shop": "alder-lane", "email": strings.ToUpper(w.a.owner.email), "password": testPassword}).want(201)
}

func TestAccessEndsAtOnce(t *testing.T) {
	w := newWorld(t)
	me := "/v1/people/me"
	t.Run("signed out", func(t *testing.T) {
		c := w.join(w.a.owner, "one", "tech", w.a.code)
		c.do("DELETE", "/v1/sessions/current", nil).want(204)
		c.do("GET", me, nil).want(401)
		c.do("POST", "/v1/sessions/refresh", map[string]any{"refresh_token": c.refresh}).want(401)
	})
	t.Run("disabled", func(t *testing.T) {
		c := w.join(w.a.owner, "two", "tech", w.a.code)
		w.a.owner.do("PATCH", "/v1/people/"+c.id.String(), map[string]any{"disabled": true}, "If-Match", "*").want(200)
		c.do("GET", me, nil).want(401)
		c.do("POST", "/v1/sessions/refresh", map[string]any{"refresh_token": c.refresh}).want(401)
		c.do("POST", "/v1/sessions", map[string]any{"shop": w.a.code, "email": c.email, "password": testPassword}).want(401)
		w.a.owner.do("PATCH", "/v1/people/"+c.id.String(), map[string]any{"disabled": false}, "If-Match", "*").want(200)
		c.do("POST", "/v1/sessions", map[string]any{"shop": w.a.code, "email": c.email, "password": testPassword}).want(201)
	})
	t.Run("demoted", func(t *testing.T) {
		c := w.join(w.a.owner, "three", "dispatcher", w.a.code)
		c.get("/v1/customers")
		w.a.owner.do("PATCH", "/v1/people/"+c.id.String(), map[string]any{"role": "tech"}, "If-Match", "*").want(200)
		c.do("GET", "/v1/customers", nil).want(401) // the token is of an older epoch
		c.took(c.do("POST", "/v1/sessions/refresh", map[string]any{"refresh_token": c.refresh}).want(200))
		c.do("GET", "/v1/customers", nil).want(403)
	})
	t.Run("password changed", func(t *testing.T) {
		c := w.join(w.a.owner, "four", "tech", w.a.code)
		c.do("POST", me+"/password", map[string]any{"old_password": "not it, no", "password": "another one 77"}).want(422)
		c.do("POST", me+"/password", map[string]any{"old_password": testPassword, "password": "short"}).want(422)
		c.do("POST", me+"/password", map[string]any{"old_password": testPassword, "password": "another one 77"}).want(204)
		c.do("GET", me, nil).want(401)
		w.signIn(w.a.code, c.email, "another one 77").get(me)
	})
	t.Run("the last owner stays", func(t *testing.T) {
		own := "/v1/people/" + w.a.owner.id.String()
		w.a.owner.do("PATCH", own, map[string]any{"role": "tech"}, "If-Match", "*").want(409)
		w.a.owner.do("PATCH", own, map[string]any{"disabled": true}, "If-Match", "*").want(409)
	})
}

// TestRefresh follows RFC 9700, 4.14.2 (rotation and reuse detection).
func TestRefresh(t *testing.T) {
	w := newWorld(t)
	renew := func(c *client, token string) answer {
		return c.do("POST", "/v1/sessions/refresh", map[string]any{"refresh_token": token})
	}
	t.Run("a lost answer is given again", func(t *testing.T) {
		c := w.join(w.a.owner, "one", "tech", w.a.code)
		first := renew(c, c.refresh).want(200)
		again := renew(c, c.refresh).want(200)
		require.Equal(t, first.str("refresh_token"), again.str("refresh_token"))
	})
	t.Run("an old token used later ends the session", func(t *testing.T) {
		c := w.join(w.a.owner, "two", "tech", w.a.code)
		first := renew(c, c.refresh).want(200)
		w.clock.add(11 * time.Second)
		renew(c, c.refresh).want(401)
		renew(c, first.str("refresh_token")).want(401)
		c.do("GET", "/v1/people/me", nil).want(401)
	})
	t.Run("within the grace, once its successor was used", func(t *testing.T) {
		c := w.join(w.a.owner, "three", "tech", w.a.code)
		first := renew(c, c.refresh).want(200)
		renew(c, first.str("refresh_token")).want(200)
		renew(c, c.refresh).want(401)
	})
	t.Run("in parallel", func(t *testing.T) {
		c := w.join(w.a.owner, "four", "tech", w.a.code)
		var mu sync.Mutex
		next := map[string]bool{}
		var wg sync.WaitGroup
		for range 10 {
			wg.Go(func() {
				a := c.send(c.request("POST", "/v1/sessions/refresh", map[string]any{"refresh_token": c.refresh}))
				mu.Lock()
				defer mu.Unlock()
				next[a.str("refresh_token")] = true
			})
		}
		wg.Wait()
		require.Len(t, next, 1)
	})
	t.Run("garbage, another shop's id, too old", func(t *testing.T) {
		c := w.join(w.a.owner, "five", "tech", w.a.code)
		raw, err := base64.RawURLEncoding.DecodeString(c.refresh)
		require.NoError(t, err)
		copy(raw, w.b.id[:])
		garbage := renew(c, "garbage").want(401)
		foreign := renew(c, base64.RawURLEncoding.EncodeToString(raw)).want(401)
		require.Equal(t, string(garbage.raw), string(foreign.raw))
		w.clock.add(31 * 24 * time.Hour)
		renew(c, c.refresh).want(401)
	})
}

func TestInvitation(t *testing.T) {
	w := newWorld(t)
	o := w.a.owner
	accept := func(token string) answer {
		return (&client{w: w}).do("POST", "/v1/invitations/accept", map[string]any{"token": token, "password": testPassword})
	}
	made := o.do("POST", "/v1/invitations", map[string]any{"name": "Nia", "email": "nia@x.example", "role": "tech"}, "Idempotency-Key", "inv").want(201)
	again := o.do("POST", "/v1/invitations", map[string]any{"name": "Nia", "email": "nia@x.example", "role": "tech"}, "Idempotency-Key", "inv").want(201)
	require.Equal(t, string(made.raw), string(again.raw), "the token too")
	require.NotContains(t, string(o.get("/v1/invitations").raw), made.str("token"))
	accept(made.str("token")).want(201)
	accept(made.str("token")).want(401)

	revoked := o.post("/v1/invitations", map[string]any{"name": "Ola", "email": "ola@x.example", "role": "tech"})
	o.do("DELETE", "/v1/invitations/"+revoked.id(), nil).want(204)
	accept(revoked.str("token")).want(401)
	double := o.post("/v1/invitations", map[string]any{"name": "Nia", "email": "NIA@x.example", "role": "tech"})
	accept(double.str("token")).want(409)
	late := o.post("/v1/invitations", map[string]any{"name": "Pat", "email": "pat@x.example", "role": "tech"})
	w.clock.add(8 * 24 * time.Hour)
	accept(late.str("token")).want(401)
}

// forge makes tokens with a key of its own, or with the service's claims
// changed.
func TestForgedTokens(t *testing.T) {
	w := newWorld(t)
	good := w.a.tech.token
	parts := strings.Split(good, ".")
	header, payload := map[string]any{}, map[string]any{}
	for i, m := range []map[string]any{header, payload} {
		b, err := base64.RawURLEncoding.DecodeString(parts[i])
		require.NoError(t, err)
		require.NoError(t, json.Unmarshal(b, &m))
	}
	enc := func(v any) string {
		b, err := json.Marshal(v)
		require.NoError(t, err)
		return base64.RawURLEncoding.EncodeToString(b)
	}
	with := func(m map[string]any, k string, v any) map[string]any {
		c := map[string]any{}
		for n, x := range m {
			c[n] = x
		}
		c[k] = v
		return c
	}
	_, other, err := ed25519.GenerateKey(nil)
	require.NoError(t, err)
	own := func(h, p map[string]any) string {
		text := enc(h) + "." + enc(p)
		sig, err := jwt.SigningMethodEdDSA.Sign(text, other)
		require.NoError(t, err)
		return text + "." + base64.RawURLEncoding.EncodeToString(sig)
	}
	last := good[:len(good)-1] + string("AQgw"[(strings.IndexByte("AQgw", good[len(good)-1])+1)%4])
	for name, token := range map[string]string{
		"another key":         own(header, payload),
		"unknown kid":         own(with(header, "kid", "../../etc/passwd"), payload),
		"alg none":            enc(with(header, "alg", "none")) + "." + parts[1] + ".",
		"payload changed":     parts[0] + "." + enc(with(payload, "role", "owner")) + "." + parts[2],
		"last character":      last,
		"dots":                strings.Repeat(".", 3000),
		"empty":               "x",
		"signature cut":       parts[0] + "." + parts[1] + ".",
		"a refresh token":     w.a.tech.refresh,
		"header and payload":  parts[0] + "." + parts[1],
		"critical extension":  own(with(header, "crit", []string{"x"}), payload),
		"typ of another kind": own(with(header, "typ", "refresh+jwt"), payload),
	} {
		c := &client{w: w, token: token}
		c.do("GET", "/v1/people/me", nil).want(401)
		require.NotContains(t, w.logs.String(), token, name)
	}
	w.a.tech.do("GET", "/v1/people/me", nil, "Authorization", "").want(401)
	w.a.tech.do("GET", "/v1/people/me", nil, "Authorization", "Basic "+good).want(401)
	r := w.a.tech.request("GET", "/v1/people/me", nil)
	r.Header.Add("Authorization", "Bearer "+good)
	w.a.tech.send(r).want(401) // two of them
	w.a.tech.do("GET", "/v1/people/me?access_token="+good, nil).want(400)
	exp, ok := payload["exp"].(float64)
	require.True(t, ok)
	w.clock.stop(time.Unix(int64(exp), 0).Add(29 * time.Second))
	w.a.tech.get("/v1/people/me")
	w.clock.stop(time.Unix(int64(exp), 0).Add(31 * time.Second))
	w.a.tech.do("GET", "/v1/people/me", nil).want(401)
}

// TestRoleTable asks every operation in every role: the ones it is not open to
// are refused, the others are not.
func TestRoleTable(t *testing.T) {
	w := newWorld(t)
	for _, op := range w.edge.Routes() {
		path := placeholder.ReplaceAllString(op.Path, domain.NewID(time.Now()).String())
		for role, c := range map[domain.Role]*client{domain.Owner: w.a.owner, domain.Dispatcher: w.a.dispatcher, domain.Tech: w.a.tech, "": {w: w}} {
			if op.ID == "sign-out" && role != "" {
				continue // works, and ends the session
			}
			status := c.send(c.request(op.Method, path, map[bool]any{true: "{}"}[op.Method != "GET"])).status
			switch {
			case op.Public:
				require.NotEqual(t, 403, status, "%s as %q", op.ID, role)
			case role == "":
				require.Equal(t, 401, status, op.ID)
			default:
				require.Equal(t, !op.Roles.Allow(role), status == 403, "%s as %s: %d", op.ID, role, status)
				require.NotEqual(t, 401, status, "%s as %s", op.ID, role)
			}
		}
	}
}

// TestOneConnectionServesTwoShops: what one request leaves on a connection
// must not reach the next.
func TestOneConnectionServesTwoShops(t *testing.T) {
	w := newWorldOn(t, pgtest.New(t), 1)
	w.a.newHouse()
	require.Len(t, w.a.dispatcher.get("/v1/customers").at("items"), 1)
	require.Empty(t, w.b.dispatcher.get("/v1/customers").at("items"))
	w.a.dispatcher.do("PATCH", "/v1/customers/"+domain.NewID(time.Now()).String(), map[string]any{"name": "x"}, "If-Match", "*").want(404)
	require.Empty(t, w.b.dispatcher.get("/v1/customers").at("items"))
	var n int
	require.NoError(t, w.pool.Pool.QueryRow(t.Context(), `SELECT count(*) FROM customer`).Scan(&n))
	require.Zero(t, n, "outside of a transaction there is no shop")
}
