//go:build linux

package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"example.org/panecal/cmd/panecal/plant"
	"example.org/panecal/protocol/simunit"
	"example.org/panecal/store"
	"example.org/panecal/testdata/figures"
)

func TestMain(m *testing.M) {
	syscall.Umask(0o022) // the program takes no files that a group may write
	testscript.Main(m, map[string]func(){
		"panecal":     func() { os.Exit(run(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) },
		"panecal-kit": func() { os.Exit(demonstrateOnKit(os.Stdout, os.Stderr)) },
	})
}

// builtProgram names the program that scripts and pages are to run instead of
// this test binary, which under the race detector takes ten times as long, and
// half of that to begin: `make test` builds it once, `make races` does without.
const builtProgram = "PANECAL_PROGRAM"

// programPath is the path that finds that program first; folder is for the
// caller's use alone.
func programPath(folder, path string) (string, error) {
	name := os.Getenv(builtProgram)
	if name == "" {
		return path, nil
	}
	if _, err := os.Stat(name); err != nil {
		return "", fmt.Errorf("%s: %w", builtProgram, err)
	}
	return folder + string(filepath.ListSeparator) + path, os.Symlink(name, filepath.Join(folder, "panecal"))
}

// TestScripts runs the real program, on pseudo-terminals where units are
// wanted, and looks at exit code and both streams.
func TestScripts(t *testing.T) {
	t.Cleanup(func() { figures.Kept(t, "scripts") })
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		UpdateScripts:       *update,
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup: func(e *testscript.Env) error {
			e.Setenv("XDG_CONFIG_HOME", e.WorkDir+"/config")
			e.Setenv("XDG_DATA_HOME", e.WorkDir+"/data")
			e.Setenv("XDG_STATE_HOME", e.WorkDir+"/state")
			e.Setenv("XDG_CACHE_HOME", e.WorkDir+"/cache")
			e.Setenv("TMPDIR", e.WorkDir+"/tmp")
			first, err := filepath.Abs("../../testdata/first-store")
			if err != nil {
				return err
			}
			e.Setenv("FIRST_STORE", first)
			// Each process under the race detector would sleep a second at its end.
			e.Setenv("GORACE", "atexit_sleep_ms=10")
			bin := e.WorkDir + "/.bin"
			if err := errors.Join(os.Mkdir(e.WorkDir+"/tmp", 0o750), os.Mkdir(bin, 0o750)); err != nil {
				return err
			}
			path, err := programPath(bin, e.Getenv("PATH"))
			e.Setenv("PATH", path)
			return err
		},
		Condition: func(name string) (bool, error) {
			if name != "mounts" {
				return false, fmt.Errorf("no condition %q", name)
			}
			err := exec.Command("unshare", "-rm", "sh", "-c", "mount -t tmpfs none /mnt").Run()
			if err != nil {
				t.Logf("nothing can be mounted here, real disks are not tried: %v", err)
			}
			return err == nil, nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"code":  wantCode,
			"units": startUnits,
			"hold":  holdStore,
			"grace": giveGrace,
			"list":  listUnits,
			"only":  onlyProduct,
		},
	})
}

// wantCode is `code N program args…`: the program must end with that code.
func wantCode(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: code N program args…")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		var exit *exec.ExitError
		if !errors.As(err, &exit) {
			ts.Fatalf("running %s: %v", args[1], err)
		}
		got = exit.ExitCode()
	}
	if got != want {
		ts.Fatalf("exit code %d, want %d", got, want)
	}
}

