package route

// Exactly plans a day of any size by the dynamic programme.
func (d Day) Exactly(m Matrix) (Plan, error) {
	p, order, err := d.prepare(m)
	if err != nil {
		return Plan{}, err
	}
	return d.report(p, p.exact(), order, true), nil
}

// Roughly plans a day of any size by the heuristic.
func (d Day) Roughly(m Matrix) (Plan, error) {
	p, order, err := d.prepare(m)
	if err != nil {
		return Plan{}, err
	}
	return d.report(p, p.heuristic(), order, false), nil
}
