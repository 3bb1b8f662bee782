package label_test

import (
	"fmt"

	"example.org/panecal/station/label"
)

func ExampleRules_Parse() {
	rules, err := label.NewRules(`H54-[0-9]{5}-[0-9A-Z]`, label.Mod37_36)
	if err != nil {
		fmt.Println(err)
		return
	}
	// ISO/IEC 15434, format 06: lot and serial.
	l, err := rules.Parse("[)>\x1e06\x1d1TL77\x1dSH54-00001-O\x1e\x04")
	fmt.Println(l.Serial, l.Lot, err)
	// A letter O for the digit 0.
	_, err = rules.Parse("H54-0000O-O")
	fmt.Println(err)
	// Output:
	// H54-00001-O L77 <nil>
	// the serial does not fit the product's pattern: H54-[0-9]{5}-[0-9A-Z]: character 9 of H54-0000O-O is O
}
