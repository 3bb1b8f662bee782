package strict_test

import (
	"fmt"

	"example.org/panecal/limits/strict"
)

func ExampleDecode() {
	var f struct {
		Shots int64  `toml:"shots" need:"add shots = …"`
		Port  string `toml:"port"`
	}
	d, err := strict.Decode("nest.toml", []byte("shots = 0\nprot = \"/dev/one\"\n"), &f)
	fmt.Println(err)
	d, err = strict.Decode("nest.toml", []byte("shots = 0\nport = \"/dev/one\"\n"), &f)
	if err == nil && f.Shots < 1 {
		d.Report("no shots", "write shots = 100000", "shots")
	}
	fmt.Println(d.Err())
	// Output:
	// nest.toml:2:1: unknown key "prot"; mend: did you mean port?
	// nest.toml:1:9: no shots; mend: write shots = 100000
}
