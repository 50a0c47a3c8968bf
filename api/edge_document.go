package api

import (
	"encoding/json"
	"reflect"
	"sync"

	"github.com/danielgtaylor/huma/v2"

	"drumline/api/wire"
	"drumline/diagnosis/catalogue"
)

const (
	jsonType       = "application/json"
	mergePatchType = "application/merge-patch+json"
	bearerScheme   = "bearer"
	problemRef     = "#/components/responses/Problem"
	tooManyRef     = "#/components/responses/TooMany"
)

// humaConfig is written out rather than taken from huma.DefaultConfig, which
// adds $schema members, links and routes that are not in the document.
func humaConfig(info Info) huma.Config {
	schemas := huma.NewMapRegistry("#/components/schemas/", schemaName)
	wire.Schemas(schemas)
	return huma.Config{
		OpenAPI: &huma.OpenAPI{
			OpenAPI: "3.1.0",
			Info:    &huma.Info{Title: info.Title, Version: info.Version, Description: info.Description},
			Components: &huma.Components{
				Schemas:   schemas,
				Responses: map[string]*huma.Response{"Problem": problemResponse(schemas), "TooMany": tooManyResponse(schemas)},
				SecuritySchemes: map[string]*huma.SecurityScheme{
					bearerScheme: {Type: "http", Scheme: "bearer", Description: "The access token of a session, in the Authorization header."},
				},
			},
		},
		Formats:                      map[string]huma.Format{jsonType: wire.JSONFormat, "json": wire.JSONFormat},
		DefaultFormat:                jsonType,
		RejectUnknownQueryParameters: true,
		Transformers:                 []huma.Transformer{wire.Render},
	}
}

// schemaName names a schema by its Go type. What a shop adds to the catalogue
// is written in the catalogue's own types: they stand apart from those that
// show what is served.
func schemaName(t reflect.Type, hint string) string {
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	name := huma.DefaultSchemaNamer(t, hint)
	if t.PkgPath() == reflect.TypeFor[catalogue.Supplement]().PkgPath() {
		return "Own" + name
	}
	return name
}

func problemResponse(schemas huma.Registry) *huma.Response {
	return &huma.Response{
		Description: "What went wrong, as problem details (RFC 9457).",
		Content: map[string]*huma.MediaType{
			wire.ProblemType: {Schema: schemas.Schema(reflect.TypeFor[wire.Problem](), true, "Problem")},
		},
	}
}

// tooManyResponse is the Problem of a used-up quota. The two RateLimit fields
// come with every other answer too, where limits are set.
func tooManyResponse(schemas huma.Registry) *huma.Response {
	text := func(s string) *huma.Param {
		return &huma.Param{Description: s, Schema: &huma.Schema{Type: huma.TypeString}}
	}
	r := problemResponse(schemas)
	r.Description = "A quota is used up. Wait as long as Retry-After says."
	r.Headers = map[string]*huma.Param{
		"Retry-After":      {Description: "Seconds until a request will be granted.", Schema: &huma.Schema{Type: huma.TypeInteger}},
		"RateLimit-Policy": text("The quotas that apply, by name: q requests in w seconds (draft-ietf-httpapi-ratelimit-headers-09)."),
		"RateLimit":        text("What is left of each: r requests; t seconds until it is whole again."),
	}
	return r
}

// OpenAPI gives the document as JSON, the same bytes each time. It seals the
// edge.
func (e *Edge) OpenAPI() []byte {
	e.Handler()
	return e.json
}

// OpenAPIYAML is OpenAPI as YAML.
func (e *Edge) OpenAPIYAML() []byte {
	e.Handler()
	return e.yaml()
}

// makeDocument marshals once: huma's own handler does it for each edge at the
// first request, without a lock.
func (e *Edge) makeDocument() {
	doc := e.api.OpenAPI()
	for _, s := range doc.Components.Schemas.Map() {
		allowNull(s)
	}
	var err error
	if e.json, err = json.Marshal(doc); err != nil {
		panic("api: OpenAPI document: " + err.Error())
	}
	e.yaml = sync.OnceValue(func() []byte {
		y, err := doc.YAML()
		if err != nil {
			panic("api: OpenAPI document: " + err.Error())
		}
		return y
	})
}

// allowNull adds null to the enumerations of fields that may be null: a reader
// of JSON Schema takes enum and type together.
func allowNull(s *huma.Schema) {
	for _, p := range s.Properties {
		if p.Nullable && len(p.Enum) > 0 {
			p.Enum = append(p.Enum, nil)
		}
	}
}
