package catalogue

// careScopes are the stretches a cleaning can cover, each with its own date.
var careScopes = []string{"screen", "blower", "cabinet", "transition_duct", "run", "hood"}

func (v *validator) parameters() {
	for i := range v.kind.Features {
		v.text(join(at("features", i), "name"), v.kind.Features[i].Name)
	}
	for i := range v.kind.AsFound {
		v.text(join(at("as_found", i), "name"), v.kind.AsFound[i].Name)
	}
	for i := range v.kind.Parameters {
		p, path := &v.kind.Parameters[i], at("parameters", i)
		v.text(join(path, "name"), p.Name)
		v.text(join(path, "where"), p.Where)
		oneOf(v, join(path, "form"), p.Form, "value", "band", "at_most", "at_least", "curve", "text")
		if p.Form != "text" {
			v.units(path, p.Quantity, p.Units)
		}
		if p.Form == "curve" && p.Quantity != "resistance" {
			v.fail(join(path, "quantity"), "a curve is of resistance by temperature")
		}
	}
}

func (v *validator) parts() {
	for i := range v.kind.Parts {
		p, path := &v.kind.Parts[i], at("parts", i)
		v.text(join(path, "name"), p.Name)
		v.text(join(path, "plain"), p.Plain)
		oneOf(v, join(path, "role"), p.Role, Ordinary, SecondBarrier, Airway, Supply, Use)
		v.feature(path, p.Has, p.Lacks)
	}
}

func (v *validator) faults() {
	for i := range v.kind.Faults {
		f, path := &v.kind.Faults[i], at("faults", i)
		v.must(join(path, "part"), f.Part)
		refer(v, join(path, "part"), "part", f.Part, v.kind.Part)
		v.id(join(path, "mode"), f.Mode)
		v.text(join(path, "name"), f.Name)
		v.text(join(path, "plain"), f.Plain)
		v.must(join(path, "fix"), f.Fix)
		refer(v, join(path, "fix"), "action", f.Fix, v.kind.Action)
		v.positive(join(path, "minutes"), f.Minutes)
		v.mark(join(path, "mark"), f.Mark, "")
	}
	v.modes()
}

// modes checks that a part has each failure mode once.
func (v *validator) modes() {
	seen := map[[2]string]bool{}
	for i, f := range v.kind.Faults {
		key := [2]string{f.Part, f.Mode}
		if seen[key] {
			v.fail(join(at("faults", i), "mode"), "%s has the mode %q twice", f.Part, f.Mode)
		}
		seen[key] = true
	}
}

// must refuses an empty reference.
func (v *validator) must(path, id string) {
	if id == "" {
		v.fail(path, "must be given")
	}
}

func (v *validator) actions() {
	for i := range v.kind.Actions {
		a, path := &v.kind.Actions[i], at("actions", i)
		v.text(join(path, "name"), a.Name)
		v.text(join(path, "plain"), a.Plain)
		for k, t := range a.Touches {
			if t != "chosen" && t != "all" {
				refer(v, at(join(path, "touches"), k), "part", t, v.kind.Part)
			}
		}
		v.asFound(join(path, "destroys"), a.Destroys)
		for k, scope := range a.Cleans {
			oneOf(v, at(join(path, "cleans"), k), scope, careScopes...)
		}
	}
}
