package record_test

import (
	"strings"
	"testing"

	"example.org/panecal/store/record"
)

// A field that was added later takes no byte where it is empty: records of
// then and of now with the same content are the same bytes.
func TestAddedFieldsTakeNoBytes(t *testing.T) {
	for _, c := range []struct {
		name         string
		without, but record.Body
		more         int // bytes at least
	}{
		{"cautions", &record.SignOn{Person: "op-7"}, &record.SignOn{Person: "op-7", Acknowledged: []string{strings.Repeat("x", 100)}}, 100},
		{"no cautions", &record.SignOn{Person: "op-7"}, &record.SignOn{Person: "op-7", Acknowledged: []string{}}, 0},
		{"lots", &record.ShiftSettings{}, &record.ShiftSettings{Quantity: 300, WindowLot: "w1", GasketLot: "g1", EmitterLot: "e1"}, 12},
		{"lots of the parts", &record.Attempt{Outcome: record.Passed, Run: record.Run{Purpose: record.Production}},
			&record.Attempt{Outcome: record.Passed, Run: record.Run{Purpose: record.Production, WindowLot: "w1", GasketLot: "g1", EmitterLot: "e1"}}, 12},
		{"a box", &record.Attempt{Outcome: record.Passed, Run: record.Run{Purpose: record.Production}},
			&record.Attempt{Outcome: record.Passed, Run: record.Run{Purpose: record.Production}, Box: "B-17"}, 5},
		{"a void", &record.Attempt{Outcome: record.Passed, Run: record.Run{Purpose: record.Production}},
			&record.Attempt{Outcome: record.Passed, Run: record.Run{Purpose: record.Production}, Void: record.VoidBears}, 8},
		{"common parts", &record.Attempt{Outcome: record.Passed, Run: record.Run{Purpose: record.Production}, Quantities: []record.Quantity{{Name: "offset.mean", Unit: "mm"}}},
			&record.Attempt{Outcome: record.Passed, Run: record.Run{Purpose: record.Production}, Quantities: []record.Quantity{{Name: "offset.mean", Unit: "mm", Common: 0.15}}}, 9},
	} {
		t.Run(c.name, func(t *testing.T) {
			size := func(b record.Body) int {
				raw, _, err := record.Encode(record.Entry{Ref: record.Ref{Station: "s", Generation: 1, Sequence: 1}, Body: b})
				if err != nil {
					t.Fatal(err)
				}
				return len(raw)
			}
			before, after := size(c.without), size(c.but)
			if after-before < c.more || c.more == 0 && after != before {
				t.Errorf("%d bytes without, %d with", before, after)
			}
		})
	}
}
