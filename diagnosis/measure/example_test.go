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

// A heating element good from 9 to 11 Ω reads 12 Ω on a meter with a standard
// uncertainty of 0.22 Ω.
func ExampleReadingModel_Decibans() {
	m, err := measure.NewReadingModel(measure.Hypotheses{
		Tolerance: measure.Interval{Low: 9, High: 11}, Range: measure.Interval{Low: 1, High: 100},
		Lead: 0.2, Spread: 0.3, Outlier: 0.001})
	if err != nil {
		panic(err)
	}
	db := m.Decibans(measure.DriftedHigh, measure.Good, measure.Observed{X: 12, U: 0.22})
	fmt.Printf("%.0f dB for too high, tells: %v\n", db, measure.Tells(db))
	// Output: 35 dB for too high, tells: true
}
