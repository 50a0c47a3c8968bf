package domain

// Changed lists the names whose flag is set, for the audit trail. Arguments
// come in pairs: name string, flag bool.
func Changed(pairs ...any) []string {
	var names []string
	for i := 0; i+1 < len(pairs); i += 2 {
		if set, _ := pairs[i+1].(bool); set {
			name, _ := pairs[i].(string)
			names = append(names, name)
		}
	}
	return names
}
