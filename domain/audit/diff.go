package audit

import (
	"reflect"
	"strings"
	"unicode"
)

// Diff names the exported fields, in snake_case, in which two values of one
// struct type differ. Fields of an embedded struct are left out: they hold
// what every change changes (version, times).
func Diff[T any](before, after T) []string {
	b, a := reflect.ValueOf(before), reflect.ValueOf(after)
	var names []string
	for i := range b.NumField() {
		f := b.Type().Field(i)
		if f.IsExported() && !f.Anonymous && !reflect.DeepEqual(b.Field(i).Interface(), a.Field(i).Interface()) {
			names = append(names, snake(f.Name))
		}
	}
	return names
}

func snake(name string) string {
	var s strings.Builder
	for i, r := range name {
		if unicode.IsUpper(r) && i > 0 && !unicode.IsUpper(rune(name[i-1])) {
			s.WriteByte('_')
		}
		s.WriteRune(unicode.ToLower(r))
	}
	return s.String()
}
