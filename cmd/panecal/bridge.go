package main

import (
	"fmt"
	"strings"

	"example.org/panecal/station/product"
)

// bridge is the name that records give to the program between the station and
// its nests: the configuration's, "" where all nests are on serial lines. A
// bridge times, sums and stores for the units behind it, so one without a name
// is refused; and as a record would name it for every nest, so is a sheet of
// both kinds.
func (c configuration) bridge(nests []product.Nest) (string, error) {
	var behind, before []string
	for _, n := range nests {
		if strings.HasPrefix(n.Port, "tcp:") {
			behind = append(behind, n.Name)
		} else {
			before = append(before, n.Name)
		}
	}
	switch {
	case len(behind) == 0:
		return "", nil
	case c.Bridge == "":
		return "", fmt.Errorf("%s: nest %s is reached over TCP, and records have to name the bridge. Replace the ports of the station sheet by those of your lines, which panecal doctor lists; or where a bridge really stands between, add bridge = \"…\", its program's name and version", c.path, behind[0])
	case len(before) > 0:
		return "", fmt.Errorf("%s: nest %s is reached over the bridge %s and nest %s is not: give the nests behind a bridge a station of their own", c.path, behind[0], c.Bridge, before[0])
	}
	return c.Bridge, nil
}
