package study_test

import (
	"fmt"
	"strings"

	"example.org/panecal/limits/study"
)

// Leakage of eight units against an upper limit, in the order measured.
func Example() {
	table, err := study.ReadTable(strings.NewReader("serial,leakage\n1,0.0112\n2,0.0108\n3,0.0115\n4,0.0109\n5,0.0111\n6,0.0114\n7,0.0110\n8,0.0113\n"))
	if err != nil {
		fmt.Println(err)
		return
	}
	leakage, err := table.Numbers("leakage")
	if err != nil {
		fmt.Println(err)
		return
	}
	all, err := study.SampleTolerance(leakage, study.ToleranceOptions{Coverage: 0.99, Confidence: 0.95, Sides: 1, Method: "exact"})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("99 %% of the units lie below %.4f, with confidence 95 %%\n", all.Upper)
	// Output:
	// 99 % of the units lie below 0.0122, with confidence 95 %
}
