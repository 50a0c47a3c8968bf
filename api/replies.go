package api

import (
	"bytes"
	"context"
	_ "embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"io"
	"net/http"
	"net/url"

	"github.com/danielgtaylor/huma/v2"

	"drumline/domain"
	"drumline/domain/care"
)

//go:embed reply.html
var replyHTML string

var replyPage = template.Must(template.New("reply").Parse(replyHTML))

// replyPolicy lets the page send its own forms and nothing else.
var replyPolicy = "default-src 'none'; style-src '" + styleHash(replyHTML) + "'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"

// replyView is what the page a customer comes to by a link shows.
type replyView struct {
	Words  map[string]string
	Shop   string
	Phone  string
	Units  []string
	Action string // where the form goes; empty: nothing is asked any more
	Wants  []replyWant
	Told   string // what has been done
}

type replyWant struct {
	Value, Label string
	First        bool
}

// pageOut is a page for a person.
type pageOut struct {
	ContentType string `header:"Content-Type"`
	Policy      string `header:"Content-Security-Policy"`
	Cache       string `header:"Cache-Control"`
	Referrer    string `header:"Referrer-Policy"`
	Robots      string `header:"X-Robots-Tag"`
	Body        []byte
}

func showReply(v replyView) (*pageOut, error) {
	var page bytes.Buffer
	if err := replyPage.Execute(&page, v); err != nil {
		return nil, fmt.Errorf("api: page of a reply: %w", err)
	}
	return privatePage(page.Bytes(), replyPolicy), nil
}

// privatePage is a page whose address is its key: it is kept out of caches,
// search and the Referer of links.
func privatePage(page []byte, policy string) *pageOut {
	return &pageOut{ContentType: "text/html; charset=utf-8", Policy: policy, Cache: "private, no-store", Referrer: "no-referrer", Robots: "noindex", Body: page}
}

// ask is the page that asks what the customer wants; want is put first.
func ask(c care.Correspondence, token, want string, wants ...care.Wanted) replyView {
	w := replyWords(c.Language)
	v := replyView{Words: w, Shop: c.Shop.Name, Phone: c.Phone, Action: "/v1/care-replies/" + token}
	for _, u := range c.Units {
		v.Units = append(v.Units, care.UnitName(c.Language, u))
	}
	for _, x := range wants {
		v.Wants = append(v.Wants, replyWant{string(x), w[string(x)], string(x) == want})
	}
	return v
}

func told(c care.Correspondence, want care.Wanted) replyView {
	w := replyWords(c.Language)
	return replyView{Words: w, Shop: c.Shop.Name, Phone: c.Phone, Told: w["told_"+string(want)]}
}

// formIn is a form as browsers and mail programs post it.
type formIn struct {
	Token string `path:"token" doc:"Of the link."`
	form  url.Values
}

// Resolve reads the form.
func (in *formIn) Resolve(ctx huma.Context) []error {
	raw, err := io.ReadAll(ctx.BodyReader())
	if err != nil {
		return []error{err}
	}
	if in.form, err = url.ParseQuery(string(raw)); err != nil {
		return []error{domain.Errorf(domain.Unreadable, "The form is malformed.")}
	}
	return nil
}

const formType = "application/x-www-form-urlencoded"

const replyText = `Where the links of a message lead: a page that asks what the customer wants. Reading it changes nothing, since programs follow links by
themselves; the form does. The token of the link is the key, of this message alone.`

func (a *API) registerReplies(e *Edge) {
	const tag, base = "care", "/v1/care-replies/{token}"
	html := []string{"text/html"}
	register(e, Op{ID: "read-care-reply", Method: http.MethodGet, Path: base, Public: true, Tags: []string{tag}, Produces: html, Errors: []int{http.StatusNotFound},
		Summary: "Ask a customer what they want", Description: replyText},
		func(ctx context.Context, in *struct {
			Token string `path:"token" doc:"Of the link."`
			Want  string `query:"want" enum:"book,done,call_me,stop"`
		}) (*pageOut, error) {
			c, err := a.Care.ReadCorrespondence(ctx, in.Token)
			if err != nil {
				return nil, err
			}
			return showReply(ask(c, in.Token, in.Want, care.Wants()...))
		})
	register(e, Op{ID: "send-care-reply", Method: http.MethodPost, Path: base, Public: true, Tags: []string{tag}, Consumes: []string{formType}, Produces: html, MaxBody: 4 << 10,
		Errors: []int{http.StatusNotFound, http.StatusUnprocessableEntity}, Summary: "Take what a customer wants", Description: replyText},
		func(ctx context.Context, in *formIn) (*pageOut, error) {
			want := care.Wanted(in.form.Get("want"))
			c, err := a.Care.Answer(ctx, in.Token, want, in.form.Get("note"))
			if err != nil {
				return nil, err
			}
			return showReply(told(c, want))
		})
	a.registerUnsubscribe(e)
	a.registerReturned(e)
	register(e, Op{ID: "read-sent-report", Method: http.MethodGet, Path: "/v1/reports/{token}", Public: true, Tags: []string{"closing"}, Produces: html,
		Errors: []int{http.StatusNotFound}, Summary: "Show the report of a call by the link of a message", Description: "For the customer. The token of the link is the key."},
		func(ctx context.Context, in *struct {
			Token string `path:"token" doc:"Of the link."`
		}) (*pageOut, error) {
			shop, call, err := a.Care.ReportOf(ctx, in.Token)
			if err != nil {
				return nil, err
			}
			r, err := a.Repair.ReadReport(ctx, domain.System(shop, "report link"), call)
			if err != nil {
				return nil, err
			}
			var page bytes.Buffer
			if err := reportPage.Execute(&page, viewReport(r)); err != nil {
				return nil, fmt.Errorf("api: report of call %s: %w", call, err)
			}
			return privatePage(page.Bytes(), reportPolicy), nil
		})
}