// startUnits is `units [kind…]`: a simulated unit on a pseudo-terminal for
// each kind, until the script ends. Port and label of the i-th go into $PORTi
// and $LABELi, all of them as lines into units.jsonl.
func startUnits(ts *testscript.TestScript, neg bool, args []string) {
	ctx, cancel := context.WithCancel(context.Background())
	ts.Defer(cancel)
	var lines strings.Builder
	for i, kind := range args {
		o := simunit.Options{Hands: plant.PatientHands()}
		product := "hopper-54"
		switch kind {
		case "good":
		case "summary":
			product = "hopper-1"
		case "dirty":
			o.Hands = append([]simunit.Move{{On: simunit.Powered, Do: simunit.Touch, SmearRho: 0.12}}, o.Hands...)
		case "wrong-sign":
			o.Flaw = simunit.FlawOffsetSign
		case "silent":
			o.Out, o.Hands = true, nil
		case "noisy":
			o.Faults = simunit.LineNoise(0.02)
		case "lit", "lit-summary": // evenly, brighter than a room
			o.Hands = nil
			if kind == "lit-summary" {
				product = "hopper-1"
			}
		default:
			ts.Fatalf("no unit of kind %q", kind)
		}
		u, err := plant.NewUnit(product, i, 100+uint64(i), o)
		ts.Check(err)
		if strings.HasPrefix(kind, "lit") {
			u.SetScene(simunit.Scene{Ambient: 20})
		}
		port, err := simunit.ServePTY(ctx, u)
		ts.Check(err)
		ts.Setenv(fmt.Sprintf("PORT%d", i+1), port)
		ts.Setenv(fmt.Sprintf("LABEL%d", i+1), u.Serial())
		fmt.Fprintf(&lines, "{\"port\":%q,\"label\":%q}\n", port, u.Serial())
	}
	ts.Check(os.WriteFile(ts.MkAbs("units.jsonl"), []byte(lines.String()), 0o640))
}

// listUnits is `list PRODUCT UNITS MM,MM… FILE`: simulated units of a product file
// before a target that comes to each distance in turn, as lines in FILE.
func listUnits(ts *testscript.TestScript, neg bool, args []string) {
	ctx, cancel := context.WithCancel(context.Background())
	ts.Defer(cancel)
	kind, err := plant.KindOf(ts.MkAbs(args[0]))
	ts.Check(err)
	units, err := strconv.Atoi(args[1])
	ts.Check(err)
	var distances []float64
	for mm := range strings.SplitSeq(args[2], ",") {
		d, err := strconv.ParseFloat(mm, 64)
		ts.Check(err)
		distances = append(distances, d)
	}
	var lines strings.Builder
	for i := range units {
		u, err := kind.Unit(i, 70+uint64(i), simunit.Options{Hands: plant.HandsAt(distances), Speed: 20})
		ts.Check(err)
		port, err := simunit.ServePTY(ctx, u)
		ts.Check(err)
		for _, mm := range distances {
			fmt.Fprintf(&lines, "{\"port\":%q,\"label\":%q,\"distance_mm\":%g,\"distance_u_mm\":0.15}\n", port, u.Serial(), mm)
		}
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[3]), []byte(lines.String()), 0o640))
}

// onlyProduct is `only CONFIG PRODUCT`: the station's one product, and grace.
func onlyProduct(ts *testscript.TestScript, neg bool, args []string) {
	giveGrace(ts, neg, args)
	name := ts.MkAbs(args[0])
	text, err := os.ReadFile(name)
	ts.Check(err)
	line := regexp.MustCompile(`(?m)^products = .*$`)
	ts.Check(os.WriteFile(name, line.ReplaceAll(text, fmt.Appendf(nil, "products = [%q]", args[1])), 0o640))
}

// holdStore is `hold FOLDER`: another process has the store, until the script
// ends.
func holdStore(ts *testscript.TestScript, neg bool, args []string) {
	s, err := store.Open(ts.MkAbs(args[0]), store.Options{Command: "the other one"})
	ts.Check(err)
	ts.Defer(func() { ts.Check(s.Close()) })
}

// giveGrace is `grace CONFIG`: units and station share a computer that may be
// busy with other tests, so that an answer may take its time.
func giveGrace(ts *testscript.TestScript, neg bool, args []string) {
	name := ts.MkAbs(args[0])
	text, err := os.ReadFile(name)
	ts.Check(err)
	ts.Check(os.WriteFile(name, append([]byte("grace_ms = 5000\n"), text...), 0o640))
}
