package diagnosis

import (
	"strconv"
	"strings"

	"drumline/diagnosis/catalogue"
	"drumline/diagnosis/measure"
)

// sentence fills the finding's words: {value} what was measured, {limit} what
// it was held against, {origin} where that limit comes from, {position} where
// it was measured. The numbers are in the unit that was entered.
func (j *job) sentence(f *catalogue.Finding, r result) string {
	if r.said != "" {
		return joined(r.said, r.note)
	}
	s := fill(f.Sentence, func(name string) (string, bool) {
		switch name {
		case "value":
			return valueText(r), true
		case "limit":
			return limitText(r), true
		case "origin":
			return originText(r), true
		case "position":
			return j.positionName(), true
		}
		return "", false
	})
	if s == "" {
		s = j.check.Name + ": " + strings.ReplaceAll(f.ID, "_", " ") + "."
	}
	return joined(s, r.note)
}

// fill replaces each {name} that is known in one pass: what is put in is not
// looked at again.
func fill(s string, value func(name string) (string, bool)) string {
	var b strings.Builder
	for {
		before, rest, opened := strings.Cut(s, "{")
		name, after, closed := strings.Cut(rest, "}")
		if !opened || !closed {
			b.WriteString(s)
			return b.String()
		}
		b.WriteString(before)
		if v, ok := value(name); ok {
			b.WriteString(v)
		} else {
			b.WriteString("{" + name + "}")
		}
		s = after
	}
}

func valueText(r result) string {
	switch {
	case r.text != "":
		return r.text
	case r.measured == nil:
		return "no value"
	}
	return measure.Format(*r.measured, displayUnit(r.unit, limitUnit(r), r.quantity), r.quantity, r.uncertainty)
}

func limitUnit(r result) string {
	if r.limit == nil {
		return ""
	}
	return r.limit.Unit
}

// displayUnit is the first of the two codes the quantity has, else SI.
func displayUnit(entered, of string, q measure.Quantity) string {
	for _, u := range []string{entered, of} {
		if u == "" {
			continue
		}
		if _, err := measure.FromSI(1, u, q); err == nil {
			return u
		}
	}
	return measure.SIUnit(q)
}

func limitText(r result) string {
	l := r.limit
	if l == nil {
		return "no limit known"
	}
	unit := displayUnit(r.unit, l.Unit, r.quantity)
	show := func(v float64) string { return measure.Format(v, unit, r.quantity, 0) }
	switch {
	case l.Low != nil && l.High != nil && *l.Low == *l.High:
		return show(*l.Low)
	case l.Low != nil && l.High != nil:
		return withoutSymbol(show(*l.Low), show(*l.High)) + " to " + show(*l.High)
	case l.High != nil:
		return "at most " + show(*l.High)
	case l.Low != nil:
		return "at least " + show(*l.Low)
	}
	return "no limit known"
}

// withoutSymbol takes the unit off the first of two figures when the second
// shows the same.
func withoutSymbol(a, b string) string {
	i, k := strings.LastIndexByte(a, ' '), strings.LastIndexByte(b, ' ')
	if i > 0 && k > 0 && a[i:] == b[k:] {
		return a[:i]
	}
	return a
}

func originText(r result) string {
	if r.limit == nil || r.limit.Origin == "" {
		return "no limit known"
	}
	return r.limit.Origin
}

func (j *job) positionName() string {
	switch {
	case j.position == nil:
		return ""
	case j.position.Name != "":
		return lower(j.position.Name)
	}
	return j.position.ID
}

// joined puts two sentences one after the other, leaving out an empty one.
func joined(a, b string) string {
	if a == "" || b == "" {
		return a + b
	}
	return a + " " + b
}

// trimNumber writes x with at most d decimals.
func trimNumber(x float64, d int) string {
	s := strconv.FormatFloat(x, 'f', d, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}
