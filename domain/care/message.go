package care

import (
	_ "embed"
	"fmt"
	htmltemplate "html/template"
	"slices"
	"strings"
	"text/template"
	"time"

	"drumline/domain"
	"drumline/domain/calls"
	"drumline/domain/customers"
	"drumline/domain/dispatch/ical"
	"drumline/shared/mail"
)

// letter is a message before it is laid out: the same words for both parts.
type letter struct {
	Language string
	Subject  string
	Hello    string
	Greeting string
	Lead     []string
	Items    []item
	Sections []section
	Buttons  []button
	Closing  string
	Foot     []string
	Stop     *button
}

// item is one thing the message is about.
type item struct {
	Title string
	Lines []string
}

// section is a heading with its points.
type section struct {
	Heading string
	Points  []string
}

// button is a link with what it does.
type button struct{ Label, URL string }

//go:embed letter.txt
var letterText string

//go:embed letter.html
var letterHTML string

var (
	textLayout = template.Must(template.New("text").Parse(letterText))
	htmlLayout = htmltemplate.Must(htmltemplate.New("html").Parse(letterHTML))
)

// message writes the mail of a job.
func (w *Worker) message(j job) (mail.Message, error) {
	t := speak(j.policy.Language)
	var l letter
	var files []mail.Attachment
	switch j.Kind {
	case AboutCare:
		l = t.aboutCare(j, w.Base)
	case AboutReport:
		l = t.aboutReport(j, w.Base)
	default:
		l = t.aboutVisit(j)
		files = appointment(j)
	}
	t.frame(&l, j, w.Base)
	var text, html strings.Builder
	if err := textLayout.Execute(&text, l); err != nil {
		return mail.Message{}, fmt.Errorf("care: text of mail %s: %w", j.ID, err)
	}
	if err := htmlLayout.Execute(&html, l); err != nil {
		return mail.Message{}, fmt.Errorf("care: page of mail %s: %w", j.ID, err)
	}
	m := mail.Message{From: mail.Address{Name: j.policy.SenderName, Addr: j.policy.SenderAddress}, ReplyTo: mail.Address{Addr: j.policy.ReplyTo},
		To: mail.Address{Name: j.to.Name, Addr: j.to.Email}, EnvelopeFrom: w.bounceTo(j), Subject: l.Subject, Text: text.String(), HTML: html.String(),
		MessageID: j.MessageID, Date: j.CreatedAt, Language: j.policy.Language, Attachments: files}
	if j.Kind == AboutCare {
		m.UnsubscribeURL = w.Base + "/v1/unsubscribe/" + j.token
	}
	return m, nil
}

// bounceTo is where the report of a returned mail goes: it carries a token of
// the mail's own.
func (w *Worker) bounceTo(j job) string {
	if w.Bounce == "" {
		return j.policy.SenderAddress
	}
	return bouncePrefix + j.bounce + "@" + w.Bounce
}

// frame adds what every message has: who is spoken to, who speaks, and how it
// ends.
func (t tongue) frame(l *letter, j job, base string) {
	l.Language, l.Hello, l.Greeting, l.Closing = t.code, t.f("hello", j.to.Name), j.policy.Greeting, j.policy.Closing
	l.Foot = append([]string{j.policy.SenderName}, strings.Split(j.policy.PostalAddress, "\n")...)
	if j.policy.Phone != "" {
		l.Foot = append(l.Foot, t.f("phone", j.policy.Phone))
	}
	if j.Kind == AboutCare {
		l.Foot = append(l.Foot, t.f("why_you", j.policy.SenderName))
		l.Stop = &button{t.f("stop"), base + "/v1/unsubscribe/" + j.token}
	}
}

// aboutCare says what is due and why, what the householder may do, and what is
// a technician's work.
func (t tongue) aboutCare(j job, base string) letter {
	var l letter
	var own, ours []string
	lint := false
	for _, r := range j.about {
		u := j.units[r.UnitID]
		task, ok := taskOf(j, r)
		if !ok {
			continue
		}
		l.Items = append(l.Items, t.item(u, task, j.today))
		if task.ID == LintPath {
			lint = true
			continue
		}
		if task.Advice != "" && !slices.Contains(own, task.Advice) {
			own = append(own, task.Advice)
		}
		if task.Whose == ByUs && !slices.Contains(ours, task.Name) {
			ours = append(ours, task.Name)
		}
	}
	if lint {
		l.Lead = append(l.Lead, t.f("fire"))
		own = append([]string{t.f("own_screen"), t.f("own_hood"), t.f("own_signs")}, own...)
		ours = append([]string{t.f("ours_path")}, ours...)
	}
	if len(own) > 0 {
		l.Sections = append(l.Sections, section{t.f("own"), own})
	}
	if len(ours) > 0 {
		l.Sections = append(l.Sections, section{t.f("ours"), append(ours, t.f("closed"), t.f("codes"))})
	}
	l.Subject = t.subject(j, l.Items)
	reply := base + "/v1/care-replies/" + j.token
	l.Buttons = []button{{t.f("book"), reply + "?want=book"}, {t.f("done"), reply + "?want=done"}, {t.f("call"), reply + "?want=call_me"}}
	return l
}

func taskOf(j job, r Reminder) (Task, bool) {
	for _, task := range j.tasks[r.UnitID] {
		if task.ID == r.Task {
			return task, true
		}
	}
	return Task{}, false
}

