package release_test

import (
	"fmt"

	"example.org/panecal/limits/release"
)

func ExampleSeal() {
	d, err := release.Seal("limits", map[string]any{
		"product": "hopper-9",
		"limit":   map[string]any{"offset.mean": map[string]any{"unit": "mm", "high": 10.0}},
	}, release.Header{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.12s signed %v\n%s", d.Revision, d.Signed, d.Canonical)
	// Output:
	// 7d309e242159 signed false
	// # panecal limits 1
	// limit."offset.mean".high = 10
	// limit."offset.mean".unit = "mm"
	// product = "hopper-9"
}
