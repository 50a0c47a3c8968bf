package electric_test

import (
	"fmt"

	"drumline/diagnosis/electric"
)

// A coil of 10.67 Ω touches the case three eighths of its length from the live
// end; the thermostat is open.
func ExampleTouch_Leak() {
	touch, ok := electric.TouchAt(4, 6.67, 10.67, 0.1)
	amps, watts := touch.Leak(120, 10.67)
	fmt.Printf("%v: %.2f of the coil, %.0f A, %.1f kW, %s\n", ok, touch.Share, amps, watts/1000, electric.Breaker(amps))
	// Output: true: 0.37 of the coil, 30 A, 3.6 kW, the breaker holds
}

// What an element of 5,400 W at 240 V has glowing and cold.
func ExampleRated() {
	e, ok := electric.Rated(5400, 240)
	fmt.Printf("%v: %.1f Ω glowing, %.1f Ω cold (%.1f to %.1f)\n", ok, e.Hot, e.Cold, e.Low, e.High)
	// Output: true: 10.7 Ω glowing, 10.4 Ω cold (9.9 to 10.6)
}

// Leg two is open; the heater carries leg one's volts to its terminal.
func ExampleOpenLeg() {
	l := electric.OpenLeg(120, 10.67, 1e9, electric.LowImpedance)
	fmt.Printf("%.0f V, %.0f V, line to line %.0f V\n", l.One, l.Two, l.Line)
	fmt.Println(l.Read() == electric.BackFed)
	// Output:
	// 120 V, 120 V, line to line 0 V
	// true
}
