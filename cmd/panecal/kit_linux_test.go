package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"example.org/panecal/cmd/panecal/plant"
	"example.org/panecal/protocol/firmware"
	"example.org/panecal/station"
	"example.org/panecal/testdata/figures"
)

// TestDemoOnBothUnits runs the demonstration with the simulated units and with
// those of the C firmware kit, which share no code: every unit gets the same
// verdict for the same reason. It is a part of `make kit-station`.
func TestDemoOnBothUnits(t *testing.T) {
	if os.Getenv("PANECAL_UNIT") != "both" {
		t.Skip("make kit-station runs the demonstration on both kinds of units; TestNestProcess and the runner's tests on the kit run here")
	}
	t.Parallel()
	var simulated, kit map[string]string
	var failed, failedKit error
	done := make(chan struct{})
	folders := [2]string{t.TempDir(), t.TempDir()}
	go func() {
		defer close(done)
		simulated, failed = demoVerdicts(folders[0], "panecal", "demo", "--batch")
	}()
	kit, failedKit = demoVerdicts(folders[1], "panecal-kit")
	<-done
	if failedKit != nil && strings.Contains(failedKit.Error(), firmware.ErrNoCompiler.Error()) {
		t.Skip(failedKit)
	}
	if err := errors.Join(failed, failedKit); err != nil {
		t.Fatal(err)
	}
	if len(simulated) != len(plant.Acts(0)) {
		t.Errorf("%d verdicts of %d units: %v", len(simulated), len(plant.Acts(0)), simulated)
	}
	for unit, want := range simulated {
		if kit[unit] != want {
			t.Errorf("%s: simulated %q, firmware kit %q", unit, want, kit[unit])
		}
	}
	defer func() {
		figures.Tell(t, "kit_station.demo", len(kit), "verdicts", fmt.Sprintf(">=%d", len(plant.Acts(0))), len(kit) >= len(plant.Acts(0)))
		figures.Kept(t, "kit_station.demo")
	}()
	for unit, got := range kit {
		if simulated[unit] == "" {
			t.Errorf("%s: firmware kit %q, simulated none", unit, got)
		}
	}
}

// demoVerdicts runs the batch as a program of its own and returns what it
// said of each unit and attempt.
func demoVerdicts(folder, program string, args ...string) (map[string]string, error) {
	c, err := programIn(folder, program, args...)
	if err != nil {
		return nil, err
	}
	var talk bytes.Buffer
	c.Stderr = &talk
	out, err := c.Output()
	if err != nil {
		return nil, fmt.Errorf("%v: %w\n%s%s", c.Args, err, out, talk.String())
	}
	all := map[string]string{}
	for line := range strings.Lines(string(out)) {
		var v station.Verdict
		if err := json.Unmarshal([]byte(line), &v); err != nil {
			return nil, fmt.Errorf("%v: %w in %s", c.Args, err, line)
		}
		all[fmt.Sprintf("%s attempt %d", v.Serial, v.Attempt)] = fmt.Sprintf("%s %s, bin %d in %d, %s: %s %s", v.Outcome, v.SoftName, v.SoftBin, v.HardBin, v.Disposition, v.Code, v.Detail)
	}
	return all, nil
}

// programIn is one of the programs of [TestMain], with everything that it
// writes in one folder.
func programIn(folder, name string, args ...string) (*exec.Cmd, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	program := filepath.Join(folder, "bin", name) // its name makes this test the program
	if err := os.MkdirAll(filepath.Dir(program), 0o750); err != nil {
		return nil, err
	}
	if err := os.Symlink(self, program); err != nil && !errors.Is(err, os.ErrExist) {
		return nil, err
	}
	c := exec.Command(program, args...)
	c.Env = append(os.Environ(), "TMPDIR="+folder, "XDG_STATE_HOME="+folder, "XDG_CONFIG_HOME="+folder, "XDG_DATA_HOME="+folder, "XDG_CACHE_HOME="+folder)
	return c, nil
}
