// Package wire holds what every operation of the HTTP interface shares, each
// in one place: strict JSON, problem details (RFC 9457), tri-state fields,
// entity tags, page cursors, media type negotiation, idempotency keys, instants
// and dates. It knows no resource and no router.
package wire
