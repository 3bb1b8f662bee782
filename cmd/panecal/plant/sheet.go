package plant

import (
	"fmt"
	"strings"
)

// Sheet is the text of a station sheet that names the rack's nests.
func (r *Rack) Sheet(station string) []byte {
	var sheet strings.Builder
	fmt.Fprintf(&sheet, "# The nests of the demonstration; all invented.\nstation = %q\n[release]\nauthor = \"demonstration\"\nreason = \"demonstration\"\n", station)
	for i, port := range r.Ports {
		fmt.Fprintf(&sheet, `
[[nest]]
name = %q
port = %q
light_group = "baffle %d"
fixture = "fixture %d"
distance_mm = %d
distance_u_mm = 0.15
reflectance = %g
certificate = "demo-%d"
due = 2036-01-31T00:00:00Z
end_stop = false
`, NestName(i), port, i+1, i+1, TargetMM, Reflectance, i+1)
	}
	return []byte(sheet.String())
}
