package runner_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"testing"

	"example.org/panecal/protocol/firmware"
	"example.org/panecal/protocol/simunit"
	"example.org/panecal/testdata/figures"
)

// kitFolder is where the kit's programs of this run lie, see TestMain.
var kitFolder string

func TestMain(m *testing.M) {
	code := 1
	if folder, err := os.MkdirTemp("", "panecal-station-"); err != nil {
		fmt.Fprintln(os.Stderr, err)
	} else {
		kitFolder = folder
		code = m.Run()
		os.RemoveAll(folder)
	}
	os.Exit(code)
}

var (
	kitMutex    sync.Mutex
	kitPrograms = map[string]string{} // by defect
)

func kitProgram(defect string) (string, error) {
	kitMutex.Lock()
	defer kitMutex.Unlock()
	if path, ok := kitPrograms[defect]; ok {
		return path, nil
	}
	path, err := firmware.Build(context.Background(), kitFolder, firmware.BuildOptions{Defect: defect})
	if err == nil {
		kitPrograms[defect] = path
	}
	return path, err
}

// startKit starts a unit of the kit that ends with the test.
func startKit(t testing.TB, twin *simunit.Unit, m simunit.Model, seed uint64, o simunit.Options) kitUnit {
	t.Helper()
	// The twin may lie beside its nest, where it tells nobody who it is.
	alike, err := simunit.New(m, seed, simunit.Options{Serial: twin.Serial(), UnitID: o.UnitID, Constants: o.Constants})
	if err != nil {
		t.Fatal(err)
	}
	// The simulated unit begins and restarts within a moment.
	options := firmware.Options{Twin: twin, Alike: alike, Speed: o.Speed, Stderr: os.Stderr, Settings: []string{"boot_ms=0"}}
	if m.Ranging == simunit.RangePulse {
		options.Pulse = &firmware.Pulse{StartPS: m.Pulse.StartPS, StepPS: m.Pulse.StepPS, Density: m.Pulse.Density}
	}
	defect := ""
	switch {
	case o.Flaw == simunit.Sound, o.Flaw == simunit.FlawZeroMoves: // that is of its photons
	case o.Flaw == simunit.FlawOffsetSign && !m.Histograms: // the twin ranges
	case o.Flaw == simunit.FlawOffsetSign:
		defect = "offset-sign"
	case o.Flaw == simunit.FlawCommit:
		defect = "commit-keeps-old"
	case o.Flaw == simunit.FlawForgets:
		options.Settings = append(options.Settings, "memory=volatile")
	default:
		t.Fatalf("the kit has no flaw like %q", o.Flaw)
	}
	program, err := kitProgram(defect)
	if err != nil {
		t.Fatal(err)
	}
	l, err := firmware.StartLockstep(context.Background(), program, options)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	})
	return l
}

// TestStationOnKit runs the tests that have units in their nests once more,
// with those of the C firmware kit, in virtual time too. Nothing that they
// expect is different, and where both implementations have run, the verdicts
// agree (see agree). All but one are left to PANECAL_UNIT=both, which runs each
// test on both, one after the other: `make kit-station`.
func TestStationOnKit(t *testing.T) {
	if implementation == "kit" {
		t.Skip("every test runs on the kit")
	}
	if _, err := kitProgram(""); errors.Is(err, firmware.ErrNoCompiler) {
		t.Skip(err)
	} else if err != nil {
		t.Fatal(err)
	}
	type one struct {
		name string
		test func(*testing.T)
	}
	tests := []one{
		{"TestAdjustedUnitReturns", TestAdjustedUnitReturns},
	}
	if both {
		tests = append(tests, []one{
			{"TestUnits", TestUnits}, {"TestWrongLabels", TestWrongLabels}, {"TestThreeNests", TestThreeNests},
			{"TestStoreFails", TestStoreFails}, {"TestPanic", TestPanic}, {"TestSnapshotsNeverWait", TestSnapshotsNeverWait}, {"TestAddedBack", TestAddedBack},
			{"TestShutdownInLongCapture", TestShutdownInLongCapture}, {"TestMachineFails", TestMachineFails}, {"TestPortReopened", TestPortReopened}, {"TestConstantsForgotten", TestConstantsForgotten},
			{"TestWrongSpeed", TestWrongSpeed}, {"TestSlowLine", TestSlowLine}, {"TestBusyForEver", TestBusyForEver}, {"TestSlowDisk", TestSlowDisk},
			{"TestKeep", TestKeep}, {"TestShutdownAnywhere", TestShutdownAnywhere}, {"TestUnitFaults", TestUnitFaults}, {"TestPanicAnywhere", TestPanicAnywhere},
			{"TestTroubleAnywhere", TestTroubleAnywhere}, {"TestEightNestsOneFaulty", TestEightNestsOneFaulty}, {"TestSoakStack", TestSoakStack},
		}...)
	}
	defer func(v string) { implementation = v }(implementation) // no other test runs meanwhile: this one is not parallel
	for _, c := range tests {
		if both {
			implementation = "simulated"
			t.Run("simulated/"+c.name, c.test)
		}
		implementation = "kit"
		t.Run(c.name, c.test)
	}
	if !both {
		t.Logf("the verdicts of %d stations were compared", compared())
		return
	}
	figures.Tell(t, "kit_station.compared", compared(), "stations", ">0", compared() > 0)
}
