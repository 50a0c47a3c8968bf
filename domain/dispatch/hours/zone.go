package hours

import (
	"time"

	"drumline/domain"
)

// Zone loads an IANA zone by its name, e.g. America/New_York. The host's own
// zone ("Local", or no name) is refused: it differs from machine to machine.
func Zone(name string) (*time.Location, error) {
	if name == "" || name == "Local" {
		return nil, unknownZone()
	}
	z, err := time.LoadLocation(name)
	if err != nil {
		return nil, unknownZone()
	}
	return z, nil
}

func unknownZone() error {
	return domain.Field("/zone", "unknown", "A zone has an IANA name, e.g. America/New_York.")
}

// At is the first instant at which clocks of the zone read that civil time or
// later. A time the clock repeats is thus the first of the two, as RFC 5545
// §3.3.5 has it; a time it skips moves forward to the end of the gap, so that a
// later civil time is never an earlier instant. time.Date and PostgreSQL each
// choose otherwise in some zones (02:30 skipped in New York is 01:30 for the one,
// 03:30 for the other): civil times become instants here and nowhere else. 24:00
// is 00:00 of the next day.
func At(zone *time.Location, d domain.Date, c Clock) time.Time {
	wall := d.Time().Add(time.Duration(c) * time.Minute) // the civil time as if it were UTC
	for t := wall.Add(-48 * time.Hour).In(zone); ; {
		_, offset := t.Zone()
		at := wall.Add(-time.Duration(offset) * time.Second)
		if at.Before(t) {
			return t // skipped: t is where the gap ends
		}
		_, end := t.ZoneBounds()
		if end.IsZero() || at.Before(end) {
			return at.In(zone)
		}
		t = end
	}
}
