package main

import (
	"context"
	"fmt"
	"time"

	"drumline/domain/people"
)

// keysCommand makes the key file before several processes look for it: two that
// found none at the same time would each make their own.
type keysCommand struct{}

// Run makes the file of DRUMLINE_KEY_FILE; one that is there is read and kept.
func (keysCommand) Run(_ context.Context, p *program) error {
	c, err := readConfig(p.getenv)
	if err != nil {
		return err
	}
	if _, err := people.LoadKeyring(c.Issuer, c.KeyFile, time.Now()); err != nil {
		return err
	}
	_, err = fmt.Fprintf(p.stdout, "the keys are in %s\n", c.KeyFile)
	return err
}
