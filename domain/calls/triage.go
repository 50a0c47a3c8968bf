package calls

import (
	"maps"
	"slices"
	"strings"

	"drumline/diagnosis/catalogue"
	"drumline/domain"
)

// checkTriage refuses a complaint the kind does not have, and questions and
// answers the complaint does not have.
func checkTriage(ps *domain.Problems, k *catalogue.Kind, complaint string, answers map[string]string) {
	c, ok := k.Complaint(complaint)
	if !ok {
		ps.Add("/complaint", "unknown", "The catalogue has no such complaint for this kind of unit. It has: %s.",
			ids(k.Complaints, func(c catalogue.Complaint) string { return c.ID }))
		return
	}
	if len(answers) > len(c.Triage) {
		ps.Add("/triage", "too_many", "The catalogue asks fewer questions about this complaint: %s.",
			ids(c.Triage, func(q catalogue.Question) string { return q.ID }))
		return
	}
	for _, id := range slices.Sorted(maps.Keys(answers)) {
		q, ok := c.Question(id)
		if !ok {
			ps.Add("/triage/"+escapePointer(id), "unknown", "The catalogue does not ask this about the complaint. It asks: %s.",
				ids(c.Triage, func(q catalogue.Question) string { return q.ID }))
			continue
		}
		if _, ok := q.Answer(answers[id]); !ok {
			ps.Add("/triage/"+escapePointer(id), "not_listed", "Give one of %s.",
				ids(q.Answers, func(a catalogue.Answer) string { return a.ID }))
		}
	}
}

func ids[T any](items []T, id func(T) string) string {
	var names []string
	for _, i := range items {
		names = append(names, id(i))
	}
	return strings.Join(names, ", ")
}

// escapePointer writes a key as a token of a JSON pointer (RFC 6901, 3).
func escapePointer(key string) string { return strings.NewReplacer("~", "~0", "/", "~1").Replace(key) }

// Said is a triage answer in the words of the catalogue.
type Said struct {
	Answer
	Ask    string // the question; empty when the catalogue has dropped it
	Text   string
	Advice string // what to tell the customer at once, often empty
}

// Words puts answers into the catalogue's order and words. An answer the
// catalogue knows no more stands last, without words.
func Words(k *catalogue.Kind, complaint string, answers []Answer) []Said {
	given := map[string]Answer{}
	for _, a := range answers {
		given[a.Question] = a
	}
	said := []Said{}
	if c, ok := k.Complaint(complaint); ok {
		for _, q := range c.Triage {
			if a, ok := given[q.ID]; ok {
				said = append(said, words(q, a))
				delete(given, q.ID)
			}
		}
	}
	for _, id := range slices.Sorted(maps.Keys(given)) {
		said = append(said, Said{Answer: given[id]})
	}
	return said
}

func words(q catalogue.Question, a Answer) Said {
	s := Said{Answer: a, Ask: q.Ask}
	if w, ok := q.Answer(a.Answer); ok {
		s.Text, s.Advice = w.Text, w.Advice
	}
	return s
}

// Advice is what to tell the customer at once: what the answers call for, then
// what every caller with the complaint is told. Each text stands once.
func Advice(k *catalogue.Kind, complaint string, answers []Answer) []string {
	advice := []string{}
	add := func(s string) {
		if s != "" && !slices.Contains(advice, s) {
			advice = append(advice, s)
		}
	}
	for _, s := range Words(k, complaint, answers) {
		add(s.Advice)
	}
	if c, ok := k.Complaint(complaint); ok {
		add(c.Say)
	}
	return advice
}
