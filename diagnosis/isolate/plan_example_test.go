package isolate_test

import (
	"fmt"

	"drumline/diagnosis/isolate"
)

// Three faults behind a complaint, two of them in the heater box, and a check
// that tells the element from the rest. Costs are in minutes; the numbers are
// invented.
func ExamplePlanner_LookAhead() {
	p, err := isolate.NewPlanner([]isolate.Repair{
		{ID: "element", Cost: 40, Panel: "heater box"},
		{ID: "thermal fuse", Cost: 15, Panel: "heater box"},
		{ID: "exhaust run", Cost: 45},
	}, []isolate.Panel{{ID: "heater box", Cost: 20}})
	if err != nil {
		fmt.Println(err)
		return
	}
	b, err := p.Single([]float64{0.4, 0.35, 0.25})
	if err != nil {
		fmt.Println(err)
		return
	}
	a, err := p.LookAhead(b, []isolate.Test{
		{ID: "element resistance", Cost: 5, Panel: "heater box", Outcomes: [][]float64{{0.98, 0.02, 0.02}, {0.02, 0.98, 0.98}}},
		{ID: "air at the hood", Cost: 4, Outcomes: [][]float64{{0.1, 0.1, 0.9}, {0.9, 0.9, 0.1}}},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, i := range a.Now.Order {
		fmt.Println(p.Repairs()[i].ID)
	}
	fmt.Printf("repair now: %.2f\n", a.Now.Cost)
	for _, l := range a.Looks {
		fmt.Printf("test %.0f, then %.1f: saves %.1f\n", l.Cost, l.After, l.Saves)
	}
	fmt.Println("best:", a.Best)
	// Output:
	// thermal fuse
	// element
	// exhaust run
	// repair now: 72.25
	// test 25, then 37.2: saves 10.0
	// test 4, then 58.8: saves 9.5
	// best: 0
}

// A shop has seen the thermal fuse more often than the catalogue expects, and
// more often still on one model; the numbers are invented.
func ExampleLearn() {
	l, err := isolate.Learn([]float64{0.3, 0.7}, []isolate.Level{
		{Name: "kind", Tally: isolate.Tally{Jobs: 30, Counts: []int{15, 15}}},
		{Name: "model", Tally: isolate.Tally{Jobs: 4, Counts: []int{3, 1}}},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, x := range l.Levels {
		fmt.Printf("%s: %d of %d, strength %.0f (%s): %.3f\n", x.Name, x.Counts[0], x.Jobs, x.Strength, x.Basis, x.Shares[0])
	}
	// Output:
	// kind: 15 of 30, strength 10 (usual): 0.450
	// model: 3 of 4, strength 10 (usual): 0.536
}
