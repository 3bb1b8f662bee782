package station_test

import (
	"encoding/json"
	"fmt"
	"os"
	"time"

	"example.org/panecal/station"
)

func ExampleVerdict() {
	v := station.Verdict{
		Schema: station.VerdictSchema, Serial: "H54-00001-C", Outcome: station.Passed, SoftBin: 1, SoftName: "passed", HardBin: 1,
		Disposition: station.Release, Sequence: 17, Generation: 1, Station: "cal-1", Nest: "A", Purpose: station.Production,
		Attempt: 1, Code: station.NoticePassed, Instruction: "Take the unit out, put it on the belt.", UnitID: "u-1",
		At: time.Date(2027, 3, 1, 6, 0, 0, 0, time.UTC), Marked: true,
	}
	if err := json.NewEncoder(os.Stdout).Encode(v); err != nil {
		fmt.Println(err)
	}
	fmt.Println(v.Released())
	// Output:
	// {"schema":"panecal.verdict/1","serial":"H54-00001-C","outcome":"passed","soft_bin":1,"soft_bin_name":"passed","hard_bin":1,"disposition":"release","sequence":17,"generation":1,"station":"cal-1","nest":"A","purpose":"production","attempt":1,"code":"passed","detail":"","instruction":"Take the unit out, put it on the belt.","unit_id":"u-1","signed":false,"time":"2027-03-01T06:00:00Z","again":false,"released":true}
	// true
}

func ExampleCode_Say() {
	a := station.Args{Nest: "nest B", Label: "H54-00001-C", Bin: "2"}
	fmt.Println(station.HandsFailed.Say(a))
	fmt.Println(station.BadStray.Say(a), station.BadStray.Do(a))
	// Output:
	// Take H54-00001-C out of nest B: bin 2.
	// nest B: something stands in the field. Clear the field.
}
