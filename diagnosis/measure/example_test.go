package measure_test

import (
	"fmt"

	"drumline/diagnosis/measure"
)

func ExampleToSI() {
	kelvin, _ := measure.ToSI(140, "[degF]", measure.Temperature)
	fmt.Printf("%.2f %s\n", kelvin, measure.SIUnit(measure.Temperature))
	_, err := measure.ToSI(131, "cfm", measure.Flow)
	fmt.Println(err)
	// Output:
	// 333.15 K
	// unknown unit "cfm" for flow: write [cft_i]/min
}

// A contact of 0.46 Ω, judged against 0.5 Ω with a meter nobody knows.
func ExampleUpper() {
	ohm, u := measure.ResistanceMeter(0.46, true).Correct(0.46, measure.Resistance)
	c := measure.Upper(ohm, u, 0.5, measure.DefaultRule())
	fmt.Printf("%s: %s with probability %.2f\n", measure.Format(ohm, "Ohm", measure.Resistance, u), c.Outcome, c.Probability)
	// Output: 0.46 Ω: inconclusive with probability 0.59
}
