package main

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"drumline/domain"
)

// loadAndStore gives the fewest round trips a reading can take: what is judged
// must be read first, so what is stored comes in a second one.
func loadAndStore(trips []trip) []trip {
	return []trip{trips[0], together(trips[1:])[0]}
}

// together puts all in one round trip.
func together(trips []trip) []trip {
	var all trip
	for _, t := range trips {
		all = append(all, t...)
	}
	return []trip{all}
}

func isFresh(a, b any) bool {
	x, ok := a.(domain.ID)
	y, same := b.(domain.ID)
	return ok && same && x != y
}

// script is pgbench's side: the captured statements with its variables in them.
type script struct {
	data   *dataset
	text   strings.Builder
	consts []string          // values of :c0, :c1 …
	names  map[string]string // variable of each value
	ids    map[domain.ID]int // ids made for each request, numbered
}

// writeScript makes pgbench's script of trips, one pipeline each. consts are the
// values of its variables c0, c1 and so on.
func writeScript(data *dataset, trips []trip) (text string, consts []string) {
	s := &script{data: data, names: map[string]string{}, ids: map[domain.ID]int{}}
	s.head()
	for _, t := range trips {
		s.line(`\startpipeline`)
		for _, q := range t {
			s.line(s.statement(q) + ";")
		}
		s.line(`\endpipeline`)
	}
	return s.text.String(), s.consts
}

func (s *script) line(format string, args ...any) {
	if len(args) > 0 {
		format = fmt.Sprintf(format, args...)
	}
	s.text.WriteString(format + "\n")
}

// head says who a client is, once, and which of its visits it is at.
func (s *script) head() {
	s.line(`\if :known = 0`)
	s.line(`SELECT person, session, instrument, '' AS empty FROM bench_client WHERE n = :client_id \gset`)
	s.line(`\set known 1`)
	s.line(`\set n :round * 1000000000000 + :client_id * 1000000000`)
	s.line(`\endif`)
	s.line(`\set n :n + 1`)
	s.line(`\set k :client_id * %d + random(0, %d)`, s.data.calls, s.data.calls-1)
}

var placeholder = regexp.MustCompile(`\$(\d+)`)

func (s *script) statement(q sent) string {
	return placeholder.ReplaceAllStringFunc(q.sql, func(p string) string {
		i, err := strconv.Atoi(p[1:])
		if err != nil || i < 1 || i > len(q.args) {
			return p // a dollar that is no parameter
		}
		return s.argument(q, i-1)
	})
}

func (s *script) argument(q sent, i int) string {
	if q.texts[i] == nil {
		return "NULL"
	}
	if id, ok := q.args[i].(domain.ID); ok {
		return s.id(id, q.fresh[i])
	}
	if strings.Contains(*q.texts[i], captureKey) {
		return ":n"
	}
	return s.constant(*q.texts[i])
}

// freshIDs begins the ids made for each request; one digit says which.
const freshIDs = "019000000000701"

func (s *script) id(id domain.ID, fresh bool) string {
	w := s.data.techs[0]
	switch {
	case fresh:
		n, ok := s.ids[id]
		if !ok {
			n = len(s.ids)
			s.ids[id] = n
		}
		return s.counted(freshIDs+strconv.FormatInt(int64(n), 16), "n")
	case id == numbered(visitIDs, 0):
		return s.counted(visitIDs, "k")
	case id == numbered(callIDs, 0):
		return s.counted(callIDs, "k")
	case id == numbered(isolationIDs, 0):
		return s.counted(isolationIDs, "k")
	case id == w.p.Person:
		return ":person"
	case id == w.p.Session:
		return ":session"
	case id == w.instrument:
		return ":instrument"
	}
	return s.constant(id.String())
}

// counted makes an id of a number: pgbench has no other fresh values.
func (s *script) counted(beginning, number string) string {
	return `(` + s.constant(beginning) + `::text || lpad(to_hex(:` + number + `::bigint), 16, '0'))::uuid`
}

// constant gives the variable of a value.
func (s *script) constant(value string) string {
	if value == "" {
		return ":empty" // the command line cannot define it
	}
	name, ok := s.names[value]
	if !ok {
		name = ":c" + strconv.Itoa(len(s.consts))
		s.consts, s.names[value] = append(s.consts, value), name
	}
	return name
}

var (
	constants = regexp.MustCompile(`\$\d+|\bNULL\b|'(?:[^']|'')*'|\b\d+\b|\btrue\b|\bfalse\b`)
	countedID = regexp.MustCompile(`\(\?::text \|\| lpad\(to_hex\(\?::bigint\), \?, \?\)\)::uuid`)
	spaces    = regexp.MustCompile(`\s+`)
)

// normal gives a statement as the server counted it without what tells the two
// sides apart: numbers of parameters and constants in their place (the server
// keeps the constants of a statement prepared before the count began), and how
// pgbench makes ids.
func normal(query string) string {
	q := constants.ReplaceAllString(query, "?")
	q = countedID.ReplaceAllString(q, "?")
	return strings.TrimSuffix(strings.TrimSpace(spaces.ReplaceAllString(q, " ")), ";")
}
