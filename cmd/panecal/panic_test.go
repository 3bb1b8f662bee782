//go:build linux

package main

import (
	"bytes"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"
	"testing"

	"github.com/adrg/xdg"
	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/logs"
	"example.org/panecal/station"
	"example.org/panecal/station/batch"
	"example.org/panecal/station/runner"
	"example.org/panecal/store"
)

// TestFaultOfTheProgram lets the station itself fail when it has a verdict to
// show: exit code 70, no emitter on, a file about it, and a log that is whole
// and still says that the verdict was seen by nobody. What a run leaves behind
// is for its user and group alone.
func TestFaultOfTheProgram(t *testing.T) {
	home := t.TempDir()
	t.Cleanup(xdg.Reload) // when the environment is as before
	t.Setenv("TMPDIR", home)
	t.Setenv("XDG_STATE_HOME", filepath.Join(home, "state"))
	xdg.Reload()
	talk := new(bytes.Buffer)
	c := &cobra.Command{}
	c.SetContext(t.Context())
	c.SetOut(talk)
	c.SetErr(talk)
	d, err := newDemonstration(c)
	if err != nil {
		t.Fatal(err)
	}
	w, err := d.workplace("test", func(station.Verdict) { panic("a planted bug") })
	if err != nil {
		t.Fatal(err)
	}
	u := d.Acts[0].Unit
	err = w.batch(c, batch.Options{Queues: [][]string{{u.Serial()}, nil, nil}, Operator: "4711", Again: true,
		Seat: func(nest int, label string) { d.Seat(nest, label) }}, func(station.Verdict) error { return nil })
	if !errors.Is(err, runner.ErrInternal) || exitCode(err) != cli.ExitInternal {
		t.Fatalf("ended with %v", err)
	}
	if u.EmitterOn() {
		t.Error("the emitter is on")
	}
	files, _ := filepath.Glob(filepath.Join(d.folder, "crash-*.txt"))
	if len(files) != 1 || !strings.Contains(err.Error(), files[0]) {
		t.Fatalf("files %v, told %v", files, err)
	}
	text, err := os.ReadFile(files[0])
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"panecal " + version, "a planted bug", "panic_test.go"} {
		if !strings.Contains(string(text), want) {
			t.Errorf("the file does not say %q:\n%s", want, text)
		}
	}
	report, err := logs.Check(filepath.Join(d.folder, "store"), store.CheckOptions{Deep: true}, talk, noteLogCheck)
	if err != nil || len(report.Problems) > 0 || report.Records == 0 {
		t.Errorf("the log: %+v, %v", report, err)
	}
	// The folder of temporary files is the system's; what is in it is ours.
	if n := privateFiles(t, d.folder) + privateFiles(t, filepath.Join(home, "state")); n < 14 {
		t.Errorf("only %d files and folders", n)
	}
}

// privateFiles looks at the modes of a folder and all in it: nobody but user
// and group has any right, and the group does not write.
func privateFiles(t *testing.T, folder string) (seen int) {
	t.Helper()
	err := filepath.WalkDir(folder, func(path string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		i, err := e.Info()
		if err != nil {
			return err
		}
		most := fs.FileMode(0o640)
		if e.IsDir() {
			most = 0o750
		}
		if m := i.Mode().Perm(); m&^most != 0 {
			t.Errorf("%s has mode %o", path, m)
		}
		seen++
		return nil
	})
	if err != nil {
		t.Error(err)
	}
	return seen
}

// TestFaultBeyondTheStation: what nobody else catches ends the program with
// 70 and a file, too.
func TestFaultBeyondTheStation(t *testing.T) {
	folder := t.TempDir()
	talk := new(bytes.Buffer)
	code := func() (code int) {
		defer func() { code = crashed(place{data: folder}, recover(), debug.Stack(), talk) }()
		panic("a planted bug")
	}()
	files, _ := filepath.Glob(filepath.Join(folder, "crash-*.txt"))
	if code != cli.ExitInternal || len(files) != 1 || !strings.Contains(talk.String(), files[0]) {
		t.Errorf("code %d, files %v, told %q", code, files, talk)
	}
}
