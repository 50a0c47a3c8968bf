package catalogue_test

import (
	"fmt"

	"drumline/diagnosis/catalogue"
)

func ExampleOpen() {
	c, err := catalogue.Open()
	if err != nil {
		fmt.Println(err)
		return
	}
	k, _ := c.Kind("electric_dryer")
	check, _ := k.Check("coil_to_case")
	fmt.Println(check.Name, "-", check.State)
	for _, l := range check.Limits {
		fmt.Println(l.ID, l.Unit, l.Mark)
	}
	// Output:
	// Coil to case - isolated
	// good MOhm common_practice
	// grounded kOhm common_practice
}
