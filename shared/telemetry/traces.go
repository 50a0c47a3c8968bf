package telemetry

import (
	"context"
	"fmt"
	"strings"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace/otlptracehttp"
	"go.opentelemetry.io/otel/sdk/resource"
	sdk "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/trace"
)

// Traces sends spans to an OTLP/HTTP collector at endpoint, the base address
// that OTEL_EXPORTER_OTLP_ENDPOINT names (OpenTelemetry protocol exporter
// specification): /v1/traces is added to it. They leave in batches in the
// background; a collector that is away costs no request. stop sends the last
// ones and must be called once. The other OTEL_ variables (headers, sampler)
// are read by the library.
func Traces(ctx context.Context, endpoint, version string) (t trace.Tracer, stop func(context.Context) error, err error) {
	exporter, err := otlptracehttp.New(ctx, otlptracehttp.WithEndpointURL(strings.TrimSuffix(endpoint, "/")+"/v1/traces"))
	if err != nil {
		return nil, nil, fmt.Errorf("traces to OTEL_EXPORTER_OTLP_ENDPOINT: %w", err)
	}
	r := resource.NewSchemaless(attribute.String("service.name", "drumline"), attribute.String("service.version", version))
	p := sdk.NewTracerProvider(sdk.WithBatcher(exporter), sdk.WithResource(r))
	return p.Tracer("drumline"), p.Shutdown, nil
}
