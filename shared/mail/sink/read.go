package sink

import (
	"bytes"
	"encoding/base64"
	"io"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	netmail "net/mail"
	"strings"
)

// read is a mail taken apart for showing.
type read struct {
	Subject, From, To, Date string
	Text, HTML              string
	Files                   []string // names of attachments
}

// maxDepth is how far multiparts within multiparts are followed.
const maxDepth = 5

// parse takes a mail apart as far as it can be; what it cannot read stays empty
// and is seen in the raw source.
func parse(raw []byte) read {
	m, err := netmail.ReadMessage(bytes.NewReader(raw))
	if err != nil {
		return read{}
	}
	h := func(name string) string {
		v := m.Header.Get(name)
		if d, err := new(mime.WordDecoder).DecodeHeader(v); err == nil {
			return d
		}
		return v
	}
	out := read{Subject: h("Subject"), From: h("From"), To: h("To"), Date: h("Date")}
	out.part(m.Header.Get("Content-Type"), m.Header.Get("Content-Transfer-Encoding"), "", m.Body, maxDepth)
	return out
}

func (r *read) part(contentType, encoding, file string, body io.Reader, depth int) {
	typ, params, err := mime.ParseMediaType(contentType)
	if err != nil {
		typ = "text/plain"
	}
	if strings.HasPrefix(typ, "multipart/") {
		r.parts(multipart.NewReader(body, params["boundary"]), depth-1)
		return
	}
	if file != "" {
		r.Files = append(r.Files, file)
		return
	}
	b, _ := io.ReadAll(decoded(encoding, body))
	text := strings.ToValidUTF8(string(b), "\uFFFD")
	switch {
	case typ == "text/plain" && r.Text == "":
		r.Text = text
	case typ == "text/html" && r.HTML == "":
		r.HTML = text
	}
}

func (r *read) parts(mr *multipart.Reader, depth int) {
	for depth > 0 {
		p, err := mr.NextRawPart()
		if err != nil {
			return
		}
		r.part(p.Header.Get("Content-Type"), p.Header.Get("Content-Transfer-Encoding"), p.FileName(), p, depth)
	}
}

func decoded(encoding string, body io.Reader) io.Reader {
	switch strings.ToLower(strings.TrimSpace(encoding)) {
	case "quoted-printable":
		return quotedprintable.NewReader(body)
	case "base64":
		return base64.NewDecoder(base64.StdEncoding, body)
	}
	return body
}
