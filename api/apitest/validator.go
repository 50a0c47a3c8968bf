// Package apitest checks answers of the service against its own OpenAPI
// document. Only tests import it.
package apitest

import (
	"bytes"
	"fmt"
	"mime"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/santhosh-tekuri/jsonschema/v6"
)

const docURL = "mem:///openapi.json"

// Validator holds an OpenAPI 3.1 document.
type Validator struct {
	doc      map[string]any
	compiler *jsonschema.Compiler
	seen     map[string]bool
}

// New reads an OpenAPI document in JSON.
func New(document []byte) (*Validator, error) {
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(document))
	if err != nil {
		return nil, fmt.Errorf("apitest: document: %w", err)
	}
	root, ok := doc.(map[string]any)
	if !ok {
		return nil, fmt.Errorf("apitest: the document is no object")
	}
	c := jsonschema.NewCompiler()
	c.DefaultDraft(jsonschema.Draft2020)
	c.AssertFormat()
	if err := c.AddResource(docURL, doc); err != nil {
		return nil, fmt.Errorf("apitest: document: %w", err)
	}
	return &Validator{doc: root, compiler: c, seen: map[string]bool{}}, nil
}

// CompileAll compiles every schema under components, so that a schema nobody
// answers with is checked as well.
func (v *Validator) CompileAll() error {
	schemas, _ := dig(v.doc, "components", "schemas").(map[string]any)
	for name := range schemas {
		if _, err := v.compiler.Compile(docURL + "#" + pointer("components", "schemas", name)); err != nil {
			return fmt.Errorf("apitest: schema %s: %w", name, err)
		}
	}
	return nil
}

// Response checks one answer: its operation, status and media type must be in
// the document and a JSON body must fit the schema. The path is the one asked
// for, without query. An answer of the router (404 of an unknown path, 405)
// belongs to no operation and is an error here.
func (v *Validator) Response(method, path string, status int, header http.Header, body []byte) error {
	template, ok := v.template(method, path)
	if !ok {
		return fmt.Errorf("apitest: no operation %s %s in the document", method, path)
	}
	v.seen[strings.ToUpper(method)+" "+template] = true
	at := []string{"paths", template, operationKey(method), "responses"}
	at, response, err := v.response(at, status)
	if err != nil {
		return fmt.Errorf("apitest: %s %s: %w", method, template, err)
	}
	if err := v.body(at, response, header, body); err != nil {
		return fmt.Errorf("apitest: %s %s status %d: %w", method, template, status, err)
	}
	return nil
}

// Unseen lists the operations no answer was checked for, as "GET /v1/x".
func (v *Validator) Unseen() []string {
	var out []string
	for template, item := range v.paths() {
		for method := range item {
			if name := strings.ToUpper(method) + " " + template; !v.seen[name] {
				out = append(out, name)
			}
		}
	}
	slices.Sort(out)
	return out
}

func operationKey(method string) string {
	if method == http.MethodHead {
		method = http.MethodGet
	}
	return strings.ToLower(method)
}

// response finds the entry of a status, else the default one, and follows a
// reference to components.
func (v *Validator) response(at []string, status int) ([]string, map[string]any, error) {
	all, _ := dig(v.doc, at...).(map[string]any)
	key := strconv.Itoa(status)
	if _, ok := all[key]; !ok {
		if status < 400 {
			return nil, nil, fmt.Errorf("status %d is not documented", status)
		}
		key = "default"
	}
	at = append(slices.Clone(at), key)
	r, ok := all[key].(map[string]any)
	if !ok {
		return nil, nil, fmt.Errorf("status %d is not documented", status)
	}
	if ref, ok := r["$ref"].(string); ok {
		at = strings.Split(strings.TrimPrefix(ref, "#/"), "/")
		if r, ok = dig(v.doc, at...).(map[string]any); !ok {
			return nil, nil, fmt.Errorf("reference %s leads nowhere", ref)
		}
	}
	return at, r, nil
}

func (v *Validator) body(at []string, response map[string]any, header http.Header, body []byte) error {
	content, _ := response["content"].(map[string]any)
	if len(body) == 0 {
		return nil // 204, 304 and HEAD
	}
	kind, _, err := mime.ParseMediaType(header.Get("Content-Type"))
	if err != nil {
		return fmt.Errorf("content type: %w", err)
	}
	media, ok := content[kind].(map[string]any)
	if !ok {
		return fmt.Errorf("media type %s is not documented", kind)
	}
	if _, ok := media["schema"]; !ok || !strings.HasSuffix(kind, "json") {
		return nil
	}
	schema, err := v.compiler.Compile(docURL + "#" + pointer(append(slices.Clone(at), "content", kind, "schema")...))
	if err != nil {
		return fmt.Errorf("schema: %w", err)
	}
	value, err := jsonschema.UnmarshalJSON(bytes.NewReader(body))
	if err != nil {
		return fmt.Errorf("body: %w", err)
	}
	return schema.Validate(value)
}

func (v *Validator) paths() map[string]map[string]any {
	out := map[string]map[string]any{}
	paths, _ := v.doc["paths"].(map[string]any)
	for template, item := range paths {
		out[template], _ = item.(map[string]any)
	}
	return out
}

// template finds the path template with the most literal segments that fits.
func (v *Validator) template(method, path string) (string, bool) {
	best, bestScore := "", -1
	for template, item := range v.paths() {
		score, ok := fit(template, path)
		if _, has := item[operationKey(method)]; ok && has && score > bestScore {
			best, bestScore = template, score
		}
	}
	return best, bestScore >= 0
}

// fit counts the literal segments two paths share; ok is false when path does
// not fit the template.
func fit(template, path string) (score int, ok bool) {
	want, got := strings.Split(template, "/"), strings.Split(path, "/")
	if len(want) != len(got) {
		return 0, false
	}
	for i, w := range want {
		switch {
		case strings.HasPrefix(w, "{") && got[i] != "":
		case w == got[i]:
			score++
		default:
			return 0, false
		}
	}
	return score, true
}

// dig walks objects by name.
func dig(v any, names ...string) any {
	for _, name := range names {
		m, _ := v.(map[string]any)
		v = m[name]
	}
	return v
}

// pointer writes a JSON pointer for a URL fragment.
func pointer(names ...string) string {
	escape := strings.NewReplacer("~", "~0", "/", "~1", "%", "%25", "{", "%7B", "}", "%7D", "+", "%2B")
	var b strings.Builder
	for _, name := range names {
		b.WriteString("/" + escape.Replace(name))
	}
	return b.String()
}
