package station_test

import (
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"example.org/panecal/limits"
	"example.org/panecal/station"
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/label"
	"example.org/panecal/station/product"
	"example.org/panecal/store/record"
)

// A world in which every effect of a machine has its consequence, in virtual
// time: units that hold what was written, a log that keeps what was appended.
// What goes wrong is told to it beforehand.

const limitsText = `product = "feeder-2"

[limit."leakage.max"]
unit = "{count}/{shot}"
high = 0.05
high_bin = "dirty"
k = 2

[limit."offset.mean"]
unit = "mm"
low = -20
high = 20
low_bin = "seat"
high_bin = "seat"
k = 2

[limit."verify.error"]
unit = "mm"
low = -3
high = 3
low_bin = "verify"
high_bin = "verify"
k = 0

[bin.dirty]
number = 10
code = "DIRTY"
hard = "rework"
disposition = "rework"
priority = 1
instruction = "Wipe the window."

[bin.seat]
number = 20
code = "SEAT"
hard = "rework"
disposition = "rework"
priority = 2
instruction = "Check the seat, run again."
`

// readLimits is read once: thousands of worlds are made.
var readLimits = sync.OnceValues(func() (*limits.File, error) { return limits.Read("limits.toml", []byte(limitsText)) })

// settings are what a test may change of the usual station.
type settings struct {
	purpose   station.Purpose
	tie       string
	pairs     map[string]string
	nests     int
	fixture   bool
	gate      bool
	power     bool // a restart takes the power away
	warm      bool // units wait until their temperature has settled
	far       bool // the fixture has a second distance
	reject    bool
	one       string // light group of all nests
	max       int    // attempts
	afterPass bool
	summary   bool
	unit      bool // the offset corrects the unit's own range
	measure   bool // measure after failure
	restart   int  // one unit in so many is restarted once it is written
	hands     time.Duration
	endStop   bool
	due       time.Time
	recent    []record.Entry
	reworks   int // a unit may have, from 1 on: a rework is on record before it runs again
}

func usual() settings {
	return settings{purpose: station.Production, tie: product.TieUnit, nests: 1, max: 3, afterPass: true, measure: true}
}

func (s settings) files(t testing.TB) *station.Files {
	t.Helper()
	rules, err := label.NewRules("[A-Z][0-9]+", label.NoCheck)
	if err != nil {
		t.Fatal(err)
	}
	p := &product.Product{Name: "feeder-2", Firmware: []string{"1.0"}, Reports: product.ReportsHistograms, MeasureAfterFailure: s.measure,
		RestartEvery: s.restart, RestartByPower: s.power}
	p.Revision = strings.Repeat("ab", 32)
	if s.summary {
		p.Reports = product.ReportsSummary
	}
	p.Setup = estimate.Setup{Grid: estimate.Grid{Rows: 1, Cols: 2, Ux: []float64{-0.1, 0.1}, Uy: []float64{0, 0}}, Bins: 32, BinPS: 250,
		FirstBinPS: -1000, LeakageWindowPS: [2]float64{-1000, 1000}, WorkingMM: []float64{500},
		Pulse: estimate.Pulse{StartPS: -300, StepPS: 100, Density: []float64{0, 1, 2, 3, 2, 1, 0}}}
	if s.unit {
		p.Setup.Corrects = estimate.CorrectsUnit
	}
	if s.warm {
		p.WarmUp = product.WarmUp{CelPerMin: 0.5, Within: 45 * time.Second}
	}
	plan := product.Plan{Shots: 250_000, Frames: 2}
	p.Capture = product.Captures{Empty: plan, Target: plan, Verify: plan}
	p.Label = product.Label{Rules: rules, Tie: s.tie, Pairs: s.pairs}
	p.Retest = product.Retest{MaxAttempts: s.max, AfterPass: s.afterPass, MaxReworks: s.reworks}
	if s.reworks > 0 {
		p.Retest.Reworks = map[string]string{"WIPED": "window wiped"}
	}
	l, err := readLimits()
	if err != nil {
		t.Fatal(err)
	}
	sheet := &product.Sheet{Station: "cal-1"}
	for i := range s.nests {
		sheet.Nests = append(sheet.Nests, product.Nest{Name: fmt.Sprintf("nest-%d", i+1), Port: fmt.Sprintf("port-%d", i+1),
			LightGroup: s.one, Fixture: "F1", DistanceMM: 300, DistanceUMM: 0.15, Reflectance: 0.5, Certificate: "C1",
			Due: s.due, EndStop: s.endStop, Driver: s.driver()})
		if s.far {
			sheet.Nests[i].FarMM, sheet.Nests[i].FarUMM = 600, 0.3
		}
	}
	f, err := station.NewFiles(p, l, sheet)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// driver is that of the fixtures on the sheet.
func (s settings) driver() string {
	if s.fixture {
		return product.DriverTCP
	}
	return product.DriverNone
}

func (s settings) config(t testing.TB) station.Config {
	return station.Config{Station: "cal-1", Purpose: s.purpose, Files: s.files(t), Operator: "op-1", Software: "test",
		Fixture: s.fixture, Gate: s.gate, RejectScan: s.reject, HandsTime: s.hands, Recent: s.recent}
}
