package migrations

// Inner functions that the tests, outside the package because the databases
// they use need it, look at directly.
var (
	RunFiles = run
	Verdict  = verdict
	LatestOf = latest
)
