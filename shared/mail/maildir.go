package mail

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// Maildir reads the reports in the new mails of a maildir and gives each to
// the function. A mail it handled goes to cur as seen; one that is no report,
// or a broken one, goes to cur unseen, for a person; one for which the function
// failed stays in new and comes again. A mail is given again only if it could
// not be moved, so each must bear a repetition. The error joins all that
// failed; what came after them was read all the same.
func Maildir(dir string, each func(Bounce) error) error {
	files, err := os.ReadDir(filepath.Join(dir, "new"))
	if err != nil {
		return fmt.Errorf("maildir: %w", err)
	}
	var failed []error
	for _, f := range files {
		if !f.Type().IsRegular() || strings.HasPrefix(f.Name(), ".") {
			continue
		}
		if err := file(dir, f.Name(), each); err != nil {
			failed = append(failed, fmt.Errorf("maildir: %s: %w", f.Name(), err))
		}
	}
	return errors.Join(failed...)
}

// file handles one mail of new.
func file(dir, name string, each func(Bounce) error) error {
	f, err := os.Open(filepath.Join(dir, "new", name))
	if err != nil {
		return err
	}
	defer f.Close()
	b, err := ParseBounce(f)
	flags := ""
	if err == nil {
		flags = "S"
		if err := each(b); err != nil {
			return err
		}
	}
	// The flags follow ":2,"; a name that has them already keeps its first part.
	base, _, _ := strings.Cut(name, ":")
	return moved(filepath.Join(dir, "new", name), filepath.Join(dir, "cur", base+":2,"+flags))
}

// moved renames without writing over a mail of the same name: a link fails
// where a rename would not.
func moved(from, to string) error {
	if err := os.Link(from, to); err != nil {
		return err
	}
	return os.Remove(from)
}
