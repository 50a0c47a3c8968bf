package diagnosis

import (
	"fmt"
	"strings"

	"drumline/diagnosis/catalogue"
)

// why says in one sentence why a check comes next. h is the entropy now.
func (m *model) why(c candidate, h float64) string {
	var b strings.Builder
	fmt.Fprintf(&b, "Settles %s of what is still open in %s", percent(c.gain/h), minutesText(c.minutes))
	powered := c.check.State == catalogue.RunningClosed || c.check.State == catalogue.LiveOpen
	switch {
	case c.check.State == catalogue.Isolated && !m.c.Isolated:
		b.WriteString(", four of them to isolate and prove dead (let hot parts cool for 10 minutes more)")
	case powered && m.c.Isolated:
		b.WriteString(", five of them to close the machine and restore power")
	}
	if loss := spoils(c.check.Needs); loss != "" {
		b.WriteString(", and " + loss + " would destroy it")
	}
	return b.String() + "."
}

// spoils names what would end the first of the states a check needs.
func spoils(needs []string) string {
	for _, n := range needs {
		switch n {
		case "not_moved":
			return "moving the machine"
		case "not_opened":
			return "opening the machine"
		case "cold":
			return "running it hot first"
		case "not_cleaned":
			return "cleaning first"
		}
	}
	if len(needs) > 0 {
		return "later work"
	}
	return ""
}

func minutesText(t float64) string {
	if t == 1 {
		return "1 minute"
	}
	return trimNumber(t, 1) + " minutes"
}

// percent never rounds to a certainty that is not there.
func percent(p float64) string {
	switch {
	case p > 0 && p < 0.01:
		return "under 1 %"
	case p < 1 && p > 0.99:
		return "over 99 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

// lower makes a name fit inside a sentence.
func lower(s string) string {
	if len(s) > 1 && s[0] >= 'A' && s[0] <= 'Z' && (s[1] < 'A' || s[1] > 'Z') {
		return string(s[0]+'a'-'A') + s[1:]
	}
	return s
}
