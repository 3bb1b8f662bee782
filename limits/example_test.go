package limits_test

import (
	"fmt"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
)

func ExampleFile_Judge() {
	f, err := limits.Read("hopper-9.limits.toml", []byte(`
product = "hopper-9"

[limit."leakage.max"]
unit = "{count}/{shot}"
high = 0.012
high_bin = "dirty_window"
k = 2

[bin.dirty_window]
number = 10
code = "W-DIRT"
hard = "rework"
disposition = "rework"
priority = 1
instruction = "Wipe the window, run again."
`))
	if err != nil {
		fmt.Println(err)
		return
	}
	// The second zone decides: 0.0115 + 2·0.0004 is above 0.012.
	j := f.Judge(quantity.Set{
		quantity.LeakageMax: quantity.Worst([]quantity.Value{{V: 0.0118, U: 0.00005}, {V: 0.0115, U: 0.0004}}),
	})
	fmt.Println(j.Outcome, j.SoftBin, j.Code, j.Disposition)
	fmt.Println(j.Instruction.Plain)
	fmt.Printf("P(conforming) %.3f\n", j.Lines[0].PConforming)
	// Output:
	// failed 10 W-DIRT rework
	// Wipe the window, run again.
	// P(conforming) 0.894
}
