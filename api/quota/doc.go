// Package quota bounds what one caller may take of a shared service: requests
// a minute by token buckets, and requests at one time by places. It knows
// neither HTTP nor who the callers are; a key stands for one of them.
//
// The state lives in the memory of one process: of n processes each grants the
// whole quota.
package quota
