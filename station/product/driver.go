package product

import (
	"fmt"
	"slices"
	"strings"
)

// The drivers of fixtures.
const (
	DriverNone  = "none"  // hands move the target
	DriverLines = "lines" // modem control lines of a serial port
	DriverTCP   = "tcp"   // the text protocol over TCP
)

// Moves reports whether a fixture moves the nest's target.
func (n Nest) Moves() bool { return n.Driver == DriverLines || n.Driver == DriverTCP }

// Powers reports whether the fixture switches the unit's power and has a lamp.
func (n Nest) Powers() bool { return n.Driver == DriverTCP }

// HasFar reports whether the nest has a second distance.
func (n Nest) HasFar() bool { return n.Driver == DriverTCP && n.FarMM > 0 }

func (n nestTable) checkDriver(report func(key, problem, mend string)) {
	known := []string{"", DriverNone, DriverLines, DriverTCP}
	switch {
	case !slices.Contains(known, n.Driver):
		report("driver", fmt.Sprintf("there is no driver %q", n.Driver), "write one of: "+strings.Join(known[1:], ", "))
	case !Nest(n).Moves() && n.DriverAt != "":
		report("driver_at", "a place without a driver", `write driver = "tcp" or "lines", or take driver_at out`)
	case n.Driver == DriverTCP && !strings.Contains(n.DriverAt, ":"):
		report("driver_at", fmt.Sprintf("%q is no place of a fixture", n.DriverAt), `write driver_at = "192.168.7.20:4700"`)
	case n.Driver == DriverLines && (n.DriverAt == "" || byOrder.MatchString(n.DriverAt)):
		report("driver_at", fmt.Sprintf("%q is no port that stays with its socket", n.DriverAt), "write the name under /dev/serial/by-path or /dev/serial/by-id")
	case n.DriverAt != "" && n.DriverAt == n.Port:
		report("driver_at", "the unit's own port", "give the fixture a port of its own")
	}
	switch {
	case n.FarMM == 0 && n.FarUMM == 0:
	case n.Driver != DriverTCP:
		report("far_mm", "a second distance that nothing moves the target to", `it wants driver = "tcp"; or take far_mm out`)
	case !(n.FarMM > 0) || !(n.FarUMM > 0) || n.FarUMM >= n.FarMM:
		report("far_mm", fmt.Sprintf("a second distance of %v ± %v mm", n.FarMM, n.FarUMM), "write far_mm and far_u_mm from the certificate")
	case n.FarMM-n.DistanceMM < leastApart && n.DistanceMM-n.FarMM < leastApart:
		report("far_mm", fmt.Sprintf("%v mm is no second distance beside %v mm", n.FarMM, n.DistanceMM), fmt.Sprintf("write one that is %v mm away at least", leastApart))
	}
}

// leastApart is how far two distances of a nest are apart, mm: nearer ones test
// the same thing.
const leastApart = 20.0
