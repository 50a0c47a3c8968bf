package people

import (
	"context"
	"fmt"
	"unicode/utf8"

	"github.com/alexedwards/argon2id"

	"drumline/domain"
)

// Hasher hashes passwords with argon2id, two at a time, so that a storm of
// sign-ins cannot take the memory of the machine.
type Hasher struct {
	params *argon2id.Params
	slots  chan struct{}
	dummy  string
}

// NewHasher makes a hasher of the strength the OWASP password storage cheat
// sheet asks for as a minimum: 19 MiB, 2 passes, 1 lane (from memory).
func NewHasher() *Hasher { return newHasher(19*1024, 2) }

// NewWeakHasher is for tests and generated demo data only.
func NewWeakHasher() *Hasher { return newHasher(64, 1) }

func newHasher(kib, passes uint32) *Hasher {
	h := &Hasher{params: &argon2id.Params{Memory: kib, Iterations: passes, Parallelism: 1, SaltLength: 16, KeyLength: 32},
		slots: make(chan struct{}, 2)}
	dummy, err := argon2id.CreateHash("nobody has this password", h.params)
	if err != nil {
		panic(fmt.Sprintf("argon2id: %v", err)) // only without random numbers
	}
	h.dummy = dummy
	return h
}

func (h *Hasher) enter(ctx context.Context) error {
	select {
	case h.slots <- struct{}{}:
		return nil
	case <-ctx.Done():
		return domain.Wrap(domain.Unavailable, ctx.Err(), "The service is busy. Try again in a few seconds.")
	}
}

// Hash gives the PHC string of password.
func (h *Hasher) Hash(ctx context.Context, password string) (string, error) {
	if err := h.enter(ctx); err != nil {
		return "", err
	}
	defer func() { <-h.slots }()
	s, err := argon2id.CreateHash(password, h.params)
	if err != nil {
		return "", fmt.Errorf("hash password: %w", err)
	}
	return s, nil
}

// Matches compares in constant time. An empty hash (no such person) takes as
// long as a wrong password. stale says that the hash is weaker than today's.
func (h *Hasher) Matches(ctx context.Context, password, hash string) (ok, stale bool, err error) {
	if err := h.enter(ctx); err != nil {
		return false, false, err
	}
	defer func() { <-h.slots }()
	known := hash != ""
	if !known {
		hash = h.dummy
	}
	ok, params, err := argon2id.CheckHash(password, hash)
	if err != nil {
		return false, false, fmt.Errorf("compare password: %w", err)
	}
	stale = params.Memory < h.params.Memory || params.Iterations < h.params.Iterations
	return ok && known, stale, nil
}

func checkPassword(ps *domain.Problems, pointer, password string) {
	if n := utf8.RuneCountInString(password); n < 10 || n > 128 {
		ps.Add(pointer, "password", "A password has 10 to 128 characters.")
	}
}
