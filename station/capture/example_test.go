package capture_test

import (
	"fmt"
	"strings"

	"example.org/panecal/station/capture"
)

// A unit without histograms: what it says of the empty field and of a target
// at 300 mm.
func Example() {
	file, err := capture.Read(strings.NewReader(`{
		"schema": "panecal.capture/1", "kind": "summary",
		"grid": {"rows": 1, "cols": 1, "ux": [0], "uy": [0]},
		"empty":  {"shots": 4000000, "signal": [0.001], "signal_u": [0.00002], "ambient": [0.0001], "ambient_u": [0.000001], "range_mm": [4], "range_u_mm": [1]},
		"target": {"shots": 1000000, "signal": [0.051], "signal_u": [0.0003], "ambient": [0.0001], "ambient_u": [0.000001], "range_mm": [297], "range_u_mm": [0.2],
			"distance_mm": 300, "distance_u_mm": 0.15}}`))
	if err != nil {
		fmt.Println(err)
		return
	}
	result, err := capture.Estimate(file)
	if err != nil {
		fmt.Println(err)
		return
	}
	q := result.Quantities["offset.mean"]
	fmt.Printf("offset %.1f ± %.1f %s\n", q.Value, q.U, q.Unit)
	// Output: offset 2.9 ± 0.3 mm
}
