package main

import (
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"drumline/shared/pg/pgtest"
)

func TestReadyAsksTheService(t *testing.T) {
	r, url := serve(t, pgtest.New(t).AppURL)
	_, err := toEnd(t, settings(), "ready", "--url", url+"/")
	require.NoError(t, err)
	_, err = toEnd(t, settings("DRUMLINE_LISTEN", url[len("http://"):]), "ready")
	require.NoError(t, err)
	r.interrupt()
	_, err = toEnd(t, settings("DRUMLINE_LISTEN", url[len("http://"):]), "ready")
	require.ErrorContains(t, err, "not ready: ")
}

func TestReadyRepeatsWhatTheServiceSays(t *testing.T) {
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { say(w, 503, "draining\n") }))
	defer s.Close()
	require.EqualError(t, askReady(t.Context(), s.URL, time.Minute), "not ready: draining")
}

func TestReachable(t *testing.T) {
	for listens, asked := range map[string]string{"0.0.0.0:8080": "localhost:8080", ":8080": "localhost:8080", "[::]:81": "localhost:81",
		"127.0.0.1:8080": "127.0.0.1:8080", "10.1.2.3:80": "10.1.2.3:80", "nonsense": "nonsense"} {
		require.Equal(t, asked, reachable(listens), listens)
	}
}

func TestKeysAreMadeOnce(t *testing.T) {
	file := filepath.Join(t.TempDir(), "new", "keys.json")
	said, err := toEnd(t, settings("DRUMLINE_KEY_FILE", file), "keys")
	require.NoError(t, err)
	require.Equal(t, "the keys are in "+file+"\n", said)
	first, err := os.ReadFile(file)
	require.NoError(t, err)
	_, err = toEnd(t, settings("DRUMLINE_KEY_FILE", file), "keys")
	require.NoError(t, err)
	second, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, first, second)
	require.NoError(t, os.WriteFile(file, []byte("{}"), 0o600))
	_, err = toEnd(t, settings("DRUMLINE_KEY_FILE", file), "keys")
	require.ErrorContains(t, err, "needs at least one key", "a broken file is not replaced")
}
