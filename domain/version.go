package domain

// AnyVersion stands for "whatever version it has now" where a change names the
// version it was made from.
const AnyVersion int64 = -1

// SameVersion says whether a change made from version asked fits a record at
// version now.
func SameVersion(asked, now int64) bool { return asked == AnyVersion || asked == now }
