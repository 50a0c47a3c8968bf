package api

import (
	"context"
	"net/http"
	"strconv"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/codes"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/trace"
)

// startSpan begins the span of a request, below the one its traceparent names
// (W3C Trace Context). Without a tracer there is none.
func (e *Edge) startSpan(r *http.Request) (context.Context, trace.Span) {
	ctx := r.Context()
	if e.Tracer == nil {
		return ctx, trace.SpanFromContext(ctx)
	}
	ctx = propagation.TraceContext{}.Extract(ctx, propagation.HeaderCarrier(r.Header))
	return e.Tracer.Start(ctx, knownMethod(r.Method), trace.WithSpanKind(trace.SpanKindServer))
}

// traceID is the id of the trace a span belongs to; empty without one.
func traceID(s trace.Span) string {
	if c := s.SpanContext(); c.HasTraceID() {
		return c.TraceID().String()
	}
	return ""
}

// endSpan names the span by OpenTelemetry's conventions for HTTP servers. The
// path itself, which may hold a token, is not told.
func endSpan(s trace.Span, a Access) {
	s.SetName(a.Method + " " + a.Route)
	s.SetAttributes(attribute.String("http.request.method", a.Method), attribute.String("http.route", a.Route),
		attribute.Int("http.response.status_code", a.Status), attribute.String("drumline.request_id", a.Request))
	if !a.Shop.IsZero() {
		s.SetAttributes(attribute.String("drumline.shop_id", a.Shop.String()))
	}
	if a.Status >= http.StatusInternalServerError {
		s.SetAttributes(attribute.String("error.type", strconv.Itoa(a.Status)))
		s.SetStatus(codes.Error, a.Kind)
	}
	s.End()
}
