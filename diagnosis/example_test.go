package diagnosis_test

import (
	"fmt"

	"drumline/diagnosis"
	"drumline/diagnosis/catalogue"
)

// A bias heater read with a known meter against the data sheet.
func ExampleJudge() {
	c, err := catalogue.Open()
	if err != nil {
		fmt.Println(err)
		return
	}
	kind, _ := c.Kind("electric_dryer")
	low, high := 5600.0, 8400.0
	verdicts, err := diagnosis.Judge(kind, "runs_too_hot",
		diagnosis.Reading{
			Check:      "bias_heater",
			Values:     map[string][]diagnosis.Value{"resistance": {{SI: 8600.2, Unit: "Ohm"}}, "wires_off": {{Choice: "yes"}}},
			Instrument: &diagnosis.Instrument{Method: "meter", Percent: 0.5, Counts: 2, Resolution: 1},
			Lead:       0.2,
		},
		diagnosis.Sheet{"bias_heater_resistance": {Low: &low, High: &high, Unit: "Ohm", Origin: "tech sheet, page 2"}},
		diagnosis.Unit{Kind: "electric_dryer", Has: map[string]bool{"bias_heater": true}})
	if err != nil {
		fmt.Println(err)
		return
	}
	v := verdicts[0]
	fmt.Println(v.Part, v.Outcome, v.Fault, v.Explains)
	fmt.Println(v.Limit.Origin)
	// Output:
	// bias_heater does_not_conform bias_heater_high yes
	// tech sheet, page 2 (unconfirmed)
}

// A call about which nothing but the complaint is known.
func ExampleAssess() {
	c, err := catalogue.Open()
	if err != nil {
		fmt.Println(err)
		return
	}
	kind, _ := c.Kind("electric_dryer")
	a, err := diagnosis.Assess(kind, diagnosis.Case{Complaint: "runs_too_hot", Unit: diagnosis.Unit{Kind: kind.ID}})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(a.Enough, a.Coverage, a.Ranking[0].Fault, a.Next[0].Check)
	// Output: false 0 run_restricted hood_look
}
