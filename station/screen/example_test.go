package screen_test

import (
	"context"
	"fmt"
	"os"

	"example.org/panecal/station"
	"example.org/panecal/station/screen"
)

// A station puts its snapshots into a mailbox; the screen shows the newest.
func ExampleRunPlain() {
	box := screen.NewMailbox()
	box.Put(station.Snapshot{
		Product: "hopper-54", Purpose: station.Production, Signed: true,
		Hands:    station.Hands{Nest: 0, Code: station.HandsSeat, Args: station.Args{Nest: "nest 1", Label: "HP54-000017-7"}},
		Nests:    []station.NestView{{Name: "1", Step: station.Expected, Label: "HP54-000017-7"}},
		Counters: station.Counters{Units: 1, Passed: 1, First: 1, FirstPassed: 1},
		Closed:   true,
	})
	err := screen.RunPlain(context.Background(), screen.Options{Out: os.Stdout, Snapshots: box})
	fmt.Println(err)
	// Output:
	// hopper-54
	// nest 1: waits for unit  HP54-000017-7
	// > Put HP54-000017-7 into nest 1.
	// 1 unit  first pass 100 %  0 failed  0 on hold
	// <nil>
}
