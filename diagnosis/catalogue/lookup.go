package catalogue

type kindIndex struct {
	checks     map[string]*Check
	parts      map[string]*Part
	faults     map[string]*Fault
	complaints map[string]*Complaint
	parameters map[string]*Parameter
	actions    map[string]*Action
	features   map[string]*Feature
}

type checkIndex struct {
	inputs    map[string]*Input
	findings  map[string]*Finding
	positions map[string]*Position
	limits    map[string]*Limit
	ladder    *Ladder
}

// build makes the lookups constant-time. The entries point into the slices.
func (k *Kind) build() {
	k.index = kindIndex{
		checks:     indexed(k.Checks, func(c *Check) string { return c.ID }),
		parts:      indexed(k.Parts, func(p *Part) string { return p.ID }),
		faults:     indexed(k.Faults, func(f *Fault) string { return f.ID }),
		complaints: indexed(k.Complaints, func(c *Complaint) string { return c.ID }),
		parameters: indexed(k.Parameters, func(p *Parameter) string { return p.ID }),
		actions:    indexed(k.Actions, func(a *Action) string { return a.ID }),
		features:   indexed(k.Features, func(f *Feature) string { return f.ID }),
	}
	for i := range k.Checks {
		k.Checks[i].build()
	}
}

func (c *Check) build() {
	c.index = checkIndex{
		inputs:    indexed(c.Inputs, inputID),
		findings:  indexed(c.Findings, findingID),
		positions: indexed(c.Positions, positionID),
		limits:    indexed(c.Limits, limitID),
		ladder:    newLadder(c),
	}
}

func inputID(i *Input) string       { return i.ID }
func findingID(f *Finding) string   { return f.ID }
func positionID(p *Position) string { return p.ID }
func limitID(l *Limit) string       { return l.ID }

func indexed[T any](items []T, id func(*T) string) map[string]*T {
	m := make(map[string]*T, len(items))
	for i := range items {
		m[id(&items[i])] = &items[i]
	}
	return m
}

// find uses the index, or searches when the value was made by hand and has
// none.
func find[T any](index map[string]*T, items []T, id func(*T) string, want string) (*T, bool) {
	if index != nil {
		t, ok := index[want]
		return t, ok
	}
	for i := range items {
		if id(&items[i]) == want {
			return &items[i], true
		}
	}
	return nil, false
}

// Check gives the check with the id.
func (k *Kind) Check(id string) (*Check, bool) {
	return find(k.index.checks, k.Checks, func(c *Check) string { return c.ID }, id)
}

// Part gives the part with the id.
func (k *Kind) Part(id string) (*Part, bool) {
	return find(k.index.parts, k.Parts, func(p *Part) string { return p.ID }, id)
}

// Fault gives the fault with the id.
func (k *Kind) Fault(id string) (*Fault, bool) {
	return find(k.index.faults, k.Faults, func(f *Fault) string { return f.ID }, id)
}

// CareVisit is the complaint of a call that is about care alone: every kind of
// unit knows it, nothing is asked about it and no fault is behind it.
const CareVisit = "care"

var careVisit = Complaint{ID: CareVisit, Name: "Care is due"}

// Complaint gives the complaint with the id, CareVisit among them.
func (k *Kind) Complaint(id string) (*Complaint, bool) {
	if id == CareVisit {
		return &careVisit, true
	}
	return find(k.index.complaints, k.Complaints, func(c *Complaint) string { return c.ID }, id)
}

// Parameter gives the data-sheet parameter with the id.
func (k *Kind) Parameter(id string) (*Parameter, bool) {
	return find(k.index.parameters, k.Parameters, func(p *Parameter) string { return p.ID }, id)
}

// Action gives the action with the id.
func (k *Kind) Action(id string) (*Action, bool) {
	return find(k.index.actions, k.Actions, func(a *Action) string { return a.ID }, id)
}

// Feature gives the feature with the id.
func (k *Kind) Feature(id string) (*Feature, bool) {
	return find(k.index.features, k.Features, func(f *Feature) string { return f.ID }, id)
}

// Input gives the input with the id.
func (c *Check) Input(id string) (*Input, bool) {
	return find(c.index.inputs, c.Inputs, inputID, id)
}

// Finding gives the finding with the id.
func (c *Check) Finding(id string) (*Finding, bool) {
	return find(c.index.findings, c.Findings, findingID, id)
}

// Position gives the position with the id.
func (c *Check) Position(id string) (*Position, bool) {
	return find(c.index.positions, c.Positions, positionID, id)
}

// Limit gives the limit with the id.
func (c *Check) Limit(id string) (*Limit, bool) {
	return find(c.index.limits, c.Limits, limitID, id)
}

// Question gives the triage question with the id.
func (c *Complaint) Question(id string) (*Question, bool) {
	return find(nil, c.Triage, func(q *Question) string { return q.ID }, id)
}

// Cause gives what the complaint says of the fault.
func (c *Complaint) Cause(fault string) (*Cause, bool) {
	return find(nil, c.Causes, func(x *Cause) string { return x.Fault }, fault)
}

// Answer gives the answer with the id.
func (q *Question) Answer(id string) (*Answer, bool) {
	return find(nil, q.Answers, func(a *Answer) string { return a.ID }, id)
}
