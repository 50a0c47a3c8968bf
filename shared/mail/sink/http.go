package sink

import (
	"encoding/json"
	"html/template"
	"net/http"
	"time"
)

// policy lets a page show its own style and frames of this origin, and nothing
// else: no script, no form, no load from elsewhere.
const policy = "default-src 'none'; style-src 'unsafe-inline'; frame-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// bodyPolicy is for the HTML a mail brought: a sandbox without scripts and of
// no origin, with the mail's inline style and data images only.
const bodyPolicy = "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'self'"

// entry is one line of the list, also in JSON.
type entry struct {
	ID      int       `json:"id"`
	At      time.Time `json:"received_at"`
	From    string    `json:"from"`
	To      string    `json:"to"`
	Subject string    `json:"subject"`
}

// Handler shows the mails: / is the list, /mails.json the list for programs,
// /mails/{id} one mail, /mails/{id}/html its HTML alone in a sandbox, and
// /mails/{id}/raw its source.
func (s *Sink) Handler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", s.list)
	mux.HandleFunc("GET /mails.json", s.listJSON)
	mux.HandleFunc("GET /mails/{id}", s.one(s.page))
	mux.HandleFunc("GET /mails/{id}/html", s.one(html))
	mux.HandleFunc("GET /mails/{id}/raw", s.one(raw))
	return mux
}

func (s *Sink) entries() []entry {
	out := []entry{}
	for _, m := range s.Mails() {
		out = append(out, entry{m.ID, m.At, m.From, m.To, parse(m.Raw).Subject})
	}
	return out
}

func head(w http.ResponseWriter, typ, csp string) {
	w.Header().Set("Content-Type", typ)
	w.Header().Set("Content-Security-Policy", csp)
	w.Header().Set("X-Content-Type-Options", "nosniff")
	w.Header().Set("Referrer-Policy", "no-referrer")
	w.Header().Set("Cache-Control", "no-store")
}

func (s *Sink) list(w http.ResponseWriter, _ *http.Request) {
	head(w, "text/html; charset=utf-8", policy)
	_ = pages.ExecuteTemplate(w, "list", s.entries())
}

func (s *Sink) listJSON(w http.ResponseWriter, _ *http.Request) {
	head(w, "application/json", policy)
	_ = json.NewEncoder(w).Encode(s.entries())
}

// one finds the mail of the path.
func (s *Sink) one(show func(http.ResponseWriter, Mail)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		m, ok := s.Mail(r.PathValue("id"))
		if !ok {
			http.Error(w, "no such mail, or no longer kept", http.StatusNotFound)
			return
		}
		show(w, m)
	}
}

func (s *Sink) page(w http.ResponseWriter, m Mail) {
	head(w, "text/html; charset=utf-8", policy)
	_ = pages.ExecuteTemplate(w, "mail", struct {
		Mail
		Read read
		Raw  string
	}{m, parse(m.Raw), string(m.Raw)})
}

func html(w http.ResponseWriter, m Mail) {
	head(w, "text/html; charset=utf-8", bodyPolicy)
	_, _ = w.Write([]byte(parse(m.Raw).HTML))
}

func raw(w http.ResponseWriter, m Mail) {
	head(w, "text/plain; charset=utf-8", policy)
	_, _ = w.Write(m.Raw)
}

var pages = template.Must(template.New("").Parse(`
{{- define "top"}}<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width"><title>{{.}}</title>
<style>body{font:16px/1.5 sans-serif;max-width:60rem;margin:1rem auto;padding:0 1rem;color:#222;background:#fff}
table{border-collapse:collapse;width:100%}th,td{text-align:left;padding:.3rem .6rem;border-bottom:1px solid #ccc;vertical-align:top}
pre{white-space:pre-wrap;overflow-wrap:anywhere;border:1px solid #ccc;padding:.6rem}iframe{width:100%;height:28rem;border:1px solid #ccc}</style>
</head><body>{{end}}
{{- define "list"}}{{template "top" "Mails"}}<h1>Mails</h1>
<p>Nothing here was delivered to anybody. The last 1,000 are kept. <a href="mails.json">JSON</a></p>
{{if .}}<table><thead><tr><th>Time (UTC)</th><th>To</th><th>Subject</th></tr></thead><tbody>
{{range .}}<tr><td>{{.At.Format "2006-01-02 15:04:05"}}</td><td>{{.To}}</td><td><a href="mails/{{.ID}}">{{or .Subject "(no subject)"}}</a></td></tr>
{{end}}</tbody></table>{{else}}<p>None yet.</p>{{end}}</body></html>{{end}}
{{- define "mail"}}{{template "top" (or .Read.Subject "(no subject)")}}<p><a href="../">All mails</a></p><h1>{{or .Read.Subject "(no subject)"}}</h1>
<table><tbody><tr><th>From</th><td>{{.Read.From}}</td></tr><tr><th>To</th><td>{{.Read.To}}</td></tr><tr><th>Date</th><td>{{.Read.Date}}</td></tr>
<tr><th>Envelope</th><td>{{.From}} → {{.To}}, received {{.At.Format "2006-01-02 15:04:05"}} UTC</td></tr>
{{range .Read.Files}}<tr><th>Attached</th><td>{{.}}</td></tr>{{end}}</tbody></table>
<h2>Text</h2><pre>{{.Read.Text}}</pre>
{{if .Read.HTML}}<h2>HTML</h2><iframe sandbox src="{{.ID}}/html" title="HTML of the mail"></iframe>{{end}}
<h2>Source</h2><p><a href="{{.ID}}/raw">alone</a></p><pre>{{.Raw}}</pre></body></html>{{end}}`))
