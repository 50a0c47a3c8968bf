package sensors_test

import (
	"fmt"

	"drumline/diagnosis/sensors"
)

// A thermistor of 13 kΩ in a room at 77 °F, where it should have 10 kΩ.
func ExampleDeviation() {
	curve, _ := sensors.Material3977(10000)
	dK, u, _ := sensors.Deviation(curve, 13000, 298.15, 100, 1, sensors.Tolerance{})
	fmt.Printf("reads %.1f K wrong, give or take %.1f K\n", dK, u)
	// Output: reads -5.9 K wrong, give or take 1.0 K
}

// A disc stamped 155 °F, warmed over the last 20 °F in five minutes.
func ExampleOpeningShort() {
	lastClosed, firstOpen := 342.6, 343.2
	o, _ := sensors.OpeningShort(sensors.WarmUp{LastClosed: &lastClosed, FirstOpen: &firstOpen, Seconds: 300})
	kelvin, u := o.Estimate(sensors.DefaultResponse(), 0.5)
	tooFast, _ := o.TooFast(10/1.8, sensors.DefaultResponse())
	fmt.Printf("opens at %.0f °F, give or take %.0f °F; too fast: %v\n", kelvin*1.8-459.67, u*1.8, tooFast)
	// Output: opens at 154 °F, give or take 3 °F; too fast: false
}

// Three cycles noted by hand at the outlet of a dryer with a blocked run.
func ExampleAnalyseRun() {
	run := sensors.AnalyseRun(sensors.RunInput{
		Off: []float64{327, 328, 328}, On: []float64{317, 317, 318}, Heat: []float64{110, 45, 50}, Rest: []float64{120, 110, 115},
		Setting: sensors.High, Load: sensors.Empty,
	})
	fmt.Println(run.Pattern)
	// Output: high_limit
}