func (a *API) registerUnsubscribe(e *Edge) {
	const path = "/v1/unsubscribe/{token}"
	const text = "No more messages about care to this address, from this shop. Messages about visits still come. A mail program posts List-Unsubscribe=One-Click (RFC 8058) and is done; a person is asked once."
	register(e, Op{ID: "read-unsubscribe", Method: http.MethodGet, Path: path, Public: true, Tags: []string{"care"}, Produces: []string{"text/html"},
		Errors: []int{http.StatusNotFound}, Summary: "Ask whether messages about care shall end", Description: text},
		func(ctx context.Context, in *struct {
			Token string `path:"token" doc:"Of the link."`
		}) (*pageOut, error) {
			c, err := a.Care.ReadCorrespondence(ctx, in.Token)
			if err != nil {
				return nil, err
			}
			return showReply(ask(c, in.Token, string(care.WantStop), care.WantStop))
		})
	register(e, Op{ID: "unsubscribe", Method: http.MethodPost, Path: path, Public: true, Tags: []string{"care"}, Consumes: []string{formType}, Produces: []string{"text/html"}, MaxBody: 4 << 10,
		Errors: []int{http.StatusNotFound, http.StatusUnprocessableEntity}, Summary: "End messages about care", Description: text},
		func(ctx context.Context, in *formIn) (*pageOut, error) {
			if in.form.Get("List-Unsubscribe") != "One-Click" {
				return nil, domain.Field("/List-Unsubscribe", "required", "Post List-Unsubscribe=One-Click.")
			}
			c, err := a.Care.Answer(ctx, in.Token, care.WantStop, "")
			if err != nil {
				return nil, err
			}
			return showReply(told(c, care.WantStop))
		})
}

// ReturnedMail is what a report of returned mail says.
type ReturnedMail struct {
	Token     string `json:"token" maxLength:"80" doc:"Of the address the report was sent to: bounce+TOKEN@…"`
	Recipient string `json:"recipient,omitempty" maxLength:"254"`
	Permanent bool   `json:"permanent" doc:"The address takes no mail at all: nothing more is sent to it."`
	Detail    string `json:"detail,omitempty" maxLength:"2000"`
}

func (a *API) registerReturned(e *Edge) {
	register(e, Op{ID: "report-returned-mail", Method: http.MethodPost, Path: "/v1/returned-mails", Public: true, Tags: []string{"care"}, Status: http.StatusNoContent,
		Errors: []int{http.StatusUnauthorized, http.StatusNotFound, http.StatusUnprocessableEntity}, Summary: "Tell of returned mail",
		Description: "For the program that receives returned mail. Signature is the HMAC-SHA256 of the body, in hexadecimal, with the shop's bounce key (see its policy)."},
		func(ctx context.Context, in *struct {
			Signature string `header:"Signature" required:"true" minLength:"64" maxLength:"64"`
			RawBody   []byte
			Body      ReturnedMail
		}) (*struct{}, error) {
			sum, err := hex.DecodeString(in.Signature)
			if err != nil {
				return nil, domain.Field("/Signature", "format", "The signature is written in hexadecimal.")
			}
			if err := a.Care.Signed(ctx, in.Body.Token, in.RawBody, sum); err != nil {
				return nil, err
			}
			return nil, a.Care.Return(ctx, care.Returned(in.Body))
		})
}

// replyWords are the words of the page in a language.
func replyWords(language string) map[string]string {
	if language == "es" {
		return replySpanish
	}
	return replyEnglish
}

var replyEnglish = map[string]string{
	"lang": "en", "title": "What may we do for you?", "about": "This is about:", "note": "A word to us, if you like", "note_hint": "e.g. when you can be reached", "phone": "Telephone",
	"book": "Book a visit: please write or call me", "done": "It has been done", "call_me": "Please call me", "stop": "No more messages about care",
	"told_book": "Thank you. We will get in touch to find a day.", "told_call_me": "Thank you. We will call you.",
	"told_done": "Thank you. We have put down today as the day it was done, and will write again in time.",
	"told_stop": "You get no more messages about care from us. You can call us whenever you want them again.",
	"safe":      "If it smells of gas or burning, or gives shocks: do not use it, and call for help now, not here.",
}

var replySpanish = map[string]string{
	"lang": "es", "title": "¿Qué podemos hacer por usted?", "about": "Se trata de:", "note": "Unas palabras, si quiere", "note_hint": "p. ej. cuándo podemos llamarle", "phone": "Teléfono",
	"book": "Pedir una visita: escríbanme o llámenme", "done": "Ya está hecho", "call_me": "Llámenme, por favor", "stop": "No quiero más avisos de cuidado",
	"told_book": "Gracias. Le contactaremos para acordar un día.", "told_call_me": "Gracias. Le llamaremos.",
	"told_done": "Gracias. Anotamos el día de hoy y le escribiremos a su tiempo.",
	"told_stop": "No recibirá más avisos de cuidado. Puede llamarnos cuando los quiera de nuevo.",
	"safe":      "Si huele a gas o a quemado, o da calambre: no lo use y pida ayuda ahora mismo, no por aquí.",
}
