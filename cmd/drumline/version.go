package main

import (
	"fmt"
	"runtime/debug"

	"drumline/diagnosis"
	"drumline/migrations"
)

// versionCommand prints what this binary is.
type versionCommand struct{}

// Run prints the version, the toolchain, the engine and the schema.
func (versionCommand) Run(p *program) error {
	_, err := fmt.Fprintf(p.stdout, "drumline %s, engine %s, schema %d\n", version(), diagnosis.EngineVersion, migrations.Latest())
	return err
}

// version is what the build says: the module's version, or the commit it was
// built from.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	return versionOf(info)
}

func versionOf(info *debug.BuildInfo) string {
	set := map[string]string{}
	for _, s := range info.Settings {
		set[s.Key] = s.Value
	}
	v := info.Main.Version
	if v == "" || v == "(devel)" {
		v = "development"
		if rev := set["vcs.revision"]; rev != "" {
			v += " " + rev[:min(12, len(rev))]
			if set["vcs.modified"] == "true" {
				v += " with changes"
			}
		}
	}
	return v + " (" + info.GoVersion + ")"
}
