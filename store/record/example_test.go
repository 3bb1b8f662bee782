package record_test

import (
	"fmt"
	"time"

	"example.org/panecal/store/record"
)

func Example() {
	data, ref, err := record.Encode(record.Entry{
		Ref:  record.Ref{Station: "pane-1", Generation: 1, Sequence: 1},
		Time: time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC),
		Body: &record.Stop{Nest: "A", Code: "no-answer", Why: "three in a row", LiftBy: "lead"},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	e, err := record.Decode(data)
	fmt.Println(ref, e.Body.Kind(), e.Body.(*record.Stop).Why, e.Ref == ref, err)
	// Output: pane-1/1/1 stop three in a row true <nil>
}
