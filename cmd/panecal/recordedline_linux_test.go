package main

import (
	"errors"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/panecal/cmd/panecal/plant"
	"example.org/panecal/protocol/simunit"
)

// does runs the program and wants an exit code; it returns both streams.
func does(t *testing.T, folder string, code int, args ...string) string {
	t.Helper()
	c, err := programIn(folder, "panecal", args...)
	if err != nil {
		t.Fatal(err)
	}
	out, err := c.CombinedOutput()
	got := 0
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		got = exit.ExitCode()
	} else if err != nil {
		t.Fatal(err)
	}
	if got != code {
		t.Fatalf("panecal %v: exit code %d, want %d\n%s", args, got, code, out)
	}
	return string(out)
}

// configure makes a station whose configuration begins with more lines.
func configure(t *testing.T, folder, lines string) (data string) {
	t.Helper()
	data = filepath.Join(folder, "d")
	if _, err := os.Stat(data); err != nil {
		does(t, folder, 0, "--data", data, "init")
	}
	name := filepath.Join(data, "panecal.toml")
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, append([]byte(lines), text...), 0o640); err != nil {
		t.Fatal(err)
	}
	return data
}

// stayingUnit lies in its nest until the test is over; hands bring the target.
func stayingUnit(t *testing.T, o simunit.Options) *simunit.Unit {
	t.Helper()
	o.Hands = []simunit.Move{{On: simunit.Emptied, After: 100 * time.Millisecond, Do: simunit.PlaceTarget, TargetMM: plant.TargetMM, Reflect: plant.Reflectance}}
	u, err := plant.NewUnit("hopper-1", 3, 9, o)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

// TestRecordedRun keeps the line of a run in a file and plays it to another
// unit, and to one that has been put under another flag.
func TestRecordedRun(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	data := configure(t, folder, "grace_ms = 5000\n")
	u := stayingUnit(t, simunit.Options{})
	port, err := simunit.ServePTY(t.Context(), u)
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(folder, "incident.txt")
	does(t, folder, 0, "--data", data, "run", "--port", port, "--label", u.Serial(), "--record", file)
	if out := does(t, folder, 2, "--data", data, "run", "--port", port, "--label", u.Serial(), "--record", file); !strings.Contains(out, "exists") {
		t.Errorf("a recording that is there: %s", out)
	}
	kept, err := os.ReadFile(file)
	if err != nil || !strings.HasPrefix(string(kept), "panecal recording 1 ") {
		t.Fatalf("%.60q, %v", kept, err)
	}
	again, err := simunit.ServePTY(t.Context(), stayingUnit(t, simunit.Options{}))
	if err != nil {
		t.Fatal(err)
	}
	if out := does(t, folder, 0, "replay", file, again); !strings.Contains(out, " 0 answered otherwise") {
		t.Error(out)
	}
	// A unit of another serial refuses the constants of this one.
	other, err := simunit.ServePTY(t.Context(), stayingUnit(t, simunit.Options{Serial: "H1-00009-X"}))
	if err != nil {
		t.Fatal(err)
	}
	if out := does(t, folder, 3, "replay", file, other); !strings.Contains(out, "commit") || !strings.Contains(out, "now: ") {
		t.Error(out)
	}
}

// TestBridgeOnRecord takes a unit that is reached over loopback TCP through
// the station: what is in between is named in its record, or nothing runs.
func TestBridgeOnRecord(t *testing.T) {
	t.Parallel()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	u := stayingUnit(t, simunit.Options{})
	go func() {
		for {
			line, err := listener.Accept()
			if err != nil {
				return
			}
			_ = u.Serve(t.Context(), line) // until the station hangs up
			line.Close()
		}
	}()
	port := "tcp:" + listener.Addr().String()
	folder := t.TempDir()
	data := configure(t, folder, "grace_ms = 5000\n")
	run := []string{"--data", data, "run", "--port", port, "--label", u.Serial()}
	if out := does(t, folder, 1, run...); !strings.Contains(out, "panecal.toml") || !strings.Contains(out, `add bridge = "`) {
		t.Errorf("a bridge without a name: %s", out)
	}
	configure(t, folder, "bridge = \"text console 1.2\"\n")
	if out := does(t, folder, 1, append(run, "--port", "/dev/null", "--label", "H1-00010-X")...); !strings.Contains(out, "station of their own") {
		t.Errorf("a bridge for some nests only: %s", out)
	}
	does(t, folder, 0, run...)
	if out := does(t, folder, 0, "--data", data, "unit", u.Serial(), "--json"); !strings.Contains(out, `"bridge": "text console 1.2"`) {
		t.Errorf("the bridge is not in the record: %s", out)
	}
}
