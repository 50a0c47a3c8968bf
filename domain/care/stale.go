package care

// Due dates are derived from what is on record: cleanings, the day of
// installation, the exhaust run, the shop's tasks and season. Whoever changes
// one of these marks the unit in the same transaction; Settle derives the marked
// units anew, before anything is read from the derived dates and before anything
// is sent. A mark that is there already is written again: its row stays locked
// until the commit, so that nobody takes it down before the change can be seen.
const (
	// StaleUnit marks the unit $2 of shop $1. The slice below takes it for its
	// changes of units.
	StaleUnit = `INSERT INTO care_stale (shop_id, unit_id) VALUES ($1, $2) ON CONFLICT (shop_id, unit_id) DO UPDATE SET unit_id = excluded.unit_id`
	// StaleSite marks the units at the site $2 of shop $1.
	StaleSite = staleUnits + ` AND site_id = $2` + staleOnce

	staleUnits = `INSERT INTO care_stale (shop_id, unit_id) SELECT $1, id FROM unit WHERE shop_id = $1 AND retired_at IS NULL`
	staleOnce  = ` ON CONFLICT (shop_id, unit_id) DO UPDATE SET unit_id = excluded.unit_id`
)