// item says what of a unit is due when, and why.
func (t tongue) item(u customers.Cared, task Task, today domain.Date) item {
	it := item{Title: t.unit(u)}
	name := task.Name
	if task.ID == LintPath {
		name = t.f("lint_path")
	}
	when := "due"
	if task.DueOn.Before(today) {
		when = "was_due"
	}
	it.Lines = append(it.Lines, t.f(when, name, t.date(task.DueOn)))
	for _, s := range task.Scopes {
		if s.DueOn != task.DueOn {
			continue
		}
		switch s.Basis {
		case FromCleaning:
			it.Lines = append(it.Lines, t.f("since_cleaning", t.date(s.LastDoneOn), task.Months))
		case FromInstall:
			it.Lines = append(it.Lines, t.f("since_install", t.date(u.InstalledOn), task.Months))
		}
		break
	}
	if u.Address != "" {
		it.Lines = append(it.Lines, strings.ReplaceAll(u.Address, "\n", ", "))
	}
	return it
}

// UnitName names an appliance in a language of the messages.
func UnitName(language string, u customers.Cared) string { return speak(language).unit(u) }

// unit names an appliance with what tells it from another.
func (t tongue) unit(u customers.Cared) string {
	name := t.kind(u.Kind)
	name = strings.ToUpper(name[:1]) + name[1:] // it begins a line, and with an ASCII letter in every language here
	if more := strings.TrimSpace(u.Maker + " " + u.Model); more != "" {
		name += " (" + more + ")"
	}
	return name
}

func (t tongue) subject(j job, items []item) string {
	r := j.about[0]
	task, _ := taskOf(j, r)
	if len(items) > 1 {
		return t.f("subject_many", len(items))
	}
	if task.DueOn.Before(j.today) {
		return t.f("subject_late", t.kind(j.units[r.UnitID].Kind))
	}
	return t.f("subject_one", t.kind(j.units[r.UnitID].Kind), t.date(task.DueOn))
}

// aboutVisit confirms a visit, says that it has been moved or cancelled, or
// that it is tomorrow.
func (t tongue) aboutVisit(j job) letter {
	v := j.visit
	on := t.date(domain.DateOf(v.StartsAt.In(j.zone)))
	when := t.f("at", t.clock(v.StartsAt.In(j.zone)))
	if v.ArriveFrom != nil {
		when = t.f("between", t.clock(v.ArriveFrom.In(j.zone)), t.clock(v.ArriveUntil.In(j.zone)))
	}
	l := letter{Items: []item{{t.unit(j.to), []string{on + ", " + when, strings.ReplaceAll(j.to.Address, "\n", ", ")}}}}
	switch {
	case v.Status == calls.VisitCancelled:
		l.Subject, l.Lead = t.f("cancelled_subject", on), []string{t.f("cancelled")}
		return l
	case j.Kind == AboutTomorrow:
		l.Subject, l.Lead = t.f("tomorrow_subject", when), []string{t.f("tomorrow")}
	default:
		l.Subject, l.Lead = t.f("visit_subject", on, when), []string{t.f("visit")}
	}
	l.Sections = []section{{t.f("before"), []string{t.f("before_room"), t.f("before_plate"), t.f("before_danger")}}}
	return l
}

// aboutReport says where the report of a call can be read.
func (t tongue) aboutReport(j job, base string) letter {
	return letter{Subject: t.f("report_subject", t.kind(j.to.Kind)), Lead: []string{t.f("report")}, Items: []item{{Title: t.unit(j.to)}},
		Buttons: []button{{t.f("read"), base + "/v1/reports/" + j.token}}}
}

// appointment is the visit as a calendar entry.
func appointment(j job) []mail.Attachment {
	v := j.visit
	status := ical.Confirmed
	if v.Status == calls.VisitCancelled {
		status = ical.Cancelled
	}
	starts, ends := v.StartsAt, v.EndsAt
	if v.ArriveFrom != nil {
		starts, ends = *v.ArriveFrom, *v.ArriveUntil
	}
	text, err := ical.Encode(ical.Calendar{Product: "-//drumline//visits//EN", Name: j.policy.SenderName, Events: []ical.Event{{UID: v.ID.String() + "@drumline",
		Sequence: int(v.Version - 1), Stamp: v.UpdatedAt, Start: starts, End: ends, Summary: j.policy.SenderName,
		Location: strings.ReplaceAll(j.to.Address, "\n", ", "), Status: status}}})
	if err != nil {
		return nil // a calendar entry is a kindness; the message says it all
	}
	return []mail.Attachment{{Name: "visit.ics", Type: "text/calendar; charset=utf-8; method=PUBLISH", Body: text}}
}

// tongue is the words of one language.
type tongue struct {
	code   string
	words  map[string]string
	kinds  map[string]string
	months []string
}

func speak(language string) tongue {
	if language == "es" {
		return spanish
	}
	return english
}

// f gives a phrase with its parts put in.
func (t tongue) f(key string, parts ...any) string {
	if len(parts) == 0 {
		return t.words[key]
	}
	return fmt.Sprintf(t.words[key], parts...)
}

func (t tongue) kind(id string) string {
	if name, ok := t.kinds[id]; ok {
		return name
	}
	return t.kinds[""]
}

func (t tongue) date(d domain.Date) string { return t.f("date", d.Day, t.months[d.Month-1], d.Year) }

func (t tongue) clock(at time.Time) string {
	if t.code == "es" {
		return at.Format("15:04")
	}
	return at.Format("3:04 pm")
}
