package survival

import (
	"cmp"
	"slices"
)

// Position is where a failure age is plotted on Weibull paper: F is the share
// failed, half-way up the step of the product-limit estimate at that age.
type Position struct {
	Time, F  float64
	Failures int
}

// PlottingPositions are the positions of all failure ages, in order, with right
// censoring and left truncation; a life that ends unfailed at an age is at risk
// for the failures of that age. Nil when a life makes no sense. Source: Meeker
// and Escobar 1998, section 6.4 (from memory).
func PlottingPositions(lives []Life) []Position {
	if !validLives(lives) {
		return nil
	}
	byExit, byEntry := slices.Clone(lives), slices.Clone(lives)
	slices.SortFunc(byExit, func(a, b Life) int { return cmp.Compare(a.Exit, b.Exit) })
	slices.SortFunc(byEntry, func(a, b Life) int { return cmp.Compare(a.Entry, b.Entry) })
	var at []Position
	survived, entered := 1.0, 0
	for i := 0; i < len(byExit); {
		t, risk := byExit[i].Exit, -i
		for entered < len(byEntry) && byEntry[entered].Entry < t {
			entered++
		}
		risk += entered
		failures := 0
		for ; i < len(byExit) && byExit[i].Exit == t; i++ {
			if byExit[i].Failed {
				failures++
			}
		}
		if failures > 0 {
			next := survived * float64(risk-failures) / float64(risk)
			at = append(at, Position{t, 1 - (survived+next)/2, failures})
			survived = next
		}
	}
	return at
}
