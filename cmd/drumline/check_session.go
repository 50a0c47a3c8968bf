package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/go-json-experiment/json"

	"drumline/api"
	"drumline/api/wire"
	"drumline/domain"
)

const (
	answerTime = 30 * time.Second
	maxAnswer  = 16 << 20
	tries      = 3 // of a request the network lost
)

// session speaks with the service as one person.
type session struct {
	ctx    context.Context
	client *http.Client
	base   string
	tokens api.Session
}

// refusal is an answer of the service that is no success.
type refusal struct {
	status  int
	problem wire.Problem
}

// Error says what to do, part by part.
func (r *refusal) Error() string {
	lines := []string{}
	for _, e := range r.problem.Errors {
		lines = append(lines, strings.TrimPrefix(e.Pointer, "/")+": "+e.Detail)
	}
	if len(lines) == 0 {
		lines = append(lines, r.problem.Detail)
	}
	if id := r.problem.RequestID; id != "" {
		lines = append(lines, "Request id: "+id)
	}
	return strings.Join(lines, "\n! ")
}

// unreached is a request that got no answer.
type unreached struct{ err error }

// Error names the address and why.
func (u *unreached) Error() string { return "the service gives no answer: " + u.err.Error() }

// signedIn opens a session.
func signedIn(ctx context.Context, address string, who api.SignIn) (*session, error) {
	at, err := url.Parse(address)
	if err != nil || at.Host == "" || at.Scheme != "http" && at.Scheme != "https" {
		return nil, fmt.Errorf("%q is no address of a service, such as http://127.0.0.1:8080", address)
	}
	s := &session{ctx: ctx, base: strings.TrimRight(address, "/"), client: &http.Client{Timeout: answerTime,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}} // a password goes nowhere else
	if err := s.send(http.MethodPost, "/v1/sessions", "", who, &s.tokens); err != nil {
		return nil, err
	}
	return s, nil
}

// get reads path into out.
func (s *session) get(path string, out any) error {
	return s.request(http.MethodGet, path, "", nil, out)
}

// post sends body to path and reads the answer into out. The same key makes
// the same request happen once, however often it is sent.
func (s *session) post(path, key string, body, out any) error {
	return s.request(http.MethodPost, path, key, body, out)
}

// newKey is the key of a request that was not sent before.
func newKey() string { return domain.NewID(time.Now()).String() }

// request sends as the person, with a new access token where the old one
// has ended.
func (s *session) request(method, path, key string, body, out any) error {
	err := s.send(method, path, key, body, out)
	if said, ok := errors.AsType[*refusal](err); !ok || said.status != http.StatusUnauthorized {
		return err
	}
	again := api.RefreshToken{RefreshToken: s.tokens.RefreshToken}
	if err := s.send(http.MethodPost, "/v1/sessions/refresh", "", again, &s.tokens); err != nil {
		return err
	}
	return s.send(method, path, key, body, out)
}

// send sends a request, again when the network lost it.
func (s *session) send(method, path, key string, body, out any) error {
	var text []byte
	if body != nil {
		var err error
		if text, err = wire.Marshal(body); err != nil {
			return fmt.Errorf("%s %s: %w", method, path, err)
		}
	}
	for n := 1; ; n++ {
		err := s.once(method, path, key, text, out)
		if _, lost := errors.AsType[*unreached](err); !lost || n == tries {
			return err
		}
		select {
		case <-s.ctx.Done():
			return s.ctx.Err()
		case <-time.After(time.Duration(n) * 500 * time.Millisecond):
		}
	}
}

func (s *session) once(method, path, key string, text []byte, out any) error {
	req, err := http.NewRequestWithContext(s.ctx, method, s.base+path, bytes.NewReader(text))
	if err != nil {
		return err
	}
	if token := s.tokens.AccessToken; token != "" && !strings.HasPrefix(path, "/v1/sessions") {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	if text != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	if key != "" {
		req.Header.Set("Idempotency-Key", key)
	}
	res, err := s.client.Do(req)
	if err != nil {
		return s.lost(err)
	}
	got, err := io.ReadAll(io.LimitReader(res.Body, maxAnswer))
	if err = errors.Join(err, res.Body.Close()); err != nil {
		return s.lost(err)
	}
	return understand(res, got, out)
}

// lost is an answer that did not come: because the program was told to stop,
// or because of the network.
func (s *session) lost(err error) error {
	if s.ctx.Err() != nil {
		return s.ctx.Err()
	}
	return &unreached{err}
}

// understand reads an answer. Fields a later service adds are passed over.
func understand(res *http.Response, text []byte, out any) error {
	if res.StatusCode < 200 || res.StatusCode > 299 {
		said := &refusal{status: res.StatusCode}
		if err := json.Unmarshal(text, &said.problem); err != nil || said.problem.Detail == "" {
			said.problem = wire.Problem{Detail: "the service answered " + res.Status}
		}
		return said
	}
	if err := json.Unmarshal(text, out); err != nil {
		return fmt.Errorf("the answer of %s is not what this program knows: %w", res.Request.URL.Path, err)
	}
	return nil
}
