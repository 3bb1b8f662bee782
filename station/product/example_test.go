package product_test

import (
	"fmt"
	"strings"

	"example.org/panecal/station/product"
)

func ExampleReadSheet() {
	sheet := `station = "cal-1"

[[nest]]
name = "A"
port = "/dev/serial/by-path/pci-0000:00:14.0-usb-0:2:1.0-port0"
fixture = "fixture 11"
distance_mm = 300
distance_u_mm = 0.15
reflectance = 0.5
certificate = "demo-0011"
due = 2036-01-31T00:00:00Z
end_stop = true
`
	s, err := product.ReadSheet("station.sheet.toml", []byte(sheet))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(s.Station, s.Nests[0].Name, s.Nests[0].DistanceMM, "±", s.Nests[0].DistanceUMM, "mm")
	_, err = product.ReadSheet("station.sheet.toml", []byte(strings.Replace(sheet, "0.5", "50", 1)))
	fmt.Println(err)
	// Output:
	// cal-1 A 300 ± 0.15 mm
	// station.sheet.toml:9:15: a reflectance of 50; mend: write a share, such as 0.5 for 50 %
}
