package main

import (
	_ "embed"
	"fmt"
	"strings"
	"text/tabwriter"

	"drumline/cmd/drumline/seed"
	"drumline/domain"
)

// walk is the main job as shell commands: it can be pasted as it is. All keys
// hang on the visit, so pasted twice it gives the same answers again.
//
//go:embed walk.sh
var walk string

// Marks around the walk in what the demo prints.
const (
	walkBegins = "# ---- the main job: paste from here ----"
	walkEnds   = "# ---- to here ----"
)

// greet prints where the demo is, who can sign in, and the walk.
func greet(p *program, r *ready, how string) error {
	var b strings.Builder
	fmt.Fprintf(&b, "\nDrumline serves two invented repair shops at %s\n", r.URL)
	fmt.Fprintf(&b, "(database: %s; API description: %s/openapi.json; stop with Ctrl-C)\n\n", how, r.URL)
	fmt.Fprintf(&b, "Mail the shops write stays on this machine: read it at %s (start with --clock 525600 to let a year pass in a minute)\n\n", r.Mailbox)
	fmt.Fprintf(&b, "Sign in with POST /v1/sessions. The password of everybody is %s\n\n", seed.Password)
	t := tabwriter.NewWriter(&b, 0, 4, 2, ' ', 0)
	_, _ = fmt.Fprintln(t, "  shop\trole\te-mail\tname") // a strings.Builder takes everything
	for _, s := range seed.SignIns() {
		_, _ = fmt.Fprintf(t, "  %s\t%s\t%s\t%s\n", s.Shop, s.Role, s.Email, s.Name)
	}
	_ = t.Flush()
	tech := seed.Find(domain.Tech)
	fmt.Fprintf(&b, "\n%s stands at a dryer that gets as hot on LOW as on HIGH. Paste the lines below into another\n"+
		"terminal (bash and curl) to do the job: readings, verdicts, conclusion, proof, report.\n\n%s\n", tech.Name, walkBegins)
	for _, e := range []struct{ name, value string }{
		{"URL", r.URL}, {"TECH", r.Tokens[domain.Tech]}, {"OWNER", r.Tokens[domain.Owner]},
		{"METER", r.meter.String()}, {"CALL", r.Call.String()}, {"VISIT", r.Visit.String()},
	} {
		fmt.Fprintf(&b, "export %s=%s\n", e.name, e.value)
	}
	fmt.Fprintf(&b, "%s%s\n\n", walk, walkEnds)
	fmt.Fprintf(&b, "Or be asked, check by check:\n  go run ./cmd/drumline check %s --url %s --shop %s --email %s\n\n", r.Visit, r.URL, tech.Shop, tech.Email)
	_, err := fmt.Fprint(p.stdout, b.String())
	return err
}
