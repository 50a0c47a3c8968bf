package api_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestNothingPersonalIsLogged does a shop's whole work and looks for what
// people entered in the log and in the audit trail.
func TestNothingPersonalIsLogged(t *testing.T) {
	w := newWorld(t)
	s := newScene(w.a)
	for name := range makers {
		s.get(name)
	}
	w.a.dispatcher.do("POST", "/v1/sessions", map[string]any{"shop": w.a.code, "email": w.a.owner.email, "password": "a wrong password 9"}).want(401)
	w.a.dispatcher.do("POST", "/v1/customers", `{"name":"A","email":"broken canary@x"}`).want(422)
	logs := w.logs.String()
	require.Greater(t, strings.Count(logs, "\n"), 30, "one line a request")
	trail := dump(t, w, w.a.id)["audit"]
	require.NotEmpty(t, trail)
	for what, secret := range map[string]string{"password": testPassword, "wrong password": "a wrong password 9", "access token": w.a.tech.token,
		"refresh token": w.a.tech.refresh, "invitation": s.get("invitation_token"), "e-mail": "wren@", "sign-in e-mail": w.a.owner.email,
		"name": "Wren of", "address": "14 Mill Road", "telephone": "555 0142", "refused value": "broken canary"} {
		require.NotContains(t, logs, secret, "%s in the log", what)
		require.NotContains(t, trail, secret, "%s in the trail", what)
	}
}
