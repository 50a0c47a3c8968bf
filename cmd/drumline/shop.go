package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"drumline/domain"
	"drumline/domain/people"
)

// shopCommand holds the commands on shops.
type shopCommand struct {
	Create shopCreate `cmd:"" help:"Make a shop and its first owner. The owner's password is read from DRUMLINE_OWNER_PASSWORD, else from the first line of standard input."`
}

// passwordVariable holds the first owner's password: never the command line,
// which every user of the machine can read.
const passwordVariable = "DRUMLINE_OWNER_PASSWORD"

type shopCreate struct {
	Code      string `required:"" help:"Sign-in code of the shop: lower-case letters, digits and hyphens."`
	Name      string `required:"" help:"Name of the shop, as customers know it."`
	TimeZone  string `required:"" help:"Time zone of the shop, e.g. America/Denver."`
	OwnerName string `required:"" help:"Name of the first owner."`
	Email     string `required:"" help:"E-mail address the owner signs in with."`
}

// Run makes the shop.
func (s shopCreate) Run(ctx context.Context, p *program) error {
	c, err := readConfig(p.getenv)
	if err != nil {
		return err
	}
	password, err := readPassword(p)
	if err != nil {
		return err
	}
	db, err := openChecked(ctx, c)
	if err != nil {
		return err
	}
	defer db.Close()
	svc := &people.Service{DB: db, Hasher: people.NewHasher(), Now: time.Now}
	shop, _, err := svc.CreateShop(ctx, people.NewShop{Code: s.Code, Name: s.Name, TimeZone: s.TimeZone,
		OwnerName: s.OwnerName, Email: s.Email, Password: password})
	if err != nil {
		return plain(err)
	}
	_, err = fmt.Fprintf(p.stdout, "made shop %s (%s); %s can sign in with code %s and e-mail %s\n", s.Name, shop.ID, s.OwnerName, s.Code, s.Email)
	return err
}

func readPassword(p *program) (string, error) {
	if v := p.getenv(passwordVariable); v != "" {
		return v, nil
	}
	line, err := bufio.NewReader(io.LimitReader(p.stdin, 4096)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return "", fmt.Errorf("reading the password: %w", err)
	}
	if line = strings.TrimRight(line, "\r\n"); line == "" {
		return "", errors.New("give the owner's password on standard input, or in " + passwordVariable)
	}
	return line, nil
}

// plain says to a person at a terminal what was wrong with each field.
func plain(err error) error {
	e, ok := errors.AsType[*domain.Error](err)
	if !ok || e.Kind == domain.Internal || e.Kind == domain.Unavailable {
		return err
	}
	said := []string{}
	for _, f := range e.Fields {
		said = append(said, "--"+strings.ReplaceAll(strings.TrimPrefix(f.Pointer, "/"), "_", "-")+": "+f.Detail)
	}
	if len(said) == 0 {
		said = append(said, e.Message)
	}
	return errors.New(strings.Join(said, "\n"))
}
