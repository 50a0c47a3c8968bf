// Package api is the HTTP edge: one file a resource, each operation a typed
// function, and Edge, which carries what all of them share.
package api
