package product

import (
	"fmt"
	"regexp"
	"strconv"
	"time"

	"example.org/panecal/limits/release"
	"example.org/panecal/limits/strict"
)

// SheetKind is the kind of a station sheet among released files.
const SheetKind = "station"

// Sheet is a station sheet, read and found without fault.
type Sheet struct {
	release.Document // Revision, Signed, author, approver …

	Station string
	Nests   []Nest
}

// Nest is one position that holds a unit, with its fixture.
type Nest struct {
	Name        string  // short, as on the nest's own label
	Port        string  // serial device, or tcp:host:port
	LightGroup  string  // nests of one group never emit together; "" for none
	Fixture     string  // what holds the target
	DistanceMM  float64 // from the fixture's reference plane to the target, perpendicular
	DistanceUMM float64 // its standard uncertainty
	Reflectance float64 // of the target at 940 nm, 0 to 1
	Certificate string  // of the distance and the target
	Due         time.Time
	EndStop     bool // the fixture confirms the target's position

	Driver   string  // of the fixture: DriverTCP, DriverLines; "" or DriverNone: hands move the target
	DriverAt string  // where it is reached: host:port, or a serial port
	FarMM    float64 // a second distance, 0 for none; verify.error_far is measured there
	FarUMM   float64 // its standard uncertainty

	PowerSwitch string // which switch takes the power of the nest, for the operator

	ToleratedPerThousand float64 // packets that the line may lose or spoil, see Tolerated
}

// Tolerated is how many packets of a thousand the nest's line may lose or spoil
// in an attempt before the nest stops: 100 where the sheet says nothing.
func (n Nest) Tolerated() float64 {
	if n.ToleratedPerThousand > 0 {
		return n.ToleratedPerThousand
	}
	return 100
}

type sheetTable struct {
	Station string         `toml:"station" need:"add station = \"…\", the station's name in every record"`
	Release release.Header `toml:"release"`
	// Of every nest that does not say it itself.
	ToleratedPerThousand float64     `toml:"tolerated_per_thousand"`
	Nest                 []nestTable `toml:"nest" need:"add [[nest]], one for each position that holds a unit"`
}

type nestTable struct {
	Name        string    `toml:"name" need:"add name = \"…\", short, as on the nest"`
	Port        string    `toml:"port" need:"add port = \"…\", a serial device or tcp:host:port"`
	LightGroup  string    `toml:"light_group"`
	Fixture     string    `toml:"fixture" need:"add fixture = \"…\""`
	DistanceMM  float64   `toml:"distance_mm" need:"add distance_mm = …, from the certificate"`
	DistanceUMM float64   `toml:"distance_u_mm" need:"add distance_u_mm = …, the standard uncertainty from the certificate"`
	Reflectance float64   `toml:"reflectance" need:"add reflectance = …, of the target at 940 nm, 0 to 1"`
	Certificate string    `toml:"certificate" need:"add certificate = \"…\""`
	Due         time.Time `toml:"due" need:"add due = 2027-01-31T00:00:00Z, when the certificate ends"`
	EndStop     bool      `toml:"end_stop" need:"add end_stop = true or false: does the fixture confirm the target's position?"`

	Driver   string  `toml:"driver"`
	DriverAt string  `toml:"driver_at"`
	FarMM    float64 `toml:"far_mm"`
	FarUMM   float64 `toml:"far_u_mm"`

	PowerSwitch string `toml:"power_switch"`

	ToleratedPerThousand float64 `toml:"tolerated_per_thousand"`
}

// maxNests bounds what one station can hold.
const maxNests = 64

// byOrder are device names that follow the order of plugging in: after the
// next restart another nest may have them.
var byOrder = regexp.MustCompile(`^/dev/tty(USB|ACM)[0-9]+$`)

// ReadSheet reads a station sheet; name is for messages only. The error is
// strict.Faults. Signatures are not verified: Signed is false.
func ReadSheet(name string, data []byte) (*Sheet, error) {
	var t sheetTable
	d, err := strict.Decode(name, data, &t)
	if err != nil {
		return nil, err
	}
	if key, problem, mend := t.Release.Problem(); key != "" {
		d.Report(problem, mend, "release", key)
	}
	if t.Station == "" {
		d.Report("the station has no name", `write station = "cal-1"`, "station")
	}
	if len(t.Nest) == 0 || len(t.Nest) > maxNests {
		d.Report(fmt.Sprintf("%d nests", len(t.Nest)), fmt.Sprintf("add 1 to %d [[nest]]", maxNests), "nest")
	}
	s := &Sheet{Station: t.Station}
	if problem := toleratedProblem(t.ToleratedPerThousand); problem != "" {
		d.Report(problem, toleratedMend, "tolerated_per_thousand")
	}
	names, ports := map[string]bool{}, map[string]string{}
	for i, n := range t.Nest {
		report := func(key, problem, mend string) { d.Report(problem, mend, "nest", strconv.Itoa(i), key) }
		if n.Name == "" || names[n.Name] {
			report("name", fmt.Sprintf("nest name %q is empty or used twice", n.Name), "give each nest a short name of its own")
		}
		names[n.Name] = true
		if other, ok := ports[n.Port]; ok {
			report("port", fmt.Sprintf("nests %s and %s have the same port", other, n.Name), "give each nest its own port")
		}
		ports[n.Port] = n.Name
		n.check(report)
		if n.ToleratedPerThousand == 0 {
			n.ToleratedPerThousand = t.ToleratedPerThousand
		}
		s.Nests = append(s.Nests, Nest(n))
	}
	if err := d.Err(); err != nil {
		return nil, err
	}
	if s.Document, err = release.Seal(SheetKind, d.Content(), t.Release); err != nil {
		return nil, fmt.Errorf("reading %s: %w", name, err)
	}
	return s, nil
}

const toleratedMend = "write how many packets of a thousand the line may lose or spoil, such as 20"

func toleratedProblem(perThousand float64) string {
	if perThousand >= 0 && perThousand <= 1000 {
		return ""
	}
	return fmt.Sprintf("%v packets of a thousand", perThousand)
}

func (n nestTable) check(report func(key, problem, mend string)) {
	if problem := toleratedProblem(n.ToleratedPerThousand); problem != "" {
		report("tolerated_per_thousand", problem, toleratedMend)
	}
	switch {
	case n.Port == "":
		report("port", "the nest has no port", "write a serial device or tcp:host:port")
	case byOrder.MatchString(n.Port):
		report("port", n.Port+" belongs to whichever adapter was found first", "write the name under /dev/serial/by-path or /dev/serial/by-id")
	}
	if n.Fixture == "" {
		report("fixture", "the fixture has no name", "write what stands on it")
	}
	if !(n.DistanceMM > 0) {
		report("distance_mm", fmt.Sprintf("a distance of %v mm", n.DistanceMM), "write the distance from the certificate")
	}
	if !(n.DistanceUMM > 0) || n.DistanceUMM >= n.DistanceMM {
		report("distance_u_mm", fmt.Sprintf("an uncertainty of %v mm", n.DistanceUMM), "write the standard uncertainty from the certificate: above 0 and below the distance")
	}
	if !(n.Reflectance > 0 && n.Reflectance <= 1.2) {
		report("reflectance", fmt.Sprintf("a reflectance of %v", n.Reflectance), "write a share, such as 0.5 for 50 %")
	}
	n.checkDriver(report)
	if n.Certificate == "" {
		report("certificate", "the certificate has no number", "write it, or who measured the distance and when")
	}
}
