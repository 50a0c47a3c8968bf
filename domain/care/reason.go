package care

import (
	"fmt"
	"strings"

	"drumline/domain"
)

var scopeWords = map[string]string{
	Screen: "the lint screen", Blower: "the blower", Cabinet: "the heater box and cabinet",
	TransitionDuct: "the transition duct", Run: "the exhaust run", Hood: "the hood",
}

// words names a scope; one of the shop's own stands as the shop wrote it.
func words(scope string) string {
	if w, ok := scopeWords[scope]; ok {
		return w
	}
	return strings.ReplaceAll(scope, "_", " ")
}

// reason says in one or two sentences what the date of a task rests on and
// what of it nobody knows.
func reason(t Task, installedOn domain.Date, why string) string {
	var first, unknown []string
	var lead ScopeDue
	for _, s := range t.Scopes {
		switch {
		case s.Basis == EachLoad:
			return "The customer cleans it before or after each load; washing it moves no other date."
		case s.Basis == Unknown:
			unknown = append(unknown, words(s.Scope))
		case s.DueOn == t.DueOn:
			first, lead = append(first, words(s.Scope)), s
		}
	}
	return strings.TrimSpace(known(first, lead, installedOn, t.Months, why) + " " + notKnown(unknown))
}

func known(scopes []string, lead ScopeDue, installedOn domain.Date, months int, why string) string {
	if why != "" {
		why = ", because " + why
	}
	switch {
	case len(scopes) == 0:
		return ""
	case lead.Basis == FromInstall:
		return fmt.Sprintf("No cleaning is on record for %s: due %d months after the installation on %s%s.", list(scopes), months, installedOn, why)
	}
	if lead.DueOn.Before(lead.LastDoneOn.AddMonths(months)) {
		why += "; moved forward into the season the shop prefers"
	}
	return fmt.Sprintf("Due first: %s, last cleaned on %s; that may go %d months at most%s.", list(scopes), lead.LastDoneOn, months, why)
}

func notKnown(scopes []string) string {
	if len(scopes) == 0 {
		return ""
	}
	return "Not known for " + list(scopes) + ": no cleaning is on record and neither is the day of installation."
}

func list(words []string) string {
	if len(words) == 1 {
		return words[0]
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}
